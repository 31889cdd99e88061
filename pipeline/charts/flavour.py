"""Flavour: the map of samples with its doubt, and what made the variance. Draws only.

An ellipse arrives as half-axes and a direction; its outline is drawn from them here, as a circle is from a
radius.
"""

from __future__ import annotations

import math

import altair as alt
import polars as pl

from pipeline.charts.labels import USUAL_WIDTH, label_layers, label_sides
from pipeline.charts.theme import LIGHT, Palette, series_scales
from pipeline.charts.titles import axis_title, label_of

MAP_HEIGHT = 360
ARROWS_REACH = 0.8
"""Length of the longest attribute's arrow, of the farthest sample's distance."""
PART_HEIGHT = 20
_OUTLINE_POINTS = 48


def flavour_map(places: pl.DataFrame, palette: Palette = LIGHT) -> alt.LayerChart:
    """Samples as points with 95 % ellipses, attributes or words as arrows from the middle.

    `places`: rows of fit.flavour_map of one map: `kind`, `map_x`, `map_y`, the ellipse, `place_label`
    (drawn), `place_text` (shown on pointing), `leads_to` (a place on the page, null where there is none)
    and `group_label` (at most eight, by colour and shape).
    Both axes have the same units, but fill the figure; the shares of variance stand in their titles.
    """
    places = _with_sides(_lengthened(places))
    samples = places.filter(pl.col("kind") == "sample")
    others = places.filter(pl.col("kind") != "sample")
    groups = samples["group_label"].unique(maintain_order=True).to_list()
    colour, shape = series_scales(groups, palette)
    shares = places.row(0, named=True)
    x = alt.X("map_x:Q", title=f"{label_of('map_x')} ({100 * shares['axis_1_frac']:.0f} % of the variance)")
    y = alt.Y("map_y:Q", title=f"{label_of('map_y')} ({100 * shares['axis_2_frac']:.0f} % of the variance)")
    layers: list[alt.Chart] = []
    if samples["ellipse_major"].null_count() == 0:
        layers.append(
            alt.Chart(_outlines(samples))
            .mark_line(strokeWidth=1, opacity=0.55)
            .encode(
                x=x,
                y=y,
                detail="name:N",
                order="step:Q",
                color=alt.Color("group_label:N", scale=colour, title=None),
            )
        )
    if others.height:
        arrows = alt.Chart(others.with_columns(zero=pl.lit(0.0)))
        layers.append(
            arrows.mark_rule(color=palette.muted, strokeDash=[3, 3]).encode(
                x="zero:Q", y="zero:Q", x2="map_x", y2="map_y"
            )
        )
        layers += label_layers(
            arrows,
            x,
            y,
            "place_label:N",
            others["label_side"].to_list(),
            color=palette.ink,
            fontStyle="italic",
        )
    points = alt.Chart(samples)
    layers.append(
        points.mark_point(size=70, filled=True).encode(
            x=x,
            y=y,
            color=alt.Color("group_label:N", scale=colour, title=None),
            shape=alt.Shape("group_label:N", scale=shape, title=None),
            tooltip=[alt.Tooltip("place_text:N", title="sample")],
            href="leads_to:N",
        )
    )
    layers += label_layers(
        points, x, y, "place_label:N", samples["label_side"].to_list(), color=palette.ink, fontSize=11
    )
    return alt.LayerChart(layer=layers, width="container", height=MAP_HEIGHT)


def _lengthened(places: pl.DataFrame) -> pl.DataFrame:
    """The places with the arrows of attributes drawn out to reach as far as the samples.

    An attribute's arrow has a direction, and a length only beside the other arrows; a word has a place.
    """
    is_arrow = pl.col("kind") == "attribute"
    longest = _farthest(places.filter(is_arrow))
    farthest = _farthest(places.filter(~is_arrow))
    if not longest or not farthest:
        return places
    stretch = ARROWS_REACH * farthest / longest
    return places.with_columns(
        pl.when(is_arrow).then(pl.col(name) * stretch).otherwise(pl.col(name)).alias(name)
        for name in ("map_x", "map_y")
    )


def _farthest(places: pl.DataFrame) -> float:
    return max((math.hypot(x, y) for x, y in places.select("map_x", "map_y").iter_rows()), default=0.0)


def _with_sides(places: pl.DataFrame) -> pl.DataFrame:
    """The places with the side on which the label of each stands."""
    samples = places.filter(pl.col("kind") == "sample")
    drawn = _outlines(samples) if samples["ellipse_major"].null_count() == 0 else places
    xs = [*drawn["map_x"], *places["map_x"]]
    ys = [*drawn["map_y"], *places["map_y"]]
    sides = label_sides(
        places["map_x"].to_list(),
        places["map_y"].to_list(),
        places["place_label"].to_list(),
        (min(xs), max(xs), min(ys), max(ys)),
        (USUAL_WIDTH, MAP_HEIGHT),
    )
    return places.with_columns(label_side=pl.Series(sides, dtype=pl.String))


def _outlines(samples: pl.DataFrame) -> pl.DataFrame:
    rows = []
    for row in samples.iter_rows(named=True):
        turned = math.radians(row["ellipse_turned_deg"])
        for step in range(_OUTLINE_POINTS + 1):
            angle = 2.0 * math.pi * step / _OUTLINE_POINTS
            along, across = row["ellipse_major"] * math.cos(angle), row["ellipse_minor"] * math.sin(angle)
            rows.append(
                {
                    "name": row["name"],
                    "group_label": row["group_label"],
                    "step": step,
                    "map_x": row["map_x"] + along * math.cos(turned) - across * math.sin(turned),
                    "map_y": row["map_y"] + along * math.sin(turned) + across * math.cos(turned),
                }
            )
    return pl.DataFrame(rows)


def flavour_shares(shares: pl.DataFrame, palette: Palette = LIGHT) -> alt.LayerChart:
    """Share of each part in the variance of one score, with its 90 % interval.

    `shares`: `flavour_part` (in the order to show), `share_frac`, `share_low_frac`, `share_high_frac`,
    `share_text`, `side` ('spirit and cask' or 'panel').
    """
    order = shares["flavour_part"].to_list()
    y = alt.Y("flavour_part:N", sort=order, title=None, axis=alt.Axis(labelFontSize=11, labelLimit=170))
    scale = alt.Scale(domain=[0, 1])
    axis = alt.Axis(format="%")
    sides = ["spirit and cask", "panel"]
    colour = alt.Scale(domain=sides, range=[palette.carried, palette.muted])
    shape = alt.Scale(domain=sides, range=["circle", "square"])
    base = alt.Chart(shares)
    interval = base.mark_rule(strokeWidth=2).encode(
        x=alt.X("share_low_frac:Q", scale=scale, axis=axis, title=axis_title("share_frac")),
        x2="share_high_frac:Q",
        y=y,
        color=alt.Color("side:N", scale=colour, title=None),
    )
    middle = base.mark_point(size=60, filled=True).encode(
        x=alt.X("share_frac:Q", scale=scale, axis=axis, title=axis_title("share_frac")),
        y=y,
        color=alt.Color("side:N", scale=colour, title=None),
        shape=alt.Shape("side:N", scale=shape, title=None),
        tooltip=[alt.Tooltip("flavour_part:N", title="part"), alt.Tooltip("share_text:N", title="share")],
    )
    return alt.LayerChart(
        layer=[interval, middle], width="container", height=PART_HEIGHT * max(len(order), 1)
    )
