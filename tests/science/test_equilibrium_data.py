"""The vapour-liquid model against every published isobaric point it was fitted to."""

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline import science as s

POINTS = pl.read_csv(Path(__file__).parents[1] / "data" / "check_values" / "vle_ethanol_water.csv")


def residuals(points: pl.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Model minus measured: boiling point [K] and mole fraction of the vapour."""
    x, kpa = points["x"].to_numpy(), points["kpa"].to_numpy()
    t_c = s.boiling_temperature_c(s.abv_from_mole_fraction(x), kpa)
    return t_c - points["t_c"].to_numpy(), s.vapour_mole_fraction(x, 0.0, kpa) - points["y"].to_numpy()


@pytest.mark.parametrize(
    ("source", "rows", "rms_c", "rms_y"), [("Carey", 15, 0.21, 0.006), ("Hala", 34, 0.23, 0.010)]
)
def test_root_mean_square_difference(source: str, rows: int, rms_c: float, rms_y: float) -> None:
    """0.20 K and 0.005 in y (Carey & Lewis), 0.22 K and 0.009 (Hala et al., two suspect rows among them)."""
    points = POINTS.filter(pl.col("source").str.starts_with(source))
    assert points.height == rows
    of_t, of_y = residuals(points)
    assert np.sqrt(np.mean(of_t**2)) < rms_c
    assert np.sqrt(np.mean(of_y**2)) < rms_y


def test_no_point_of_a_pot_still_is_far_off() -> None:
    """Where pot stills work, to 88 % vol in the pot; worst y at x 0.0137, against its neighbours."""
    strengths = s.abv_from_mole_fraction(POINTS["x"].to_numpy())
    of_t, of_y = residuals(POINTS.filter((pl.col("is_suspect") == "no") & pl.lit(strengths < 88.0)))
    assert np.abs(of_t).max() < 0.8
    assert np.abs(of_y).max() < 0.026


def test_pressure_moves_the_boiling_point_and_hardly_the_vapour() -> None:
    """0.026 K a hectopascal; the vapour of 28 % vol goes from 0.4429 to 0.4435 at 950 hPa."""
    assert s.boiling_temperature_c(28.0) - s.boiling_temperature_c(28.0, 95.0) == pytest.approx(
        1.67, abs=0.05
    )
    x = s.mole_fraction_from_abv(28.0)
    assert s.vapour_mole_fraction(x) == pytest.approx(0.4429, abs=1e-4)
    assert s.vapour_mole_fraction(x, 0.0, 95.0) == pytest.approx(0.4435, abs=1e-4)
