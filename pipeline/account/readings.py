"""The primary readings of a season: what an instrument showed, and how far off it may have been.

Every number read from an instrument and written in a log is one reading, with the standard uncertainty of its
instrument from the settings. Readings are independent of one another: an instrument that is always wrong by
the same amount is a calibration, which no log can show.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline import science
from pipeline.account.uncertain import Floats, Ints, Uncertain, apply, slope

READING_SCHEMA = pl.Schema(
    {
        "reading_id": pl.Int64(),
        "file_id": pl.Int32(),
        "line": pl.Int32(),
        "batch": pl.String(),
        "cask": pl.String(),
        "step": pl.String(),
        "quantity": pl.String(),
        "reading": pl.Float64(),
        "reading_u": pl.Float64(),
    }
)
"""One row a reading; `reading` and `reading_u` are in the reading's own unit."""

# Column of account.logged_row -> what is read.
_QUANTITIES = {
    "mass_kg": "mass",
    "volume_l": "volume",
    "gravity_reading": "gravity",
    "strength_reading": "strength",
    "spout_reading": "spout",
    "temperature_c": "temperature",
}

WASH_MODEL = "wash model"
"""The quantity of a reading that no instrument gives: how far Balling's balance is off for a wash."""

UNREAD = "not measured"
"""The quantity of the other one: how far off the alcohol is that a jar not measured is taken for."""

QUANTITIES = (*_QUANTITIES.values(), WASH_MODEL, UNREAD)
"""What is read, in the order in which readings are numbered."""

# A hydrometer is read at the liquid's own temperature only in worts and washes.
_GRAVITY_CORRECTED = ("runnings", "wort", "wash")


@dataclass(frozen=True)
class Readings:
    """All readings of a season, and the number of each row's own.

    frame   : `READING_SCHEMA`, in the order of `reading_id`
    u       : standard uncertainty of each reading, in its unit
    numbers : by column of account.logged_row, the reading's number on each row; -1 where nothing was read
    model   : by batch, the number of its wash model's reading
    unread  : by number of its move, the number of a jar's reading that was not taken
    """

    frame: pl.DataFrame
    u: Floats
    numbers: Mapping[str, Ints]
    model: Mapping[str, int]
    unread: Mapping[int, int]

    @property
    def count(self) -> int:
        """How many readings there are."""
        return self.frame.height


@dataclass(frozen=True)
class Measured:
    """What each row of account.logged_row measured, at 20 degC, as columns that know their readings."""

    mass_kg: Uncertain
    volume_l: Uncertain
    gravity_sg: Uncertain
    abv_pct_vol: Uncertain
    spout_pct_vol: Uncertain


def find_readings(
    rows: pl.DataFrame,
    batches_with_wash: list[str],
    setting: Mapping[str, float],
    unread: pl.DataFrame | None = None,
) -> Readings:
    """Number the readings of account.logged_row and give each its instrument's uncertainty.

    rows              : account.logged_row, one row a row of the logs
    batches_with_wash : batches whose wash alcohol is worked out from gravities
    setting           : the numbers of raw.setting by name, among them `uncertainty.*`
    unread            : file_id, line, batch, reading, reading_u [LPA] of jars that were not measured, with
                        the number of their `move`
    """
    parts = []
    numbers: dict[str, Ints] = {}
    count = 0
    for column, quantity in _QUANTITIES.items():
        is_read = rows[column].is_not_null().to_numpy()
        numbers[column] = np.where(is_read, count + np.cumsum(is_read) - 1, -1).astype(np.int64)
        count += int(is_read.sum())
        own = rows.select(
            "file_id",
            "line",
            "batch",
            "cask",
            "step",
            pl.lit(quantity).alias("quantity"),
            pl.col(column).cast(pl.Float64).alias("reading"),
            pl.Series("reading_u", _instrument_u(rows, column, setting)),
        )
        parts.append(own.filter(pl.Series(is_read)))
    model_u = setting["uncertainty.wash_model_pct_vol"]
    parts.append(
        pl.DataFrame(
            {
                "batch": batches_with_wash,
                "quantity": [WASH_MODEL] * len(batches_with_wash),
                "reading": [0.0] * len(batches_with_wash),
                "reading_u": [model_u] * len(batches_with_wash),
            },
            schema={name: READING_SCHEMA[name] for name in ("batch", "quantity", "reading", "reading_u")},
        )
    )
    if unread is not None:
        parts.append(unread.drop("move").with_columns(step=pl.lit("collect"), quantity=pl.lit(UNREAD)))
    frame = pl.concat(parts, how="diagonal_relaxed").with_row_index("reading_id")
    frame = frame.select(pl.col(name).cast(kind) for name, kind in READING_SCHEMA.items())
    model = {batch: count + position for position, batch in enumerate(batches_with_wash)}
    moves = [] if unread is None else unread["move"].to_list()
    first = count + len(batches_with_wash)
    of_unread = {move: first + position for position, move in enumerate(moves)}
    return Readings(frame, frame["reading_u"].to_numpy(), numbers, model, of_unread)


def measure(rows: pl.DataFrame, readings: Readings, hydrometer_reference_c: float) -> Measured:
    """What each row measured, with the derivatives of its corrections to 20 degC."""
    mass, volume, gravity, strength, spout, temperature = (
        _leaf(rows, column, readings) for column in _QUANTITIES
    )
    is_corrected = rows["step"].is_in(_GRAVITY_CORRECTED).to_numpy()
    is_sg = (rows["gravity_unit"] == "sg").fill_null(value=True).to_numpy()

    def gravity_at_20c(reading: Floats, temperature_c: Floats) -> Floats:
        as_sg = np.where(is_sg, reading, science.sg_from_plato(np.where(is_sg, np.nan, reading)))
        corrected = science.sg_from_reading(as_sg, temperature_c, hydrometer_reference_c)
        return np.where(np.isnan(temperature_c) | ~is_corrected, as_sg, corrected)

    strength_units, spout_units = rows["strength_unit"], rows["spout_unit"]
    gravity_sg = apply(gravity_at_20c, gravity, temperature)
    abv = apply(lambda s, t: _abv(strength_units, s, t), strength, temperature)
    spout_abv = apply(lambda s, t: _abv(spout_units, s, t), spout, temperature)
    has_own_abv = (rows["liquid"] == "spirit").to_numpy() & ~np.isnan(abv.values)
    fixed_abv = _floats(rows["volume_abv_pct_vol"])
    volume_sg = _floats(rows["volume_sg"])

    def volume_at_20c(volume_l: Floats, own_abv: Floats, temperature_c: Floats) -> Floats:
        used_abv = np.where(has_own_abv, own_abv, fixed_abv)
        spirit = science.volume_at_20c(volume_l, used_abv, temperature_c)
        wort = science.wort_volume_at_20c(volume_l, volume_sg, temperature_c)
        corrected = np.where(np.isnan(volume_sg), np.where(np.isnan(used_abv), volume_l, spirit), wort)
        return np.where(np.isnan(temperature_c), volume_l, corrected)

    volume_20c = apply(volume_at_20c, volume, abv, temperature)
    return Measured(mass, volume_20c, gravity_sg, abv, spout_abv)


def _leaf(rows: pl.DataFrame, column: str, readings: Readings) -> Uncertain:
    values = _floats(rows[column])
    numbers = readings.numbers[column]
    return Uncertain.from_parts(
        values, [(np.arange(values.size), numbers, np.ones(values.size))], readings.count
    )


def _instrument_u(rows: pl.DataFrame, column: str, setting: Mapping[str, float]) -> Floats:
    """Standard uncertainty of a column's readings, each in the unit it was read in."""
    values = _floats(rows[column])
    if column == "mass_kg":
        return np.abs(values) * setting["uncertainty.mass_frac"]
    if column == "volume_l":
        return np.abs(values) * setting["uncertainty.volume_frac"]
    if column == "temperature_c":
        return np.full(values.size, setting["uncertainty.temperature_c"])
    if column == "gravity_reading":
        is_sg = (rows["gravity_unit"] == "sg").fill_null(value=True).to_numpy()
        sg = science.sg_from_plato(np.where(is_sg, np.nan, values))
        plato_per_sg = slope(science.plato_from_sg, [sg], 0)
        return setting["uncertainty.gravity_sg"] * np.where(is_sg, 1.0, plato_per_sg)
    units = rows["strength_unit" if column == "strength_reading" else "spout_unit"]
    abv_per_unit = slope(lambda reading: _abv(units, reading, np.full_like(reading, np.nan)), [values], 0)
    return setting["uncertainty.strength_pct_vol"] / np.where(abv_per_unit > 0.0, abv_per_unit, 1.0)


def _abv(units: pl.Series, reading: Floats, temperature_c: Floats) -> Floats:
    """Strength at 20 degC [%vol] of a reading in its own unit; without a temperature as it stands."""
    result = np.array(reading, dtype=float)
    is_proof = (units == "proof").fill_null(value=False).to_numpy()
    is_mass = (units == "pct_mass").fill_null(value=False).to_numpy()
    is_read, is_cold = ~np.isnan(result), np.isnan(temperature_c)
    # Row by row only what its unit and its temperature ask for: most rows have no strength at all.
    for rows, correct in (
        (is_read & ~is_proof & ~is_mass & ~is_cold, science.abv_from_reading),
        (is_read & is_proof & ~is_cold, science.abv_from_proof_reading),
    ):
        if rows.any():
            result[rows] = correct(reading[rows], temperature_c[rows])
    at_20c = is_read & is_proof & is_cold
    result[at_20c] = science.abv_from_proof(reading[at_20c])
    by_mass = is_read & is_mass
    result[by_mass] = science.abv_from_mass_fraction(reading[by_mass] / 100.0)
    return result


def _floats(column: pl.Series) -> Floats:
    """A column as floats, NaN for null."""
    return column.cast(pl.Float64).fill_null(np.nan).to_numpy().astype(float)
