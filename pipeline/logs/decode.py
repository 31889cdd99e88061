"""Bytes to text: which encoding, line ends, and the lines that hold bytes of another.

A few bytes that are no text cost the cells that hold them, not the file: they are shown as U+FFFD, and the
lines that they stand in are told.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from dataclasses import dataclass, field

__all__ = [
    "BROKEN",
    "Decoded",
    "UnreadableTextError",
    "broken_near",
    "decode_text",
    "encoding_shown",
    "refuse_broken_header",
    "refuse_zeros",
]

BROKEN = "\ufffd"
"""What stands in the text for each byte that is none: the replacement character of Unicode."""

_MOST_BYTES_SHOWN = 4

# Bytes that could not be decoded come back as lone surrogates; a zero byte is a letter to every encoding.
_UNDECODED = re.compile("[\udc01\udc80-\udcff\x00]")
# Nothing that `surrogateescape` makes: those begin at DC80.
_HALF = "\udc01"


class UnreadableTextError(ValueError):
    """Bytes that are no text: `code` is the problem kind, `found` says what stood there, `line` where."""

    def __init__(self, code: str, found: str, line: int | None = None, encoding: str = "") -> None:
        super().__init__(found)
        self.code, self.found, self.line, self.encoding = code, found, line, encoding


@dataclass(frozen=True)
class Decoded:
    """A log's text, with a line feed at the end of each line, and its encoding.

    `broken` has, for each line that holds bytes that are no text, which bytes.
    """

    text: str
    encoding: str
    broken: dict[int, str] = field(default_factory=dict)


def encoding_shown(encoding: str) -> str:
    """An encoding as a message names it.

    >>> encoding_shown("utf-16-le")
    'UTF-16'
    """
    if encoding.startswith("utf-16"):
        return "UTF-16"
    return "UTF-8" if encoding.startswith("utf-8") else "Windows-1252"


def decode_text(data: bytes) -> Decoded:
    """The text of a log: UTF-8 (with or without BOM), UTF-16 or Windows-1252.

    A byte that is none of its encoding's, or is zero, becomes `BROKEN`.
    """
    encoding = _encoding_by_mark(data)
    try:
        text = data.decode(encoding)
        is_whole = "\x00" not in text
    except UnicodeDecodeError:
        is_whole = False
        text, encoding = _decode_broken(data, encoding)
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    broken = {} if is_whole else _broken_lines(text)
    if not broken:
        return Decoded(text, encoding)
    return Decoded(_UNDECODED.sub(BROKEN, text), encoding, broken)


def refuse_broken_header(decoded: Decoded, line: int) -> None:
    """Raise `UnreadableTextError` when the header, on `line`, holds bytes that are no text."""
    if line in decoded.broken:
        refuse_zeros(decoded)
        found = decoded.broken[line]
        raise UnreadableTextError("mixed_encoding", found, line, encoding_shown(decoded.encoding))


def refuse_zeros(decoded: Decoded) -> None:
    """Raise `UnreadableTextError` when a file whose header cannot be read has zero bytes: it is no text."""
    zero = next((line for line, found in decoded.broken.items() if "00" in found.split()), None)
    if zero is not None:
        raise UnreadableTextError("not_text", "it holds zero bytes", zero)


def broken_near(broken: dict[int, str], line: int) -> str:
    """Which bytes are no text in the record that begins on `line`: those of the next line with some."""
    lines = list(broken)
    at = bisect_left(lines, line)
    return broken[lines[at]] if at < len(lines) else "a character lost before"


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


def _decode_broken(data: bytes, encoding: str) -> tuple[str, str]:
    """The text with lone surrogates for what could not be decoded, and its likeliest encoding."""
    if encoding.startswith("utf-16"):
        return _decode_utf_16(data, encoding), encoding
    with_escapes = data.decode(encoding, "surrogateescape")
    valid_letters = any(char > "\x7f" and not "\udc80" <= char <= "\udcff" for char in with_escapes)
    if valid_letters or encoding == "utf-8-sig":
        # Some letters are UTF-8 and some are not: no single encoding can be right for all of them.
        return with_escapes, encoding
    return data.decode("windows-1252", "surrogateescape"), "windows-1252"


def _decode_utf_16(data: bytes, encoding: str) -> str:
    """UTF-16 with a lone surrogate for half a character, whichever half there is."""
    whole = data[: len(data) - len(data) % 2]
    text = re.sub("[\ud800-\udfff]", _HALF, whole.decode(encoding, "surrogatepass"))
    return text if len(whole) == len(data) else text + _HALF


def _broken_lines(text: str) -> dict[int, str]:
    """Per line that holds undecoded bytes, which; in the order of the lines."""
    found: dict[int, list[str]] = {}
    line, counted = 1, 0
    for match in _UNDECODED.finditer(text):
        line += text.count("\n", counted, match.start())
        counted = match.start()
        here = found.setdefault(line, [])
        if len(here) < _MOST_BYTES_SHOWN:
            here.append("half a character" if match[0] == _HALF else f"{ord(match[0]) & 0xFF:02X}")
    return {number: _shown(here) for number, here in found.items()}


def _shown(bytes_there: list[str]) -> str:
    if "half a character" in bytes_there:
        return "half a character"
    return f"byte{'' if len(bytes_there) == 1 else 's'} {' '.join(bytes_there)}"
