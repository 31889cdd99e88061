"""The physics of one batch up to the wash: mashing, collecting wort, fermenting, souring.

True quantities only: no instrument and no diary. Gravity, extract and the alcohol balance come from
`pipeline.science`; the mash and yeast responses are ours, shaped by common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline import science
from pipeline.simulate.scenario import YeastKind
from pipeline.simulate.world import Ingredient, World

# What a mash of malt alone at its best temperature gives before running-off losses.
BEST_CONVERSION_FRAC = 0.925
BEST_MASH_C = 65.0
# Litres of liquor that the spent grain of 1 kg keeps (common practice, no source).
ABSORPTION_L_PER_KG = 1.05
# Enzyme preparation added by the cook to a raw-grain mash, as its worth in malt share.
ADDED_ENZYMES_AS_MALT_FRAC = 0.10


@dataclass(frozen=True)
class Wort:
    """Wort by mass: `mass_kg`, `extract_kg` in it, and of that `fermentable_kg`."""

    mass_kg: float
    extract_kg: float
    fermentable_kg: float

    @property
    def gravity_sg(self) -> float:
        """Specific gravity 20/20 degC."""
        return float(science.sg_from_plato(100.0 * self.extract_kg / self.mass_kg))

    @property
    def volume_l(self) -> float:
        """Volume at 20 degC [L]."""
        return self.mass_kg / (self.gravity_sg * WATER_KG_PER_L)


# kg of a litre of liquid of SG 1 at 20 degC, as the extract account of pipeline.science has it.
WATER_KG_PER_L = float(science.extract_kg(1.0, 1.050)) * 100.0 / float(science.plato_from_sg(1.050)) / 1.050


def potential_extract_kg(bill: Mapping[str, float], ingredients: Mapping[str, Ingredient]) -> float:
    """Extract [kg] in the masses [kg] of `bill`: mass x extract on dry matter x (1 - moisture)."""
    return math.fsum(mass * ingredients[name].extract_as_is_frac for name, mass in bill.items())


def mash_efficiency(
    bill: Mapping[str, float], ingredients: Mapping[str, Ingredient], mash_c: float, runnings_sg: float
) -> float:
    """Share of the potential extract of `bill` [kg by name] that reaches the fermenter, before scatter.

    Falls with a lack of enzymes, away from 65 degC, with sticky grain, and with what strong last
    runnings leave in the spent grain.
    """
    mass = math.fsum(bill.values())
    enzymes = math.fsum(kg for name, kg in bill.items() if ingredients[name].has_enzymes) / mass
    if enzymes < 0.99:
        enzymes += ADDED_ENZYMES_AS_MALT_FRAC
    conversion = 1.0 - 0.25 * math.exp(-enzymes / 0.14)
    temperature = 1.0 - 0.0008 * (mash_c - BEST_MASH_C) ** 2
    sticky = math.fsum(kg * ingredients[name].mash_loss_frac for name, kg in bill.items()) / mass
    left_kg = float(science.extract_kg(ABSORPTION_L_PER_KG * mass, runnings_sg))
    left = left_kg / potential_extract_kg(bill, ingredients)
    return BEST_CONVERSION_FRAC * conversion * temperature - sticky - left


def run_off(
    bill: Mapping[str, float],
    ingredients: Mapping[str, Ingredient],
    efficiency: float,
    volume_l: float,
) -> Wort:
    """The wort of `volume_l` [L at 20 degC] that a mash of `bill` [kg] gives at `efficiency`."""
    extract = efficiency * potential_extract_kg(bill, ingredients)
    by_name = {n: kg * ingredients[n].extract_as_is_frac for n, kg in bill.items()}
    fermentable = math.fsum(kg * ingredients[n].fermentable_pct / 100.0 for n, kg in by_name.items())
    fermentable *= extract / math.fsum(by_name.values())
    return Wort(_mass_of_wort(extract, volume_l), extract, fermentable)


def syrup_wort(mass_kg: float, ingredient: Ingredient) -> Wort:
    """`mass_kg` of a syrup, as extract and water to stir into the fermenter."""
    extract = mass_kg * ingredient.extract_as_is_frac
    return Wort(mass_kg, extract, extract * ingredient.fermentable_pct / 100.0)


def mix_worts(worts: list[Wort]) -> Wort:
    """All of `worts` in one fermenter; masses and extracts add, volumes do not."""
    return Wort(
        math.fsum(w.mass_kg for w in worts),
        math.fsum(w.extract_kg for w in worts),
        math.fsum(w.fermentable_kg for w in worts),
    )


def real_attenuation(wort: Wort, yeast: YeastKind, ferment_c: float, mash_c: float) -> float:
    """Share of the extract that is fermented (real attenuation), before scatter.

    The fermentable share of the grain, times the yeast's reach, which falls away from its best
    temperature; a cooler mash rest leaves a more fermentable wort.
    """
    reach = yeast.reach_frac * (1.0 - 0.0008 * (ferment_c - yeast.best_c) ** 2)
    mash = 1.0 - 0.006 * (mash_c - BEST_MASH_C)
    return wort.fermentable_kg / wort.extract_kg * reach * mash


def final_gravity_sg(wort: Wort, attenuation: float) -> float:
    """Final gravity [SG 20/20 degC] of `wort` once the share `attenuation` of its extract is fermented.

    Solves `science.real_extract(original, apparent) = original * (1 - attenuation)` for the apparent
    extract by secant steps, so that the simulator has no second copy of that relation.
    """
    original = float(science.plato_from_sg(wort.gravity_sg))
    wanted = original * (1.0 - attenuation)
    low, high = -3.0, original
    for _ in range(60):
        at_low = float(science.real_extract(original, low)) - wanted
        at_high = float(science.real_extract(original, high)) - wanted
        if abs(at_high - at_low) < 1e-15:
            break
        low, high = high, high - at_high * (high - low) / (at_high - at_low)
        if abs(high - low) < 1e-13:
            break
    return float(science.sg_from_plato(high))


def gravity_on_day(original_sg: float, final_sg: float, days: float, dry_days: float) -> float:
    """Gravity [SG] some days after pitching; within half a point of final at `dry_days`."""
    left = math.exp(-4.6 * (days / dry_days) ** 1.6)
    return final_sg + (original_sg - final_sg) * left


def ph_on_day(days: float, dry_days: float) -> float:
    """pH of the wash: quick fall while it ferments, then slow souring as lactic acid builds."""
    fermenting = 5.3 - 1.2 * (1.0 - math.exp(-days / 1.3))
    return fermenting - 0.14 * max(0.0, days - dry_days)


def expected_wash_lpa_per_kg(
    recipe_bill: Mapping[str, float], yeast: YeastKind, world: World, mash_c: float = 65.0
) -> float:
    """Wash LPA per kg that `recipe_bill` [kg] and `yeast` give without scatter, at OG near 1.065.

    For the truth file: the planted differences in yield between grains and yeasts.
    """
    ingredients = world.ingredients
    mashed = {name: kg for name, kg in recipe_bill.items() if ingredients[name].is_mashed}
    efficiency = mash_efficiency(mashed, ingredients, mash_c, 1.0125)
    extract = efficiency * potential_extract_kg(mashed, ingredients)
    volume = extract / float(science.extract_kg(1.0, 1.065))
    worts = [run_off(mashed, ingredients, efficiency, volume)]
    worts += [syrup_wort(kg, ingredients[n]) for n, kg in recipe_bill.items() if n not in mashed]
    wort = mix_worts(worts)
    attenuation = real_attenuation(wort, yeast, 26.0, mash_c)
    lpa = float(science.wash_lpa(wort.volume_l, wort.gravity_sg, final_gravity_sg(wort, attenuation)))
    return lpa / math.fsum(recipe_bill.values())


def _mass_of_wort(extract_kg: float, volume_l: float) -> float:
    """Mass [kg] of a wort holding `extract_kg` in `volume_l`, by fixed-point steps on its gravity."""
    sg = 1.05
    for _ in range(40):
        nearer = float(science.sg_from_plato(100.0 * extract_kg / (volume_l * sg * WATER_KG_PER_L)))
        if abs(nearer - sg) < 1e-14:
            break
        sg = nearer
    return volume_l * sg * WATER_KG_PER_L


def scatter(rng: np.random.Generator, mean: float, sd: float) -> float:
    """A draw around `mean`; always consumes one number of the stream, whatever `sd` is."""
    return mean + sd * float(rng.standard_normal())
