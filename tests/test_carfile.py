"""The car file: what it says is taken, what is wrong in it is refused with the line and the mend."""

from __future__ import annotations

import re

import pytest

from audit.carfile import find_car_file, load_car, tyre_circumference_m
from audit.errors import CarFileError
from audit.tables import limits


def written(tmp_path, text):
    path = tmp_path / "car.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_whole_car_file_is_read(tmp_path):
    car = load_car(
        written(
            tmp_path,
            'name = "Blue hatch"\nfuel = "e85"\n[boost]\nlimit_kpa = 120\ntarget_by_gear_kpa = { 1 = 60, 2 = 80 }\n'
            '[gearing]\nratios = [3.3, 1.9]\nfinal_drive = 4.1\ntyre = "205/50R15"\n'
            '[channels]\nlambda = "Wideband"\nmanifold_pressure = { column = "Boost", unit = "psi gauge" }\n'
            '[thresholds."heat.intake"]\nwatch = 55\n',
        )
    )
    assert (car.name, car.fuel, car.boost_limit_kpa) == ("Blue hatch", "e85", 120)
    assert car.target_for(2) == 80
    assert car.target_for(4) is None
    assert car.circumference_m == pytest.approx(1.84097, abs=1e-5)
    assert car.channels["lambda"].column == "Wideband"
    assert limits(car.thresholds).rows("heat.intake")[0].watch == 55


def test_no_car_file_is_a_car_all_the_same():
    assert load_car(None).stoichiometric_afr == 14.7


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ("[boost]\nlimt_kpa = 5\n", 2, "Did you mean limit_kpa"),
        ('[boost]\n\nlimit_kpa = "a"\n', 3, "number"),
        ('[thresholds."heat.intakee"]\nwatch = 5\n', 1, "Did you mean heat.intake"),
        ('[thresholds."heat.intake"]\nwatch = 90\n', 1, "comes before"),
        ("[boost.target_by_gear_kpa]\nfirst = 5\n", 2, "1 to 9"),
        ('[gearing]\ntyre = "15 inch"\n', 2, "205/50R15"),
        ('[channels]\nmanifold = "x"\n', 2, "manifold_pressure"),
        ('units = "imperial"\n', 1, "metric"),
        ("[solenoid]\nduty_min_pct = 90\nduty_max_pct = 10\n", 3, "above duty_min_pct"),
        ("[boost]\nlimit_kpa = inf\n", 2, "limit_kpa"),
        ('name = "a"\nlimit = "18"\n', 2, '"18 psi"'),
        ("limit = 18\n", 1, "18 psi is 124 kPa"),
        ('[boost]\nlimit = "80 °F"\n', 2, "is a temperature"),
        ('limit = "1 bar"\n[boost]\nlimit_kpa = 100\n', 1, "said twice"),
        ('target_by_gear = { 2 = "9" }\n', 1, "no unit"),
        ("target_by_gear = 9\n", 1, "must be object"),
        ('[boost]\ntarget_by_gear = { x = "9 psi" }\n', 2, "a gear is a number"),
        (
            '[boost]\ntarget_by_gear = { 1 = "9 psi" }\ntarget_by_gear_kpa = { 2 = 60 }\n',
            2,
            "said twice",
        ),
        ('[boost]\nlimit_kpa = "18 psi"\n', 2, 'boost.limit = "18 psi"'),
        ('fuel = "disel"\n', 1, "no fuel"),
    ],
)
def test_a_wrong_key_is_refused_with_its_line(tmp_path, text, line, says):
    with pytest.raises(CarFileError) as caught:
        load_car(written(tmp_path, text))
    assert f"line {line}" in str(caught.value)
    assert says in str(caught.value)


def test_broken_toml_names_the_line(tmp_path):
    with pytest.raises(CarFileError, match="line 2"):
        load_car(written(tmp_path, 'name = "a"\nx = = 1\n'))


def test_a_car_file_in_another_encoding_is_refused(tmp_path):
    path = tmp_path / "car.toml"
    path.write_bytes('name = "Käfig"\n'.encode("utf-16"))
    with pytest.raises(CarFileError, match="UTF-8"):
        load_car(path)


def test_the_car_file_three_folders_up_is_found_and_four_is_not(tmp_path):
    (tmp_path / "car.toml").write_text("")
    near = tmp_path / "a" / "b" / "c" / "log.csv"
    far = tmp_path / "a" / "b" / "c" / "d" / "log.csv"
    far.parent.mkdir(parents=True)
    near.touch()
    far.touch()
    assert find_car_file((near,)) == tmp_path / "car.toml"
    assert find_car_file((far,)) is None


def test_logs_of_two_cars_are_refused(tmp_path):
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "car.toml").write_text("")
        (tmp_path / name / "log.csv").touch()
    with pytest.raises(CarFileError, match="one car at a time"):
        find_car_file((tmp_path / "one" / "log.csv", tmp_path / "two" / "log.csv"))


def test_something_that_is_no_tyre_raises():
    with pytest.raises(ValueError, match="205/50R15"):
        tyre_circumference_m("wide")


def test_amounts_in_words_stand_for_the_plain_keys(tmp_path):
    text = (
        'limit = "18 psi"\naltitude = "3900 ft"\nfuel = "gasoline"\n'
        '[boost]\ntarget = "1 bar"\nspring = "7 psi"\n'
    )
    car = load_car(written(tmp_path, text))
    assert car.boost_limit_kpa == pytest.approx(124.106, abs=1e-3)
    assert car.altitude_m == pytest.approx(1188.72)
    assert (car.target_kpa, car.spring_kpa) == (100.0, pytest.approx(48.2633, abs=1e-4))
    assert (car.fuel, car.ethanol_pct) == ("petrol", 0.0)


def test_what_is_said_for_the_call_stands_over_the_file(tmp_path):
    path = written(tmp_path, "[boost]\nlimit_kpa = 120\nspring_kpa = 50\n")
    car = load_car(path, {"limit": "1 bar"})
    assert (car.boost_limit_kpa, car.spring_kpa) == (100.0, 50)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[engine]\ncylinders = 4\n", "line 2: engine.cylinders: unknown key. It stands above all"),
        ("limit_kpa = 120\n", "line 1: limit_kpa: unknown key. It stands under [boost]"),
    ],
)
def test_a_key_in_the_wrong_place_is_told_its_own(tmp_path, text, says):
    path = tmp_path / "car.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(CarFileError, match=re.escape(says)):
        load_car(path)


@pytest.mark.parametrize("head", ["", "[boost]\n"])
def test_targets_by_gear_are_taken_in_words(tmp_path, head):
    """1 psi is 6.894757 kPa (NIST SP 811)."""
    file = tmp_path / "car.toml"
    file.write_text(f'{head}target_by_gear = {{ 1 = "8 psi", 2 = "70 kPa" }}\n', encoding="utf-8")
    by_gear = load_car(file).target_by_gear_kpa
    assert by_gear == {1: pytest.approx(8 * 6.894757, rel=1e-4), 2: 70.0}
