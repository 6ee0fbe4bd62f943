"""Files that are no good log, each with the words its sentence must hold and what the tool exits with on its own."""

from __future__ import annotations

import random
from pathlib import Path

NOTHING_READ, HOLD = 3, 10


def rows(cells: str, count: int = 200, *, time: bool = True) -> bytes:
    """count rows; {i} is the row's number."""
    return "".join(
        (f"{i * 0.05:.2f}," if time else "") + cells.format(i=i, wave=i % 7) + "\n"
        for i in range(count)
    ).encode()


GOOD_HEAD = b"Time,RPM,MAP kPa,Throttle,Lambda,IAT C\n"
MANY = ",".join(f"Extra {i}" for i in range(994)).encode()

# name: (content, words of the sentence, exit code alone)
FILES: dict[str, tuple[bytes, tuple[str, ...], int]] = {
    "empty.csv": (b"", ("empty",), NOTHING_READ),
    "binary.csv": (random.Random(3).randbytes(40_000), ("binary",), NOTHING_READ),
    "picture.csv": (b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 40, ("picture",), NOTHING_READ),
    "only_a_header.csv": (GOOD_HEAD, ("no row of data",), NOTHING_READ),
    "one_row.csv": (GOOD_HEAD + rows("{i},40,12,1.0,25", 1), (), HOLD),
    "all_text.csv": (
        b"name,colour,place\n" + b"foo,red,here\nbar,blue,there\n" * 20,
        ("words",),
        NOTHING_READ,
    ),
    "no_time.csv": (
        b"RPM,MAP,Lambda\n" + rows("{wave}00,40,1.0", time=False),
        ("--rate HZ",),
        NOTHING_READ,
    ),
    "no_engine_speed.csv": (
        b"Time,MAP kPa,Throttle,Lambda,IAT C\n" + rows("4{wave},12,1.0{wave},25"),
        ("Engine speed", "not in the log"),
        HOLD,
    ),
    "all_zeros.csv": (GOOD_HEAD + b"0,0,0,0,0,0\n" * 200, ("stands still",), NOTHING_READ),
    "zeros_under_a_clock.csv": (GOOD_HEAD + rows("0,0,0,0,0"), (), HOLD),
    "nan_and_inf.csv": (GOOD_HEAD + rows("NaN,inf,-inf,nan,{i}"), (), HOLD),
    "a_thousand_columns.csv": (
        GOOD_HEAD.strip() + b"," + MANY + b"\n" + rows("9{wave}0,40,12,1.0,25" + ",1" * 994, 60),
        (),
        HOLD,
    ),
    "a_line_of_10_mb.csv": (b"1," * 5_000_000, ("line 1",), NOTHING_READ),
    "wrong_encoding.csv": (
        "Zeit;Drehzahl;Öldruck bar\n".encode("latin-1")
        + b"".join(b"%d,5;90%d;3,%d\n" % (i, i % 9, i % 7) for i in range(60)),
        ("not in the log",),
        HOLD,
    ),
    "half_utf_16.csv": (
        ("Time,RPM\n" + "".join(f"{i},{900 + i}\n" for i in range(60))).encode("utf-16")[:-1],
        ("not in the log",),
        HOLD,
    ),
}


def write_all(folder: Path) -> list[Path]:
    """All of them in a folder, in the table's order."""
    for name, (content, _, _) in FILES.items():
        (folder / name).write_bytes(content)
    return [folder / name for name in FILES]
