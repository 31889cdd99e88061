"""Whether a file is telemetry, by its first line, and which column is which sensor in which unit."""

from __future__ import annotations

import codecs
import gzip
import re
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, cast

from pipeline.logs.fields import SENSORS, TELEMETRY_FILE, column_key
from pipeline.logs.units import Unit, unit_key

__all__ = ["SensorHeader", "is_telemetry_header", "open_bytes", "told_as_telemetry"]

_FIRST_BYTES = 1 << 14
_BRACKETED = re.compile(r"^(?P<name>.*?)\s*\[(?P<unit>[^\[\]]*)\]\s*$")
_NEEDED = frozenset({"batch", "run", "when"})
_OTHER_KINDS = frozenset({"step", "assessor", "cask", "ingredient"})


@dataclass(frozen=True)
class SensorHeader:
    """The header of a telemetry file.

    encoding  : utf-8, utf-16-le, utf-16-be or windows-1252, with `mark` bytes before the text
    end       : the line end, as bytes of the file's text in UTF-8
    positions : where each column of the format stands; `units` of those sensors whose header names one
    names     : the columns as written
    unknown   : columns that the format does not know; `bad_units` units that it does not
    """

    encoding: str
    mark: int
    delimiter: str
    names: tuple[str, ...]
    line: int
    positions: Mapping[str, int]
    units: Mapping[str, Unit]
    unknown: tuple[str, ...] = ()
    bad_units: tuple[str, ...] = field(default=())

    @property
    def sensors(self) -> list[str]:
        """The sensors the file has, in the order of the format; not those in a unit nobody knows."""
        return [name for name in SENSORS if name in self.positions]


def open_bytes(path: Path) -> BinaryIO:
    """The bytes of a log, unpacked when its name ends in .gz."""
    is_packed = path.name.lower().endswith(".gz")
    return cast(BinaryIO, gzip.GzipFile(path) if is_packed else path.open("rb"))


def told_as_telemetry(path: Path) -> SensorHeader | None:
    """The header of a file that is telemetry; None for any other, and for one that cannot be opened."""
    try:
        with open_bytes(path) as file:
            start = file.read(_FIRST_BYTES)
    except (OSError, EOFError, zlib.error):
        return None
    encoding, mark = _encoding(start)
    text = start[mark:].decode(encoding, "replace")
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    for number, line in enumerate(lines, start=1):
        if line.strip() and not line.startswith("#"):
            return _header(line, number, encoding, mark)
    return None


def _encoding(start: bytes) -> tuple[str, int]:
    for mark, name in (
        (codecs.BOM_UTF8, "utf-8"),
        (codecs.BOM_UTF16_LE, "utf-16-le"),
        (codecs.BOM_UTF16_BE, "utf-16-be"),
    ):
        if start.startswith(mark):
            return name, len(mark)
    try:
        codecs.getincrementaldecoder("utf-8")().decode(start)
    except UnicodeDecodeError:
        return "windows-1252", 0
    return "utf-8", 0


def is_telemetry_header(names: Iterable[str]) -> bool:
    """Whether columns of these names, as written, are those of telemetry."""
    keys = set(_keys(names))
    return bool(keys >= _NEEDED and not keys & _OTHER_KINDS and keys & set(SENSORS))


def _keys(names: Iterable[str]) -> list[str]:
    parts = ((_BRACKETED.match(name), name) for name in names)
    return [column_key(part["name"] if part else name) for part, name in parts]


def _header(line: str, number: int, encoding: str, mark: int) -> SensorHeader | None:
    delimiter = max((",", ";", "\t"), key=line.count)
    names = tuple(cell.strip().strip('"') for cell in line.split(delimiter))
    parts = [_BRACKETED.match(name) for name in names]
    keys = _keys(names)
    if not is_telemetry_header(names) or len(set(keys)) < len(keys):
        return None
    known = TELEMETRY_FILE.fields
    positions = {key: at for at, key in enumerate(keys) if key in known}
    units, bad = {}, []
    for key, part in zip(keys, parts, strict=True):
        measure = known[key].measure if key in known else None
        if part is None or measure is None:
            continue
        unit = measure.by_key().get(unit_key(part["unit"]))
        if unit is None:
            bad.append(key)
            del positions[key]
        else:
            units[key] = unit
    unknown = tuple(name for name, key in zip(names, keys, strict=True) if key not in known)
    bad_names = tuple(names[keys.index(key)] for key in bad)
    return SensorHeader(encoding, mark, delimiter, names, number, positions, units, unknown, bad_names)
