"""`pullaudit watch`: screens whatever lands in a folder."""

from __future__ import annotations

import sys
from typing import Any

import click

from audit.cli import options


@click.command("watch", params=options.of("watch"))
@click.argument("inbox", type=options.FILE, metavar="INBOX")
def command(*, hook: str | None, webhook: str | None, status: bool, **asked: Any) -> None:
    """Screen whatever lands in INBOX, keep it in the archive, report every night.

    One folder a car, with a car.toml in it; or rules in INBOX/inbox.toml. Nothing in INBOX is moved
    or changed. What cannot be read is copied to DIR/inbox/set_aside with the reason beside it.

    Ends cleanly on SIGTERM and Ctrl-C. Exit codes: 0 ended, 1 not well (--status), 2 wrong usage.
    """
    from audit.service.watch.health import read_health, start_logging
    from audit.service.watch.hooks import Ways
    from audit.service.watch.inbox import Service, Settings

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

    reason = localise(night.reasons[0], us=night.us_units) if night.reasons else ""
    step = ""
    if night.decision is not None:
        step = f" {decision_line(night.decision.plain(), us=night.us_units)}"
    click.echo(f"{name}  {night.car.name}  {night.verdict.upper()}: {reason}{step}")
    sys.stdout.flush()
