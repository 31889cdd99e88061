"""What the page says of thermometers, loggers and tasted jars: the words, and what the charts are made of."""

import polars as pl
import pytest

from pipeline.charts.sensors import differences_over_run, jars_beside_hearts, sensors_over_run
from pipeline.report.cut_wording import tradeoff_sentence
from pipeline.report.sensor_wording import (
    jar_sentence,
    side_sentence,
    telemetry_sentences,
    thermometer_sentence,
)

JAR = {
    "cut_side": "tails",
    "attribute": "overall",
    "jars": 12,
    "is_told": True,
    "score_at_cut_low": -1.6,
    "score_at_cut_high": -0.4,
    "mixed_score_change": -0.05,
    "mixed_score_change_low": -0.08,
    "mixed_score_change_high": -0.02,
}


def test_a_thermometer_that_agrees_is_said_to_agree():
    sentence = thermometer_sentence("kettle", 40, 0.01, 0.52, 0)
    assert sentence == (
        "Thermometers in the kettle (40 readings with a barometer) read on average what belongs to the "
        "strengths there, give or take 0.5 °C; none disagrees by more than instruments allow."
    )
    assert "1.2 °C too low for the strengths" in thermometer_sentence("vapour", 3, -1.2, 0.5, 1)
    assert "1 does not go with" in thermometer_sentence("vapour", 3, -1.2, 0.5, 1)


@pytest.mark.parametrize("side", ["the curve", "the reading", "neither"])
def test_the_vapour_takes_a_side_and_names_no_cause(side):
    assert f"sides with {side}" in side_sentence("R-07", "spirit", 9, side)


def test_jars_that_cannot_be_told_from_hearts_say_so():
    assert "−1.6 to −0.4 points" in jar_sentence(JAR)
    assert "by −0.08 to −0.02 points, if taste mixes in proportion" in jar_sentence(JAR)
    assert "cannot tell them apart" in jar_sentence(JAR | {"is_told": False})
    assert "mixes" not in jar_sentence(JAR | {"mixed_score_change": None})


def test_an_interval_beside_nought_that_is_not_told_says_why():
    assert "one of several attributes" in tradeoff_sentence("overall", 48, 0.27, -0.28, -0.01, False)
    assert "one of several" not in tradeoff_sentence("overall", 48, 0.27, -0.28, 0.01, False)


def test_loggers_without_an_inline_meter_say_nothing_of_one():
    runs = pl.DataFrame(
        {
            "telemetry_rows": [30_000, 20_000],
            "heating_min": [45, 52],
            "heat_up_c_per_minute": [1.5, 1.7],
            "takeoff_per_min_l": [0.045, 0.05],
            "takeoff_drift_frac": [-0.1, None],
        }
    )
    jars = pl.DataFrame(
        {"inline_difference_pct_vol": [None, None]}, schema={"inline_difference_pct_vol": pl.Float64}
    )
    sentences = telemetry_sentences(runs, jars)
    assert sentences[0] == "Loggers wrote down 2 runs (50,000 rows, reduced to minutes)."
    assert "after 45 to 52 minutes" in sentences[1]
    assert "10 % slower" in sentences[2]
    assert len(sentences) == 3


def test_the_charts_show_what_they_are_given():
    place = {"run_label": ["a", "a"], "curve_lpa_frac_end": [0.1, 0.2]}
    readings = pl.DataFrame(
        place
        | {
            "temperature_difference_c": [0.1, -2.0],
            "thermometer": ["kettle", "vapour"],
            "mark": ["agrees", "x"],
        }
    )
    spec = differences_over_run(readings).to_dict()
    assert spec["layer"][1]["encoding"]["shape"]["field"] == "thermometer"
    spec = sensors_over_run(pl.DataFrame(place | {"vapour_c": [80.0, 81.0]}), "vapour_c").to_dict()
    assert spec["layer"][0]["encoding"]["y"]["title"] == "Vapour (°C)"
    jars = pl.DataFrame(
        {
            "place_frac": [-0.02, 0.03],
            "score_beside_hearts": [-0.5, -1.0],
            "beside_low": [None, -1.4],
            "beside_high": [None, -0.6],
            "label": ["7 spirit jar 2 (heads)", "7 spirit jar 13 (tails)"],
            "cut": ["heads", "tails"],
        },
        schema_overrides={"beside_low": pl.Float64, "beside_high": pl.Float64},
    )
    assert len(jars_beside_hearts(jars).to_dict()["layer"]) == 4
    assert len(jars_beside_hearts(jars.head(1)).to_dict()["layer"]) == 3
