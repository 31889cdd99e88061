"""One distillation: the pot still as a Rayleigh batch with effective stages.

Holds the path of the pot from charge to residue and what is collected between any two points of
it. The equilibrium is `pipeline.science.vapour_abv`; the path is integrated here, by mass, so that
charge = collected + residue holds exactly for ethanol and for water.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline import science
from pipeline.simulate.liquid import KG_PER_LPA, Liquid

Array = NDArray[np.float64]

# The pot is followed down to this ethanol mass fraction (about 0.01 %vol), well past any real stop.
_LOWEST_MASS_FRACTION = 1e-4
_POINTS = 700


@dataclass(frozen=True)
class Path:
    """The course of a distillation of `charge`, at points from the first drop on.

    `log_pot_fraction` is ln of the pot's ethanol mass fraction, `log_pot_mass` ln of the pot's mass
    as a fraction of the charge, `spout_pct_vol` the strength of the vapour made there,
    `distilled_l` the volume collected so far and `lpa_frac` its share of the LPA charged.
    """

    charge: Liquid
    log_pot_fraction: Array
    log_pot_mass: Array
    spout_pct_vol: Array
    distilled_l: Array
    lpa_frac: Array

    def litres_at_spout(self, spout_pct_vol: float) -> float:
        """Litres collected when the spout has fallen to `spout_pct_vol`."""
        return float(np.interp(-spout_pct_vol, -self.spout_pct_vol, self.distilled_l))

    def litres_at_lpa_frac(self, lpa_frac: float) -> float:
        """Litres collected when `lpa_frac` of the LPA charged has come over."""
        return float(np.interp(lpa_frac, self.lpa_frac, self.distilled_l))

    def spout_at_litres(self, litres: float) -> float:
        """Strength at the spout [%vol] after `litres` were collected."""
        return float(np.interp(litres, self.distilled_l, self.spout_pct_vol))

    def pot_at_litres(self, litres: float) -> tuple[float, float]:
        """Ethanol and total mass [kg] left in the pot after `litres` were collected."""
        fraction = float(np.exp(np.interp(litres, self.distilled_l, self.log_pot_fraction)))
        mass_kg = self.charge.mass_kg * float(np.exp(np.interp(litres, self.distilled_l, self.log_pot_mass)))
        return fraction * mass_kg, mass_kg

    def collected(self, start_l: float, end_l: float) -> Liquid:
        """What comes over between two volumes collected [L]."""
        start_ethanol, start_mass = self.pot_at_litres(start_l)
        end_ethanol, end_mass = self.pot_at_litres(end_l)
        ethanol = start_ethanol - end_ethanol
        return self._with_origin(ethanol, start_mass - end_mass - ethanol)

    def residue(self, end_l: float) -> Liquid:
        """What stays in the pot when the run is stopped after `end_l` litres."""
        ethanol, mass_kg = self.pot_at_litres(end_l)
        return self._with_origin(ethanol, mass_kg - ethanol)

    def _with_origin(self, ethanol_kg: float, water_kg: float) -> Liquid:
        part = ethanol_kg / self.charge.ethanol_kg
        return Liquid(ethanol_kg, water_kg, {b: kg * part for b, kg in self.charge.origin_kg.items()})


def distil(charge: Liquid, stages: float) -> Path:
    """The whole course of distilling `charge` on a still of `stages` effective extra stages.

    With w the pot's and y the vapour's ethanol mass fraction, dM/M = dw/(y - w) (Rayleigh), here
    integrated over ln w by the trapezium rule on a fine grid.
    """
    log_w = np.linspace(np.log(charge.mass_fraction), np.log(_LOWEST_MASS_FRACTION), _POINTS)
    w = np.exp(log_w)
    spout = np.asarray(science.vapour_abv(science.abv_from_mass_fraction(w), stages), dtype=np.float64)
    y = np.asarray(science.mass_fraction_from_abv(spout), dtype=np.float64)
    slope = w / (y - w)
    steps = 0.5 * (slope[1:] + slope[:-1]) * np.diff(log_w)
    log_mass = np.concatenate(([0.0], np.cumsum(steps)))
    pot_mass = charge.mass_kg * np.exp(log_mass)
    slice_mass = -np.diff(pot_mass)
    slice_ethanol = -np.diff(pot_mass * w)
    density = np.asarray(science.density_kg_per_m3(slice_ethanol / slice_mass, 20.0), dtype=np.float64)
    litres = np.concatenate(([0.0], np.cumsum(1000.0 * slice_mass / density)))
    lpa_frac = np.concatenate(([0.0], np.cumsum(slice_ethanol))) / (KG_PER_LPA * charge.lpa)
    return Path(charge, log_w, log_mass, spout, litres, lpa_frac)
