"""A folder of logs described as a Data Package, an open standard (Data Package 1, Table Schema 1).

Source: Frictionless Standards, "Tabular Data Package" and "Table Schema", https://specs.frictionlessdata.io/.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pipeline.logs.fields import ALL_KINDS, KINDS_OF_FILE, TASTING_SHEET, TELEMETRY_FILE, Field
from pipeline.logs.header import Extra, Header
from pipeline.logs.log_file import ReadFile
from pipeline.logs.read import read_files
from pipeline.logs.telemetry import SensorHeader, told_as_telemetry
from pipeline.logs.units import Unit
from pipeline.settings import Settings

__all__ = ["datapackage"]

_SHEET = re.compile(r'(?P<path>.*?\.xls[xm]) sheet "(?P<sheet>.*)"', re.DOTALL | re.IGNORECASE)
_BOOK = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"

# What the standard calls the encodings that logs are read in.
_ENCODINGS = {"utf-8-sig": "utf-8", "utf-16-le": "utf-16le", "utf-16-be": "utf-16be"}


def datapackage(folder: Path) -> dict[str, Any]:
    """The descriptor of the logs below `folder`: what datapackage.json holds, ready for JSON.

    Every field is a string, because a cell may hold a unit beside its number; the description says which
    units and which range. Files that cannot be read as a log are left out.
    """
    settings = Settings.find(folder)
    result = read_files(folder, settings.currency, lambda *_: None, date_order=settings.date_order)
    names: set[str] = set()
    resources = [_resource(file, file.header, names) for file in result.files if file.header is not None]
    of_telemetry = [file for file in result.files if file.kind == TELEMETRY_FILE.name]
    for file in of_telemetry:
        sensors = told_as_telemetry(folder / file.name)
        if sensors is not None:
            resources.append(_telemetry_resource(file, sensors, names))
    is_tabular = all(each["profile"] == "tabular-data-resource" for each in resources)
    return {
        "profile": "tabular-data-package" if is_tabular else "data-package",
        # Not the folder's name: the same logs give the same descriptor wherever they lie.
        "name": "season-logs",
        "title": "A season's logs",
        "description": "A small distillery's logs in stillseason's log format 1.",
        "resources": sorted(resources, key=lambda each: (each["path"], each["name"])),
    }


def _resource(file: ReadFile, header: Header, names: set[str]) -> dict[str, Any]:
    sheet = _SHEET.fullmatch(file.name)
    if file.delimiter is None and sheet is not None:
        form = {"format": "xlsx", "mediatype": _BOOK}
        dialect: dict[str, Any] = {"header": True, "sheetName": sheet["sheet"]}
        described = _described(file, header.kind, names, form, dialect, _fields(header))
        return described | {"profile": "data-resource", "path": sheet["path"]}
    dialect = _text_dialect(header.delimiter)
    return _described(file, header.kind, names, _text_form(file), dialect, _fields(header))


def _telemetry_resource(file: ReadFile, header: SensorHeader, names: set[str]) -> dict[str, Any]:
    at = {position: name for name, position in header.positions.items()}
    fields = [
        _sensor_field(written, at.get(position), header.units)
        for position, written in enumerate(header.names)
    ]
    dialect = _text_dialect(header.delimiter)
    return _described(file, TELEMETRY_FILE.name, names, _text_form(file), dialect, fields)


def _described(
    file: ReadFile,
    kind: str,
    names: set[str],
    form: dict[str, Any],
    dialect: dict[str, Any],
    fields: list[dict[str, Any]],
) -> dict[str, Any]:
    return {
        "profile": "tabular-data-resource",
        "name": _unique_name(re.sub(r"\.[^./]*$", "", file.name), names),
        "path": file.name,
        "title": ALL_KINDS[kind].title,
        "description": f"One row is {ALL_KINDS[kind].a_row_is}.",
        **form,
        "bytes": file.size_bytes,
        "hash": f"sha256:{file.sha256}",
        "dialect": dialect,
        "schema": {"fields": fields, "missingValues": [""]},
    }


def _text_form(file: ReadFile) -> dict[str, Any]:
    encoding = file.encoding or "utf-8"
    form = {"format": "csv", "mediatype": "text/csv", "encoding": _ENCODINGS.get(encoding, encoding)}
    return form | ({"compression": "gz"} if file.name.lower().endswith(".gz") else {})


def _text_dialect(delimiter: str) -> dict[str, Any]:
    return {
        "delimiter": delimiter,
        "doubleQuote": True,
        "quoteChar": '"',
        "header": True,
        "commentChar": "#",
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
    # A batch or session may be named by the file, so only columns that no file name replaces are required.
    is_needed = ((name,),) in kind.needs and name != kind.named_by_file
    return _known_field(written, kind.fields[name], header.units, is_needed)


def _sensor_field(written: str, name: str | None, units: Mapping[str, Unit]) -> dict[str, Any]:
    if name is None:
        return _unknown_field(written, written)
    return _known_field(written, TELEMETRY_FILE.fields[name], units, ((name,),) in TELEMETRY_FILE.needs)


def _known_field(written: str, column: Field, units: Mapping[str, Unit], is_needed: bool) -> dict[str, Any]:
    described = {
        "name": written,
        "type": "string",
        "title": column.name,
        "description": _description(column, units),
        "example": column.example,
    }
    return described | ({"constraints": {"required": True}} if is_needed else {})


def _description(column: Field, units: Mapping[str, Unit]) -> str:
    parts = [column.meaning]
    if column.words:
        parts.append(f"one of {', '.join(column.words)}")
    quantity = column.measure
    if quantity is not None:
        unit = units.get(column.name, quantity.default)
        others = f" unless the cell names {quantity.choices()}" if quantity.has_units else ""
        parts.append(f"a number in {unit.symbol}{others}")
        parts.append(f"plausible from {quantity.low:g} to {quantity.high:g} {quantity.default.symbol}")
    return "; ".join(parts)


def _extra_field(written: str, extra: Extra, kind: str) -> dict[str, Any]:
    if kind == TASTING_SHEET and extra.attribute is not None:
        meaning = f"score for {extra.attribute}, from {extra.low:g} to {extra.high:g}"
        return {"name": written, "type": "string", "title": extra.name, "description": meaning}
    return _unknown_field(written, extra.name)


def _unknown_field(written: str, title: str) -> dict[str, Any]:
    meaning = "a column the format does not know; kept as text"
    return {"name": written, "type": "string", "title": title, "description": meaning}


def _unique_name(text: str, taken: set[str]) -> str:
    """A resource name as the standard wants it (a-z, 0-9, . _ - /), unlike those taken."""
    plain = re.sub(r"[^a-z0-9._/-]+", "-", text.lower()).strip("-") or "log"
    name, number = plain, 1
    while name in taken:
        number += 1
        name = f"{plain}-{number}"
    taken.add(name)
    return name
