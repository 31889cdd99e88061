"""What the page says when casks are compared: only what the casks can tell."""

import polars as pl

from pipeline.account.cask_groups import CASK_GROUP_SCHEMA
from pipeline.charts import to_spec
from pipeline.charts.casks import cask_comparison
from pipeline.report.blocks import Paragraphs
from pipeline.report.sections.cask_groups import comparison


def groups(chance: float, names: tuple[str, ...] = ("ash", "oak")) -> pl.DataFrame:
    """Woods that lose 0.5 and 1.5 times what their sizes lead to."""
    rows = [
        {
            **dict.fromkeys(CASK_GROUP_SCHEMA),
            "group_kind": "wood",
            "group_name": name,
            "casks": 3,
            "loss_over_predicted": 0.5 + number,
            "loss_over_predicted_low": 0.25 + number,
            "loss_over_predicted_high": 0.75 + number,
            "loss_over_predicted_p_value": chance,
        }
        for number, name in enumerate(names)
    ]
    return pl.DataFrame(rows, schema=CASK_GROUP_SCHEMA)


def sentences(frame: pl.DataFrame) -> str:
    """Every sentence of the comparison."""
    return " ".join(
        sentence for block in comparison(frame) if isinstance(block, Paragraphs) for sentence in block.texts
    )


def test_woods_that_differ_are_named_with_their_intervals():
    said = sentences(groups(0.004))
    assert "Woods: they differ, even at one size (luck alone would do so 0.4 % of the time)." in said
    assert "cannot tell" not in said
    assert "Least loses ash, 0.5 times (0.2 to 0.8)" in said
    assert "most oak, 1.5 times (1.2 to 1.8)" in said


def test_woods_that_luck_could_part_are_not_told_apart():
    said = sentences(groups(0.4))
    assert said == (
        "Woods: the casks cannot tell them apart; differences like these come by luck 40 % of the time."
    )


def test_one_wood_alone_is_compared_with_nothing():
    assert comparison(groups(0.4, ("oak",))) == []


def test_the_picture_has_the_interval_and_the_loss_of_the_size_alone():
    frame = groups(0.4).with_columns(group_label=pl.format("wood: {}", "group_name"), group_text=pl.lit("x"))
    layers = to_spec(cask_comparison(frame))["layer"]
    assert [layer["mark"]["type"] for layer in layers] == ["rule", "rule", "point"]
    assert layers[1]["encoding"]["x"]["field"] == "loss_over_predicted_low"
    assert layers[1]["encoding"]["x2"]["field"] == "loss_over_predicted_high"
    assert layers[2]["encoding"]["y"]["sort"] == ["wood: ash", "wood: oak"]


def test_a_long_name_stands_in_two_lines():
    """As the browser's own interpreter of Vega would: both halves of a name too long for one line."""
    frame = groups(0.4).with_columns(group_label=pl.format("wood: {}", "group_name"), group_text=pl.lit("x"))
    words = to_spec(cask_comparison(frame))["layer"][2]["encoding"]["y"]["axis"]["labelExpr"]
    assert words.startswith("length(datum.label) <= 26 ? datum.label : [slice(datum.label, 0, lastindexof(")
