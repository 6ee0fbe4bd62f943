"""Templates, style, scripts and the content security policy of a page."""

from __future__ import annotations

import base64
import hashlib
import json
from functools import lru_cache
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audit.errors import UsageError

if TYPE_CHECKING:
    from jinja2 import Environment

HERE = files("audit.report.page")
SCRIPTS = ("numbers.js", "panel.js", "traces.js")
# Bokeh puts its style elements into the page from script; they are let through by a nonce that only this policy knows.
NONCE_SHIM = (
    "(()=>{const make=document.createElement.bind(document);document.createElement=(name,...rest)=>"
    "{const made=make(name,...rest);if(name==='style')made.nonce='%s';return made;};})();"
)


@lru_cache(maxsize=2)
def environment(package: str = "") -> Environment:
    """The Jinja environment of all pages: everything is escaped. package: whose templates/ joins our own."""
    from jinja2 import DictLoader, Environment, StrictUndefined

    folders = [HERE / "templates", *([files(package) / "templates"] if package else [])]
    pages = {
        f.name: f.read_text(encoding="utf-8")
        for d in folders
        for f in d.iterdir()
        if f.name.endswith(".html")
    }
    made = Environment(
        loader=DictLoader(pages),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["packet"] = json_for_html
    return made


def json_for_html(value: Any) -> Any:
    """JSON that may stand inside a script element: no '<', '>', '&', nor a line separator is left in it."""
    from markupsafe import Markup

    text = json.dumps(value, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    for sign in "<>&'":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return Markup(text)  # noqa: S704 - made safe above


@lru_cache(maxsize=1)
def style() -> str:
    """Our own style sheet."""
    return (HERE / "assets" / "page.css").read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def script() -> str:
    """Our own script."""
    return "\n".join((HERE / "assets" / name).read_text(encoding="utf-8") for name in SCRIPTS)


@lru_cache(maxsize=1)
def plotting_library() -> str:
    """Bokeh's own browser library as its installed package ships it; the package itself is not imported."""
    spec = find_spec("bokeh")
    if spec is None or not spec.submodule_search_locations:
        raise UsageError(
            "the package bokeh, which draws the traces, is not installed. Install it: pip install bokeh"
        )
    path = Path(spec.submodule_search_locations[0]) / "server" / "static" / "js" / "bokeh.min.js"
    try:
        text = path.read_text(encoding="utf-8")
    except OSError:
        raise UsageError(
            f"{path}: the plotting library is missing. Install it again: pip install --force-reinstall bokeh"
        ) from None
    return embeddable(text)


def embeddable(text: str) -> str:
    """A script that may stand inside a script element as it is. Raises UsageError when it would end that element."""
    low = text.lower()
    if "</script" in low or "<!--" in low:
        raise UsageError(
            "the plotting library holds text that would end its script element. Use another release of bokeh."
        )
    return text


def digest(text: str) -> str:
    """The source expression of an inline script or style: 'sha256-…'."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def nonce_of(*parts: str) -> str:
    """A nonce that depends on all of a page, so that nobody who wrote a part of it could know it."""
    whole = hashlib.sha256()
    for part in parts:
        whole.update(part.encode())
    return base64.urlsafe_b64encode(whole.digest()[:18]).decode()
