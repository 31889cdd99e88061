"""What may be said of the cuts: how steady, what spreads them, what the still does, what moving costs.

As in `wording`, a sentence claims no more than the numbers beside it carry: a run stands out, a cause is
never named; a spread is parted only with its interval; where the data cannot tell, that is what is said.
"""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.report.text import counted, listed, number

NOSE = ("operator", "recipe", "run to run")
"""Parts of a cut's spread that the one who cuts decides, knowingly or not."""


@dataclass(frozen=True)
class Steadiness:
    """What one row of `fit.cut_steadiness` says of a figure in %vol, and the runs that stand out."""

    runs: int
    mean: float
    sd: float
    standing: str
    baseline_runs: int | None
    next_low: float | None
    next_high: float | None
    stand_out: list[str]


def first_sentence(verb: str, steady: Steadiness, shares: dict[str, float]) -> str:
    """`Hearts ended at 61.3 ± 1.8 %vol over 46 spirit runs; 2 runs stand out (...); two thirds ...`."""
    if steady.runs < 2:
        return f"Hearts {verb} at {number(steady.mean, 1)} %vol in the one spirit run where it is known."
    sentence = (
        f"Hearts {verb} at {number(steady.mean, 1)} ± {number(steady.sd, 1)} %vol "
        f"(mean and standard deviation) over {counted(steady.runs, 'spirit run')}"
    )
    if steady.standing == "none":
        sentence += "; too few in a row without a jump to say which of them stand out"
    elif steady.stand_out:
        verb_out = "stands" if len(steady.stand_out) == 1 else "stand"
        sentence += f"; {counted(len(steady.stand_out), 'run')} {verb_out} out ({listed(steady.stand_out)})"
    else:
        sentence += "; no run stands out"
    if shares:
        nose = sum(shares.get(part, 0.0) for part in NOSE)
        sentence += f"; {share_words(nose)} of the spread is your nose, not your still or your readings"
    return sentence + "."


def share_words(share: float) -> str:
    """A share in the words people use.

    >>> share_words(0.66), share_words(0.93), share_words(0.02)
    ('about two thirds', 'about nine tenths', 'hardly any')
    """
    words = (
        (0.05, "hardly any"),
        (0.15, "about a tenth"),
        (0.225, "about a fifth"),
        (0.29, "about a quarter"),
        (0.365, "about a third"),
        (0.45, "about two fifths"),
        (0.55, "about half"),
        (0.63, "about three fifths"),
        (0.705, "about two thirds"),
        (0.775, "about three quarters"),
        (0.85, "about four fifths"),
        (0.95, "about nine tenths"),
    )
    return next((word for limit, word in words if share < limit), "nearly all")


def limits_sentence(steady: Steadiness) -> str:
    """What the limits of a chart are worth, and where the next run will land."""
    if steady.standing == "none" or steady.baseline_runs is None:
        return (
            "No limits are drawn: there is no stretch of 8 runs in a row that its own limits would hold, and "
            "fewer say nothing."
        )
    worth = {
        "provisional": "so the limits are provisional",
        "trial": "so these are trial limits",
        "established": "enough for established limits",
    }[steady.standing]
    sentence = f"The limits come from {steady.baseline_runs} runs, {worth}."
    if steady.next_low is not None and steady.next_high is not None:
        low, high = number(steady.next_low, 1), number(steady.next_high, 1)
        sentence += f" The next run is expected to end hearts between {low} and {high} %vol (19 times in 20)."
    return sentence


def spread_sentence(parts: list[tuple[str, float, float, float]]) -> str:
    """The parts of a spread with their 90 % intervals."""
    named = {
        "charge and still": "charge and still",
        "operator": "who stood there",
        "recipe": "recipe",
        "run to run": "run to run",
        "reading": "the reading itself",
    }
    texts = [
        f"{named[part]} {number(100 * share, 0)} % ({number(100 * low, 0)} to {number(100 * high, 0)})"
        for part, share, low, high in parts
    ]
    return (
        f"The spread of where hearts ended, as variance: {listed(texts)}; in brackets the 90 % interval. "
        "Where people and recipes go together, what they share is counted to the first named."
    )


def lasting_sentence(shifts: list[str]) -> str:
    """Lasting shifts that the CUSUM or EWMA signals."""
    if not shifts:
        return "No lasting shift is signalled (CUSUM, EWMA)."
    return f"A lasting shift is signalled, worth looking for a cause: {listed(shifts)}."


def still_sentence(still: str, kind: str, mean: float, low: float, high: float, sd: float, off: int) -> str:
    """A still's own number for one kind of run."""
    runs = {"spirit": "spirit runs", "stripping": "stripping runs"}[kind]
    sentence = (
        f"In {runs}, {still} works like a bare pot with {number(mean, 2)} stages more (95 % interval "
        f"{number(low, 3)} to {number(high, 3)}), give or take {number(sd, 3)} from run to run"
    )
    if off:
        sentence += f"; {counted(off, 'run')} {'lies' if off == 1 else 'lie'} further off than that explains"
    return sentence + "."


def suspects_sentence(names: list[str]) -> str:
    """Readings that their run's curve does not allow."""
    if not names:
        return "No jar lies off its run's curve by more than its reading's error explains."
    verb = "lies" if len(names) == 1 else "lie"
    return f"{counted(len(names), 'reading')} {verb} off the curve of its run: {listed(names)}."


def tradeoff_sentence(
    attribute: str, batches: int, litres: float | None, low: float, high: float, is_told: bool
) -> str:
    """What ending hearts one %vol weaker does: litres surely, score perhaps."""
    gain = (
        ""
        if litres is None
        else f"Ending hearts 1 %vol weaker keeps about {number(litres, 2)} LPA more a batch as hearts. "
    )
    span = f"{number(low, 2)} to {number(high, 2)} points"
    if is_told:
        way = "raised" if low > 0 else "lowered"
        return (
            f"{gain}In {batches} scored batches a later cut went with a {way} score for {attribute}: {span} "
            "a %vol (95 % interval). Other things may have changed with the cut."
        )
    hair = ""
    if low > 0 or high < 0:
        hair = " That leaves out nought, but not by enough for one of several attributes looked at."
    return (
        f"{gain}What it does to the taste these {batches} scored batches cannot tell: for {attribute} {span} "
        f"a %vol (95 % interval).{hair}"
    )


def strips_sentence(runs: int, litres: float, minutes: float) -> str:
    """What stopping the strips two %vol later brings."""
    return (
        f"Stopping a strip 2 %vol later would have brought about {number(litres, 2)} LPA more for "
        f"{number(minutes, 0)} minutes more (middle of {counted(runs, 'run')})."
    )
