"""The courses of all pot stills in one table, so that many runs can be fitted at once.

`pipeline.science.RunCurve` answers for one still exactly; fitting asks for thousands of stills a little
apart. Here the same curves stand side by side, stills 0.02 stages apart with splines between: within
0.005 % vol of the exact curve, or 0.1 % vol within 0.04 of one whole stage, where the model itself has a
bend (tests/cuts/test_table.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicHermiteSpline, CubicSpline

from pipeline.cuts.surface import Surfaces, surfaces_through
from pipeline.science.equilibrium import STANDARD_KPA, raw_abv_from_mole_fraction, raw_vapour
from pipeline.science.still import RunCurve, curve_from_vapour

Array = NDArray[np.float64]

#: Below nought a still enriches less than boiling alone: liquid carried over with the vapour does that.
FEWEST_STAGES = -0.3
MOST_STAGES = 2.0
STAGE_STEP = 0.02

_WEAKEST_POT = 1e-6  # mole fraction, 0.0003 % vol
_STRONGEST_POT = 0.70


@dataclass(frozen=True)
class StillTable:
    """Every course of a pot still: by the pot's ln(mole fraction), and by the distillate still to come.

    Distillate still to come is placed, for each still, between its least (`lowest`) and most (`highest`):
    0 where the pot is as good as water, 1 at the strongest charge.

    stages          : the stills of the table
    lowest, highest : stages -> ln(distillate still to come) at the two ends [L for exp(ethanol) LPA]
    at_pot          : (stages, ln x) -> ln(pure alcohol left), up to a constant of each still, and
                      ln(distillate still to come)
    at_place        : (stages, place) -> ln(pure alcohol left) and strength at the spout [% vol at 20 degC]
    pot_at_place    : (stages, place) -> ln x
    """

    stages: Array
    lowest: CubicSpline
    highest: CubicSpline
    at_pot: Surfaces
    at_place: Surfaces
    pot_at_place: Surfaces


@lru_cache(maxsize=4)
def _whole_stages(pot: bytes) -> tuple[Array, Array, Array]:
    """The vapour over a row of pots after none, one and two whole stages more."""
    y0 = np.asarray(raw_vapour(np.frombuffer(pot), STANDARD_KPA))
    y1 = np.asarray(raw_vapour(y0, STANDARD_KPA))
    return y0, y1, np.asarray(raw_vapour(y1, STANDARD_KPA))


def _vapour(stages: float, pot: Array) -> Array:
    """As `pipeline.science.vapour_mole_fraction`, but for many stills over the same pots, and below nought.

    Enrichment is even on ln(y / (1 - y)) (interpolated for a broken stage, drawn on below nought).
    """
    y0, y1, y2 = _whole_stages(pot.tobytes())
    low, high, share = (y0, y1, stages) if stages <= 1.0 else (y1, y2, stages - 1.0)
    odds = (low / (1.0 - low)) ** (1.0 - share) * (high / (1.0 - high)) ** share
    return np.asarray(odds / (1.0 + odds))


def curve_of(stages: float) -> RunCurve:
    """The curve of one still, stages from `FEWEST_STAGES` to `MOST_STAGES`."""
    return curve_from_vapour(lambda pot: _vapour(stages, pot))


@cache
def still_table() -> StillTable:
    """The table, made once a process."""
    stages = np.round(np.arange(FEWEST_STAGES, MOST_STAGES + STAGE_STEP / 2, STAGE_STEP), 6)
    curves = [curve_of(float(each)) for each in stages]
    inside = (curves[0].log_x >= np.log(_WEAKEST_POT)) & (curves[0].log_x <= np.log(_STRONGEST_POT))
    log_pot = curves[0].log_x[inside]
    to_come = np.array([np.log(curve.volume[inside]) for curve in curves])
    ethanol = np.array([curve.log_ethanol[inside] for curve in curves])
    lowest, highest = to_come[:, 0], to_come[:, -1]
    place = (to_come - lowest[:, None]) / (highest - lowest)[:, None]
    # Nodes as far apart as the courses bend, on the average of all stills.
    grid = place.mean(axis=0)
    grid[0], grid[-1] = 0.0, 1.0
    of_place = np.array(
        [
            _at_places(curve, inside, each, grid, float(high - low))
            for curve, each, low, high in zip(curves, place, lowest, highest, strict=True)
        ]
    )
    spouts = np.array(
        [
            raw_abv_from_mole_fraction(_vapour(float(each), np.exp(row)))
            for each, row in zip(stages, of_place[:, 1], strict=True)
        ]
    )
    return StillTable(
        stages,
        CubicSpline(stages, lowest),
        CubicSpline(stages, highest),
        surfaces_through(stages, log_pot, [ethanol, to_come]),
        surfaces_through(stages, grid, [of_place[:, 0], spouts]),
        surfaces_through(stages, grid, [of_place[:, 1]]),
    )


def _at_places(curve: RunCurve, inside: NDArray[np.bool_], place: Array, grid: Array, width: float) -> Array:
    """ln(pure alcohol left) and ln x of one still at the places of the grid."""
    steepness = (curve.slopes[1] / curve.volume)[inside] / width
    to_ethanol = curve.slopes[0][inside]
    return np.array(
        [
            CubicHermiteSpline(place, curve.log_ethanol[inside], 1.0 / steepness)(grid),
            CubicHermiteSpline(place, curve.log_x[inside], 1.0 / (steepness * to_ethanol))(grid),
        ]
    )
