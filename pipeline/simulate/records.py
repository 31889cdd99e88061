"""The records a simulated season is made of: what happened, before anyone measured it.

Holds plain frozen dataclasses. A number that does not apply, or that nobody measured, is NaN.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

NOT_MEASURED = float("nan")


@dataclass(frozen=True)
class Event:
    """One row of a batch or cask log: true values when it comes from the process, readings after.

    Volumes [L], gravity [SG 20/20] and strengths [%vol] of a true event hold at 20 degC, whatever
    the liquid's `temperature_c`; in a reading they are what the instrument showed at that temperature.
    `is_read_warm` says that the liquid was measured at `temperature_c` (else it was let come to 20).
    """

    when: datetime
    step: str
    batch: str = ""
    cask: str = ""
    by: str = ""
    run: str = ""
    item: str = ""
    cut: str = ""
    source: str = ""
    lot: str = ""
    vessel: str = ""
    mass_kg: float = NOT_MEASURED
    volume_l: float = NOT_MEASURED
    gravity_sg: float = NOT_MEASURED
    strength_pct_vol: float = NOT_MEASURED
    spout_pct_vol: float = NOT_MEASURED
    temperature_c: float = NOT_MEASURED
    kettle_c: float = NOT_MEASURED
    vapour_c: float = NOT_MEASURED
    barometer_hpa: float = NOT_MEASURED
    minutes_min: float = NOT_MEASURED
    ph: float = NOT_MEASURED
    price: float = NOT_MEASURED
    capacity_l: float = NOT_MEASURED
    wood: str = ""
    toast: str = ""
    char: str = ""
    place: str = ""
    previous: str = ""
    note: str = ""
    is_read_warm: bool = False


@dataclass(frozen=True)
class Pour:
    """One glass before one assessor; `scores` in the order of the panel's attributes, NaN where left out."""

    session: str
    when: datetime
    assessor: str
    sample: str
    batch: str
    cask: str
    strength_pct_vol: float
    order: int
    scores: tuple[float, ...]
    descriptors: str


@dataclass(frozen=True)
class Trial:
    """One difference test by one assessor."""

    session: str
    when: datetime
    assessor: str
    test: str
    sample_a: str
    sample_b: str
    is_correct: bool


@dataclass(frozen=True)
class MistakeOrder:
    """A slip of the pen to plant: `kind` is one of `mistakes.MISTAKE_KINDS`.

    `batch`, `step`, `cut`, `column` and `run` narrow where it may fall; an empty one leaves it open.
    `least_change` is how much the number, as written (litres for mL), must change by. An `is_optional`
    order is passed over where no row takes it, as in a very short season; the truth lists only what
    was planted.
    """

    kind: str
    batch: str = ""
    step: str = ""
    cut: str = ""
    column: str = ""
    run: str = ""
    least_change: float = 0.0
    is_optional: bool = False
