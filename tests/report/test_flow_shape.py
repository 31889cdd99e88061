"""Geometry of the flow's band, by hand on four steps."""

import polars as pl
import pytest

from pipeline.report.flow_shape import bands, steps_of

FLOW = pl.DataFrame(
    {
        "label": ["Grain", "Not extracted", "Not accounted for", "Wash"],
        "side": ["carried", "lost", "lost", "carried"],
        "lpa": [100.0, 30.0, -5.0, 75.0],
    }
)


def test_the_level_falls_by_each_loss_and_rises_where_more_came_out():
    assert [(step.before_lpa, step.after_lpa) for step in steps_of(FLOW)] == [
        (100.0, 100.0),
        (100.0, 70.0),
        (70.0, 75.0),
        (75.0, 75.0),
    ]


def test_the_carried_band_is_as_wide_as_what_is_left_all_the_way_down():
    carried = bands(FLOW).filter(pl.col("step") == "carried")
    right = carried.filter(pl.col("edge_lpa") > 0.0).sort("place", descending=True)
    # What joins counts once it has joined, so the third step is still 70 wide.
    assert right["edge_lpa"].to_list() == [100.0, 100.0, 70.0, 70.0, 70.0, 70.0, 75.0, 75.0]
    assert right["down"].to_list() == [0.0, 1.0, 1.0, 2.0, 2.0, 3.0, 3.0, 4.0]


@pytest.mark.parametrize(
    ("label", "width", "at_band"), [("Not extracted", 30.0, 1.0), ("Not accounted for", 5.0, 3.0)]
)
def test_a_band_is_as_wide_as_its_amount_everywhere_and_meets_the_carried_one(label, width, at_band):
    outline = bands(FLOW).filter(pl.col("step") == label)
    by_height = outline.group_by("down", maintain_order=True).agg(
        pl.col("edge_lpa").min().alias("left"), pl.col("edge_lpa").max().alias("right")
    )
    assert (by_height["right"] - by_height["left"]).to_list() == pytest.approx([width] * by_height.height)
    met = by_height.filter(pl.col("down") == at_band)
    assert met["left"].item() == pytest.approx(70.0)
