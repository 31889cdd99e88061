"""Control charts of the cuts: where hearts ended stands open, other figures and lasting shifts folded."""

from __future__ import annotations

import polars as pl

from pipeline.charts import PAGE, page_spec
from pipeline.charts.steadiness import control_individuals, control_lines
from pipeline.charts.titles import label_of
from pipeline.cuts.control import CUSUM_H
from pipeline.report.blocks import Block, Figure, Figures, Folded, Group, Points
from pipeline.report.data import SeasonData
from pipeline.report.text import counted, listed, slug, with_unit

HEARTS_END = "hearts_end_spout_pct_vol"
MOST_CHARTS = 8
HOW_TO_READ = (
    "Each point is a run in its order, at the still's usual charge; dashed lines are the limits "
    "of the runs that set them, and wider after those for what so few runs can promise."
)
LASTING = (
    "The moving range is how far a run lies from the one before it. EWMA and CUSUM add up small departures "
    "that last, in standard deviations (Q: how far a run lies from all before it); beyond the dashed line "
    "they signal."
)


def charted_by(data: SeasonData) -> str:
    """People are charted apart where more than one stood at the still: one chart, one nose."""
    operators = data.control_points.filter(pl.col("grouping") == "operator")["group_name"].n_unique()
    return "operator" if operators > 1 else "still"


def control_blocks(data: SeasonData) -> list[Block]:
    """Individuals charts of where hearts ended, then the other figures by still, then lasting shifts."""
    shown = _charts(data, HEARTS_END, charted_by(data))
    if not shown:
        return []
    blocks: list[Block] = [Figures(shown[:MOST_CHARTS]), Points([HOW_TO_READ])]
    names = [name for name in data.control_points["figure"].unique(maintain_order=True) if name != HEARTS_END]
    others = [chart for name in names for chart in _charts(data, name, "still")]
    if others:
        words = listed([label_of(name).lower() for name in names])
        blocks.append(Folded(f"The same for {words}", Figures(others)))
    lasting = _lasting(data)
    if lasting:
        blocks.append(
            Folded(
                "Moving range, EWMA and CUSUM of where hearts ended",
                Group([Points([LASTING]), Figures(lasting)]),
            )
        )
    return blocks


def _points(data: SeasonData, figure: str, grouping: str) -> list[pl.DataFrame]:
    """One frame a chart, its runs in order and marked where a rule fired."""
    points = data.control_points.filter((pl.col("figure") == figure) & (pl.col("grouping") == grouping))
    signals = (
        data.control_signals.filter(pl.col("figure") == figure)
        .group_by("grouping", "group_name", "batch", "run", maintain_order=True)
        .agg(pl.col("rule").str.join(", ").alias("signal_text"))
    )
    marked = points.join(
        signals, on=["grouping", "group_name", "batch", "run"], how="left", nulls_equal=True
    ).with_columns(
        pl.col("signal_text").fill_null(""),
        mark=pl.when(pl.col("signal_text").is_null()).then(pl.lit("run")).otherwise(pl.lit("stands out")),
        run_label=pl.col("batch") + " · " + pl.col("run"),
    )
    return [
        group.sort("run_position")
        for group in marked.partition_by("still", "group_name", maintain_order=True)
    ]


def _charts(data: SeasonData, figure: str, grouping: str) -> list[Figure]:
    return [_individuals(group, figure, place) for place, group in enumerate(_points(data, figure, grouping))]


def _individuals(group: pl.DataFrame, figure: str, place: int) -> Figure:
    texts = [with_unit(value, figure) for value in group["adjusted_value"]]
    drawn = group.with_columns(pl.Series("value_text", texts, dtype=pl.String)).select(
        "run_position",
        "adjusted_value",
        "centre",
        "lower_limit",
        "upper_limit",
        "run_label",
        "value_text",
        "signal_text",
        "mark",
    )
    out = drawn.filter(pl.col("mark") == "stands out").height
    low, high = (
        with_unit(value, figure) for value in (drawn["adjusted_value"].min(), drawn["adjusted_value"].max())
    )
    title = "Where hearts ended" if figure == HEARTS_END else label_of(figure)
    return Figure(
        f"control-{slug(figure)}-{place}",
        f"{title}: {_who(group)}",
        f"Control chart of {counted(drawn.height, 'run')}: {low} to {high}; "
        f"{counted(out, 'run')} with a signal.",
        page_spec(control_individuals(drawn, figure, PAGE)),
    )


def _lasting(data: SeasonData) -> list[Figure]:
    """Three charts a group: moving range, EWMA, both CUSUM sums."""
    figures = []
    for place, group in enumerate(_points(data, HEARTS_END, charted_by(data))):
        limited = group.with_columns(
            ewma_lower_limit=-pl.col("ewma_limit"),
            cusum_limit=pl.when(pl.col("cusum_up").is_not_null()).then(CUSUM_H),
        )
        for values, limits in (
            (["moving_range"], ["moving_range_limit"]),
            (["ewma"], ["ewma_limit", "ewma_lower_limit"]),
            (["cusum_up", "cusum_down"], ["cusum_limit"]),
        ):
            known = limited.filter(pl.col(values[0]).is_not_null())
            if known.is_empty():
                continue
            title = " and ".join(label_of(name) for name in values)
            peak = known.select(pl.max_horizontal(*values).max()).item()
            figures.append(
                Figure(
                    f"control-{slug(values[0])}-{place}",
                    f"{title}: {_who(group)}",
                    f"{title} of where hearts ended, {counted(known.height, 'run')}, at most {peak:.2f}.",
                    page_spec(control_lines(known, values, limits, PAGE)),
                )
            )
    return figures


def _who(group: pl.DataFrame) -> str:
    return str(group["group_name"][0] or "the still")
