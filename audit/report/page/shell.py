"""Templates, style, scripts and the content security policy of a page."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from audit.report.names import clipped, plain, short_name
from audit.report.words import Doc

if TYPE_CHECKING:
    from jinja2 import Environment

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
