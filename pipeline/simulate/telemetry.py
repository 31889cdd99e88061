"""A logger on the still: what its sensors showed through the spirit runs of a season, row by row.

Made from the runs' own jars: between two jars' ends everything moves evenly. Heating is a straight line to
the boil. Errors have a stream of random numbers of their own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.distillery import BatchRun, Jar, spirit_start
from pipeline.simulate.season import Season
from pipeline.simulate.thermometers import kettle_c, vapour_c, weather_hpa

Array = NDArray[np.float64]

HEATING_MIN = 50.0
"""From the charge to the first drop, as the diary has it."""
ROOM_C, POWER_KW = 18.0, 5.5
_STEAM_MIN = 3.0
_THERMOMETER_SD_C, _METER_SD_PCT_VOL, _RATE_SD_FRAC = 0.1, 0.2, 0.03
HEADER = "batch,run,when,vapour,kettle,power [kW],takeoff [L/min],strength,barometer"


@dataclass(frozen=True)
class _Knots:
    """What is true at the charge, at the first drop and at the end of each jar; `at` in minutes."""

    at: Array
    vapour: Array
    kettle: Array
    spout: Array
    rate: Array


def write_telemetry(season: Season, out_dir: Path, every_s: int, runs: int) -> list[Path]:
    """Write the first `runs` spirit runs of a season, a row every `every_s` seconds, one file a run."""
    rng = np.random.default_rng([season.instrument_seed, 3])
    folder = out_dir / "telemetry"
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for batch_run, number, jars in list(_spirit_runs(season))[:runs]:
        batch = batch_run.plan.batch
        rows = _rows(batch_run, number, jars, every_s, rng)
        target = folder / f"{batch}_spirit_{number + 1}.csv"
        target.write_bytes("\n".join([HEADER, *rows, ""]).encode())
        written.append(target)
    return written


def _spirit_runs(season: Season) -> Iterator[tuple[BatchRun, int, list[Jar]]]:
    """Every spirit run with its number in its batch and its jars."""
    for run in season.runs:
        taken = 0
        for number in range(len(run.charges)):
            name = f"spirit {number + 1}"
            count = sum(event.step == "collect" and event.run == name for event in run.events)
            yield run, number, run.jars[taken : taken + count]
            taken += count


def _knots(run: BatchRun, number: int, jars: list[Jar], starts: datetime) -> _Knots:
    charge = run.charges[number].abv_pct_vol
    ends = HEATING_MIN + np.cumsum([jar.minutes_min for jar in jars])
    times = [starts + timedelta(minutes=float(each)) for each in (HEATING_MIN, *ends)]
    pots = [charge, *(jar.pot_pct_vol for jar in jars)]
    # The first drop is a little stronger than the first jar's last.
    spouts = [jars[0].spout_pct_vol + 0.2, *(jar.spout_pct_vol for jar in jars)]
    rates = [jar.liquid.volume_l / jar.minutes_min for jar in jars]
    return _Knots(
        np.array([HEATING_MIN, *ends]),
        np.array([vapour_c(abv, when) for abv, when in zip(spouts, times, strict=True)]),
        np.array([kettle_c(abv, when) for abv, when in zip(pots, times, strict=True)]),
        np.array(spouts),
        np.array([*rates, rates[-1]]),
    )


def _rows(
    run: BatchRun, number: int, jars: list[Jar], every_s: int, rng: np.random.Generator
) -> Iterator[str]:
    starts = spirit_start(run, number)
    knots = _knots(run, number, jars, starts)
    seconds = np.arange(0, round(60.0 * knots.at[-1]), every_s)
    minutes = seconds / 60.0
    runs = minutes >= HEATING_MIN
    warm = np.clip((minutes - HEATING_MIN + _STEAM_MIN) / _STEAM_MIN, 0.0, 1.0)
    vapour = np.where(
        runs,
        np.interp(minutes, knots.at, knots.vapour),
        ROOM_C + (knots.vapour[0] - ROOM_C) * warm,
    )
    kettle = np.where(
        runs,
        np.interp(minutes, knots.at, knots.kettle),
        ROOM_C + (knots.kettle[0] - ROOM_C) * minutes / HEATING_MIN,
    )
    place = np.clip(np.searchsorted(knots.at, minutes, side="right") - 1, 0, knots.rate.size - 1)
    errors = rng.standard_normal((4, seconds.size))
    vapour += _THERMOMETER_SD_C * errors[0]
    kettle += _THERMOMETER_SD_C * errors[1]
    rate = np.where(runs, knots.rate[place] * (1.0 + _RATE_SD_FRAC * errors[2]), 0.0)
    strength = np.interp(minutes, knots.at, knots.spout) + _METER_SD_PCT_VOL * errors[3]
    head = f"{run.plan.batch},spirit {number + 1},"
    for at, second in enumerate(seconds.tolist()):
        moment = starts + timedelta(seconds=second)
        meter = f"{strength[at]:.2f}" if runs[at] else ""
        yield (
            f"{head}{moment},{vapour[at]:.2f},{kettle[at]:.2f},{POWER_KW},{rate[at]:.4f},{meter},"
            f"{weather_hpa(moment):.1f}"
        )
