"""A folder of logs described as a Data Package, an open standard (Data Package 1, Table Schema 1).

Source: Frictionless Standards, "Tabular Data Package" and "Table Schema", https://specs.frictionlessdata.io/.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from pipeline.logs.fields import KINDS_OF_FILE, TASTING_SHEET, Field
from pipeline.logs.header import Extra, Header
from pipeline.logs.read import ReadFile, read_files
from pipeline.settings import Settings

__all__ = ["datapackage"]

# What the standard calls the encodings that logs are read in.
_ENCODINGS = {"utf-8-sig": "utf-8", "utf-16-le": "utf-16le", "utf-16-be": "utf-16be"}


def datapackage(folder: Path) -> dict[str, Any]:
    """The descriptor of the logs below `folder`: what datapackage.json holds, ready for JSON.

    Every field is a string, because a cell may hold a unit beside its number; the description says which
    units and which range. Files that cannot be read as a log are left out.
    """
    result = read_files(folder, Settings.find(folder).currency, lambda *_: None)
    names: set[str] = set()
    resources = [_resource(file, file.header, names) for file in result.files if file.header is not None]
    return {
        "profile": "tabular-data-package",
        # Not the folder's name: the same logs give the same descriptor wherever they lie.
        "name": "season-logs",
        "title": "A season's logs",
        "description": "A small distillery's logs in stillseason's log format 1.",
        "resources": resources,
    }


def _resource(file: ReadFile, header: Header, names: set[str]) -> dict[str, Any]:
    kind = KINDS_OF_FILE[header.kind]
    encoding = file.encoding or "utf-8"
    return {
        "profile": "tabular-data-resource",
        "name": _unique_name(re.sub(r"\.[^./]*$", "", file.name), names),
        "path": file.name,
        "title": kind.title,
        "description": f"One row is {kind.a_row_is}.",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": _ENCODINGS.get(encoding, encoding),
        "bytes": file.size_bytes,
        "hash": f"sha256:{file.sha256}",
        "dialect": {
            "delimiter": header.delimiter,
            "doubleQuote": True,
            "quoteChar": '"',
            "header": True,
            "commentChar": "#",
        },
        "schema": {"fields": _fields(header), "missingValues": [""]},
    }


def _fields(header: Header) -> list[dict[str, Any]]:
    extras = {extra.position: extra for extra in header.extras}
    at = {position: name for name, position in header.positions.items()}
    return [
        _extra_field(written, extras[position], header.kind)
        if position in extras
        else _field(written, at[position], header)
        for position, written in enumerate(header.names)
    ]


def _field(written: str, name: str, header: Header) -> dict[str, Any]:
    kind = KINDS_OF_FILE[header.kind]
    column = kind.fields[name]
    described = {
        "name": written,
        "type": "string",
        "title": name,
        "description": _description(column, header),
        "example": column.example,
    }
    # A batch or session may be named by the file, so only columns that no file name replaces are required.
    is_needed = ((name,),) in kind.needs and name != kind.named_by_file
    return described | ({"constraints": {"required": True}} if is_needed else {})


def _description(column: Field, header: Header) -> str:
    parts = [column.meaning]
    if column.words:
        parts.append(f"one of {', '.join(column.words)}")
    quantity = column.measure
    if quantity is not None:
        unit = header.units.get(column.name, quantity.default)
        others = f" unless the cell names {quantity.choices()}" if quantity.has_units else ""
        parts.append(f"a number in {unit.symbol}{others}")
        parts.append(f"plausible from {quantity.low:g} to {quantity.high:g} {quantity.default.symbol}")
    return "; ".join(parts)


def _extra_field(written: str, extra: Extra, kind: str) -> dict[str, Any]:
    if kind == TASTING_SHEET and extra.attribute is not None:
        meaning = f"score for {extra.attribute}, from {extra.low:g} to {extra.high:g}"
    else:
        meaning = "a column the format does not know; kept as text"
    return {"name": written, "type": "string", "title": extra.name, "description": meaning}


def _unique_name(text: str, taken: set[str]) -> str:
    """A resource name as the standard wants it (a-z, 0-9, . _ - /), unlike those taken."""
    plain = re.sub(r"[^a-z0-9._/-]+", "-", text.lower()).strip("-") or "log"
    name, number = plain, 1
    while name in taken:
        number += 1
        name = f"{plain}-{number}"
    taken.add(name)
    return name
