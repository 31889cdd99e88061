"""The interval of a cask's forecast: what the years' scatter adds to the readings' errors, and who tells."""

import datetime as dt
import sys
from pathlib import Path

import numpy as np
import pytest

from pipeline.account.cask_forecast import LIKE, OWN, READINGS, SOAKAGE, Forecast, forecast_columns
from pipeline.account.cask_line import CaskEvents
from pipeline.account.cask_scatter import deviations_of, scatter_of, walk_variance

sys.path.insert(0, str(Path(__file__).parent))
from cask_forecasts import held

YEARS = np.array([0.2, 1.2, 2.3, 3.1])


def deviations(off, u=0.001, scale=0.04, years=YEARS):
    return deviations_of(years, np.array(off), np.full(years.size, u), scale)


def regauged(lot="cask c1", points=4, is_emptied=False, first=1):
    """A cask filled once and regauged, its line from the first regauge on."""
    years = (0.0, *YEARS[:points])
    signs = (1, *(0,) * points)
    return CaskEvents(lot, dt.datetime(2031, 1, 1), years, signs, tuple(range(points + 1)), first, is_emptied)


def columns_of(casks, offs, loss_frac=0.04):
    count = len(casks)
    told = Forecast(
        "lpa", np.full(count, 50.0), np.full(count, 0.1), offs, [np.full(len(o), 0.001) for o in offs]
    )
    found = forecast_columns(casks, [told], np.full(count, loss_frac), np.full(count, 4.1), 0.04)
    return {column.name: column.to_list() for column in found}


def added_up(one: float, other: float) -> float:
    """Covariance of what a rate adds up to at two times: the double integral, by the midpoints of a grid."""
    size = 800
    a, b = ((np.arange(size) + 0.5) / size * end for end in (one, other))
    return float(np.maximum(0.0, 1.0 - np.abs(a[:, None] - b)).mean() * one * other)


def test_a_years_rate_that_varies_adds_up_as_the_double_integral_says():
    """The weights of the line by numpy's own fit."""
    until = 4.4
    times = np.append(YEARS, until) - YEARS[0]
    line = np.polyfit(YEARS, np.eye(YEARS.size), 1)
    weights = np.append(-(line[0] * until + line[1]), 1.0)
    covariance = [[added_up(one, other) for other in times] for one in times]
    assert walk_variance(YEARS, until) == pytest.approx(weights @ covariance @ weights, abs=1e-4)


def test_two_regauges_lie_on_a_line_and_tell_nothing():
    assert deviations([0.0, 0.0], years=YEARS[:2]) is None
    assert scatter_of([]) is None


def test_regauges_on_their_lines_tell_of_steady_years_and_others_of_uneven_ones():
    rng = np.random.default_rng(3)
    steady = scatter_of([deviations(0.001 * rng.standard_normal(4)) for _ in range(30)])
    uneven = scatter_of([deviations(0.020 * rng.standard_normal(4)) for _ in range(30)])
    assert np.sqrt(steady.mean_square) < 0.1
    assert np.sqrt(uneven.mean_square) > 0.4
    read_u, unit = np.array([0.01]), np.array([0.0])
    assert steady.half_width(read_u, unit)[0] == pytest.approx(1.959964 * 0.01, rel=1e-6)


def test_a_cask_whose_regauges_no_weather_explains_widens_its_own_interval_only():
    offs = [0.0005 * np.array([1.0, -1.0, -1.0, 1.0])] * 12
    casks = [regauged(f"cask c{number}") for number in range(13)]
    plain = columns_of(casks[:12], offs)
    found = columns_of(casks, [*offs, np.array([0.0, 0.5, -0.5, 0.0])])
    assert found["lpa_high"][0] == plain["lpa_high"][0]
    assert found["lpa_high"][12] - 50.0 > 3.0 * (found["lpa_high"][0] - 50.0)
    assert found["forecast_basis"][0] == LIKE.format(12)
    assert found["forecast_basis"][12] == OWN


def test_a_cask_with_one_regauge_borrows_and_says_that_the_soakage_is_in_its_rate():
    offs = [0.002 * np.array([1.0, -1.0, -1.0, 1.0])] * 5 + [np.zeros(2)]
    casks = [regauged(f"cask c{number}") for number in range(5)] + [regauged("cask new", 1, first=0)]
    found = columns_of(casks, offs)
    assert found["forecast_basis"][5] == LIKE.format(5) + SOAKAGE
    assert found["forecast_scatter_frac"][5] == found["forecast_scatter_frac"][0] > 0.0
    assert found["lpa_u"][5] > 0.1


def test_where_no_cask_has_three_regauges_the_interval_is_the_readings_and_says_so():
    found = columns_of([regauged(points=2)], [np.zeros(2)])
    assert found["forecast_basis"] == [READINGS]
    assert found["forecast_scatter_frac"] == [None]
    assert found["lpa_low"][0] == pytest.approx(50.0 - 1.959964 * 0.1)


def test_casks_whose_sizes_nobody_wrote_down_tell_their_scatter_too():
    offs = [0.002 * np.array([1.0, -1.0, -1.0, 1.0])] * 2
    casks = [regauged("cask c1"), regauged("cask c2")]
    assert columns_of(casks, offs, loss_frac=np.nan) == columns_of(casks, offs, loss_frac=0.04)


def test_an_emptied_cask_has_no_forecast():
    found = columns_of([regauged(is_emptied=True)], [np.zeros(4)])
    assert set(found["lpa"] + found["lpa_low"] + found["forecast_basis"]) == {None}


@pytest.mark.parametrize("shared_frac", [0.0, 0.5])
def test_the_interval_holds_what_comes_in_93_to_97_of_100(shared_frac):
    """600 casks in stores of 20, whose years' losses scatter by a fifth; readings alone hold 80 to 88."""
    rng = np.random.default_rng(7)
    runs = [held(rng, 20, 4, 0.2, shared_frac, 0.8) for _ in range(30)]
    ours, readings = (np.mean([run[kind].mean() for run in runs]) for kind in (0, 1))
    assert 0.93 <= ours <= 0.97
    assert readings < 0.90
