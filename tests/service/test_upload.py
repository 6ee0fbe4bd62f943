import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.errors import UsageError
from audit.model import Car
from audit.service.web.pages import upload
from audit.service.web.pages.upload import Upload, ending, endings, screen_uploads, shown_name
from tests.report.nights import SAMPLES

LOG = (SAMPLES / "alder" / "2025-05-24_overshoot" / "run_1.csv").read_bytes()


@given(st.text(max_size=200))
def test_no_word_of_a_name_reaches_the_disk(name):
    allowed = {"", *endings()}
    assert ending(name) in {a + b for a in allowed for b in allowed}
    assert (
        "/" not in shown_name(name)
        and "\\" not in shown_name(name)
        and len(shown_name(name)) <= 120
    )
    assert shown_name(name)


@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        ("run.csv", ".csv"),
        ("RUN.CSV.GZ", ".csv.gz"),
        ("../../etc/passwd", ".log"),
        ("a.zip", ".zip"),
        ("x.php", ".log"),
    ],
)
def test_endings(name, wanted):
    assert ending(name) == wanted


def test_the_folder_is_ours_and_gone_afterwards(monkeypatch):
    seen = []
    real = upload.tempfile.TemporaryDirectory

    def watched(**kwargs):
        made = real(**kwargs)
        seen.append(made.name)
        return made

    monkeypatch.setattr(upload.tempfile, "TemporaryDirectory", watched)
    night = screen_uploads(
        [Upload("../../../etc/cron.d/run.csv", LOG)], car=Car(boost_limit_kpa=130.0)
    )
    assert night.logs[0].path == "run.csv" and night.logs[0].status == "read"
    assert not __import__("pathlib").Path(seen[0]).exists()


def test_what_is_no_log_is_told_under_its_own_name():
    night = screen_uploads([Upload("holiday.png", b"\x89PNG\r\n\x1a\n" + bytes(200))], car=Car())
    assert night.logs[0].status == "rejected" and "holiday.png" in night.logs[0].error
    assert not re.search(r"upload1|pullaudit-", night.logs[0].error)


def test_none_and_too_many_are_refused():
    with pytest.raises(UsageError, match="Choose one"):
        screen_uploads([], car=Car())
    with pytest.raises(UsageError, match="at most 24"):
        screen_uploads([Upload("a.csv", b"")] * 25, car=Car())
