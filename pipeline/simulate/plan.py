"""Who makes what, and when: the season's plan before anything happens.

Draws recipes, yeasts, hands, amounts and days. Knows no physics beyond what the people themselves
reckon with (a typical extract and a usual efficiency).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from pipeline import science
from pipeline.simulate import scenario
from pipeline.simulate.world import World

SEASON_STARTS = datetime(2025, 9, 6, 8, 0)
# Days between two mash days on one still: a batch's spirit runs then nearly always follow those of the last.
CADENCE_DAYS = 6
# One still does this many batches a season; more batches are shared out over more stills.
BATCHES_PER_STILL = 48
# What the co-operative reckons a mash gives, of the typical extract.
USUAL_EFFICIENCY_FRAC = 0.86


@dataclass(frozen=True)
class BatchPlan:
    """What one batch is meant to be. Masses [kg], volume at 20 degC [L], temperatures [degC]."""

    batch: str
    slot: int
    still: int
    recipe: str
    yeast: str
    operator: scenario.Operator
    bill: dict[str, float]
    syrup_kg: float
    mashes: int
    wort_l: float
    mash_c: float
    ferment_c: float
    dry_days: float
    rest_days: int
    starts: datetime
    is_careless: bool

    @property
    def receiver(self) -> str:
        """The feints receiver this recipe goes to; stills past the first have receivers of their own."""
        letter = scenario.RECEIVER.get(self.recipe, "A")
        return f"feints {letter}" if self.still == 0 else f"feints {letter}{self.still + 1}"

    @property
    def still_name(self) -> str:
        """The still's name in the log."""
        return "barn still" if self.still == 0 else f"still {self.still + 1}"

    @property
    def pitched(self) -> datetime:
        """When yeast went in: the evening of the last mash."""
        return self.starts + timedelta(days=(self.mashes - 1) // 2, hours=10)

    @property
    def first_strip(self) -> datetime:
        """When the first wash charge goes into the still."""
        days = math.ceil(self.dry_days) + self.rest_days
        return self.starts.replace(hour=7, minute=30) + timedelta(days=days + (self.mashes - 1) // 2)


def plan_season(
    batches: int, world: World, rng: np.random.Generator, careless_frac: float = 0.12
) -> list[BatchPlan]:
    """The plans of a season of `batches`, in the order of their mash days.

    Every recipe comes round equally often, in random order, and so does every yeast within a recipe,
    except the tied one, which is pitched to its one recipe only. `careless_frac` is the share of
    batches where a jar or two is not measured.
    """
    stills = max(1, math.ceil(batches / BATCHES_PER_STILL))
    names = list(world.recipes)
    rounds = [names[i] for _ in range(math.ceil(batches / len(names))) for i in rng.permutation(len(names))]
    yeasts = _yeasts_for(rounds, world, rng)
    width = max(2, len(str(batches)))
    plans = []
    for index in range(batches):
        batch = f"G{index + 1:0{width}d}"
        plans.append(_plan_batch(batch, index, stills, rounds[index], yeasts[index], world, rng))
    order = np.argsort(rng.random(batches))
    careless = {plans[i].batch for i in order[: round(careless_frac * batches)]}
    return [replace(plan, is_careless=plan.batch in careless) for plan in plans]


def _yeasts_for(recipes: Sequence[str], world: World, rng: np.random.Generator) -> list[str]:
    free = [name for name in world.yeasts if name != scenario.TIED_YEAST]
    ahead: dict[str, list[str]] = {}
    yeasts = []
    for recipe in recipes:
        if recipe == scenario.TIED_RECIPE:
            yeasts.append(scenario.TIED_YEAST)
            continue
        if not ahead.get(recipe):
            ahead[recipe] = [free[i] for i in rng.permutation(len(free))]
        yeasts.append(ahead[recipe].pop())
    return yeasts


def _plan_batch(
    batch: str, index: int, stills: int, recipe: str, yeast: str, world: World, rng: np.random.Generator
) -> BatchPlan:
    slot, still = divmod(index, stills)
    operator = world.operators[int(rng.choice(len(world.operators), p=scenario.TURNS))]
    mashes = int(rng.choice((2, 3, 4), p=(0.25, 0.5, 0.25)))
    wort_l = mashes * float(rng.uniform(72.0, 79.0))
    shares = _scattered_shares(world.recipes[recipe], world.scatter.grain_share, rng)
    per_grain = world.syrup_per_grain.get(recipe, 0.0)
    grain_kg = _grain_for(wort_l, float(rng.uniform(1.061, 1.069)), shares, per_grain)
    return BatchPlan(
        batch=batch,
        slot=slot,
        still=still,
        recipe=recipe,
        yeast=yeast,
        operator=operator,
        bill={name: share * grain_kg for name, share in shares.items()},
        syrup_kg=per_grain * grain_kg,
        mashes=mashes,
        wort_l=wort_l,
        mash_c=operator.mash_c + 0.7 * float(rng.standard_normal()),
        # One warm room for every yeast, not each at its best.
        ferment_c=26.0 + 1.2 * float(rng.standard_normal()),
        dry_days=float(rng.uniform(4.6, 6.0)),
        rest_days=int(rng.integers(1, 4)),
        starts=SEASON_STARTS + timedelta(days=CADENCE_DAYS * slot, minutes=7 * still),
        is_careless=False,
    )


def _scattered_shares(recipe: Mapping[str, float], sd: float, rng: np.random.Generator) -> dict[str, float]:
    raw = {
        name: share * math.exp(sd / share * float(rng.standard_normal())) for name, share in recipe.items()
    }
    total = math.fsum(raw.values())
    return {name: share / total for name, share in raw.items()}


def _grain_for(wort_l: float, original_sg: float, shares: dict[str, float], syrup_per_grain: float) -> float:
    typical = {item.name: item for item in scenario.INGREDIENTS}

    def as_is(name: str) -> float:
        return typical[name].extract_pct / 100.0 * (1.0 - typical[name].moisture_pct / 100.0)

    per_kg = USUAL_EFFICIENCY_FRAC * math.fsum(share * as_is(name) for name, share in shares.items())
    per_kg += syrup_per_grain * as_is(scenario.SYRUP)
    return wort_l * float(science.extract_kg(1.0, original_sg)) / per_kg
