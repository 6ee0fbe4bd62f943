"""Spreadsheets: .xlsx written by one library and .ods by another are read like the text they hold."""

from __future__ import annotations

import zipfile
from pathlib import Path

import numpy as np
import pytest

from audit.intake import read_logs
from audit.intake.raw import Rejected
from audit.model import Car, Log

HEAD = ("Time (s)", "Engine speed (rpm)", "MAP (kPa)", "Lambda")
ROWS = [(i * 0.05, 900.0 + 37 * i % 4000, 35.0 + i % 120, 0.8 + i % 20 / 100) for i in range(80)]


def xlsx(path: Path, *, notes: bool = False) -> None:
    import xlsxwriter

    with xlsxwriter.Workbook(str(path)) as book:
        if notes:
            page = book.add_worksheet("Notes")
            page.write_row(0, 0, ["Evening on the", "dyno"])
            page.write_row(1, 0, ["cold and", "dry"])
        sheet = book.add_worksheet("Log")
        for i, row in enumerate([HEAD, *ROWS]):
            sheet.write_row(i, 0, row)


def ods(path: Path) -> None:
    from odf.opendocument import OpenDocumentSpreadsheet
    from odf.table import Table, TableCell, TableRow
    from odf.text import P

    book = OpenDocumentSpreadsheet()
    table = Table(name="Log")
    for row in [HEAD, *ROWS]:
        line = TableRow()
        for value in row:
            number = not isinstance(value, str)
            cell = TableCell(
                valuetype="float" if number else "string", **({"value": value} if number else {})
            )
            cell.addElement(P(text=str(value)))
            line.addElement(cell)
        table.addElement(line)
    book.spreadsheet.addElement(table)
    book.save(str(path))


@pytest.mark.parametrize("kind", ["xlsx", "xlsx with notes", "ods"])
def test_a_sheet_is_a_log(tmp_path: Path, kind: str) -> None:
    if kind == "ods":
        pytest.importorskip("odf")
        path = tmp_path / "night.ods"
        ods(path)
    else:
        pytest.importorskip("xlsxwriter")
        path = tmp_path / "night.xlsx"
        xlsx(path, notes="notes" in kind)
    (log,) = read_logs(path, car=Car())
    assert isinstance(log, Log), log
    for i, name in enumerate(("time", "engine_speed", "manifold_pressure", "lambda")):
        np.testing.assert_allclose(log.values(name), [row[i] for row in ROWS], atol=1e-9)


def test_a_damaged_spreadsheet_and_a_document_are_told(tmp_path: Path) -> None:
    pytest.importorskip("xlsxwriter")
    good, bad, letter = tmp_path / "a.xlsx", tmp_path / "b.xlsx", tmp_path / "c.docx"
    xlsx(good)
    with zipfile.ZipFile(good) as old, zipfile.ZipFile(bad, "w") as new:
        for name in old.namelist():
            new.writestr(name, old.read(name) if "sheet" not in name else b"<no")
    with zipfile.ZipFile(letter, "w") as new:
        new.writestr("[Content_Types].xml", "<Types/>")
        new.writestr("word/document.xml", "<document/>")
    for path, words in ((bad, "spreadsheet"), (letter, "a document")):
        (out,) = read_logs(path, car=Car())
        assert isinstance(out, Rejected) and words in out.error and out.error.startswith(str(path))
