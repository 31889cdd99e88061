"""Casks: what they lost and how their strength moved. Draws only."""

from __future__ import annotations

import altair as alt
import polars as pl

from pipeline.charts.theme import LIGHT, Palette, series_scales
from pipeline.charts.titles import axis_title

STRENGTH_SIGNS = ("at fill", "last measured")


# A long name in two lines, broken at its last space before the limit: every name has one after its kind.
_LINE_LETTERS = 26
_BREAK = f"lastindexof(slice(datum.label, 0, {_LINE_LETTERS}), ' ')"
_TWO_LINES = (
    f"length(datum.label) <= {_LINE_LETTERS} ? datum.label : "
    f"[slice(datum.label, 0, {_BREAK}), slice(datum.label, {_BREAK} + 1)]"
)


def _height(rows: int) -> int:
    """Rows stand closer where there are many, so that a full cellar still fits a page of paper."""
    return (24 if rows <= 30 else 15) * max(rows, 1)


def cask_loss(casks: pl.DataFrame, palette: Palette = LIGHT) -> alt.Chart:
    """Share of its alcohol each cask loses a year, coloured and shaped by wood.

    `casks`: `cask_label` (in the order to show), `wood` (at most eight), `loss_frac_per_year`, `loss_text`.
    """
    order = casks["cask_label"].to_list()
    colour, shape = series_scales(casks["wood"].unique(maintain_order=True).to_list(), palette)
    title = axis_title("wood")
    chart: alt.Chart = (
        alt.Chart(casks, width="container", height=_height(len(order)))
        .mark_point(size=80)
        .encode(
            x=alt.X(
                "loss_frac_per_year:Q",
                title=axis_title("loss_frac_per_year"),
                axis=alt.Axis(format="~%"),
                scale=alt.Scale(zero=True, nice=True),
            ),
            y=alt.Y("cask_label:N", sort=order, title=None),
            color=alt.Color("wood:N", title=title, scale=colour, legend=alt.Legend(columns=2)),
            shape=alt.Shape("wood:N", title=title, scale=shape, legend=alt.Legend(columns=2)),
            tooltip=[
                alt.Tooltip("cask_label:N", title="cask"),
                alt.Tooltip("loss_text:N", title="lost"),
                alt.Tooltip("wood:N", title=title),
            ],
        )
    )
    return chart


def cask_strength(strengths: pl.DataFrame, palette: Palette = LIGHT) -> alt.LayerChart:
    """Strength of each cask at its fill and when it was last measured, joined by a line.

    `strengths`: one row a cask and moment: `cask_label`, `sign` ('at fill', 'last measured'),
    `strength_pct_vol` (at 20 degC), `strength_text`; `fill_abv_pct_vol` and `last_abv_pct_vol` for the line.
    """
    order = strengths["cask_label"].unique(maintain_order=True).to_list()
    y = alt.Y("cask_label:N", sort=order, title=None)
    x_scale = alt.Scale(zero=False, nice=True, padding=8)
    signs = list(STRENGTH_SIGNS)
    base = alt.Chart(strengths)
    line = base.mark_rule(color=palette.grid, strokeWidth=2).encode(
        x=alt.X("fill_abv_pct_vol:Q", scale=x_scale), x2="last_abv_pct_vol:Q", y=y
    )
    points = base.mark_point().encode(
        x=alt.X("strength_pct_vol:Q", title="Strength (%vol at 20 °C)", scale=x_scale),
        y=y,
        color=alt.Color(
            "sign:N", title=None, scale=alt.Scale(domain=signs, range=[palette.muted, palette.carried])
        ),
        shape=alt.Shape("sign:N", title=None, scale=alt.Scale(domain=signs, range=["diamond", "circle"])),
        tooltip=[
            alt.Tooltip("cask_label:N", title="cask"),
            alt.Tooltip("sign:N", title="when"),
            alt.Tooltip("strength_text:N", title="strength"),
        ],
    )
    return alt.LayerChart(layer=[line, points], width="container", height=_height(len(order)))


def cask_comparison(groups: pl.DataFrame, palette: Palette = LIGHT) -> alt.LayerChart:
    """How many times what its size leads to each wood, size and place loses, with 95 % intervals.

    `groups`: `group_label` (in order), `loss_over_predicted`, its `_low` and `_high`, `group_text`.
    """
    order = groups["group_label"].to_list()
    has_two_lines = any(len(name) > _LINE_LETTERS for name in order)
    y = alt.Y("group_label:N", sort=order, title=None, axis=alt.Axis(labelLimit=170, labelExpr=_TWO_LINES))
    x_scale = alt.Scale(zero=True, nice=True)
    base = alt.Chart(groups)
    as_size = (
        alt.Chart(pl.DataFrame({"loss_over_predicted": [1.0]}))
        .mark_rule(color=palette.muted, strokeDash=[4, 4])
        .encode(x="loss_over_predicted:Q")
    )
    interval = base.mark_rule(color=palette.muted, strokeWidth=2).encode(
        x=alt.X("loss_over_predicted_low:Q", scale=x_scale), x2="loss_over_predicted_high:Q", y=y
    )
    points = base.mark_point(size=70, color=palette.carried, filled=True).encode(
        x=alt.X("loss_over_predicted:Q", title="Times what the size leads to", scale=x_scale),
        y=y,
        tooltip=[alt.Tooltip("group_label:N", title="casks"), alt.Tooltip("group_text:N", title="loses")],
    )
    return alt.LayerChart(
        layer=[as_size, interval, points],
        width="container",
        height=(36 if has_two_lines else 24) * len(order),
    )
