"""Finding the logs in a folder and turning their bytes into text.

Links are not followed, so nothing outside the folder is read; nothing is ever written.
"""

from __future__ import annotations

import gzip
import io
import os
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from pipeline.problems import Problem, problem

__all__ = [
    "FoundFile",
    "UnreadableTextError",
    "decode_text",
    "find_files",
    "shown_path",
    "stem_of",
    "unpacked",
]

LOG_SUFFIXES = (".csv", ".tsv", ".csv.gz", ".tsv.gz")

LARGEST_UNPACKED = 4 << 30
"""Bytes of one log at most, once unpacked: a small file can be made to unpack to anything."""

_PACKED = {
    ".xlsx": "a spreadsheet",
    ".xls": "a spreadsheet",
    ".xlsm": "a spreadsheet",
    ".ods": "a spreadsheet",
    ".numbers": "a spreadsheet",
    ".zip": "a packed file",
}


@dataclass(frozen=True)
class FoundFile:
    """A log on disk: where it is, and how messages and tables call it."""

    path: Path
    name: str


class UnreadableTextError(ValueError):
    """Bytes that are no text: `code` is the problem kind, `found` says what stood there, `line` where."""

    def __init__(self, code: str, found: str, line: int | None = None, encoding: str = "") -> None:
        super().__init__(found)
        self.code, self.found, self.line, self.encoding = code, found, line, encoding


def shown_path(path: Path, folder: Path) -> str:
    """`path` relative to `folder` with forward slashes; bytes that are no UTF-8 shown as escapes."""
    text = path.relative_to(folder).as_posix()
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def find_files(folder: Path) -> tuple[list[FoundFile], list[Problem]]:
    """The logs at any depth below `folder` in the order of their paths, and what is left unread.

    A file given instead of a folder is a season of one log. Hidden files and folders are passed over.
    """
    if folder.is_file():
        return [FoundFile(folder, shown_path(folder, folder.parent))], []
    found: list[FoundFile] = []
    problems: list[Problem] = []
    for path in _walk(folder, problems):
        name = shown_path(path, folder)
        lowered = path.name.lower()
        packed = next((what for suffix, what in _PACKED.items() if lowered.endswith(suffix)), None)
        if not lowered.endswith(LOG_SUFFIXES) and packed is None:
            continue
        if path.is_symlink():
            problems.append(problem("link_not_followed", name))
        elif packed is not None:
            problems.append(problem("not_csv", name, found=packed))
        elif path.is_file():
            found.append(FoundFile(path, name))
        else:
            problems.append(problem("cannot_open", name, found="it is no ordinary file"))
    return sorted(found, key=lambda each: each.name), problems


def _walk(folder: Path, problems: list[Problem]) -> Iterator[Path]:
    def report(error: OSError) -> None:
        place = Path(os.fsdecode(error.filename)) if error.filename else folder
        name = shown_path(place, folder) if place.is_relative_to(folder) else str(place)
        problems.append(problem("cannot_open", name, found=error.strerror or type(error).__name__))

    for here, folders, files in os.walk(folder, onerror=report, followlinks=False):
        for name in folders:
            path = Path(here, name)
            if path.is_symlink() and not name.startswith("."):
                problems.append(problem("link_not_followed", shown_path(path, folder)))
        folders[:] = [name for name in folders if not name.startswith(".")]
        yield from (Path(here, name) for name in files if not name.startswith("."))


def unpacked(data: bytes, name: str) -> bytes:
    """The bytes of a log, unpacked when its name ends in .gz.

    Raises `UnreadableTextError` when they cannot be unpacked, or would be too many.
    """
    if not name.lower().endswith(".gz"):
        return data
    try:
        with gzip.GzipFile(fileobj=io.BytesIO(data)) as file:
            whole = file.read(LARGEST_UNPACKED + 1)
    except (OSError, EOFError, zlib.error) as error:
        why = str(error) or type(error).__name__
        raise UnreadableTextError("cannot_unpack", why[:1].lower() + why[1:]) from error
    if len(whole) > LARGEST_UNPACKED:
        raise UnreadableTextError("cannot_unpack", f"it unpacks to more than {LARGEST_UNPACKED:,} bytes")
    return whole


def stem_of(name: str) -> str:
    """A log's name without its folder and endings: what a batch is called that has no other name.

    >>> stem_of("2025/R-07.csv.gz")
    'R-07'
    """
    base = PurePosixPath(name).name
    ending = next((each for each in reversed(LOG_SUFFIXES) if base.lower().endswith(each)), "")
    return base[: len(base) - len(ending)].strip()


def decode_text(data: bytes) -> tuple[str, str]:
    """The text of a log and its encoding: UTF-8 (with or without BOM), UTF-16 or Windows-1252.

    Line ends come back as a single line feed. Raises `UnreadableTextError` for binary data and for
    bytes that fit no one encoding.
    """
    encoding = _encoding_by_mark(data)
    if encoding.startswith("utf-16"):
        text = _decode_utf_16(data, encoding)
    elif b"\x00" in data:
        raise UnreadableTextError("not_text", "it holds zero bytes", _line_at(data, data.index(b"\x00")))
    else:
        text, encoding = _decode_8_bit(data, encoding)
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    return text, encoding


def _encoding_by_mark(data: bytes) -> str:
    if data.startswith(b"\xef\xbb\xbf"):
        return "utf-8-sig"
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    # A header in Latin letters makes every other byte zero in UTF-16 without a mark.
    start = data[:200]
    if len(start) >= 8 and start[1::2].count(0) == len(start) // 2 and 0 not in start[0::2]:
        return "utf-16-le"
    if len(start) >= 8 and start[0::2].count(0) == (len(start) + 1) // 2 and 0 not in start[1::2]:
        return "utf-16-be"
    return "utf-8"


def _decode_utf_16(data: bytes, encoding: str) -> str:
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        line = data[: error.start].decode(encoding, "replace").count("\n") + 1
        raise UnreadableTextError("mixed_encoding", _bytes_shown(data, error), line, "UTF-16") from error
    if "\x00" in text:
        at = text.index("\x00")
        raise UnreadableTextError("not_text", "it holds zero bytes", text.count("\n", 0, at) + 1)
    return text


def _decode_8_bit(data: bytes, encoding: str) -> tuple[str, str]:
    try:
        return data.decode(encoding), encoding
    except UnicodeDecodeError as error:
        broken = error
    line = _line_at(data, broken.start)
    with_escapes = data.decode(encoding, "surrogateescape")
    valid_letters = any(char > "\x7f" and not "\udc80" <= char <= "\udcff" for char in with_escapes)
    if valid_letters or encoding == "utf-8-sig":
        # Some letters are UTF-8 and some are not: no single encoding can be right for all of them.
        raise UnreadableTextError("mixed_encoding", _bytes_shown(data, broken), line, "UTF-8") from broken
    try:
        return data.decode("windows-1252"), "windows-1252"
    except UnicodeDecodeError as error:
        raise UnreadableTextError(
            "mixed_encoding", _bytes_shown(data, error), _line_at(data, error.start), "Windows-1252"
        ) from error


def _line_at(data: bytes, position: int) -> int:
    before = data[:position].replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return before.count(b"\n") + 1


def _bytes_shown(data: bytes, error: UnicodeDecodeError) -> str:
    return "byte " + " ".join(f"{byte:02X}" for byte in data[error.start : error.end][:4])
