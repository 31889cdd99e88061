"""The theme: colours that can be told apart, on paper and in the dark, and specs that are plain and alike."""

from __future__ import annotations

from itertools import combinations

import altair as alt
import numpy as np
import polars as pl
import pytest

from pipeline.charts.theme import (
    CUT_PARTS,
    DARK,
    LIGHT,
    PAGE,
    SHAPES,
    css_variables,
    cut_scale,
    page_spec,
    series_scales,
    to_spec,
)

# Linear RGB seen with full and with each of the three reduced kinds of colour vision, at full strength:
# G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, IEEE Trans. Vis. Comput. Graph. 15 (2009) 1291-1298,
# as given in public transcriptions of its table.
VISION = {
    "full": np.eye(3),
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
# sRGB to CIE XYZ (D65), IEC 61966-2-1.
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


def linear(colour: str) -> np.ndarray:
    coded = np.array([int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)])
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str) -> float:
    """Contrast ratio of WCAG 2.1, section 1.4.3."""
    light, dark = sorted((float(TO_XYZ[1] @ linear(c)) for c in (one, other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* (D65) of linear RGB."""
    ratio = (TO_XYZ @ np.clip(rgb, 0, 1)) / (TO_XYZ @ np.ones(3))
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_contrast_agrees_with_the_standard_s_ends():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_marks_stand_out_from_the_paper(palette):
    """3:1 for marks (WCAG 2.1, 1.4.11), 4.5:1 for words (1.4.3)."""
    marks = {*palette.series, palette.carried, palette.lost, palette.stock, palette.added, palette.accent}
    faint = {colour: contrast(colour, palette.paper) for colour in marks}
    assert {c: r for c, r in faint.items() if r < 3.0} == {}
    for words in (palette.ink, palette.muted, palette.carried, palette.accent):
        assert contrast(words, palette.paper) >= 4.5, words
    assert contrast(palette.on_hearts, palette.carried) >= 4.5


@pytest.mark.parametrize("vision", VISION)
@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_no_two_series_look_alike_to_anyone(palette, vision):
    """CIE76 distance of at least 15 between any two; about 2 is the least a person sees (own bound)."""
    seen = {colour: lab(np.asarray(VISION[vision]) @ linear(colour)) for colour in palette.series}
    near = {
        (one, other): round(float(np.linalg.norm(seen[one] - seen[other])), 1)
        for one, other in combinations(palette.series, 2)
    }
    assert {pair: apart for pair, apart in near.items() if apart < 15} == {}


def test_each_series_has_a_shape_of_its_own():
    assert len(SHAPES) == len(set(SHAPES)) == len(LIGHT.series)
    colour, shape = series_scales(["a", "b", "c"], LIGHT)
    assert colour.to_dict()["domain"] == shape.to_dict()["domain"] == ["a", "b", "c"]
    assert len(set(shape.to_dict()["range"])) == 3
    with pytest.raises(ValueError, match="9 categories"):
        series_scales([str(n) for n in range(9)], LIGHT)


def test_a_cut_has_one_colour_whichever_cuts_are_there():
    whole = cut_scale(list(CUT_PARTS), LIGHT).to_dict()
    part = cut_scale(["hearts", "tails"], LIGHT).to_dict()
    colours = dict(zip(whole["domain"], whole["range"], strict=True))
    assert part["range"] == [colours["hearts"], colours["tails"]]
    assert len(set(whole["range"])) == len(CUT_PARTS)


def test_page_colours_are_the_style_sheet_s_variables():
    light, dark = css_variables(LIGHT), css_variables(DARK)
    names = [line.split(":")[0] for line in light.splitlines()]
    assert names == [line.split(":")[0] for line in dark.splitlines()]
    for value in (PAGE.ink, PAGE.carried, *PAGE.series):
        assert value.removeprefix("var(").removesuffix(")") in names


@pytest.fixture
def chart() -> alt.Chart:
    frame = pl.DataFrame({"x": [1.0, None], "y": [2.0, None]})
    return alt.Chart(frame).mark_point().encode(x="x:Q", y="y:Q")


def test_the_same_chart_gives_the_same_spec(chart):
    assert to_spec(chart) == to_spec(chart)


def test_the_theme_is_used_and_left_as_it_was(chart):
    before = alt.theme.active
    assert to_spec(chart, "dark")["config"]["background"] == DARK.paper
    assert "config" not in page_spec(chart)
    assert alt.theme.active == before


def test_what_was_not_measured_is_drawn_as_nothing(chart):
    (rows,) = to_spec(chart)["datasets"].values()
    assert rows == [{"x": 1.0, "y": 2.0}, {"x": None, "y": None}]


def test_more_rows_than_altair_s_limit_are_drawn():
    frame = pl.DataFrame({"x": [float(n) for n in range(6000)]})
    (rows,) = to_spec(alt.Chart(frame).mark_point().encode(x="x:Q"))["datasets"].values()
    assert len(rows) == 6000
