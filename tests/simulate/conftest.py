"""Seasons shared by the tests of the simulator: simulated once, never changed."""

import pytest

from pipeline.simulate import PERFECT, Season, simulate_season


@pytest.fixture(scope="session")
def season() -> Season:
    """Two dozen batches with ordinary instruments."""
    return simulate_season(24, 41)


@pytest.fixture(scope="session")
def exact_season() -> Season:
    """The same season, read by instruments without error."""
    return simulate_season(24, 41, instruments=PERFECT)
