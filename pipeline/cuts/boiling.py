"""What thermometers say of a run beside its strengths: `fit.boiling`.

A kettle that boils at a temperature under a barometer holds liquid of one strength, and a vapour of a
temperature condenses to one: a witness that shares no error with the alcoholometer. Where a temperature or
the barometer was not logged nothing is said. Knows no SQL beyond its query, and no files.

Uncertainty: the thermometer's own (settings), and 0.2 K of the equilibrium, which is how well it fits the
published boiling points (Carey & Lewis 1932; Hala et al. 1968: tests/science/test_boiling.py).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.account.partition import PartOf
from pipeline.kept_parts import KeptParts, number_within, read_again
from pipeline.python_step import OfPart
from pipeline.science import (
    abv_from_boiling_temperature,
    boiling_temperature_c,
    temperature_from_vapour_abv,
    vapour_abv_from_temperature,
)

Array = NDArray[np.float64]

READS = """
    with row as (
        select
            batch, run, step, step_no, file_id, line, kettle_c, vapour_c,
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
    left join fit.own_curve as curve on curve.batch = row.batch and curve.run = row.run
    left join fit.jar_expected as jar on jar.file_id = row.file_id and jar.line = row.line
    where row.kettle_c is not null or row.vapour_c is not null
    order by run.started_at nulls last, row.batch, row.run, row.step_no
"""
MAKES = {
    "fit.boiling": "every temperature read in a kettle or its vapour and the strength it tells under its "
    "barometer, beside the strength logged or expected there. One row a thermometer reading of a charge or a "
    "jar.",
}
OF_PARTS = {"fit.boiling": OfPart("batch", "batch, run, file_id, line, thermometer")}

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


def read_thermometers(
    frame: pl.DataFrame, season_parts: pl.DataFrame, parts: KeptParts
) -> Iterator[pl.DataFrame]:
    """The strength that every thermometer of `READS` tells, beside the one it can be held against.

    season_parts : account.part
    parts        : what an earlier build worked out; a reading is held against its own run's alone
    """
    cut, files = number_within([frame.with_columns(PartOf.told(season_parts, "piece").batches())], "file_id")
    (told,) = parts.joined("thermometers", cut, tell_part)
    told = read_again(told, "file_id", files).drop("part")
    yield told.sort("batch", "run", "file_id", "line", "thermometer")


def tell_part(frame: pl.DataFrame) -> tuple[pl.DataFrame]:
    """The rows of `fit.boiling`, all the kettle's before all the vapour's."""
    told = (_told(_beside_kettle(frame), is_vapour=False), _told(_beside_vapour(frame), is_vapour=True))
    columns = [pl.col(name).cast(dtype) for name, dtype in SCHEMA.items()]
    return (pl.concat([each.select(columns) for each in told]),)


def _beside_kettle(frame: pl.DataFrame) -> pl.DataFrame:
    """The charge as logged, or what the run's curve leaves in the kettle when a jar is full."""
    charge_u = pl.when(pl.col("charge_abv_pct_vol_u") != 0.0).then("charge_abv_pct_vol_u")
    return _compared(
        frame,
        "kettle",
        pl.col("step") == "charge",
        ("the charge as logged", pl.col("charge_abv_pct_vol"), charge_u.otherwise("strength_u")),
        (
            "the run's curve",
            pl.col("expected_pot_pct_vol"),
            pl.col("expected_pot_pct_vol") * pl.col("charge_correction_frac_u"),
        ),
    )


def _beside_vapour(frame: pl.DataFrame) -> pl.DataFrame:
    """The spout as read, else by the curve."""
    return _compared(
        frame,
        "vapour",
        pl.col("spout_abv_20c_pct_vol").is_not_null(),
        ("the spout as read", pl.col("spout_abv_20c_pct_vol"), pl.col("strength_u")),
        ("the run's curve", pl.col("expected_spout_pct_vol"), pl.col("expected_spout_pct_vol_u")),
    )


_Beside = tuple[str, pl.Expr, pl.Expr]
"""What a reading is compared with: its name, the strength there, and its uncertainty [% vol]."""


def _compared(
    frame: pl.DataFrame, thermometer: str, is_first: pl.Expr, first: _Beside, other: _Beside
) -> pl.DataFrame:
    """The rows with this thermometer read, beside the first of two where `is_first`; null if not known."""
    what, abv, u = (
        pl.when(is_first).then(one).otherwise(another)
        for one, another in zip((pl.lit(first[0]), *first[1:]), (pl.lit(other[0]), *other[1:]), strict=True)
    )
    is_known = abv.is_not_null() & u.is_not_null()
    return frame.filter(pl.col(f"{thermometer}_c").is_not_null()).with_columns(
        pl.lit(thermometer).alias("thermometer"),
        pl.col(f"{thermometer}_c").alias("temperature_c"),
        pl.when(is_known).then(what).alias("compared_with"),
        pl.when(is_known).then(abv).alias("compared_abv_pct_vol"),
        pl.when(is_known).then(u).alias("compared_abv_pct_vol_u"),
    )


def _told(readings: pl.DataFrame, is_vapour: bool) -> pl.DataFrame:
    """The readings with the strength that each tells and how far it lies from the one beside it."""

    def column(name: str) -> Array:
        return readings[name].fill_null(np.nan).to_numpy()

    temperature, pressure = column("temperature_c"), column("barometer_hpa") / _HPA_PER_KPA
    beside, beside_u = column("compared_abv_pct_vol"), column("compared_abv_pct_vol_u")
    to_strength = vapour_abv_from_temperature if is_vapour else abv_from_boiling_temperature
    to_temperature = temperature_from_vapour_abv if is_vapour else boiling_temperature_c
    reading_u = np.hypot(column("temperature_u"), EQUILIBRIUM_U_C)
    told = np.asarray(to_strength(temperature, pressure))
    expected = np.asarray(to_temperature(beside, pressure))
    difference = temperature - expected
    # At the strength told the liquid boils at the temperature read.
    is_told = ~np.isnan(told)
    at, at_c = np.where(is_told, told, beside), np.where(is_told, temperature, expected)
    per_pct = _slope(to_temperature, at, at_c, pressure)
    columns = {
        "boiling_abv_pct_vol": told,
        "boiling_abv_pct_vol_u": np.where(is_told, reading_u / np.abs(per_pct), np.nan),
        "temperature_expected_c": expected,
        "temperature_difference_c": difference,
        "boiling_z": difference
        / np.hypot(reading_u, _slope(to_temperature, beside, expected, pressure) * beside_u),
    }
    found = readings.with_columns(
        pl.Series(name, values, dtype=pl.Float64, nan_to_null=True) for name, values in columns.items()
    )
    return found.with_columns(
        (pl.col("boiling_z").abs() > OFF_Z).alias("is_boiling_off"),
        (_side() if is_vapour else pl.lit(None, pl.String)).alias("sides_with"),
    )


def _slope(to_temperature: Any, abv: Array, at_c: Array, pressure: Array) -> Array:
    """Kelvin a % vol, from half a % vol below; `at_c` is the temperature at `abv`."""
    weaker = np.maximum(abv - _NUDGE_PCT_VOL, 0.0)
    step = np.where(abv > weaker, abv - weaker, np.nan)
    return np.asarray((at_c - to_temperature(weaker, pressure)) / step)


def _side() -> pl.Expr:
    """Of a strength that the run's other jars do not allow: whether the vapour is with them or with it."""
    curve = pl.col("expected_spout_pct_vol")
    # A jar read so much too strong would have had a spout so much stronger, were it true.
    as_read = curve + pl.col("logged_value") - pl.col("expected_value")
    near_curve, near_reading = (
        (pl.col("boiling_abv_pct_vol") - each).abs() <= _SIDES_Z * pl.col("boiling_abv_pct_vol_u")
        for each in (curve, as_read)
    )
    side = (
        pl.when(near_curve == near_reading)
        .then(pl.lit("neither"))
        .when(near_curve)
        .then(pl.lit("the curve"))
        .otherwise(pl.lit("the reading"))
    )
    is_doubted = pl.col("suspect_column").is_in(("strength", "spout"))
    return pl.when(is_doubted & near_curve.is_not_null() & near_reading.is_not_null()).then(side)
