"""For developers: one check on one log, what it measured and found in each pull.

python -m audit.cli.try_one CHECK LOG [--car FILE]
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import click

from audit.carfile import find_car_file, load_car
from audit.checks.kit.base import Check
from audit.checks.kit.registry import all_checks
from audit.checks.kit.run import run_check
from audit.declared import Measure
from audit.errors import PullauditError, did_you_mean
from audit.intake.raw import Rejected
from audit.model import Car, CheckResult, Log, Measures
from audit.night.one_log import with_pulls
from audit.tables import NoRow, limits_for


@click.command()
@click.argument("check")
@click.argument("log", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--car", "car_file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
def command(check: str, log: Path, car_file: Path | None) -> None:
    """Run CHECK (heat_soak, say, or its part heat.exhaust) on LOG, pull by pull."""
    from audit.intake import read_logs

    parts = [c for c in all_checks() if check in (c.NAME, c.DECLARED.module)]
    if not parts:
        names = {c.NAME for c in all_checks()} | {c.DECLARED.module for c in all_checks()}
        raise click.UsageError(f"{check}: no such check. {did_you_mean(check, names)}")
    try:
        car = load_car(car_file or find_car_file((log,)))
        _run(parts, read_logs(log, car=car), car)
    except (PullauditError, NoRow) as error:
        raise click.UsageError(str(error)) from None


def _run(parts: list[Check], entries: Iterable[Log | Rejected], car: Car) -> None:
    limits = limits_for(car)
    for entry in entries:
        if not isinstance(entry, Log):
            raise click.UsageError(entry.error)
        _, _, pulls = with_pulls(entry, car, limits)
        click.echo(f"{entry.path}: {len(pulls)} pulls")
        for pull in pulls:
            click.echo(f"pull {pull.index}, {pull.start_s:.1f} to {pull.end_s:.1f} s")
            for part in parts:
                measures, result = run_check(part, pull, limits)
                _print(part.DECLARED.module, part.DECLARED.measures, measures, result)


def _print(
    module: str, declared: tuple[Measure, ...], measures: Measures, result: CheckResult
) -> None:
    score = "" if result.score is None else f", score {result.score:.0f}"
    why = f": {result.why}" if result.why else ""
    click.echo(f"  {module}: {result.status}{score}{why}")
    known = {m.name: m for m in declared}
    for name, value in measures.items():
        unit = known[name].unit if name in known else "NOT DECLARED in schemas/checks.toml"
        figure = "not known" if value is None else f"{value:.4g}"
        click.echo(f"    {name:32} {figure:>10} {'' if unit == '1' else unit}")
    for finding in result.findings:
        click.echo(f"    {finding.severity} {finding.code}: {finding.message}")


if __name__ == "__main__":
    command()
