"""What a thermometer and a barometer say of a strength, and on whose side the vapour is."""

import duckdb
import numpy as np
import polars as pl
import pytest

from pipeline import science
from pipeline.cuts.boiling import EQUILIBRIUM_U_C, OFF_Z, read_thermometers
from pipeline.kept_parts import KeptParts
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


TEXTS = ("batch", "run", "season", "run_kind", "still", "step", "suspect_column")
TYPES = dict.fromkeys(ROW, pl.Float64) | dict.fromkeys(TEXTS, pl.String)
TYPES |= {"file_id": pl.Int32, "line": pl.Int32, "jar_no": pl.Int64}


def all_told(rows):
    frame = pl.DataFrame(rows, schema=TYPES, orient="row")
    batches = frame["batch"].unique(maintain_order=True)
    pieces = [number // 16 for number in range(batches.len())]
    parts = pl.DataFrame(
        {"batch": batches, "lot": pl.Series([None] * len(pieces), dtype=pl.String), "piece": pieces}
    )
    (found,) = read_thermometers(frame, parts, KeptParts())
    return found.to_dicts()


def told(**values):
    (found,) = all_told([ROW | values])
    return found


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


def plainly_told(row, name):
    """One reading by the definition: told, expected, z and side, each from numbers one by one."""
    if name == "kettle" and row["step"] == "charge":
        beside = (row["charge_abv_pct_vol"], row["charge_abv_pct_vol_u"] or row["strength_u"])
    elif name == "kettle":
        pot, relative = row["expected_pot_pct_vol"], row["charge_correction_frac_u"]
        beside = (pot, None if None in (pot, relative) else pot * relative)
    elif row["spout_abv_20c_pct_vol"] is not None:
        beside = (row["spout_abv_20c_pct_vol"], row["strength_u"])
    else:
        beside = (row["expected_spout_pct_vol"], row["expected_spout_pct_vol_u"])
    abv, u = (np.nan, np.nan) if None in beside else beside
    to_strength, to_temperature = {
        "kettle": (science.abv_from_boiling_temperature, science.boiling_temperature_c),
        "vapour": (science.vapour_abv_from_temperature, science.temperature_from_vapour_abv),
    }[name]
    pressure = np.nan if row["barometer_hpa"] is None else row["barometer_hpa"] / 10.0

    def slope(strength):
        weaker = max(strength - 0.5, 0.0)
        return (to_temperature(strength, pressure) - to_temperature(weaker, pressure)) / (strength - weaker)

    read, read_u = row[f"{name}_c"], np.hypot(row["temperature_u"], EQUILIBRIUM_U_C)
    strength = float(to_strength(read, pressure))
    strength_u = read_u / abs(slope(strength))
    z = (read - to_temperature(abv, pressure)) / np.hypot(read_u, slope(abv) * u)
    side = None
    if name == "vapour" and row["suspect_column"] is not None and not np.isnan(strength):
        curve = row["expected_spout_pct_vol"]
        sides = {"the curve": curve, "the reading": curve + row["logged_value"] - row["expected_value"]}
        near = [side for side, abv in sides.items() if abs(strength - abv) <= 2.0 * strength_u]
        side = near[0] if len(near) == 1 else "neither"
    numbers = [None if np.isnan(each) else float(each) for each in (strength, strength_u, z)]
    return [*numbers, None if np.isnan(z) else bool(abs(z) > OFF_Z), side]


def some_rows():
    """Rows of many batches with everything there is to tell apart, and gaps."""
    chance = np.random.default_rng(3)
    rows = []
    for number in range(120):
        row = ROW | {"batch": f"B{number}", "line": number, "file_id": 1 + number}
        row |= {"step": "charge" if number % 3 == 0 else "collect"}
        row |= {"kettle_c": chance.uniform(80.0, 99.0), "vapour_c": chance.uniform(78.5, 95.0)}
        row |= {"spout_abv_20c_pct_vol": chance.uniform(40.0, 80.0) if number % 2 else None}
        if number % 5 == 0:
            row |= {"suspect_column": "spout", "logged_value": chance.uniform(40, 80), "expected_value": 73.0}
        for name in ("kettle_c", "vapour_c", "barometer_hpa", "charge_abv_pct_vol", "expected_pot_pct_vol"):
            row |= {name: None if chance.random() < 0.1 else row[name]}
        rows.append(row | {"charge_abv_pct_vol_u": (0.2, 0.0, None)[number % 7 % 3]})
    return rows


def test_readings_told_together_and_part_by_part_are_those_told_one_by_one():
    rows = some_rows()
    found = all_told(rows)
    expected = [
        (row["line"], name, *plainly_told(row, name))
        for row in sorted(rows, key=lambda row: (row["batch"], row["run"], row["file_id"], row["line"]))
        for name in ("kettle", "vapour")
        if row[f"{name}_c"] is not None
    ]
    columns = ("boiling_abv_pct_vol", "boiling_abv_pct_vol_u", "boiling_z", "is_boiling_off", "sides_with")
    assert [(row["line"], row["thermometer"]) for row in found] == [row[:2] for row in expected]
    for row, (*_, strength, strength_u, z, is_off, side) in zip(found, expected, strict=True):
        numbers = [row[name] for name in columns[:3]]
        assert numbers == [
            None if each is None else pytest.approx(each, rel=1e-8) for each in (strength, strength_u, z)
        ]
        assert (row["is_boiling_off"], row["sides_with"]) == (is_off, side)
    assert {row["sides_with"] for row in found} == {None, "the curve", "the reading", "neither"}
    assert [row["file_id"] for row in found] == [1 + row["line"] for row in found]


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
