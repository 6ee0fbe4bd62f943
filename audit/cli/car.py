"""`pullaudit car`: a first car file, by asking or from options, every key explained."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any

import click

from audit.cli import options, output
from audit.tables import toml_table

KEYS: Mapping[str, dict[str, Any]] = toml_table("commands.toml")["car"]
MORE = """
# More keys, each explained in docs/car_file.md. Take the # away and put your figure in.
# injection = "port"          # or "direct"
# cylinders = 4
# not_fitted = ["oil_pressure"]   # logged as nothing but zeros: this car has no such sensor
# [engine]
# limit_rpm = 7000            # the engine speed that it may see
# [boost]
# target_by_gear = { 1 = "7 psi", 2 = "10 psi" }   # less where the wheels spin
# sensor_top_kpa = 300        # absolute: the top of the manifold pressure sensor
# [gearing]
# ratios = [3.3, 1.9, 1.33, 1.0, 0.8]   # so that gears are known for certain
# final_drive = 4.1
# tyre = "205/50R15"
# [solenoid]
# duty_min_pct = 5            # the least duty that moves it
# duty_max_pct = 95
"""


@click.command("car", params=options.of("car"))
@click.argument("file", type=options.FILE, default=Path("car.toml"))
def command(*, file: Path, **given: str | None) -> None:
    """Write a first car file to FILE (car.toml here), by asking or from options.

    What is not known is left out: an empty answer. A file that is there is never written over.
    """
    from audit.errors import UsageError
    from audit.files import write_text

    if file.exists():
        raise UsageError(f"{file}: there already. Change it with an editor, or name another file.")
    answers = {name: _taken(name, answer) for name, answer in given.items() if answer}
    if not answers and sys.stdin.isatty():
        for name in KEYS:
            answers[name] = _asked(name, answers.get("units", ""))
    write_text(file, car_text(answers))
    output.tell(
        [
            f"{file} is written.",
            "Lay it beside your logs or a folder above.",
            "Next, the first evening:",
            f"  pullaudit plan --car {file}",
        ]
    )


def _taken(name: str, answer: str) -> str:
    """The answer, if the car file takes it. Raises UsageError as `screen` does."""
    from audit.carfile import load_car

    if name not in ("name", "units"):
        load_car(None, {name: answer})
    return answer


def _asked(name: str, units: str) -> str:
    """An answer that the car file takes, or ''. units: as answered, for the examples."""
    offered, like = KEYS[name].get("offers", ""), KEYS[name].get("like", {}).get(units)
    answer: str = click.prompt(
        f"{KEYS[name]['asks']} (as {like})?" if like else KEYS[name]["asks"],
        default=offered,
        show_default=bool(offered),
        prompt_suffix=" ",
        value_proc=partial(_answered, name),
    )
    return answer


def _answered(name: str, text: str) -> str:
    """Raises click's own error, after which click asks again."""
    from audit.errors import UsageError

    answer = text.strip()
    if name == "units" and answer not in ("us", "metric"):
        raise click.UsageError("Say us or metric.")
    try:
        return _taken(name, answer) if answer else ""
    except UsageError as error:
        raise click.UsageError(str(error).removeprefix("--")) from None


def car_text(answers: dict[str, str]) -> str:
    """The car file's text: each key that was answered, and as a remark each that was not."""
    lines = ["# What pullaudit knows of this car. Every key may be left out.", ""]
    for name, key in KEYS.items():
        value = answers.get(name)
        text = f'{name} = "{_quoted(value or key.get("offers", "…"))}"'
        lines.append(f"{text if value else '# ' + text:<28}  # {key['means']}")
    return "\n".join(lines) + "\n" + MORE


def _quoted(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"')
