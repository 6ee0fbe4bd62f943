"""The archive's commands: results to standard output, exit codes, plain errors, 80 columns."""

import datetime as dt
import json

import pytest
from click.testing import CliRunner

from audit.archive.store.store import Archive
from audit.archive.trend.text import chart
from audit.archive.watched import called, watched
from audit.cli.keeping import note, rescreen, verify, withdraw
from audit.cli.trends import command as trends
from audit.errors import ArchiveError, UsageError
from tests.archive.histories import history
from tests.archive.nights import a_night
from tests.archive.test_journal_rescreen_fleet import put_history


def run(command, *args):
    return CliRunner().invoke(command, [str(a) for a in args])


@pytest.fixture
def moved(tmp_path):
    archive = Archive(tmp_path)
    put_history(archive, "Alder", history(1, fault="leak", onset=60))
    return archive


def test_trends_print_a_table_with_charts_and_what_it_means(moved):
    result = run(trends, "--archive", moved.root)
    assert result.exit_code == 0
    assert "SHIFTED" in result.stdout
    assert "leak in the charge pipes" in " ".join(result.stdout.split())
    assert all(len(line) <= 80 for line in result.stdout.splitlines())
    assert "\x1b" not in result.stdout


def test_trends_as_json_are_finite_and_complete(moved):
    result = run(trends, "--archive", moved.root, "--car", "Alder", "--json", "-")
    document = json.loads(result.stdout, parse_constant=pytest.fail)
    assert (document["document"], document["car"]) == ("pullaudit.trends", "Alder")
    boost = next(m for m in document["measures"] if m["name"] == "boost_at_duty")
    assert boost["state"] == "shifted"
    assert boost["shift"]["since"] == boost["nights"][60]
    assert len(boost["values"]) == len(boost["nights"])


def test_many_cars_are_a_fleet(moved):
    put_history(moved, "Quince", history(5))
    result = run(trends, "--archive", moved.root)
    lines = result.stdout.splitlines()
    assert [line.split()[0] for line in lines[1:] if line[0] != " "] == ["Alder", "Quince"]
    assert all(len(line) <= 80 for line in lines)
    document = json.loads(run(trends, "--archive", moved.root, "--json", "-").stdout)
    assert [c["car"] for c in document["cars"]] == ["Alder", "Quince"]


def test_sql_is_answered(moved):
    result = run(
        trends,
        "--archive",
        moved.root,
        "--sql",
        "select count(*) n from pulls where gear = 3",
    )
    assert result.exit_code == 0
    assert result.stdout.splitlines()[0] == "n"
    assert (
        int(result.stdout.splitlines()[1])
        == moved.pulls().filter(moved.pulls()["gear"] == 3).height
    )
    with pytest.raises(UsageError, match="--sql"):
        trends.main(["--archive", str(moved.root), "--sql", "selec 1"], standalone_mode=False)


def test_sql_sees_only_the_newest_verdict(tmp_path, monkeypatch):
    from audit.archive.store.rescreen import rescreen as judge_anew

    archive = Archive(tmp_path)
    archive.add(a_night(1))
    monkeypatch.setattr("audit.night.screen.audit_log", lambda log, car: a_night(1).logs[0])
    judge_anew(archive, every=True)
    result = run(trends, "--archive", tmp_path, "--sql", "select count(*) from pulls")
    assert result.stdout.splitlines()[1] == "2"


def test_an_archive_that_is_not_there_is_one_sentence(tmp_path):
    for command, more in ((trends, []), (verify, []), (rescreen, []), (note, ["Alder", "text"])):
        with pytest.raises(ArchiveError, match="no archive there"):
            command.main([*more, "--archive", str(tmp_path / "none")], standalone_mode=False)


def test_verify_names_what_is_wrong_and_exits_non_zero(tmp_path):
    archive = Archive(tmp_path)
    archive.add(a_night(1, 2))
    assert run(verify, "--archive", tmp_path).exit_code == 0
    log = next((tmp_path / "logs").rglob("*.parquet"))
    log.write_bytes(log.read_bytes()[:-7])
    result = run(verify, "--archive", tmp_path)
    assert result.exit_code == 1
    assert log.name in result.stdout
    assert "--repair" in result.stdout
    result = run(verify, "--archive", tmp_path, "--repair")
    assert result.exit_code == 1
    assert "are held" in result.stdout
    assert archive.nights()["verdict"].to_list() == ["hold"]


def test_a_note_says_what_starts_anew(tmp_path):
    Archive(tmp_path).add(a_night(1))
    result = run(
        note, "Alder", "fitted new injectors", "--date", "2026-03-05", "--archive", tmp_path
    )
    labels = (
        "lambda at the top of engine speed, fuel pressure over manifold pressure, injector duty"
    )
    assert f"New baseline for: {labels}." in result.stdout


def test_what_is_followed_is_named_in_plain_words():
    """Manifold absolute pressure has a short name that a sentence reads as a chart of roads."""
    short = called(["map_noise", "injector_duty", "map_at_rest"])
    assert short == "pressure noise, injector duty, pressure at rest"
    assert not any("map" in called([m.name]) for m in watched())


@pytest.mark.parametrize(("days_after", "said"), [(0, True), (1, False)])
def test_a_note_on_the_day_of_a_kept_night_says_that_it_counts_as_before(
    tmp_path, days_after, said
):
    archive = Archive(tmp_path)
    archive.add(a_night(1))
    day = dt.date.fromisoformat(archive.nights("Alder")["date"][0]) + dt.timedelta(days_after)
    result = run(note, "Alder", "new solenoid", "--date", day.isoformat(), "--archive", tmp_path)
    assert result.exit_code == 0 and ("counts as before" in result.stdout) is said


def test_a_change_of_mind_leaves_every_car_with_its_standing(tmp_path):
    archive = Archive(tmp_path)
    name = archive.add(a_night(1)).night_id
    archive.add(a_night(2, day="2026-03-08"))

    def standing():
        return archive.db.rows("select car, nights, last from standings")

    run(note, "Alder", "fitted new injectors", "--date", "2026-03-05", "--archive", tmp_path)
    assert standing() == [("Alder", 2, "2026-03-08")]
    run(withdraw, name, "--archive", tmp_path)
    assert standing() == [("Alder", 1, "2026-03-08")]
    run(note, "Alder", "fitted new injectors", "--remove", "--archive", tmp_path)
    assert len(standing()) == 1


def test_rescreen_says_which_verdicts_changed(tmp_path, monkeypatch):
    Archive(tmp_path).add(a_night(1))
    monkeypatch.setattr("audit.night.screen.audit_log", lambda log, car: a_night(1).logs[0])
    result = run(rescreen, "--archive", tmp_path, "--all")
    assert result.exit_code == 0
    assert "1 night judged again" in result.stdout
    assert run(rescreen, "--archive", tmp_path).stdout.startswith("0 nights")


@pytest.mark.parametrize(
    ("values", "drawn"), [([], ""), ([1.0], "▅"), ([0.0, 7.0], "▁█"), ([0.0] * 40, "▅" * 24)]
)
def test_a_chart_is_drawn_from_its_lowest_to_its_highest(values, drawn):
    assert chart(values) == drawn


def test_a_chart_does_not_make_cliffs_of_noise():
    assert set(chart([10.0, 10.1, 9.9], least_span=10.0)) <= {"▄", "▅"}


def test_a_night_is_withdrawn_by_its_day(tmp_path):
    archive = Archive(tmp_path)
    archive.add(a_night(1), date="2026-03-01")
    archive.add(a_night(2), date="2026-03-08")
    assert "counts no more" in run(withdraw, "2026-03-08", "--archive", tmp_path).stdout
    assert archive.nights()["date"].to_list() == ["2026-03-01"]
    again = run(withdraw, "2026-03-08", "--archive", tmp_path)
    assert "was withdrawn" in str(again.exception)
    assert "counts again" in run(withdraw, "2026-03-08", "--undo", "--archive", tmp_path).stdout
    assert archive.nights().height == 2
    none = run(withdraw, "2026-03-09", "--archive", tmp_path)
    assert "no such night" in str(none.exception) and "--season" in str(none.exception)


def test_a_day_with_two_nights_asks_which(tmp_path):
    archive = Archive(tmp_path)
    archive.add(a_night(1), date="2026-03-01")
    archive.add(a_night(2), date="2026-03-01")
    both = run(withdraw, "2026-03-01", "--archive", tmp_path)
    assert isinstance(both.exception, UsageError)
    names = archive.nights()["night_id"].to_list()
    assert len(names) == 2 and all(name in str(both.exception) for name in names)


def test_rescreen_judges_by_what_the_car_file_says_now(tmp_path, monkeypatch):
    kept, file = Archive(tmp_path / "kept"), tmp_path / "car.toml"
    kept.add(a_night(1))
    file.write_text(
        'name = "Alder"\n[gearing]\nratios = [3.4, 2.0]\nfinal_drive = 4.0\n'
        "circumference_m = 1.9\n",
        encoding="utf-8",
    )
    seen = []

    def judged(log, car):
        seen.append(car.gear_ratios)
        return a_night(1).logs[0]

    monkeypatch.setattr("audit.night.screen.audit_log", judged)
    run(rescreen, "--archive", kept.root, "--all")
    run(rescreen, "--archive", kept.root, "--car-file", file)
    assert seen == [(), (3.4, 2.0)]
    assert kept.car("Alder").gear_ratios == (3.4, 2.0)
    file.write_text('name = "Birch"\n', encoding="utf-8")
    other = run(rescreen, "--archive", kept.root, "--car-file", file)
    assert "no car 'Birch'" in str(other.exception)
