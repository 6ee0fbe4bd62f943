"""From a path to the bytes of each log in it: plain files, gzip, zip. Told by content, not by
extension.
"""

from __future__ import annotations

import hashlib
import stat
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath, PureWindowsPath

import numpy as np

from audit.errors import NotALog, UnreadableLog
from audit.intake.bytes.encoding import Bytes, to_utf8
from audit.intake.raw import Rejected

MAX_BYTES = 4 << 30  # of one unpacked log
MAX_RATIO = 200  # unpacked over packed, judged beyond RATIO_FREE bytes; logs pack by 3 to 30
RATIO_FREE = 8 << 20
FIRST_LOOK = 1 << 20  # unpacked bytes after which it is asked whether this can be a log at all
MAX_MEMBERS = 10_000
MAP_FROM = 32 << 20  # larger plain files are mapped, not read

_EXPORT = "Export the log as CSV from the logger's software"
_UNPACK = "Unpack it and give the files inside"
# magic, offset, what it is, mend, cannot hold a log
_KNOWN = (
    (b"\x89PNG\r\n", 0, "a picture (PNG)", _EXPORT, True),
    (b"\xff\xd8\xff", 0, "a picture (JPEG)", _EXPORT, True),
    (b"GIF8", 0, "a picture (GIF)", _EXPORT, True),
    (b"II*\x00", 0, "a picture (TIFF)", _EXPORT, True),
    (b"MM\x00*", 0, "a picture (TIFF)", _EXPORT, True),
    (b"RIFF", 0, "a picture, sound or film", _EXPORT, True),
    (b"ftyp", 4, "a film or picture", _EXPORT, True),
    (b"ID3", 0, "a sound file", _EXPORT, True),
    (b"OggS", 0, "a sound file", _EXPORT, True),
    (b"%PDF", 0, "a PDF document", _EXPORT, True),
    (b"\x7fELF", 0, "a program", _EXPORT, True),
    (b"{\\rtf", 0, "a text document (RTF)", _EXPORT, True),
    (
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1",
        0,
        "an old spreadsheet or document",
        "Save the sheet as CSV",
        False,
    ),
    (b"SQLite format 3\x00", 0, "a database", _EXPORT, False),
    (b"\x89HDF\r\n", 0, "an HDF5 file", _EXPORT, False),
    (b"7z\xbc\xaf\x27\x1c", 0, "a 7z archive", _UNPACK, False),
    (b"Rar!\x1a\x07", 0, "a RAR archive", _UNPACK, False),
    (b"BZh", 0, "a bzip2 archive", _UNPACK, False),
    (b"\xfd7zXZ\x00", 0, "an xz archive", _UNPACK, False),
    (b"\x28\xb5\x2f\xfd", 0, "a zstd archive", _UNPACK, False),
    (b"ustar", 257, "a tar archive", _UNPACK, False),
)


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
    shown = str(path)
    try:
        data = _whole_file(path)
    except UnreadableLog as error:
        yield rejected(shown, "", error)
        return
    except OSError as error:
        why = (
            "no permission to read it. Change its permissions"
            if isinstance(error, PermissionError)
            else f"{error.strerror or error}"
        )
        yield Rejected(shown, "", f"{shown}: cannot be read: {why}.")
        return
    if starts(data, b"PK\x03\x04") or starts(data, b"PK\x05\x06"):
        yield from _unzip(path, shown, sha256(data))
    elif starts(data, b"\x1f\x8b"):
        digest = sha256(data)
        try:
            inner, remark = _gunzip(data)
            _refuse_nested(inner)
            array = np.frombuffer(inner, dtype=np.uint8)
            yield Source(shown, array, sha256(array), remark=remark, cut_off=bool(remark))
        except UnreadableLog as error:
            yield rejected(shown, digest, error)
    else:
        yield Source(shown, data, sha256(data), file=path)


def rejected(path: str, digest: str, error: UnreadableLog) -> Rejected:
    """The error as one sentence that begins with the file."""
    text = str(error).rstrip(".")
    return Rejected(path, digest, f"{path}: {text}.", not_a_log=isinstance(error, NotALog))


def refuse_other_formats(data: Bytes) -> None:
    """Raise NotALog or UnreadableLog for formats that hold no table of text."""
    head = data[:512].tobytes()
    for magic, at, what, mend, no_log in _KNOWN:
        if head[at : at + len(magic)] == magic:
            raise (NotALog if no_log else UnreadableLog)(f"{what}, not a log. {mend}")
    if head[:2] == b"BM" and len(data) > 26 and b"\x00" in head[:26]:
        raise NotALog(f"a picture (BMP), not a log. {_EXPORT}")
    text = head.lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if text.startswith((b"<!doctype", b"<html", b"<?xml", b"<svg", b"<gpx")):
        raise UnreadableLog(f"a web page or XML, not a table. {_EXPORT}")
    if text.startswith((b'{"', b"{\n", b"{\r", b"[{")):
        raise UnreadableLog(f"JSON, not a table. {_EXPORT}")


def starts(data: Bytes, magic: bytes) -> bool:
    """Whether the bytes begin with magic."""
    return data[: len(magic)].tobytes() == magic


def sha256(data: Bytes) -> str:
    """Hex digest of the bytes, without copying them."""
    digest = hashlib.sha256()
    for start in range(0, len(data), 1 << 24):
        digest.update(data[start : start + (1 << 24)].data)
    return digest.hexdigest()


def _whole_file(path: Path) -> Bytes:
    try:
        info = path.stat()
    except FileNotFoundError:
        raise UnreadableLog("no such file. Check the spelling") from None
    if stat.S_ISDIR(info.st_mode):
        raise UnreadableLog("a folder, not a log. Give the files in it")
    if not stat.S_ISREG(info.st_mode):
        raise NotALog("not a regular file. Give a file that holds a log")
    if info.st_size == 0:
        raise NotALog("empty, 0 bytes. Copy it from the logger again")
    if info.st_size >= MAP_FROM:
        return np.memmap(path, dtype=np.uint8, mode="r")
    return np.frombuffer(path.read_bytes(), dtype=np.uint8)


def _gunzip(data: Bytes) -> tuple[bytes, str]:
    """All members of a gzip stream; a stream cut off gives what could be had, and a remark."""
    out: list[bytes] = []
    total, remark, rest = 0, "", data.tobytes()
    while rest[:2] == b"\x1f\x8b":
        unpacker = zlib.decompressobj(31)
        try:
            while not unpacker.eof:
                part = unpacker.decompress(rest, FIRST_LOOK if not out else 1 << 22)
                rest = unpacker.unconsumed_tail
                if not part and not rest:
                    break
                total += len(part)
                _refuse_bomb(total, len(data))
                if not out:
                    _refuse_hopeless(part)
                out.append(part)
        except zlib.error:
            remark = "the gzip stream is damaged; read what came before the damage"
            break
        if not unpacker.eof:
            remark = "the gzip stream is cut off; read what is there"
            break
        rest = unpacker.unused_data
    if total == 0:
        raise UnreadableLog(
            "a gzip file that holds nothing readable. Copy it from the logger again"
        )
    return b"".join(out), remark


def _refuse_bomb(unpacked: int, packed: int) -> None:
    if unpacked > MAX_BYTES:
        raise UnreadableLog(f"unpacks to more than {MAX_BYTES >> 30} GB, refused. Split the log")
    if unpacked > RATIO_FREE and unpacked > MAX_RATIO * max(1, packed):
        raise UnreadableLog(
            f"unpacks to more than {MAX_RATIO} times its size, refused as a zip bomb. {_UNPACK}"
        )


def _refuse_hopeless(head: bytes) -> None:
    """Raise UnreadableLog where the first part of a packed file shows that no log can follow."""
    if head[:4] in (b"PAR1", b"MDF ", b"UnFi") or len(head) < FIRST_LOOK:
        return
    data = np.frombuffer(head, dtype=np.uint8)
    refuse_other_formats(data)
    to_utf8(data)


def _refuse_nested(inner: bytes) -> None:
    if inner[:4] in (b"PK\x03\x04", b"PK\x05\x06") or inner[:2] == b"\x1f\x8b":
        raise UnreadableLog(f"an archive inside an archive. {_UNPACK}")


def _unzip(path: Path, shown: str, digest: str) -> Iterator[Source | Rejected]:
    try:
        archive = zipfile.ZipFile(path)
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        yield Rejected(
            shown, digest, f"{shown}: a damaged zip archive. Copy it from the logger again."
        )
        return
    with archive:
        members = [
            m for m in archive.infolist() if not m.is_dir() and not _housekeeping(m.filename)
        ]
        names = {m.filename for m in members}
        if names & {"[Content_Types].xml", "mimetype", "content.xml"}:
            yield _document(path, shown, digest, archive, members)
            return
        if not members or len(members) > MAX_MEMBERS:
            why = (
                "an empty zip archive"
                if not members
                else f"a zip archive of more than {MAX_MEMBERS} files"
            )
            yield Rejected(
                shown, digest, f"{shown}: {why}. Give the logs themselves.", not_a_log=not members
            )
            return
        for member in members:
            yield _member(archive, member, shown)


def _document(
    path: Path, shown: str, digest: str, archive: zipfile.ZipFile, members: list[zipfile.ZipInfo]
) -> Source | Rejected:
    """A spreadsheet as it is, for its reader; other documents are no logs."""
    names = {m.filename for m in members}
    kind = b""
    if "mimetype" in names:
        with archive.open("mimetype") as stream:
            kind = stream.read(200)
    if "xl/workbook.xml" not in names and b"opendocument.spreadsheet" not in kind:
        return Rejected(
            shown, digest, f"{shown}: a document, not a table of text. Save the log as CSV."
        )
    try:
        _refuse_bomb(sum(m.file_size for m in members), path.stat().st_size)
    except UnreadableLog as error:
        return rejected(shown, digest, error)
    return Source(shown, np.frombuffer(path.read_bytes(), dtype=np.uint8), digest, file=path)


def _housekeeping(name: str) -> bool:
    parts = PurePosixPath(name).parts
    return bool(parts) and (
        parts[0] == "__MACOSX" or parts[-1] in (".DS_Store", "Thumbs.db", "desktop.ini")
    )


def _member(archive: zipfile.ZipFile, member: zipfile.ZipInfo, shown: str) -> Source | Rejected:
    name = f"{shown}/" + "".join(c if c.isprintable() else "?" for c in member.filename)
    try:
        data = _unpacked(archive, member)
    except UnreadableLog as error:
        return rejected(name, "", error)
    except (
        zipfile.BadZipFile,
        zlib.error,
        OSError,
        EOFError,
        NotImplementedError,
        RuntimeError,
        ValueError,
    ):
        return Rejected(
            name,
            "",
            f"{name}: damaged inside the zip archive, or packed in a way not known here. "
            f"{_UNPACK}.",
        )
    return Source(name, data, sha256(data))


def _unpacked(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> Bytes:
    inner = "".join(c if c.isprintable() else "?" for c in member.filename)
    leaves = ".." in PurePosixPath(inner.replace("\\", "/")).parts or inner.startswith(("/", "\\"))
    if leaves or PureWindowsPath(inner).drive:
        raise UnreadableLog(
            "its path leads out of the archive, refused. Pack the logs again without paths"
        )
    if member.flag_bits & 1:
        raise UnreadableLog(f"encrypted inside the zip archive. {_UNPACK}")
    _refuse_bomb(member.file_size, member.compress_size)
    parts: list[bytes] = []
    total = 0
    with archive.open(member) as stream:
        while part := stream.read(1 << 22 if parts else FIRST_LOOK):
            total += len(part)
            _refuse_bomb(total, member.compress_size)  # the directory's sizes may lie
            if not parts:
                _refuse_hopeless(part)
            parts.append(part)
    raw = b"".join(parts)
    if not raw:
        raise NotALog("empty, 0 bytes. Copy it from the logger again")
    _refuse_nested(raw)
    return np.frombuffer(raw, dtype=np.uint8)
