"""How steady the cuts are and whether they pay: the parts of the section on cuts that rest on fits."""

from __future__ import annotations

import polars as pl

from pipeline.charts import PAGE, page_spec
from pipeline.charts.steadiness import cut_tradeoff
from pipeline.report.blocks import Block, Figure, Heading3, Points, folded, table_of
from pipeline.report.cut_wording import (
    Steadiness,
    first_sentence,
    lasting_sentence,
    limits_sentence,
    spread_sentence,
    tradeoff_sentence,
)
from pipeline.report.data import SeasonData
from pipeline.report.sections.control import HEARTS_END, charted_by, control_blocks
from pipeline.report.text import number

HEARTS_START = "hearts_start_spout_pct_vol"
_DRIFT = ("CUSUM", "EWMA")

_STEADY_COLUMNS = [
    "figure",
    "group_name",
    "runs",
    "figure_mean",
    "figure_sd",
    "range_sd",
    "limits_standing",
    "next_run_low",
    "next_run_high",
    "signals",
    "target_low",
    "target_high",
    "ppk",
    "ppk_low",
    "ppk_high",
]
_SIGNAL_COLUMNS = ["figure", "group_name", "batch", "run", "rule", "direction", "since_batch", "rule_source"]


def steadiness_answer(data: SeasonData) -> list[str]:
    """The first lines of the section: how steady hearts end, a still at a time."""
    sentences = []
    stills = _of_stills(data, HEARTS_END)
    for row in stills.iter_rows(named=True):
        place = f" on {row['still'] or 'a still without a name'}" if stills.height > 1 else ""
        sentences.append(first_sentence(f"ended{place}", _steady(data, row), _shares(data, row["still"])))
        if row["ppk"] is not None:
            sentences.append(
                "Against your own target of "
                f"{number(row['target_low'], 1)} to {number(row['target_high'], 1)} %vol that is a Ppk "
                f"between {number(row['ppk_low'], 2)} and {number(row['ppk_high'], 2)} (95 % interval; 1 "
                "leaves just room for three standard deviations either side)."
            )
    return sentences


def steadiness_blocks(data: SeasonData) -> list[Block]:
    """Charts and tables of how steady hearts end, in the order of the questions a distiller asks."""
    if data.control_points.is_empty():
        return []
    blocks: list[Block] = [Heading3("How steady"), Points(_steadiness_points(data))]
    blocks += control_blocks(data)
    if data.cut_steadiness.height:
        blocks.append(
            folded(
                table_of(
                    _worded(data.cut_steadiness),
                    _STEADY_COLUMNS,
                    "How steady each cut is",
                    leave_off_blank=True,
                )
            )
        )
    if data.control_signals.height:
        blocks.append(
            folded(table_of(_named(data.control_signals), _SIGNAL_COLUMNS, "Signals of the control charts"))
        )
    return blocks


def tradeoff_blocks(data: SeasonData) -> list[Block]:
    """Is the cut where it pays: litres surely, taste perhaps."""
    if data.cut_tradeoff.is_empty():
        return []
    later = data.cut_tradeoff.filter(pl.col("cut_shift_pct_vol") == -1.0)
    shown = later.filter(pl.col("attribute") == "overall")
    shown = shown if shown.height else later.head(1)
    row = shown.row(0, named=True)
    told = later.filter(pl.col("is_told") & (pl.col("attribute") != row["attribute"]))
    sentences = [
        tradeoff_sentence(
            each["attribute"],
            each["batches"],
            each["lpa_change_per_batch"] if place == 0 else None,
            each["score_change_low"],
            each["score_change_high"],
            each["is_told"],
        )
        for place, each in enumerate([row, *told.iter_rows(named=True)])
    ]
    columns = [name for name in data.cut_tradeoff.columns if name != "season"]
    blocks: list[Block] = [Heading3("Is the cut where it pays?"), Points(sentences)]
    if row["lpa_change_per_batch"] is not None:
        blocks.append(_tradeoff_figure(data, row))
    return [*blocks, folded(table_of(data.cut_tradeoff, columns, "Litres and scores for other cuts"))]


def _of_stills(data: SeasonData, figure: str) -> pl.DataFrame:
    return data.cut_steadiness.filter((pl.col("figure") == figure) & (pl.col("grouping") == "still"))


def _steady(data: SeasonData, row: dict[str, object]) -> Steadiness:
    signals = data.control_signals.filter(
        (pl.col("figure") == row["figure"])
        & (pl.col("still") == row["still"])
        & (pl.col("grouping") == charted_by(data))
        & ~pl.col("rule").is_in(_DRIFT)
    )
    names = (signals["batch"] + " " + signals["run"]).unique(maintain_order=True).to_list()
    return Steadiness(
        int(str(row["runs"])),
        float(str(row["figure_mean"])),
        float(str(row["figure_sd"])),
        str(row["limits_standing"]),
        None if row["baseline_runs"] is None else int(str(row["baseline_runs"])),
        None if row["next_run_low"] is None else float(str(row["next_run_low"])),
        None if row["next_run_high"] is None else float(str(row["next_run_high"])),
        names,
    )


def _shares(data: SeasonData, still: object) -> dict[str, float]:
    return {part: share for part, share, _, _ in _parts(data, still)}


def _parts(data: SeasonData, still: object) -> list[tuple[str, float, float, float]]:
    mine = data.cut_spread.filter((pl.col("figure") == HEARTS_END) & (pl.col("still") == still))
    return list(mine.select("spread_part", "share_frac", "share_low_frac", "share_high_frac").iter_rows())


def _steadiness_points(data: SeasonData) -> list[str]:
    sentences = []
    for row in _of_stills(data, HEARTS_END).iter_rows(named=True):
        sentences.append(limits_sentence(_steady(data, row)))
        parts = _parts(data, row["still"])
        if parts:
            sentences.append(spread_sentence(parts))
    drifts = data.control_signals.filter(
        pl.col("rule").is_in(_DRIFT)
        & (pl.col("figure") == HEARTS_END)
        & (pl.col("grouping") == charted_by(data))
    ).unique(["group_name", "since_batch", "since_run", "direction"], maintain_order=True)
    return [
        *sentences,
        lasting_sentence(
            [
                f"{row['group_name']}, {row['direction']} since {row['since_batch']} {row['since_run']} "
                f"({row['rule']})"
                for row in drifts.iter_rows(named=True)
            ]
        ),
    ]


def _tradeoff_figure(data: SeasonData, row: dict[str, object]) -> Figure:
    mine = data.cut_tradeoff.filter(pl.col("attribute") == row["attribute"])
    here = pl.DataFrame(
        {name: [0.0] for name in ("cut_shift_pct_vol", "lpa_change_per_batch", "score_change")}
        | {"score_change_low": [0.0], "score_change_high": [0.0]}
    )
    frame = pl.concat([mine.select(here.columns), here]).sort("cut_shift_pct_vol")
    texts = [
        "as cut" if shift == 0 else f"{number(abs(shift), 0)} %vol {'earlier' if shift > 0 else 'later'}"
        for shift in frame["cut_shift_pct_vol"]
    ]
    return Figure(
        "cut-tradeoff",
        f"Litres against score for {row['attribute']}, hearts ended earlier or later",
        f"Change of the score for {row['attribute']} against litres gained, for hearts ended 3 %vol earlier "
        f"to 3 later; the intervals {'leave out' if row['is_told'] else 'take in'} no change.",
        page_spec(cut_tradeoff(frame.with_columns(pl.Series("shift_text", texts, dtype=pl.String)), PAGE)),
        "A straight line through the scored batches, drawn on; bars are where it may lie (95 %). Bars that "
        "cross the dashed line say that the scores cannot tell.",
    )


_FIGURE_WORDS = {
    HEARTS_START: "hearts start, %vol",
    HEARTS_END: "hearts end, %vol",
    "foreshots_frac": "foreshots, share",
    "heads_frac": "heads, share",
    "hearts_frac": "hearts, share",
    "tails_frac": "tails, share",
    "takeoff_per_min_l": "take-off, L a minute",
    "charge_abv_pct_vol": "charge strength, %vol",
}


def _named(rows: pl.DataFrame) -> pl.DataFrame:
    """The rows with each figure's words in place of its column's name."""
    return rows.with_columns(pl.col("figure").replace_strict(_FIGURE_WORDS, return_dtype=pl.String))


def _worded(steadiness: pl.DataFrame) -> pl.DataFrame:
    """The table by figure and group, whole stills first."""
    order = {"still": 0, "operator": 1, "recipe": 2}
    ranked = steadiness.with_columns(rank=pl.col("grouping").replace_strict(order, return_dtype=pl.Int64))
    return _named(ranked.sort("figure", "rank", "group_name"))
