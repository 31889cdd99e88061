"""Labels beside their points: on the right where there is room, elsewhere where there is not."""

from __future__ import annotations

from pipeline.charts.labels import SIDES, label_sides

REACH, SIZE = (0.0, 10.0, 0.0, 10.0), (1000.0, 400.0)


def sides(points: list[tuple[float, float, str]]) -> list[str]:
    x, y, labels = zip(*points, strict=True)
    return label_sides(x, y, labels, REACH, SIZE)


def test_a_label_with_room_stands_on_the_right():
    assert sides([(2.0, 5.0, "cask C01"), (6.0, 5.0, "cask C02")]) == ["right", "right"]


def test_a_label_does_not_run_off_the_figure():
    assert sides([(9.9, 5.0, "cask C01")]) == ["left"]


def test_labels_of_points_that_lie_together_do_not_share_a_side():
    near = [(5.0, 5.0, "cask C01"), (5.05, 5.05, "cask C02"), (5.0, 5.1, "cask C03")]
    assert len(set(sides(near))) == 3


def test_a_label_keeps_off_the_point_beside_it():
    assert sides([(5.0, 5.0, "cask C01"), (5.3, 5.0, "x")])[0] != "right"


def test_points_that_all_lie_on_one_spot_still_get_sides():
    assert set(label_sides([1.0] * 9, [1.0] * 9, ["a"] * 9, (1.0, 1.0, 1.0, 1.0), SIZE)) <= set(SIDES)
