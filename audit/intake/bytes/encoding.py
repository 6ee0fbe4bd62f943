"""Which encoding the bytes are in, and the same bytes as UTF-8 with a line feed ending each
line.
"""

from __future__ import annotations

import codecs
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from audit.intake.said import refused

Bytes = npt.NDArray[np.uint8]

CHUNK = 1 << 22
LONG_LINE = 5000  # bytes a line, on average, from which line feeds are no line ends
LONGEST_LINE = 20_000  # bytes: rows of two hundred channels with long names are shorter
FEW_LINES = 20
LEAST_ENDS = 3
MOST_REWRITTEN = 1 << 28  # bytes
LF, CR = 10, 13
_RARE_ENDS = (b"\xc2\x85", b"\xe2\x80\xa8", b"\xe2\x80\xa9", b"\x1e", b"\x0b", b"\x0c")
_ELLIPSIS = b"\xe2\x80\xa6"
_BOMS = (  # "" for eight bits
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF8, ""),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


def to_utf8(data: Bytes) -> tuple[Bytes, str]:
    """The text as UTF-8 bytes without BOM, NUL padding and carriage returns alone; and the
    encoding's name.

    Plain UTF-8 comes back as a view of the same memory. Raises UnreadableLog when it is no text.
    """
    encoding, skip = _sniff(data)
    body = data[skip:]
    if encoding:
        text = _without_padding(_transcode(body, encoding))
    else:
        text = _without_padding(body)
        if int(np.bitwise_or.reduce(text)) > 127:
            encoding = _eight_bit(text)
            text = _transcode(text, encoding) if encoding else text
    text = _other_line_ends(text, latin=encoding == "cp1252")
    _refuse_binary(text)
    text = _line_feeds(_no_nul(text))
    _refuse_lost_ends(text)
    wide = encoding.startswith(("utf-16", "utf-32"))
    return text, encoding[:6].upper() if wide else "Latin-1" if encoding == "cp1252" else "UTF-8"


def _sniff(data: Bytes) -> tuple[str, int]:
    """A wide encoding, or '' for one of eight bits; and the bytes of its mark."""
    head = data[:4096].tobytes()
    for bom, name in _BOMS:
        if head.startswith(bom):
            return name, len(bom)
    if len(head) >= 4:
        even, odd = (half.count(0) / len(half) for half in (head[0::2], head[1::2]))
        if odd > 0.4 and even < 0.1:
            return "utf-16-le", 0
        if even > 0.4 and odd < 0.1:
            return "utf-16-be", 0
    return "", 0


def _chunks(data: Bytes, beyond: int = 0) -> Iterator[Bytes]:
    """The bytes piece by piece, each with so many of the next."""
    for start in range(0, len(data), CHUNK):
        yield data[start : start + CHUNK + beyond]


def count_byte(data: Bytes, byte: int) -> int:
    """How often a byte occurs."""
    return sum(int(np.count_nonzero(chunk == byte)) for chunk in _chunks(data))


def _eight_bit(data: Bytes) -> str:
    """'' when valid UTF-8, 'utf-8' when only damaged here and there, else 'cp1252'."""
    try:
        decoder = codecs.getincrementaldecoder("utf-8")()
        for chunk in _chunks(_beyond_ascii(data)):
            decoder.decode(chunk.tobytes())
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        good = bad = 0
        decoder = codecs.getincrementaldecoder("utf-8")("replace")
        for chunk in _chunks(data):
            text = decoder.decode(chunk.tobytes())
            bad += text.count("\ufffd")
            good += len(text) - len(text.encode("ascii", "ignore"))
        return "utf-8" if good - bad > bad else "cp1252"
    return ""


def _beyond_ascii(data: Bytes) -> Bytes:
    """From the first byte that is no ASCII to the last: often only the header, and ASCII around it
    is sound.
    """
    high = [
        start + at
        for start, chunk in zip(range(0, len(data), CHUNK), _chunks(data), strict=True)
        if len(at := np.flatnonzero(chunk > 127))
    ]
    return data[int(high[0][0]) : int(high[-1][-1]) + 1] if high else data[:0]


def _transcode(data: Bytes, encoding: str) -> Bytes:
    parts: list[bytes] = []
    decoder = None if encoding == "cp1252" else codecs.getincrementaldecoder(encoding)("replace")
    for chunk in _chunks(data):
        raw = chunk.tobytes()
        if decoder is not None:
            text = decoder.decode(raw)
        else:
            try:
                text = raw.decode("cp1252")
            except UnicodeDecodeError:  # five code points are undefined in cp1252, none in Latin-1
                text = raw.decode("latin-1")
        parts.append(text.encode("utf-8", "replace"))
    return np.frombuffer(b"".join(parts), dtype=np.uint8)


def _without_padding(data: Bytes) -> Bytes:
    """Without the NUL block or end-of-file mark that a power cut or an old system leaves at the
    end.
    """
    stop = len(data)
    if stop and data[-1] not in (0, 0x1A):
        return data
    while stop > 0:
        block = data[max(0, stop - 65536) : stop]
        real = np.flatnonzero((block != 0) & (block != 0x1A))
        if len(real):
            return data[: stop - len(block) + int(real[-1]) + 1]
        stop -= len(block)
    return data[:0]


def _refuse_binary(data: Bytes) -> None:
    middle = data[len(data) // 2 :][:32768] if len(data) >= 1 << 17 else data[:0]
    for probe in (data[:65536], middle):
        control = (probe < 32) & ((probe < 9) | (probe > 13)) & (probe != 27) | (probe == 127)
        if len(probe) and float(control.mean()) > 0.02:
            raise refused("binary")


def _no_nul(data: Bytes) -> Bytes:
    return data if data.all() else np.where(data == 0, np.uint8(32), data)


def _other_line_ends(data: Bytes, *, latin: bool) -> Bytes:
    """Rarer line ends as line feeds, where there are hardly any others: NEL, line and paragraph
    separator, RS, VT, FF.

    Looked for only in text whose lines would be absurdly long. latin: NEL was one byte, read as an
    ellipsis.
    """
    # a look at the beginning and at the middle is enough for a text of ordinary lines
    looks = (data[: 4 * LONG_LINE], data[len(data) // 2 :][: 4 * LONG_LINE])
    usual = all(
        np.count_nonzero((look == LF) | (look == CR)) > len(look) // LONG_LINE for look in looks
    )
    if usual or len(data) > MOST_REWRITTEN:
        return data
    body = data.tobytes()
    counts = {end: body.count(end) for end in (*_RARE_ENDS, *((_ELLIPSIS,) if latin else ()))}
    end = max(counts, key=lambda e: counts[e])
    if counts[end] < LEAST_ENDS:
        return data
    return np.frombuffer(body.replace(end, b"\n"), dtype=np.uint8)


def _refuse_lost_ends(data: Bytes) -> None:
    """Raise UnreadableLog where one line holds the better part of the text: its line breaks are
    lost.

    Such a line lies across the middle, so that most texts are passed after a look there.
    """
    half, middle = LONGEST_LINE // 2, len(data) // 2
    before, after = data[max(0, middle - half) : middle], data[middle : middle + half]
    if len(data) <= LONGEST_LINE or (bool((before == LF).any()) and bool((after == LF).any())):
        return
    stops = np.append(np.flatnonzero(data == LF), len(data))
    if len(stops) > FEW_LINES:
        return  # one monster among rows that can be read is left out, and told
    lengths = np.diff(stops, prepend=-1)
    at = int(lengths.argmax())
    if lengths[at] > LONGEST_LINE and 2 * int(lengths[at]) > len(data):
        raise refused("lost_ends", line=at + 1, kilobytes=f"{int(lengths[at]) / 1000:.0f}")


def _line_feeds(data: Bytes) -> Bytes:
    """CR alone ends a line on some systems; CR before LF is dropped by the parser."""
    total = count_byte(data, CR)
    pairs = (np.count_nonzero((c[:-1] == CR) & (c[1:] == LF)) for c in _chunks(data, beyond=1))
    if total == 0 or total - int(data[-1] == CR) <= sum(int(n) for n in pairs):
        return data
    out = np.array(data)
    at = np.flatnonzero(out == CR)
    alone = at[(at + 1 >= len(out)) | (out[np.minimum(at + 1, len(out) - 1)] != LF)]
    # CR CR LF (a text file copied twice in text mode) is one line end, not two
    doubled = alone[(alone + 2 < len(out)) & (out[np.minimum(alone + 1, len(out) - 1)] == CR)]
    out[alone] = LF
    out[doubled] = 32
    return out
