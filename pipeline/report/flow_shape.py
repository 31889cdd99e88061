"""The places of the flow's bars and bands: geometry of the pictures, not figures of the season."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

# How far a loss swings out to the right, as a share of the widest band, and how many points its curve has.
_LEAN_FRAC = 0.08
_POINTS = 9
# A band that leaves ends a little before the next step begins.
_LEAVING = 0.92


Edges = tuple[float, float, float]
"""How many steps from the top, and the left and the right edge of a band there [LPA]."""


@dataclass(frozen=True)
class Step:
    """One step of the flow with the level before and after it [LPA]."""

    label: str
    side: str
    before_lpa: float
    after_lpa: float


def steps_of(flow: pl.DataFrame) -> list[Step]:
    """The steps in order, each with what was left before it and after it.

    flow : rows of metric.flow of one part; what is not carried changes the level by its amount
    """
    steps, level = [], 0.0
    for row in flow.iter_rows(named=True):
        amount = row["lpa"]
        if row["side"] == "carried":
            steps.append(Step(row["label"], row["side"], amount, amount))
        else:
            change = amount if row["side"] == "added" else -amount
            steps.append(Step(row["label"], row["side"], level, level + change))
        level = steps[-1].after_lpa
    return steps


def bands(flow: pl.DataFrame) -> pl.DataFrame:
    """Outlines of the carried band and of each band that leaves or joins it.

    The carried band stands at zero, as wide as the alcohol left. A loss is as wide as its amount all the
    way; one below zero (more came out than went in, within error) comes in from the right.
    """
    steps = steps_of(flow)
    lean = _LEAN_FRAC * max((step.before_lpa for step in steps), default=0.0)
    rows = _outline("carried", "carried", _carried(steps))
    for down, step in enumerate(steps):
        if step.side != "carried" and step.before_lpa != step.after_lpa:
            rows += _outline(step.label, step.side, _leaving(down, step, lean))
    schema = ["step", "side", "down", "edge_lpa"]
    return pl.DataFrame(rows, schema=schema, orient="row").with_row_index("place")


def _outline(name: str, side: str, edges: list[Edges]) -> list[tuple[str, str, float, float]]:
    """Down the left edge and up the right one."""
    left = [(name, side, down, start) for down, start, _ in edges]
    right = [(name, side, down, end) for down, _, end in reversed(edges)]
    return left + right


def _carried(steps: list[Step]) -> list[Edges]:
    """What joins is carried only once it has joined."""
    widths = [min(step.before_lpa, step.after_lpa) for step in steps]
    return [(float(at), 0.0, width) for down, width in enumerate(widths) for at in (down, down + 1)]


def _leaving(down: int, step: Step, lean: float) -> list[Edges]:
    is_joining = step.after_lpa > step.before_lpa
    narrow, wide = sorted((step.before_lpa, step.after_lpa))
    edges = []
    for point in range(_POINTS):
        way = point / (_POINTS - 1)
        swing = lean * way**2 * (3.0 - 2.0 * way)
        if is_joining:
            swing = lean - swing
        at = down + (1.0 - _LEAVING * (1.0 - way) if is_joining else _LEAVING * way)
        edges.append((at, narrow + swing, wide + swing))
    return edges
