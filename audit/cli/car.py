"""`pullaudit car`: a first car file, by asking or from options, every key explained."""

from __future__ import annotations

import sys
from pathlib import Path

import click

# key, question, example or default, what the file says beside it
ASKED = (
    ("name", "What is the car called?", "", "as it is called in reports and in the archive"),
    ("fuel", "Fuel (petrol, e10, e85, …)?", "petrol", "petrol, e10, e85 or any share, methanol"),
    (
        "limit",
        "Boost this engine may never pass (as 18 psi)?",
        "",
        "gauge: never above this; without it steps are halved",
    ),
    ("target", "Boost wanted in the end (as 13 psi)?", "", "gauge: where the steps lead"),
    (
        "spring",
        "Boost of the wastegate spring alone (as 7 psi)?",
        "",
        "gauge: with the solenoid unplugged",
    ),
    (
        "altitude",
        "Height of the place (as 1200 ft)?",
        "",
        "for ambient pressure, where no log tells",
    ),
    ("units", "Results in us or metric units?", "us", "us or metric"),
)
MORE = """
# More keys, each explained in docs/car_file.md. Take the # away and put your figure in.
# injection = "port"          # or "direct"
# cylinders = 4
# [engine]
# limit_rpm = 7000            # the engine speed that it may see
# [boost]
# sensor_top_kpa = 300        # absolute: the top of the manifold pressure sensor
# [gearing]
# ratios = [3.3, 1.9, 1.33, 1.0, 0.8]   # so that gears are known for certain
# final_drive = 4.1
# tyre = "205/50R15"
# [solenoid]
# duty_min_pct = 5            # the least duty that moves it
# duty_max_pct = 95
"""


@click.command("car")
@click.argument("file", type=click.Path(path_type=Path), default=Path("car.toml"))
@click.option("--name", metavar="NAME", help="What the car is called.")
@click.option("--fuel", metavar="FUEL", help="petrol, e10, e85 or any share, ethanol, methanol.")
@click.option("--limit", metavar="BOOST", help='Boost this engine may see, as "18 psi".')
@click.option("--target", metavar="BOOST", help='Boost wanted, as "13 psi".')
@click.option("--spring", metavar="BOOST", help='Boost of the spring alone, as "7 psi".')
@click.option("--altitude", metavar="HEIGHT", help='Height of the place, as "1200 ft".')
@click.option("--units", type=click.Choice(["us", "metric"]), help="How results are shown.")
def command(*, file: Path, **given: str | None) -> None:
    """Write a first car file to FILE (car.toml here), by asking or from options.

    What is not known is left out: an empty answer. A file that is there is never written over.
    """
    from audit.carfile import load_car
    from audit.errors import UsageError
    from audit.files import write_text

    if file.exists():
        raise UsageError(f"{file}: there already. Change it with an editor, or name another file.")
    ask = not any(given.values()) and sys.stdin.isatty()
    answers = {key: value for key, value in given.items() if value}
    for key, question, usual, _ in ASKED if ask else ():
        answer = _asked(key, question, usual)
        if answer:
            answers[key] = answer
    for key in ("fuel", "limit", "target", "spring", "altitude"):
        if key in answers and not ask:
            load_car(None, {key: answers[key]})  # refuses a wrong one as screen does
    write_text(file, car_text(answers))
    click.echo(f"{file} is written. Lay it beside your logs, or give it with --car {file}.")


def _asked(key: str, question: str, usual: str) -> str:
    """An answer that the car file takes, or ''."""
    from audit.carfile import load_car
    from audit.errors import UsageError

    while True:
        answer = str(click.prompt(question, default=usual, show_default=bool(usual))).strip()
        if not answer or key == "name":
            return answer
        if key == "units":
            if answer in ("us", "metric"):
                return answer
            click.echo("Say us or metric.")
            continue
        try:
            load_car(None, {key: answer})
        except UsageError as error:
            click.echo(str(error).removeprefix("--"))
        else:
            return answer


def car_text(answers: dict[str, str]) -> str:
    """The car file's text: each key that was answered, and as a remark each that was not."""
    lines = ["# What pullaudit knows of this car. Every key may be left out.", ""]
    for key, _, usual, means in ASKED:
        value = answers.get(key)
        text = f'{key} = "{_quoted(value or usual or "…")}"'
        lines.append(f"{text if value else '# ' + text:<28}  # {means}")
    return "\n".join(lines) + "\n" + MORE


def _quoted(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"')
