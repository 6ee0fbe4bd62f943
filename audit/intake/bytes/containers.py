"""From a path to the bytes of each log in it: plain files, gzip, zip. Told by content, not by
extension.
"""

from __future__ import annotations

import hashlib
import stat
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath, PureWindowsPath

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
_DAMAGED = (zipfile.BadZipFile, zlib.error, OSError, EOFError, NotImplementedError, ValueError)


@dataclass(frozen=True, eq=False)
class Source:
    """The bytes of one log. path: as shown to people; file: on disk, when the bytes are a whole
    file.
    """

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
        if starts(data, b"PK\x03\x04") or starts(data, b"PK\x05\x06"):
            yield from _unzip(path, data, digest)
        elif starts(data, b"\x1f\x8b"):
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


def refuse_other_formats(data: Bytes) -> None:
    """Raise NotALog or UnreadableLog for formats that hold no table of text."""
    head = data[:512].tobytes()
    for magic, at, what, mend, may_hold_one in toml_table("files.toml")["formats"]:
        if head.startswith(bytes.fromhex(magic), at):
            kind = UnreadableLog if may_hold_one else NotALog
            raise kind(f"{what}, not a log. {sentence('mend', mend)}")
    if head[:2] == b"BM" and len(data) > 26 and b"\x00" in head[:26]:
        raise refused("bitmap")
    text = head.lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if text.startswith((b"<!doctype", b"<html", b"<?xml", b"<svg", b"<gpx")):
        raise refused("markup")
    if text.startswith((b'{"', b"{\n", b"{\r", b"[{")):
        raise refused("json")


def starts(data: Bytes, magic: bytes) -> bool:
    """Whether the bytes begin with magic."""
    return data[: len(magic)].tobytes() == magic


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
    """All members of a gzip stream; a stream cut off gives what could be had, and a remark."""
    rest, first = data.tobytes(), True
    while rest[:2] == b"\x1f\x8b":
        unpacker = zlib.decompressobj(31)
        try:
            while not unpacker.eof:
                part = unpacker.decompress(rest, FIRST_LOOK if first else PART)
                rest = unpacker.unconsumed_tail
                if not part and not rest:
                    break
                first = False
                yield part
        except zlib.error:
            remark.append("the gzip stream is damaged; read what came before the damage")
            return
        if not unpacker.eof:
            remark.append("the gzip stream is cut off; read what is there")
            return
        rest = unpacker.unused_data


def _unpacked(parts: Iterable[bytes], packed: int, *, none: str) -> Bytes:
    """The bytes of a stream, watched as it swells. none: the refusal where nothing is in it."""
    out: list[bytes] = []
    total = 0
    for part in parts:
        total += len(part)
        _refuse_bomb(total, packed)  # a directory's sizes may lie
        if not out:
            _refuse_hopeless(part)
        out.append(part)
    if total == 0:
        raise refused(none)
    whole = b"".join(out)
    if whole[:4] in (b"PK\x03\x04", b"PK\x05\x06") or whole[:2] == b"\x1f\x8b":
        raise refused("nested")
    return np.frombuffer(whole, dtype=np.uint8)


def _refuse_bomb(unpacked: int, packed: int) -> None:
    if unpacked > MAX_BYTES:
        raise refused("too_large", gigabytes=MAX_BYTES >> 30)
    if unpacked > RATIO_FREE and unpacked > MAX_RATIO * max(1, packed):
        raise refused("bomb", times=MAX_RATIO)


def _refuse_hopeless(head: bytes) -> None:
    """Raise UnreadableLog where the first part of a packed file shows that no log can follow."""
    if head[:4] in (b"PAR1", b"MDF ", b"UnFi") or len(head) < FIRST_LOOK:
        return
    data = np.frombuffer(head, dtype=np.uint8)
    refuse_other_formats(data)
    to_utf8(data)


def _unzip(path: Path, data: Bytes, digest: str) -> Iterator[Source | Rejected]:
    try:
        archive = zipfile.ZipFile(path)
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        raise refused("damaged_zip") from None
    own = set(toml_table("files.toml")["housekeeping"])
    with archive:
        files = [(m, PurePosixPath(m.filename).parts) for m in archive.infolist() if not m.is_dir()]
        members = [m for m, parts in files if not own & {*parts[:1], *parts[-1:]}]
        if {m.filename for m in members} & {"[Content_Types].xml", "mimetype", "content.xml"}:
            _refuse_other_documents(archive, members)
            _refuse_bomb(sum(m.file_size for m in members), len(data))
            yield Source(str(path), data, digest, file=path)
            return
        if not members:
            raise refused("empty_zip")
        if len(members) > MAX_MEMBERS:
            raise refused("many_members", most=MAX_MEMBERS)
        for member in members:
            yield _member(archive, member, str(path))


def _refuse_other_documents(archive: zipfile.ZipFile, members: list[zipfile.ZipInfo]) -> None:
    """A spreadsheet is left to its reader; other documents are no logs."""
    names, kind = {m.filename for m in members}, b""
    if "mimetype" in names:
        with archive.open("mimetype") as stream:
            kind = stream.read(200)
    if "xl/workbook.xml" not in names and b"opendocument.spreadsheet" not in kind:
        raise refused("document")


def _member(archive: zipfile.ZipFile, member: zipfile.ZipInfo, shown: str) -> Source | Rejected:
    inner = "".join(c if c.isprintable() else "?" for c in member.filename)
    name = f"{shown}/{inner}"
    try:
        plain = inner.replace("\\", "/")
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
    except (*_DAMAGED, RuntimeError):
        return rejected(name, "", refused("damaged_member"))
    return Source(name, data, sha256(data))
