"""The car file (TOML) to a Car: checked against its schema, every complaint with its line."""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import tomli

from audit.amounts import EXAMPLE, WrongAmount, amount, fuel, stoichiometric_afr
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
BY_GEAR = "target_by_gear"  # the same for a boost in words by gear


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
    over: dict[str, Any] = {}
    for name, word in (said or {}).items():
        try:
            over = _in_plain_keys({**over, name: word})
        except CarFileError as error:
            raise UsageError(f"--{error}") from None
    told = {} if path is None else _from_file(path)
    boost = {**told.get("boost", {}), **over.get("boost", {})}
    car = _build(path, {**told, **over, "boost": boost})
    return dataclasses.replace(car, altitude_tonight="altitude_m" in over)


def _from_file(path: Path) -> dict[str, Any]:
    """What the file says, in plain keys, checked."""
    try:
        text = path.read_text(encoding="utf-8-sig")
        data = tomli.loads(text)
    except UnicodeDecodeError as error:
        raise CarFileError(
            f"{path}, byte {error.start}: not UTF-8. Save the file as UTF-8."
        ) from None
    except OSError as error:
        raise CarFileError(
            f"{path}: {error.strerror or error}. Give a readable car file with --car."
        ) from None
    except tomli.TOMLDecodeError as error:
        raise CarFileError(f"{path}: {error}. Mend that line; it is no valid TOML.") from None
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
    return plain


def _in_plain_keys(data: dict[str, Any]) -> dict[str, Any]:
    """The car file with its amounts in words turned into the plain keys that they stand for.

    Raises CarFileError, its text beginning with the key.
    """
    plain = {k: dict(v) if isinstance(v, dict) else v for k, v in data.items()}
    for key, (quantity, stands_for) in WORDS.items():
        section, _, name = key.rpartition(".")
        home = plain.setdefault(section, {}) if section else plain
        if not isinstance(home, dict):
            continue  # the schema tells
        figure = stands_for.rpartition(".")[2]
        for told, table in {name: plain, key: home}.items():
            if name not in table:
                continue
            least, most = _bounds(stands_for)
            with _under(told):
                value = amount(str(table.pop(name)), quantity, least=least, most=most)
            if figure in home:
                raise CarFileError(
                    f"{told}: said twice, here and as {stands_for}. Keep one of them."
                )
            home[figure] = value
        if isinstance(home.get(figure), str):
            raise CarFileError(
                f"{stands_for}: takes a bare number, in {_UNIT[quantity]}. "
                f'With a unit it is written {key} = "{EXAMPLE[quantity]}".'
            )
    _by_gear_in_plain(plain)
    if "fuel" in plain:
        with _under("fuel"):
            plain["fuel"] = fuel(str(plain["fuel"])).name
    return plain


def _by_gear_in_plain(plain: dict[str, Any]) -> None:
    """target_by_gear = { 1 = "8 psi" }, at the top or in [boost], as boost.target_by_gear_kpa."""
    boost = plain.setdefault("boost", {})
    if not isinstance(boost, dict):
        return  # the schema tells
    for told, table in {BY_GEAR: plain, f"boost.{BY_GEAR}": boost}.items():
        words = table.get(BY_GEAR)
        if not isinstance(words, dict):
            continue  # not said, or the schema tells
        if f"{BY_GEAR}_kpa" in boost:
            raise CarFileError(
                f"{told}: said twice, here and as boost.{BY_GEAR}_kpa. Keep one of them."
            )
        least, most = _bounds("boost.target_kpa")
        kpa = {}
        for gear, word in words.items():
            if not re.fullmatch("[1-9]", gear):
                raise CarFileError(f"{told}.{gear}: a gear is a number from 1 to 9")
            with _under(f"{told}.{gear}"):
                kpa[gear] = amount(str(word), "pressure", least=least, most=most)
        del table[BY_GEAR]
        boost[f"{BY_GEAR}_kpa"] = kpa


_UNIT = {"pressure": "kPa", "height": "m"}


def _bounds(stands_for: str) -> tuple[float, float]:
    """Least and most of a plain key, from the schema."""
    row: dict[str, Any] = {"properties": json_schema("car.schema.json")["properties"]}
    for part in stands_for.split("."):
        row = row["properties"][part]
    return float(row.get("minimum", row.get("exclusiveMinimum", 0.0))), float(row["maximum"])


@contextmanager
def _under(key: str) -> Iterator[None]:
    """What is wrong with an amount is told under its key."""
    try:
        yield
    except WrongAmount as error:
        end = "" if str(error).endswith(("?", ".")) else "."
        raise CarFileError(f"{key}: {error}{end}") from None


@cache
def _checker(keys: frozenset[str], *, in_detail: bool) -> Callable[[Any], Any]:
    """The schema as a function: of the keys that a file has at its top, as making it for all of
    them costs more than reading the file. in_detail: with what is wrong where, for a file that is.
    """
    import fastjsonschema

    schema = json_schema("car.schema.json")
    known = {key: row for key, row in schema["properties"].items() if in_detail or key in keys}
    made: Callable[[Any], Any] = fastjsonschema.compile(
        schema | {"properties": known}, detailed_exceptions=in_detail
    )
    return made


def _validate(data: dict[str, Any]) -> None:
    import fastjsonschema

    try:
        _checker(frozenset(data), in_detail=False)(data)
    except fastjsonschema.JsonSchemaValueException:
        try:
            _checker(frozenset(data), in_detail=True)(data)
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
        at = _places(unknown[0])
        mend = f"It stands {' or '.join(at)}." if at else did_you_mean(unknown[0], known)
        return f"{full}: unknown key. {mend}"
    if error.rule == "pattern":
        return f"{key}: must look like 205/50R15, but is {error.value!r}"
    rule = error.message.partition(" must ")[2]
    rule = rule or 'be the name of a column, or { column = "…", unit = "…" }'
    return f"{key or 'car file'}: must {rule}, but is {error.value!r}"


def _places(key: str) -> list[str]:
    """Where in a car file a key of this name belongs; [] for none."""
    top = json_schema("car.schema.json")["properties"]
    places = [f"under [{name}]" for name, part in top.items() if key in part.get("properties", {})]
    return (["above all [tables]"] if key in top else []) + places


def _beyond_schema(data: dict[str, Any]) -> None:
    named = {f"channels.{name}": name for name in data.get("channels", {})}
    named |= {f"not_fitted.{name}": name for name in data.get("not_fitted", ())}
    for key, name in named.items():
        if channel_row(name) is None:
            raise CarFileError(f"{key}: no such channel. {did_you_mean(name, channel_rows())}")
    solenoid = data.get("solenoid", {})
    if solenoid.get("duty_min_pct", 0) >= solenoid.get("duty_max_pct", 100):
        raise CarFileError("solenoid.duty_max_pct: must be above duty_min_pct")
    _all_finite(data, "")


def _all_finite(data: Mapping[str, Any], above: str) -> None:
    for key, value in data.items():
        if isinstance(value, Mapping):
            _all_finite(value, f"{above}{key}.")
        elif isinstance(value, float) and not math.isfinite(value):
            raise CarFileError(f"{above}{key}: must be a finite number")


def _line_of(text: str, dotted: str) -> int | None:
    """The line that sets a dotted key, else the nearest table above it that is there."""
    wanted, section = _parts(dotted), list[str]()
    deepest, best = 0, None
    for number, line in enumerate(text.splitlines(), 1):
        if header := re.match(r"\s*\[([^\]]+)\]", line):
            here = section = _parts(header[1])
        elif setting := re.match(r'\s*("[^"]*"|[\w.-]+)\s*=', line):
            here = section + _parts(setting[1])
        else:
            continue
        if here == wanted[: len(here)] and len(here) > deepest:
            deepest, best = len(here), number
    return best


def _parts(dotted: str) -> list[str]:
    return [part.strip('" ') for part in re.findall(r'"[^"]+"|[^.]+', dotted)]


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


# Tables of the car file, and what is put before a key of theirs to name a field of Car, unless the
# field has the key's own name.
_TABLES = {
    "engine": "engine_",
    "boost": "boost_",
    "injectors": "injector_",
    "gearing": "gear_",
    "solenoid": "solenoid_",
}


def _build(path: Path | None, data: dict[str, Any]) -> Car:
    known = {field.name for field in dataclasses.fields(Car)}
    burns = fuel(data.get("fuel", "petrol"))
    found: dict[str, Any] = {"name": path.resolve().parent.name} if path else {}
    found |= {"path": str(path) if path else None, "stoichiometric_afr": stoichiometric_afr(burns)}
    found |= {key: value for key, value in data.items() if key not in _TABLES}
    for table, prefix in _TABLES.items():
        for key, value in data.get(table, {}).items():
            found[key if key in known else prefix + key] = value
    tyre = found.pop("gear_tyre", None)
    if tyre is not None:
        found.setdefault("circumference_m", tyre_circumference_m(tyre))
    words, by_gear = found.get("channels", {}), found.get("target_by_gear_kpa", {})
    found |= {
        "fuel": burns.name,
        "ethanol_pct": burns.ethanol_pct,
        "not_fitted": tuple(found.get("not_fitted", ())),
        "gear_ratios": tuple(found.get("gear_ratios", ())),
        "target_by_gear_kpa": {int(gear): float(kpa) for gear, kpa in by_gear.items()},
        "channels": {
            name: ColumnWord(word) if isinstance(word, str) else ColumnWord(**word)
            for name, word in words.items()
        },
    }
    return Car(**found)


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
