"""What goes on working: `watch` screens whatever lands in a folder, `serve` shows the archive."""

from __future__ import annotations

import sys
from typing import Any

import click

from audit.cli import options


@click.command("watch", params=options.of("watch"))
@click.argument("inbox", type=options.FILE, metavar="INBOX")
def watch(*, hook: str | None, webhook: str | None, status: bool, **asked: Any) -> None:
    """Screen whatever lands in INBOX, keep it in the archive, report every night.

    One folder a car, with a car.toml in it; or rules in INBOX/inbox.toml. Nothing in INBOX is moved
    or changed. What cannot be read is copied to DIR/inbox/set_aside with the reason beside it.

    Ends cleanly on SIGTERM and Ctrl-C. Exit codes: 0 ended, 1 not well (--status), 2 wrong usage.
    """
    from audit.service.watch.desk import Settings
    from audit.service.watch.health import read_health, start_logging
    from audit.service.watch.hooks import Ways
    from audit.service.watch.inbox import Service

    settings = Settings(**asked, ways=Ways(hook, webhook))
    if status:
        well, sentence = read_health(settings.folder)
        click.echo(sentence)
        sys.exit(0 if well else 1)
    start_logging(sys.stderr, plain=sys.stderr.isatty())
    Service(settings, on_verdict=_print).run()


def _print(name: str, night: Any) -> None:
    """One line a verdict on standard output."""
    from audit.report.display import localise
    from audit.report.words import decision_line

    us, step = night.us_units, ""
    reason = localise(night.reasons[0], us=us) if night.reasons else ""
    if night.decision is not None:
        step = f" {decision_line(night.decision.plain(), us=us)}"
    click.echo(f"{name}  {night.car.name}  {night.verdict.upper()}: {reason}{step}")
    sys.stdout.flush()


@click.command("serve", params=options.of("serve"))
def serve(archive: str, host: str, port: int, token: str | None, most_mb: int) -> None:
    """Show cars, nights, trends and the duty response of an archive as web pages, and screen logs
    dropped there.

    It answers this machine only. There is no encryption: to reach it from elsewhere, put it behind
    something that has.
    """
    from audit.database import shown
    from audit.service.web import web

    def ready(address: str) -> None:
        click.echo(f"Serving {shown(archive)} on {address} (Ctrl+C ends it).")

    most = most_mb * web.MEGABYTE
    web.serve(archive, host=host, port=port, token=token, most_bytes=most, ready=ready)
