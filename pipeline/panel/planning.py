"""How many assessors it takes to see a difference, from a panel's own error.

A difference of two samples is judged by Student's t: its variance for one assessor is twice the variance
of seeing a
sample in one's own way plus the error of the mean of his glasses. With more samples on the table the error
is known better, which the degrees of freedom (samples - 1)(assessors - 1) say.

source : power of the t test by the non-central F distribution, as in any textbook; checked against printed
         sample sizes
         of the paired test in tests/panel
"""

from __future__ import annotations

from scipy.special import fdtri, ncfdtr

LEVEL = 0.05
WANTED_POWER = 0.8
MOST_ASSESSORS = 200


def difference_power(
    assessors: int, samples: int, difference: float, interaction_sd: float, error_sd: float, glasses: int = 1
) -> float:
    """Chance that a panel shows a difference, two-sided at 5 %.

    assessors, samples       : how many sit down, how many samples each tastes
    difference               : what two samples really differ by [points]
    interaction_sd, error_sd : the panel's own standard deviations [points]
    glasses                  : glasses of each sample for each assessor
    """
    if assessors < 2 or samples < 2:
        return 0.0
    variance = 2.0 * (interaction_sd**2 + error_sd**2 / glasses) / assessors
    if variance <= 0.0:
        return 1.0 if difference else LEVEL
    df = (samples - 1) * (assessors - 1)
    bound = float(fdtri(1, df, 1.0 - LEVEL))
    # Two-sided t is F on 1 and df; beyond this shift the chance of missing it is below any rounding.
    shift = min(difference**2 / variance, 400.0)
    return 1.0 - float(ncfdtr(1, df, shift, bound))


def assessors_needed(
    difference: float,
    interaction_sd: float,
    error_sd: float,
    samples: int,
    glasses: int = 1,
    wanted: float = WANTED_POWER,
) -> int | None:
    """Fewest assessors whose power for this difference is `wanted`; None beyond 200.

    >>> assessors_needed(1.0, 0.0, 2.0**0.5, samples=2)
    34
    """
    low, high = 2, MOST_ASSESSORS
    if difference_power(high, samples, difference, interaction_sd, error_sd, glasses) < wanted:
        return None
    while low < high:
        middle = (low + high) // 2
        if difference_power(middle, samples, difference, interaction_sd, error_sd, glasses) >= wanted:
            high = middle
        else:
            low = middle + 1
    return low


def smallest_difference(
    assessors: int, samples: int, interaction_sd: float, error_sd: float, wanted: float = WANTED_POWER
) -> float | None:
    """Smallest difference [points] that a panel of this size shows with chance `wanted`; None for fewer
    than two."""
    if assessors < 2 or samples < 2:
        return None
    low, high = 0.0, 100.0
    for _ in range(60):
        middle = (low + high) / 2.0
        if difference_power(assessors, samples, middle, interaction_sd, error_sd) < wanted:
            low = middle
        else:
            high = middle
    return high
