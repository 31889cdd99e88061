"""A cask's rate of loss, soakage and forecast by hand; draws added back; casks compared."""

import datetime as dt
import math
import sys
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.account import walk_entries
from pipeline.account.cask_groups import cask_group_frame, means_by_level
from pipeline.account.cask_line import YEAR_S, CaskEvents, alike, casks_of, lines_of
from pipeline.account.casks import forecast_moment, is_leaking
from pipeline.settings import Settings, SettingsError

sys.path.insert(0, str(Path(__file__).parent))
from account_entries import START, entries


def cask(years: tuple[float, ...], signs: tuple[int, ...], first: int) -> CaskEvents:
    """A cask with events at these times."""
    return CaskEvents("cask c1", START, years, signs, tuple(range(len(years))), first)


def line(events: CaskEvents, amounts: list[float], at_years: float = math.nan) -> tuple[float, float, float]:
    """Rate, soakage and forecast of one cask."""
    found = lines_of([events], np.array(amounts)[:, None, None], np.array([at_years]))
    return found.rate.item(), found.soakage.item(), found.forecast.item()


def test_a_fill_and_one_regauge_give_the_published_example():
    """50.0 L at 63.5 %vol to 46.6 L at 62.1 in 1.5 years: 5.99 % of the alcohol a year (k = ln(L0/L1)/t)."""
    rate, soaked, then = line(cask((0.0, 1.5), (1, 0), 0), [50.0 * 0.635, 46.6 * 0.621], at_years=2.5)
    assert 1.0 - math.exp(-rate) == pytest.approx(0.0599, abs=5e-5)
    assert math.isnan(soaked)
    assert then == pytest.approx(46.6 * 0.621 * (1.0 - 0.0599), rel=1e-4)


def test_what_is_drawn_is_added_back():
    """A tenth a year of what is there: 100 -> 90, 20 drawn, 70 -> 63."""
    events = cask((0.0, 1.0, 1.0, 2.0), (1, 0, -1, 0), 0)
    rate, _, then = line(events, [100.0, 90.0, 20.0, 63.0], at_years=3.0)
    assert 1.0 - math.exp(-rate) == pytest.approx(0.1)
    assert then == pytest.approx(63.0 * 0.9)


def test_soakage_is_what_the_fill_lies_above_the_line_of_the_regauges():
    """98 at the fill once the wood has drunk 2 of 100, then a tenth a year."""
    start = 98.0 * 0.9**0.1
    events = cask((0.0, 0.1, 1.1), (1, 0, 0), 1)
    rate, soaked, _ = line(events, [100.0, start, 0.9 * start])
    assert 1.0 - math.exp(-rate) == pytest.approx(0.1)
    assert soaked == pytest.approx(2.0)


def test_a_day_that_is_past_is_not_forecast():
    assert math.isnan(line(cask((0.0, 1.0), (1, 0), 0), [100.0, 90.0], at_years=0.5)[2])


def test_three_regauges_give_the_least_squares_line_of_logarithms():
    years, amounts = (0.0, 0.1, 0.7, 1.4), [100.0, 97.0, 92.5, 90.0]
    rate, _, _ = line(cask(years, (1, 0, 0, 0), 1), amounts)
    assert rate == pytest.approx(-np.polyfit(years[1:], np.log(amounts[1:]), 1)[0], rel=1e-12)


def test_casks_worked_out_together_are_as_each_alone():
    casks = [cask((0.0, 0.5 + n, 1.0 + n, 2.0 + n), (1, 0, -1, 0), 0) for n in range(3)]
    assert alike(casks) == [[0, 1, 2]]
    amounts = np.array([[100.0, 95.0, 20.0, 70.0 - n] for n in range(3)]).T
    together = lines_of(casks, amounts[:, :, None], np.full(3, 9.0))
    for number, one in enumerate(casks):
        alone = line(one, amounts[:, number].tolist(), 9.0)
        assert together.rate[number, 0] == pytest.approx(alone[0], rel=1e-12)
        assert together.forecast[number, 0] == pytest.approx(alone[2], rel=1e-12)


def moves(*steps: tuple[str, float]) -> pl.DataFrame:
    """Moves of one cask a year apart: what happened and the litres, at 60 %vol."""
    rows = [
        {
            "kind": kind,
            "from_lot": "hearts" if kind == "cask fill" else "cask C1",
            "to_lot": "cask C1" if kind == "cask fill" else None,
            "volume_20c_l": litres,
            "abv_20c_pct_vol": 60.0,
        }
        for kind, litres in steps
    ]
    return walk_entries(entries(*rows, apart=dt.timedelta(seconds=YEAR_S)))[0]


def test_an_emptied_cask_is_done_and_one_filled_again_starts_anew():
    life = (("cask fill", 50.0), ("cask gauge", 48.0), ("cask empty", 48.0))
    (done,) = casks_of(moves(*life))
    assert done.is_emptied
    (again,) = casks_of(moves(*life, ("cask fill", 40.0), ("cask gauge", 39.0)))
    assert not again.is_emptied
    assert again.signs == (1, 0)
    assert again.years == pytest.approx((0.0, 1.0))


def test_a_leak_is_three_times_the_size_and_clear_of_the_readings_errors():
    loss, u = np.array([0.20, 0.20, 0.08]), np.array([0.01, 0.06, 0.001])
    assert is_leaking(loss, u, np.array([0.03, 0.03, 0.03])).tolist() == [True, False, False]


def test_two_regauges_five_weeks_apart_are_no_leak_because_a_year_stretches_them():
    """5.7 % less in ln by two dips of 1 % and two readings: 3.2 uncertainties above three times the size."""
    years, ln_u = 38 / 365.25, 0.0165
    loss = -math.expm1(-0.0625 / years)
    found = is_leaking(np.array([loss]), np.array([(1.0 - loss) * ln_u / years]), np.array([0.0317]))
    assert found.tolist() == [False]


def test_means_without_a_spread_between_casks_are_weighted_by_their_uncertainties():
    """Textbook weights: 0.04 +- 0.01 and 0.05 +- 0.02 give (4 x 0.04 + 0.05) / 5, sqrt(1/12500)."""
    found = means_by_level(np.array([0.04, 0.05, 0.09]), np.array([0.01, 0.02, 0.01]), [0, 0, 1], 2)
    assert found.mean == pytest.approx([0.042, 0.09])
    assert (found.high - found.mean)[0] == pytest.approx(1.959964 * math.sqrt(1 / 12500.0), rel=1e-6)
    # chi-square of 0.048 between +- 0.00894 and +- 0.01, on one degree of freedom.
    assert found.p_value == pytest.approx(math.erfc(math.sqrt(0.048**2 / (8e-5 + 1e-4) / 2.0)), rel=1e-9)


def test_casks_that_differ_more_than_their_readings_widen_the_interval():
    u = np.full(4, 1e-6)
    found = means_by_level(np.array([0.02, 0.04, 0.06, 0.08]), u, [0, 0, 1, 1], 2)
    # One spread for all, with two degrees of freedom: t = 4.302653, sd = 0.02 / sqrt 2.
    assert found.mean == pytest.approx([0.03, 0.07])
    assert (found.high - found.mean)[0] == pytest.approx(
        4.302653 * 0.02 / math.sqrt(2) / math.sqrt(2), rel=1e-5
    )


def test_woods_are_compared_with_what_their_sizes_lead_to_and_leaks_left_out():
    described = pl.DataFrame(
        {
            "wood": ["oak", "oak", "oak", "ash", None],
            "capacity_l": [50.0, 50.0, 10.0, 10.0, 10.0],
            "place": [None, None, None, None, None],
        },
        schema={"wood": pl.String, "capacity_l": pl.Float64, "place": pl.String},
    )
    loss = np.array([0.03, 0.03, 0.40, 0.10, math.nan])
    frame = cask_group_frame(
        described,
        loss,
        np.full(5, 0.01),
        np.array([0.03, 0.03, 0.05, 0.05, 0.05]),
        np.array([False, False, True, False, False]),
    )
    woods = {row["group_name"]: row for row in frame.filter(group_kind="wood").to_dicts()}
    assert woods["oak"]["casks"] == 2
    assert woods["oak"]["loss_over_predicted"] == pytest.approx(1.0)
    assert woods["ash"]["loss_over_predicted"] == pytest.approx(2.0)
    assert frame.filter(group_kind="size")["group_name"].to_list() == ["10 L", "50 L"]
    assert frame.filter(group_kind="place").is_empty()


@pytest.mark.parametrize("written", ['"2032-06-01"', "2032-06-01"])
def test_the_day_of_the_forecast_is_read_from_the_settings(tmp_path, written):
    (tmp_path / "season.toml").write_text(f"forecast_on = {written}\n", encoding="utf-8")
    settings = Settings.find(tmp_path)
    assert settings.forecast_on == "2032-06-01"
    rows = pl.DataFrame({"name": ["forecast_on"], "text_value": [settings.forecast_on]})
    assert forecast_moment(rows, dt.datetime(2030, 1, 1)) == dt.datetime(2032, 6, 1)


def test_without_a_day_the_forecast_is_for_a_year_after_the_last_entry():
    rows = pl.DataFrame({"name": ["forecast_on"], "text_value": [""]})
    assert forecast_moment(rows, dt.datetime(2030, 1, 1)) == dt.datetime(2031, 1, 1, 6)
    assert forecast_moment(rows, None) is None


@pytest.mark.parametrize("written", ['"next June"', '"2032-13-01"', '"20320601"'])
def test_a_day_that_is_none_is_refused_with_an_example(tmp_path, written):
    (tmp_path / "season.toml").write_text(f"forecast_on = {written}\n", encoding="utf-8")
    with pytest.raises(SettingsError, match='write a day like "2031-06-01"'):
        Settings.find(tmp_path)
