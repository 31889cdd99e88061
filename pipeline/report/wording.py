"""What the yield section may say: plain means as they are, and claims of difference only from the fits.

A mean of batches allows for nothing: those of one bill may have had another yeast, mash or month. So the
means are shown, with their spread, and whether a choice made a difference is said in the one place that
allows for the others: the sentences of `pipeline.fits.wording`, as the tables of the fits hold them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.report.text import counted, listed, number

ENOUGH_BATCHES = 3
"""Fewer measured batches than this cannot tell how far yields scatter: metric.choice gives no interval."""

MOST_EFFECTS = 4
"""So many effects are named beside the means; the rest stands under what made the difference."""


@dataclass(frozen=True)
class Group:
    """A group of batches and its mean: `low` and `high` bound the 95 % t interval (None: no interval)."""

    name: str
    count: int
    mean: float | None
    low: float | None
    high: float | None


def yield_sentences(
    groups: Sequence[Group], kind: str, kinds: str, gate: str | None, named: Sequence[str]
) -> list[str]:
    """What may be said of yield by grain bill or yeast.

    kind, kinds : what the groups are (`grain bill`, `grain bills`)
    gate        : the fits' sentence on whether such a choice made a difference; None when it was not asked
    named       : the fits' sentences on the effects that are shown, the largest first
    """
    measured = [group for group in groups if group.count > 0 and group.mean is not None]
    if not measured:
        return [f"No batch has a measured yield, so nothing can be said about {kinds}."]
    if len(measured) == 1:
        only = measured[0]
        return [
            f"Every batch with a measured yield has the same {kind} ({only.name}): "
            "there is nothing to compare it with.",
            f"{only.name}: {interval_text(only)}.",
        ]
    if gate is None:
        said = [
            f"Too few batches to ask whether the {kind} made a difference. The means below are plain ones, "
            "and claim none."
        ]
    else:
        said = [gate, *named[:MOST_EFFECTS]]
        if len(named) > MOST_EFFECTS:
            said.append(
                f"{counted(len(named) - MOST_EFFECTS, 'more effect')}: see 'What made the difference'."
            )
        said.append(
            f"The means below are plain ones: batches of one {kind} may also have differed in mash, month "
            "and what else went into them. The section 'What made the difference' allows for that."
        )
    few = [f"{group.name} ({group.count})" for group in measured if group.count < ENOUGH_BATCHES]
    return [*said, f"Fewer than {ENOUGH_BATCHES} measured batches: {listed(few)}."] if few else said


def interval_text(group: Group) -> str:
    """A group's mean with its interval and its count: `0.352 (0.341 to 0.363, 9 batches)` LPA per kg."""
    if group.mean is None:
        return "not measured"
    batches = counted(group.count, "batch", "batches")
    if group.low is None or group.high is None:
        return f"{number(group.mean, 3)} LPA per kg ({batches}, too few for an interval)"
    low, high = number(group.low, 3), number(group.high, 3)
    return f"{number(group.mean, 3)} LPA per kg (95 % interval {low} to {high}, {batches})"
