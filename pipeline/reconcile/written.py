"""Numbers as they were written: their digits, and the step to which they were read.

A reading is rounded before it is written. The step of that rounding is seen from the numbers themselves:
where all of a column's numbers of so many decimals end in 0 or 5, the vessel's marks were half of ten
apart."""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_NUMBER = re.compile(r"\s*([+-]?\d*)(?:([.,])(\d*))?(.*)", re.DOTALL)

# From so many numbers on their last digits tell the step: four that end in 0 or 5 by chance are one in 600.
_ENOUGH = 4


@dataclass(frozen=True)
class Written:
    """A number in a cell.

    digits   : as written, with a point for whatever mark was used
    value    : the number
    decimals : digits after the mark
    unit     : what stands behind it
    """

    digits: str
    value: float
    decimals: int
    unit: str


@lru_cache(maxsize=1 << 16)
def read_written(text: str | None) -> Written | None:
    """The number in a cell; None where there is none.

    >>> read_written("19,05 L")
    Written(digits='19.05', value=19.05, decimals=2, unit='L')
    """
    found = _NUMBER.fullmatch(text or "")
    if found is None or not (found[1].lstrip("+-") or found[3]):
        return None
    digits = found[1] + (f".{found[3]}" if found[3] else "")
    return Written(digits, float(digits), len(found[3] or ""), found[4].strip())


def rounding_steps(files: Sequence[int], numbers: Sequence[Written | None]) -> Floats:
    """Step to which each number of one column was read, in its own unit; NaN where nothing was written."""
    groups: dict[tuple[int, int, str], list[int]] = defaultdict(list)
    for place, (file_id, number) in enumerate(zip(files, numbers, strict=True)):
        if number is not None:
            groups[file_id, number.decimals, number.unit].append(place)
    steps = np.full(len(numbers), math.nan)
    for (_, decimals, _), places in groups.items():
        last = [round(number.value * 10**decimals) for place in places if (number := numbers[place])]
        marks = 1
        if len(places) >= _ENOUGH:
            marks = next((each for each in (5, 2) if all(value % each == 0 for value in last)), 1)
        steps[places] = marks * 10.0**-decimals
    return steps
