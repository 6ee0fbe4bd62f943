"""The night as one page to send on: everything in it, nothing fetched, logs' text escaped."""

from __future__ import annotations

from pathlib import Path

from audit.files import write_text
from audit.model import Night
from audit.report.page.history import History


def write_report(
    night: Night, path: Path, *, date: str = "", history: History | None = None
) -> None:
    """Write the page of a night, whole or not at all. Raises UsageError when it cannot be written.

    date, history: as in render.
    """
    write_text(path, render(night, date=date, history=history))


def render(night: Night, *, date: str = "", history: History | None = None) -> str:
    """The page of a night as HTML: at most 700 kB for six pulls of 24 channels, 2 MB for sixty.

    date: the night's day, where the caller knows it better than the logs. history: what this car's
    other nights were like, None where no archive is at hand. Figures are in night.us_units' units.
    The page holds our style, our script and the numbers of the traces; its content security policy
    lets nothing else run or load.
    """
    from audit.report.page import shell
    from audit.report.page.content import page_of

    page, style, script = page_of(night, date=date, history=history), shell.style(), shell.script()
    digests = {"styles": shell.digest(style), "scripts": shell.digest(script)}
    template = shell.environment().get_template("alone.html")
    return template.render(page=page, style=style, script=script, **digests)
