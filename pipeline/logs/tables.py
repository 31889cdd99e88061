"""The tables of schema `raw` that reading fills: which there are, and their columns."""

from __future__ import annotations

import polars as pl

from pipeline.logs.catalogue import CATALOGUE_SCHEMA
from pipeline.logs.fields import (
    BATCH_LOG,
    CASK_LOG,
    DIFFERENCE_TEST,
    INGREDIENT_LIST,
    KINDS_OF_FILE,
    TASTING_KEY,
)
from pipeline.logs.telemetry import MINUTE_SCHEMA

__all__ = ["CELL_SCHEMAS", "FILES_SCHEMA", "TEXTS", "VALUE_SCHEMAS", "VALUE_TABLES"]

FILES_SCHEMA: dict[str, type[pl.DataType]] = {
    "file_id": pl.Int32,
    "path": pl.String,
    "kind": pl.String,
    "encoding": pl.String,
    "delimiter": pl.String,
    "decimal_mark": pl.String,
    "size_bytes": pl.Int64,
    "sha256": pl.String,
    "rows_in": pl.Int64,
    "rows_used": pl.Int64,
    "rows_set_aside": pl.Int64,
}

_MOMENT = pl.Datetime("us")
# A row of a batch or cask log says which of its cells were set aside, and whether it was set aside whole.
_ASIDE = {"cells_set_aside": pl.String, "is_set_aside": pl.Boolean}
_READING = {"strength_reading": pl.Float64, "strength_unit": pl.String}

_TEXTS_OF_A_BATCH = ("run", "item", "cut", "source", "lot", "vessel", "operator", "note")

_VALUE_COLUMNS: dict[str, dict[str, pl.DataType | type[pl.DataType]]] = {
    "batch_value": {
        "batch": pl.String,
        "logged_at": _MOMENT,
        "has_time": pl.Boolean,
        **dict.fromkeys(("step", "item_key"), pl.String),
        "mass_kg": pl.Float64,
        "volume_l": pl.Float64,
        "gravity_reading": pl.Float64,
        "gravity_unit": pl.String,
        **_READING,
        "spout_reading": pl.Float64,
        "spout_unit": pl.String,
        **dict.fromkeys(("temperature_c", "kettle_c", "vapour_c", "barometer_hpa"), pl.Float64),
        **dict.fromkeys(("minutes_min", "ph", "price"), pl.Float64),
        **_ASIDE,
    },
    "batch_text": dict.fromkeys(_TEXTS_OF_A_BATCH, pl.String),
    "cask_value": {
        "cask": pl.String,
        "logged_at": _MOMENT,
        "has_time": pl.Boolean,
        "step": pl.String,
        "source": pl.String,
        "volume_l": pl.Float64,
        "mass_kg": pl.Float64,
        **_READING,
        "temperature_c": pl.Float64,
        **dict.fromkeys(("wood", "toast", "char"), pl.String),
        "capacity_l": pl.Float64,
        **dict.fromkeys(("place", "previous", "item", "note"), pl.String),
        **_ASIDE,
    },
    "tasting_value": {
        "pour_id": pl.Int32,
        "session": pl.String,
        "logged_at": _MOMENT,
        "has_time": pl.Boolean,
        **dict.fromkeys(("assessor", "sample", "batch", "cask", "lot"), pl.String),
        **_READING,
        "serving_order": pl.Int32,
        "descriptors": pl.String,
        "note": pl.String,
    },
    "score_value": {
        "pour_id": pl.Int32,
        "attribute": pl.String,
        **dict.fromkeys(("score", "scale_low", "scale_high"), pl.Float64),
    },
    "telemetry_minute": MINUTE_SCHEMA,
    "tasting_key_value": dict.fromkeys(("session", "sample", "batch", "cask", "lot"), pl.String),
    "difference_value": {
        "session": pl.String,
        "logged_at": _MOMENT,
        "has_time": pl.Boolean,
        **dict.fromkeys(("assessor", "test", "sample_a", "sample_b"), pl.String),
        "is_correct": pl.Boolean,
        "note": pl.String,
    },
    "ingredient_value": {
        **{
            name: dtype
            for name, dtype in CATALOGUE_SCHEMA.items()
            if name not in ("extract_low_pct", "extract_high_pct", "has_enzymes", "needs_cooking")
        },
        "cells_set_aside": pl.String,
    },
}

VALUE_SCHEMAS: dict[str, dict[str, pl.DataType | type[pl.DataType]]] = {
    table: {"file_id": pl.Int32, "line": pl.Int32, **columns} for table, columns in _VALUE_COLUMNS.items()
}
"""The columns of every table of typed values, by table name."""

VALUE_TABLES: dict[str, tuple[str, ...]] = {
    BATCH_LOG: ("batch_value", "batch_text"),
    CASK_LOG: ("cask_value",),
    TASTING_KEY: ("tasting_key_value",),
    DIFFERENCE_TEST: ("difference_value",),
    INGREDIENT_LIST: ("ingredient_value",),
}
"""Into which tables the rows of a kind of file go; those of tasting sheets go into two of their own."""

TEXTS: dict[str, dict[str, str]] = {
    "batch_text": {
        field.becomes[0]: field.name
        for field in KINDS_OF_FILE[BATCH_LOG].fields.values()
        if field.becomes[0] in _TEXTS_OF_A_BATCH
    }
}
"""Tables of texts that are used as they are written in nearly every row, and so are not stored twice.

Only the rows stand there in which one of them is not. Of each text its column in the log."""

CELL_SCHEMAS: dict[str, dict[str, type[pl.DataType]]] = {
    kind.name: {
        "file_id": pl.Int32,
        "line": pl.Int32,
        **dict.fromkeys(kind.fields, pl.String),
        "other": pl.String,
    }
    for kind in KINDS_OF_FILE.values()
}
"""The columns of every table of cells as written, by kind of file."""
