"""The true world behind a simulated season: what a ton of malt really holds, how each nose errs.

Draws the parameters that stay fixed through a season from one random stream. Knows no batch.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from pipeline.simulate import scenario

NULL_REFERENCE_GRAIN = "distilling malt"


@dataclass(frozen=True)
class Ingredient:
    """An ingredient as it really is this season; see `scenario.Typical` for the meaning of each figure."""

    name: str
    kind: str
    extract_pct: float
    moisture_pct: float
    fermentable_pct: float
    has_enzymes: bool
    mash_loss_frac: float
    price_per_kg: float

    @property
    def is_mashed(self) -> bool:
        """Whether it goes through the mash (else it is added to the fermenter)."""
        return self.kind != "syrup"

    @property
    def extract_as_is_frac(self) -> float:
        """kg of extract that 1 kg, as it stands in the bin, holds."""
        return self.extract_pct / 100.0 * (1.0 - self.moisture_pct / 100.0)


@dataclass(frozen=True)
class Effect:
    """A planted effect on a flavour attribute [points of the 0 to 10 scale].

    `factor` is `grain_share` (per unit share of fermentable mass), `yeast` or `wood` (against the
    others), `late_cut` (per %vol that hearts ended below 61) or `rest_days` (per day).
    """

    attribute: str
    factor: str
    level: str
    size: float
    status: str  # "real", "null" or "tied"


EFFECTS = (
    Effect("fruit", "yeast", "ale yeast", 1.4, "real"),
    Effect("spice", "grain_share", "raw rye", 3.0, "real"),
    Effect("spice", "grain_share", "rye malt", 3.0, "real"),
    Effect("cream", "grain_share", "flaked oats", 4.5, "real"),
    Effect("cream", "grain_share", "oat malt", 4.5, "real"),
    Effect("grain", "late_cut", "", 0.25, "real"),
    Effect("overall", "late_cut", "", -0.22, "real"),
    Effect("overall", "yeast", "ale yeast", 0.7, "real"),
    Effect("wood", "wood", "chestnut", 1.2, "real"),
    Effect("fruit", "rest_days", "", 0.12, "real"),
    Effect("spice", "grain_share", "spelt malt", 1.0, "tied"),
    Effect("spice", "yeast", "farmhouse yeast", 0.6, "tied"),
    Effect("fruit", "yeast", "wine yeast", 0.0, "null"),
    Effect("overall", "yeast", "wine yeast", 0.0, "null"),
    Effect("cream", "grain_share", "wheat malt", 0.0, "null"),
    Effect("overall", "rest_days", "", 0.0, "null"),
    Effect("overall", "wood", "acacia", 0.0, "null"),
)


@dataclass(frozen=True)
class Assessor:
    """One of the panel: where they sit on the scale, how much of it they use, how well they repeat."""

    name: str
    offset: float
    stretch: float
    error_sd: float


@dataclass(frozen=True)
class Scatter:
    """Standard deviations of what really differs from batch to batch (not of any instrument)."""

    grain_share: float = 0.05
    mash_efficiency_frac: float = 0.012
    attenuation_frac: float = 0.006
    strip_stop_pct_vol: float = 0.7
    heads_end_lpa_frac: float = 0.012
    hearts_end_pct_vol: float = 1.2
    tails_end_pct_vol: float = 2.0
    stages: float = 0.015
    flavour: float = 0.35
    session: float = 0.25


@dataclass(frozen=True)
class World:
    """Everything true and lasting about a season; frozen, so a calibration replaces what it needs to."""

    ingredients: Mapping[str, Ingredient]
    recipes: Mapping[str, Mapping[str, float]]
    yeasts: Mapping[str, scenario.YeastKind]
    operators: tuple[scenario.Operator, ...]
    cask_kinds: tuple[scenario.CaskKind, ...]
    assessors: tuple[Assessor, ...]
    effects: tuple[Effect, ...]
    scatter: Scatter
    syrup_per_grain: Mapping[str, float]
    strip_stages: float = 0.03
    spirit_stages: float = 0.45
    strip_capacity_l: float = 85.0
    spirit_run_lpa: float = 11.0
    held_up_frac: float = 0.0
    loss_200l_per_year: float = 0.020
    water_loss_200l_per_year: float = 0.012


def make_world(rng: np.random.Generator, is_null: bool = False) -> World:
    """A world drawn around the scenario's typical figures; with `is_null`, no choice makes a difference.

    In a null world every grain has the same extract, moisture, fermentable share and running-off,
    every yeast reaches equally far at every temperature, no syrup is used and no flavour effect exists, so
    any claim about them is false.
    """
    ingredients = {typical.name: _true_ingredient(typical, rng) for typical in scenario.INGREDIENTS}
    yeasts = {yeast.name: yeast for yeast in scenario.YEASTS}
    effects: tuple[Effect, ...] = EFFECTS
    cask_kinds: tuple[scenario.CaskKind, ...] = scenario.CASK_KINDS
    assessors = tuple(_assessor(name, i, rng) for i, name in enumerate(scenario.ASSESSORS))
    if is_null:
        ingredients = _all_alike(ingredients)
        best = yeasts[scenario.REFERENCE_YEAST]
        yeasts = {name: replace(best, name=name) for name in yeasts}
        cask_kinds = tuple(replace(kind, loss_factor=1.0, indrink_frac=0.02) for kind in cask_kinds)
        effects = tuple(replace(effect, size=0.0, status="null") for effect in EFFECTS)
    return World(
        ingredients=ingredients,
        recipes=scenario.RECIPES,
        yeasts=yeasts,
        operators=scenario.OPERATORS,
        cask_kinds=cask_kinds,
        assessors=assessors,
        effects=effects,
        scatter=Scatter(),
        syrup_per_grain={} if is_null else scenario.SYRUP_PER_GRAIN,
    )


def _true_ingredient(typical: scenario.Typical, rng: np.random.Generator) -> Ingredient:
    is_syrup = typical.kind == "syrup"
    extract = typical.extract_pct + (0.0 if is_syrup else 0.8 * rng.standard_normal())
    moisture = typical.moisture_pct + 0.3 * rng.standard_normal()
    return Ingredient(
        typical.name,
        typical.kind,
        extract,
        moisture,
        typical.fermentable_pct + 0.5 * rng.standard_normal(),
        typical.has_enzymes,
        typical.mash_loss_frac,
        typical.price_per_kg,
    )


def _all_alike(ingredients: Mapping[str, Ingredient]) -> dict[str, Ingredient]:
    model = ingredients[NULL_REFERENCE_GRAIN]
    return {
        name: replace(model, name=name, kind=own.kind, price_per_kg=own.price_per_kg)
        if own.is_mashed
        else own
        for name, own in ingredients.items()
    }


def _assessor(name: str, place: int, rng: np.random.Generator) -> Assessor:
    # The second of the panel uses half the scale and the last repeats badly, as in any real panel.
    stretch = 0.5 if place == 1 else float(rng.uniform(0.75, 1.25))
    error_sd = 1.5 if place == len(scenario.ASSESSORS) - 1 else float(rng.uniform(0.6, 1.0))
    return Assessor(name, float(0.6 * rng.standard_normal()), stretch, error_sd)
