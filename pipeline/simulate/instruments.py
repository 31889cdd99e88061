"""What the instruments made of it: readings with their errors, at the temperature of the liquid.

Standard deviations are those of ordinary instruments (common practice, no source). A strength read
warm is the reading of a glass alcoholometer graduated at 20 degC, so it must be corrected to be true.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline import science
from pipeline.simulate.records import Event

Array = NDArray[np.float64]

# Steps whose gravity and volume are of wort or wash, not of spirit.
_WORT_STEPS = frozenset({"wort", "wash", "runnings", "sparge", "mash"})
_WORT_LIKE_WATER_SG = 1.0
# A liquid let come to 20 degC before it is read.
REFERENCE_C = 20.0


@dataclass(frozen=True)
class Instruments:
    """Standard deviations of the readings; `PERFECT` has none."""

    gravity_sg: float = 0.0005
    strength_pct_vol: float = 0.3
    temperature_c: float = 0.5
    volume_frac: float = 0.01
    mass_frac: float = 0.005
    ph: float = 0.04

    @property
    def is_perfect(self) -> bool:
        """Whether every reading is the truth (then the diary rounds nothing either)."""
        return self == PERFECT


PERFECT = Instruments(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


def read_events(events: Sequence[Event], instruments: Instruments, rng: np.random.Generator) -> list[Event]:
    """The events as read: every number an instrument gave, in kg, L, SG, %vol and degC."""
    errors = rng.standard_normal((len(events), 7))
    column = {name: _column(events, name) for name in _COLUMNS}
    is_warm = np.array([event.is_read_warm for event in events], dtype=bool)
    liquid_c = np.where(is_warm, column["temperature_c"], REFERENCE_C)
    is_wort = np.array([event.step in _WORT_STEPS for event in events], dtype=bool)
    readings: dict[str, Array] = {
        "mass_kg": column["mass_kg"] * (1.0 + instruments.mass_frac * errors[:, 0]),
        "volume_l": _volume_shown(column, liquid_c, is_wort) * (1.0 + instruments.volume_frac * errors[:, 1]),
        "gravity_sg": np.asarray(science.reading_from_sg(column["gravity_sg"], liquid_c, REFERENCE_C))
        + instruments.gravity_sg * errors[:, 2],
        "strength_pct_vol": _strength_shown(
            column["strength_pct_vol"], liquid_c, instruments.strength_pct_vol * errors[:, 3]
        ),
        "spout_pct_vol": _strength_shown(
            column["spout_pct_vol"], liquid_c, instruments.strength_pct_vol * errors[:, 4]
        ),
        "temperature_c": column["temperature_c"] + instruments.temperature_c * errors[:, 5],
        "ph": column["ph"] + instruments.ph * errors[:, 6],
    }
    as_floats: dict[str, Any] = {name: values.tolist() for name, values in readings.items()}
    return [
        replace(event, **{name: values[i] for name, values in as_floats.items()})
        for i, event in enumerate(events)
    ]


_COLUMNS = ("mass_kg", "volume_l", "gravity_sg", "strength_pct_vol", "spout_pct_vol", "temperature_c", "ph")


def _column(events: Sequence[Event], name: str) -> Array:
    return np.array([getattr(event, name) for event in events], dtype=np.float64)


def _volume_shown(column: dict[str, Array], liquid_c: Array, is_wort: Array) -> Array:
    """Litres at the liquid's own temperature from litres at 20 degC."""
    gravity = np.where(np.isnan(column["gravity_sg"]), _WORT_LIKE_WATER_SG, column["gravity_sg"])
    wort = np.asarray(science.wort_volume_at_20c(1.0, gravity, liquid_c))
    strength = np.where(np.isnan(column["strength_pct_vol"]), 0.0, column["strength_pct_vol"])
    spirit = np.asarray(science.volume_at_20c(1.0, strength, liquid_c))
    return column["volume_l"] / np.where(is_wort, wort, spirit)


def _strength_shown(strength: Array, liquid_c: Array, error: Array) -> Array:
    shown = np.asarray(science.reading_from_abv(strength, liquid_c)) + error
    return np.maximum(shown, 0.0)
