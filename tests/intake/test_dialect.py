"""Any numeric table written in any supported dialect reads back the same."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from audit.intake.raw import RawLog, Rejected
from audit.intake.read import read_raw
from audit.intake.text.cells import Rule, learn, to_numbers
from audit.intake.text.dialect import guess_dialect
from audit.intake.text.header import split_unit

HEADERS = ("rpm", "map (kPa)", "iat [°C]", "lambda", "speed, km/h", "duty_%", "oil temp")


def number(value, decimals, decimal, group):
    if value is None:
        return ""
    whole, _, part = f"{abs(value):.{decimals}f}".partition(".")
    if group and len(whole) > 3:
        whole = f"{int(whole):,}".replace(",", group)
    return ("-" if value < 0 else "") + whole + (decimal + part if part else "")


@st.composite
def tables(draw):
    width = draw(st.integers(2, 6))
    rows = draw(st.integers(8, 60))
    decimals = [draw(st.integers(1, 4).filter(lambda d: d != 3)) for _ in range(width)]
    cells = st.integers(-99_999, 9_999_999)
    values = [[draw(cells) / 10 ** decimals[c] for _ in range(rows)] for c in range(width)]
    if draw(st.booleans()):
        holes = (
            draw(
                st.sets(
                    st.tuples(st.integers(1, width - 1), st.integers(1, rows - 1)),
                    max_size=rows // 3,
                )
            )
            if width > 1
            else set()
        )
    else:
        holes = set()
    delimiter = draw(st.sampled_from([",", ";", "\t", "|", " "]))
    if delimiter == " ":
        holes = set()
    for c, r in holes:
        values[c][r] = None
    quoted = delimiter != " " and draw(st.booleans())
    decimal = draw(st.sampled_from([".", ","])) if delimiter != "," or quoted else "."
    groups = ["", "'", "." if decimal == "," else ","]
    groups += [] if delimiter == " " else [" ", "\u00a0"]
    group = draw(st.sampled_from(groups)) if quoted or delimiter not in ",|" else ""
    return {
        "values": values,
        "decimals": decimals,
        "delimiter": delimiter,
        "decimal": decimal,
        "quoted": quoted,
        "group": group,
        "encoding": draw(
            st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"])
        ),
        "eol": draw(st.sampled_from(["\n", "\r\n", "\r"])),
        "trailing": delimiter != " " and draw(st.booleans()),
        "preamble": draw(st.integers(0, 3)),
        "units": draw(st.booleans()),
        "end": draw(st.booleans()),
    }


def written(t) -> str:
    quote = (lambda s: f'"{s}"') if t["quoted"] else (lambda s: s)
    tail = t["delimiter"] if t["trailing"] else ""
    headers = ["Time (s)", *HEADERS[: len(t["values"])]]
    if t["delimiter"] == " ":
        headers = [h.replace(", ", "_").replace(" ", "_") for h in headers]
    if t["delimiter"] == ",":
        headers = [h.replace(",", " -") for h in headers]
    lines = ["recorded by night", "Remark: none", ""][: t["preamble"]]
    lines.append(t["delimiter"].join(map(quote, headers)) + tail)
    if t["units"]:
        lines.append(
            t["delimiter"].join(
                quote(u) for u in ["s", "1/min", "kPa", "°C", "bar", "%", "V"][: len(headers)]
            )
            + tail
        )
    for r in range(len(t["values"][0])):
        cells = [number(r * 0.05, 2, t["decimal"], "")]
        cells += [
            number(column[r], d, t["decimal"], t["group"])
            for column, d in zip(t["values"], t["decimals"], strict=True)
        ]
        lines.append(t["delimiter"].join(map(quote, cells)) + tail)
    return t["eol"].join(lines) + (t["eol"] if t["end"] else "")


@settings(
    max_examples=250,
    deadline=None,
    suppress_health_check=[
        HealthCheck.function_scoped_fixture,
        HealthCheck.too_slow,
        HealthCheck.data_too_large,
    ],
)
@given(t=tables())
def test_a_table_reads_back_the_same_from_any_dialect(tmp_path, t):
    path = tmp_path / "a.csv"
    path.write_bytes(written(t).encode(t["encoding"]))
    (log,) = read_raw(path)
    assert isinstance(log, RawLog), log
    assert log.frame.width == len(t["values"]) + 1
    np.testing.assert_allclose(log.time, np.arange(len(t["values"][0])) * 0.05, atol=1e-9)
    for i, values in enumerate(t["values"]):
        assert log.frame.to_series(i + 1).to_list() == values


@pytest.mark.parametrize(
    ("header", "name", "unit"),
    [
        ("RPM ()", "RPM", ""),
        ("Boost (psi)", "Boost", "psi"),
        ("p [kPa]", "p", "kPa"),
        ("map_kPa", "map", "kPa"),
        ("Speed, km/h", "Speed", "km/h"),
        ("Coolant - deg C", "Coolant", "deg C"),
        ("time_ms", "time", "ms"),
        ("Boost (psi gauge)", "Boost", "psi gauge"),
        ("Lambda (Bank 1)", "Lambda (Bank 1)", ""),
        ("EGT cyl 1 (°C)", "EGT cyl 1", "°C"),
        ("AFR", "AFR", ""),
        ("MAP", "MAP", ""),
        ("Gear", "Gear", ""),
        ("Knock Retard (°)", "Knock Retard", "°"),
        ("Oil temp in °C", "Oil temp", "°C"),
        ("n / 1/min", "n", "1/min"),
        ("A/F", "A/F", ""),
        ("Fuel trim - short term", "Fuel trim - short term", ""),
        ("throttle_pct", "throttle", "pct"),
        ("Boost psi", "Boost", "psi"),
    ],
)
def test_units_in_headers(header, name, unit):
    assert split_unit(header) == (name, unit)


@pytest.mark.parametrize(
    ("cells", "usual", "values"),
    [
        (["1.850", "900", "12.100"], ",", [1850.0, 900.0, 12100.0]),
        (["0,987", "1,002"], ",", [0.987, 1.002]),
        (["1,234.5", "12.25"], ".", [1234.5, 12.25]),
        (["1.234,5", "12,25"], ",", [1234.5, 12.25]),
        (["1'850", "2'120.5"], ".", [1850.0, 2120.5]),
        (["1 234,5", "7,5"], ",", [1234.5, 7.5]),
        (["100 kPa", "101.5 kPa"], ".", [100.0, 101.5]),
        (["1,5E+03", "2E-1"], ",", [1500.0, 0.2]),
        (["+5", "-.5", "5."], ".", [5.0, -0.5, 5.0]),
    ],
)
def test_cells_to_numbers(cells, usual, values):
    import polars as pl

    series = pl.Series(cells)
    rule = learn(series, usual, sure=usual == "," and cells[0] == "1.850")
    assert rule is not None and rule.numeric
    assert to_numbers(series, rule).to_list() == values


@pytest.mark.parametrize(
    "words",
    [["IDLE", "RUN"], ["A12", "B7"], ["25.11.2026", "26.11.2026"], ["20:15:00", "20:15:01"]],
)
def test_words_and_stamps_are_no_numbers(words):
    import polars as pl

    assert learn(pl.Series(words), ".") == Rule(numeric=False)


def test_blank_cells_teach_nothing():
    import polars as pl

    assert learn(pl.Series(["---", "N/A", ""]), ".") is None
    assert guess_dialect([]) is None


def test_a_header_that_comes_below_the_first_rows_is_not_data(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(
        "1,2,3\n4,5,6\ntime,rpm,map\n" + "".join(f"{i / 10},{900 + i},35\n" for i in range(30))
    )
    (log,) = read_raw(path)
    assert log.frame.columns == ["time", "rpm", "map"] and log.frame.height == 30


def test_a_preamble_of_five_thousand_lines(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(
        "".join(f"setting {i}: value, {i}\n" for i in range(5000))
        + "time,rpm,map\n"
        + "".join(f"{i / 10},{900 + i},35\n" for i in range(30))
    )
    (log,) = read_raw(path)
    assert log.frame.height == 30 and log.frame.columns == ["time", "rpm", "map"]


def test_columns_swapped_in_a_second_header_are_not_mixed(tmp_path):
    path = tmp_path / "a.csv"
    rows = range(30)
    path.write_text(
        "time,rpm,map\n"
        + "".join(f"{i / 10},{900 + i},35\n" for i in rows)
        + "time,map,rpm\n"
        + "".join(f"{i / 10},36,{950 + i}\n" for i in rows)
    )
    first, second = read_raw(path)
    assert first.frame["map"].unique().to_list() == [35.0] and second.frame[
        "map"
    ].unique().to_list() == [36.0]


def test_words_for_everything_is_no_log(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("a,b\nx,y\nz,w\nu,v\nq,r\n")
    assert isinstance(read_raw(path)[0], Rejected)


def test_a_units_row_that_begins_with_a_blank_cell_does_not_slip(tmp_path):
    from audit.intake.read import read_raw

    rows = "".join(f"{i * 0.05:.2f}\t{10 + i % 3}\t{900 + i}\t{35 + i % 5}\n" for i in range(60))
    (tmp_path / "a.csv").write_text("t\tInj Duty\tRPM\tMAP\n\t%\trpm\tkPa\n" + rows)
    (log,) = read_raw(tmp_path / "a.csv")
    assert [c.unit for c in log.columns] == ["", "%", "rpm", "kPa"]


def test_a_cut_off_quote_does_not_spoil_the_columns(tmp_path):
    from audit.intake.read import read_raw

    rows = "".join(f'"{i * 0.05:.3f}"|"{900 + i}"|"1,{100 + i}"\n' for i in range(900))
    (tmp_path / "a.csv").write_text('"Time"|"RPM"|"EGT"\n' + rows + '"45.000"|"9')
    (log,) = read_raw(tmp_path / "a.csv")
    assert all(c.numeric for c in log.columns)
    assert log.frame.height == 900
