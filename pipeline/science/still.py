"""The run of a pot still: simple batch (Rayleigh) distillation in moles, one number for the still's reflux.

As the pot weakens from its charge strength the vapour weakens with it. `RunCurve` holds one still's curve;
the functions ask it the questions of a run: what comes off the spout when a share of the alcohol is over,
how much is over when the spout shows a strength, what a jar holds. Hold-up, entrainment and a changing fire
are not in it.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from pipeline.science.equilibrium import (
    MOST_STAGES,
    STANDARD_KPA,
    boiling_temperature_c,
    raw_abv_from_mole_fraction,
    raw_mole_fraction_from_abv,
    vapour_after_stages,
)
from pipeline.science.sources import DE_NEVERS, OIML_R_22, RAYLEIGH, VAN_LAAR_FIT, cites
from pipeline.science.terms import FloatArray, V, evaluate

#: Strongest charge a run is computed for [% vol]: above it the equilibrium is not to be trusted.
STRONGEST_CHARGE_PCT_VOL = 90.0

_NODES = 1601
_WEAKEST_X = 1e-8
_STRONGEST_X = 0.72  # a little above 90 % vol

Vapour = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True)
class RunCurve:
    """One still's course from the strongest charge down to water; every run is a stretch of it.

    vapour      : mole fraction of the vapour over a pot of given mole fraction
    log_x       : nodes: logarithm of the pot's mole fraction of ethanol, rising
    log_ethanol : logarithm of the moles of ethanol left in the pot, up to a constant that cancels
    volume      : distillate still to come down to nothing, for exp(log_ethanol) litres of pure alcohol in
                  the pot [L]
    slopes      : d log_ethanol / d log_x and d volume / d log_ethanol at the nodes
    """

    vapour: Vapour
    log_x: FloatArray
    log_ethanol: FloatArray
    volume: FloatArray
    slopes: tuple[FloatArray, FloatArray]

    def log_ethanol_at(self, pot_x: FloatArray) -> FloatArray:
        """Position on the curve of a pot's mole fraction."""
        return _hermite(np.log(pot_x), self.log_x, self.log_ethanol, self.slopes[0])

    def pot_x_at(self, log_ethanol: FloatArray) -> FloatArray:
        """Mole fraction of the pot at a position; straight on beyond the weakest node, as it truly is."""
        slope = 1.0 / self.slopes[0]
        inside = np.maximum(log_ethanol, self.log_ethanol[0])
        log_x = _hermite(inside, self.log_ethanol, self.log_x, slope)
        return np.asarray(np.exp(log_x + slope[0] * (log_ethanol - inside)))

    def volume_at(self, log_ethanol: FloatArray) -> FloatArray:
        """Distillate still to come at a position [L for exp(log_ethanol) LPA]."""
        inside = np.maximum(log_ethanol, self.log_ethanol[0])
        return _hermite(inside, self.log_ethanol, self.volume, self.slopes[1])

    def log_ethanol_at_volume(self, volume: FloatArray) -> FloatArray:
        """Position at which so much distillate is still to come."""
        return _hermite(volume, self.volume, self.log_ethanol, 1.0 / self.slopes[1])

    def pot_x_under_spout(self, spout_x: FloatArray) -> FloatArray:
        """Mole fraction of the pot whose vapour has this mole fraction; Newton's method from the nodes."""
        start = np.interp(spout_x, self.vapour(np.exp(self.log_x)), self.log_x)
        log_x, small = start, 1e-6
        for _ in range(4):
            below, above = self.vapour(np.exp(log_x - small)), self.vapour(np.exp(log_x + small))
            log_x = log_x - (0.5 * (below + above) - spout_x) * 2.0 * small / (above - below)
        return np.asarray(np.exp(log_x))


def _hermite(at: FloatArray, x: FloatArray, y: FloatArray, slope: FloatArray) -> FloatArray:
    """Cubic through the values and slopes at rising nodes."""
    left = np.clip(np.searchsorted(x, at) - 1, 0, x.size - 2)
    width = x[left + 1] - x[left]
    s = (at - x[left]) / width
    rise = y[left + 1] - y[left]
    bend_left = slope[left] * width - rise
    bend_right = rise - slope[left + 1] * width
    return np.asarray(y[left] + s * rise + s * (1 - s) * ((1 - s) * bend_left + s * bend_right))


def _running_sum(rate: FloatArray, step: float, first: float) -> FloatArray:
    """Simpson's rule over pairs of even steps: the integral at every second node."""
    areas = step / 3.0 * (rate[:-2:2] + 4.0 * rate[1:-1:2] + rate[2::2])
    return np.concatenate([[first], first + np.cumsum(areas)])


def curve_from_vapour(vapour: Vapour) -> RunCurve:
    """Integrate simple batch distillation for any vapour curve (mole fractions, vapour richer than liquid).

    With N moles in the pot, d ln(N x) / d ln x = y / (y - x); and a slice of distillate with dA LPA has dA
    / abv litres.
    """
    fine = np.linspace(np.log(_WEAKEST_X), np.log(_STRONGEST_X), 2 * _NODES - 1)
    x = np.exp(fine)
    y = vapour(x)
    step = float(fine[1] - fine[0])
    to_ethanol = y / (y - x)
    log_ethanol = _running_sum(to_ethanol, step, 0.0)
    # The same integral between the nodes, for the volume's own Simpson rule.
    half = log_ethanol[:-1] + step / 12.0 * (
        5.0 * to_ethanol[:-2:2] + 8.0 * to_ethanol[1:-1:2] - to_ethanol[2::2]
    )
    everywhere = np.empty_like(fine)
    everywhere[::2], everywhere[1::2] = log_ethanol, half
    litres_per_lpa = 100.0 / raw_abv_from_mole_fraction(y)
    to_volume = np.exp(everywhere) * litres_per_lpa
    # Below the first node x and y are in a fixed ratio, and ethanol left goes as a power of x.
    power = to_ethanol[0]
    volume = _running_sum(to_volume * to_ethanol, step, float(to_volume[0] / (1.0 - 1.0 / power)))
    return RunCurve(vapour, fine[::2], log_ethanol, volume, (to_ethanol[::2], to_volume[::2]))


def _spout(stages: float, pot_x: FloatArray) -> FloatArray:
    return np.asarray(vapour_after_stages(pot_x, stages, STANDARD_KPA))


@lru_cache(maxsize=512)
def curve_of_still(stages: float) -> RunCurve:
    """The curve of a still with so many effective extra stages (0 to 3); computed once for each number."""
    return curve_from_vapour(partial(_spout, stages))


def _each_still(
    ask: Callable[[RunCurve, FloatArray, FloatArray], FloatArray],
    charge_abv: FloatArray,
    stages: FloatArray,
    question: FloatArray,
) -> FloatArray:
    """Ask every still's own curve; where charge or stages are outside the range the answer is NaN."""
    charge_abv, stages, question = np.broadcast_arrays(charge_abv, stages, question)
    answer = np.full(question.shape, np.nan)
    is_run = (charge_abv > 0.0) & (charge_abv <= STRONGEST_CHARGE_PCT_VOL)
    is_run &= (stages >= 0.0) & (stages <= MOST_STAGES) & np.isfinite(question)
    for still in np.unique(stages[is_run]):
        rows = is_run & (stages == still)
        charge_x = raw_mole_fraction_from_abv(charge_abv[rows])
        answer[rows] = ask(curve_of_still(float(still)), charge_x, question[rows])
    return answer


def _spout_abv(curve: RunCurve, charge_x: FloatArray, lpa_frac: FloatArray) -> FloatArray:
    in_range = (lpa_frac >= 0.0) & (lpa_frac <= 1.0)
    with np.errstate(divide="ignore"):
        left = np.log1p(-np.where(in_range, lpa_frac, 0.0))
    pot_x = curve.pot_x_at(curve.log_ethanol_at(charge_x) + left)
    return np.where(in_range, raw_abv_from_mole_fraction(curve.vapour(pot_x)), np.nan)


def _frac_at_spout(curve: RunCurve, charge_x: FloatArray, spout_abv: FloatArray) -> FloatArray:
    in_range = (spout_abv > 0.0) & (spout_abv <= 100.0)
    spout_x = raw_mole_fraction_from_abv(np.where(in_range, spout_abv, 50.0))
    is_started = spout_x < curve.vapour(charge_x)
    pot_x = curve.pot_x_under_spout(np.where(is_started, spout_x, curve.vapour(charge_x)))
    left = curve.log_ethanol_at(pot_x) - curve.log_ethanol_at(charge_x)
    return np.where(in_range, np.where(is_started, -np.expm1(left), 0.0), np.nan)


def _volume_per_lpa(curve: RunCurve, charge_x: FloatArray, lpa_frac: FloatArray) -> FloatArray:
    in_range = (lpa_frac >= 0.0) & (lpa_frac < 1.0)
    start = curve.log_ethanol_at(charge_x)
    after = start + np.log1p(-np.where(in_range, lpa_frac, 0.0))
    litres = (curve.volume_at(start) - curve.volume_at(after)) / np.exp(start)
    return np.where(in_range, litres, np.nan)


def _frac_at_volume_per_lpa(curve: RunCurve, charge_x: FloatArray, litres_per_lpa: FloatArray) -> FloatArray:
    start = curve.log_ethanol_at(charge_x)
    whole = curve.volume_at(start)
    to_come = whole - litres_per_lpa * np.exp(start)
    in_range = (litres_per_lpa >= 0.0) & (to_come >= curve.volume[0])
    after = curve.log_ethanol_at_volume(np.where(in_range, to_come, whole))
    # Both ends by the same interpolation, so that nothing over is exactly nothing.
    return np.where(in_range, -np.expm1(after - curve.log_ethanol_at_volume(whole)), np.nan)


def run_kernel(
    charge_l: FloatArray, charge_abv: FloatArray, stages: FloatArray, frac: FloatArray
) -> FloatArray:
    # The volume only scales the run; it is asked for so that an empty still has no spout strength.
    return np.where(charge_l > 0.0, _each_still(_spout_abv, charge_abv, stages, frac), np.nan)


def lpa_frac_at_spout_kernel(charge_abv: FloatArray, stages: FloatArray, spout_abv: FloatArray) -> FloatArray:
    return _each_still(_frac_at_spout, charge_abv, stages, spout_abv)


def distillate_volume_kernel(
    charge_l: FloatArray, charge_abv: FloatArray, stages: FloatArray, frac: FloatArray
) -> FloatArray:
    litres = charge_l * charge_abv / 100.0 * _each_still(_volume_per_lpa, charge_abv, stages, frac)
    return np.where(charge_l >= 0.0, litres, np.nan)


def lpa_frac_at_volume_kernel(
    charge_l: FloatArray, charge_abv: FloatArray, stages: FloatArray, distillate_l: FloatArray
) -> FloatArray:
    litres_per_lpa = distillate_l / np.where(charge_l > 0.0, charge_l * charge_abv / 100.0, np.nan)
    return _each_still(_frac_at_volume_per_lpa, charge_abv, stages, litres_per_lpa)


@cites(RAYLEIGH, VAN_LAAR_FIT, DE_NEVERS, OIML_R_22)
def run_curve(
    charge_volume_l: V | float, charge_abv_pct_vol: V | float, stages: V | float, lpa_frac: V | float
) -> V:
    """Strength at the spout when a share of the charge's alcohol is over.

    charge_volume_l    : charge at 20 degC [L], above 0; it scales the run and leaves its strengths as they
                         are
    charge_abv_pct_vol : charge by volume at 20 degC [% vol], above 0 to 90
    stages             : effective extra stages of the still [stages], 0 (bare pot) to 3; see `vapour_abv`
    lpa_frac           : alcohol already over, share of the LPA charged [0 to 1]
    returns            : strength of what is coming over, by volume at 20 degC [% vol]; NaN outside the range
    formula            : d ln(N x) / d ln x = y / (y - x), N moles left in the pot, y the vapour of
                         `vapour_mole_fraction`
    source             : simple batch distillation (Rayleigh), in moles; equilibrium as in `vapour_abv`

    40 L of low wines and feints at 28 % in a bare pot; half of the alcohol is over when the spout shows 66 %:

    >>> run_curve(40.0, 28.0, 0.0, 0.5)
    65.9
    """
    return evaluate(run_kernel, charge_volume_l, charge_abv_pct_vol, stages, lpa_frac)


@cites(RAYLEIGH, VAN_LAAR_FIT, DE_NEVERS, OIML_R_22)
def lpa_frac_at_spout(charge_abv_pct_vol: V | float, stages: V | float, spout_abv_pct_vol: V | float) -> V:
    """Share of the alcohol that is over when the spout has fallen to a strength.

    charge_abv_pct_vol : charge by volume at 20 degC [% vol], above 0 to 90
    stages             : effective extra stages of the still [stages], 0 (bare pot) to 3
    spout_abv_pct_vol  : strength at the spout, by volume at 20 degC [% vol], above 0 to 100
    returns            : share of the LPA charged [0 to 1]; 0 when the run starts no stronger than that; NaN
                         outside
    formula            : `run_curve` turned round
    source             : simple batch distillation (Rayleigh), in moles; equilibrium as in `vapour_abv`

    >>> lpa_frac_at_spout(28.0, 0.0, 60.0)
    0.654
    """
    return evaluate(lpa_frac_at_spout_kernel, charge_abv_pct_vol, stages, spout_abv_pct_vol)


@cites(RAYLEIGH, VAN_LAAR_FIT, DE_NEVERS, OIML_R_22)
def distillate_volume_l(
    charge_volume_l: V | float, charge_abv_pct_vol: V | float, stages: V | float, lpa_frac: V | float
) -> V:
    """Volume that has come over when a share of the charge's alcohol is over, each drop at its own strength.

    charge_volume_l    : charge at 20 degC [L], 0 or more
    charge_abv_pct_vol : charge by volume at 20 degC [% vol], above 0 to 90
    stages             : effective extra stages of the still [stages], 0 (bare pot) to 3
    lpa_frac           : alcohol already over, share of the LPA charged [0, below 1]
    returns            : distillate at 20 degC, before its drops contract on mixing [L]; NaN outside the range
    formula            : sum of dLPA / (spout strength / 100)
    source             : simple batch distillation (Rayleigh), in moles; equilibrium as in `vapour_abv`

    Half of the 11.2 LPA, the spout falling from 74.3 to 65.9 %, about 5.6 / 0.71 L:

    >>> distillate_volume_l(40.0, 28.0, 0.0, 0.5)
    7.9
    """
    return evaluate(distillate_volume_kernel, charge_volume_l, charge_abv_pct_vol, stages, lpa_frac)


@cites(RAYLEIGH, VAN_LAAR_FIT, DE_NEVERS, OIML_R_22)
def lpa_frac_at_volume(
    charge_volume_l: V | float, charge_abv_pct_vol: V | float, stages: V | float, distillate_l: V | float
) -> V:
    """Share of the charge's alcohol that is over when a volume has come over.

    charge_volume_l    : charge at 20 degC [L], above 0
    charge_abv_pct_vol : charge by volume at 20 degC [% vol], above 0 to 90
    stages             : effective extra stages of the still [stages], 0 (bare pot) to 3
    distillate_l       : distillate so far at 20 degC [L], 0 or more
    returns            : share of the LPA charged [0 to 1]; NaN outside the range, such as more than the
                         still can give
    formula            : `distillate_volume_l` turned round
    source             : simple batch distillation (Rayleigh), in moles; equilibrium as in `vapour_abv`

    >>> lpa_frac_at_volume(40.0, 28.0, 0.0, distillate_volume_l(40.0, 28.0, 0.0, 0.5))
    0.5000
    """
    return evaluate(lpa_frac_at_volume_kernel, charge_volume_l, charge_abv_pct_vol, stages, distillate_l)


@cites(RAYLEIGH, VAN_LAAR_FIT, DE_NEVERS, OIML_R_22)
def jar_strengths(
    charge_volume_l: float, charge_abv_pct_vol: float, stages: float, jar_volumes_l: ArrayLike
) -> FloatArray:
    """Strengths of jars taken one after the other.

    charge_volume_l    : charge at 20 degC [L], above 0
    charge_abv_pct_vol : charge by volume at 20 degC [% vol], above 0 to 90
    stages             : effective extra stages of the still [stages], 0 (bare pot) to 3
    jar_volumes_l      : volumes of the jars at 20 degC in the order taken [L], one dimension
    returns            : strength of each jar by volume at 20 degC [% vol]; NaN outside the range, NaN for
                         an empty jar
    formula            : 100 x LPA over during the jar / its volume, by `lpa_frac_at_volume`
    source             : simple batch distillation (Rayleigh), in moles; equilibrium as in `vapour_abv`

    >>> jar_strengths(40.0, 28.0, 0.5, [0.75, 0.75]).round(1)
    array([81.2, 80.8])
    """
    volumes = np.asarray(jar_volumes_l, dtype=np.float64)
    ends = np.concatenate([[0.0], np.cumsum(volumes)])
    over = evaluate(lpa_frac_at_volume_kernel, charge_volume_l, charge_abv_pct_vol, stages, ends)
    is_filled = volumes > 0.0
    lpa = charge_volume_l * charge_abv_pct_vol * np.diff(over)
    return np.where(is_filled, lpa / np.where(is_filled, volumes, 1.0), np.nan)


class StripRun(NamedTuple):
    """What stripping a wash down to a strength at the spout gives; fractions are of the charge."""

    recovery_frac: float
    low_wines_abv_pct_vol: float
    volume_frac: float
    pot_abv_pct_vol: float
    pot_end_c: float


@cites(RAYLEIGH, VAN_LAAR_FIT, DE_NEVERS, OIML_R_22)
def strip_run(wash_abv_pct_vol: float, stages: float, stop_spout_pct_vol: float) -> StripRun:
    """What stripping gives when stopped at a strength: the loss in the pot is predicted, not unknown.

    wash_abv_pct_vol   : wash by volume at 20 degC [% vol], above 0 to 90
    stages             : effective extra stages of the still [stages], 0 (bare pot) to 3
    stop_spout_pct_vol : strength at the spout when the run is stopped, by volume at 20 degC [% vol], above
                         0, weaker than the first runnings
    returns            : (recovery_frac [LPA of low wines / LPA of wash], low_wines_abv_pct_vol, volume_frac
                         [L of low wines a litre of wash, both at 20 degC], pot_abv_pct_vol left, pot_end_c
                         boiling at 101.325 kPa); all NaN outside the range
    formula            : `run_curve`; low wines as one vessel, from its moles
    source             : simple batch distillation (Rayleigh), in moles; equilibrium as in `vapour_abv`

    >>> low_wines = strip_run(8.0, 0.0, 5.0)
    >>> low_wines.recovery_frac, low_wines.low_wines_abv_pct_vol
    (0.962, 25.4)
    """
    over = lpa_frac_at_spout(wash_abv_pct_vol, stages, stop_spout_pct_vol)
    if not over > 0.0:
        return StripRun(*(float("nan"),) * len(StripRun._fields))
    curve = curve_of_still(float(stages))
    charge_x = np.atleast_1d(raw_mole_fraction_from_abv(np.float64(wash_abv_pct_vol)))
    pot_x = curve.pot_x_at(curve.log_ethanol_at(charge_x) + np.log1p(-over))
    ethanol = charge_x * over
    moles = 1.0 - charge_x * (1.0 - over) / pot_x
    low_wines = float(raw_abv_from_mole_fraction(ethanol / moles)[0])
    pot_abv = float(raw_abv_from_mole_fraction(pot_x)[0])
    volume = wash_abv_pct_vol * over / low_wines
    return StripRun(over, low_wines, volume, pot_abv, boiling_temperature_c(pot_abv))
