"""Scores of the panel by sample, one chart an attribute. Draws only."""

from __future__ import annotations

import altair as alt
import polars as pl

from pipeline.charts.theme import LIGHT, Palette
from pipeline.charts.titles import axis_title

ROW_HEIGHT = 24


def scores_by_sample(scores: pl.DataFrame, palette: Palette = LIGHT) -> alt.LayerChart:
    """Mean score of each sample for one attribute, with the 95 % interval where it can be had.

    `scores`: `sample_label` (in the order to show), `score_mean`, `score_low`, `score_high` (null
    with one score only), `score_text`. The axis is the whole scale, 0 to 10, on every chart, so that two
    attributes can be compared by eye; an interval that passes its end is cut there.
    """
    order = scores["sample_label"].to_list()
    y = alt.Y("sample_label:N", sort=order, title=None, axis=alt.Axis(labelFontSize=11, labelLimit=170))
    x_scale = alt.Scale(domain=[0, 10])
    base = alt.Chart(scores)
    bounded = alt.Chart(scores.filter(pl.col("score_low").is_not_null()))
    interval = bounded.mark_rule(color=palette.muted, strokeWidth=2, clip=True).encode(
        x=alt.X("score_low:Q", scale=x_scale), x2="score_high:Q", y=y
    )
    mean = base.mark_point(color=palette.carried, size=60).encode(
        x=alt.X("score_mean:Q", title=axis_title("score_mean"), scale=x_scale),
        y=y,
        tooltip=[
            alt.Tooltip("sample_label:N", title="sample"),
            alt.Tooltip("score_text:N", title="score"),
        ],
    )
    return alt.LayerChart(layer=[interval, mean], width="container", height=ROW_HEIGHT * max(len(order), 1))
