"""What the account says of the season as a whole, from the tables that its parts made.

Parts share no reading: sums of the season are put together from what each part hands on (`season_sums`).
Casks are looked at one beside another, whichever part each belongs to; of moves and readings theirs count.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import polars as pl

from pipeline.account.casks import CaskBook, cask_frame, forecast_moment, group_frame
from pipeline.account.figures import figure_frame
from pipeline.account.flow import CASKS, SEASON_SUMS, STILL_HOUSE, season_figures, whole_of, whole_of_sum
from pipeline.account.lot_errors import Row
from pipeline.account.season_sums import put_together
from pipeline.account.uncertain import Floats, Ints, Uncertain

MAKES = {
    "account.cask_loss": (
        "what each cask loses a year, its soakage, its drift of strength and what it will hold on the day "
        "of the forecast, each with its uncertainty. One row a cask."
    ),
    "metric.cask_group": (
        "what casks of each wood, size and place lose a year, beside what their sizes lead to by surface "
        "over volume, over all casks of the logs that are not leaking. One row a kind and level."
    ),
    "account.season_u": "standard uncertainties of the sums of metric.season. One row a season.",
    "account.flow_u": "standard uncertainties of the steps of metric.flow. One row a season and node.",
}
"""Every table the step makes, and what it holds."""

_OF_CASKS = "select move_id from account.move where starts_with(kind, 'cask ')"

READS = (
    "select season from account.batch group by season order by min(begun_at) nulls first, season",
    "select * from account.part_sum",
    "select * from account.part_flow",
    "select move_id, kind, happened_at, from_lot, to_lot, volume_l, mass_kg, lpa, from_lpa_after, "
    "to_lpa_after from account.move where starts_with(kind, 'cask ') order by move_id",
    "select move_id, quantity, reading_id, derivative from account.sensitivity "
    f"where move_id in ({_OF_CASKS}) order by move_id, quantity, reading_id",
    "select lot, reading_id, derivative from account.cask_held order by lot, reading_id",
    "select reading_id, reading_u from account.reading where reading_id in "
    f"(select reading_id from account.sensitivity where move_id in ({_OF_CASKS}) "
    "union all select reading_id from account.cask_held) order by reading_id",
    "select cask, any_value(capacity_l order by happened_at, path, line) as capacity_l, "
    "any_value(wood order by happened_at, path, line) as wood, "
    "any_value(place order by happened_at desc, path desc, line desc) as place "
    "from log.cask_step group by cask order by cask",
    "select max(happened_at) as last_at from account.move",
    "select * from raw.setting",
)
"""What the step reads: sums of the parts; what moved in casks, and what is known of each cask."""


def season_step(
    seasons: pl.DataFrame, part_sums: pl.DataFrame, part_flows: pl.DataFrame, *frames: pl.DataFrame
) -> Iterator[pl.DataFrame]:
    """The tables of `MAKES`; frames as `READS` gives them."""
    *of_casks, described, last, settings = frames
    numbers = settings.filter(pl.col("number_value").is_not_null())
    setting = dict(numbers.select("name", "number_value").iter_rows())
    casks = cask_frame(
        _cask_book(*of_casks), described, setting, forecast_moment(settings, last["last_at"].item())
    )
    yield casks
    yield group_frame(described, casks)
    names = seasons["season"].to_list()
    sums, sum_u = put_together(part_sums, SEASON_SUMS, whole_of_sum, names)
    yield figure_frame(seasons, season_figures(sums), sum_u)
    yield _flow_frame(seasons["season"], *put_together(part_flows, (*STILL_HOUSE, *CASKS), whole_of, names))


def _cask_book(
    moves: pl.DataFrame, sensitivity: pl.DataFrame, held: pl.DataFrame, readings: pl.DataFrame
) -> CaskBook:
    """What the account knows of all casks.

    held     : how what casks hold at the end changes with each reading
    readings : each reading of the others, with its uncertainty
    """
    reading_u = readings["reading_u"].to_numpy()

    def numbers(frame: pl.DataFrame) -> Ints:
        return readings["reading_id"].search_sorted(frame["reading_id"]).cast(pl.Int64).to_numpy()

    def column(quantity: str, values: pl.Series) -> Uncertain:
        own = sensitivity.filter(pl.col("quantity") == quantity)
        number = moves["move_id"].search_sorted(own["move_id"]).cast(pl.Int64).to_numpy()
        known = values.fill_null(np.nan).to_numpy()
        triplets = (number, numbers(own), own["derivative"].to_numpy())
        return Uncertain.from_parts(known, [triplets], reading_u.size)

    rows: Mapping[str, Row] = {
        lot: (numbers(own), own["derivative"].to_numpy())
        for (lot,), own in held.group_by("lot", maintain_order=True)
    }
    return CaskBook(
        moves,
        column("lpa", moves["lpa"]),
        column("volume", moves["volume_l"]),
        column("mass", moves["mass_kg"]),
        rows,
        reading_u,
    )


def _flow_frame(seasons: pl.Series, nodes: Mapping[str, Uncertain], reading_u: Floats) -> pl.DataFrame:
    """One row a season and node; shares are of the first node of each part."""
    parts = []
    for node, column in nodes.items():
        whole = nodes[whole_of(node)]
        parts.append(
            figure_frame(
                pl.DataFrame({"season": seasons, "node": [node] * seasons.len()}),
                {"lpa": column, "share_frac": column / whole},
                reading_u,
            )
        )
    return pl.concat(parts)
