"""Strength told by a thermometer, against the published boiling points, and back and forth."""

import csv
from pathlib import Path

import numpy as np
import pytest

from pipeline import science

POINTS = Path(__file__).parents[1] / "data" / "check_values" / "vle_ethanol_water.csv"


def _published():
    """The published isobaric points (x, y, t) of the file of check values, up to the range's end."""
    with POINTS.open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["is_suspect"] == "no" and float(row["x"]) < 0.7]
    assert len(rows) > 30
    return (np.array([float(row[name]) for row in rows]) for name in ("x", "y", "t_c"))


def test_the_vapour_above_a_published_boiling_point_has_the_published_composition():
    """Root mean square 0.0136 in y read from temperature alone: the fit's own 0.2 K, and 0.007 in y."""
    _, y, t_c = _published()
    found = science.mole_fraction_from_abv(science.vapour_abv_from_temperature(t_c))
    assert np.sqrt(np.mean((found - y) ** 2)) < 0.015


def test_the_liquid_of_a_published_boiling_point_is_found_within_the_fits_error():
    x, _, t_c = _published()
    abv = np.asarray(science.abv_from_mole_fraction(x))
    # In kelvin, since that is how well the thermometer's witness can be known.
    found = np.asarray(science.boiling_temperature_c(science.abv_from_boiling_temperature(t_c)))
    assert found == pytest.approx(t_c, abs=1e-6)
    off_k = np.asarray(science.boiling_temperature_c(abv)) - t_c
    assert np.sqrt(np.mean(off_k**2)) < 0.25


def test_a_lower_barometer_lowers_the_boiling_point_not_the_strength():
    """28 % vol boils at 84.85 degC under 95 kPa (computed for this project from the same fit)."""
    assert science.boiling_temperature_c(28.0, 95.0) == pytest.approx(84.85, abs=0.01)
    assert science.abv_from_boiling_temperature(84.85, 95.0) == pytest.approx(28.0, abs=0.05)
    # The cautions of the docstrings: 20 hPa not allowed for.
    assert science.abv_from_boiling_temperature(86.52, 103.325) - 28.0 == pytest.approx(2.0, abs=0.6)
    off = science.vapour_abv_from_temperature(88.2, 103.325) - science.vapour_abv_from_temperature(88.2)
    assert off == pytest.approx(1.3, abs=0.3)


def test_vapour_and_temperature_go_back_and_forth():
    strength = np.array([0.5, 10.0, 40.0, 60.0, 70.0, 80.0, 88.0, 93.0])
    for pressure in (90.0, 101.325):
        there = science.temperature_from_vapour_abv(strength, pressure)
        assert science.vapour_abv_from_temperature(there, pressure) == pytest.approx(strength, abs=1e-6)
        assert np.all(np.diff(there) < 0.0)


def test_where_no_mixture_boils_there_is_no_strength():
    assert np.isnan(science.abv_from_boiling_temperature(np.array([78.0, 100.2]))).all()
    assert np.isnan(science.temperature_from_vapour_abv(96.0))
    # Hotter than water boils under that barometer, though not under the standard one.
    assert np.isnan(science.vapour_abv_from_temperature(99.0, 97.0))
