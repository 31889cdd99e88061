"""Holds the fits to account over a thousand invented seasons of each size: `make calibrate`.

Counts how often 95 % intervals hold the truth, how often an empty season is said to show something, how
many real effects are found and with which sign, how large the errors are, all beside least squares, ridge
and BayesianRidge (scikit-learn); whether planted ties are named, and whether the batches proposed next
lead to better bills than habit or chance. Writes the table into DEVELOPERS.md.
"""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.fits.aliases import find_ties, tied_levels
from pipeline.fits.baselines import left_out_mean, rmse
from pipeline.fits.design import ALLOWED_FOR, Problem, fit_problem
from pipeline.fits.effects import FEWEST_USES, LEVEL, Effect, Question, answer, questions
from pipeline.fits.gate import passed
from pipeline.fits.mixture import Floats
from pipeline.fits.plain_answers import MOST_CONDITION, NOTHING, PLAIN_METHODS, is_well_posed, plain_answers
from pipeline.fits.season_fit import gate_of
from pipeline.fits.steps_ahead import OURS, RULES, mean_with_interval, regrets_of
from pipeline.fits.worlds import RESPONSES, RESPONSES_OF_EMPTY, WORLDS, Invented, invent_season

SIZES = (12, 24, 60)
SEED = 20261
"""Of the seasons in the table of DEVELOPERS.md; the method was chosen on others."""
OWN = "this fit"
METHODS = (OWN, *PLAIN_METHODS)
CLAIMING = tuple(method for method in METHODS if method != NOTHING)
BEGIN, END = "<!-- calibration -->", "<!-- end calibration -->"

# An effect this many residual standard deviations or more is one that a distiller would want found.
_WORTH_FINDING = 1.0
_JUDGED = ("grain", "yeast")
_KINDS = ("more", "against average")
_ALL_KINDS = (*_KINDS, "swap", "pair", "step")


@dataclass
class Tally:
    """Counts over the seasons of one size."""

    seasons: int = 0
    answers: dict[str, int] = field(default_factory=lambda: dict.fromkeys(_JUDGED, 0))
    covered: dict[str, int] = field(default_factory=lambda: dict.fromkeys(_JUDGED, 0))
    by_world: dict[str, list[int]] = field(default_factory=dict)
    errors: dict[str, list[float]] = field(default_factory=lambda: {method: [] for method in METHODS})
    is_well_posed: list[bool] = field(default_factory=list)
    real: int = 0
    found: dict[str, int] = field(default_factory=lambda: dict.fromkeys(METHODS, 0))
    claims: dict[str, int] = field(default_factory=lambda: dict.fromkeys(METHODS, 0))
    wrong_sign: dict[str, int] = field(default_factory=lambda: dict.fromkeys(METHODS, 0))
    ties: int = 0
    ties_named: int = 0
    empty_seasons: int = 0
    empty_gated: int = 0
    empty_claimed: dict[str, int] = field(default_factory=lambda: dict.fromkeys(METHODS, 0))

    def error(self, method: str, only_well_posed: bool = False) -> float:
        """Root mean square error of a method's estimates in residual sds; NaN when there are none."""
        errors = np.array(self.errors[method])
        kept = errors[self.is_well_posed] if only_well_posed else errors
        return float(np.sqrt((kept**2).mean())) if len(kept) else float("nan")

    def median_error(self, method: str) -> float:
        """The size of error, in residual sds, that half of a method's estimates stay below."""
        return float(np.median(np.abs(self.errors[method]))) if self.errors[method] else float("nan")


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the calibration and write its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--seasons", type=int, default=1000, help="seasons of each size, and as many empty ones"
    )
    parser.add_argument("--steps-ahead", type=int, default=300, help="seasons for the batches proposed next")
    parser.add_argument("--docs", type=Path, default=None, help="file to write the table into")
    options = parser.parse_args(arguments)
    tallies = {size: calibrate(size, options.seasons) for size in SIZES}
    regrets = {rule: regrets_of(rule, options.steps_ahead) for rule in RULES}
    text = table_text(tallies, regrets, options.seasons)
    print(text)
    if options.docs is not None:
        write_into(options.docs, text)


def calibrate(batches: int, seasons: int, seed: int = SEED) -> Tally:
    """The tally of so many seasons of a size, and of as many empty ones; the worlds take turns."""
    tally = Tally()
    for number in range(seasons):
        rng = np.random.default_rng([seed, batches, number])
        _count_season(
            invent_season(batches, WORLDS[number % len(WORLDS)], rng), WORLDS[number % len(WORLDS)], tally
        )
        rng = np.random.default_rng([seed, batches, number, 1])
        _count_empty(invent_season(batches, "as simulated", rng, True, RESPONSES_OF_EMPTY), tally)
        if number % 50 == 49:
            print(f"{batches} batches: {number + 1} of {seasons} seasons", file=sys.stderr)
    return tally


def write_into(docs: Path, text: str) -> None:
    """Put the table between its marks in a document."""
    page = docs.read_text(encoding="utf-8")
    found = re.compile(f"{BEGIN}.*?{END}", re.DOTALL)
    if not found.search(page):
        raise ValueError(f"{docs} has no line {BEGIN}")
    docs.write_text(found.sub(lambda _: f"{BEGIN}\n{text}\n{END}", page), encoding="utf-8", newline="\n")


def _count_season(season: Invented, world: str, tally: Tally) -> None:
    tally.seasons += 1
    for place, (problem, effects, tied) in enumerate(_said(season)):
        unit = season.noise_sd[place]
        judged = [effect for effect in effects if _is_judged(effect)]
        truths = np.array([season.true_answer(place, e.question.vector, tied) for e in judged])
        _count_intervals(judged, truths, world, tally)
        tally.real += int((np.abs(truths) >= _WORTH_FINDING * unit).sum())
        tally.is_well_posed += [is_well_posed(problem)] * len(judged)
        plain = plain_answers(problem, [effect.question.vector for effect in judged])
        for method, found in plain.items():
            _count_answers(method, found.estimate / unit, truths / unit, found.is_clear, tally)
        estimates = np.array([effect.estimate for effect in judged])
        named = np.array([effect.verdict == "supported" for effect in judged], dtype=bool)
        _count_answers(OWN, estimates / unit, truths / unit, named, tally)
    if season.is_tie_planted:
        tally.ties += 1
        pairs = [{tie.level, tie.other_level} for tie in find_ties(season.problems[0])]
        tally.ties_named += {"spelt malt", "farmhouse yeast"} in pairs


def _count_intervals(judged: Sequence[Effect], truths: Floats, world: str, tally: Tally) -> None:
    hits = tally.by_world.setdefault(world, [0, 0])
    for effect, truth in zip(judged, truths, strict=True):
        is_held = bool(effect.low <= truth <= effect.high)
        tally.answers[effect.question.family] += 1
        tally.covered[effect.question.family] += is_held
        hits[0] += is_held
        hits[1] += 1


def _count_answers(
    method: str, values: Floats, truths: Floats, claimed: NDArray[np.bool_], tally: Tally
) -> None:
    """One method's answers to a problem's questions; values and truths in residual sds."""
    tally.errors[method] += list(values - truths)
    tally.found[method] += int((claimed & (np.abs(truths) >= _WORTH_FINDING)).sum())
    tally.claims[method] += int(claimed.sum())
    tally.wrong_sign[method] += int((claimed & (values * truths < 0)).sum())


def _count_empty(season: Invented, tally: Tally) -> None:
    """An empty season: a claim is an effect named or, for a plain method, an interval clear of nought.

    The plain methods are asked what `_KINDS` has; of this fit every kind of question counts.
    """
    tally.empty_seasons += 1
    said = _said(season, only_claims=True)
    tally.empty_gated += bool(said)
    named = [effect.verdict for _, effects, _ in said for effect in effects]
    tally.empty_claimed[OWN] += "supported" in named
    claimed: set[str] = set()
    for problem in season.problems:
        tied = frozenset(tied_levels(find_ties(problem)))
        posed = [q for q in questions(problem, tied) if _is_asked(q)]
        plain = plain_answers(problem, [question.vector for question in posed])
        claimed |= {method for method in PLAIN_METHODS if plain[method].is_clear.any()}
    for method in claimed:
        tally.empty_claimed[method] += 1


def _said(
    season: Invented, only_claims: bool = False
) -> list[tuple[Problem, list[Effect], frozenset[tuple[str, str]]]]:
    """What the fits say of a season's responses, all gates asked together, as in a review."""
    ties = [find_ties(problem) for problem in season.problems]
    asked = [
        (place, family.name, gate_of(problem, family, ties[place]))
        for place, problem in enumerate(season.problems)
        for family in problem.families
        if family.name not in ALLOWED_FOR
    ]
    is_passed = passed([p for _, _, p in asked])
    said = []
    for place, problem in enumerate(season.problems):
        gates = {name for (at, name, _), ok in zip(asked, is_passed, strict=True) if ok and at == place}
        # Nothing is claimed of a response whose gates all stay shut.
        if not gates and only_claims:
            continue
        fit = fit_problem(problem)
        tied = frozenset(tied_levels(ties[place]))
        better = bool(rmse(fit.left_out().mean, problem.y) < rmse(left_out_mean(problem.y), problem.y))
        kinds = _ALL_KINDS if only_claims else _KINDS
        posed = [question for question in questions(problem, tied) if question.kind in kinds]
        said.append((problem, answer(fit, problem, posed, gates, better), tied))
    return said


def _is_judged(effect: Effect) -> bool:
    return effect.verdict not in ("never apart", "too few") and _is_asked(effect.question)


def _is_asked(question: Question) -> bool:
    is_told = not question.is_tied and question.units >= FEWEST_USES.get(question.family, 1)
    return is_told and question.family in _JUDGED and question.kind in _KINDS


def table_text(tallies: dict[int, Tally], regrets: dict[str, Floats], seasons: int) -> str:
    """The table as Markdown, with a sentence on what was run."""
    sizes = list(tallies)
    lines = [
        f"{seasons:,} invented seasons of each size with {len(RESPONSES)} responses each, in turn "
        f"{', '.join(WORLDS)}; and {seasons:,} with {len(RESPONSES_OF_EMPTY)} responses each in which "
        "nothing makes a difference. Effects are those of 10 points more of a grain, averaged over the "
        "yeasts, and of a yeast against the average one, with the average bill. Drawn at the level of the "
        f"design tables (seed {SEED}): nothing is brewed, and what the account gets wrong is not in it.",
        "",
        "| | " + " | ".join(f"{size} batches" for size in sizes) + " |",
        "| --- |" + " --- |" * len(sizes),
    ]

    def row(words: str, cells: list[str]) -> None:
        lines.append(f"| {words} | " + " | ".join(cells) + " |")

    for family in _JUDGED:
        cells = [_percent(tally.covered[family], tally.answers[family]) for tally in tallies.values()]
        row(f"{100 * LEVEL:.0f} % intervals that hold the truth: {family}", cells)
    for world in WORLDS:
        row(
            f"the same, {world}", [_percent(*tally.by_world.get(world, [0, 0])) for tally in tallies.values()]
        )
    row(
        "empty seasons in which any gate is passed",
        [_percent(t.empty_gated, t.empty_seasons) for t in tallies.values()],
    )
    for method in CLAIMING:
        cells = [_percent(t.empty_claimed[method], t.empty_seasons) for t in tallies.values()]
        row(f"empty seasons with any effect claimed: {method}", cells)
    for method in CLAIMING:
        cells = [_percent(t.found[method], t.real) for t in tallies.values()]
        row(f"effects of a residual sd or more that are found: {method}", cells)
    for method in CLAIMING:
        cells = [_percent(t.wrong_sign[method], t.claims[method]) for t in tallies.values()]
        row(f"claims with the wrong sign: {method}", cells)
    row("planted ties named", [_percent(t.ties_named, t.ties) for t in tallies.values()])
    for method in METHODS:
        row(
            f"error of the effects, residual sds: {method}",
            [f"{t.error(method):.2f}" for t in tallies.values()],
        )
    row(
        "effects where least squares is well posed (full rank, condition number at most "
        f"{MOST_CONDITION:.0f})",
        [_percent(sum(t.is_well_posed), len(t.is_well_posed)) for t in tallies.values()],
    )
    for method in METHODS:
        row(f"error there: {method}", [f"{t.error(method, True):.2f}" for t in tallies.values()])
    for method in METHODS:
        row(
            f"error that half of all effects stay below: {method}",
            [f"{t.median_error(method):.2f}" for t in tallies.values()],
        )
    return "\n".join([*lines, "", _regret_text(regrets)])


def _regret_text(regrets: dict[str, Floats]) -> str:
    """How far each rule's choice falls short, and by how much the proposed batches fall short less."""
    count = len(next(iter(regrets.values())))
    parts = [f"{rule} {_with_interval(values)}" for rule, values in regrets.items()]
    less = [f"{_with_interval(regrets[r] - regrets[OURS])} than {r}" for r in regrets if r != OURS]
    return (
        f"Batches proposed next: 8 batches of 3 bills, then 10 more, {count} seasons. Regret is what the "
        "bill chosen at the end falls short of the highest of all that may be made, in residual sds (95 % "
        "interval): "
        f"{'; '.join(parts)}. Season by season, {OURS} falls short less by {'; '.join(less)}."
    )


def _with_interval(values: Floats) -> str:
    mean, low, high = mean_with_interval(values)
    return f"{mean:.2f} ({low:.2f} to {high:.2f})"


def _percent(part: int, whole: int) -> str:
    return "none" if whole == 0 else f"{100 * part / whole:.1f} %"


if __name__ == "__main__":
    main()
