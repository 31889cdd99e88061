"""How often the 95 % interval of a cask's forecast holds what the cask then has, on invented stores.

    python tests/account/cask_forecasts.py 200

Every cask loses its own share a year, and in each calendar year another one about it: by itself, or with
the whole store (`shared_frac`). It is regauged with the errors of a dipstick and an alcoholometer, its line
is laid through the regauges, and what it holds a year after the last one is forecast.
"""

from __future__ import annotations

import datetime as dt
import sys
from collections.abc import Iterator

import numpy as np

from pipeline.account.cask_forecast import Forecast, forecast_columns
from pipeline.account.cask_line import CaskEvents, lines_of

LOSS = 0.045
"""Share that a cask of this size loses a year, as the forecast is told: casks differ from it by a fifth."""

LN_U = 0.0065
"""Error of a regauge's ln LPA: 0.5 % of the volume and 0.2 %vol at 50 %vol."""

AHEAD_YEARS = 1.0
_MOST_YEARS = 40


def store(
    rng: np.random.Generator,
    casks: int,
    regauges: int,
    scatter: float,
    shared_frac: float,
    apart_years: float,
) -> Iterator[tuple[np.ndarray, np.ndarray, float, float]]:
    """Casks of one store: years of the regauges, what was found, the day of the forecast, what is there then.

    scatter     : standard deviation of a calendar year's loss, as a share of `LOSS`
    shared_frac : how much of its variance all casks of the store share
    apart_years : from one regauge to the next, about
    """
    weather = rng.standard_normal(_MOST_YEARS)
    edges = np.arange(_MOST_YEARS + 1)
    for _ in range(casks):
        own = rng.standard_normal(_MOST_YEARS)
        together = np.sqrt(shared_frac) * weather + np.sqrt(1.0 - shared_frac) * own
        rates = LOSS * (np.exp(0.2 * rng.standard_normal()) + scatter * together)
        lost = np.append(0.0, np.cumsum(rates))
        apart = apart_years * rng.uniform(0.8, 1.2, regauges - 1)
        years = np.cumsum(np.append(rng.uniform(0.1, 0.3), apart))
        at, filled = years[-1] + AHEAD_YEARS, rng.uniform(0.0, 1.0)
        true_ln = -np.interp(filled + np.append(years, at), edges, lost)
        found = 100.0 * np.exp(true_ln[:-1] + LN_U * rng.standard_normal(regauges))
        yield years, found, at, float(100.0 * np.exp(true_ln[-1]))


def held(
    rng: np.random.Generator,
    casks: int,
    regauges: int,
    scatter: float,
    shared_frac: float,
    apart_years: float,
) -> tuple[np.ndarray, np.ndarray]:
    """By cask, whether the interval held what came, and whether that of the readings alone would have."""
    events, offs, values, read_u, at_years, truth = [], [], [], [], [], []
    for number, (years, found, at, then) in enumerate(
        store(rng, casks, regauges, scatter, shared_frac, apart_years)
    ):
        signs = (1, *(0 for _ in years))
        cask = CaskEvents(
            f"cask {number}",
            dt.datetime(2031, 1, 1),
            (0.0, *years),
            signs,
            tuple(range(len(signs))),
            1,
        )
        amounts = np.append(103.0, found)
        bent = amounts[:, None] * (1.0 + 1e-6 * np.eye(len(amounts))[:, 1:])
        lines = lines_of([cask], np.column_stack([amounts, bent])[:, None, :], np.array([at]))
        forecast = lines.forecast[0]
        events.append(cask)
        offs.append(lines.off[:, 0, 0])
        values.append(forecast[0])
        read_u.append(LN_U * np.linalg.norm((forecast[1:] - forecast[0]) / 1e-6))
        at_years.append(at)
        truth.append(then)
    spread = [np.full(regauges, LN_U)] * casks
    told = Forecast("forecast_lpa", np.array(values), np.array(read_u), offs, spread)
    columns = {
        column.name: column
        for column in forecast_columns(events, [told], np.full(casks, LOSS), np.array(at_years), LOSS)
    }
    came = np.array(truth)
    low, high = columns["forecast_lpa_low"].to_numpy(), columns["forecast_lpa_high"].to_numpy()
    by_readings = np.abs(came - np.array(values)) <= 1.96 * np.array(read_u)
    return (low <= came) & (came <= high), by_readings


def main(stores: int) -> None:
    """A table: each kind of store, how often the interval held, and how often the readings' alone."""
    print("| casks | regauges | a year's loss scatters by | shared by the store | held | readings alone |")
    print("| --- | --- | --- | --- | --- | --- |")
    for casks, regauges, apart in ((1, 3, 1.0), (3, 3, 1.0), (20, 3, 0.9), (20, 5, 0.6), (40, 5, 0.6)):
        for scatter, shared_frac in ((0.0, 0.0), (0.2, 0.0), (0.2, 0.7), (0.4, 0.0), (0.4, 0.7)):
            rng = np.random.default_rng(11)
            runs = [
                held(rng, casks, regauges, scatter, shared_frac, apart)
                for _ in range(max(20, stores * 20 // casks))
            ]
            ours, readings = (float(np.mean([run[kind].mean() for run in runs])) for kind in (0, 1))
            print(
                f"| {casks} | {regauges} | {100 * scatter:.0f} % | {100 * shared_frac:.0f} % | "
                f"{100 * ours:.1f} % | {100 * readings:.1f} % |"
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
