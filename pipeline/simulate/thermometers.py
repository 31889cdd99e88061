"""Thermometers in the kettle and its vapour, and the barometer on the wall, in runs of those who log them.

What is true of them comes from the run and the weather; reading errors have a stream of random numbers of
their own, so that a season with thermometers is otherwise the very season without.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np

from pipeline import science
from pipeline.simulate.records import Event

BAROMETER_SD_HPA = 0.7
_HPA_PER_KPA = 10.0


def weather_hpa(when: datetime) -> float:
    """Air pressure on the farm, some 150 m up [hPa]: highs and lows passing by turns (invented)."""
    days = (when - datetime(2000, 1, 1)).total_seconds() / 86_400.0
    return 996.0 + 9.0 * math.sin(days / 1.48) + 5.0 * math.sin(days / 0.83 + 1.0)


def kettle_c(pot_pct_vol: float, when: datetime) -> float:
    """Temperature at which the pot boils at that moment [degC]."""
    return float(science.boiling_temperature_c(pot_pct_vol, weather_hpa(when) / _HPA_PER_KPA))


def vapour_c(spout_pct_vol: float, when: datetime) -> float:
    """Temperature of the vapour that the spout runs from [degC]."""
    return float(science.temperature_from_vapour_abv(spout_pct_vol, weather_hpa(when) / _HPA_PER_KPA))


def read_thermometers(
    events: Sequence[Event], temperature_u_c: float, is_perfect: bool, rng: np.random.Generator
) -> list[Event]:
    """The events with thermometers and barometer as read; those without stay as they are."""
    errors = rng.standard_normal((len(events), 3)) * (
        temperature_u_c,
        temperature_u_c,
        0.0 if is_perfect else BAROMETER_SD_HPA,
    )
    return [
        replace(
            event,
            kettle_c=event.kettle_c + float(of_kettle),
            vapour_c=event.vapour_c + float(of_vapour),
            barometer_hpa=event.barometer_hpa + float(of_air),
        )
        for event, (of_kettle, of_vapour, of_air) in zip(events, errors, strict=True)
    ]
