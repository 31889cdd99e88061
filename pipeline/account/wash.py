"""The wash figures once more, as columns that know their readings.

The values are those of account.wash and account.fermentable, by the same steps: what is new here are the
derivatives. A test holds the values of both ways against each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline import science
from pipeline.account.readings import Measured, Readings
from pipeline.account.uncertain import Floats, Ints, Uncertain, apply, choose

_WATER_KG_PER_L = float(science.water_density_kg_per_m3(20.0)) / 1000.0


@dataclass(frozen=True)
class Materials:
    """Sums of each batch's grain and sugar; one row a batch."""

    grain_kg: Uncertain
    sugar_kg: Uncertain
    grain_potential_extract_kg: Uncertain
    potential_extract_kg: Uncertain
    sugar_extract_kg: Uncertain
    grain_fermentable_kg: Uncertain
    sugar_fermentable_kg: Uncertain


@dataclass(frozen=True)
class Wash:
    """The wash of each batch; one row a batch."""

    wort_extract_kg: Uncertain
    sugar_extract_kg: Uncertain
    wash_volume_l: Uncertain
    original_gravity_sg: Uncertain
    final_gravity_sg: Uncertain
    wash_extract_kg: Uncertain
    wash_abv_pct_vol: Uncertain
    wash_lpa: Uncertain


def materials_of(
    fermentables: pl.DataFrame, rows_of: Ints, batch_of: Ints, batches: int, measured: Measured
) -> Materials:
    """Mass and extract of each batch's grain and sugar.

    fermentables : account.fermentable
    rows_of      : its rows' numbers in account.logged_row
    batch_of     : the number of each row's batch
    batches      : how many batches there are
    """
    mass, extract, fermentable = _of_rows(fermentables, rows_of, measured)
    is_grain = (fermentables["step"] == "grain").to_numpy()

    def total(column: Uncertain, picked: npt.NDArray[np.bool_]) -> Uncertain:
        # What is not picked counts as nothing; a batch without any row has no sum at all.
        return choose(picked, column, Uncertain.exact(np.zeros(column.size), column.readings)).sum_by(
            batch_of, batches, must_have=True
        )

    everything = np.ones(mass.size, dtype=bool)
    return Materials(
        grain_kg=total(mass, is_grain),
        sugar_kg=total(mass, ~is_grain),
        grain_potential_extract_kg=total(extract, is_grain),
        potential_extract_kg=total(extract, everything),
        sugar_extract_kg=total(extract, ~is_grain),
        grain_fermentable_kg=total(fermentable, is_grain),
        sugar_fermentable_kg=total(fermentable, ~is_grain),
    )


def _of_rows(
    fermentables: pl.DataFrame, rows_of: Ints, measured: Measured
) -> tuple[Uncertain, Uncertain, Uncertain]:
    """Mass, extract and fermentable extract of each row; a lab's percentages are taken as exact."""
    volume = measured.volume_l.take(rows_of)
    gravity = measured.gravity_sg.take(rows_of)
    logged = measured.mass_kg.take(rows_of)
    juice = apply(science.extract_kg, volume, gravity)
    mass = logged.otherwise(volume * gravity * _WATER_KG_PER_L)
    extract = juice.otherwise(logged * _floats(fermentables["extract_as_is_frac"]))
    return mass, extract, extract * _floats(fermentables["fermentable_frac"])


def wash_of(
    wash: pl.DataFrame,
    rows: pl.DataFrame,
    fermentables: pl.DataFrame,
    rows_of: Ints,
    readings: Readings,
    measured: Measured,
) -> Wash:
    """The wash of each row of account.wash, by Balling's balance.

    rows    : account.logged_row
    rows_of : numbers of the rows of account.fermentable in `rows`
    """
    count, number_of = wash.height, {name: number for number, name in enumerate(wash["batch"])}
    original, final = (
        _rows_of(wash.select("batch", step), rows) for step in ("original_step_no", "final_step_no")
    )
    wort_rows = np.flatnonzero((rows["step"] == "wort").to_numpy())
    wort_batch = np.array([number_of[rows["batch"][int(row)]] for row in wort_rows], dtype=np.int64)
    wort_volume, wort_sg = measured.volume_l.take(wort_rows), measured.gravity_sg.take(wort_rows)
    wort_extract = apply(science.extract_kg, wort_volume, wort_sg).sum_by(wort_batch, count, must_have=True)
    wort_mass = (wort_volume * wort_sg * _WATER_KG_PER_L).sum_by(wort_batch, count, must_have=True)

    is_sugar = (fermentables["step"] == "sugar").to_numpy()
    sugar_batch = np.array(
        [
            number_of.get(name, -1) if sugar else -1
            for name, sugar in zip(fermentables["batch"], is_sugar, strict=True)
        ],
        dtype=np.int64,
    )
    first = _floats(wash["original_step_no"])
    own_first = np.full(sugar_batch.size, np.nan)
    own_first[sugar_batch >= 0] = first[sugar_batch[sugar_batch >= 0]]
    steps = _floats(fermentables["step_no"])
    is_late = np.isnan(own_first) | (own_first < steps)
    mass, extract, _ = _of_rows(fermentables, rows_of, measured)
    late, early = np.where(is_late, sugar_batch, -1), np.where(is_late, -1, sugar_batch)
    late_extract, late_mass = extract.sum_by(late, count), mass.sum_by(late, count)
    has_late = np.bincount(late[late >= 0], minlength=count) > 0

    started_sg = measured.gravity_sg.take(original).otherwise(
        apply(science.sg_from_plato, wort_extract / wort_mass * 100.0)
    )
    started_volume = measured.volume_l.take(original).otherwise(
        (wort_mass + mass.sum_by(early, count)) / (started_sg * _WATER_KG_PER_L)
    )
    started_mass = started_volume * started_sg * _WATER_KG_PER_L
    enriched_sg = apply(
        science.sg_from_plato,
        (apply(science.extract_kg, started_volume, started_sg) + late_extract)
        / (started_mass + late_mass)
        * 100.0,
    )
    original_sg = choose(has_late, enriched_sg, started_sg)
    volume = choose(has_late, (started_mass + late_mass) / (original_sg * _WATER_KG_PER_L), started_volume)
    final_sg, final_volume = measured.gravity_sg.take(final), measured.volume_l.take(final)
    model = Uncertain.from_parts(
        np.zeros(count),
        [(np.arange(count), [readings.model.get(name, -1) for name in wash["batch"]], np.ones(count))],
        readings.count,
    )
    abv = apply(science.wash_abv, original_sg, final_sg)
    # The model's own error is one of strength, and of the alcohol in proportion.
    model_factor = model / abv + 1.0
    lpa = apply(science.wash_lpa, volume, original_sg, final_sg).otherwise(final_volume * abv / 100.0)
    return Wash(
        wort_extract_kg=wort_extract,
        sugar_extract_kg=extract.sum_by(sugar_batch, count),
        wash_volume_l=volume.otherwise(final_volume),
        original_gravity_sg=original_sg,
        final_gravity_sg=final_sg,
        wash_extract_kg=apply(science.extract_kg, volume, original_sg),
        wash_abv_pct_vol=abv + model,
        wash_lpa=lpa * model_factor,
    )


def _rows_of(steps: pl.DataFrame, rows: pl.DataFrame) -> Ints:
    """The row of each step, told by its batch and its number there; -1 where there is none."""
    places = rows.select("batch", "step_no").with_row_index("row")
    found = steps.join(
        places, left_on=steps.columns, right_on=["batch", "step_no"], how="left", maintain_order="left"
    )
    return found["row"].cast(pl.Int64).fill_null(-1).to_numpy()


def _floats(column: pl.Series) -> Floats:
    return column.cast(pl.Float64).fill_null(np.nan).to_numpy().astype(float)
