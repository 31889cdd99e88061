"""How honest the panel's intervals are: panels with known truth, fitted, counted.

Run it as a program for the table in DEVELOPERS.md (`make calibrate-panel`: 1,000 panels of each kind, some
minutes); tests/panel/test_calibration.py runs a small part. Truth here is on the scale of an assessor who
uses all of it. Each panel is drawn afresh: people sit at different places of the scale (sd 0.8), stretch it,
err by their own measure (sd 0.6 to 1.2), see samples in their own way (sd 0.3), tire (-0.05 a glass), miss
glasses (5 %), and write half points from 0 to 10. The first two samples of every evening are the same spirit
under two codes. A person's stretch holds for all attributes of a season but for a tenth (sd).
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from pipeline.multiplicity import holm
from pipeline.panel.habits import pool_scalings
from pipeline.panel.scaling import read_scaling
from pipeline.panel.scores import Scores, fit_scores


@dataclass(frozen=True)
class World:
    """A kind of panel: sizes, how far samples lie apart, and how people stretch the scale."""

    assessors: int = 8
    samples: int = 6
    evenings: int = 1
    repeats: int = 1
    spread: float = 1.0
    half_scale: int = 0
    stretch: float = 0.25
    half: float = 0.5
    attributes: int = 1
    apart: float = 0.1
    ends: bool = True
    missing: float = 0.05


@dataclass
class Tally:
    """What was counted, evening by evening, pair by pair."""

    covered: list[bool] = field(default_factory=list)
    twins_apart: list[bool] = field(default_factory=list)
    any_claim: list[bool] = field(default_factory=list)
    product: float = 0.0
    square: float = 0.0

    @property
    def stretch(self) -> float:
        """Estimated differences on true ones, through the origin: 1 when they are not drawn together."""
        return self.product / self.square if self.square else float("nan")


SEASON = World(evenings=6, samples=8, attributes=4, stretch=0.0)
HALF = replace(SEASON, half_scale=2)
WORLDS = {
    "8 people, 6 samples, one glass poured twice": World(),
    "5 people, 5 samples, no repeats": World(assessors=5, samples=5, repeats=0),
    "8 people, 6 samples, every glass twice": World(repeats=6),
    "8 people, 6 samples, a quarter of the glasses missing": World(missing=0.25),
    "samples all alike": World(spread=0.0),
    "6 evenings of 8 samples, 4 attributes, slopes from 0.75 to 1.25": replace(SEASON, stretch=0.25),
    "the same, 2 of 8 people on half the scale": HALF,
    "the same, the others' slopes from 0.75 to 1.25": replace(HALF, stretch=0.25),
    "the same, 3 of 8 on half the scale": replace(HALF, half_scale=3),
    "the same, 2 of 8 on two thirds of it": replace(HALF, half=0.67),
    "2 of 8 on half the scale, one attribute": replace(HALF, attributes=1),
    "2 of 8 on half the scale, samples twice as far apart": replace(HALF, spread=2.0),
    "the same, on a scale without ends": replace(HALF, spread=2.0, ends=False),
    "4 attributes on one evening, 2 of 8 on half the scale": replace(HALF, evenings=1),
}


def draw_season(world: World, rng: np.random.Generator) -> list[list[tuple[Scores, np.ndarray]]]:
    """The evenings of every attribute: how much of the scale a person uses is nearly the same for all."""
    habit = rng.uniform(1.0 - world.stretch, 1.0 + world.stretch, world.assessors)
    habit[: world.half_scale] = world.half
    if world.attributes == 1:
        return [draw_evenings(world, habit, rng)]
    slopes = habit * (1.0 + world.apart * rng.normal(size=(world.attributes, world.assessors)))
    return [draw_evenings(world, own, rng) for own in slopes]


def draw_evenings(
    world: World, stretch: np.ndarray, rng: np.random.Generator
) -> list[tuple[Scores, np.ndarray]]:
    """One attribute's scores of every evening, with the true places of the samples."""
    people = world.assessors
    offset = rng.normal(0.0, 0.8, people)
    error = rng.uniform(0.6, 1.2, people)
    drawn = []
    for _ in range(world.evenings):
        truth = world.spread * rng.normal(0.0, 1.0, world.samples)
        truth[1] = truth[0]
        poured = [*range(world.samples), *rng.choice(world.samples, world.repeats, replace=False)]
        own = rng.normal(0.0, 0.3, (people, world.samples))
        rows = []
        for one in range(people):
            for place, sample in enumerate(rng.permutation(poured)):
                # One person tastes all, so that no sample is missing altogether.
                if one and rng.random() < world.missing:
                    continue
                felt = 5.0 + offset[one] + stretch[one] * truth[sample] + own[one, sample] - 0.05 * place
                score = np.round(2.0 * (felt + error[one] * rng.normal())) / 2.0
                score = np.clip(score, 0.0, 10.0) if world.ends else score
                rows.append((score, one, sample, place + 1.0))
        table = np.array(rows)
        assessor, sample = table[:, 1].astype(np.int64), table[:, 2].astype(np.int64)
        drawn.append((Scores(table[:, 0], assessor, sample, np.zeros_like(sample), table[:, 3]), truth))
    return drawn


def judge_panels(world: World, panels: int, seed: int, *, use_slopes: bool = True) -> Tally:
    """Fit so many panels as the season's build does, and count."""
    rng = np.random.default_rng(seed)
    tally = Tally()
    for _ in range(panels):
        season = {str(place): evenings for place, evenings in enumerate(draw_season(world, rng))}
        plain = {
            name: [(scores, fit_scores(scores)) for scores, _ in evenings]
            for name, evenings in season.items()
        }
        scaling = pool_scalings({name: read_scaling(sets) for name, sets in plain.items()})
        for name, evenings in season.items():
            own = scaling[name]
            carried = use_slopes and own.is_carried
            for (scores, truth), (_, fitted) in zip(evenings, plain[name], strict=True):
                _count(tally, fit_scores(scores, own.by_level(), own.unit_u) if carried else fitted, truth)
    return tally


def _count(tally: Tally, fitted, truth: np.ndarray) -> None:
    p_values = []
    for one in range(len(truth)):
        for other in range(one + 1, len(truth)):
            found = fitted.difference(one, other)
            low, high = found.interval()
            true = truth[one] - truth[other]
            tally.covered.append(bool(low <= true <= high))
            tally.product += found.value * true
            tally.square += true**2
            p_values.append(found.p_value)
    tally.twins_apart.append(p_values[0] <= 0.05)
    tally.any_claim.append(bool(holm(p_values).min() <= 0.05))


def main(panels: int, write: Callable[[str], object]) -> None:
    """Write the table, one row a kind of panel."""
    write(
        "| panels | 95 % intervals cover | the same called different | any pair claimed (Holm) | "
        "differences, 1 is true |\n"
    )
    write("| --- | --- | --- | --- | --- |\n")
    for place, (name, world) in enumerate(WORLDS.items()):
        count = max(panels // (world.evenings * world.attributes), 1)
        tally = judge_panels(world, count, seed=100 + place)
        claims = f"{100 * np.mean(tally.any_claim):.1f} %" if world.spread == 0.0 else ""
        stretch = "" if world.spread == 0.0 else f"{tally.stretch:.2f}"
        if world.half_scale:
            plain = judge_panels(world, count, 100 + place, use_slopes=False)
            stretch += f" ({plain.stretch:.2f} plain)"
        write(
            f"| {name} | {100 * np.mean(tally.covered):.1f} % | {100 * np.mean(tally.twins_apart):.1f} % "
            f"| {claims} | {stretch} |\n"
        )


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 1000,
        lambda text: (sys.stdout.write(text), sys.stdout.flush()),
    )
