"""The reconciliation's step in the flow: from the account's tables to reconciled readings and what is
suspect."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import polars as pl
from scipy.stats import chi2

from pipeline.reconcile.book import make_book
from pipeline.reconcile.network import LPA, WATER
from pipeline.reconcile.quantities import Book
from pipeline.reconcile.readings import Amounts, read_amounts
from pipeline.reconcile.sentence import Speaker
from pipeline.reconcile.suspects import Outcome, examine

SCHEMAS = {
    "account.reconciled": pl.Schema(
        {
            "file_id": pl.Int32(),
            "line": pl.Int32(),
            "batch": pl.String(),
            "run": pl.String(),
            "quantity": pl.String(),
            "logged_value": pl.Float64(),
            "logged_value_u": pl.Float64(),
            "reconciled_value": pl.Float64(),
            "reconciled_value_u": pl.Float64(),
            "change_z": pl.Float64(),
            "component_no": pl.Int64(),
        }
    ),
    "account.component": pl.Schema(
        {
            "component_no": pl.Int64(),
            "batches": pl.Int64(),
            "balances": pl.Int64(),
            "measurements": pl.Int64(),
            "degrees_of_freedom": pl.Int64(),
            "chi2": pl.Float64(),
            "p_value": pl.Float64(),
            "suspects": pl.Int64(),
            "chi2_after": pl.Float64(),
            "p_value_after": pl.Float64(),
        }
    ),
    "account.reconciled_run": pl.Schema(
        {
            "batch": pl.String(),
            "run": pl.String(),
            "charge_lpa": pl.Float64(),
            "charge_reconciled_lpa": pl.Float64(),
            "collected_lpa": pl.Float64(),
            "collected_reconciled_lpa": pl.Float64(),
            "residue_reconciled_lpa": pl.Float64(),
        }
    ),
    "account.suspect": pl.Schema(
        {
            "suspect_no": pl.Int64(),
            "place_no": pl.Int64(),
            "is_tied": pl.Boolean(),
            "file_id": pl.Int32(),
            "line": pl.Int32(),
            "batch": pl.String(),
            "run": pl.String(),
            "column_name": pl.String(),
            "what": pl.String(),
            "logged_text": pl.String(),
            "closing_value": pl.Float64(),
            "closing_value_u": pl.Float64(),
            "unit": pl.String(),
            "slip": pl.String(),
            "chi2_fall": pl.Float64(),
            "sentence": pl.String(),
        }
    ),
}

MAKES = {
    "account.reconciled": "every reading that stands in a balance, as logged and as it must have been for "
    "all balances to close. One row a reading.",
    "account.component": "sets of balances that share readings, and whether each closes. One row a set.",
    "account.reconciled_run": "the alcohol of every run, as logged and reconciled. One row a run.",
    "account.suspect": "readings that would explain why a set does not close, likeliest first. One row a "
    "finding and reading.",
}
"""Every table the step makes, and what it holds."""

READS = (
    """
    select
        logged_row.*, cell.item as item_text, cell.volume as volume_text, cell.mass as mass_text,
        cell.strength as strength_text
    from account.logged_row as logged_row
    left join (
        select file_id, line, item, volume, mass, strength from raw.batch_log
        union all
        select file_id, line, null as item, volume, mass, strength from raw.cask_log
    ) as cell using (file_id, line)
    order by logged_row.file_id, logged_row.line
    """,
    "select * from account.move order by move_id",
    "select batch, run, run_kind, last_spout_pct_vol from account.run order by first_step_id",
    """
    select wash.batch, wash.wash_volume_l, batch_u.wash_volume_l_u, batch_u.wash_abv_pct_vol_u
    from account.wash as wash
    inner join account.batch_u as batch_u using (batch)
    order by wash.batch
    """,
    "select * from raw.setting",
)


def prepare(
    rows: pl.DataFrame, moves: pl.DataFrame, runs: pl.DataFrame, wash: pl.DataFrame, settings: pl.DataFrame
) -> tuple[Book, Amounts]:
    """The season's network and what was measured; frames as `READS` gives them."""
    numbers = settings.filter(pl.col("number_value").is_not_null())
    setting = dict(numbers.select("name", "number_value").iter_rows())
    amounts = read_amounts(rows, moves, runs, wash, setting)
    return make_book(moves, amounts), amounts


def reconcile_step(*frames: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Reconcile the season; frames as `READS` gives them, tables as `MAKES`.

    With the setting `reconcile` switched off, or nothing to balance, every table is empty.
    """
    rows, moves, _, _, settings = frames
    (switch,) = settings.filter(pl.col("name") == "reconcile")["number_value"]
    book, amounts = prepare(*frames)
    if not switch or not book.network.rows:
        yield from (pl.DataFrame(schema=schema) for schema in SCHEMAS.values())
        return
    outcome = examine(book, amounts)
    speaker = Speaker(book, amounts, rows.to_dicts(), moves.to_dicts())
    yield _reconciled_frame(book, outcome, speaker)
    yield _component_frame(book, outcome, speaker)
    yield _run_frame(book, outcome)
    yield _suspect_frame(book, outcome, speaker)


def _reconciled_frame(book: Book, outcome: Outcome, speaker: Speaker) -> pl.DataFrame:
    """Every quantity that stands in some balance and was read, or stands in for a reading."""
    first, last = outcome.first, outcome.last
    found = []
    for number, quantity in enumerate(book.quantities):
        component = int(first.variable_in[number])
        if component < 0 or book.is_free[number]:
            continue
        file_id, line, batch, run = speaker.place(number)
        found.append(
            {
                "file_id": file_id,
                "line": line,
                "batch": batch,
                "run": run,
                "quantity": quantity.what,
                "logged_value": book.y[number],
                "logged_value_u": book.u[number],
                "reconciled_value": last.x[number],
                "reconciled_value_u": last.u[number],
                "change_z": None if np.isnan(first.z[number]) else first.z[number],
                "component_no": component + 1,
            }
        )
    return pl.DataFrame(found, schema=SCHEMAS["account.reconciled"])


def _component_frame(book: Book, outcome: Outcome, speaker: Speaker) -> pl.DataFrame:
    first, last = outcome.first, outcome.last
    batches: dict[int, set[str]] = {}
    for place, component in zip(book.places, first.component.tolist(), strict=True):
        if place.batch is not None:
            batches.setdefault(component, set()).add(place.batch)
    suspects = [int(first.component[each.balance]) for each in outcome.suspicions]
    # Leaving out a measurement may cut a set in two: its parts are judged together.
    owner = np.zeros(last.chi2.size, dtype=np.int64)
    owner[last.component] = first.component
    sets = first.chi2.size
    chi2_after = np.bincount(owner, weights=last.chi2, minlength=sets)
    df_after = np.bincount(owner, weights=last.df, minlength=sets)
    found = [
        {
            "component_no": component + 1,
            "batches": len(batches.get(component, ())),
            "balances": int(np.sum(first.component == component)),
            "measurements": int(np.sum((first.variable_in == component) & ~book.is_free)),
            "degrees_of_freedom": round(float(first.df[component])),
            "chi2": float(first.chi2[component]),
            "p_value": _p_value(float(first.chi2[component]), float(first.df[component])),
            "suspects": suspects.count(component),
            "chi2_after": float(chi2_after[component]),
            "p_value_after": _p_value(float(chi2_after[component]), float(df_after[component])),
        }
        for component in range(sets)
    ]
    return pl.DataFrame(found, schema=SCHEMAS["account.component"])


def _p_value(chi_square: float, df: float) -> float | None:
    return float(chi2.sf(chi_square, round(df))) if df > 0.5 else None


def _run_frame(book: Book, outcome: Outcome) -> pl.DataFrame:
    """What each run was charged with, gave and kept, as logged and as reconciled."""
    flows, x = book.network.flows, outcome.last.x
    is_lpa = (flows.kind == LPA) & np.array([place.run is not None for place in book.places])[flows.row]
    what = np.array([quantity.what == "residue volume" for quantity in book.quantities])
    part = np.where(what[flows.volume], "left", np.where(flows.sign > 0, "charged", "collected"))
    table: dict[tuple[str, str], dict[str, float]] = {}
    for term in np.flatnonzero(is_lpa):
        volume, strength = int(flows.volume[term]), int(flows.strength[term])
        place = book.places[int(flows.row[term])]
        sums = table.setdefault((str(place.batch), str(place.run)), {})
        if strength == WATER:
            continue
        is_read = not (book.is_free[volume] or book.is_free[strength])
        for name, values in (("logged", book.y), ("reconciled", x)):
            key = f"{part[term]}_{name}"
            known = values[volume] * values[strength] / 100.0 if is_read or name == "reconciled" else np.nan
            sums[key] = sums.get(key, 0.0) + float(known)
    found = [
        {
            "batch": batch,
            "run": run,
            "charge_lpa": sums.get("charged_logged"),
            "charge_reconciled_lpa": sums.get("charged_reconciled"),
            "collected_lpa": sums.get("collected_logged"),
            "collected_reconciled_lpa": sums.get("collected_reconciled"),
            "residue_reconciled_lpa": sums.get("left_reconciled"),
        }
        for (batch, run), sums in table.items()
    ]
    return pl.DataFrame(found, schema=SCHEMAS["account.reconciled_run"]).fill_nan(None)


def _suspect_frame(book: Book, outcome: Outcome, speaker: Speaker) -> pl.DataFrame:
    found = []
    for number, suspicion in enumerate(outcome.suspicions, start=1):
        kept = [each for each in suspicion.candidates if each.is_possible]
        for rank, candidate in enumerate(kept, start=1):
            file_id, line, batch, run = speaker.place(candidate.number)
            shown = speaker.show(candidate)
            found.append(
                {
                    "suspect_no": number,
                    "place_no": rank,
                    "is_tied": candidate.is_tied,
                    "file_id": file_id,
                    "line": line,
                    "batch": batch,
                    "run": run,
                    "column_name": shown.column,
                    "what": shown.what,
                    "logged_text": shown.logged,
                    "closing_value": shown.estimate,
                    "closing_value_u": shown.u,
                    "unit": shown.unit,
                    "slip": None if candidate.slip is None else candidate.slip.what,
                    "chi2_fall": candidate.fall,
                    "sentence": speaker.sentence(suspicion) if rank == 1 else None,
                }
            )
    return pl.DataFrame(found, schema=SCHEMAS["account.suspect"])
