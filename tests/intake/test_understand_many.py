"""Many made headers: styles, languages and units at random; all right, or announced as doubt; and odd content survived."""

from __future__ import annotations

import random

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from made import AMBIENT, Made, drive, raw_log
from test_naming import NAMES, NONE

from audit.intake.understand import suggest_channels, understand
from audit.model import Car

PSI = 6.894757293168
STYLES = (
    str,
    str.upper,
    str.lower,
    lambda s: s.replace(" ", "_"),
    lambda s: s.replace(" ", "."),
    lambda s: s.title().replace(" ", ""),
)
PLACES = ("apart", "paren", "bracket", "suffix")
LINEAR = {  # unit text, source = factor * canonical + offset
    "engine_speed": [("rpm", 1, 0), ("1/min", 1, 0), ("", 1, 0)],
    "vehicle_speed": [("km/h", 1, 0), ("mph", 1 / 1.609344, 0), ("m/s", 1 / 3.6, 0)],
    "throttle_position": [("%", 1, 0), ("", 1, 0), ("", 0.01, 0)],
    "lambda": [("lambda", 1, 0), ("AFR", 14.7, 0), ("", 1, 0), ("", 14.7, 0)],
    "lambda_target": [("lambda", 1, 0), ("AFR", 14.7, 0), ("", 14.7, 0)],
    "injector_pulse_width": [("ms", 1, 0), ("us", 1000, 0), ("", 1, 0)],
    "knock_retard": [("deg", 1, 0), ("", -1, 0)],
    "battery_voltage": [("V", 1, 0), ("mV", 1000, 0), ("", 1, 0)],
    "mass_air_flow": [("g/s", 1, 0), ("kg/h", 3.6, 0)],
    "fuel_pressure": [("kPa", 1, 0), ("psi", 1 / PSI, 0), ("bar", 0.01, 0)],
    "oil_pressure": [("kPa", 1, 0), ("psi", 1 / PSI, 0), ("bar", 0.01, 0)],
    "acceleration_longitudinal": [("m/s²", 1, 0), ("g", 1 / 9.80665, 0)],
}
KPA = {"kPa": 1.0, "psi": PSI, "bar": 100.0, "hPa": 0.1}
NEEDED = (
    "engine_speed",
    "throttle_position",
    "manifold_pressure",
    "lambda",
    "intake_air_temp",
    "coolant_temp",
)


def source(
    channel: str, d: dict[str, np.ndarray], r: random.Random, us: bool
) -> tuple[np.ndarray, str]:
    value = d[channel]
    if channel in ("manifold_pressure", "boost_target", "barometric_pressure"):
        unit = r.choice(list(KPA))
        absolute = value + (AMBIENT if channel == "boost_target" else 0.0)
        gauge = channel != "barometric_pressure" and r.random() < 0.5
        return (absolute - (AMBIENT if gauge else 0.0)) / KPA[unit], unit
    if channel.endswith("temp"):
        stated = r.random() < 0.8
        return (value * 1.8 + 32 if us else value), (
            (r.choice(["°F", "F", "degF"]) if us else r.choice(["°C", "C", "degC"]))
            if stated
            else ""
        )
    unit, factor, offset = r.choice(LINEAR.get(channel, [("", 1, 0)]))
    return factor * value + offset, unit


def column(
    channel: str, d: dict[str, np.ndarray], r: random.Random, us: bool, style, place: str
) -> Made:
    values, unit = source(channel, d, r, us)
    header = style(r.choice(NAMES[channel]))
    values = np.round(values, 4 if np.nanmax(np.abs(values)) < 10 else 2)
    if not unit or place == "apart":
        return Made(header, values, unit, "units row" if unit else "")
    if place == "suffix":
        return Made(f"{header}_{unit}", values)
    return Made(
        f"{header} ({unit})" if place == "paren" else f"{header} [{unit}]",
        values,
        unit,
        "header",
        header,
    )


def test_all_are_right_or_announced_as_doubt() -> None:
    total, missed, silent = 0, [], []
    for seed in range(150):
        r = random.Random(seed)
        d = drive(
            seed=seed,
            seconds=r.choice([60, 90]),
            hz=r.choice([10, 20]),
            stopped_s=r.choice([0, 3]),
            peak=r.choice([150, 190, 240]),
        )
        others = [c for c in NAMES if c in d and c not in NEEDED]
        channels = [*NEEDED, *r.sample(others, r.randint(2, 14))]
        r.shuffle(channels)
        us, style, place = r.random() < 0.5, r.choice(STYLES), r.choice(PLACES)
        made = {c: column(c, d, r, us, style, place) for c in channels}
        odd = [
            Made(style(h), np.random.default_rng(seed).normal(50, 10, len(d["time"])))
            for h in r.sample(NONE, 4)
        ]
        log = understand(raw_log([*made.values(), *odd], d["time"]), Car())
        for channel, one in made.items():
            total += 1
            found = next(c for c in log.channels if c.source == one.header)
            if found.name != channel:
                missed.append((seed, channel, one.header, found.name, found.name_why))
                continue
            wrong = np.nanmax(np.abs(log.values(channel) - d[channel])) > 0.03 * np.nanmax(
                np.abs(d[channel])
            ) + (3.0 if "pressure" in channel or channel == "boost_target" else 0.3)
            if wrong and not found.doubtful:
                silent.append(
                    (seed, channel, one.header, one.unit, found.source_unit, found.unit_why)
                )
    assert len(missed) <= 0.005 * total, missed
    assert silent == []


numbers = st.floats(allow_nan=True, allow_infinity=True) | st.floats(-300, 8000)
headers = st.sampled_from([h for hs in NAMES.values() for h in hs] + NONE) | st.text(max_size=12)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(
            headers,
            st.lists(numbers, min_size=6, max_size=6),
            st.sampled_from(["", "psi", "F", "x", "%", "V", "kPa(g)"]),
        ),
        min_size=1,
        max_size=8,
    )
)
def test_any_header_and_any_numbers_are_survived(rows: list[tuple[str, list[float], str]]) -> None:
    time = np.arange(6) / 10
    log = understand(raw_log([Made(h, np.array(v), u) for h, v, u in rows], time), Car())
    assert log.rows == 6 and len(log.channels) == len(rows)
    assert len({c.name for c in log.channels if c.known}) == sum(c.known for c in log.channels)
    for c in log.channels:
        kept = log.frame[c.stored_as or c.name]
        assert len(kept) == 6
    assert suggest_channels(log).startswith("[channels]")
