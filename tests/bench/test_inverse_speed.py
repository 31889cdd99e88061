"""How fast a reading becomes a strength, beside a root finder and the bare formula. Time is never asserted.

Run with `make bench`: ratios by the reading are printed at the end. In the ordinary test run each part runs
once, and what is asserted is that they agree.
"""

from collections.abc import Callable, Iterator

import duckdb
import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture
from scipy.optimize import brentq

from pipeline import science as s
from pipeline.science.density import raw_density
from pipeline.science.strength import GLASS_EXPANSION_PER_K, raw_abv
from pipeline.sql_functions import sql_macros

READINGS = 200_000
ONE_BY_ONE = 200

Measure = Callable[..., object]


@pytest.fixture(scope="module")
def readings() -> tuple[np.ndarray, np.ndarray]:
    """Readings of 1 to 99 % vol at 4 to 36 degC, every one with an answer."""
    rng = np.random.default_rng(22)
    shown, t_c = rng.uniform(1.0, 99.0, 2 * READINGS), rng.uniform(4.0, 36.0, 2 * READINGS)
    has_answer = np.isfinite(s.abv_from_reading(shown, t_c))
    return shown[has_answer][:READINGS], t_c[has_answer][:READINGS]


@pytest.fixture(scope="module")
def rates(request: pytest.FixtureRequest) -> Iterator[dict[str, float]]:
    """Readings a second by method; told side by side when the module is done, if anything was measured."""
    measured: dict[str, float] = {}
    yield measured
    capture = request.config.pluginmanager.getplugin("capturemanager")
    ours = measured.get("abv_from_reading")
    if ours and capture:
        with capture.global_and_fixture_disabled():
            print("\n\nreadings a second (median), and how many times as fast as the inverse:")
            for name, rate in measured.items():
                print(f"  {name:28} {rate:14,.0f}  {rate / ours:10.4f}")


@pytest.fixture
def measure(benchmark: BenchmarkFixture, rates: dict[str, float]) -> Measure:
    """Run under the benchmark and note readings a second; hands the function's answer back."""

    def run(name: str, count: int, function: Callable[[], object]) -> object:
        answer = benchmark(function)
        if benchmark.stats:
            rates[name] = count / benchmark.stats.stats.median
        return answer

    return run


def strength_by_root_finder(shown: float, t_c: float) -> float:
    """The definition, one reading at a time: each inverse by a bracketing root finder on plain floats."""
    p_shown = brentq(lambda p: raw_abv(p) - shown, 0.0, 1.0, xtol=1e-12)
    rho = raw_density(p_shown, 20.0) * (1.0 - GLASS_EXPANSION_PER_K * (t_c - 20.0))
    return raw_abv(brentq(lambda p: raw_density(p, t_c) - rho, 0.0, 1.0, xtol=1e-12))


def test_inverse(measure: Measure, readings: tuple[np.ndarray, np.ndarray]) -> None:
    answer = measure("abv_from_reading", READINGS, lambda: s.abv_from_reading(*readings))
    assert np.isfinite(answer).all()


def test_bare_formula(measure: Measure, readings: tuple[np.ndarray, np.ndarray]) -> None:
    """The least an inverse could cost: the density polynomial evaluated once."""
    shown, t_c = readings
    answer = measure("density_kg_per_m3", READINGS, lambda: s.density_kg_per_m3(shown / 100.0, t_c))
    assert np.isfinite(answer).all()


def test_inverse_of_density(measure: Measure, readings: tuple[np.ndarray, np.ndarray]) -> None:
    shown, t_c = readings
    rho = s.density_kg_per_m3(shown / 100.0, t_c)
    answer = measure("mass_fraction_from_density", READINGS, lambda: s.mass_fraction_from_density(rho, t_c))
    np.testing.assert_allclose(answer, shown / 100.0, atol=2e-10)


def test_root_finder(measure: Measure, readings: tuple[np.ndarray, np.ndarray]) -> None:
    shown, t_c = (column[:ONE_BY_ONE].tolist() for column in readings)
    answer = measure(
        "scipy brentq",
        ONE_BY_ONE,
        lambda: [strength_by_root_finder(*pair) for pair in zip(shown, t_c, strict=True)],
    )
    np.testing.assert_allclose(answer, s.abv_from_reading(np.array(shown), np.array(t_c)), atol=1e-8)


def test_sql_macro(measure: Measure, readings: tuple[np.ndarray, np.ndarray]) -> None:
    shown, t_c = readings
    with duckdb.connect() as con:
        for statement in sql_macros():
            con.execute(statement)
        con.register("reading", {"shown": shown, "t_c": t_c})
        con.execute("create table log as select * from reading")
        answer = measure(
            "SQL abv_from_reading",
            READINGS,
            lambda: con.execute("select sum(abv_from_reading(shown, t_c)) from log").fetchone(),
        )
    assert answer[0] == pytest.approx(s.abv_from_reading(shown, t_c).sum(), rel=1e-9)
