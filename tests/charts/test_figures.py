"""Each chart by what it means: which column stands where, in which order, told apart by what."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator
from typing import Any

import polars as pl
import pytest

from pipeline.charts import (
    LIGHT,
    alcohol_band,
    cask_loss,
    cask_strength,
    cut_fractions,
    hearts_strengths,
    scores_by_sample,
    to_spec,
    where_alcohol_went,
    yield_by_batch,
    yield_by_group,
)
from pipeline.charts.steadiness import strip_recoveries
from pipeline.charts.theme import CUT_PARTS
from pipeline.charts.titles import axis_title, is_fraction, unit_of

DAY = dt.date(2025, 3, 1)
NOON = dt.datetime(2025, 3, 1, 12)


def flow() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "step": ["Grain", "Not extracted", "Wash"],
            "side": ["carried", "lost", "carried"],
            "bar_from_lpa": [0.0, 80.0, 0.0],
            "bar_to_lpa": [100.0, 100.0, 80.0],
            "words": ["Grain: 100 LPA", "Not extracted: 20 LPA", "Wash: 80 LPA"],
        }
    )


def band() -> tuple[pl.DataFrame, pl.DataFrame]:
    outline = pl.DataFrame(
        {
            "place": range(8),
            "step": ["carried"] * 4 + ["Not extracted"] * 4,
            "side": ["carried"] * 4 + ["lost"] * 4,
            "down": [0.0, 1.0, 1.0, 0.0, 0.0, 1.0, 1.0, 0.0],
            "edge_lpa": [0.0, 0.0, 80.0, 80.0, 80.0, 88.0, 108.0, 100.0],
        }
    )
    return outline, pl.DataFrame({"down": [0.5], "words": ["Not extracted: 20 LPA"]})


def batches() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "batch": ["B1", "B2"],
            "mashed_on": [DAY, DAY + dt.timedelta(days=7)],
            "yield_lpa_per_kg": [0.35, 0.31],
            "yield_text": ["0.350 LPA/kg", "0.310 LPA/kg"],
            "main_grain": ["rye", "wheat"],
            "group_label": ["Rye · 1 batch", "Wheat · 1 batch"],
        }
    )


def season() -> pl.DataFrame:
    return pl.DataFrame({"yield_lpa_per_kg": [0.33], "season_label": ["the season"]})


def groups() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "group_label": ["Wheat · 1 batch", "Rye · 1 batch"],
            "yield_mean_lpa_per_kg": [0.31, 0.35],
            "yield_low_lpa_per_kg": [None, 0.33],
            "yield_high_lpa_per_kg": [None, 0.37],
            "interval_text": ["0.310", "0.350"],
        }
    )


def cut_rows() -> pl.DataFrame:
    parts = ["foreshots", "heads", "hearts", "tails"]
    return pl.DataFrame(
        {
            "run_label": ["B1 · spirit"] * 4,
            "part": parts,
            "part_rank": [0, 1, 2, 3],
            "part_frac": [0.02, 0.08, 0.65, 0.2],
            "part_text": ["2.0 %", "8.0 %", "65.0 %", "20.0 %"],
            "hearts_text": ["", "", "65.0 %", ""],
        }
    )


def strength_rows() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "run_label": ["B1 · spirit"] * 2,
            "started_at": [NOON] * 2,
            "sign": ["hearts start", "hearts end"],
            "strength_pct_vol": [76.0, 61.0],
            "strength_text": ["76.0 %vol", "61.0 %vol"],
            "hearts_start_pct_vol": [76.0] * 2,
            "hearts_end_pct_vol": [61.0] * 2,
        }
    )


def strip_rows() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "run_label": ["B1 · strip"],
            "started_at": [NOON],
            "mark": ["as logged"],
            "recovery_frac": [0.96],
            "recovery_text": ["96.0 %"],
            "stop_text": ["4.0 %vol"],
        }
    )


def score_rows() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "sample_label": ["cask 2", "cask 1"],
            "score_mean": [7.0, 5.0],
            "score_low": [6.0, None],
            "score_high": [8.0, None],
            "score_text": ["7.0 (6.0 to 8.0)", "5.0"],
        }
    )


def cask_rows() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "cask_label": ["C2", "C10"],
            "wood": ["oak", "chestnut"],
            "loss_frac_per_year": [0.04, 0.08],
            "loss_text": ["4.0 %", "8.0 %"],
        }
    )


def cask_strength_rows() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "cask_label": ["C2", "C2"],
            "sign": ["at fill", "last measured"],
            "strength_pct_vol": [63.4, 62.9],
            "strength_text": ["63.4 %vol", "62.9 %vol"],
            "fill_abv_pct_vol": [63.4] * 2,
            "last_abv_pct_vol": [62.9] * 2,
        }
    )


CHARTS = {
    "flow": lambda: where_alcohol_went(flow()),
    "band": lambda: alcohol_band(*band()),
    "yield by batch": lambda: yield_by_batch(batches(), season(), "main_grain"),
    "yield by group": lambda: yield_by_group(batches(), groups()),
    "cuts": lambda: cut_fractions(cut_rows()),
    "hearts": lambda: hearts_strengths(strength_rows()),
    "stripping": lambda: strip_recoveries(strip_rows()),
    "scores": lambda: scores_by_sample(score_rows()),
    "cask loss": lambda: cask_loss(cask_rows()),
    "cask strength": lambda: cask_strength(cask_strength_rows()),
}


def layers(spec: dict[str, Any]) -> list[dict[str, Any]]:
    return spec.get("layer", [spec])


def walk(part: Any) -> Iterator[tuple[str, Any]]:
    """Every key with its value, at any depth."""
    if isinstance(part, dict):
        for key, value in part.items():
            yield key, value
            yield from walk(value)
    elif isinstance(part, list):
        for value in part:
            yield from walk(value)


def mark(spec: dict[str, Any], kind: str) -> dict[str, Any]:
    """The one layer drawn with this mark."""
    found = [layer for layer in layers(spec) if layer["mark"]["type"] == kind]
    assert len(found) == 1, f"{len(found)} layers of {kind}"
    return found[0]["encoding"]


@pytest.mark.parametrize("name", CHARTS)
def test_charts_compute_nothing(name):
    spec = {key: value for key, value in to_spec(CHARTS[name]()).items() if key != "config"}
    computing = {"transform", "aggregate", "bin", "timeUnit", "impute", "calculate", "window", "regression"}
    assert [key for key, _ in walk(spec) if key in computing] == []
    stacks = [value for key, value in walk(spec) if key == "stack"]
    assert "normalize" not in stacks


@pytest.mark.parametrize("name", CHARTS)
def test_charts_fill_the_width_they_are_given_and_name_units(name):
    spec = to_spec(CHARTS[name]())
    assert spec["width"] == "container"
    titles = [
        channel["title"]
        for layer in layers(spec)
        for key, channel in layer["encoding"].items()
        if key in {"x", "y"} and channel.get("type") == "quantitative" and channel.get("title")
    ]
    assert titles, "a measured axis has a title"
    assert all("(" in title and title.endswith(")") for title in titles), titles


@pytest.mark.parametrize("name", CHARTS)
def test_colour_is_never_the_only_sign(name):
    """Whatever is coloured by category also has a shape, a place of its own or its name in words."""
    for layer in layers(to_spec(CHARTS[name]())):
        encoding = layer["encoding"]
        if "color" not in encoding:
            continue
        if layer["mark"]["type"] == "point":
            assert encoding["shape"]["field"] == encoding["color"]["field"]
            assert encoding["shape"]["scale"]["domain"] == encoding["color"]["scale"]["domain"]
        else:
            assert "order" in encoding or encoding["y"]["field"] == "step"


def test_flow_keeps_the_order_from_grain_to_cask_and_prints_each_amount():
    spec = to_spec(where_alcohol_went(flow()))
    bars, words = mark(spec, "bar"), mark(spec, "text")
    assert bars["y"]["sort"] == ["Grain", "Not extracted", "Wash"]
    assert (bars["x"]["field"], bars["x2"]["field"]) == ("bar_from_lpa", "bar_to_lpa")
    assert words["text"]["field"] == "words"
    assert bars["x"]["title"] == "Pure alcohol (LPA)"


def test_the_flow_s_band_draws_each_outline_as_it_is_given():
    spec = to_spec(alcohol_band(*band()))
    for layer in layers(spec)[:2]:
        outline = layer["encoding"]
        assert layer["mark"]["filled"]
        assert (outline["x"]["field"], outline["y"]["field"]) == ("edge_lpa", "down")
        assert (outline["order"]["field"], outline["detail"]["field"]) == ("place", "step")
        assert outline["y"]["scale"] == {"domain": [0, 1], "reverse": True, "nice": False}
        assert outline["fill"]["scale"]["range"] == [LIGHT.carried, LIGHT.lost]
    assert mark(spec, "text")["text"]["field"] == "words"


def test_yield_by_batch_stands_in_date_order_with_the_season_s_own_figure():
    spec = to_spec(yield_by_batch(batches(), season(), "main_grain"))
    points = mark(spec, "point")
    assert points["x"] == points["x"] | {"field": "mashed_on", "type": "temporal"}
    assert points["y"]["field"] == mark(spec, "rule")["y"]["field"] == "yield_lpa_per_kg"
    rows = json.dumps(list(spec["datasets"].values()))
    assert "2025-03-01T00:00:00" in rows, "a local date, so that no time zone moves it to the day before"


def test_yield_by_group_shows_every_batch_and_no_interval_where_there_is_none():
    spec = to_spec(yield_by_group(batches(), groups()))
    assert layers(spec)[0]["encoding"]["y"]["sort"] == groups()["group_label"].to_list()
    rule = mark(spec, "rule")
    assert (rule["x"]["field"], rule["x2"]["field"]) == ("yield_low_lpa_per_kg", "yield_high_lpa_per_kg")
    (bounded,) = [
        rows for rows in spec["datasets"].values() if all(row.get("yield_low_lpa_per_kg") for row in rows)
    ]
    assert [row["group_label"] for row in bounded] == ["Rye · 1 batch"]
    drawn = [row["batch"] for rows in spec["datasets"].values() for row in rows if "batch" in row]
    assert drawn == ["B1", "B2"]


def test_groups_without_any_interval_are_drawn_without_one():
    alone = groups().with_columns(
        pl.lit(None, pl.Float64).alias("yield_low_lpa_per_kg"),
        pl.lit(None, pl.Float64).alias("yield_high_lpa_per_kg"),
    )
    kinds = [layer["mark"]["type"] for layer in layers(to_spec(yield_by_group(batches(), alone)))]
    assert "rule" not in kinds
    assert kinds.count("point") == 2


def test_cuts_stack_in_the_order_they_leave_the_still():
    spec = to_spec(cut_fractions(cut_rows()))
    bars = mark(spec, "bar")
    assert bars["x"]["stack"] == "zero"
    assert bars["order"]["field"] == "part_rank"
    assert bars["color"]["scale"]["domain"] == list(CUT_PARTS[:4])
    assert bars["x"]["axis"]["format"] == "~%"


def test_many_runs_stay_on_a_page_that_can_be_scrolled():
    many = pl.concat([cut_rows().with_columns(run_label=pl.lit(f"B{n} · spirit")) for n in range(400)])
    assert to_spec(cut_fractions(many))["height"] <= 1500


def test_hearts_start_and_end_have_signs_of_their_own():
    points = mark(to_spec(hearts_strengths(strength_rows())), "point")
    assert points["shape"]["scale"]["range"] == ["triangle-up", "triangle-down"]
    assert points["y"]["title"] == "Strength at the spout (%vol at 20 °C)"


def test_scores_share_one_whole_scale():
    spec = to_spec(scores_by_sample(score_rows()))
    assert mark(spec, "point")["x"]["scale"]["domain"] == [0, 10]
    assert mark(spec, "point")["y"]["sort"] == ["cask 2", "cask 1"]


def test_casks_keep_the_order_they_are_given():
    encoding = layers(to_spec(cask_loss(cask_rows())))[0]["encoding"]
    assert encoding["y"]["sort"] == ["C2", "C10"]
    assert encoding["x"]["title"] == "Loss per year (%)"


@pytest.mark.parametrize(
    "text", ["</script><script>alert(1)</script>", "datum.x + 1", "a.b[0]", "\\n'\"", "x" * 400]
)
def test_any_name_is_data_and_nothing_else(text):
    spec = to_spec(where_alcohol_went(flow().with_columns(step=pl.lit(text) + pl.col("side"))), "page")
    fields = {value for key, value in walk(spec) if key == "field"}
    assert fields == {"step", "side", "bar_from_lpa", "bar_to_lpa", "words"}
    assert mark(spec, "bar")["y"]["sort"] == [text + "carried", text + "lost", text + "carried"]


def test_fractions_read_as_per_cent_and_other_units_come_from_the_dictionary():
    assert is_fraction("hearts_frac")
    assert is_fraction("loss_frac_per_year")
    assert not is_fraction("hearts_lpa")
    assert unit_of("hearts_frac") == "%"
    assert axis_title("hearts_lpa") == "Hearts (LPA)"
    assert axis_title("batch") == "Batch"
    with pytest.raises(KeyError):
        axis_title("no_such_column")


def test_a_chart_takes_the_palette_it_is_given():
    assert LIGHT.carried in json.dumps(to_spec(where_alcohol_went(flow())))
