"""The night as one page to send on: everything in it, nothing fetched, everything from the log escaped."""

from __future__ import annotations

from pathlib import Path

from audit.files import write_text
from audit.model import Night


def write_report(night: Night, path: Path) -> None:
    """Write the page of a night, whole or not at all. Raises UsageError when it cannot be written."""
    write_text(path, render(night))


def render(night: Night) -> str:
    """The page of a night as HTML, at most 2 MB for six pulls of 24 channels.

    Figures are in night.us_units' units. The page holds Bokeh's browser library, our style and script, and the
    numbers of the traces; its content security policy lets nothing else run or load.
    """
    from audit.report.page.content import page_of
    from audit.report.page.shell import (
        NONCE_SHIM,
        digest,
        environment,
        nonce_of,
        plotting_library,
        script,
        style,
    )

    page = page_of(night)
    body = environment().get_template("night.html").render(page=page)
    nonce = nonce_of(body, style(), script())
    drawn = any(card.traces for card in page.cards)
    scripts = [NONCE_SHIM % nonce, plotting_library(), script()] if drawn else []
    allowed = " ".join(digest(s) for s in scripts) or "'none'"
    policy = "; ".join(
        [
            "default-src 'none'",
            f"script-src {allowed}",
            f"style-src 'nonce-{nonce}'",
            "img-src data:",
            "base-uri 'none'",
            "form-action 'none'",
        ]
    )
    return (
        environment()
        .get_template("alone.html")
        .render(
            title=f"{page.title}: {page.verdict}",
            body=body,
            policy=policy,
            nonce=nonce,
            style=style(),
            scripts=scripts,
        )
    )
