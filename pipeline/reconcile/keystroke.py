"""Slips of a tired hand: which one turns the number that must have been into the number that was written."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from pipeline.reconcile.written import Written

L_PER_US_GALLON, L_PER_IMPERIAL_GALLON, LB_PER_KG = 3.785411784, 4.54609, 2.2046226218

SWAPPED = "digits swapped"
SLIPPED = "decimal mark slipped"
WRONG_DIGIT = "one digit wrong"
GALLONS = "gallons for litres"
LITRES = "litres for gallons"
POUNDS = "pounds for kilograms"
KILOGRAMS = "kilograms for pounds"
TWICE = "row written twice"

# How much rarer than a misplaced mark each slip counts, as a logarithm (own choice): any number is one digit
# away from some thirty others, so that a single wrong digit says least.
_COST = {SLIPPED: 0.0, SWAPPED: 0.0, GALLONS: 0.5, LITRES: 0.5, POUNDS: 0.5, KILOGRAMS: 0.5, WRONG_DIGIT: 2.0}

# A slip explains an estimate from which it is no farther than this many standard uncertainties.
_NEAR = 2.5


@dataclass(frozen=True)
class Slip:
    """A slip that explains a number: what it is, what was meant, and how unlikely (logarithm, 0 and up)."""

    what: str
    meant: float
    cost: float


def slips_to(written: Written, *, is_volume: bool, is_mass: bool) -> Iterator[tuple[str, float]]:
    """Every number that one slip turns into the one written, with the slip.

    >>> [meant for slip, meant in slips_to(Written("12.5", 12.5, 1, ""), is_volume=False, is_mass=False)
    ...  if slip == SWAPPED]
    [21.5, 15.2]
    """
    digits = [place for place, letter in enumerate(written.digits) if letter.isdigit()]
    for left, right in pairwise(digits):
        letters = list(written.digits)
        if letters[left] != letters[right]:
            letters[left], letters[right] = letters[right], letters[left]
            yield SWAPPED, float("".join(letters))
    for power in (-2, -1, 1, 2):
        yield SLIPPED, written.value * 10.0**power
    for place in digits:
        for digit in "0123456789":
            if digit != written.digits[place]:
                yield WRONG_DIGIT, float(written.digits[:place] + digit + written.digits[place + 1 :])
    if is_volume:
        for litres in (L_PER_US_GALLON, L_PER_IMPERIAL_GALLON):
            yield GALLONS, written.value * litres
            yield LITRES, written.value / litres
    if is_mass:
        yield POUNDS, written.value / LB_PER_KG
        yield KILOGRAMS, written.value * LB_PER_KG


def find_slip(
    written: Written, estimate: float, estimate_u: float, *, is_volume: bool = False, is_mass: bool = False
) -> Slip | None:
    """The likeliest slip that explains why `written` stands where `estimate` +- `estimate_u` should; or None.

    All three in the unit written.

    >>> find_slip(Written("12.5", 12.5, 1, ""), 21.6, 0.5).what
    'digits swapped'
    """
    best: Slip | None = None
    for what, meant in slips_to(written, is_volume=is_volume, is_mass=is_mass):
        misfit = abs(meant - estimate) / estimate_u if estimate_u > 0.0 else math.inf
        cost = _COST[what] + misfit**2 / 2.0
        if misfit <= _NEAR and (best is None or cost < best.cost):
            best = Slip(what, meant, cost)
    return best
