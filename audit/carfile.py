"""The car file (TOML) to a Car: checked against its schema, every complaint with its line."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from audit.errors import CarFileError, did_you_mean
from audit.model import Car, ColumnWord
from audit.tables import channel_row, channel_rows, json_schema, limits

# Mass of air for one of fuel. petrol: Heywood, Internal Combustion Engine Fundamentals, fuel table
# (14.6 to 14.7, from memory); ethanol and methanol from balanced combustion in dry air; e10 and e85
# are volume blends of those.
STOICHIOMETRIC_AFR = {
    "petrol": 14.7,
    "e10": 14.1,
    "e50": 11.8,
    "e85": 9.8,
    "ethanol": 9.0,
    "methanol": 6.47,
}
CAR_FILE = "car.toml"


def find_car_file(paths: tuple[Path, ...]) -> Path | None:
    """The car.toml beside the logs or up to three folders above.

    Raises CarFileError when the logs lie under two different ones.
    """
    found = {car: path for path in paths if (car := _above(path)) is not None}
    if len(found) > 1:
        (a, log_a), (b, log_b), *_ = found.items()
        raise CarFileError(
            f"{log_a} belongs to {a}, but {log_b} to {b}: one screen is one night of one car. "
            f"Screen them one car at a time, or say --car CAR.toml for all of them."
        )
    return next(iter(found), None)


def _above(path: Path) -> Path | None:
    folder = path.resolve()
    if not folder.is_dir():
        folder = folder.parent
    for candidate in (folder, *folder.parents[:3]):
        if (candidate / CAR_FILE).is_file():
            return candidate / CAR_FILE
    return None


def load_car(path: Path | None) -> Car:
    """Read and check a car file; the default Car for None.

    Raises CarFileError naming file, line, key, what is wrong and the mend.
    """
    if path is None:
        return Car()
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise CarFileError(
            f"{path}, byte {error.start}: not UTF-8. Save the file as UTF-8."
        ) from None
    except OSError as error:
        raise CarFileError(
            f"{path}: {error.strerror or error}. Give a readable car file with --car."
        ) from None
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise CarFileError(f"{path}: {error}. Mend that line; it is no valid TOML.") from None
    return _car(path, text, data)


def _car(path: Path, text: str, data: dict[str, Any]) -> Car:
    try:
        _validate(data)
        _beyond_schema(data)
        limits(
            data.get("thresholds"),
            fuel=data.get("fuel", "petrol"),
            injection=data.get("injection", "port"),
        )
    except CarFileError as error:
        key = re.match(r"[^:]*?(?=[:,] |: )", str(error))
        line = _line_of(text, key.group(0) if key else "")
        where = f"{path}, line {line}" if line else f"{path}"
        raise CarFileError(f"{where}: {error}") from None
    return _build(path, data)


def _validate(data: dict[str, Any]) -> None:
    import fastjsonschema

    schema = json_schema("car.schema.json")
    try:
        fastjsonschema.validate(schema, data, detailed_exceptions=True)
    except fastjsonschema.JsonSchemaValueException as error:
        raise CarFileError(_said(error)) from None


def _said(error: Any) -> str:
    names = [str(part) for part in error.path[1:]]
    key = ".".join(f'"{n}"' if "." in n else n for n in names)
    if error.rule == "additionalProperties" and isinstance(error.value, Mapping):
        known = set(error.definition.get("properties", {}))
        unknown = sorted(set(error.value) - known)
        if not known:  # pattern keys: gears
            unknown = [k for k in error.value if not re.fullmatch("[1-9]", k)]
            return f"{key}.{unknown[0]}: a gear is a number from 1 to 9"
        full = f"{key}.{unknown[0]}" if key else unknown[0]
        return f"{full}: unknown key. {did_you_mean(unknown[0], known)}"
    if error.rule == "pattern":
        return f"{key}: must look like 205/50R15, but is {error.value!r}"
    rule = error.message.removeprefix("data.").removeprefix("data")
    rule = (
        rule[len(key) :].strip() if rule.startswith(key) else error.message.split(" must ", 1)[-1]
    )
    rule = rule if rule.startswith("must") else f"must {rule}"
    return f"{key or 'car file'}: {rule}, but is {error.value!r}"


def _beyond_schema(data: dict[str, Any]) -> None:
    for name in data.get("channels", {}):
        if channel_row(name) is None:
            raise CarFileError(
                f"channels.{name}: no such channel. {did_you_mean(name, channel_rows())}"
            )
    solenoid = data.get("solenoid", {})
    if solenoid.get("duty_min_pct", 0) >= solenoid.get("duty_max_pct", 100):
        raise CarFileError("solenoid.duty_max_pct: must be above duty_min_pct")
    for numbers in _numbers(data):
        if not math.isfinite(numbers[1]):
            raise CarFileError(f"{numbers[0]}: must be a finite number")


def _numbers(data: Mapping[str, Any], prefix: str = "") -> list[tuple[str, float]]:
    found: list[tuple[str, float]] = []
    for key, value in data.items():
        if isinstance(value, Mapping):
            found += _numbers(value, f"{prefix}{key}.")
        elif isinstance(value, float):
            found.append((f"{prefix}{key}", value))
    return found


def _line_of(text: str, dotted: str) -> int | None:
    """The line that sets a dotted key, else the nearest table above it that is there."""
    parts = re.findall(r'"[^"]+"|[^.]+', dotted)
    bare = [p.strip('"') for p in parts]
    if not bare:
        return None
    section: list[str] = []
    best: tuple[int, int] | None = None
    for number, line in enumerate(text.splitlines(), 1):
        if header := re.match(r"\s*\[([^\]]+)\]", line):
            section = [p.strip('" ') for p in re.findall(r'"[^"]+"|[^.]+', header.group(1))]
            depth = _shared(section, bare)
        elif setting := re.match(r'\s*("[^"]*"|[\w.-]+)\s*=', line):
            here = section + [p.strip('"') for p in re.findall(r'"[^"]+"|[^.]+', setting.group(1))]
            depth = _shared(here, bare)
        else:
            continue
        if depth and (best is None or depth > best[0]):
            best = (depth, number)
    return best[1] if best else None


def _shared(here: list[str], wanted: list[str]) -> int:
    """How many leading parts agree, 0 when `here` leads elsewhere."""
    return len(here) if here == wanted[: len(here)] else 0


def tyre_circumference_m(designation: str) -> float:
    """Unloaded circumference of a metric tyre designation such as 205/50R15, m.

    pi (25.4 rim + 2 width aspect / 100). Source: ISO 4000-1 designation geometry (from memory).
    The rolling one is some 3 % less.
    """
    match = re.fullmatch(r" *(\d{3}) */ *(\d{2}) *Z?R *(\d{2}(?:\.5)?) *", designation)
    if match is None:
        raise ValueError(f"{designation!r} is no metric tyre designation such as 205/50R15")
    width, aspect, rim = (float(part) for part in match.groups())
    return math.pi * (25.4 * rim + 2.0 * width * aspect / 100.0) / 1000.0


def _build(path: Path, data: dict[str, Any]) -> Car:
    boost, gearing = data.get("boost", {}), data.get("gearing", {})
    solenoid, fuel = (
        data.get("solenoid", {}),
        data.get("fuel", "petrol").replace("gasoline", "petrol"),
    )
    tyre = gearing.get("tyre")
    return Car(
        name=data.get("name", path.resolve().parent.name),
        path=str(path),
        units=data.get("units"),
        fuel=fuel,
        stoichiometric_afr=data.get("stoichiometric_afr", STOICHIOMETRIC_AFR[fuel]),
        altitude_m=data.get("altitude_m"),
        injection=data.get("injection", "port"),
        engine_limit_rpm=data.get("engine", {}).get("limit_rpm"),
        cylinders=data.get("cylinders", 4),
        boost_limit_kpa=boost.get("limit_kpa"),
        sensor_top_kpa=boost.get("sensor_top_kpa"),
        spring_kpa=boost.get("spring_kpa"),
        target_kpa=boost.get("target_kpa"),
        target_by_gear_kpa={
            int(g): float(v) for g, v in boost.get("target_by_gear_kpa", {}).items()
        },
        injector_duty_limit_pct=data.get("injectors", {}).get("duty_limit_pct"),
        gear_ratios=tuple(gearing.get("ratios", ())),
        final_drive=gearing.get("final_drive"),
        circumference_m=gearing.get("circumference_m")
        or (tyre_circumference_m(tyre) if tyre else None),
        solenoid_ports=solenoid.get("ports", 3),
        solenoid_frequency_hz=solenoid.get("frequency_hz"),
        duty_min_pct=solenoid.get("duty_min_pct", 0.0),
        duty_max_pct=solenoid.get("duty_max_pct", 100.0),
        channels={name: _word(word) for name, word in data.get("channels", {}).items()},
        thresholds=data.get("thresholds", {}),
    )


def _word(word: str | dict[str, str]) -> ColumnWord:
    return (
        ColumnWord(word) if isinstance(word, str) else ColumnWord(word["column"], word.get("unit"))
    )


def assumptions(car: Car) -> tuple[str, ...]:
    """What is taken for granted where the car file is silent, one phrase each."""
    said = []
    if car.path is None:
        said.append(
            f"no car file: fuel {car.fuel} (stoichiometric air-fuel ratio {car.stoichiometric_afr:g})"
        )
    if car.boost_limit_kpa is None:
        said.append(
            "no boost limit, so boost is not held against one (boost.limit_kpa in the car file)"
        )
    if not car.gear_ratios:
        said.append("no gearing, so gears are told from the log itself")
    return tuple(said)
