"""Standard uncertainties of the figures of batches, runs, cuts and jars.

Each figure is written here once more from the book's columns, in the same words as in sql/30_metric, because
its derivatives are wanted; the value shown anywhere is SQL's. A test holds the two values against each other,
figure by figure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline import science
from pipeline.account.ancestry import FEINTS_CUTS
from pipeline.account.book import Book, numbers_of
from pipeline.account.lots import lot_key
from pipeline.account.uncertain import Floats, Ints, Shares, Uncertain, apply

Figures = Mapping[str, Uncertain]

_MAX_LPA_PER_KG = float(science.MAX_LPA_PER_KG_EXTRACT)
_CUT_FRACTIONS = ("foreshots", "heads", "hearts", "tails", "feints")


@dataclass(frozen=True)
class Sums:
    """Sums over the moves and jars of each run and each batch, ready to be put into figures."""

    runs: dict[str, Uncertain]
    batches: dict[str, Uncertain]
    batch_of_run: Ints
    is_stripping: npt.NDArray[np.bool_]
    run_of_jar: Ints


def figure_frame(
    keys: pl.DataFrame, figures: Mapping[str, Uncertain | Shares], reading_u: Floats
) -> pl.DataFrame:
    """One row a key, with `<figure>_u` for each figure; null where the figure is not known."""
    return keys.hstack(figure_columns(figures, reading_u))


def figure_columns(figures: Mapping[str, Uncertain | Shares], reading_u: Floats) -> list[pl.Series]:
    """`<figure>_u` for each figure."""
    return [
        pl.Series(f"{name}_u", column.u(reading_u), dtype=pl.Float64).fill_nan(None)
        for name, column in figures.items()
    ]


def sums_of(book: Book) -> Sums:
    """Sum what was charged, collected and left, by run and by batch."""
    tables, jars = book.tables, book.jars
    run_number = {key: number for number, key in enumerate(tables.runs.select("batch", "run").iter_rows())}
    batch_number = {name: number for number, name in enumerate(tables.batches["batch"])}
    runs, batches = tables.runs.height, tables.batches.height
    moves = tables.moves
    is_charge = (moves["kind"] == "charge").to_numpy()
    run_of_move = np.where(is_charge, _runs_of(moves, run_number), -1)
    run_of_jar = _runs_of(jars.frame, run_number)
    residue_rows = np.flatnonzero((tables.rows["step"] == "residue").to_numpy())
    run_of_residue = _runs_of(tables.rows[residue_rows], run_number)
    residue_volume = book.measured.volume_l.take(residue_rows)
    residue = residue_volume * book.measured.abv_pct_vol.take(residue_rows) / 100.0
    cut = moves["cut"].fill_null("").to_numpy()
    charged = book.errors.move_lpa
    is_other = ~np.isin(cut, ("wash", "low wines", "water"))
    other = charged.sum_by(np.where(is_other, run_of_move, -1), runs)
    of_runs = {
        "charge_volume_l": book.own.volume_l.sum_by(run_of_move, runs, must_have=True),
        "charge_lpa": charged.sum_by(run_of_move, runs, must_have=True),
        "low_wines_charged_lpa": charged.sum_by(
            np.where(cut == "low wines", run_of_move, -1), runs, must_have=True
        ),
        "feints_charged_lpa": other,
        "collected_volume_l": jars.volume_l.sum_by(run_of_jar, runs, must_have=True),
        "collected_lpa": jars.lpa.sum_by(run_of_jar, runs, must_have=True),
        "residue_lpa": residue.sum_by(run_of_residue, runs, must_have=True),
    }
    of_runs["gap_lpa"] = of_runs["charge_lpa"] - of_runs["collected_lpa"] - of_runs["residue_lpa"].or_zero()
    batch_of_run = numbers_of(tables.runs["batch"], batch_number)
    is_stripping = (tables.runs["run_kind"] == "stripping").to_numpy()
    strip, spirit = np.where(is_stripping, batch_of_run, -1), np.where(is_stripping, -1, batch_of_run)

    def by_batch(name: str, picked: Ints) -> Uncertain:
        return of_runs[name].sum_by(picked, batches, must_have=True)

    of_batches = {
        "strip_charge_lpa": by_batch("charge_lpa", strip),
        "spirit_charge_lpa": by_batch("charge_lpa", spirit),
        "spirit_charge_volume_l": by_batch("charge_volume_l", spirit),
        "pot_ale_lpa": by_batch("residue_lpa", strip),
        "spent_lees_lpa": by_batch("residue_lpa", spirit),
        "residue_lpa": by_batch("residue_lpa", batch_of_run),
        "feints_in_lpa": by_batch("feints_charged_lpa", batch_of_run),
        "balance_gap_lpa": by_batch("gap_lpa", batch_of_run),
        "low_wines_charged_lpa": by_batch("low_wines_charged_lpa", spirit),
        "spirit_collected_lpa": by_batch("collected_lpa", spirit),
    }
    batch_of_jar = numbers_of(jars.frame["batch"], batch_number)
    jar_cut = jars.frame["cut"].fill_null("").to_numpy()
    for name in ("low wines", "foreshots", "heads", "hearts", "tails"):
        picked = np.where(jar_cut == name, batch_of_jar, -1)
        word = name.replace(" ", "_")
        of_batches[f"{word}_lpa"] = jars.lpa.sum_by(picked, batches, must_have=True)
        of_batches[f"{word}_volume_l"] = jars.volume_l.sum_by(picked, batches, must_have=True)
    of_batches["feints_out_lpa"] = _feints_kept(book, batch_of_jar, batches)
    return Sums(of_runs, of_batches, batch_of_run, is_stripping, run_of_jar)


def batch_figures(book: Book, sums: Sums) -> dict[str, Uncertain]:
    """The figures of metric.batch that readings go into; rows as in account.batch."""
    tables, materials = book.tables, book.materials
    wash_number = {name: number for number, name in enumerate(tables.wash["batch"])}
    wash_rows = numbers_of(tables.batches["batch"], wash_number)
    (
        wort_extract,
        sugar_extract,
        wash_volume,
        original_sg,
        final_sg,
        wash_extract,
        wash_abv,
        wash_lpa,
    ) = (getattr(book.wash, name).take(wash_rows) for name in book.wash.__dataclass_fields__)
    original = apply(science.plato_from_sg, original_sg)
    apparent = apply(science.plato_from_sg, final_sg)
    real = apply(science.real_extract, original, apparent)
    grain_extract = wort_extract.otherwise(wash_extract - sugar_extract)
    fermentable = materials.grain_fermentable_kg / materials.grain_potential_extract_kg
    most_lpa = (grain_extract * fermentable.or_zero() + materials.sugar_fermentable_kg) * _MAX_LPA_PER_KG
    of = sums.batches
    fermentables_kg = materials.grain_kg + materials.sugar_kg
    net = _where_known(book.net_spirit_lpa, of["hearts_lpa"], of["feints_out_lpa"], of["feints_in_lpa"])
    charge = of["spirit_charge_lpa"]
    figures = {
        "grain_kg": materials.grain_kg,
        "sugar_kg": materials.sugar_kg,
        "potential_extract_kg": materials.potential_extract_kg,
        "grain_potential_extract_kg": materials.grain_potential_extract_kg,
        "sugar_extract_kg": sugar_extract,
        "grain_extract_kg": grain_extract,
        "mash_efficiency_frac": grain_extract / materials.grain_potential_extract_kg,
        "wash_volume_l": wash_volume,
        "wash_extract_kg": wash_extract,
        "original_gravity_sg": original_sg,
        "final_gravity_sg": final_sg,
        "original_extract_plato": original,
        "real_extract_plato": real,
        "apparent_attenuation_frac": (original - apparent) / original,
        "real_attenuation_frac": (original - real) / original,
        "wash_abv_pct_vol": wash_abv,
        "wash_lpa": wash_lpa,
        "ferment_efficiency_frac": wash_lpa / most_lpa,
        "low_wines_abv_pct_vol": of["low_wines_lpa"] / of["low_wines_volume_l"] * 100.0,
        "strip_recovery_frac": of["low_wines_lpa"] / of["strip_charge_lpa"],
        "spirit_charge_abv_pct_vol": charge / of["spirit_charge_volume_l"] * 100.0,
        "hearts_abv_pct_vol": of["hearts_lpa"] / of["hearts_volume_l"] * 100.0,
        "hearts_volume_l": of["hearts_volume_l"],
        "net_spirit_lpa": net,
        "yield_lpa_per_kg": net / fermentables_kg,
        "hearts_lpa_per_kg": of["hearts_lpa"] / fermentables_kg,
    }
    for name in (
        "strip_charge_lpa",
        "low_wines_lpa",
        "spirit_charge_lpa",
        "foreshots_lpa",
        "heads_lpa",
        "hearts_lpa",
        "tails_lpa",
        "pot_ale_lpa",
        "spent_lees_lpa",
        "residue_lpa",
        "feints_in_lpa",
        "feints_out_lpa",
        "balance_gap_lpa",
    ):
        figures[name] = of[name]
    for cut in ("foreshots", "heads", "hearts", "tails"):
        figures[f"{cut}_frac"] = of[f"{cut}_lpa"] / charge
    return figures | _mean_cut_strengths(book, sums)


def run_figures(book: Book, sums: Sums) -> dict[str, Uncertain]:
    """The figures of metric.run that readings go into; rows as in account.run."""
    of, jars, count = sums.runs, book.jars, book.tables.runs.height
    cut = jars.frame["cut"].fill_null("").to_numpy()
    starts, ends = _hearts_strengths(book, sums)
    last = np.full(count, -1, dtype=np.int64)
    has_spout = ~np.isnan(jars.spout_pct_vol.values) & (sums.run_of_jar >= 0)
    last[sums.run_of_jar[has_spout]] = np.flatnonzero(has_spout)
    fractions = {
        f"{name}_frac": jars.lpa.sum_by(np.where(cut == name, sums.run_of_jar, -1), count, must_have=True)
        / of["charge_lpa"]
        for name in _CUT_FRACTIONS
    }
    return {
        "charge_volume_l": of["charge_volume_l"],
        "charge_abv_pct_vol": of["charge_lpa"] / of["charge_volume_l"] * 100.0,
        "charge_lpa": of["charge_lpa"],
        "collected_volume_l": of["collected_volume_l"],
        "collected_lpa": of["collected_lpa"],
        "residue_lpa": of["residue_lpa"],
        "gap_lpa": of["gap_lpa"],
        "recovery_frac": of["collected_lpa"] / of["charge_lpa"],
        "last_spout_pct_vol": jars.spout_pct_vol.take(last),
        **fractions,
        "hearts_start_pct_vol": starts,
        "hearts_end_pct_vol": ends,
    }


def cut_figures(book: Book, sums: Sums) -> tuple[pl.DataFrame, dict[str, Uncertain | Shares]]:
    """Keys (batch, run, cut) and figures of metric.cut."""
    jars = book.jars
    keys = jars.frame.select("batch", "run", pl.col("cut").fill_null("not yet cut"))
    found = keys.unique(maintain_order=True)
    number = {key: position for position, key in enumerate(found.iter_rows())}
    cut_of_jar = np.array([number[key] for key in keys.iter_rows()], dtype=np.int64)
    first = np.full(found.height, -1, dtype=np.int64)
    last = first.copy()
    has_spout = np.flatnonzero(~np.isnan(jars.spout_pct_vol.values))
    last[cut_of_jar[has_spout]] = has_spout
    first[cut_of_jar[has_spout][::-1]] = has_spout[::-1]
    run_of_cut = np.full(found.height, -1, dtype=np.int64)
    run_of_cut[cut_of_jar] = sums.run_of_jar
    volume = jars.volume_l.sum_by(cut_of_jar, found.height)
    lpa = jars.lpa.sum_by(cut_of_jar, found.height)
    return found, {
        "volume_l": volume,
        "abv_pct_vol": lpa / volume * 100.0,
        "lpa": lpa,
        "lpa_frac": Shares(lpa, sums.runs["charge_lpa"], run_of_cut),
        "first_spout_pct_vol": jars.spout_pct_vol.take(first),
        "last_spout_pct_vol": jars.spout_pct_vol.take(last),
    }


def jar_figures(book: Book, sums: Sums) -> tuple[pl.DataFrame, dict[str, Uncertain | Shares]]:
    """Keys (batch, run, jar_no) and figures of metric.jar."""
    jars = book.jars
    to_end = _running_sum(jars.lpa, sums.run_of_jar)
    charge = sums.runs["charge_lpa"]
    return jars.frame.select("batch", "run", "jar_no"), {
        "volume_l": jars.volume_l,
        "abv_20c_pct_vol": jars.abv_pct_vol,
        "spout_abv_20c_pct_vol": jars.spout_pct_vol,
        "lpa": jars.lpa,
        "lpa_frac_start": Shares(to_end - jars.lpa, charge, sums.run_of_jar),
        "lpa_frac_end": Shares(to_end, charge, sums.run_of_jar),
    }


def _running_sum(column: Uncertain, groups: Ints) -> Uncertain:
    """Sum of each row and the rows before it in its group; groups stand together."""
    starts = np.flatnonzero(np.r_[True, groups[1:] != groups[:-1]]) if groups.size else np.empty(0, int)
    first = np.repeat(starts, np.diff(np.r_[starts, groups.size]))
    lengths = np.arange(groups.size) - first + 1
    rows = np.repeat(np.arange(groups.size), lengths)
    within = np.arange(rows.size) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    picked = column.take(np.repeat(first, lengths) + within)
    return picked.sum_by(rows, groups.size)


def _runs_of(frame: pl.DataFrame, run_number: Mapping[tuple[str, str], int]) -> Ints:
    return np.array(
        [run_number.get((batch, run), -1) for batch, run in frame.select("batch", "run").iter_rows()],
        dtype=np.int64,
    )


def _where_known(column: Uncertain, *others: Uncertain) -> Uncertain:
    known = np.logical_and.reduce([~np.isnan(other.values) for other in others])
    return column * np.where(known, 1.0, np.nan)


def _feints_kept(book: Book, batch_of_jar: Ints, batches: int) -> Uncertain:
    """Heads, tails and feints collected, less what was thrown away of a lot that is this batch's alone."""
    jars, moves = book.jars, book.tables.moves
    cut = jars.frame["cut"].fill_null("").to_numpy()
    has_cuts = np.zeros(batches, dtype=bool)
    has_cuts[batch_of_jar[np.isin(cut, ("hearts", *FEINTS_CUTS))]] = True
    collected = jars.lpa.sum_by(np.where(np.isin(cut, list(FEINTS_CUTS)), batch_of_jar, -1), batches)
    owners: dict[str, set[str]] = {}
    for kind, name, lot, batch in moves.select("kind", "cut", "to_lot", "batch").iter_rows():
        if kind == "collect" and name in FEINTS_CUTS:
            owners.setdefault(lot_key(lot), set()).add(batch)
    number_of = {name: number for number, name in enumerate(book.tables.batches["batch"])}
    thrown = np.full(moves.height, -1, dtype=np.int64)
    for position, (kind, lot) in enumerate(moves.select("kind", "from_lot").iter_rows()):
        owner = owners.get(lot_key(lot), set()) if kind == "discard" and lot is not None else set()
        if len(owner) == 1:
            thrown[position] = number_of[next(iter(owner))]
    kept = collected - book.errors.move_lpa.sum_by(thrown, batches)
    return kept * np.where(has_cuts, 1.0, np.nan)


def _hearts_strengths(book: Book, sums: Sums) -> tuple[Uncertain, Uncertain]:
    """Strength where each run's hearts begin and end: at the spout if read there, else between two jars."""
    jars, count = book.jars, book.tables.runs.height
    cut = jars.frame["cut"].fill_null("").to_numpy()
    run, size = sums.run_of_jar, jars.volume_l.size
    is_small = jars.frame["is_small"].fill_null(value=False).to_numpy()
    numbers = np.arange(size)
    has_before = np.r_[False, run[1:] == run[:-1]] if size else np.zeros(0, dtype=bool)
    has_after = np.r_[run[1:] == run[:-1], False] if size else np.zeros(0, dtype=bool)
    before, after = np.where(has_before, numbers - 1, -1), np.where(has_after, numbers + 1, -1)
    # A jar of a run whose charge is not in the logs belongs to no run.
    hearts = (cut == "hearts") & (run >= 0)
    starts = hearts & ~(has_before & np.r_[False, hearts[:-1]][:size])
    ends = hearts & ~(has_after & np.r_[hearts[1:], False][:size])
    first, last = np.full(count, -1, dtype=np.int64), np.full(count, -1, dtype=np.int64)
    for jar in np.flatnonzero(starts)[::-1]:
        first[run[jar]] = jar
    for jar in np.flatnonzero(ends):
        last[run[jar]] = jar

    def between(one: Ints, other: Ints, spout: Ints) -> Uncertain:
        both_small = (one >= 0) & (other >= 0) & is_small[one] & is_small[other]
        here, there = np.where(both_small, one, -1), np.where(both_small, other, -1)
        volume, beside = jars.volume_l.take(here), jars.volume_l.take(there)
        mixed = jars.abv_pct_vol.take(there) * volume + jars.abv_pct_vol.take(here) * beside
        return jars.spout_pct_vol.take(spout).otherwise(mixed / (volume + beside))

    if size == 0:
        nothing = Uncertain.exact(np.full(count, np.nan), jars.lpa.readings)
        return nothing, nothing
    at_start = np.where(first >= 0, before[first], -1)
    at_end = np.where(last >= 0, after[last], -1)
    return between(first, at_start, at_start), between(last, at_end, last)


def _mean_cut_strengths(book: Book, sums: Sums) -> dict[str, Uncertain]:
    """With several spirit runs the cut strengths of a batch are their mean."""
    batches = book.tables.batches.height
    names = ("hearts_start_pct_vol", "hearts_end_pct_vol")
    means = {}
    for name, column in zip(names, _hearts_strengths(book, sums), strict=True):
        counted = np.where(sums.is_stripping | np.isnan(column.values), -1, sums.batch_of_run)
        number = np.bincount(counted[counted >= 0], minlength=batches).astype(float)
        means[name] = column.sum_by(counted, batches) / np.where(number > 0, number, np.nan)
    return means
