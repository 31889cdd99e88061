"""Where the alcohol went: one bar a step from grain to cask, or one band. Draws only."""

from __future__ import annotations

import altair as alt
import polars as pl

from pipeline.charts.theme import FLOW_SIDES, LIGHT, Palette
from pipeline.charts.titles import axis_title

ROW_HEIGHT = 42


def where_alcohol_went(flow: pl.DataFrame, palette: Palette = LIGHT) -> alt.LayerChart:
    """Bars from grain to cask; what is carried on starts at zero, what is lost hangs behind.

    Takes one row a step, in order: `step` (its name), `side` ('carried', 'lost', 'stock' or
    'added'),
    `bar_from_lpa` and `bar_to_lpa` (where the bar begins and ends, LPA at 20 degC) and `words` (the
    name with its figures, printed over the bar: a narrow screen has no room beside it).
    """
    order = flow["step"].to_list()
    y = alt.Y("step:N", sort=order, title=None, axis=None)
    colours = dict(
        zip(FLOW_SIDES, (palette.carried, palette.lost, palette.stock, palette.added), strict=True)
    )
    sides = [side for side in FLOW_SIDES if side in set(flow["side"])]
    base = alt.Chart(flow)
    bars = base.mark_bar(height=16, yOffset=8).encode(
        x=alt.X("bar_from_lpa:Q", title=axis_title("lpa"), axis=alt.Axis(format=",~f")),
        x2="bar_to_lpa:Q",
        y=y,
        color=alt.Color(
            "side:N",
            title=None,
            scale=alt.Scale(domain=sides, range=[colours[side] for side in sides]),
        ),
        tooltip=[alt.Tooltip("words:N", title="step"), alt.Tooltip("side:N", title="which is")],
    )
    words = base.mark_text(align="left", baseline="middle", yOffset=-10, color=palette.ink).encode(
        x=alt.value(2), y=y, text="words:N"
    )
    return alt.LayerChart(layer=[bars, words], width="container", height=ROW_HEIGHT * max(len(order), 1))


BAND_HEIGHT = 34


def alcohol_band(bands: pl.DataFrame, words: pl.DataFrame, palette: Palette = LIGHT) -> alt.LayerChart:
    """One band from top to bottom, as wide as the alcohol it carries; each loss leaves it to the right.

    `bands` holds the outlines, points of one band together and in order: `step` (which band), `side`, `down`
    (how many steps from the top), `edge_lpa` (how far from the left, LPA at 20 degC), `place` (order of the
    points). `words` holds what is printed: `down` and `words`.
    """
    colours = dict(
        zip(FLOW_SIDES, (palette.carried, palette.lost, palette.stock, palette.added), strict=True)
    )
    sides = [side for side in FLOW_SIDES if side in set(bands["side"])]
    scale = alt.Scale(domain=sides, range=[colours[side] for side in sides])
    steps = int(words.height)
    y = alt.Y("down:Q", title=None, axis=None, scale=alt.Scale(domain=[0, steps], reverse=True, nice=False))
    outline = {
        "x": alt.X("edge_lpa:Q", title=axis_title("lpa"), axis=alt.Axis(format=",~f", grid=False)),
        "y": y,
        "order": "place:Q",
        "detail": "step:N",
        "fill": alt.Fill("side:N", title=None, scale=scale),
    }
    # The carried band is pale, because words stand on it; a loss thinner than a line is still a line.
    carried = alt.Chart(bands.filter(pl.col("side") == "carried"))
    leaving = alt.Chart(bands.filter(pl.col("side") != "carried"))
    layers = [
        carried.mark_line(filled=True, fillOpacity=0.3, strokeWidth=0).encode(**outline),
        leaving.mark_line(filled=True, strokeWidth=1).encode(
            **outline, stroke=alt.Stroke("side:N", title=None, scale=scale)
        ),
        alt.Chart(words)
        .mark_text(align="left", baseline="middle", color=palette.ink)
        .encode(x=alt.value(4), y=y, text="words:N"),
    ]
    return alt.LayerChart(layer=layers, width="container", height=BAND_HEIGHT * max(steps, 1))
