"""The map of flavour and the shares, read by meaning."""

from __future__ import annotations

import math

import polars as pl
import pytest

from pipeline.charts import flavour_map, flavour_shares, to_spec


def place(kind: str, name: str, x: float, y: float, **over) -> dict:
    ellipse = (
        {"ellipse_major": 2.0, "ellipse_minor": 1.0, "ellipse_turned_deg": 90.0} if kind == "sample" else {}
    )
    return {
        "kind": kind,
        "name": name,
        "map_x": x,
        "map_y": y,
        "ellipse_major": None,
        "ellipse_minor": None,
        "ellipse_turned_deg": None,
        "axis_1_frac": 0.6,
        "axis_2_frac": 0.25,
        "place_label": name,
        "place_text": f"{name}, ale yeast",
        "group_label": "ale yeast",
        **ellipse,
        **over,
    }


PLACES = [
    place("sample", "G1", 1.0, 3.0),
    place("sample", "G2", -1.0, 0.0),
    place("attribute", "fruit", 0.5, 0.5),
]


def layers(places: list[dict]) -> list[dict]:
    spec = to_spec(flavour_map(pl.DataFrame(places)))
    data = spec.get("datasets", {})
    return [layer | {"rows": data[layer["data"]["name"]]} for layer in spec["layer"]]


def mark(layer: dict) -> str:
    return layer["mark"]["type"]


def test_an_ellipse_is_drawn_at_its_sample_with_its_axes_and_turn():
    (line,) = [layer for layer in layers(PLACES) if mark(layer) == "line"]
    own = [row for row in line["rows"] if row["name"] == "G1"]
    # Turned by 90 degrees the long half-axis of 2 stands upright.
    assert max(row["map_y"] for row in own) == pytest.approx(5.0)
    assert max(row["map_x"] for row in own) == pytest.approx(2.0, abs=0.01)
    for row in own:
        across, along = row["map_x"] - 1.0, row["map_y"] - 3.0
        assert math.hypot(across / 1.0, along / 2.0) == pytest.approx(1.0)


def test_a_map_without_ellipses_draws_none():
    bare = [row | {"ellipse_major": None} for row in PLACES]
    frame = pl.DataFrame(bare, schema_overrides={"ellipse_major": pl.Float64})
    marks = [layer["mark"]["type"] for layer in to_spec(flavour_map(frame))["layer"]]
    assert "line" not in marks
    assert marks.count("point") == 1


def test_axes_say_how_much_of_the_variance_they_show():
    (points,) = [layer for layer in layers(PLACES) if mark(layer) == "point"]
    assert "60 %" in points["encoding"]["x"]["title"]
    assert "25 %" in points["encoding"]["y"]["title"]
    assert {row["place_label"] for row in points["rows"]} == {"G1", "G2"}
    assert points["encoding"]["shape"]["field"] == points["encoding"]["color"]["field"]


def test_attributes_are_arrows_from_the_middle():
    (rule,) = [layer for layer in layers(PLACES) if mark(layer) == "rule"]
    (row,) = rule["rows"]
    assert row["zero"] == 0.0
    assert row["map_x"] == pytest.approx(row["map_y"])
    assert math.hypot(row["map_x"], row["map_y"]) == pytest.approx(0.8 * math.hypot(1.0, 3.0))


def test_words_stand_where_they_were_placed():
    words = [*PLACES[:2], place("word", "pear", 0.5, 0.5)]
    (rule,) = [layer for layer in layers(words) if mark(layer) == "rule"]
    assert [(row["map_x"], row["map_y"]) for row in rule["rows"]] == [(0.5, 0.5)]


def test_shares_run_from_nought_to_all_with_their_intervals():
    shares = pl.DataFrame(
        {
            "flavour_part": ["yeast", "error"],
            "share_frac": [0.3, 0.7],
            "share_low_frac": [0.2, 0.5],
            "share_high_frac": [0.4, 0.8],
            "share_text": ["30 %", "70 %"],
            "side": ["spirit and cask", "panel"],
        }
    )
    interval, middle = to_spec(flavour_shares(shares))["layer"]
    assert middle["encoding"]["x"]["scale"]["domain"] == [0, 1]
    assert middle["encoding"]["y"]["sort"] == ["yeast", "error"]
    assert interval["encoding"]["x"]["field"] == "share_low_frac"
    assert interval["encoding"]["x2"]["field"] == "share_high_frac"
    assert middle["encoding"]["shape"]["scale"]["range"] == ["circle", "square"]
