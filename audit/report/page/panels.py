"""Which channels share a panel of traces, and what channels are called."""

from __future__ import annotations

from dataclasses import dataclass

from audit.declared import all_declared
from audit.model import base_of
from audit.tables import row_of

# Panels in reading order. `always`: shown without asking; the others open with "more traces" or when a mark is in them.
# Position is left out on purpose: a report is sent on, and nobody else needs to know the road.


@dataclass(frozen=True, slots=True)
class Panel:
    """Channels of one unit on one pair of axes."""

    id: str
    title: str
    channels: tuple[str, ...]
    always: bool = False
    tall: bool = False


PANELS = (
    Panel("boost", "Boost", ("boost", "boost_target"), always=True, tall=True),
    Panel("mixture", "Mixture", ("lambda", "lambda_target"), always=True),
    Panel(
        "control",
        "Throttle and solenoid duty",
        ("throttle_position", "pedal_position", "wastegate_duty"),
        always=True,
    ),
    Panel("speed", "Engine speed", ("engine_speed",), always=True),
    Panel(
        "heat",
        "Temperatures",
        ("intake_air_temp", "coolant_temp", "oil_temp", "ambient_air_temp", "fuel_temp"),
    ),
    Panel("timing", "Ignition timing and knock retard", ("ignition_timing", "knock_retard")),
    Panel("knock_level", "Knock level", ("knock_level",)),
    Panel("knock_count", "Knock count", ("knock_count",)),
    Panel("injectors", "Injector duty", ("injector_duty",)),
    Panel("pulse", "Injector pulse width", ("injector_pulse_width",)),
    Panel("trims", "Fuel trims", ("short_term_fuel_trim", "long_term_fuel_trim")),
    Panel("fuel", "Fuel pressure (gauge)", ("fuel_pressure",)),
    Panel("oil", "Oil pressure (gauge)", ("oil_pressure",)),
    Panel("supply", "Supply voltage", ("battery_voltage",)),
    Panel("air", "Mass air flow", ("mass_air_flow",)),
    Panel("exhaust", "Exhaust gas temperature", ("exhaust_gas_temp",)),
    Panel("turbo", "Turbo speed", ("turbo_speed",)),
    Panel("road", "Road speed", ("vehicle_speed",)),
    Panel("gear", "Gear", ("gear",)),
    Panel("push", "Acceleration", ("acceleration_longitudinal",)),
    Panel("ambient", "Barometric pressure (absolute)", ("barometric_pressure",)),
)

NAMES = {
    "boost": "Boost",
    "wastegate_duty": "Solenoid duty",
    "throttle_position": "Throttle",
    "pedal_position": "Pedal",
    "intake_air_temp": "Intake air",
    "coolant_temp": "Coolant",
    "oil_temp": "Oil",
    "ambient_air_temp": "Ambient air",
    "fuel_temp": "Fuel",
    "exhaust_gas_temp": "Exhaust gas",
    "battery_voltage": "Supply",
    "vehicle_speed": "Road speed",
    "acceleration_longitudinal": "Acceleration",
}

PANEL = {panel.id: panel for panel in PANELS}
CHANNEL_TO_PANEL = {channel: panel.id for panel in PANELS for channel in panel.channels} | {
    "manifold_pressure": "boost"
}


def channel_name(name: str) -> str:
    """A channel's name for people; the second sensor of a quantity bears its number."""
    base = base_of(name)
    said = NAMES.get(base) or base.replace("_", " ").capitalize()
    return said if base == name else f"{said} {name.rpartition('_')[2]}"


def panel_of(code: str, channel: str | None) -> str | None:
    """The panel that a finding belongs in, None for none: that of boost where its check needs it first, else that of
    its channel, else that of what its check needs.
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
