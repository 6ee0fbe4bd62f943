"""`pullaudit watch`: screens whatever lands in a folder."""

from __future__ import annotations

import sys
from pathlib import Path

import click


@click.command("watch")
@click.argument("inbox", type=click.Path(path_type=Path), metavar="INBOX")
@click.option(
    "--archive",
    "folder",
    required=True,
    metavar="DIR",
    help="Keep the nights in this archive: a folder, or postgresql://… of a server.",
)
@click.option(
    "--logs", metavar="ADDRESS", help="Where a new archive keeps its logs, if not in DIR."
)
@click.option(
    "--hook",
    metavar="COMMAND",
    help="Run this on hold and stop; the event is JSON on its standard input.",
)
@click.option(
    "--webhook", metavar="URL", help="Post the event as JSON to this address on hold and stop."
)
@click.option("--once", is_flag=True, help="Work through what is there, then end.")
@click.option(
    "--poll",
    "poll_s",
    type=click.FloatRange(0.1, 3600),
    metavar="SECONDS",
    help="Look this often instead of waiting for file events.",
)
@click.option(
    "--stable",
    "stable_s",
    type=click.FloatRange(0.1, 600),
    default=1.0,
    show_default=True,
    metavar="SECONDS",
    help="A file that has stood still so long is complete.",
)
@click.option(
    "--workers",
    type=click.IntRange(1, 256),
    default=1,
    show_default=True,
    metavar="N",
    help="Processes for a backlog.",
)
@click.option("--units", type=click.Choice(["us", "metric"]), help="Units in the reports.")
@click.option("--setting", type=click.Choice(["dyno", "street"]), help="Where the pulls are made.")
@click.option(
    "--state",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="The service's own files: ledger, reports, what was set aside (DIR/inbox of the archive).",
)
@click.option(
    "--health-every",
    "health_s",
    type=click.FloatRange(1, 3600),
    default=60.0,
    show_default=True,
    metavar="SECONDS",
    help="A health line this often.",
)
@click.option(
    "--status", is_flag=True, help="Tell how the service that works there is doing, and end."
)
def command(
    *,
    inbox: Path,
    folder: str,
    logs: str | None,
    hook: str | None,
    webhook: str | None,
    poll_s: float | None,
    stable_s: float,
    workers: int,
    units: str | None,
    setting: str | None,
    state: Path | None,
    health_s: float,
    once: bool,
    status: bool,
) -> None:
    """Screen whatever lands in INBOX, keep it in the archive, report every night.

    One folder a car, with a car.toml in it; or rules in INBOX/inbox.toml. Nothing in INBOX is moved or changed.
    What cannot be read is copied to DIR/inbox/set_aside with the reason beside it.

    Ends cleanly on SIGTERM and Ctrl-C. Exit codes: 0 ended, 1 not well (--status), 2 wrong usage.
    """
    from audit.service.watch.health import read_health, start_logging
    from audit.service.watch.hooks import Ways
    from audit.service.watch.inbox import STATE, Service, Settings

    if status:
        well, sentence = read_health((state or Path(folder) / STATE) / "health.json")
        click.echo(sentence)
        sys.exit(0 if well else 1)
    start_logging(sys.stderr, plain=sys.stderr.isatty())
    settings = Settings(
        inbox=inbox,
        archive=folder,
        logs=logs,
        state=state,
        stable_s=stable_s,
        poll_s=poll_s,
        once=once,
        workers=workers,
        units=units,
        setting=setting or "",
        ways=Ways(hook, webhook),
        health_s=health_s,
    )
    Service(settings, on_verdict=_print).run()


def _print(name: str, night: object) -> None:
    """One line a verdict on standard output."""
    from audit.model import Night
    from audit.report.display import localise

    assert isinstance(night, Night)
    reason = localise(night.reasons[0], us=night.us_units) if night.reasons else ""
    click.echo(f"{name}  {night.car.name}  {night.verdict.upper()}: {reason}")
    sys.stdout.flush()
