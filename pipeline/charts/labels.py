"""Which side of its point a label is written on, so that labels cover each other as little as can be.

The widths of letters and of the figure are only known about; a label too many still overlaps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import altair as alt

LETTER_WIDTH, LINE_HEIGHT, POINT_SIZE = 6.3, 13.0, 10.0
"""Pixels, of the small letters of a label and of a point (about)."""

USUAL_WIDTH = 680.0
"""Pixels between the axes of a figure on a wide page; a phone has about half of it."""


class Side(NamedTuple):
    """How the text of a side is set: alignment and shift in pixels, as a chart takes them."""

    align: Literal["left", "center", "right"]
    dx: float
    dy: float


SIDES = {
    "right": Side("left", 7.0, 4.0),
    "left": Side("right", -7.0, 4.0),
    "above": Side("center", 0.0, -9.0),
    "below": Side("center", 0.0, 17.0),
}


@dataclass(frozen=True)
class _Box:
    left: float
    top: float
    right: float
    bottom: float

    def shared(self, other: _Box) -> float:
        """Area that two boxes share, square pixels."""
        wide = min(self.right, other.right) - max(self.left, other.left)
        high = min(self.bottom, other.bottom) - max(self.top, other.top)
        return max(wide, 0.0) * max(high, 0.0)

    def outside(self, width: float, height: float) -> float:
        """Area that lies off the figure, square pixels."""
        whole = (self.right - self.left) * (self.bottom - self.top)
        return whole - self.shared(_Box(0.0, 0.0, width, height))


def label_sides(
    x: Sequence[float],
    y: Sequence[float],
    labels: Sequence[str],
    reach: tuple[float, float, float, float],
    size: tuple[float, float],
) -> list[str]:
    """A side of `SIDES` for each label, in order: the first that covers least of what is drawn already.

    reach : least and greatest x, least and greatest y of the figure, in the units of x and y
    size  : width and height of the figure [pixels]
    """
    wide, high = size
    x_scale = wide / ((reach[1] - reach[0]) or 1.0)
    y_scale = high / ((reach[3] - reach[2]) or 1.0)
    points = [
        ((each - reach[0]) * x_scale, (reach[3] - other) * y_scale) for each, other in zip(x, y, strict=True)
    ]
    half = POINT_SIZE / 2.0
    drawn = [_Box(left - half, top - half, left + half, top + half) for left, top in points]
    chosen = []
    for (left, top), label in zip(points, labels, strict=True):
        boxes = {name: _text_box(left, top, len(label), side) for name, side in SIDES.items()}
        covered = {
            name: sum(box.shared(other) for other in drawn) + box.outside(wide, high)
            for name, box in boxes.items()
        }
        best = min(SIDES, key=lambda name: covered[name])
        drawn.append(boxes[best])
        chosen.append(best)
    return chosen


def label_layers(
    base: alt.Chart, x: Any, y: Any, text: str, sides: Sequence[str], lift: float = 0.0, **mark: Any
) -> list[alt.Chart]:
    """The labels `text` of a chart whose rows have a `label_side`, one layer for each side that occurs.

    lift : how far labels beside their point stand above it [pixels], where a line runs through the point
    """
    return [
        base.transform_filter(f"datum.label_side == '{name}'")
        .mark_text(align=side.align, dx=side.dx, dy=side.dy - (lift if side.dx else 0.0), **mark)
        .encode(x=x, y=y, text=text)
        for name, side in SIDES.items()
        if name in sides
    ]


def _text_box(left: float, top: float, letters: int, side: Side) -> _Box:
    width = letters * LETTER_WIDTH
    start = left + side.dx - {"left": 0.0, "center": width / 2.0, "right": width}[side.align]
    foot = top + side.dy + 2.0
    return _Box(start, foot - LINE_HEIGHT, start + width, foot)
