"""The families themselves, the bounds, and a few of their nights through the whole program."""

from __future__ import annotations

import pytest
from scipy.stats import binomtest

from families import limits as lim
from families.detection import (
    Count,
    Job,
    all_healthy,
    bounds,
    count,
    jobs_of,
    load,
    one,
    proven,
    write,
)
from families.families import FAMILIES
from families.faults import FAULTS
from families.night import Night

TRUE_WITHIN = 0.03

# A family that can carry each of the faults that hurt engines first.
MAIN = {
    "boost.overshoot": "quick_cable_open",
    "boost.over_limit": "two_gears_small",
    "boost.creep": "slow_cable_typed",
    "boost.lost": "both_pressures_fast",
    "boost.sensor_ceiling": "mountain_altitude_short",
    "boost.oscillation": "mountain_barometer",
    "mixture.lean": "restarts_cut_off",
    "mixture.lean_spike": "mixed_rates_direct",
    "fuel.cut": "mountain_key_on",
    "knock.retard": "six_follow_two_banks",
    "heat.soak": "spring_only_cable",
    "oil.pressure": "one_pull_methanol",
}


@pytest.mark.parametrize(("n", "share"), [(29, 0.90), (59, 0.95), (299, 0.99)])
def test_all_of_so_many_prove_that_share(n, share):
    """29 of 29 show 90/95; 59 and 299 likewise: MIL-HDBK-1823A, on hit/miss samples (figures from memory)."""
    assert proven(n, n) >= share > proven(n - 1, n - 1)
    assert proven(n, n) == pytest.approx(0.05 ** (1 / n), rel=1e-9)


@pytest.mark.parametrize(
    ("hits", "n"), [(0, 1), (0, 20), (1, 20), (13, 20), (20, 20), (297, 299), (5000, 5003)]
)
def test_bounds_are_scipys(hits, n):
    theirs = binomtest(hits, n).proportion_ci(0.95, method="exact")
    assert bounds(hits, n) == pytest.approx((theirs.low, theirs.high), abs=1e-9)
    one_sided = binomtest(hits, n, alternative="greater").proportion_ci(0.95, method="exact")
    assert proven(hits, n) == pytest.approx(one_sided.low, abs=1e-9)


def test_a_round_sees_every_cell_and_the_goals_sizes_first():
    families = {name: FAMILIES[name] for name in ("quick_cable_open", "one_pull_methanol")}
    jobs = jobs_of(families, each=1, seed=1500)
    faults = {(j.family, j.code, j.size) for j in jobs if j.code}
    assert len(faults) == 5 * sum(len(f.carries) for f in families.values())
    assert len(jobs) == len(faults) + 4  # two healthy nights of each
    assert {j.size for j in jobs[: 4 + 2 * len(faults) // 5]} == {0.0, 0.8, 1.25}
    assert all(j.seed in (1500, 1501) for j in jobs)


def test_a_code_of_few_families_gets_as_many_nights_as_one_of_many():
    names = ("quick_cable_open", "both_pressures_fast", "mountain_key_on")
    families = {name: FAMILIES[name] for name in names}
    carriers = {c: sum(c in f.carries for f in families.values()) for c in FAULTS}
    assert {1, 3} <= set(carriers.values())
    jobs = jobs_of(families, each=6, seed=1500, sizes=[1.25])
    for code, families_of_it in carriers.items():
        assert sum(j.code == code for j in jobs) == (6 if families_of_it else 0), code
    assert len({(j.family, j.code, j.seed) for j in jobs}) == len(jobs)


def test_the_page_keeps_what_was_written_by_hand(tmp_path):
    page = tmp_path / "figures.md"
    page.write_text("# Figures\n\nby hand\n")
    write("first", page)
    page.write_text(page.read_text() + "\nand after\n")
    write("second", page)
    text = page.read_text()
    assert text.startswith("# Figures\n\nby hand\n") and text.endswith("\nand after\n")
    assert "second" in text and "first" not in text


@pytest.mark.parametrize("code", sorted(FAULTS))
def test_a_fault_is_as_large_as_it_says(code):
    """Measured again on the noise-free signals."""
    names = [name for name, family in FAMILIES.items() if code in family.carries]
    spec = FAMILIES[names[len(code) % len(names)]].spec
    for size in (0.8, 1.25):
        assert Night(spec, 1, code, size).fault.true_size() == pytest.approx(size, rel=TRUE_WITHIN)


@pytest.mark.parametrize("name", sorted(FAMILIES))
def test_a_healthy_night_has_no_fault_in_its_signals(name):
    night = Night(FAMILIES[name].spec, 2)
    watch, _, _ = lim.lean_limits(night.plant.boost, night.car.fuel, night.car.direct)
    for pull in night.trace.pulls:
        boost = night.plant.boost[pull.span]
        aim = night.trace.data["target"][pull.span] if pull.closed else pull.level_kpa
        assert float((boost - aim).max()) < 4.0
        assert float(boost.max()) < (night.limit_kpa or 0.0) - 10.0
        assert (night.signals["lambda"] < watch - 0.012)[pull.held][30:].all()


@pytest.mark.parametrize("name", sorted(FAMILIES))
def test_a_healthy_night_comes_out_clear(name):
    job, outcome = one(Job(name, "", 0.0, 1700))
    assert outcome is not None
    if load()[name].can_clear:
        assert outcome.verdict == "clear", outcome
    else:
        assert outcome.codes == {"sensor.slow": "hold"}


@pytest.mark.parametrize("code", sorted(MAIN))
def test_a_fault_over_its_hold_limit_is_found_and_holds(code):
    job, outcome = one(Job(MAIN[code], code, 1.25, 1700))
    assert outcome is not None
    assert count(job, outcome) == Count(1, found=1, held=1, unclear=1), outcome


def test_healthy_nights_of_all_families_are_added_up_with_an_exact_interval():
    said = all_healthy([Count(22), Count(18, unclear=1)])
    theirs = binomtest(39, 40).proportion_ci(0.95, method="exact")
    assert said == (
        "| all that can be clear | 40 | 39 "
        f"| 97.5 %, {100 * theirs.low:.1f} % to {100 * theirs.high:.1f} % | |"
    )
