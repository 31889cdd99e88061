"""What a thermometer and a barometer say of a strength, and on whose side the vapour is."""

import duckdb
import numpy as np
import polars as pl
import pytest

from pipeline import science
from pipeline.cuts.boiling import EQUILIBRIUM_U_C, read_thermometers
from pipeline.logs import read_logs
from pipeline.settings import Settings
from pipeline.simulate import simulate_season, write_season
from pipeline.warehouse import make_tables

ROW = {
    **dict.fromkeys(("batch", "run", "season", "run_kind", "still"), "x"),
    "step": "collect",
    "file_id": 1,
    "line": 7,
    **dict.fromkeys(("kettle_c", "vapour_c"), None),
    "barometer_hpa": 950.0,
    "charge_abv_pct_vol": 28.0,
    "charge_abv_pct_vol_u": 0.2,
    "charge_correction_frac_u": 0.01,
    "jar_no": 3,
    "expected_pot_pct_vol": 20.0,
    "spout_abv_20c_pct_vol": None,
    "expected_spout_pct_vol": 72.0,
    "expected_spout_pct_vol_u": 0.2,
    **dict.fromkeys(("suspect_column", "logged_value", "expected_value"), None),
    "strength_u": 0.3,
    "temperature_u": 0.5,
}


def told(**values):
    (found,) = read_thermometers(pl.DataFrame([ROW | values], infer_schema_length=None))
    return found.row(0, named=True)


def test_a_charge_that_boils_where_its_strength_does_agrees():
    """28 % vol boils at 84.85 degC under 950 hPa (computed for this project from the published fit)."""
    row = told(step="charge", jar_no=None, kettle_c=84.85)
    assert row["boiling_abv_pct_vol"] == pytest.approx(28.0, abs=0.1)
    # Half a kelvin is 2 % vol there: the same source.
    assert row["boiling_abv_pct_vol_u"] == pytest.approx(2.0 * np.hypot(0.5, EQUILIBRIUM_U_C) / 0.5, rel=0.2)
    assert (row["compared_with"], row["compared_abv_pct_vol"]) == ("the charge as logged", 28.0)
    assert abs(row["boiling_z"]) < 0.1
    assert not row["is_boiling_off"]


def test_a_charge_that_boils_too_hot_is_weaker_than_logged():
    row = told(step="charge", jar_no=None, kettle_c=88.0)
    assert row["boiling_abv_pct_vol"] < 20.0
    assert row["is_boiling_off"]


def test_without_a_barometer_nothing_is_said():
    row = told(kettle_c=88.0, barometer_hpa=None)
    names = ("boiling_abv_pct_vol", "temperature_difference_c", "boiling_z", "is_boiling_off")
    assert [row[name] for name in names] == [None] * 4


def test_hotter_than_water_boils_is_no_strength_but_a_difference():
    row = told(kettle_c=99.9)
    assert row["boiling_abv_pct_vol"] is None
    assert row["temperature_difference_c"] > 10.0
    assert row["is_boiling_off"]


def test_the_vapour_is_held_against_the_spout_where_it_was_read():
    at = float(science.temperature_from_vapour_abv(70.0, 95.0))
    assert told(vapour_c=at)["compared_with"] == "the run's curve"
    row = told(vapour_c=at, spout_abv_20c_pct_vol=70.0)
    assert row["compared_with"] == "the spout as read"
    assert row["temperature_difference_c"] == pytest.approx(0.0, abs=1e-6)
    assert row["sides_with"] is None


@pytest.mark.parametrize(
    ("vapour_of", "side"), [(72.0, "the curve"), (62.0, "the reading"), (50.0, "neither")]
)
def test_where_a_strength_is_off_its_curve_the_vapour_takes_a_side(vapour_of, side):
    at = float(science.temperature_from_vapour_abv(vapour_of, 95.0))
    mistyped = {"suspect_column": "strength", "logged_value": 63.0, "expected_value": 73.0}
    assert told(vapour_c=at, **mistyped)["sides_with"] == side


def test_thermometers_of_a_simulated_season_agree_with_its_strengths(tmp_path):
    """No instrument of the season lies, so |z| above 3 is rare and the mean difference is small."""
    write_season(simulate_season(2, 3), tmp_path)
    with duckdb.connect(":memory:") as con:
        make_tables(con, read_logs(tmp_path, Settings()), Settings(), wanted=["fit.boiling"])
        found = pl.DataFrame(con.sql("select * from fit.boiling where boiling_z is not null"))
    assert found.height > 40
    assert set(found["thermometer"]) == {"kettle", "vapour"}
    assert found["is_boiling_off"].mean() < 0.03
    assert abs(found["temperature_difference_c"].mean()) < 0.15
    assert 0.6 < found["boiling_z"].std() < 1.3
