"""Names of logs as a page shows them: without folders, and short enough for a line."""

from __future__ import annotations

from audit.model import Night
from audit.report.page.marks import short_name

LONGEST_NAME = 44


def without_folders(text: str, night: Night) -> str:
    """A sentence with the names of logs alone: the page is sent on, and the folders are nobody's business."""
    for path in sorted((a.path for a in night.logs), key=len, reverse=True):
        if path != short_name(path):
            text = text.replace(
                f"{short_name(path)} could not be read, so what it holds is not judged: {path}: ",
                f"{short_name(path)} could not be read, so what it holds is not judged: ",
            )
            text = text.replace(path, short_name(path))
    return text


def clipped(name: str) -> str:
    """A file name that fits a line: the middle of a long one is left out. The table of logs has it whole."""
    return name if len(name) <= LONGEST_NAME else f"{name[:22]}…{name[-16:]}"


def clipped_in(text: str, night: Night) -> str:
    """A sentence with the long names of logs clipped."""
    for name in {short_name(a.path) for a in night.logs}:
        if len(name) > LONGEST_NAME:
            text = text.replace(name, clipped(name))
    return text
