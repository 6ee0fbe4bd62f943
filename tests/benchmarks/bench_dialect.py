"""Prints how often each of four tells a made ugly file's table: ours, the standard library's sniffer, clevercsv, DuckDB's.

    python tests/benchmarks/bench_dialect.py [--files 300]

The files are those of tests/intake/generated, as UTF-8 and unpacked, since only ours unpacks and decodes: what is asked
is the delimiter, and then the table itself: as many columns as were written, as many rows to 2 %, and the engine speed's
median to 1 %. The standard library's and clevercsv's sniffer tell a dialect only, so the table is read as a careful user
would with it (polars, the first line that has the full width as header, decimal comma as the file has it: given to them).
"""

from __future__ import annotations

import argparse
import csv
import gzip
import io
import sys
import tempfile
import time
import zipfile
from collections import Counter
from pathlib import Path

import numpy as np
import polars as pl

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT / "tests" / "intake" / "generated"), str(ROOT)]

from cases import Case, make  # noqa: E402


def text_of(case: Case) -> str:
    data = case.data
    if case.name.endswith(".gz"):
        data = gzip.decompress(data)
    elif case.name.endswith(".zip"):
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            data = archive.read(archive.namelist()[0])
    for encoding in (case.about["encoding"], "utf-8"):
        try:
            return data.decode(encoding).lstrip("\ufeff")
        except UnicodeDecodeError:
            continue
    raise AssertionError(case.seed)


def ours(text: str, case: Case, path: Path):
    from audit.intake.read import read_raw

    (log,) = read_raw(path, rate_hz=case.rate_hz)
    words = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|"}
    at = next(i for i, c in enumerate(log.columns) if c.header == wanted(case))
    return words[log.dialect.split(",")[0]], lambda: (
        log.frame.width,
        log.frame.height,
        log.frame.to_series(at).to_numpy(),
    )


def sniffed(text: str, case: Case, path: Path):
    return read_with(text, case, csv.Sniffer().sniff(text[:20_000], delimiters=",;\t|").delimiter)


def clever(text: str, case: Case, path: Path):
    import clevercsv

    return read_with(text, case, clevercsv.Sniffer().sniff(text[:20_000]).delimiter)


def read_with(text: str, case: Case, delimiter: str):
    """The table by a dialect somebody else told."""

    def table():
        return _table_with(text, case, delimiter)

    return delimiter, table


def _table_with(text: str, case: Case, delimiter: str):
    lines = text.splitlines()
    width = Counter(line.count(delimiter) for line in lines).most_common(1)[0][0]
    first = next(i for i, line in enumerate(lines) if line.count(delimiter) == width)
    frame = pl.read_csv(
        io.BytesIO("\n".join(lines[first:]).encode()),
        separator=delimiter,
        infer_schema=False,
        truncate_ragged_lines=True,
    )
    return frame.width, frame.height, numbers(frame[wanted(case)], case)


def duck(text: str, case: Case, path: Path):
    import duckdb

    connection = duckdb.connect()
    told = connection.execute(
        "select Delimiter from sniff_csv(?, ignore_errors = true)", [str(path)]
    ).fetchall()[0][0]

    def table():
        read = connection.execute(
            "select * from read_csv(?, all_varchar = true, ignore_errors = true)", [str(path)]
        )
        frame = pl.DataFrame(
            read.fetchall(),
            schema={column[0]: pl.String for column in read.description},
            orient="row",
        )
        return frame.width, frame.height, numbers(frame[wanted(case)], case)

    return told, table


def wanted(case: Case) -> str:
    return next(c.header for c in case.columns if c.channel == "engine_speed")


def numbers(column: pl.Series, case: Case) -> np.ndarray:
    mark = case.about["decimal"]
    text = column.str.strip_chars(' "').str.replace_all(r"\s.*$", "")
    if case.about["thousands"] != "no":
        text = text.str.replace_all(case.about["thousands"], "", literal=True)
    return text.str.replace(mark, ".", literal=True).cast(pl.Float64, strict=False).to_numpy()


def right_table(case: Case, width: int, height: int, values: np.ndarray) -> bool:
    assert case.drive is not None
    column = next(c for c in case.columns if c.channel == "engine_speed")
    true = np.median(case.drive.channels["engine_speed"][:: column.every]) * column.scale
    got = np.nanmedian(values) if np.isfinite(values).any() else np.nan
    return (
        width >= len(case.columns)
        and abs(height - len(case.drive.time)) <= max(3, 0.02 * len(case.drive.time))
        and abs(got - true) <= 0.02 * true
    )


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--files", type=int, default=300)
    files = parser.parse_args().files
    readers = {"ours": ours, "standard library": sniffed, "clevercsv": clever, "DuckDB": duck}
    delimiter, table, spent = Counter(), Counter(), Counter()
    failed: dict[str, Counter] = {name: Counter() for name in readers}
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(40_000, 40_000 + files):
            case = make(seed)
            text = text_of(case)
            path = Path(folder) / f"{seed}.csv"
            path.write_bytes(text.encode())
            for name, reader in readers.items():
                start = time.perf_counter()
                try:
                    found, read = reader(text, case, path)
                    delimiter[name] += repr(found) == case.about["delimiter"]
                    table[name] += right_table(case, *read())
                except Exception as error:  # not told, or not read by it
                    failed[name][f"{type(error).__name__}: {str(error).splitlines()[0][:70]}"] += 1
                spent[name] += time.perf_counter() - start
            path.unlink()
    print(f"{files} files{'':22}delimiter right %   table right %   ms a file")
    for name in readers:
        print(
            f"{name:32}{100 * delimiter[name] / files:13.1f}{100 * table[name] / files:16.1f}{1000 * spent[name] / files:12.1f}"
        )
    for name, why in failed.items():
        for text, count in why.most_common(4):
            print(f"  {name} failed {count}: {text}")


if __name__ == "__main__":
    main()
