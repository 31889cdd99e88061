"""What thermometers, loggers and tasted jars say over a run. Draws only."""

from __future__ import annotations

import altair as alt
import polars as pl

from pipeline.charts.theme import LIGHT, Palette
from pipeline.charts.titles import axis_title


def _over_run() -> alt.X:
    return alt.X("curve_lpa_frac_end:Q", title=axis_title("curve_lpa_frac_end"), axis=alt.Axis(format="~%"))


def differences_over_run(readings: pl.DataFrame, palette: Palette = LIGHT) -> alt.LayerChart:
    """Temperature read less that of the strength there, over the run; kettle and vapour told apart.

    `readings`: `curve_lpa_frac_end`, `temperature_difference_c`, `thermometer` ('kettle' or 'vapour'),
    `run_label`, `mark` ('agrees' or 'does not go with it').
    """
    y = alt.Y("temperature_difference_c:Q", title=axis_title("temperature_difference_c"))
    level = alt.Chart(readings).mark_rule(color=palette.muted, strokeDash=[5, 4]).encode(y=alt.datum(0))
    places = ["kettle", "vapour"]
    dots = (
        alt.Chart(readings)
        .mark_point(size=34, opacity=0.75)
        .encode(
            x=_over_run(),
            y=y,
            color=alt.Color(
                "thermometer:N",
                title=None,
                scale=alt.Scale(domain=places, range=[palette.carried, palette.lost]),
            ),
            shape=alt.Shape(
                "thermometer:N", title=None, scale=alt.Scale(domain=places, range=["circle", "triangle-up"])
            ),
            tooltip=[
                alt.Tooltip("run_label:N", title="run"),
                alt.Tooltip("thermometer:N", title="thermometer"),
                alt.Tooltip("mark:N", title="strength"),
            ],
        )
    )
    return alt.LayerChart(layer=[level, dots], width="container", height=240)


def sensors_over_run(jars: pl.DataFrame, column: str, palette: Palette = LIGHT) -> alt.LayerChart:
    """One sensor's mean while each jar filled: a line a run.

    `jars`: `run_label`, `curve_lpa_frac_end` and the sensor's column.
    """
    y = alt.Y(f"{column}:Q", title=axis_title(column), scale=alt.Scale(zero=False, nice=True))
    base = alt.Chart(jars)
    lines = base.mark_line(color=palette.carried, strokeWidth=1, opacity=0.5).encode(
        x=_over_run(), y=y, detail="run_label:N"
    )
    dots = base.mark_point(color=palette.carried, size=18).encode(
        x=_over_run(), y=y, tooltip=[alt.Tooltip("run_label:N", title="run")]
    )
    return alt.LayerChart(layer=[lines, dots], width="container", height=240)


def jars_beside_hearts(jars: pl.DataFrame, palette: Palette = LIGHT) -> alt.LayerChart:
    """Scores of jars less the hearts' of the same evening, by distance from the cut; heads left of nought.

    `jars`: `place_frac`, `score_beside_hearts`, `beside_low`, `beside_high` (null: one assessor), `label`,
    `cut`.
    """
    x = alt.X("place_frac:Q", title=axis_title("from_cut_lpa_frac"), axis=alt.Axis(format="~%"))
    title = axis_title("score_beside_hearts")
    level = alt.Chart(jars).mark_rule(color=palette.muted, strokeDash=[5, 4]).encode(y=alt.datum(0))
    cut = alt.Chart(jars).mark_rule(color=palette.muted).encode(x=alt.datum(0))
    layers: list[alt.Chart] = [level, cut]
    known = jars.filter(pl.col("beside_low").is_not_null())
    if known.height:
        layers.append(
            alt.Chart(known)
            .mark_rule(color=palette.grid, strokeWidth=2)
            .encode(x=x, y=alt.Y("beside_low:Q", title=title), y2="beside_high:Q")
        )
    dots = (
        alt.Chart(jars)
        .mark_point(color=palette.carried, size=50)
        .encode(
            x=x,
            y=alt.Y("score_beside_hearts:Q", title=title),
            shape=alt.Shape("cut:N", title=None),
            tooltip=[alt.Tooltip("label:N", title="jar")],
        )
    )
    return alt.LayerChart(layer=[*layers, dots], width="container", height=260)
