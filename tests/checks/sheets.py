"""The sheets of the checks, by file."""

from __future__ import annotations

from pathlib import Path

from tests.checks import sweeps_boost, sweeps_engine, sweeps_mixture, sweeps_nights

FOLDER = Path(__file__).parent / "kept"
SHEETS = {
    FOLDER / "boost.json": sweeps_boost.boost,
    FOLDER / "mixture.json": sweeps_mixture.mixture,
    FOLDER / "fuel.json": sweeps_mixture.fuel,
    FOLDER / "heat.json": sweeps_engine.heat,
    FOLDER / "traction.json": sweeps_engine.traction,
    FOLDER / "engine.json": sweeps_engine.engine,
    FOLDER / "nights.json": sweeps_nights.nights,
}
