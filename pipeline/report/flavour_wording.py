"""What may be said of flavour: no more than the panel's intervals and the design of the season carry.

"Told apart" is said only of pairs that hold at 5 % over all pairs of an evening together; of a part
(yeast, cask ...)
only where its 90 % interval stays above a twentieth of the variance and no other part could have done it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.report.text import counted, listed, number, value_text

Row = Mapping[str, Any]

MATTERS_FROM = 0.05
"""A part whose share may well lie below this is not said to matter (own choice)."""

MOST_PAIRS_NAMED = 3

STRENGTH_TASTED_PCT_VOL = 2.0
"""Glasses of one session that lie further apart in strength are tasted for it (own choice)."""

HELD_AT = 0.05
"""A comparison is told apart when luck would do it in fewer of all comparisons taken together."""

PANEL_PARTS = ("assessor", "assessor and sample", "error")
"""Parts of a score's variance that are the panel's own."""


def scores_answer(scores: int, assessors: int, samples: int, sessions: int, sets: int) -> str:
    """What was tasted, and what the intervals are.

    sessions : evenings; sets : groups of samples that were held against each other
    """
    if scores == 0:
        return "No scores were logged this season."
    panel = (
        f"{counted(scores, 'score')} by {counted(assessors, 'assessor')} on {counted(samples, 'sample')} in "
        f"{counted(sessions, 'session')}."
    )
    if assessors < 3:
        return f"{panel} Fewer than three assessors are too few to speak for anyone but themselves."
    adjusted = (
        f"{panel} Scores are adjusted for who tasted what, when and in which place; samples are compared "
        "only with those they were tasted against"
    )
    if sets < sessions:
        return f"{adjusted}: sessions that shared a sample are taken together."
    if sets > sessions:
        return f"{adjusted}: people who shared no sample are taken apart."
    return f"{adjusted}."


def unknown_sentence(samples: int, unknown: int) -> str:
    """How many samples nobody has said what they were; empty where all are known."""
    if not unknown:
        return ""
    which = "the samples" if unknown == samples else f"{unknown} of the {samples} samples"
    return f"What {which} were is not logged: a key of session, code and batch would say it."


def strength_sentence(strengths: Sequence[Row]) -> str:
    """Sessions whose glasses were poured at different strengths; empty where none were."""
    uneven = [
        f"{row['session'] or 'a session without a name'} ({number(row['weakest_pct_vol'], 1)} to "
        f"{number(row['strongest_pct_vol'], 1)} %vol)"
        for row in strengths
        if row["strongest_pct_vol"] - row["weakest_pct_vol"] > STRENGTH_TASTED_PCT_VOL
    ]
    if not uneven:
        return ""
    return (
        f"Samples were poured at different strengths in {listed(uneven)}: what strength does to the taste "
        "cannot be told from the rest there. Bring all glasses to one strength."
    )


def attribute_sentence(panel: Row, differences: Sequence[Row]) -> str:
    """What one tasting showed for one attribute."""
    name = _capital(panel["attribute"])
    samples = counted(panel["samples"], "sample")
    if panel["no_fit_reason"]:
        return f"{name}: {samples}, not adjusted, because {_reason(panel['no_fit_reason'])}."
    clear = [row for row in differences if row["is_told_apart"]]
    if not clear:
        return (
            f"{name}: the panel could not tell these {samples} apart (a difference of two is known to "
            f"± {number(panel['usual_half_width'], 1)} points). That does not make them the same."
        )
    clear.sort(key=lambda row: -abs(row["score_difference"]))
    named = "; ".join(pair_text(row) for row in clear[:MOST_PAIRS_NAMED])
    count = f"{len(clear)} of {counted(len(differences), 'pair')} told apart"
    return f"{name}: {count}. {_capital(named)}."


def tasting_line(tasting: str, panels: Sequence[Row], differences: Sequence[Row]) -> str:
    """A tasting in one line: how many samples, and in which attributes any two were told apart."""
    samples = counted(max(row["samples"] for row in panels), "sample")
    if all(row["no_fit_reason"] for row in panels):
        return f"{_capital(tasting)}: {samples}, plain means only"
    told: dict[str, int] = {}
    for row in differences:
        if row["is_told_apart"]:
            told[row["attribute"]] = told.get(row["attribute"], 0) + 1
    if not told:
        return f"{_capital(tasting)}: {samples}, none told apart"
    named = listed([f"{name} ({counted(count, 'pair')})" for name, count in told.items()])
    return f"{_capital(tasting)}: {samples}, told apart in {named}"


def pair_text(row: Row) -> str:
    """A pair with its difference and interval, the higher first."""
    more, less = row["label_a"], row["label_b"]
    value, low, high = row["score_difference"], row["score_difference_low"], row["score_difference_high"]
    if value < 0:
        more, less, value, low, high = less, more, -value, -high, -low
    return f"{more} scored {number(value, 1)} above {less} (95 %: {number(low, 1)} to {number(high, 1)})"


def comparison_sentences(kind: str, rows: Sequence[Row]) -> list[str]:
    """What the direct comparisons of one kind showed: 'same spirit, two casks' or 'two spirits, like
    casks'."""
    if not rows:
        return [f"{_capital(kind)}: no such pair was tasted side by side."]
    pairs = {(row["tasted_a"], row["tasted_b"]) for row in rows}
    clear = sorted(
        (row for row in rows if row["is_told_apart"]), key=lambda row: -abs(row["score_difference"])
    )
    told = {(row["tasted_a"], row["tasted_b"]) for row in clear}
    head = f"{_capital(kind)}: {counted(len(pairs), 'pair')} tasted side by side"
    if not clear:
        return [f"{head}; none was told apart by any attribute."]
    named = "; ".join(f"{row['attribute']}, {pair_text(row)}" for row in clear[:MOST_PAIRS_NAMED])
    return [f"{head}, {len(told)} told apart by some attribute. The widest: {named}."]


def clear_parts(parts: Sequence[Row]) -> list[Row]:
    """Parts of spirit and cask with a share of their own that is clear of nought, largest first."""
    clear = [
        row
        for row in parts
        if row["flavour_part"] not in PANEL_PARTS
        and row["is_told_apart"]
        and row["share_low_frac"] >= MATTERS_FROM
    ]
    return sorted(clear, key=lambda row: -row["share_frac"])


def shares_headline(shares: Sequence[Row]) -> str:
    """Spirit or cask in one sentence over all attributes; empty where no share could be given."""
    attributes = list(dict.fromkeys(row["attribute"] for row in shares))
    if not attributes:
        return ""
    by_part: dict[str, list[str]] = {}
    unclear = []
    for name in attributes:
        clear = clear_parts([row for row in shares if row["attribute"] == name])
        for row in clear:
            by_part.setdefault(row["flavour_part"], []).append(name)
        if not clear:
            unclear.append(name)
    if not by_part:
        return "In no attribute do the samples clearly differ with one part of spirit or cask."
    said = "; ".join(f"in {listed(names)} with the {part}" for part, names in by_part.items())
    rest = f" For {listed(unclear)} no part stands out." if unclear else ""
    return f"Samples differed {said}.{rest}"


def share_sentence(attribute: str, parts: Sequence[Row]) -> str:
    """Spirit or cask: how the variance of an attribute divides, as far as the season can say.

    It divides and claims no cause: whether a choice made a difference is for the fits to say.
    """
    own = [row for row in parts if row["flavour_part"] not in PANEL_PARTS]
    tied = [row for row in own if row["part_levels"] and not row["is_told_apart"]]
    clear = clear_parts(parts)
    panel = sum(row["share_frac"] for row in parts if row not in own)
    if clear:
        named = listed([f"the {row['flavour_part']} ({share_text(row)})" for row in clear])
        said = f"clearly part of it goes with {named}"
    else:
        said = "no part of it clearly goes with spirit or cask"
    sentence = (
        f"{_capital(attribute)}: {said}; {number(100 * panel, 0)} % of the variance of one score is the "
        f"panel's own."
    )
    if tied:
        names = listed(
            [f"{row['flavour_part']} (it went with the {row['goes_with'] or 'others'})" for row in tied]
        )
        sentence += f" Cannot be told apart in this season: {names}."
    return sentence


def share_text(row: Row) -> str:
    """A share with its interval: `27 % of the variance, 90 %: 17 to 36`."""
    low, high = row["share_low_frac"], row["share_high_frac"]
    return (
        f"{number(100 * row['share_frac'], 0)} % of the variance, 90 %: {number(100 * low, 0)} to "
        f"{number(100 * high, 0)} %"
    )


def scale_sentence(panels: Sequence[Row]) -> str:
    """For which attributes the assessors' use of the scale is allowed for, and what a point is elsewhere."""
    fitted = [row for row in panels if row["no_fit_reason"] is None]
    names = list(dict.fromkeys(row["attribute"] for row in fitted))
    scaled = [name for name in names if all(row["is_scaled"] for row in fitted if row["attribute"] == name)]
    left = [name for name in names if name not in scaled]
    if not names:
        return ""
    if not scaled:
        return (
            "How much of the scale each assessor uses cannot be read from so few scores: a difference is one "
            "of the panel's average use, and looks smaller where some use little of the scale."
        )
    allowed = "How much of the scale each assessor uses is allowed for"
    if not left:
        return f"{allowed}; a difference is one of the typical assessor."
    return f"{allowed} in {listed(scaled)}, not in {listed(left)}: their scores do not tell it."


def agreement_sentence(panels: Sequence[Row]) -> str:
    """How far the panel agrees, without naming anyone."""
    known = [row for row in panels if row["icc_single"] is not None]
    if all(row["assessors"] < 2 for row in panels):
        return "One assessor alone has nobody to agree with."
    if not known:
        return "No samples were scored by every assessor of a tasting, so their agreement cannot be given."
    best = max(known, key=lambda row: row["icc_panel"])
    worst = min(known, key=lambda row: row["icc_panel"])
    reach = f"ran from {_icc(worst)} to {_icc(best)}" if len(known) > 1 else f"was {_icc(best)}"
    return (
        f"Agreement (intraclass correlation of the panel's mean, 1 is full) {reach}. "
        "It is low where the samples are alike, not only where people disagree. Each assessor's own "
        "figures are kept "
        "off this page: stillseason panel --people prints them."
    )


def _icc(row: Row) -> str:
    return f"{number(max(row['icc_panel'], 0.0), 2)} ({row['attribute']}, {row['tasting']})"


def word_sentences(words: Sequence[Row]) -> list[str]:
    """Words that tell the samples of a tasting apart, with where they were said."""
    clear: dict[tuple[str, str], list[Row]] = {}
    tested = set()
    for row in words:
        if row["p_word"] is not None:
            tested.add((row["tasting"], row["word"]))
            if row["p_held"] <= 0.1:
                clear.setdefault((row["tasting"], row["word"]), []).append(row)
    if not tested:
        return ["No word was said often enough in one tasting (five times) to be tested."]
    if not clear:
        return [
            f"{len(tested)} words were said often enough to be tested; none of them tells the samples of "
            f"its tasting "
            "apart."
        ]
    sentences = []
    for (tasting, word), rows in clear.items():
        most = sorted(rows, key=lambda row: (-row["said"], row["label"]))[:3]
        where = listed(
            [f"{row['label']} ({row['said']} of {row['assessors']})" for row in most if row["said"]]
        )
        sentences.append(
            f"{_capital(word)} was said of some samples more than of others ({tasting}): {where}."
        )
    return sentences


def trial_sentence(row: Row, with_people: bool = True) -> str:
    """What a triangle, duo-trio or paired test showed, how large the difference may be, and what next.

    with_people : say too who gave the answers, where people answered more than once
    """
    pair = f"{row['sample_a']} and {row['sample_b']}"
    luck = {"triangle": "one in three"}.get(row["test"], "one in two")
    tally = (
        f"{row['correct']} of {row['trials']} right in a {row['test']} test, where luck alone gives {luck}"
    )
    if row["needed_correct"] is None:
        return f"{pair}: too few tastings to conclude anything ({tally})."
    p_text = value_text(row["p_value"], "p_value")
    people = f" {repeated}" if with_people and (repeated := repeated_sentence(row)) else ""
    limits = f"{_limit(row['d_prime_low'])} to {_limit(row['d_prime_high'])}"
    size = f"d′ {_limit(row['d_prime'])} (95 %: {limits})"
    if row["is_told_apart"] and row["p_held"] <= HELD_AT:
        return f"{pair} were told apart: {tally} (p {p_text}), {size}.{people}"
    if row["is_told_apart"]:
        return (
            f"{pair} may differ: {tally} (p {p_text}), {size}. Taken alone that would tell them apart; among "
            f"all the comparisons luck may have done it. A test of this pair by itself, about "
            f"{number(row['fresh_trials'], 0)} trials, would settle it.{people}"
        )
    if row["is_similar"]:
        most = number(100 * row["told_by_most_frac"], 0)
        return (
            f"{pair} are alike enough: {tally}; with 95 % confidence at most {most} % could tell them apart."
            f"{people}"
        )
    more = (
        f" A difference as large as the one found would take about {number(row['more_trials'], 0)} more "
        f"trials."
        if row["more_trials"]
        else f" To call them alike would take about {number(row['similar_trials'], 0)} trials in all."
    )
    most = number(100 * row["told_by_most_frac"], 0)
    return (
        f"{pair} were not shown to differ: {tally} (p {p_text}), {size}. That does not show they are "
        f"alike: up to "
        f"{most} % may be able to tell them apart.{more}{people}"
    )


def repeated_sentence(row: Row) -> str:
    """Who gave the answers, where people answered more than once; empty where nobody did."""
    if row["assessors"] >= row["trials"]:
        return ""
    people = counted(row["assessors"], "person", "people")
    if row["answers_tie"] is None:
        return f"{people} gave these answers: it is said of them alone."
    shown = ""
    if row["p_answers_tie"] <= 0.05:
        shown = f" They do differ (p {value_text(row['p_answers_tie'], 'p_value')})."
    return (
        f"{people} gave these answers, up to {row['most_by_one']} each; the limits allow for people who can "
        f"tell and people who cannot.{shown}"
    )


def _limit(value: float | None) -> str:
    return "beyond measure" if value is None else number(value, 1)


def _reason(text: str) -> str:
    return text[:1].lower() + text[1:]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
