"""Holds the fits to account over a thousand invented seasons of each size: `make calibrate`.

Counts how often 95 % intervals hold the truth, how often an empty season is said to show something, how
many real effects are found and with which sign, how large the errors are beside least squares, ridge and
BayesianRidge (scikit-learn), whether planted ties are named, and whether the batches proposed next lead
to better bills than habit or chance. Writes the table into DEVELOPERS.md.
"""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from sklearn.linear_model import BayesianRidge, RidgeCV

from pipeline.fits.aliases import find_ties, tied_levels
from pipeline.fits.baselines import RIDGE_STRENGTHS, left_out_mean, rmse
from pipeline.fits.design import ALLOWED_FOR, Problem, fit_problem
from pipeline.fits.effects import LEVEL, Effect, answer, questions
from pipeline.fits.gate import passed
from pipeline.fits.mixture import Floats
from pipeline.fits.season_fit import gate_of
from pipeline.fits.steps_ahead import OURS, RULES, mean_with_interval, regrets_of
from pipeline.fits.worlds import RESPONSES, RESPONSES_OF_EMPTY, WORLDS, Invented, invent_season

SIZES = (12, 24, 60)
SEED = 20261
"""Of the seasons in the table of DEVELOPERS.md; the method was chosen on others."""
METHODS = ("this fit", "least squares", "ridge", "BayesianRidge")
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
    squares: dict[str, float] = field(default_factory=lambda: dict.fromkeys(METHODS, 0.0))
    real: int = 0
    found: int = 0
    claims: int = 0
    wrong_sign: int = 0
    ties: int = 0
    ties_named: int = 0
    empty_seasons: int = 0
    empty_claimed: int = 0


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
    hits = tally.by_world.setdefault(world, [0, 0])
    for place, (problem, effects, tied) in enumerate(_said(season)):
        judged = [effect for effect in effects if _is_judged(effect)]
        truths = [season.true_answer(place, effect.question.vector, tied) for effect in judged]
        for effect, truth in zip(judged, truths, strict=True):
            is_held = effect.low <= truth <= effect.high
            tally.answers[effect.question.family] += 1
            tally.covered[effect.question.family] += is_held
            hits[0] += is_held
            hits[1] += 1
            _count_claim(effect, truth, season.noise_sd[place], tally)
        answers = {"this fit": [effect.estimate for effect in judged]}
        answers |= _plain_answers(problem, [effect.question.vector for effect in judged])
        for method, values in answers.items():
            errors = (np.array(values) - np.array(truths)) / season.noise_sd[place]
            tally.squares[method] += float((errors**2).sum())
    if season.is_tie_planted:
        tally.ties += 1
        pairs = [{tie.level, tie.other_level} for tie in find_ties(season.problems[0])]
        tally.ties_named += {"spelt malt", "farmhouse yeast"} in pairs


def _count_empty(season: Invented, tally: Tally) -> None:
    tally.empty_seasons += 1
    verdicts = [effect.verdict for _, effects, _ in _said(season, only_claims=True) for effect in effects]
    tally.empty_claimed += "supported" in verdicts


def _count_claim(effect: Effect, truth: float, noise_sd: float, tally: Tally) -> None:
    is_real = abs(truth) >= _WORTH_FINDING * noise_sd
    is_claimed = effect.verdict == "supported"
    tally.real += is_real
    tally.found += is_real and is_claimed
    tally.claims += is_claimed
    tally.wrong_sign += is_claimed and effect.estimate * truth < 0


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
    question = effect.question
    is_told = effect.verdict not in ("never apart", "too few")
    return is_told and question.family in _JUDGED and question.kind in _KINDS


def _plain_answers(problem: Problem, vectors: list[Floats]) -> dict[str, list[float]]:
    """The same questions answered by the plain methods."""
    columns, y = problem.straight, problem.y
    vectors = [vector[: columns.shape[1]] for vector in vectors]
    centred = columns - columns.mean(axis=0)
    coefficients = {
        "least squares": np.linalg.lstsq(centred, y - y.mean(), rcond=None)[0],
        "ridge": RidgeCV(alphas=RIDGE_STRENGTHS).fit(columns, y).coef_,
        # Scaled, because BayesianRidge's own priors have a unit.
        "BayesianRidge": BayesianRidge().fit(columns, (y - y.mean()) / y.std()).coef_ * y.std(),
    }
    return {method: [float(vector @ found) for vector in vectors] for method, found in coefficients.items()}


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
        "empty seasons with any claim", [_percent(t.empty_claimed, t.empty_seasons) for t in tallies.values()]
    )
    row(
        "effects of a residual sd or more that are found",
        [_percent(t.found, t.real) for t in tallies.values()],
    )
    row("claims with the wrong sign", [_percent(t.wrong_sign, t.claims) for t in tallies.values()])
    row("planted ties named", [_percent(t.ties_named, t.ties) for t in tallies.values()])
    for method in METHODS:
        cells = [
            f"{np.sqrt(t.squares[method] / max(sum(t.answers.values()), 1)):.2f}" for t in tallies.values()
        ]
        row(f"error of the effects, residual sds: {method}", cells)
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
