"""All sheets by name; run, it writes them anew. See sheet.py.

python -m tests.checks.sheets [NAME ...]
"""

from __future__ import annotations

import sys

from tests.checks import sweeps_boost, sweeps_engine, sweeps_mixture
from tests.checks.sheet import write

SHEETS = {
    "boost": sweeps_boost.boost,
    "mixture": sweeps_mixture.mixture,
    "fuel": sweeps_mixture.fuel,
    "heat": sweeps_engine.heat,
    "traction": sweeps_engine.traction,
    "engine": sweeps_engine.engine,
}

if __name__ == "__main__":
    for name in sys.argv[1:] or SHEETS:
        write(name, SHEETS[name]())
