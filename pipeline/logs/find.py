"""Finding the logs in a folder, and unpacking those that are packed.

Links are not followed, so nothing outside the folder is read; nothing is ever written.
"""

from __future__ import annotations

import gzip
import io
import os
import stat
import sys
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import BinaryIO, cast

from pipeline.logs.decode import UnreadableTextError
from pipeline.problems import Problem, problem

__all__ = [
    "BOOK_SUFFIXES",
    "FoundFile",
    "bytes_of_lines",
    "chunks_of_lines",
    "find_files",
    "is_log_name",
    "is_packed",
    "shown_path",
    "stem_of",
    "unpacked",
    "unpacked_chunks",
    "why_not_unpacked",
]

BOOK_SUFFIXES = (".xlsx", ".xlsm")
LOG_SUFFIXES = (".csv", ".tsv", ".csv.gz", ".tsv.gz", *BOOK_SUFFIXES)

LARGEST_UNPACKED = 4 << 30
"""Bytes of one log at most, once unpacked: a small file can be made to unpack to anything."""

LONGEST_LINE = 1 << 22
"""Bytes of one line at most: a file with a longer one is no log, and is not held in memory."""

_CHUNK = 1 << 16

_PACKED = {
    ".xls": "a spreadsheet of an older kind",
    ".xlsb": "a spreadsheet of another kind",
    ".ods": "a spreadsheet of another kind",
    ".numbers": "a spreadsheet of another kind",
    ".zip": "a packed file",
}


@dataclass(frozen=True)
class FoundFile:
    """A log on disk: where it is, and how messages and tables call it."""

    path: Path
    name: str


def shown_path(path: Path, folder: Path) -> str:
    """`path` relative to `folder` with forward slashes; bytes that are no UTF-8 shown as escapes."""
    return _shown(path.relative_to(folder).as_posix())


def _shown(text: str) -> str:
    return (
        text
        if text.isascii()
        else text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
    )


def is_log_name(name: str) -> bool:
    """Whether a file of this name in a folder of logs is read as one; hidden files never are.

    >>> is_log_name("R-07.CSV.gz"), is_log_name("season.duckdb"), is_log_name(".R-07.csv")
    (True, False, False)
    """
    return name.lower().endswith(LOG_SUFFIXES) and not name.startswith(".")


def find_files(folder: Path) -> tuple[list[FoundFile], list[Problem]]:
    """The logs at any depth below `folder` in the order of their paths, and what is left unread.

    A file given instead of a folder is a season of one log. Hidden files and folders are passed over.
    """
    if os.path.isfile(folder):
        return [FoundFile(folder, shown_path(folder, folder.parent))], []
    found: list[FoundFile] = []
    problems: list[Problem] = []
    for place, name in _walk(folder, problems):
        lowered = place.lower()
        packed = next((what for suffix, what in _PACKED.items() if lowered.endswith(suffix)), None)
        if not lowered.endswith(LOG_SUFFIXES) and packed is None:
            continue
        try:
            mode = os.lstat(place).st_mode
        except OSError as error:
            # In a folder that may only be listed nothing can be looked at.
            problems.append(problem("cannot_open", name, found=error.strerror or type(error).__name__))
            continue
        if stat.S_ISLNK(mode):
            problems.append(problem("link_not_followed", name))
        elif packed is not None:
            problems.append(problem("not_csv", name, found=packed))
        elif stat.S_ISREG(mode):
            found.append(FoundFile(Path(place), name))
        else:
            problems.append(problem("cannot_open", name, found="it is no ordinary file"))
    return sorted(found, key=lambda each: each.name), problems


def _walk(folder: Path, problems: list[Problem]) -> Iterator[tuple[str, str]]:
    """Every file that is not hidden: where it is, and how messages and tables call it."""

    def report(error: OSError) -> None:
        place = Path(os.fsdecode(error.filename)) if error.filename else folder
        is_below = place != folder and place.is_relative_to(folder)
        name = shown_path(place, folder) if is_below else str(place)
        problems.append(problem("cannot_open", name, found=error.strerror or type(error).__name__))

    for here, folders, files in os.walk(folder, onerror=report, followlinks=False):
        for name in folders:
            path = Path(here, name)
            # In a folder that may only be listed every name fails; what is below it is told one by one.
            if os.path.islink(path) and not name.startswith("."):
                problems.append(problem("link_not_followed", shown_path(path, folder)))
        folders[:] = [name for name in folders if not name.startswith(".")]
        below = shown_path(Path(here), folder)
        start = "" if below == "." else f"{below}/"
        yield from (
            (os.path.join(here, name), start + _shown(name)) for name in files if not name.startswith(".")
        )


def bytes_of_lines(file: BinaryIO, most: int = sys.maxsize - 1) -> bytes:
    """The bytes of a log, at most `most` and one more: see `chunks_of_lines`."""
    return b"".join(chunks_of_lines(file, most))


def chunks_of_lines(file: BinaryIO, most: int = sys.maxsize - 1) -> Iterator[bytes]:
    """The bytes of a log a little at a time, at most `most` and one more in all.

    Raises `UnreadableTextError` when a line is longer than `LONGEST_LINE`: nothing past it is read. A line
    ends at a line feed or a carriage return, which are the same bytes in every encoding that logs have.
    """
    size = line_bytes = 0
    while size <= most and (chunk := file.read(min(_CHUNK, most + 1 - size))):
        ends = max(chunk.rfind(b"\n"), chunk.rfind(b"\r"))
        line_bytes = line_bytes + len(chunk) if ends < 0 else len(chunk) - ends - 1
        size += len(chunk)
        if line_bytes > LONGEST_LINE:
            raise UnreadableTextError("line_too_long", f"{LONGEST_LINE:,}", _last_line(file, size))
        yield chunk


def _last_line(file: BinaryIO, size: int) -> int:
    """The number of the line that the first `size` bytes end in."""
    file.seek(0)
    feeds = returns = 0
    while size > 0 and (chunk := file.read(min(_CHUNK, size))):
        feeds, returns, size = feeds + chunk.count(b"\n"), returns + chunk.count(b"\r"), size - len(chunk)
    return 1 + (feeds or returns)


def is_packed(path: Path) -> bool:
    """Whether a log is packed, by its name."""
    return path.name.lower().endswith(".gz")


def unpacked(data: bytes, name: str) -> bytes:
    """The bytes of a log, unpacked when its name ends in .gz.

    Raises `UnreadableTextError` when they cannot be unpacked, or would be too many.
    """
    if not name.lower().endswith(".gz"):
        return data
    return b"".join(unpacked_chunks(io.BytesIO(data)))


def unpacked_chunks(packed: BinaryIO) -> Iterator[bytes]:
    """The bytes of a packed log a little at a time; raises as `unpacked` does."""
    size = 0
    try:
        with gzip.GzipFile(fileobj=packed) as file:
            for chunk in chunks_of_lines(cast(BinaryIO, file), LARGEST_UNPACKED):
                size += len(chunk)
                if size > LARGEST_UNPACKED:
                    limit = f"it unpacks to more than {LARGEST_UNPACKED:,} bytes"
                    raise UnreadableTextError("cannot_unpack", limit)
                yield chunk
    except (OSError, EOFError, zlib.error) as error:
        raise UnreadableTextError("cannot_unpack", why_not_unpacked(error)) from error


def why_not_unpacked(error: Exception) -> str:
    """What keeps a packed file from being unpacked, in words."""
    said = str(error)
    if isinstance(error, EOFError):
        return "it ends too early"
    if said.startswith("Not a gzipped file"):
        return "it is no gzip file, or something else stands behind one"
    if "check failed" in said or "length of data" in said:
        return "its content is not what was packed (its checksum is wrong)"
    return f"it is damaged ({said or type(error).__name__})"


def stem_of(name: str) -> str:
    """A log's name without its folder and endings: what a batch is called that has no other name.

    >>> stem_of("2025/R-07.csv.gz")
    'R-07'
    """
    base = PurePosixPath(name).name
    ending = next((each for each in reversed(LOG_SUFFIXES) if base.lower().endswith(each)), "")
    return base[: len(base) - len(ending)].strip()
