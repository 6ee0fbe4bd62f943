"""The night as one page to send on: everything in it, nothing fetched, logs' text escaped; and what
all pages are made with: templates, style, scripts and the content security policy.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audit.files import write_text
from audit.model import Night
from audit.report.names import clipped, plain, short_name
from audit.report.words import Doc

if TYPE_CHECKING:
    from jinja2 import Environment

    from audit.report.page.measures import History

HERE = files("audit.report.page")
SCRIPTS = ("numbers.js", "plot.js", "charts.js", "figures.js", "cells.js", "traces.js")
# Signs that turn or hide text, as JSON writes them.
_HIDDEN = re.compile(
    r"\\u(00[01][0-9a-f]|007f|00[89][0-9a-f]|061c|200[b-f]|202[a-e]|206[0-9a-f]|feff)"
)


@lru_cache(maxsize=2)
def environment(package: str = "") -> Environment:
    """The Jinja environment of all pages: everything is escaped, signs that turn or hide the text
    around them are made visible. package: whose templates/ joins our own.
    """
    from jinja2 import DictLoader, Environment, StrictUndefined

    folders = [HERE / "templates", *([files(package) / "templates"] if package else [])]
    pages = [f for folder in folders for f in folder.iterdir() if f.name.endswith(".html")]
    made = Environment(
        loader=DictLoader({page.name: page.read_text(encoding="utf-8") for page in pages}),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=lambda value: plain(value) if type(value) is str else value,
    )
    made.filters |= {"clipped": clipped, "short_name": short_name}
    made.filters |= {"packet": json_for_html, "packet_of_traces": _sparing}
    return made


def _sparing(packet: Doc) -> Any:
    """A packet of traces as JSON, less what is empty."""

    def full(one: Doc) -> Doc:
        return {k: v for k, v in one.items() if v not in ("", 0, [])}

    panels = [full(panel) for panel in packet["panels"]]
    series = {name: full(one) for name, one in packet["series"].items()}
    return json_for_html({**packet, "panels": panels, "series": series})


def json_for_html(value: Any) -> Any:
    """JSON that may stand in a script element: no '<', '>', '&' nor line separator is left."""
    from markupsafe import Markup

    text = json.dumps(value, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    text = _HIDDEN.sub(lambda m: f"\\u27e8U+{m[1].upper()}\\u27e9", text)
    for sign in "<>&'":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return Markup(text)  # noqa: S704 - made safe above


def _asset(name: str) -> str:
    return (HERE / "assets" / name).read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def style() -> str:
    """Our own style sheet."""
    return _asset("page.css")


@lru_cache(maxsize=1)
def script() -> str:
    """Our own script."""
    return "\n".join(map(_asset, SCRIPTS))


def digest(text: str) -> str:
    """The source expression of an inline script or style: 'sha256-…'."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def write_report(
    night: Night, path: Path, *, date: str = "", history: History | None = None
) -> None:
    """Write the page of a night, whole or not at all. Raises UsageError where it cannot be."""
    write_text(path, render(night, date=date, history=history))


def render(night: Night, *, date: str = "", history: History | None = None) -> str:
    """The page of a night as HTML: at most 700 kB for six pulls of 24 channels, 2 MB for sixty.

    date: the night's day, where the caller knows it better than the logs. history: what this car's
    other nights were like. Its content security policy lets nothing but our style and script in.
    """
    from audit.report.page.content import page_of

    page, own = page_of(night, date=date, history=history), (style(), script())
    digests = dict(zip(("styles", "scripts"), map(digest, own), strict=True))
    template = environment().get_template("alone.html")
    return template.render(page=page, style=own[0], script=own[1], **digests)
