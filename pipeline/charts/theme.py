"""The one look of every chart: colours, type, grid; and how a chart becomes a plain spec.

Colours are named by role and live here once: pages take them as CSS variables (so that dark mode
and print repaint a drawn chart), pictures to share take the light values. No colour is ever the
only sign of anything: each is paired with a shape, a position or a printed word.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Literal, cast

import altair as alt

THEME_NAME = "stillseason"
FONT = "system-ui, -apple-system, 'Segoe UI', 'Liberation Sans', Arial, sans-serif"

PaletteName = Literal["page", "light", "dark"]


@dataclass(frozen=True)
class Palette:
    """Colours by role. `series` are the eight category colours, told apart by shape as well."""

    paper: str
    ink: str
    muted: str
    grid: str
    accent: str
    carried: str
    lost: str
    stock: str
    added: str
    still: str
    gap: str
    on_hearts: str
    series: tuple[str, ...]


# Eight colours found by search: at least 3:1 against the paper, and as far apart as could be had for
# full and for the three kinds of reduced colour vision (tests/charts/test_theme.py holds the figures).
LIGHT = Palette(
    paper="#fbfaf6",
    ink="#25231f",
    muted="#625d54",
    grid="#dedad0",
    accent="#7e373d",
    carried="#157987",
    lost="#a8613b",
    stock="#5f4a03",
    added="#4d2483",
    still="#a39d90",
    gap="#d6d1c4",
    on_hearts="#ffffff",
    series=("#157987", "#7e373d", "#7c991f", "#4d2483", "#a67a56", "#2b4362", "#9167ca", "#5f4a03"),
)
DARK = Palette(
    paper="#1a1c1e",
    ink="#ece8df",
    muted="#b3ada1",
    grid="#3a3d40",
    accent="#e0906a",
    carried="#10b29d",
    lost="#d98a5f",
    stock="#f3e25f",
    added="#f69eef",
    still="#7b766c",
    gap="#4a4a48",
    on_hearts="#0d1413",
    series=("#10b29d", "#8b6251", "#d4f1d1", "#f69eef", "#b65727", "#2a708b", "#846dd0", "#f3e25f"),
)


def _variable(name: str) -> str:
    return f"var(--chart-{name.replace('_', '-')})"


PAGE = Palette(
    **{item.name: _variable(item.name) for item in fields(Palette) if item.name != "series"},
    series=tuple(_variable(f"series-{number}") for number in range(1, 9)),
)
PALETTES: dict[PaletteName, Palette] = {"page": PAGE, "light": LIGHT, "dark": DARK}

SHAPES = ("circle", "square", "triangle-up", "diamond", "cross", "triangle-down", "triangle-right", "wedge")
"""One shape for each of the eight series, so that a print in black and white still tells them apart."""

CUT_PARTS = (
    "foreshots",
    "heads",
    "hearts",
    "tails",
    "feints",
    "not yet cut",
    "left in the still",
    "not accounted for",
)
"""The parts of a spirit run's charge, in the order they leave the still."""

FLOW_SIDES = ("carried", "lost", "stock", "added")


def css_variables(palette: Palette) -> str:
    """The palette as CSS custom properties, one a line, for the page's style sheet."""
    named = [(item.name, getattr(palette, item.name)) for item in fields(Palette) if item.name != "series"]
    numbered = [(f"series-{number}", colour) for number, colour in enumerate(palette.series, start=1)]
    return "\n".join(f"--chart-{name.replace('_', '-')}: {colour};" for name, colour in named + numbered)


def series_scales(categories: list[str], palette: Palette) -> tuple[alt.Scale, alt.Scale]:
    """Colour and shape scales for at most eight categories, the same place giving the same look.

    Raises `ValueError` beyond eight: the page pools the rarest first, so that no two share a sign.
    """
    if len(categories) > len(SHAPES):
        raise ValueError(f"{len(categories)} categories, but only {len(SHAPES)} can be told apart")
    count = len(categories)
    return (
        alt.Scale(domain=categories, range=list(palette.series[:count])),
        alt.Scale(domain=categories, range=list(SHAPES[:count])),
    )


def cut_scale(parts: list[str], palette: Palette) -> alt.Scale:
    """The colour of each part of a spirit run, the same in every chart."""
    colours = {
        "foreshots": palette.series[1],
        "heads": palette.series[4],
        "hearts": palette.carried,
        "tails": palette.series[5],
        "feints": palette.series[6],
        "not yet cut": palette.series[2],
        "left in the still": palette.still,
        "not accounted for": palette.gap,
    }
    return alt.Scale(domain=parts, range=[colours[part] for part in parts])


@alt.theme.register(THEME_NAME, enable=False)
def _theme(palette: PaletteName = "light") -> alt.theme.ThemeConfig:
    # Altair types every key of the config; the config here is one plain mapping, checked when drawn.
    return cast(alt.theme.ThemeConfig, {"config": config_of(PALETTES[palette])})


def config_of(palette: Palette) -> dict[str, Any]:
    """The Vega-Lite config of a palette: quiet axes, readable type, no frame around the plot."""
    text = {"font": FONT, "color": palette.ink}
    return {
        "background": "transparent" if palette is PAGE else palette.paper,
        "font": FONT,
        "lineBreak": "\n",
        "padding": {"left": 2, "right": 8, "top": 6, "bottom": 2},
        "autosize": {"type": "fit-x", "contains": "padding"},
        "view": {"stroke": None},
        "axis": {
            "domainColor": palette.muted,
            "tickColor": palette.muted,
            "gridColor": palette.grid,
            "labelColor": palette.ink,
            "titleColor": palette.ink,
            "labelFontSize": 12,
            "titleFontSize": 12,
            "titleFontWeight": "normal",
            "labelLimit": 190,
            "titlePadding": 8,
        },
        "axisQuantitative": {"tickCount": 5},
        "axisTemporal": {"grid": False, "tickCount": 6},
        "axisBand": {"grid": False, "ticks": False, "domain": False, "labelPadding": 6},
        "axisPoint": {"grid": True, "ticks": False, "domain": False, "labelPadding": 6},
        "legend": {
            "orient": "top",
            "direction": "horizontal",
            "labelColor": palette.ink,
            "titleColor": palette.muted,
            "labelFontSize": 12,
            "titleFontSize": 12,
            "titleFontWeight": "normal",
            "labelLimit": 220,
            "symbolSize": 90,
            "offset": 8,
        },
        "text": text | {"fontSize": 12},
        "point": {"size": 70, "filled": True, "opacity": 0.9, "color": palette.carried},
        "rule": {"color": palette.ink},
        "bar": {"color": palette.carried},
    }


# What an eye tells apart on no chart.
_DIGITS = 8


def page_spec(chart: alt.TopLevelMixin) -> dict[str, Any]:
    """The chart as a spec without its config, which a page holds once for all its charts."""
    spec = to_spec(chart, "page")
    del spec["config"]
    return spec


def to_spec(chart: alt.TopLevelMixin, palette: PaletteName = "light") -> dict[str, Any]:
    """The chart as a plain Vega-Lite spec in this theme; the same chart gives the same spec.

    On every machine, too: numbers have eight digits, since the last of sixteen hang on the processor's own
    way of adding, and data is named in its order and not by a hash of those digits.

    Altair stops at 5,000 rows because the data travels with the chart. The pages keep their own,
    smaller limits and say so in words, so that limit is lifted here and never met by surprise.
    """
    with (
        alt.theme.enable(THEME_NAME, palette=palette),
        alt.data_transformers.enable("default", max_rows=None),
    ):
        spec: dict[str, Any] = _in_short(chart.to_dict())
    names = {name: f"data-{number}" for number, name in enumerate(_data_named(spec), start=1)}
    named: dict[str, Any] = _with_data_named(spec, names)
    return named


def _in_short(value: Any) -> Any:
    """The same with every fraction to `_DIGITS` digits."""
    if isinstance(value, float):
        return float(f"{value:.{_DIGITS}g}")
    if isinstance(value, dict):
        return {key: _in_short(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_in_short(one) for one in value]
    return value


def _data_named(value: Any) -> dict[str, None]:
    """The names of data that a spec draws from, in the order in which it does."""
    found: dict[str, None] = {}
    if isinstance(value, dict):
        if isinstance(value.get("data"), dict) and "name" in value["data"]:
            found[value["data"]["name"]] = None
        for key, one in value.items():
            # What the data holds draws from nothing.
            if key != "datasets":
                found |= _data_named(one)
    elif isinstance(value, list):
        for one in value:
            found |= _data_named(one)
    return found


def _with_data_named(value: Any, names: Mapping[str, str]) -> Any:
    """The spec with data called otherwise."""
    if isinstance(value, list):
        return [_with_data_named(one, names) for one in value]
    if not isinstance(value, dict):
        return value
    renamed: dict[str, Any] = {}
    for key, one in value.items():
        if key == "datasets":
            renamed[key] = {names[name]: rows for name, rows in one.items()}
        elif key == "data" and isinstance(one, dict) and "name" in one:
            renamed[key] = {**one, "name": names[one["name"]]}
        else:
            renamed[key] = _with_data_named(one, names)
    return renamed
