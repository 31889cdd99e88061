"""How steady the cuts are: control charts, a run's profile, the still's own number, litres against scores.

Draws only: limits, means and intervals come with the frames.
"""

from __future__ import annotations

from collections.abc import Sequence

import altair as alt
import polars as pl

from pipeline.charts.theme import LIGHT, Palette
from pipeline.charts.titles import axis_title, date_axis


def _percent(name: str) -> alt.Axis:
    """Fractions are shown as per cent, everything else as it is."""
    return alt.Axis(format="~%") if name.endswith("_frac") else alt.Axis()


def control_individuals(points: pl.DataFrame, figure: str, palette: Palette = LIGHT) -> alt.LayerChart:
    """An individuals chart: every run in order, its limits and centre, runs with a signal marked.

    `points`: `run_position`, `adjusted_value`, `centre`, `lower_limit`, `upper_limit` (null: no limits),
    `run_label`, `value_text`, `signal_text` (empty: none), `mark` ('run' or 'stands out'). `figure` is the
    column charted, whose title and unit the axis takes.
    """
    x = alt.X("run_position:Q", title=axis_title("run_position"), axis=alt.Axis(tickMinStep=1, format="d"))
    scale = alt.Scale(zero=False, nice=True, padding=8)

    def y(name: str) -> alt.Y:
        return alt.Y(f"{name}:Q", title=axis_title(figure), scale=scale, axis=_percent(figure))

    base = alt.Chart(points)
    # A layer of nulls alone has no extent to draw, and says so in the reader's console.
    limits = [
        base.mark_line(interpolate="step", color=palette.muted, strokeDash=[5, 4], strokeWidth=1.2).encode(
            x=x, y=y(name)
        )
        for name in ("lower_limit", "upper_limit")
        if points[name].is_not_null().any()
    ]
    if points["centre"].is_null().all():
        centre: list[alt.Chart] = []
    else:
        centre = [base.mark_line(color=palette.muted, strokeWidth=1).encode(x=x, y=y("centre"))]
    path = base.mark_line(color=palette.grid, strokeWidth=1.5).encode(x=x, y=y("adjusted_value"))
    marks = ["run", "stands out"]
    dots = base.mark_point(size=46).encode(
        x=x,
        y=y("adjusted_value"),
        color=alt.Color(
            "mark:N", title=None, scale=alt.Scale(domain=marks, range=[palette.carried, palette.lost])
        ),
        shape=alt.Shape("mark:N", title=None, scale=alt.Scale(domain=marks, range=["circle", "diamond"])),
        tooltip=[
            alt.Tooltip("run_label:N", title="run"),
            alt.Tooltip("value_text:N", title="value"),
            alt.Tooltip("signal_text:N", title="signal"),
        ],
    )
    return alt.LayerChart(layer=[*limits, *centre, path, dots], width="container", height=200)


def control_lines(
    points: pl.DataFrame, values: Sequence[str], limits: Sequence[str], palette: Palette = LIGHT
) -> alt.LayerChart:
    """What adds up from run to run, with the limits beyond which it signals.

    `points`: `run_position`, `run_label`, each of `values` (drawn as lines with points; the first gives
    the axis its title) and of `limits` (dashed).
    """
    x = alt.X("run_position:Q", title=axis_title("run_position"), axis=alt.Axis(tickMinStep=1, format="d"))
    base = alt.Chart(points)
    layers = [
        base.mark_line(color=palette.muted, strokeDash=[5, 4], strokeWidth=1.2).encode(
            x=x, y=alt.Y(f"{name}:Q", title=axis_title(values[0]))
        )
        for name in limits
        if points[name].is_not_null().any()
    ]
    for name, colour in zip(values, (palette.carried, palette.lost), strict=False):
        y = alt.Y(f"{name}:Q", title=axis_title(values[0]))
        layers.append(base.mark_line(color=colour, strokeWidth=1.2).encode(x=x, y=y))
        layers.append(
            base.mark_point(color=colour, size=26).encode(
                x=x, y=y, tooltip=[alt.Tooltip("run_label:N", title="run"), alt.Tooltip(f"{name}:Q")]
            )
        )
    return alt.LayerChart(layer=layers, width="container", height=160)


def run_profile(jars: pl.DataFrame, suspects: pl.DataFrame, palette: Palette = LIGHT) -> alt.LayerChart:
    """Strength in the jars along the run: one line a run by its curve, suspect readings as diamonds.

    `jars`: `run_label`, `curve_lpa_frac_end`, `expected_abv_pct_vol`. `suspects`: the same place with
    `abv_20c_pct_vol` and `suspect_text`.
    """
    x = alt.X("curve_lpa_frac_end:Q", title=axis_title("curve_lpa_frac_end"), axis=alt.Axis(format="~%"))
    y_title = axis_title("expected_abv_pct_vol")
    lines = (
        alt.Chart(jars)
        .mark_line(color=palette.carried, strokeWidth=1, opacity=0.35)
        .encode(x=x, y=alt.Y("expected_abv_pct_vol:Q", title=y_title), detail="run_label:N")
    )
    dots = (
        alt.Chart(suspects)
        .mark_point(color=palette.lost, shape="diamond", size=80)
        .encode(
            x=x,
            y=alt.Y("abv_20c_pct_vol:Q", title=y_title),
            tooltip=[
                alt.Tooltip("run_label:N", title="run"),
                alt.Tooltip("suspect_text:N", title="reading"),
            ],
        )
    )
    return alt.LayerChart(layer=[lines, dots] if suspects.height else [lines], width="container", height=300)


def stages_by_run(runs: pl.DataFrame, palette: Palette = LIGHT) -> alt.LayerChart:
    """Effective stages of each run with their 95 % interval, by date, and the still's own mean.

    `runs`: `run_label`, `started_at`, `stages`, `stages_low`, `stages_high`, `stages_mean`, `stages_text`,
    `mark` ('run' or 'off its still').
    """
    x = alt.X("started_at:T", title=axis_title("started_at"), axis=date_axis(), scale=alt.Scale(padding=12))
    scale = alt.Scale(zero=False, nice=True, padding=8)
    base = alt.Chart(runs)
    spans = base.mark_rule(color=palette.grid, strokeWidth=2).encode(
        x=x, y=alt.Y("stages_low:Q", scale=scale), y2="stages_high:Q"
    )
    mean = base.mark_line(color=palette.muted, strokeDash=[5, 4], strokeWidth=1.2).encode(
        x=x, y=alt.Y("stages_mean:Q", scale=scale)
    )
    marks = ["run", "off its still"]
    dots = base.mark_point(size=46).encode(
        x=x,
        y=alt.Y("stages:Q", title=axis_title("stages"), scale=scale),
        color=alt.Color(
            "mark:N", title=None, scale=alt.Scale(domain=marks, range=[palette.carried, palette.lost])
        ),
        shape=alt.Shape("mark:N", title=None, scale=alt.Scale(domain=marks, range=["circle", "diamond"])),
        tooltip=[
            alt.Tooltip("run_label:N", title="run"),
            alt.Tooltip("stages_text:N", title="stages"),
        ],
    )
    return alt.LayerChart(layer=[spans, mean, dots], width="container", height=240)


def strip_recoveries(runs: pl.DataFrame, palette: Palette = LIGHT) -> alt.LayerChart:
    """Recovery of each stripping run, as logged and as its still should give at its stop, by date.

    `runs`: one row a run and kind: `run_label`, `started_at`, `mark` ('as logged', 'expected'),
    `recovery_frac` (0 to 1; measurement error can take it past 1), `recovery_text`, `stop_text`.
    """
    marks = ["as logged", "expected"]
    dots = (
        alt.Chart(runs)
        .mark_point(size=42)
        .encode(
            x=alt.X(
                "started_at:T",
                title=axis_title("started_at"),
                axis=date_axis(),
                scale=alt.Scale(padding=12),
            ),
            y=alt.Y(
                "recovery_frac:Q",
                title=axis_title("recovery_frac"),
                scale=alt.Scale(zero=False, nice=True, padding=8),
                axis=alt.Axis(format="~%"),
            ),
            color=alt.Color(
                "mark:N", title=None, scale=alt.Scale(domain=marks, range=[palette.carried, palette.accent])
            ),
            shape=alt.Shape("mark:N", title=None, scale=alt.Scale(domain=marks, range=["circle", "diamond"])),
            tooltip=[
                alt.Tooltip("run_label:N", title="run"),
                alt.Tooltip("mark:N", title="recovery"),
                alt.Tooltip("recovery_text:N", title="recovered"),
                alt.Tooltip("stop_text:N", title="stopped at"),
            ],
        )
    )
    return alt.LayerChart(layer=[dots], width="container", height=260)


def cut_tradeoff(shifts: pl.DataFrame, palette: Palette = LIGHT) -> alt.LayerChart:
    """Litres gained against the change of score, for hearts ended earlier or later, with 95 % intervals.

    `shifts`: `lpa_change_per_batch`, `score_change`, `score_change_low`, `score_change_high`, `shift_text`;
    with a row of noughts for the cut as it is.
    """
    x = alt.X("lpa_change_per_batch:Q", title=axis_title("lpa_change_per_batch"))
    base = alt.Chart(shifts)
    spans = base.mark_rule(color=palette.carried, strokeWidth=2).encode(
        x=x, y=alt.Y("score_change_low:Q", title=axis_title("score_change")), y2="score_change_high:Q"
    )
    dots = base.mark_point(color=palette.carried, size=60).encode(x=x, y=alt.Y("score_change:Q"))
    words = base.mark_text(dy=-9, dx=6, align="left", color=palette.ink, fontSize=10.5).encode(
        x=x, y=alt.Y("score_change:Q"), text="shift_text:N"
    )
    level = alt.Chart(shifts).mark_rule(color=palette.muted, strokeDash=[5, 4]).encode(y=alt.datum(0))
    return alt.LayerChart(layer=[level, spans, dots, words], width="container", height=260)
