"""A spirit-and-water liquid that remembers whose wash its alcohol came from.

Holds masses, so that mixing, drawing and evaporation conserve alcohol exactly. Knows no vessels,
no instruments and no diary.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

from pipeline import science

KG_PER_LPA = float(science.ethanol_kg_from_lpa(1.0))
# A share below this is under the last digit of the total and only costs time in a long chain of feints.
_SMALLEST_SHARE = 1e-16


@dataclass(frozen=True)
class Liquid:
    """Ethanol and water by mass [kg]; `origin_kg` is the ethanol by the batch whose wash made it."""

    ethanol_kg: float
    water_kg: float
    origin_kg: Mapping[str, float]

    @property
    def mass_kg(self) -> float:
        """Mass [kg]."""
        return self.ethanol_kg + self.water_kg

    @property
    def mass_fraction(self) -> float:
        """Ethanol mass fraction [kg/kg]; zero for an empty vessel."""
        return self.ethanol_kg / self.mass_kg if self.mass_kg > 0 else 0.0

    @property
    def lpa(self) -> float:
        """Litres of pure alcohol at 20 degC."""
        return self.ethanol_kg / KG_PER_LPA

    @cached_property
    def volume_l(self) -> float:
        """Volume at 20 degC [L]."""
        if self.mass_kg <= 0:
            return 0.0
        return 1000.0 * self.mass_kg / float(science.density_kg_per_m3(self.mass_fraction, 20.0))

    @property
    def abv_pct_vol(self) -> float:
        """Strength at 20 degC [%vol]; zero for an empty vessel."""
        return 100.0 * self.lpa / self.volume_l if self.mass_kg > 0 else 0.0

    def share(self, part: float) -> Liquid:
        """The fraction `part` (0 to 1) of this liquid, of the same composition."""
        return Liquid(
            self.ethanol_kg * part,
            self.water_kg * part,
            {batch: kg * part for batch, kg in self.origin_kg.items()},
        )

    def split(self, volume_l: float) -> tuple[Liquid, Liquid]:
        """Draw `volume_l` [L at 20 degC] (at most all of it): what was drawn, and what stays."""
        part = min(1.0, volume_l / self.volume_l) if self.volume_l > 0 else 0.0
        return self.share(part), self.share(1.0 - part)

    def with_water(self, water_kg: float) -> Liquid:
        """This liquid after `water_kg` of water was added."""
        return Liquid(self.ethanol_kg, self.water_kg + water_kg, self.origin_kg)

    def after_loss(self, ethanol_rate: float, water_rate: float, years: float) -> Liquid:
        """This liquid after `years` of first-order loss of ethanol and water [1/year]."""
        kept = math.exp(-ethanol_rate * years)
        return Liquid(
            self.ethanol_kg * kept,
            self.water_kg * math.exp(-water_rate * years),
            {batch: kg * kept for batch, kg in self.origin_kg.items()},
        )

    def origin_shares(self) -> dict[str, float]:
        """Shares of the alcohol by batch of origin; they sum to 1 (empty when there is none)."""
        total = math.fsum(self.origin_kg.values())
        return {batch: kg / total for batch, kg in self.origin_kg.items()} if total > 0 else {}


EMPTY = Liquid(0.0, 0.0, {})


def water(mass_kg: float) -> Liquid:
    """Pure water of `mass_kg`."""
    return Liquid(0.0, mass_kg, {})


def from_strength(volume_l: float, abv_pct_vol: float, batch: str) -> Liquid:
    """A liquid of `volume_l` [L at 20 degC] at `abv_pct_vol`, all its alcohol made by `batch`."""
    ethanol_kg = KG_PER_LPA * volume_l * abv_pct_vol / 100.0
    mass_fraction = float(science.mass_fraction_from_abv(abv_pct_vol))
    mass_kg = volume_l * float(science.density_kg_per_m3(mass_fraction, 20.0)) / 1000.0
    return Liquid(ethanol_kg, mass_kg - ethanol_kg, {batch: ethanol_kg})


def mix(liquids: Iterable[Liquid]) -> Liquid:
    """All of `liquids` in one vessel, perfectly mixed."""
    ethanol_kg = water_kg = 0.0
    origin: dict[str, float] = {}
    for liquid in liquids:
        ethanol_kg += liquid.ethanol_kg
        water_kg += liquid.water_kg
        for batch, kg in liquid.origin_kg.items():
            origin[batch] = origin.get(batch, 0.0) + kg
    smallest = _SMALLEST_SHARE * ethanol_kg
    return Liquid(ethanol_kg, water_kg, {batch: kg for batch, kg in origin.items() if kg >= smallest})
