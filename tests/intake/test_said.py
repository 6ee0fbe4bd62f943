"""Every sentence of the table is said somewhere, and none is said that it lacks."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from audit.errors import NotALog, UnreadableLog
from audit.intake.said import note, refused, rejected, sentence
from audit.tables import toml_table

ROOM = Path(__file__).parents[2] / "audit" / "intake"
PARTS = {"note": ("note",), "refused": ("refused", "no_log")}


def words_of(part: str) -> set[str]:
    return {key for name in PARTS[part] for key in toml_table("log_notes.toml")[name]}


def texts() -> set[str]:
    """Every text that stands in the code of the room, or in the table of texts that are no logs."""
    nodes = (n for f in ROOM.rglob("*.py") for n in ast.walk(ast.parse(f.read_text("utf-8"))))
    said = {n.value for n in nodes if isinstance(n, ast.Constant) and isinstance(n.value, str)}
    return said | set(toml_table("files.toml")["texts"])


def asked_for(part: str) -> set[str]:
    """The rows that calls of note() and refused() name outright."""
    calls = (
        node
        for file in ROOM.rglob("*.py")
        for node in ast.walk(ast.parse(file.read_text("utf-8")))
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == part and node.args
    )
    return {c.args[0].value for c in calls if isinstance(c.args[0], ast.Constant)}


@pytest.mark.parametrize("part", PARTS)
def test_the_table_and_the_code_name_the_same_sentences(part):
    assert asked_for(part) <= words_of(part)
    assert words_of(part) <= texts()


def test_a_count_of_one_has_a_sentence_of_its_own():
    one, two = (note("same_stamp", count=n).message for n in (1, 2))
    assert one.startswith("1 row has ") and two.startswith("2 rows have ")


def test_a_refusal_begins_with_the_file_and_knows_whether_a_log_may_be_hidden():
    assert isinstance(refused("empty"), NotALog) and refused("binary").exit_code == 3
    assert not isinstance(refused("binary"), NotALog)
    found = rejected("a.csv", "", refused("empty"))
    assert found.not_a_log and found.error == "a.csv: empty, 0 bytes. " + (
        sentence("mend", "again") + "."
    )
    assert not rejected("a.csv", "", UnreadableLog("torn.")).not_a_log
