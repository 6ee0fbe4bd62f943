"""Names of logs as a page shows them: without folders, and short enough for a line."""

from __future__ import annotations

import re
import unicodedata
from typing import TYPE_CHECKING

from audit.model import Finding, Night, base_of

if TYPE_CHECKING:
    from markupsafe import Markup

LONGEST_NAME = 44
POSITION = ("latitude", "longitude")
# control, format (bidi marks too), private, separators
_SIGNS = frozenset(("Cc", "Cf", "Co", "Cs", "Zl", "Zp"))
_HARMLESS = "\n\t\u00ad"
_COMMAND = re.compile(r"`([^`]+)`")
_NUMBER = re.compile(r"-?\d+(?:[.,]\d+)?")


def plain(text: str) -> str:
    """A sentence as a page shows it: commands in quotes, signs that turn text written out."""
    return _COMMAND.sub("‘\\1’", visible(text))


def visible(text: str) -> str:
    """Control signs and signs that turn the text around them, written out: '⟨U+202E⟩'."""
    if text.isascii() and text.isprintable():
        return text
    turning = {s for s in set(text) if unicodedata.category(s) in _SIGNS and s not in _HARMLESS}
    return "".join(f"⟨U+{ord(sign):04X}⟩" if sign in turning else sign for sign in text)


def short_name(path: str) -> str:
    """The last part of a path."""
    return path.replace("\\", "/").rsplit("/", 1)[-1]


def without_folders(text: str, night: Night) -> str:
    """A sentence with the names of logs alone: folders are nobody's business."""
    for path in sorted((a.path for a in night.logs), key=len, reverse=True):
        name = short_name(path)
        if path != name:
            lost = f"{name} could not be read, so what it holds is not judged: "
            text = text.replace(f"{lost}{path}: ", lost).replace(path, name)
    return text


def clipped(name: str) -> str:
    """A file name that fits a line, the middle of a long one left out."""
    return name if len(name) <= LONGEST_NAME else f"{name[:22]}…{name[-16:]}"


def isolated(text: str, night: Night) -> Markup:
    """A sentence with names of logs and car set apart, so that none turns what stands beside it."""
    from markupsafe import Markup, escape

    names = {short_name(a.path) for a in night.logs} | {night.car.name}
    parts = sorted((n for n in names if len(n) > 2), key=len, reverse=True)
    if not parts:
        return escape(plain(text))
    found = re.split("(" + "|".join(map(re.escape, parts)) + ")", text)
    return Markup("").join(
        Markup("<bdi>{}</bdi>").format(visible(clipped(part))) if i % 2 else plain(part)
        for i, part in enumerate(found)
    )


def without_positions(text: str, findings: list[Finding]) -> str:
    """A sentence in which no finding on where the car was tells a figure: the page is sent on."""
    for f in findings:
        if f.channel is not None and base_of(f.channel) in POSITION and f.message in text:
            text = text.replace(f.message, _NUMBER.sub("…", f.message))
    return text
