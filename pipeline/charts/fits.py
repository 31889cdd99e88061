"""What the fits say: effects with intervals, what explains the variation, rankings, left-out predictions."""

from __future__ import annotations

import altair as alt
import polars as pl

from pipeline.charts.labels import USUAL_WIDTH, label_layers, label_sides
from pipeline.charts.theme import LIGHT, Palette
from pipeline.charts.titles import date_axis

ROW_HEIGHT = 40
TRADE_OFF_HEIGHT = 320

FAMILY_ORDER = (
    "grain bill",
    "yeast",
    "grain and yeast together",
    "process",
    "cask wood",
    "setting",
    "nothing logged",
)


def effect_intervals(effects: pl.DataFrame, title: str, palette: Palette = LIGHT) -> alt.LayerChart:
    """Each effect as a point with its 95 % interval, nought as a line.

    `effects`: `words` (in the order to show), `estimate`, `estimate_low`, `estimate_high`, `said` (what may
    be said of it), `text`. `title` names the axis with its unit.
    """
    order = effects["words"].to_list()
    y = alt.Y("words:N", sort=order, title=None, axis=alt.Axis(labels=False))
    base = alt.Chart(effects)
    scale = alt.Scale(zero=True, nice=True, padding=8)
    zero = base.mark_rule(strokeDash=[4, 4], color=palette.muted).encode(x=alt.datum(0))
    interval = base.mark_rule(color=palette.carried, strokeWidth=2.5).encode(
        x=alt.X("estimate_low:Q", title=title, scale=scale), x2="estimate_high:Q", y=y
    )
    said = sorted(set(effects["said"].to_list()))
    point = base.mark_point(filled=True, size=90, opacity=1, color=palette.accent).encode(
        x=alt.X("estimate:Q", scale=scale),
        y=y,
        shape=alt.Shape(
            "said:N",
            title=None,
            scale=alt.Scale(domain=said, range=["diamond", "circle", "square", "cross"][: len(said)]),
        ),
        tooltip=[alt.Tooltip("text:N", title="effect")],
    )
    name = base.mark_text(align="left", baseline="middle", yOffset=-14).encode(
        x=alt.value(2), y=y, text="words:N"
    )
    return alt.LayerChart(
        layer=[zero, interval, point, name], width="container", height=ROW_HEIGHT * max(len(order), 1)
    )


def explained_bars(shares: pl.DataFrame, palette: Palette = LIGHT) -> alt.LayerChart:
    """A bar for each response, its parts the families' shares of the variation.

    `shares`: `words` (the response, in the order to show), `family_words` (of `FAMILY_ORDER`), `start`
    and `end` (0 to 1), `text`.
    """
    order = shares["words"].unique(maintain_order=True).to_list()
    used = [family for family in FAMILY_ORDER if family in set(shares["family_words"])]
    colours = dict(zip(FAMILY_ORDER, (*palette.series[:6], palette.gap), strict=True))
    y = alt.Y("words:N", sort=order, title=None, axis=alt.Axis(labels=False))
    bars = (
        alt.Chart(shares)
        .mark_bar(height=13, yOffset=7, stroke=palette.paper, strokeWidth=1)
        .encode(
            x=alt.X(
                "start:Q",
                title="share of the variation",
                axis=alt.Axis(format="%"),
                scale=alt.Scale(domain=[0, 1]),
            ),
            x2="end:Q",
            y=y,
            color=alt.Color(
                "family_words:N",
                title=None,
                scale=alt.Scale(domain=used, range=[colours[family] for family in used]),
                legend=alt.Legend(columns=3),
            ),
            tooltip=[alt.Tooltip("text:N", title="share")],
        )
    )
    names = alt.Chart(shares.unique("words", maintain_order=True))
    name = names.mark_text(align="left", baseline="middle", yOffset=-10).encode(
        x=alt.value(2), y=y, text="words:N"
    )
    return alt.LayerChart(layer=[bars, name], width="container", height=ROW_HEIGHT * max(len(order), 1))


def ranking(
    ranks: pl.DataFrame, points: pl.DataFrame, title: str, palette: Palette = LIGHT
) -> alt.LayerChart:
    """Adjusted means with 95 % intervals, every unit's own value as a circle.

    `ranks`: `label` (in the order to show), `adjusted_mean`, `adjusted_low`, `adjusted_high`, `text`.
    `points`: `label`, `observed`, `unit`, `value_text`.
    """
    order = ranks["label"].to_list()
    y = alt.Y("label:N", sort=order, title=None, axis=alt.Axis(labels=False))
    scale = alt.Scale(zero=False, nice=True, padding=10)
    raw = (
        alt.Chart(points)
        .mark_point(filled=False, size=45, opacity=0.8, color=palette.carried, yOffset=11)
        .encode(
            x=alt.X("observed:Q", title=title, scale=scale),
            y=y,
            tooltip=[alt.Tooltip("unit:N", title="batch"), alt.Tooltip("value_text:N", title="measured")],
        )
    )
    base = alt.Chart(ranks)
    interval = base.mark_rule(color=palette.accent, strokeWidth=2.5).encode(
        x=alt.X("adjusted_low:Q", scale=scale), x2="adjusted_high:Q", y=y
    )
    mean = base.mark_point(shape="diamond", filled=True, size=100, opacity=1, color=palette.accent).encode(
        x=alt.X("adjusted_mean:Q", scale=scale), y=y, tooltip=[alt.Tooltip("text:N", title="adjusted mean")]
    )
    name = base.mark_text(align="left", baseline="middle", yOffset=-14).encode(
        x=alt.value(2), y=y, text="label:N"
    )
    return alt.LayerChart(
        layer=[raw, interval, mean, name], width="container", height=48 * max(len(order), 1)
    )


def trade_off(bills: pl.DataFrame, x_title: str, y_title: str, palette: Palette = LIGHT) -> alt.LayerChart:
    """Yield against score: adjusted means as points, their intervals as crosses.

    `bills`: `name`, `x`, `x_low`, `x_high`, `y`, `y_low`, `y_high`, `text`.
    """
    sides = label_sides(
        bills["x"].to_list(),
        bills["y"].to_list(),
        bills["name"].to_list(),
        (
            min(bills["x_low"].to_list()),
            max(bills["x_high"].to_list()),
            min(bills["y_low"].to_list()),
            max(bills["y_high"].to_list()),
        ),
        (USUAL_WIDTH, TRADE_OFF_HEIGHT),
    )
    base = alt.Chart(bills.with_columns(label_side=pl.Series(sides, dtype=pl.String)))
    x_scale, y_scale = alt.Scale(zero=False, padding=14), alt.Scale(zero=False, padding=14)
    x = alt.X("x:Q", title=x_title, scale=x_scale)
    y = alt.Y("y:Q", title=y_title, scale=y_scale)
    across = base.mark_rule(color=palette.still).encode(x=alt.X("x_low:Q", scale=x_scale), x2="x_high:Q", y=y)
    along = base.mark_rule(color=palette.still).encode(x=x, y=alt.Y("y_low:Q", scale=y_scale), y2="y_high:Q")
    point = base.mark_point(filled=True, size=90, opacity=1, color=palette.accent).encode(
        x=x, y=y, tooltip=[alt.Tooltip("text:N", title="bill")]
    )
    names = label_layers(base, x, y, "name:N", sides, lift=11.0)
    return alt.LayerChart(layer=[across, along, point, *names], width="container", height=TRADE_OFF_HEIGHT)


def left_out(predictions: pl.DataFrame, title: str, palette: Palette = LIGHT) -> alt.LayerChart:
    """Each unit's result against what the others foretell of it; on the line, foretold exactly.

    `predictions`: `unit`, `observed`, `predicted`, `predicted_low`, `predicted_high`, `said` ('as foretold'
    or 'far off'), `text`; and the two ends of the line in `ends`: rows with `unit` null.
    """
    scale = alt.Scale(zero=False, nice=True, padding=10)
    base = alt.Chart(predictions)
    x = alt.X("predicted:Q", title=f"foretold by the others: {title}", scale=scale)
    y = alt.Y("observed:Q", title=f"measured: {title}", scale=scale)
    line = base.mark_line(color=palette.muted, strokeDash=[4, 4], strokeWidth=1.5).encode(
        x="observed:Q", y="observed:Q"
    )
    interval = base.mark_rule(color=palette.gap).encode(
        x=alt.X("predicted_low:Q", scale=scale), x2="predicted_high:Q", y=y
    )
    point = base.mark_point(filled=True, size=60, opacity=0.95).encode(
        x=x,
        y=y,
        color=alt.Color(
            "said:N",
            title=None,
            scale=alt.Scale(domain=["as foretold", "far off"], range=[palette.carried, palette.accent]),
        ),
        shape=alt.Shape(
            "said:N",
            title=None,
            scale=alt.Scale(domain=["as foretold", "far off"], range=["circle", "diamond"]),
        ),
        tooltip=[alt.Tooltip("unit:N", title="batch"), alt.Tooltip("text:N", title="measured")],
    )
    return alt.LayerChart(layer=[interval, line, point], width="container", height=320)


def residuals_in_order(predictions: pl.DataFrame, palette: Palette = LIGHT) -> alt.LayerChart:
    """What each unit was off by, in the order of making: a slope would be a drift.

    `predictions`: `position`, `unit`, `off_by_sd`, `text`.
    """
    x = alt.X("position:Q", title="batch, in the order of mashing", scale=alt.Scale(padding=10))
    return _residuals(predictions, x, palette)


def residuals_by_day(predictions: pl.DataFrame, palette: Palette = LIGHT) -> alt.LayerChart:
    """What each unit was off by, by the day it was made.

    `predictions`: `made_on`, `unit`, `off_by_sd`, `text`.
    """
    x = alt.X("made_on:T", title="day of mashing", axis=date_axis(), scale=alt.Scale(padding=10))
    return _residuals(predictions, x, palette)


def _residuals(predictions: pl.DataFrame, x: alt.X, palette: Palette) -> alt.LayerChart:
    base = alt.Chart(predictions)
    zero = base.mark_rule(color=palette.muted).encode(y=alt.datum(0))
    point = base.mark_point(filled=True, size=60, color=palette.carried).encode(
        x=x,
        y=alt.Y("off_by_sd:Q", title="left over (standard deviations)"),
        tooltip=[alt.Tooltip("unit:N", title="batch"), alt.Tooltip("text:N", title="measured")],
    )
    return alt.LayerChart(layer=[zero, point], width="container", height=220)
