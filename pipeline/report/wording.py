"""What may be said: rules that turn means, intervals and counts into sentences.

One rule stands behind all of them: a sentence claims no more than the interval beside it carries.
Two groups are called different only when their 95 % intervals are apart, both have enough batches,
and the difference stands up to a Welch test held to 5 % over all pairs together (Holm's sequence), so
that a season without any difference is said to have one at most once in twenty
(tests/report/test_wording.py counts it). A difference is never called a cause.

Sources: B. L. Welch, Biometrika 34 (1947) 28-35, degrees of freedom after Satterthwaite; S. Holm,
Scandinavian Journal of Statistics 6 (1979) 65-70 (both from memory; checked against scipy and by simulation).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations
from math import sqrt

from scipy.special import stdtr, stdtrit

from pipeline.report.text import counted, listed, number

ENOUGH_BATCHES = 3
"""Fewer measured batches than this, and a group's interval is too loose to compare (own choice)."""

MOST_GROUPS = 30
"""More groups than this are shown but not compared: a list of pairs would help nobody."""

FAMILY_LEVEL = 0.05
"""How often, at most, groups that do not differ may be called different: over all pairs together."""


@dataclass(frozen=True)
class Group:
    """A group of batches and its mean: `low` and `high` bound the 95 % t interval (None: no interval)."""

    name: str
    count: int
    mean: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Clear:
    """A group whose interval lies wholly above another's."""

    more: Group
    less: Group


def clear_differences(groups: list[Group]) -> list[Clear]:
    """Pairs of groups that the intervals do tell apart, the widest gap first; empty when none."""
    usable = [group for group in groups if _usable(group)]
    if len(usable) > MOST_GROUPS:
        return []
    pairs = [Clear(more, less) for more, less in permutations(usable, 2) if _mean(more) > _mean(less)]
    kept = [pair for pair in _holm(pairs) if _apart(pair.more, pair.less)]
    return sorted(kept, key=lambda pair: (-_gap(pair), pair.more.name, pair.less.name))


def welch_p_value(one: Group, other: Group) -> float:
    """Two-sided p of Welch's t test, from the means, the 95 % half-widths and the counts of two groups."""
    variances = [_standard_error(group) ** 2 for group in (one, other)]
    total = sum(variances)
    if total == 0:
        return 0.0 if _mean(one) != _mean(other) else 1.0
    freedom = total**2 / sum(
        variance**2 / (group.count - 1) for variance, group in zip(variances, (one, other), strict=True)
    )
    return float(2 * stdtr(freedom, -abs(_mean(one) - _mean(other)) / sqrt(total)))


def _standard_error(group: Group) -> float:
    """Back from the half-width of the 95 % t interval to the standard error of the mean."""
    half = ((group.high or 0.0) - (group.low or 0.0)) / 2
    return half / float(stdtrit(group.count - 1, 0.975))


def _holm(pairs: list[Clear]) -> list[Clear]:
    """The pairs that Holm's sequence keeps: smallest p first, each held to the level over those left."""
    ranked = sorted(((welch_p_value(pair.more, pair.less), place) for place, pair in enumerate(pairs)))
    kept = []
    for rank, (p_value, place) in enumerate(ranked):
        if p_value > FAMILY_LEVEL / (len(pairs) - rank):
            break
        kept.append(pairs[place])
    return kept


def compare_yields(groups: list[Group], kind: str, kinds: str) -> list[str]:
    """Sentences that compare groups of batches by yield, claiming only what the intervals carry.

    `kind` and `kinds` name what the groups are ('grain bill', 'grain bills').
    """
    measured = [group for group in groups if group.count > 0 and group.mean is not None]
    if not measured:
        return [f"No batch has a measured yield, so nothing can be said about {kinds}."]
    if len(measured) == 1:
        only = measured[0]
        return [
            f"Every batch with a measured yield has the same {kind} ({only.name}): "
            "there is nothing to compare it with.",
            mean_sentence(only),
        ]
    usable = [group for group in measured if _usable(group)]
    if len(usable) < 2:
        return [
            f"These batches cannot tell: to compare {kinds}, at least two of them need "
            f"{ENOUGH_BATCHES} measured batches each, and {_how_many(len(usable))}.",
            *_too_few(measured),
        ]
    if len(usable) > MOST_GROUPS:
        return [
            f"{len(usable)} {kinds} are too many to compare pair by pair; the chart and the table show them "
            "all.",
            *_too_few(measured),
        ]
    return [*_verdict(usable, kind, kinds), *_too_few(measured)]


def _verdict(usable: list[Group], kind: str, kinds: str) -> list[str]:
    pairs = clear_differences(usable)
    if not pairs:
        return [
            f"These batches cannot tell the {kinds} apart: the intervals overlap, or lie no further apart "
            "than luck would bring about among so many. That does not mean they are the same; it means that "
            "any difference is smaller than the spread between batches lets us see."
        ]
    sentences = [
        f"Of {len(usable)} {kinds} with {ENOUGH_BATCHES} measured batches or more, "
        f"{counted(len(pairs), 'pair')} can be told apart, after allowing for the number of comparisons."
    ]
    sentences += [
        f"{pair.more.name} gave more than {pair.less.name}: {interval_text(pair.more)} against "
        f"{interval_text(pair.less)}."
        for pair in pairs[:3]
    ]
    if len(pairs) > 3:
        sentences.append(f"{counted(len(pairs) - 3, 'more pair')} likewise; the table shows the intervals.")
    if len(pairs) < len(usable) * (len(usable) - 1) // 2:
        sentences.append("Of the other pairs, these batches cannot tell.")
    sentences.append(
        f"These batches differed; the {kind} need not be why. Batches with one {kind} may also have had "
        "another yeast, mash or month."
    )
    return sentences


def interval_text(group: Group) -> str:
    """A group's mean with its interval and its count: `0.352 (0.341 to 0.363, 9 batches)` LPA per kg."""
    if group.mean is None:
        return "not measured"
    batches = counted(group.count, "batch", "batches")
    if group.low is None or group.high is None:
        return f"{number(group.mean, 3)} LPA per kg ({batches}, too few for an interval)"
    low, high = number(group.low, 3), number(group.high, 3)
    return f"{number(group.mean, 3)} LPA per kg (95 % interval {low} to {high}, {batches})"


def mean_sentence(group: Group) -> str:
    """One group's mean as a sentence."""
    return f"{group.name}: {interval_text(group)}."


def _usable(group: Group) -> bool:
    return group.count >= ENOUGH_BATCHES and None not in (group.mean, group.low, group.high)


def _mean(group: Group) -> float:
    return group.mean or 0.0


def _apart(more: Group, less: Group) -> bool:
    return more.low is not None and less.high is not None and more.low > less.high


def _gap(pair: Clear) -> float:
    return (pair.more.low or 0.0) - (pair.less.high or 0.0)


def _how_many(count: int) -> str:
    return "only one has" if count == 1 else "none has"


def _too_few(groups: list[Group]) -> list[str]:
    few = [f"{group.name} ({group.count})" for group in groups if not _usable(group)]
    return [f"Too few measured batches to compare: {listed(few)}."] if few else []
