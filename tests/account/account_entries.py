"""Entries for the walk over lots, written down by hand: what `account.entry` would hold."""

import datetime as dt

import polars as pl

ENTRY_SCHEMA = {
    "file_id": pl.Int32,
    "line": pl.Int32,
    "happened_at": pl.Datetime("us"),
    "kind": pl.String,
    "batch": pl.String,
    "run": pl.String,
    "cut": pl.String,
    "from_lot": pl.String,
    "to_lot": pl.String,
    "strength_basis": pl.String,
    "volume_20c_l": pl.Float64,
    "mass_kg": pl.Float64,
    "abv_20c_pct_vol": pl.Float64,
}

START = dt.datetime(2031, 1, 1)


def entries(*rows: dict, apart: dt.timedelta = dt.timedelta(hours=1)) -> pl.DataFrame:
    """Entries in the order given, a time apart; what a row leaves out is empty."""
    blank = dict.fromkeys(ENTRY_SCHEMA)
    complete = [
        {**blank, "line": number, "happened_at": START + number * apart, **row}
        for number, row in enumerate(rows, start=1)
    ]
    return pl.DataFrame(complete, schema=ENTRY_SCHEMA)
