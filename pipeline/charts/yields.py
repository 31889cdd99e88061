"""Yield by batch, and by grain bill or yeast: every batch a point. Draws only."""

from __future__ import annotations

import altair as alt
import polars as pl

from pipeline.charts.theme import LIGHT, Palette, series_scales
from pipeline.charts.titles import axis_title, date_axis

YIELD = "yield_lpa_per_kg"
ROW_HEIGHT = 54


def yield_by_batch(
    batches: pl.DataFrame, season: pl.DataFrame, group: str, palette: Palette = LIGHT
) -> alt.LayerChart:
    """Yield of each batch in date order, with the season's figure as a dashed line.

    `batches`: `batch`, `mashed_on`, `yield_lpa_per_kg`, `yield_text` and the column named by `group`
    (at most eight values), which gives colour and shape. `season`: one row, `yield_lpa_per_kg` and
    `season_label`.
    """
    colour, shape = series_scales(batches[group].unique(maintain_order=True).to_list(), palette)
    y = alt.Y(f"{YIELD}:Q", title=axis_title(YIELD), scale=alt.Scale(zero=False, nice=True, padding=8))
    title = axis_title(group)
    points = (
        alt.Chart(batches)
        .mark_point()
        .encode(
            x=alt.X(
                "mashed_on:T",
                title=axis_title("mashed_on"),
                axis=date_axis(),
                scale=alt.Scale(padding=12),
            ),
            y=y,
            color=alt.Color(f"{group}:N", title=title, scale=colour, legend=alt.Legend(columns=2)),
            shape=alt.Shape(f"{group}:N", title=title, scale=shape, legend=alt.Legend(columns=2)),
            tooltip=[
                alt.Tooltip("batch:N", title="batch"),
                alt.Tooltip("yield_text:N", title="yield"),
                alt.Tooltip(f"{group}:N", title=title),
            ],
        )
    )
    line = alt.Chart(season).mark_rule(strokeDash=[6, 4], color=palette.muted).encode(y=f"{YIELD}:Q")
    label = alt.Chart(season).encode(x=alt.value("width"), y=f"{YIELD}:Q", text="season_label:N")
    # A halo of paper keeps the words readable where points lie behind them.
    halo = label.mark_text(align="right", dy=-7, stroke=palette.paper, strokeWidth=4)
    name = label.mark_text(align="right", dy=-7, color=palette.muted)
    layers = [line, points, halo, name]
    return alt.LayerChart(layer=layers, width="container", height=300)


def yield_by_group(batches: pl.DataFrame, groups: pl.DataFrame, palette: Palette = LIGHT) -> alt.LayerChart:
    """Each group's batches as points, its mean as a bar across, and the 95 % interval of the mean.

    `groups`: `group_label` (in the order to show), `yield_mean_lpa_per_kg`, `yield_low_lpa_per_kg`,
    `yield_high_lpa_per_kg` (null below three batches), `interval_text`. `batches`: `group_label`, `batch`,
    `yield_lpa_per_kg`, `yield_text`.
    """
    order = groups["group_label"].to_list()
    # The name stands over its row: a narrow screen has no room for it beside the points.
    y = alt.Y("group_label:N", sort=order, title=None, axis=alt.Axis(labels=False))
    x_scale = alt.Scale(zero=False, nice=True, padding=10)
    points = (
        alt.Chart(batches)
        .mark_point(filled=False, size=55, opacity=0.85, color=palette.carried, yOffset=12)
        .encode(
            x=alt.X(f"{YIELD}:Q", title=axis_title(YIELD), scale=x_scale),
            y=y,
            tooltip=[alt.Tooltip("batch:N", title="batch"), alt.Tooltip("yield_text:N", title="yield")],
        )
    )
    base = alt.Chart(groups)
    bounded = groups.filter(pl.col("yield_low_lpa_per_kg").is_not_null())
    interval = (
        alt.Chart(bounded)
        .mark_rule(color=palette.accent, strokeWidth=2.5)
        .encode(x=alt.X("yield_low_lpa_per_kg:Q", scale=x_scale), x2="yield_high_lpa_per_kg:Q", y=y)
    )
    mean = base.mark_point(shape="diamond", filled=True, size=110, opacity=1, color=palette.accent).encode(
        x=alt.X("yield_mean_lpa_per_kg:Q", scale=x_scale),
        y=y,
        tooltip=[alt.Tooltip("interval_text:N", title="mean")],
    )
    name = base.mark_text(align="left", baseline="middle", yOffset=-16).encode(
        x=alt.value(2), y=y, text="group_label:N"
    )
    # A layer without a row has no extent to draw to.
    layers = [points, *([interval] if bounded.height else []), mean, name]
    return alt.LayerChart(layer=layers, width="container", height=ROW_HEIGHT * max(len(order), 1))
