"""The car file (TOML) to a Car: checked against its schema, every complaint with its line."""

from __future__ import annotations

import dataclasses
import math
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from audit.amounts import EXAMPLE, Fuel, WrongAmount, amount, fuel, stoichiometric_afr
from audit.errors import CarFileError, UsageError, did_you_mean
from audit.model import Car, ColumnWord
from audit.tables import channel_row, channel_rows, json_schema, limits

CAR_FILE = "car.toml"
# A key in words -> quantity, and the plain key that it stands for. The last name may stand at the
# top too.
WORDS = {
    "boost.limit": ("pressure", "boost.limit_kpa"),
    "boost.target": ("pressure", "boost.target_kpa"),
    "boost.spring": ("pressure", "boost.spring_kpa"),
    "altitude": ("height", "altitude_m"),
}


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


def load_car(path: Path | None, said: Mapping[str, str] | None = None) -> Car:
    """Read and check a car file; the default Car for None.

    said: what was said for this call, by the file's keys in words ('limit', 'altitude', 'fuel'); it
    stands over the file. Raises CarFileError naming file, line, key, what is wrong and the mend,
    and UsageError for a wrong word of `said`, naming it as an option.
    """
    over = _said_now(said or {})
    car = _from_file(path, over)
    return dataclasses.replace(car, altitude_tonight="altitude_m" in over)


def _from_file(path: Path | None, over: dict[str, Any]) -> Car:
    if path is None:
        return _build(None, over)
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
    return _car(path, text, data, over)


def _car(path: Path, text: str, data: dict[str, Any], over: dict[str, Any]) -> Car:
    try:
        plain = _in_plain_keys(data)
        _validate(plain)
        _beyond_schema(plain)
        limits(plain.get("thresholds"), injection=plain.get("injection", "port"))
    except CarFileError as error:
        key = re.match(r"[^:]*?(?=[:,] |: )", str(error))
        line = _line_of(text, key.group(0) if key else "")
        where = f"{path}, line {line}" if line else f"{path}"
        raise CarFileError(f"{where}: {error}") from None
    boost = {**plain.get("boost", {}), **over.get("boost", {})}
    return _build(path, {**plain, **over, "boost": boost})


def _said_now(said: Mapping[str, str]) -> dict[str, Any]:
    """What the options of one call say, as a car file in plain keys."""
    over: dict[str, Any] = {}
    for name, text in said.items():
        try:
            over = _in_plain_keys({**over, name: text})
        except CarFileError as error:
            raise UsageError(f"--{error}") from None
    return over


def _in_plain_keys(data: dict[str, Any]) -> dict[str, Any]:
    """The car file with its amounts in words turned into the plain keys that they stand for.

    Raises CarFileError, its text beginning with the key.
    """
    plain = {k: dict(v) if isinstance(v, dict) else v for k, v in data.items()}
    for key, (quantity, stands_for) in WORDS.items():
        section, _, name = key.rpartition(".")
        own = plain.get(section) if section else plain
        places = [(name, plain)] if own is plain else [(name, plain), (key, own)]
        for told, table in places:
            if not isinstance(table, dict) or name not in table:
                continue
            value = _amount(told, table.pop(name), quantity, _bounds(stands_for))
            _set(plain, stands_for, value, told)
    for stands_for, (key, quantity) in {v: (k, q) for k, (q, v) in WORDS.items()}.items():
        section, _, name = stands_for.rpartition(".")
        table = plain.get(section, {}) if section else plain
        if isinstance(table, dict) and isinstance(table.get(name), str):
            raise CarFileError(
                f"{stands_for}: takes a bare number, in {_UNIT[quantity]}. "
                f'With a unit it is written {key} = "{EXAMPLE[quantity]}".'
            )
    if "fuel" in plain:
        plain["fuel"] = _fuel(plain["fuel"]).name
    return plain


_UNIT = {"pressure": "kPa", "height": "m"}


def _set(plain: dict[str, Any], stands_for: str, value: float, told: str) -> None:
    section, _, name = stands_for.rpartition(".")
    table = plain.setdefault(section, {}) if section else plain
    if not isinstance(table, dict):
        raise CarFileError(f"{section}: must be a table")
    if name in table:
        raise CarFileError(f"{told}: said twice, here and as {stands_for}. Keep one of them.")
    table[name] = value


def _bounds(stands_for: str) -> tuple[float, float]:
    """Least and most of a plain key, from the schema."""
    row: dict[str, Any] = {"properties": json_schema("car.schema.json")["properties"]}
    for part in stands_for.split("."):
        row = row["properties"][part]
    return float(row.get("minimum", row.get("exclusiveMinimum", 0.0))), float(row["maximum"])


def _amount(key: str, value: Any, quantity: str, bounds: tuple[float, float]) -> float:
    text = value if isinstance(value, str) else f"{value}"
    try:
        return amount(text, quantity, least=bounds[0], most=bounds[1])
    except WrongAmount as error:
        end = "" if str(error).endswith("?") else "."
        raise CarFileError(f"{key}: {error}{end}") from None


def _fuel(value: Any) -> Fuel:
    try:
        return fuel(str(value))
    except WrongAmount as error:
        raise CarFileError(f"fuel: {error}") from None


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


def _build(path: Path | None, data: dict[str, Any]) -> Car:
    boost, gearing = data.get("boost", {}), data.get("gearing", {})
    solenoid, burns = data.get("solenoid", {}), fuel(data.get("fuel", "petrol"))
    tyre = gearing.get("tyre")
    return Car(
        name=data.get("name", path.resolve().parent.name if path else Car.name),
        path=str(path) if path else None,
        units=data.get("units"),
        fuel=burns.name,
        ethanol_pct=burns.ethanol_pct,
        stoichiometric_afr=data.get("stoichiometric_afr", stoichiometric_afr(burns)),
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
            f"no car file: fuel {car.fuel} (stoichiometric air-fuel ratio "
            f"{car.stoichiometric_afr:g})"
        )
    if car.boost_limit_kpa is None:
        said.append(
            'no boost limit, so boost is not held against one (say --limit "18 psi", '
            'or limit = "18 psi" in the car file)'
        )
    if not car.gear_ratios:
        said.append("no gearing, so gears are told from the log itself")
    return tuple(said)
