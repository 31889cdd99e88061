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
    "broken_lines",
    "broken_near",
    "decode_text",
    "decode_utf_16",
    "encoding_by_mark",
    "encoding_shown",
    "has_letters",
    "refuse_broken_header",
    "refuse_zeros",
    "shown_broken",
    "with_line_feeds",
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
    encoding = encoding_by_mark(data)
    try:
        text = data.decode(encoding)
        is_whole = "\x00" not in text
    except UnicodeDecodeError:
        is_whole = False
        text, encoding = _decode_broken(data, encoding)
    text = with_line_feeds(text)
    broken = {} if is_whole else broken_lines(text)
    if not broken:
        return Decoded(text, encoding)
    return Decoded(shown_broken(text), encoding, broken)


def with_line_feeds(text: str) -> str:
    """A text with a line feed at the end of each line, whatever stood there."""
    return text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text


def shown_broken(text: str) -> str:
    """A text with `BROKEN` for what could not be decoded."""
    return _UNDECODED.sub(BROKEN, text)


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


def encoding_by_mark(data: bytes) -> str:
    """The encoding that the first bytes of a log tell, by their mark or their zeros; else UTF-8."""
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
        return decode_utf_16(data, encoding), encoding
    with_escapes = data.decode(encoding, "surrogateescape")
    if has_letters(with_escapes) or encoding == "utf-8-sig":
        # Some letters are UTF-8 and some are not: no single encoding can be right for all of them.
        return with_escapes, encoding
    return data.decode("windows-1252", "surrogateescape"), "windows-1252"


def has_letters(with_escapes: str) -> bool:
    """Whether some letter beyond ASCII could be decoded."""
    return any(char > "\x7f" and not "\udc80" <= char <= "\udcff" for char in with_escapes)


def decode_utf_16(data: bytes, encoding: str) -> str:
    """UTF-16 with a lone surrogate for half a character, whichever half there is."""
    whole = data[: len(data) - len(data) % 2]
    text = re.sub("[\ud800-\udfff]", _HALF, whole.decode(encoding, "surrogatepass"))
    return text if len(whole) == len(data) else text + _HALF


def broken_lines(text: str, first: int = 1) -> dict[int, str]:
    """Per line that holds undecoded bytes, which, in the order of the lines; the text begins on `first`."""
    found: dict[int, list[str]] = {}
    line, counted = first, 0
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
