"""Which encoding bytes are in, and the same as UTF-8 with a line feed at the end of each line."""

from __future__ import annotations

import codecs
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from audit.intake.said import refused

Bytes = npt.NDArray[np.uint8]
Ints = npt.NDArray[np.int64]

CHUNK = 1 << 22
LONG_LINE = 5000  # bytes a line, on average, from which line feeds are no line ends
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
    """The text as UTF-8 without BOM, NUL padding and lone carriage returns; the encoding's name.

    Plain UTF-8 comes back as a view of the same memory. Raises UnreadableLog when it is no text.
    """
    encoding, skip = _sniff(data)
    text = data[skip:] if encoding else _without_padding(data[skip:])
    encoding = encoding or _eight_bit(text)
    if encoding:
        text = _without_padding(_transcode(text, encoding))
    text = _other_line_ends(text, latin=encoding == "cp1252")
    _refuse_binary(text)
    text = _line_feeds(text if text.all() else np.where(text == 0, np.uint8(32), text))
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
        for name, zeros, others in (("utf-16-le", odd, even), ("utf-16-be", even, odd)):
            if zeros > 0.4 and others < 0.1:
                return name, 0
    return "", 0


def _chunks(data: Bytes) -> Iterator[Bytes]:
    for start in range(0, len(data), CHUNK):
        yield data[start : start + CHUNK]


def where(data: Bytes, byte: int) -> Ints:
    """Where a byte stands, looked for piece by piece."""
    parts = [np.flatnonzero(part == byte) + i * CHUNK for i, part in enumerate(_chunks(data))]
    return parts[0] if len(parts) == 1 else np.concatenate([np.empty(0, dtype=np.int64), *parts])


def _eight_bit(data: Bytes) -> str:
    """'' when valid UTF-8, 'utf-8' when only damaged here and there, else 'cp1252'."""
    decoder = codecs.getincrementaldecoder("utf-8")("replace")
    texts = []
    for part in _chunks(data):
        if part.max() > 127:  # often only the header: ASCII around it is sound
            high = np.flatnonzero(part > 127)
            texts.append(decoder.decode(part[high[0] : high[-1] + 2].tobytes()))
    texts.append(decoder.decode(b"", final=True))
    bad = sum(text.count("\ufffd") for text in texts)
    beyond = sum(len(text) - len(text.encode("ascii", "ignore")) for text in texts if bad)
    return "" if not bad else "utf-8" if beyond - bad > bad else "cp1252"


def _transcode(data: Bytes, encoding: str) -> Bytes:
    decoder = codecs.getincrementaldecoder(encoding)("replace")
    parts = [decoder.decode(part.tobytes()).encode("utf-8", "replace") for part in _chunks(data)]
    return np.frombuffer(b"".join(parts), dtype=np.uint8)


def _without_padding(data: Bytes) -> Bytes:
    """Without the NUL block or end-of-file mark that a power cut or an old system leaves."""
    for stop in range(len(data), 0, -65536):
        block = data[max(0, stop - 65536) : stop]
        if block[-1] not in (0, 0x1A):
            return data[:stop]
        real = np.flatnonzero((block != 0) & (block != 0x1A))
        if len(real):
            return data[: stop - len(block) + int(real[-1]) + 1]
    return data[:0]


def _refuse_binary(data: Bytes) -> None:
    middle = data[len(data) // 2 :][:32768] if len(data) >= 1 << 17 else data[:0]
    for probe in (data[:65536], middle):
        control = (probe < 32) & ((probe < 9) | (probe > 13)) & (probe != 27) | (probe == 127)
        if len(probe) and float(control.mean()) > 0.02:
            raise refused("binary")


def _other_line_ends(data: Bytes, *, latin: bool) -> Bytes:
    """Rarer line ends (NEL, line and paragraph separator, RS, VT, FF) as line feeds, in a text
    whose lines would be absurdly long. latin: NEL was one byte, read as an ellipsis.
    """
    # a look at the beginning and at the middle is enough for a text of ordinary lines
    looks = (data[: 4 * LONG_LINE], data[len(data) // 2 :][: 4 * LONG_LINE])
    ends = (np.count_nonzero((look == LF) | (look == CR)) for look in looks)
    usual = all(n > len(look) // LONG_LINE for n, look in zip(ends, looks, strict=True))
    if usual or len(data) > MOST_REWRITTEN:
        return data
    body = data.tobytes()
    end = max((*_RARE_ENDS, *((_ELLIPSIS,) if latin else ())), key=body.count)
    if body.count(end) < LEAST_ENDS:
        return data
    return np.frombuffer(body.replace(end, b"\n"), dtype=np.uint8)


def _line_feeds(data: Bytes) -> Bytes:
    """CR alone ends a line on some systems; CR before LF is dropped by the parser."""
    at = where(data, CR)
    alone = at[data[np.minimum(at + 1, len(data) - 1)] != LF]
    if len(alone) <= int(data[-1:].tobytes() == b"\r"):
        return data
    out = np.array(data)
    out[alone] = LF
    # CR CR LF (a text file copied twice in text mode) is one line end, not two
    within = alone[alone + 2 < len(data)]
    out[within[data[within + 1] == CR]] = 32
    return out
