"""Every sentence of the archive's and the trends' tables is said somewhere, and none is said that they lack."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from audit.tables import toml_table

ROOM = Path(__file__).parents[2] / "audit" / "archive"
TABLES = {
    "store": set(toml_table("archive_words.toml")),
    "trend": set(toml_table("trends.toml")["said"]),
}


def constants(room: str) -> tuple[set[str], set[str]]:
    """(all texts in the code of a room, those that `words` is called with)."""
    every, called = set[str](), set[str]()
    for file in (ROOM / room).glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                every.add(node.value)
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "words":
                named = ast.walk(node.args[0])
                called |= {n.value for n in named if isinstance(getattr(n, "value", None), str)}
    return every, called


@pytest.mark.parametrize("room", TABLES)
def test_every_sentence_is_said_and_none_is_lacking(room):
    every, called = constants(room)
    assert len(called) >= 3
    assert called <= TABLES[room]
    assert TABLES[room] <= every
