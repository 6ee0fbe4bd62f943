"""Write the sample nights: `python sample_data/simulate.py [--seed N] [--out DIR]`. Also the door to the simulator.

Everything here is invented: no such cars, no such roads. The same seed writes the same bytes.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
if str(HERE) not in sys.path:
    sys.path.insert(0, str(HERE))

from sim.faults import ALLOWED, STOPS  # noqa: E402  (the path above makes `sim` importable by file, too)
from sim.night import simulate_night, standard_pressure  # noqa: E402
from sim.nights import scenes, write_scenario  # noqa: E402
from sim.params import (  # noqa: E402
    ALL_CHANNELS,
    BASE_CHANNELS,
    CarParams,
    DrivePlan,
    Fault,
    LoggerParams,
    NightParams,
    PullPlan,
    SimFrame,
    SimLog,
    SimNight,
    Truth,
    TruthPull,
)
from sim.random_nights import CODES, random_dialect, random_params, with_fault  # noqa: E402
from sim.writer import Dialect, car_toml, log_text, write_log  # noqa: E402

__all__ = [
    "ALLOWED",
    "ALL_CHANNELS",
    "BASE_CHANNELS",
    "CODES",
    "STOPS",
    "CarParams",
    "Dialect",
    "DrivePlan",
    "Fault",
    "LoggerParams",
    "NightParams",
    "PullPlan",
    "SimFrame",
    "SimLog",
    "SimNight",
    "Truth",
    "TruthPull",
    "car_toml",
    "log_text",
    "main",
    "random_dialect",
    "random_params",
    "scenes",
    "simulate_night",
    "standard_pressure",
    "with_fault",
    "write_log",
    "write_scenario",
]
COMMITTED_SEED = 1


def main(arguments: list[str] | None = None) -> int:
    """Write the scenario and say what was written."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument(
        "--seed",
        type=int,
        default=COMMITTED_SEED,
        help="another seed, another evening (default %(default)s)",
    )
    parser.add_argument(
        "--out", type=Path, default=HERE, help="folder to write to (default: beside this file)"
    )
    chosen = parser.parse_args(arguments)
    if chosen.seed < 0:
        parser.error(f"--seed {chosen.seed}: must be 0 or more")
    truth = write_scenario(chosen.out, chosen.seed)
    print(f"{len(truth)} nights written to {chosen.out}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
