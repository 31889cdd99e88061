"""Cuts and strengths, run by run. Draws only."""

from __future__ import annotations

import altair as alt
import polars as pl

from pipeline.charts.theme import CUT_PARTS, LIGHT, Palette, cut_scale
from pipeline.charts.titles import axis_title, date_axis

TALLEST_PX = 1500
STRENGTH_SIGNS = ("hearts start", "hearts end")


def _row_step(rows: int) -> float:
    return min(18.0, TALLEST_PX / max(rows, 1))


def cut_fractions(parts: pl.DataFrame, palette: Palette = LIGHT) -> alt.LayerChart:
    """One stacked bar a spirit run: each part's share of the alcohol charged.

    `parts`: `run_label` (in the order to show), `part` (of `CUT_PARTS`), `part_rank`, `part_frac` (of
    the LPA charged, 0 to 1), `part_text`, and `hearts_text` (printed in the hearts, else empty).
    """
    order = parts["run_label"].unique(maintain_order=True).to_list()
    present = [part for part in CUT_PARTS if part in set(parts["part"])]
    step = _row_step(len(order))
    y = alt.Y("run_label:N", sort=order, title=None, axis=alt.Axis(labelOverlap=step < 11, labelFontSize=11))
    x = alt.X(
        "part_frac:Q", stack="zero", title=axis_title("lpa_frac"), axis=alt.Axis(format="~%", orient="top")
    )
    base = alt.Chart(parts)
    bars = base.mark_bar(height=alt.RelativeBandSize(0.8), stroke=palette.paper, strokeWidth=0.8).encode(
        x=x,
        y=y,
        color=alt.Color(
            "part:N", title=None, scale=cut_scale(present, palette), legend=alt.Legend(columns=2)
        ),
        order=alt.Order("part_rank:Q"),
        tooltip=[
            alt.Tooltip("run_label:N", title="run"),
            alt.Tooltip("part:N", title="part"),
            alt.Tooltip("part_text:N", title="share"),
        ],
    )
    words = base.mark_text(align="center", color=palette.on_hearts, fontSize=10.5).encode(
        x=alt.X("part_frac:Q", stack="zero", bandPosition=0.5),
        y=y,
        order=alt.Order("part_rank:Q"),
        detail="part:N",
        text="hearts_text:N",
    )
    layers = [bars, words] if step >= 11 else [bars]
    return alt.LayerChart(layer=layers, width="container", height=step * max(len(order), 1))


def hearts_strengths(runs: pl.DataFrame, palette: Palette = LIGHT) -> alt.LayerChart:
    """Strength at the spout where hearts began and ended, each run at its date.

    `runs`: one row a run and end: `run_label`, `started_at`, `sign` ('hearts start', 'hearts end'),
    `strength_pct_vol` (at 20 degC), `strength_text`; and, for the line between the two,
    `hearts_start_pct_vol` and `hearts_end_pct_vol`.
    """
    x = alt.X(
        "started_at:T",
        title=axis_title("started_at"),
        axis=date_axis(),
        scale=alt.Scale(padding=12),
    )
    scale = alt.Scale(zero=False, nice=True, padding=8)
    base = alt.Chart(runs)
    line = base.mark_rule(color=palette.grid, strokeWidth=2).encode(
        x=x, y=alt.Y("hearts_start_pct_vol:Q", scale=scale), y2="hearts_end_pct_vol:Q"
    )
    signs = list(STRENGTH_SIGNS)
    points = base.mark_point().encode(
        x=x,
        y=alt.Y("strength_pct_vol:Q", title="Strength at the spout (%vol at 20 °C)", scale=scale),
        color=alt.Color(
            "sign:N", title=None, scale=alt.Scale(domain=signs, range=[palette.carried, palette.accent])
        ),
        shape=alt.Shape(
            "sign:N", title=None, scale=alt.Scale(domain=signs, range=["triangle-up", "triangle-down"])
        ),
        tooltip=[
            alt.Tooltip("run_label:N", title="run"),
            alt.Tooltip("sign:N", title="at"),
            alt.Tooltip("strength_text:N", title="strength"),
        ],
    )
    return alt.LayerChart(layer=[line, points], width="container", height=300)
