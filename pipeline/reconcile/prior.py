"""What a still leaves in the pot, from the run's own stop: a prior for residues nobody measured.

At the end of a run the vapour has the strength read at the spout, and the pot the strength in equilibrium
with it behind the still's stages. Both are uncertain: the stages of a still are taken as a range.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.science import vapour_abv

Floats = npt.NDArray[np.float64]

# Without a reading at the spout: strength left in the pot and its standard uncertainty [%vol] (runs stopped
# between 3 and 15 %vol at the spout leave 0.2 to 1 %vol; common practice, no source).
_STRIPPING_UNREAD = (0.4, 0.3)
_SPIRIT_UNREAD = (0.5, 0.35)

_POT = np.linspace(0.0, 30.0, 1201)


@dataclass(frozen=True)
class Priors:
    """What is taken for granted of stills and fermenters, each with its standard uncertainty.

    stripping_stages : effective stages of a run that strips wash
    spirit_stages    : of a spirit run (common practice, no source: a pot driven hard for stripping has next
                       to none, a spirit run with a slow fire and some reflux less than half of one)
    with_yeast_frac  : what stays in the fermenter with the yeast, as a share of the wash (common practice,
                       no source)
    least_u_pct_vol  : of a strength left in the pot, whatever else is known: the last drops in the neck, a
                       spout read some minutes early [%vol]
    """

    stripping_stages: tuple[float, float] = (0.05, 0.05)
    spirit_stages: tuple[float, float] = (0.4, 0.12)
    with_yeast_frac: tuple[float, float] = (0.015, 0.0075)
    least_u_pct_vol: float = 0.03


USUAL = Priors()


@dataclass(frozen=True)
class Leavings:
    """Strength left in each pot [%vol at 20 degC] and its standard uncertainty."""

    abv_pct_vol: Floats
    u_pct_vol: Floats


def leavings(
    is_stripping: npt.NDArray[np.bool_],
    last_spout_pct_vol: Floats,
    spout_u_pct_vol: float,
    priors: Priors = USUAL,
) -> Leavings:
    """Strength left in the pot of each run.

    last_spout_pct_vol : last strength read at the spout [%vol], NaN where it was not
    spout_u_pct_vol    : standard uncertainty of that reading

    >>> left = leavings(np.array([True, False]), np.array([5.0, np.nan]), 0.3)
    >>> left.abv_pct_vol.round(1)  # a wash stripped to 5 %vol at the spout leaves about 0.4 %vol
    array([0.4, 0.5])
    """
    is_read = ~np.isnan(last_spout_pct_vol) & (last_spout_pct_vol > 0.0)
    middle = np.zeros(is_stripping.size)
    spread = np.zeros(is_stripping.size)
    kinds = (
        (is_stripping, priors.stripping_stages, _STRIPPING_UNREAD),
        (~is_stripping, priors.spirit_stages, _SPIRIT_UNREAD),
    )
    for rows, (stages, stages_u), unread in kinds:
        spout = last_spout_pct_vol[rows & is_read]
        here = _pot_under(spout, stages)
        fewer, more = max(0.0, stages - stages_u), stages + stages_u
        by_stages = 0.5 * (_pot_under(spout, fewer) - _pot_under(spout, more))
        by_spout = _pot_under(spout + spout_u_pct_vol, stages) - here
        middle[rows & is_read] = here
        spread[rows & is_read] = np.sqrt(by_stages**2 + by_spout**2 + priors.least_u_pct_vol**2)
        middle[rows & ~is_read], spread[rows & ~is_read] = unread
    return Leavings(middle, spread)


def _pot_under(spout_pct_vol: Floats, stages: float) -> Floats:
    """Strength of the pot whose vapour leaves the spout at this strength."""
    vapour = np.asarray(vapour_abv(_POT, stages), dtype=float)
    vapour[0] = 0.0
    return np.interp(spout_pct_vol, vapour, _POT)
