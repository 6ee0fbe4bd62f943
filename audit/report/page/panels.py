"""Which channels share a panel of traces, and what channels are called."""

from __future__ import annotations

from dataclasses import dataclass

from audit.declared import all_declared
from audit.model import base_of
from audit.tables import row_of, toml_table


@dataclass(frozen=True, slots=True)
class Panel:
    """Channels of one unit on one pair of axes."""

    id: str
    title: str
    channels: tuple[str, ...]
    always: bool = False
    tall: bool = False


PANELS = tuple(
    Panel(id=name, **{**row, "channels": tuple(row["channels"])})
    for name, row in toml_table("panels.toml")["panel"].items()
)
PANEL = {panel.id: panel for panel in PANELS}
CHANNEL_TO_PANEL = {channel: panel.id for panel in PANELS for channel in panel.channels} | {
    "manifold_pressure": "boost"
}


def channel_name(name: str) -> str:
    """A channel's name for people; the second sensor of a quantity bears its number."""
    base = base_of(name)
    said = toml_table("panels.toml")["called"].get(base) or base.replace("_", " ").capitalize()
    return said if base == name else f"{said} {name.rpartition('_')[2]}"


def panel_of(code: str, channel: str | None) -> str | None:
    """The panel that a finding belongs in, None for none: that of boost where its check needs it
    first, else that of its channel, else that of what its check needs.
    """
    needs = [n for row in all_declared() if code in row.codes for n in row.needs[:1]]
    if "boost" in needs:
        return "boost"
    if channel is not None and base_of(channel) in CHANNEL_TO_PANEL:
        return CHANNEL_TO_PANEL[base_of(channel)]
    named = (name for need in needs for name in need.split("|"))
    return next((CHANNEL_TO_PANEL[n] for n in named if n in CHANNEL_TO_PANEL), None)


def unit_of(panel: Panel) -> str:
    """The canonical unit of a panel's axis."""
    return row_of("manifold_pressure" if panel.id == "boost" else panel.channels[0]).unit
