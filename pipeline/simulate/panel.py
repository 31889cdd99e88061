"""The panel: what the spirits really taste of, and what six people write down.

`true_flavours` holds the planted effects; the assessors add their own place on the scale, their
stretch of it and their error. Difference tests follow from the distance between two spirits.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from pipeline.simulate.cellar import Cask
from pipeline.simulate.distillery import BatchRun
from pipeline.simulate.records import Pour, Trial
from pipeline.simulate.scenario import ATTRIBUTES, WORDS
from pipeline.simulate.world import Assessor, World

BASE = {"fruit": 4.2, "spice": 3.0, "cream": 3.4, "grain": 4.2, "wood": 1.0, "overall": 5.4}
HEARTS_END_WITHOUT_EFFECT_PCT_VOL = 61.0
MIDDLE_OF_SCALE = 5.0
POURED_AT_PCT_VOL = 23.0
POURED_A_SESSION = 8
# How far apart two spirits must lie, in points of the scale, for a d-prime of one.
POINTS_PER_D_PRIME = 1.6
TRIALS_EACH = 2

Flavour = Mapping[str, float]


@dataclass(frozen=True)
class Sample:
    """A spirit on the table: a batch's new spirit or a cask's, with its true flavour."""

    batch: str
    cask: str
    flavour: Flavour

    @property
    def name(self) -> str:
        """Batch or cask."""
        return self.cask or self.batch


def true_flavours(runs: Sequence[BatchRun], world: World, rng: np.random.Generator) -> dict[str, Flavour]:
    """The flavour of every batch's new spirit on the panel's scale of 0 to 10."""
    return {run.plan.batch: _batch_flavour(run, world, rng) for run in runs}


def _batch_flavour(run: BatchRun, world: World, rng: np.random.Generator) -> dict[str, float]:
    plan = run.plan
    total = run.wash.fermentables_kg
    late = HEARTS_END_WITHOUT_EFFECT_PCT_VOL - float(np.mean(run.hearts_ends_pct_vol))
    flavour = {name: BASE[name] + world.scatter.flavour * float(rng.standard_normal()) for name in ATTRIBUTES}
    for effect in world.effects:
        if effect.factor == "grain_share":
            flavour[effect.attribute] += effect.size * plan.bill.get(effect.level, 0.0) / total
        elif effect.factor == "yeast" and plan.yeast == effect.level:
            flavour[effect.attribute] += effect.size
        elif effect.factor == "late_cut":
            flavour[effect.attribute] += effect.size * late
        elif effect.factor == "rest_days":
            flavour[effect.attribute] += effect.size * plan.rest_days
    return flavour


def cask_flavour(
    cask: Cask, when: datetime, spirits: Mapping[str, Flavour], world: World
) -> dict[str, float]:
    """A cask's flavour at `when`: its spirits in proportion to their alcohol, and what the wood has given."""
    years = (when - cask.filled_at).days / 365.25
    given = 1.0 - math.exp(-years / 0.5)
    shares = [(lot.removesuffix(" hearts"), part.lpa / cask.fill_lpa) for lot, part in cask.parts]
    flavour = {
        name: math.fsum(share * spirits[batch][name] for batch, share in shares) for name in ATTRIBUTES
    }
    flavour["wood"] += 4.0 * given * (30.0 / cask.capacity_l) ** (1.0 / 6.0)
    flavour["grain"] -= 0.8 * given
    for effect in world.effects:
        if effect.factor == "wood" and cask.kind.wood == effect.level:
            flavour[effect.attribute] += effect.size * given
    return flavour


def spirit_sessions(
    runs: Sequence[BatchRun], proofed: Sequence[datetime]
) -> list[tuple[datetime, list[str]]]:
    """When each new spirit is tasted, eight or so at a time, some days after the last of them is proofed."""
    sessions = []
    for start in range(0, len(runs), POURED_A_SESSION):
        some = range(start, min(start + POURED_A_SESSION, len(runs)))
        when = max(proofed[i] for i in some) + timedelta(days=4)
        sessions.append((when.replace(hour=18, minute=30), [runs[i].plan.batch for i in some]))
    return sessions


def cask_sessions(
    casks: Sequence[Cask], starts: datetime, ends: datetime
) -> list[tuple[datetime, list[Cask]]]:
    """Three evenings with casks that have rested two months, spread over the woods and sizes."""
    sessions = []
    for part in (0.45, 0.7, 0.95):
        when = (starts + part * (ends - starts)).replace(hour=18, minute=30, second=0, microsecond=0)
        ready = [cask for cask in casks if cask.filled_at < when - timedelta(days=60)]
        if len(ready) > POURED_A_SESSION:
            ready = [ready[i] for i in np.linspace(0, len(ready) - 1, POURED_A_SESSION).round().astype(int)]
        if len(ready) > 1:
            sessions.append((when, ready))
    return sessions


def taste(
    session: str,
    when: datetime,
    samples: Sequence[Sample],
    world: World,
    layout: np.random.Generator,
    panel: np.random.Generator,
) -> list[Pour]:
    """One evening: every sample and one of them twice, in each assessor's own order."""
    poured = [*samples, samples[int(layout.integers(len(samples)))]]
    codes = [str(code) for code in layout.choice(np.arange(101, 999), size=len(poured), replace=False)]
    mood = {name: world.scatter.session * float(layout.standard_normal()) for name in ATTRIBUTES}
    pours = []
    for assessor in world.assessors:
        if layout.random() < 0.06:
            continue
        for order, place in enumerate(layout.permutation(len(poured)), start=1):
            left_out = layout.random(len(ATTRIBUTES)) < 0.012
            scores = _scores(poured[place].flavour, mood, assessor, panel)
            kept = tuple(math.nan if out else score for score, out in zip(scores, left_out, strict=True))
            pours.append(
                Pour(
                    session=session,
                    when=when,
                    assessor=assessor.name,
                    sample=codes[place],
                    batch=poured[place].batch,
                    cask=poured[place].cask,
                    strength_pct_vol=POURED_AT_PCT_VOL,
                    order=order,
                    scores=kept,
                    descriptors=_words(scores, panel),
                )
            )
    return pours


def _scores(
    flavour: Flavour, mood: Mapping[str, float], assessor: Assessor, panel: np.random.Generator
) -> list[float]:
    errors = assessor.error_sd * panel.standard_normal(len(ATTRIBUTES))
    scores = []
    for name, error in zip(ATTRIBUTES, errors, strict=True):
        felt = flavour[name] + mood[name] - MIDDLE_OF_SCALE
        score = MIDDLE_OF_SCALE + assessor.offset + assessor.stretch * felt + float(error)
        scores.append(min(10.0, max(0.0, round(2.0 * score) / 2.0)))
    return scores


def _words(scores: Sequence[float], panel: np.random.Generator) -> str:
    """Two words for the two strongest impressions, as a panel writes them (overall has no words)."""
    ranked = sorted(zip(scores, ATTRIBUTES, strict=True), reverse=True)
    names = [name for _, name in ranked if name in WORDS][:2]
    return "; ".join(WORDS[name][int(panel.integers(len(WORDS[name])))] for name in names)


def d_prime(a: Sample, b: Sample) -> float:
    """How far apart two samples lie for a taster, in standard deviations of perception."""
    apart = math.sqrt(math.fsum((a.flavour[name] - b.flavour[name]) ** 2 for name in ATTRIBUTES[:-1]))
    return apart / POINTS_PER_D_PRIME


def triangle_correct_frac(d: float) -> float:
    """Share of correct answers in a triangle test at d-prime `d`.

    formula : 2 Int_0^inf [Phi(-z sqrt3 + d sqrt(2/3)) + Phi(-z sqrt3 - d sqrt(2/3))] phi(z) dz, the
              Thurstonian model of the triangle; one third at d = 0.
    """
    z = np.linspace(0.0, 9.0, 4001)
    density = np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
    shift = d * math.sqrt(2.0 / 3.0)
    inner = [_phi(-v * math.sqrt(3.0) + shift) + _phi(-v * math.sqrt(3.0) - shift) for v in z]
    return float(2.0 * np.trapezoid(np.asarray(inner) * density, z))


def _phi(x: float) -> float:
    return 0.5 * (1.0 + math.erf(x / math.sqrt(2.0)))


def pick_pairs(samples: Sequence[Sample]) -> list[tuple[Sample, Sample]]:
    """Three pairs worth testing: the nearest two, the pair in the middle, and the farthest two."""
    pairs = [(a, b) for i, a in enumerate(samples) for b in samples[i + 1 :]]
    ranked = sorted(pairs, key=lambda pair: d_prime(*pair))
    if len(ranked) < 3:
        return ranked
    return [ranked[0], ranked[len(ranked) // 2], ranked[-1]]


def triangle_trials(
    session: str,
    when: datetime,
    pairs: Iterable[tuple[Sample, Sample]],
    assessors: Sequence[Assessor],
    panel: np.random.Generator,
) -> list[Trial]:
    """Each assessor tries each pair twice; answers follow the pair's own d-prime."""
    trials = []
    for a, b in pairs:
        chance = triangle_correct_frac(d_prime(a, b))
        for assessor in assessors:
            for _ in range(TRIALS_EACH):
                is_correct = bool(panel.random() < chance)
                trials.append(Trial(session, when, assessor.name, "triangle", a.name, b.name, is_correct))
    return trials
