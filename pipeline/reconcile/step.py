"""The reconciliation's step in the flow: from the account's tables to reconciled readings and what is
suspect."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from scipy.special import chdtrc

from pipeline.account.partition import RUN_ORDER
from pipeline.python_step import OfPart
from pipeline.reconcile.book import make_book
from pipeline.reconcile.network import LPA, WATER
from pipeline.reconcile.prior import USUAL, Priors
from pipeline.reconcile.quantities import FIGURE, Book
from pipeline.reconcile.readings import Amounts, read_amounts
from pipeline.reconcile.sentence import SPOKEN_OF_MOVES, SPOKEN_OF_ROWS, Speaker
from pipeline.reconcile.suspects import Outcome, examine
from pipeline.reconcile.witness import Witness, hear, hear_repeats

# A figure that no balance tests moves by nothing but rounding.
_LEAST_MOVED_FRAC = 0.02

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
    "account.reconciled_batch": pl.Schema(
        {
            "batch": pl.String(),
            "alcohol_of": pl.String(),
            "logged_lpa": pl.Float64(),
            "logged_lpa_u": pl.Float64(),
            "reconciled_lpa": pl.Float64(),
            "reconciled_lpa_u": pl.Float64(),
            "change_z": pl.Float64(),
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
    "account.piece_suspect": pl.Schema(
        {
            "suspect_no": pl.Int64(),
            "found_by": pl.String(),
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

KEYS_OF_BATCHES = {
    "account.reconciled_batch": ("batch", "alcohol_of"),
    "account.reconciled_run": ("batch", "run"),
}
"""What tells the rows of those tables apart of which each row is a batch's; of any other it is a piece's."""

MAKES = {
    "account.reconciled": "every reading that stands in a balance, as logged and as it must have been for "
    "all balances to close. One row a reading.",
    "account.component": "sets of balances that share readings, and whether each closes. One row a set.",
    "account.reconciled_batch": "the alcohol of each batch's wash, low wines, spirit charge and hearts, as "
    "logged and as it must have been for all balances to close. One row a batch and figure.",
    "account.reconciled_run": "the alcohol of every run, as logged and reconciled. One row a run.",
    "account.piece_suspect": "readings that would explain why a set does not close, likeliest first, with "
    "their numbers within the piece. One row a finding and reading.",
}
"""Every table the step makes, and what it holds; those whose rows are no batch's have a `piece`."""

_RECONCILED_KEY = ("file_id", "line", "quantity", "batch", "run", "component_no", "logged_value")

OF_PARTS = {
    "account.reconciled": OfPart(
        "piece", "piece, " + ", ".join(f"{name} nulls last" for name in _RECONCILED_KEY)
    ),
    "account.component": OfPart("piece", "piece, component_no"),
    **{name: OfPart("batch", ", ".join(keys)) for name, keys in KEYS_OF_BATCHES.items()},
    "account.piece_suspect": OfPart("piece", "piece, suspect_no, place_no"),
}
"""What tells the part of each table's rows, and their order."""

_ALL_BUT_LINE = """
    file_id, batch, "when", step, run, item, cut, source, lot, vessel, mass, volume, gravity, strength, spout,
    temperature, minutes, ph
"""

READS = (
    f"""
    with repeated as (
        select
            file_id, line,
            -- Without a time of its own a row is a repeat only right below the one it repeats.
            row_number() over same > 1
            and ("when" is not null or line = lag(line) over same + 1) as is_repeat,
        from raw.batch_log
        -- Hardly a row has its like: only such as may have are held against each other.
        where hash({_ALL_BUT_LINE}) in (
            select hash({_ALL_BUT_LINE}) from raw.batch_log group by 1 having count(*) > 1
        )
        window same as (partition by {_ALL_BUT_LINE} order by line)
    )

    select
        logged_row.* exclude (step_no), cell.item as item_text, cell.volume as volume_text,
        cell.mass as mass_text, cell.strength as strength_text,
        coalesce(repeated.is_repeat, false) as is_repeat,
    from account.logged_row as logged_row
    left join (
        select file_id, line, item, volume, mass, strength from raw.batch_log
        union all
        select file_id, line, null as item, volume, mass, strength from raw.cask_log
    ) as cell using (file_id, line)
    left join repeated using (file_id, line)
    order by logged_row.file_id, logged_row.line
    """,
    # Neither what a lot held by the account nor a number that counts through the season: both hang on all
    # that was logged before, and so would every part of it.
    """
    select
        file_id, line, kind, batch, run, cut, from_lot, to_lot, volume_l, abv_pct_vol, lpa, strength_basis
    from account.move order by move_id
    """,
    f"select batch, run, run_kind, last_spout_pct_vol from account.run order by {RUN_ORDER}",
    """
    select wash.batch, wash.wash_volume_l, batch_u.wash_volume_l_u, batch_u.wash_abv_pct_vol_u
    from account.wash as wash
    inner join account.batch_u as batch_u using (batch)
    order by wash.batch
    """,
    """
    select file_id, line, batch, run, cut, minutes_min, spout_abv_20c_pct_vol
    from account.jar order by happened_at nulls first, file_id, line
    """,
    "select * from raw.setting",
)
"""What a season, or a part of one, is reconciled from."""


@dataclass(frozen=True)
class Prepared:
    """The season's network, what was measured, and what the jars of each run say of one another."""

    book: Book
    amounts: Amounts
    witnesses: dict[int, Witness]


def prepare(
    rows: pl.DataFrame,
    moves: pl.DataFrame,
    runs: pl.DataFrame,
    wash: pl.DataFrame,
    jars: pl.DataFrame,
    settings: pl.DataFrame,
    *,
    priors: Priors = USUAL,
    share_of_alarms: float = 1.0,
) -> Prepared:
    """Everything to reconcile a season with; frames as `READS` gives them.

    share_of_alarms : of the false alarms allowed in a season, those allowed here
    """
    numbers = settings.filter(pl.col("number_value").is_not_null())
    setting = dict(numbers.select("name", "number_value").iter_rows())
    amounts = read_amounts(rows, moves, runs, wash, setting, priors)
    book = make_book(moves, amounts)
    row_of = {place: number for number, place in enumerate(rows.select("file_id", "line").iter_rows())}
    row_of_jar = np.array([row_of[place] for place in jars.select("file_id", "line").iter_rows()], np.int64)
    charges = _charges(moves)
    strength_u = setting["uncertainty.strength_pct_vol"]
    heard = hear(book, jars, row_of_jar, charges, strength_u, share_of_alarms)
    return Prepared(book, amounts, heard | hear_repeats(book, amounts.is_repeat))


def _charges(moves: pl.DataFrame) -> pl.DataFrame:
    """Volume and alcohol charged to each run of which both are known."""
    charged = moves.filter((pl.col("kind") == "charge") & pl.col("run").is_not_null())
    is_known = pl.col("volume_l").is_not_null().all() & pl.col("lpa").is_not_null().all()
    sums = charged.group_by("batch", "run", maintain_order=True).agg(
        pl.col("volume_l").sum(), pl.col("lpa").sum(), is_known.alias("is_known")
    )
    return sums.filter("is_known", pl.col("volume_l") > 0.0, pl.col("lpa") > 0.0).drop("is_known")


def reconcile_step(*frames: pl.DataFrame, share_of_alarms: float = 1.0) -> Iterator[pl.DataFrame]:
    """Reconcile a season, or a part of one; frames as `READS` gives them, tables as `MAKES`.

    share_of_alarms : of the false alarms allowed in a season, those allowed here
    With the setting `reconcile` switched off, or nothing to balance, every table is empty.
    """
    rows, moves, *_, settings = frames
    (switch,) = settings.filter(pl.col("name") == "reconcile")["number_value"]
    ready = prepare(*frames, share_of_alarms=share_of_alarms) if switch else None
    if ready is None or not ready.book.network.rows:
        yield from (pl.DataFrame(schema=schema) for schema in SCHEMAS.values())
        return
    book = ready.book
    outcome = examine(book, ready.amounts, ready.witnesses, share_of_alarms)
    speaker = Speaker(
        book, ready.amounts, rows.select(SPOKEN_OF_ROWS).to_dicts(), moves.select(SPOKEN_OF_MOVES).to_dicts()
    )
    yield _reconciled_frame(book, outcome, speaker)
    yield _component_frame(book, outcome, speaker)
    yield batch_frame(book, outcome)
    yield _run_frame(book, outcome)
    yield _suspect_frame(book, outcome, speaker)


def _reconciled_frame(book: Book, outcome: Outcome, speaker: Speaker) -> pl.DataFrame:
    """Every quantity that stands in some balance and was read, or stands in for a reading."""
    first, last = outcome.first, outcome.last
    numbers = np.flatnonzero((first.variable_in >= 0) & ~book.is_free)
    places = pl.DataFrame(
        [speaker.place(number) for number in numbers.tolist()],
        schema={"file_id": pl.Int32, "line": pl.Int32, "batch": pl.String, "run": pl.String},
        orient="row",
    )
    columns: dict[str, Any] = {
        "quantity": [book.quantities[number].what for number in numbers.tolist()],
        "logged_value": book.y[numbers],
        "logged_value_u": book.u[numbers],
        "reconciled_value": last.x[numbers],
        "reconciled_value_u": last.u[numbers],
        "change_z": pl.Series(first.z[numbers], nan_to_null=True),
        "component_no": first.variable_in[numbers] + 1,
    }
    found = places.with_columns(**{name: pl.Series(values) for name, values in columns.items()})
    schema = SCHEMAS["account.reconciled"]
    found = found.select(pl.col(name).cast(dtype) for name, dtype in schema.items())
    return found.sort(_RECONCILED_KEY, nulls_last=True)


def batch_frame(book: Book, outcome: Outcome) -> pl.DataFrame:
    """The figures of each batch as logged and as reconciled; as logged only where all of it was measured."""
    last = outcome.last
    numbers = np.fromiter(book.figures.values(), dtype=np.int64, count=len(book.figures))
    _, jacobian = book.network.evaluate(book.y)
    rows = np.array([np.flatnonzero(book.kinds == FIGURE)], dtype=np.int64).ravel()
    by_reading = jacobian[rows].tolil()
    by_reading[np.arange(rows.size), numbers] = 0.0
    by_reading = by_reading.tocsr()
    logged_u = np.sqrt(np.asarray(by_reading.multiply(by_reading) @ book.u**2).ravel())
    is_guessed = np.asarray(abs(by_reading) @ book.is_free.astype(float)).ravel() > 0.0
    logged = np.where(is_guessed, np.nan, book.y[numbers])
    logged_u = np.where(is_guessed, np.nan, logged_u)
    # A least-squares estimate moves by the difference of the two variances.
    moved_u = np.sqrt(np.maximum(logged_u**2 - last.u[numbers] ** 2, 0.0))
    has_moved = moved_u > _LEAST_MOVED_FRAC * logged_u
    change = np.where(has_moved, (logged - last.x[numbers]) / np.where(has_moved, moved_u, 1.0), np.nan)
    keys = list(book.figures)
    columns = {
        "batch": [batch for batch, _ in keys],
        "alcohol_of": [figure for _, figure in keys],
        "logged_lpa": logged,
        "logged_lpa_u": logged_u,
        "reconciled_lpa": last.x[numbers],
        "reconciled_lpa_u": last.u[numbers],
        "change_z": change,
    }
    return pl.DataFrame(columns, schema=SCHEMAS["account.reconciled_batch"]).fill_nan(None)


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
    return float(chdtrc(round(df), chi_square)) if df > 0.5 else None


def _run_frame(book: Book, outcome: Outcome) -> pl.DataFrame:
    """What each run was charged with, gave and kept, as logged and as reconciled."""
    flows, x = book.network.flows, outcome.last.x
    is_run = np.array([place.run is not None for place in book.places])
    is_lpa = (flows.kind == LPA) & is_run[flows.row]
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
                    "found_by": suspicion.basis,
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
    return pl.DataFrame(found, schema=SCHEMAS["account.piece_suspect"])
