"""The text of a log too large to be held, in parts that end where a line ends.

What only the whole file decides, its encoding and which lines hold bytes that are no text, is found in a
first pass over it; where the text is parted then makes no difference to what is read.
"""

from __future__ import annotations

import codecs
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.logs.decode import (
    UnreadableTextError,
    broken_lines,
    decode_utf_16,
    encoding_by_mark,
    has_letters,
    shown_broken,
    with_line_feeds,
)
from pipeline.logs.find import chunks_of_lines, is_packed, unpacked_chunks

__all__ = ["LargeText", "LogChangedError", "is_large_text", "large_text"]

PART_BYTES = 1 << 24
"""Bytes of a log that are held at a time; one with more is a large one."""

# By so many bytes an encoding without a mark is told (`encoding_by_mark`).
_START_BYTES = 200

# What a packed log can unpack to at most, and a little more (RFC 1951 allows 1,032 times its size).
_MOST_PACKED = 1100


class LogChangedError(RuntimeError):
    """A log is no longer what it was when it was looked through: what is read of it would be of two files."""


@dataclass(frozen=True)
class _Coding:
    """How the bytes of a log become text: `mark` bytes before it, then `codec`; `encoding` is its name.

    `is_whole`: every byte is one of that encoding's, and none is zero.
    """

    encoding: str
    codec: str
    mark: int
    is_whole: bool

    def text(self, data: bytes) -> str:
        """The text of some whole lines, with lone surrogates for what could not be decoded."""
        if self.codec.startswith("utf-16") and not self.is_whole:
            return with_line_feeds(decode_utf_16(data, self.codec))
        return with_line_feeds(data.decode(self.codec, "strict" if self.is_whole else "surrogateescape"))


# What most logs are, and what takes no parts to tell.
_ASCII = _Coding("utf-8", "utf-8", mark=0, is_whole=True)


@dataclass(frozen=True)
class LargeText:
    """A large log's text; `encoding` and `broken` as in `decode.Decoded`, `state` as in `_state_of`."""

    path: Path
    encoding: str
    coding: _Coding = field(repr=False)
    state: tuple[int, int]
    broken: dict[int, str] = field(default_factory=dict)

    def parts(self) -> Iterator[str]:
        """The text from its beginning, in parts that end where a line ends, with line feeds.

        Raises `LogChangedError` when the file is not the one that was looked through.
        """
        try:
            for text in _texts(self.path, self.coding):
                yield shown_broken(text) if self.broken else text
            is_same = _state_of(self.path) == self.state
        except (OSError, UnicodeError, UnreadableTextError):
            is_same = False
        if not is_same:
            raise LogChangedError(
                f"{self.path}: this log was changed while it was read, and nothing was made of it. "
                "Run it again when the file is at rest."
            )


def is_large_text(path: Path) -> bool:
    """Whether a log has more bytes, once unpacked, than are held at a time; no when it cannot be opened."""
    try:
        size = path.stat().st_size
        if not is_packed(path):
            return size > PART_BYTES
        return size * _MOST_PACKED > PART_BYTES and _has_more_than(path, PART_BYTES)
    except (OSError, UnreadableTextError):
        return False


def _has_more_than(path: Path, most: int) -> bool:
    size = 0
    for chunk in _chunks(path):
        size += len(chunk)
        if size > most:
            return True
    return False


def large_text(path: Path) -> LargeText:
    """Look through the log at `path` for what the whole of it decides.

    Raises `OSError` when it cannot be read, `UnreadableTextError` when it cannot be unpacked or has a line
    that is longer than any log's.
    """
    state = _state_of(path)
    coding = _ASCII if _is_ascii(path) else _coding_of(_start_of(path), _parts_of_bytes(path))
    if coding.is_whole:
        return LargeText(path, coding.encoding, coding, state)
    broken: dict[int, str] = {}
    line = 1
    for text in _texts(path, coding):
        broken |= broken_lines(text, line)
        line += text.count("\n")
    return LargeText(path, coding.encoding, coding, state, broken)


def _is_ascii(path: Path) -> bool:
    """Whether a log is nothing but ASCII characters, none of them zero."""
    return all(chunk.isascii() and b"\x00" not in chunk for chunk in _chunks(path))


def _state_of(path: Path) -> tuple[int, int]:
    """The size of a file and when it was last written."""
    found = path.stat()
    return found.st_size, found.st_mtime_ns


def _texts(path: Path, coding: _Coding) -> Iterator[str]:
    mark = coding.mark
    for part in _parts_of_bytes(path):
        yield coding.text(part[mark:] if mark else part)
        mark = 0


def _chunks(path: Path) -> Iterator[bytes]:
    with path.open("rb") as file:
        yield from unpacked_chunks(file) if is_packed(path) else chunks_of_lines(file)


def _start_of(path: Path) -> bytes:
    """The first bytes of a log: as many as its encoding is told by, or all there are."""
    start = b""
    for chunk in _chunks(path):
        start += chunk
        if len(start) >= _START_BYTES:
            break
    return start


def _parts_of_bytes(path: Path) -> Iterator[bytes]:
    """The bytes of a log in parts, each but the last ending at a line end."""
    start = _start_of(path)
    unit = "\n".encode(_codec(encoding_by_mark(start), start)[0])
    held: list[bytes] = []
    size = 0
    for chunk in _chunks(path):
        held.append(chunk)
        size += len(chunk)
        if size < PART_BYTES:
            continue
        data = b"".join(held)
        cut = _last_line_end(data, unit)
        held, size = [data[cut:]], len(data) - cut
        if cut:
            yield data[:cut]
    last = b"".join(held)
    if last:
        yield last


def _last_line_end(data: bytes, unit: bytes) -> int:
    """The position after the last line end; `unit` is a line feed in the encoding of the bytes."""
    width = len(unit)
    feed = _rfind(data, unit, len(data))
    # A carriage return that ends the bytes may be half of a line end.
    lone = _rfind(data, unit.replace(b"\n", b"\r"), len(data) - width - len(data) % width)
    return max(feed, lone) + width if max(feed, lone) >= 0 else 0


def _rfind(data: bytes, unit: bytes, end: int) -> int:
    """The last place before `end` where `unit` stands as a character of its own; -1 when there is none."""
    at = data.rfind(unit, 0, end)
    while at >= 0 and at % len(unit):
        at = data.rfind(unit, 0, at + len(unit) - 1)
    return at


def _codec(encoding: str, start: bytes) -> tuple[str, int]:
    """The codec of an encoding once its mark is gone, and the bytes of the mark."""
    if encoding == "utf-8-sig":
        return "utf-8", len(codecs.BOM_UTF8)
    if encoding == "utf-16":
        is_little = start.startswith(codecs.BOM_UTF16_LE)
        return "utf-16-le" if is_little else "utf-16-be", len(codecs.BOM_UTF16_LE)
    return encoding, 0


def _coding_of(start: bytes, parts: Iterable[bytes]) -> _Coding:
    """The coding that `decode_text` would find for the whole; `start` are its first bytes."""
    encoding = encoding_by_mark(start)
    codec, mark = _codec(encoding, start)
    is_fit, has_zeros, letters = True, False, False
    for number, part in enumerate(parts):
        data = part if number else part[mark:]
        if codec == "utf-8" and data.isascii():
            has_zeros = has_zeros or b"\x00" in data
            continue
        try:
            has_zeros = "\x00" in data.decode(codec) or has_zeros
            letters = True
        except UnicodeDecodeError:
            is_fit = False
            letters = letters or (codec == "utf-8" and has_letters(data.decode(codec, "surrogateescape")))
    if not is_fit and encoding == "utf-8" and not letters:
        encoding = codec = "windows-1252"
    return _Coding(encoding, codec, mark, is_fit and not has_zeros)
