"""From a path to the bytes of each log in it: plain, gzip, zip; by content, not by extension."""

from __future__ import annotations

import hashlib
import stat
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import NamedTuple

import numpy as np

from audit.errors import NotALog, UnreadableLog
from audit.intake.bytes.encoding import Bytes, to_utf8
from audit.intake.raw import Rejected
from audit.intake.said import refused, rejected, sentence
from audit.tables import toml_table

MAX_BYTES = 4 << 30  # of one unpacked log
MAX_RATIO = 200  # unpacked over packed, judged beyond RATIO_FREE bytes; logs pack by 3 to 30
RATIO_FREE = 8 << 20
FIRST_LOOK = 1 << 20  # unpacked bytes after which it is asked whether this can be a log at all
PART = 1 << 22  # bytes unpacked at once, after that
MAX_MEMBERS = 10_000
MAP_FROM = 32 << 20  # larger plain files are mapped, not read
ZIP, GZIP = (b"PK\x03\x04", b"PK\x05\x06"), b"\x1f\x8b"
_DAMAGED = (zipfile.BadZipFile, zlib.error, OSError, EOFError, RuntimeError, ValueError)


class Source(NamedTuple):
    """The bytes of one log. path: as shown to people; file: on disk, when they are a whole file."""

    path: str
    data: Bytes
    sha256: str
    file: Path | None = None
    remark: str = ""
    cut_off: bool = False  # the stream ends before its end


def open_sources(path: Path) -> Iterator[Source | Rejected]:
    """Each log behind a path, one after another; what cannot be opened comes as Rejected."""
    shown, digest = str(path), ""
    try:
        data = _whole_file(path)
        digest = sha256(data)
        if starts(data, *ZIP):
            yield from _unzip(path, data, digest)
        elif starts(data, GZIP):
            remark: list[str] = []
            array = _unpacked(_gunzip(data, remark), len(data), none="empty_gzip")
            said = "".join(remark)
            yield Source(shown, array, sha256(array), remark=said, cut_off=bool(said))
        else:
            yield Source(shown, data, digest, file=path)
    except UnreadableLog as error:
        yield rejected(shown, digest, error)
    except PermissionError:
        yield rejected(shown, digest, refused("no_permission"))
    except OSError as error:
        yield rejected(shown, digest, refused("no_access", why=error.strerror or error))
    except _DAMAGED:
        yield rejected(shown, digest, refused("damaged_zip"))


def refuse_other_formats(data: Bytes) -> None:
    """Raise NotALog or UnreadableLog for formats that hold no table of text."""
    head, table = data[:512].tobytes(), toml_table("files.toml")
    for magic, at, what, mend, may_hold_one in table["formats"]:
        if head.startswith(bytes.fromhex(magic), at):
            kind = UnreadableLog if may_hold_one else NotALog
            raise kind(f"{what}, not a log. {sentence('mend', mend)}")
    if head[:2] == b"BM" and len(data) > 26 and b"\x00" in head[:26]:
        raise refused("bitmap")
    text = head.lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    for key, begins in table["texts"].items():
        if text.startswith(tuple(begin.encode() for begin in begins)):
            raise refused(key)


def starts(data: Bytes, *magics: bytes) -> bool:
    """Whether the bytes begin with one of these."""
    return data[:8].tobytes().startswith(magics)


def sha256(data: Bytes) -> str:
    """Hex digest of the bytes, without copying them."""
    return hashlib.sha256(data.data).hexdigest()


def _whole_file(path: Path) -> Bytes:
    try:
        info = path.stat()
    except FileNotFoundError:
        raise refused("no_file") from None
    if not stat.S_ISREG(info.st_mode):
        raise refused("folder" if stat.S_ISDIR(info.st_mode) else "irregular")
    if info.st_size == 0:
        raise refused("empty")
    if info.st_size >= MAP_FROM:
        return np.memmap(path, dtype=np.uint8, mode="r")
    return np.frombuffer(path.read_bytes(), dtype=np.uint8)


def _gunzip(data: Bytes, remark: list[str]) -> Iterator[bytes]:
    """All members of a gzip stream; of one cut off or damaged what could be had, and a remark."""
    rest, size = data.tobytes(), FIRST_LOOK
    while rest.startswith(GZIP):
        unpacker, amiss = zlib.decompressobj(31), "cut off; read what is there"
        try:
            while not unpacker.eof and (part := unpacker.decompress(rest, size)):
                rest, size = unpacker.unconsumed_tail, PART
                yield part
        except zlib.error:
            amiss = "damaged; read what came before the damage"
        if not unpacker.eof:
            remark.append(f"the gzip stream is {amiss}")
            return
        rest = unpacker.unused_data


def _unpacked(parts: Iterable[bytes], packed: int, *, none: str) -> Bytes:
    """The bytes of a stream, watched as it swells. none: the refusal where nothing is in it."""
    out: list[bytes] = []
    total = 0
    for part in parts:
        total += len(part)
        _refuse_bomb(total, packed)  # a directory's sizes may lie
        if not out and len(part) >= FIRST_LOOK and not part.startswith((b"PAR1", b"MDF ", b"UnFi")):
            head = np.frombuffer(part, dtype=np.uint8)  # does it show that no log can follow?
            refuse_other_formats(head)
            to_utf8(head)
        out.append(part)
    if total == 0:
        raise refused(none)
    whole = np.frombuffer(b"".join(out), dtype=np.uint8)
    if starts(whole, *ZIP, GZIP):
        raise refused("nested")
    return whole


def _refuse_bomb(unpacked: int, packed: int) -> None:
    if unpacked > MAX_BYTES:
        raise refused("too_large", gigabytes=MAX_BYTES >> 30)
    if unpacked > RATIO_FREE and unpacked > MAX_RATIO * max(1, packed):
        raise refused("bomb", times=MAX_RATIO)


def _unzip(path: Path, data: Bytes, digest: str) -> Iterator[Source | Rejected]:
    try:
        archive = zipfile.ZipFile(path)
    except _DAMAGED:
        raise refused("damaged_zip") from None
    own = set(toml_table("files.toml")["housekeeping"])
    with archive:
        files = [(m, PurePosixPath(m.filename).parts) for m in archive.infolist() if not m.is_dir()]
        members = [m for m, parts in files if not own & {*parts[:1], *parts[-1:]}]
        names = {m.filename for m in members}
        if names & {"[Content_Types].xml", "mimetype", "content.xml"}:
            # a spreadsheet is left to its reader; other documents are no logs
            kind = archive.open("mimetype").read(200) if "mimetype" in names else b""
            if "xl/workbook.xml" not in names and b"opendocument.spreadsheet" not in kind:
                raise refused("document")
            _refuse_bomb(sum(m.file_size for m in members), len(data))
            yield Source(str(path), data, digest, file=path)
            return
        if not members:
            raise refused("empty_zip")
        if len(members) > MAX_MEMBERS:
            raise refused("many_members", most=MAX_MEMBERS)
        for member in members:
            yield _member(archive, member, str(path))


def _member(archive: zipfile.ZipFile, member: zipfile.ZipInfo, shown: str) -> Source | Rejected:
    inner = "".join(c if c.isprintable() else "?" for c in member.filename)
    name, plain = f"{shown}/{inner}", inner.replace("\\", "/")
    try:
        if ".." in PurePosixPath(plain).parts or plain[:1] == "/" or PureWindowsPath(inner).drive:
            raise refused("leads_out")
        if member.flag_bits & 1:
            raise refused("encrypted")
        _refuse_bomb(member.file_size, member.compress_size)
        with archive.open(member) as stream:
            parts = iter(lambda: stream.read(FIRST_LOOK), b"")
            data = _unpacked(parts, member.compress_size, none="empty")
    except UnreadableLog as error:
        return rejected(name, "", error)
    except _DAMAGED:
        return rejected(name, "", refused("damaged_member"))
    return Source(name, data, sha256(data))
