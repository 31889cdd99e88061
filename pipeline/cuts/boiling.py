"""What thermometers say of a run beside its strengths: `fit.boiling`.

A kettle that boils at a temperature under a barometer holds liquid of one strength, and a vapour of a
temperature condenses to one: a witness that shares no error with the alcoholometer. Where a temperature or
the barometer was not logged nothing is said. Knows no SQL beyond its query, and no files.

Uncertainty: the thermometer's own (settings), and 0.2 K of the equilibrium, which is how well it fits the
published boiling points (Carey & Lewis 1932; Hala et al. 1968: tests/science/test_boiling.py).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.science import (
    abv_from_boiling_temperature,
    boiling_temperature_c,
    temperature_from_vapour_abv,
    vapour_abv_from_temperature,
)

Array = NDArray[np.float64]
Row = dict[str, Any]

READS = """
    with row as (
        select
            batch, run, step, step_id, file_id, line, kettle_c, vapour_c,
            coalesce(barometer_hpa, favg(barometer_hpa) over (partition by batch, run)) as barometer_hpa
        from log.batch_step
        where run is not null and step in ('charge', 'collect', 'residue')
    )

    select
        row.batch, row.run, run.season, run.run_kind, run.still, row.step, row.file_id, row.line,
        row.kettle_c, row.vapour_c, row.barometer_hpa,
        run.charge_abv_pct_vol, run.charge_abv_pct_vol_u, curve.charge_correction_frac_u,
        jar.jar_no, jar.expected_pot_pct_vol, jar.spout_abv_20c_pct_vol,
        jar.expected_spout_pct_vol, jar.expected_spout_pct_vol_u,
        jar.suspect_column, jar.logged_value, jar.expected_value,
        (select number_value from raw.setting where name = 'uncertainty.strength_pct_vol') as strength_u,
        (select number_value from raw.setting where name = 'uncertainty.temperature_c') as temperature_u
    from row
    inner join metric.run as run on run.batch = row.batch and run.run = row.run
    left join fit.run_curve as curve on curve.batch = row.batch and curve.run = row.run
    left join fit.jar_expected as jar on jar.file_id = row.file_id and jar.line = row.line
    where row.kettle_c is not null or row.vapour_c is not null
    order by run.started_at nulls last, row.batch, row.run, row.step_id
"""
MAKES = ("fit.boiling",)
WHAT = (
    "every temperature read in a kettle or its vapour and the strength it tells under its barometer, beside "
    "the strength logged or expected there. One row a thermometer reading of a charge or a jar.",
)

SCHEMA = pl.Schema(
    {
        "batch": pl.String(),
        "run": pl.String(),
        "season": pl.String(),
        "run_kind": pl.String(),
        "still": pl.String(),
        "jar_no": pl.Int64(),
        "file_id": pl.Int32(),
        "line": pl.Int32(),
        "thermometer": pl.String(),
        "temperature_c": pl.Float64(),
        "barometer_hpa": pl.Float64(),
        "boiling_abv_pct_vol": pl.Float64(),
        "boiling_abv_pct_vol_u": pl.Float64(),
        "compared_with": pl.String(),
        "compared_abv_pct_vol": pl.Float64(),
        "compared_abv_pct_vol_u": pl.Float64(),
        "temperature_expected_c": pl.Float64(),
        "temperature_difference_c": pl.Float64(),
        "boiling_z": pl.Float64(),
        "is_boiling_off": pl.Boolean(),
        "sides_with": pl.String(),
    }
)

EQUILIBRIUM_U_C = 0.2
OFF_Z = 4.0
"""A season has thousands of such readings: beyond this, chance would name one in 16,000 (own choice)."""
_SIDES_Z = 2.0
_NUDGE_PCT_VOL = 0.5
_HPA_PER_KPA = 10.0


def read_thermometers(frame: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """The strength that every thermometer of `READS` tells, beside the one it can be held against."""
    readings = [reading for row in frame.to_dicts() for reading in _readings(row)]
    for name in ("kettle", "vapour"):
        _tell([each for each in readings if each["thermometer"] == name], is_vapour=name == "vapour")
    return iter([pl.DataFrame(readings, schema=SCHEMA, orient="row")])


def _readings(row: Row) -> Iterator[Row]:
    shared = {
        name: row[name]
        for name in ("batch", "run", "season", "run_kind", "still", "jar_no", "file_id", "line")
    }
    shared |= {"barometer_hpa": row["barometer_hpa"], "_row": row}
    if row["kettle_c"] is not None:
        told = {"thermometer": "kettle", "temperature_c": row["kettle_c"]}
        yield shared | told | _beside_kettle(row)
    if row["vapour_c"] is not None:
        told = {"thermometer": "vapour", "temperature_c": row["vapour_c"]}
        yield shared | told | _beside_vapour(row)


def _beside_kettle(row: Row) -> Row:
    """The charge as logged, or what the run's curve leaves in the kettle when a jar is full."""
    if row["step"] == "charge":
        return _compared(
            "the charge as logged",
            row["charge_abv_pct_vol"],
            row["charge_abv_pct_vol_u"] or row["strength_u"],
        )
    pot, relative = row["expected_pot_pct_vol"], row["charge_correction_frac_u"]
    return _compared("the run's curve", pot, None if pot is None or relative is None else pot * relative)


def _beside_vapour(row: Row) -> Row:
    """The spout as read, else by the curve."""
    if row["spout_abv_20c_pct_vol"] is not None:
        return _compared("the spout as read", row["spout_abv_20c_pct_vol"], row["strength_u"])
    return _compared("the run's curve", row["expected_spout_pct_vol"], row["expected_spout_pct_vol_u"])


def _compared(what: str, abv: float | None, u: float | None) -> Row:
    if abv is None or u is None:
        return {}
    return {"compared_with": what, "compared_abv_pct_vol": abv, "compared_abv_pct_vol_u": u}


def _tell(readings: list[Row], is_vapour: bool) -> None:
    """Add to each reading the strength it tells and how far it lies from the one beside it."""

    def column(name: str) -> Array:
        values = [math.nan if each.get(name) is None else each[name] for each in readings]
        return np.array(values, dtype=np.float64)

    temperature, pressure = column("temperature_c"), column("barometer_hpa") / _HPA_PER_KPA
    beside, beside_u = column("compared_abv_pct_vol"), column("compared_abv_pct_vol_u")
    to_strength = vapour_abv_from_temperature if is_vapour else abv_from_boiling_temperature
    to_temperature = temperature_from_vapour_abv if is_vapour else boiling_temperature_c
    reading_u = np.hypot(np.array([each["_row"]["temperature_u"] for each in readings]), EQUILIBRIUM_U_C)
    told = np.asarray(to_strength(temperature, pressure))
    per_pct = _slope(to_temperature, np.where(np.isnan(told), beside, told), pressure)
    expected = np.asarray(to_temperature(beside, pressure))
    difference = temperature - expected
    z = difference / np.hypot(reading_u, _slope(to_temperature, beside, pressure) * beside_u)
    columns = {
        "boiling_abv_pct_vol": told,
        "boiling_abv_pct_vol_u": np.where(np.isnan(told), np.nan, reading_u / np.abs(per_pct)),
        "temperature_expected_c": expected,
        "temperature_difference_c": difference,
        "boiling_z": z,
    }
    for place, each in enumerate(readings):
        row = each.pop("_row")
        each |= {name: _null(float(values[place])) for name, values in columns.items()}
        each["is_boiling_off"] = None if np.isnan(z[place]) else bool(abs(z[place]) > OFF_Z)
        if is_vapour:
            each["sides_with"] = _side(each, row)


def _slope(to_temperature: Any, abv: Array, pressure: Array) -> Array:
    """Kelvin a % vol, from half a % vol below."""
    weaker = np.maximum(abv - _NUDGE_PCT_VOL, 0.0)
    step = np.where(abv > weaker, abv - weaker, np.nan)
    return np.asarray((to_temperature(abv, pressure) - to_temperature(weaker, pressure)) / step)


def _null(value: float) -> float | None:
    return None if math.isnan(value) else value


def _side(reading: Row, row: Row) -> str | None:
    """Of a strength that the run's other jars do not allow: whether the vapour is with them or with it."""
    told, u = reading["boiling_abv_pct_vol"], reading["boiling_abv_pct_vol_u"]
    curve = row["expected_spout_pct_vol"]
    if row["suspect_column"] not in ("strength", "spout") or None in (told, u, curve):
        return None
    # A jar read so much too strong would have had a spout so much stronger, were it true.
    as_read = curve + row["logged_value"] - row["expected_value"]
    near_curve, near_reading = (abs(told - each) <= _SIDES_Z * u for each in (curve, as_read))
    if near_curve == near_reading:
        return "neither"
    return "the curve" if near_curve else "the reading"
