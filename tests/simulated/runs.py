"""One simulated night through files and the whole audit, and what came of it against the truth."""

from __future__ import annotations

import sys
import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "sample_data"))

import simulate  # noqa: E402

from audit.carfile import load_car  # noqa: E402
from audit.night.screen import screen_night  # noqa: E402

LEAST_RATE_HZ = 8.0  # below it no night can be clear: oscillation cannot be judged


@dataclass
class Outcome:
    """What the audit said of one night, and how near its measures came."""

    seed: int
    code: str | None
    verdict: str
    worst: dict[str, str] = field(default_factory=dict)  # code -> worst severity
    reasons: tuple[str, ...] = ()
    peak_errors: list[tuple[float, float]] = field(default_factory=list)  # error, resolution; kPa
    edge_errors: list[float] = field(default_factory=list)
    gears: list[bool] = field(default_factory=list)
    pulls_true: int = 0
    pulls_found: int = 0
    about: str = ""


def params_for(seed: int, code: str | None, severity: float):
    """Seeded night parameters; for a healthy night the logger is quick enough to be cleared."""
    rng = np.random.default_rng(seed)
    params = simulate.random_params(rng)
    if code is not None:
        params = simulate.with_fault(params, code, severity)
    elif params.logger.rate_hz < LEAST_RATE_HZ:
        params = replace(params, logger=replace(params.logger, rate_hz=LEAST_RATE_HZ * 1.25))
    return params, simulate.random_dialect(rng, params)


def run(
    seed: int,
    code: str | None = None,
    severity: float = 0.85,
    *,
    car_file: bool = True,
    keep: Path | None = None,
) -> Outcome:
    """Simulate, write files, screen them, compare with the truth."""
    params, dialect = params_for(seed, code, severity)
    night = simulate.simulate_night(params, seed=seed)
    with tempfile.TemporaryDirectory() as folder:
        base = keep or Path(folder)
        base.mkdir(parents=True, exist_ok=True)
        files = []
        for i, log in enumerate(night.logs, 1):
            path = base / f"run_{i}.csv"
            simulate.write_log(log.frame, path, dialect)
            files.append(path)
        (base / "car.toml").write_text(simulate.car_toml(params), encoding="utf-8")
        car = load_car(base / "car.toml") if car_file else load_car(None)
        audited = screen_night(files, car=car, workers=1)
    return compare(seed, code, night, audited, params, dialect)


def compare(seed, code, night, audited, params, dialect) -> Outcome:
    out = Outcome(seed, code, audited.verdict, reasons=audited.reasons)
    out.about = f"{params.logger.rate_hz:g} Hz {params.logger.fill} {dialect}"
    order = ("note", "watch", "hold", "stop")
    found = list(audited.findings)
    for log in audited.logs:
        found += [*log.findings, *(f for p in log.pulls for f in p.findings)]
    for f in found:
        if f.code not in out.worst or order.index(f.severity) > order.index(out.worst[f.code]):
            out.worst[f.code] = f.severity
    by_path = {Path(a.path).name: a for a in audited.logs}
    for i, log in enumerate(night.logs, 1):
        audit = by_path.get(f"run_{i}.csv")
        pulls = list(audit.pulls) if audit else []
        out.pulls_found += len(pulls)
        out.pulls_true += len(log.pulls)
        for truth in log.pulls:
            _pull(out, truth, pulls)
    return out


def _pull(out: Outcome, truth, pulls) -> None:
    near = [
        p
        for p in pulls
        if min(p.pull.end_s, truth.end_s) - max(p.pull.start_s, truth.start_s)
        > 0.5 * (truth.end_s - truth.start_s)
    ]
    if not near:
        return
    found = near[0]
    if found.pull.log.has("vehicle_speed") or found.pull.log.has("gear"):
        out.gears.append(found.pull.gear == truth.gear)
    out.edge_errors += [
        abs(found.pull.start_s - truth.start_s),
        abs(found.pull.end_s - truth.end_s),
    ]
    peak = found.measures.get("boost_peak_kpa")
    if peak is not None:
        out.peak_errors.append((peak - truth.measures["boost_peak_kpa"], 1.0))
