"""Numbers as written, and the slips that turn one into another."""

import numpy as np
import pytest

from pipeline.reconcile.keystroke import (
    GALLONS,
    POUNDS,
    SLIPPED,
    SWAPPED,
    WRONG_DIGIT,
    find_slip,
)
from pipeline.reconcile.prior import leavings
from pipeline.reconcile.written import Written, read_written, rounding_steps
from pipeline.science import lpa_frac_at_spout, strip_run


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("19,05", Written("19.05", 19.05, 2, "")),
        (" 790 mL", Written("790", 790.0, 0, "mL")),
        ("80.7%", Written("80.7", 80.7, 1, "%")),
        ("-0,6", Written("-0.6", -0.6, 1, "")),
        (".5", Written(".5", 0.5, 1, "")),
        ("", None),
        (None, None),
        ("about two", None),
    ],
)
def test_the_number_in_a_cell(text, expected):
    assert read_written(text) == expected


def test_the_step_of_a_scale_shows_in_its_last_digits():
    whole = [
        read_written(text) for text in ("33.0", "32.5", "51.5", "53.0", "20.15", "0.36", "19.05", "1.31")
    ]
    # Halves of a litre, as all four end in 0 or 5; hundredths where one does not.
    np.testing.assert_allclose(rounding_steps([1] * 8, whole), [0.5] * 4 + [0.01] * 4)
    # Three numbers may end so by chance; another file has another hand.
    np.testing.assert_allclose(rounding_steps([1, 1, 1, 2, 2, 2, 2, 2], whole)[:3], 0.1)


@pytest.mark.parametrize(
    ("written", "estimate", "u", "kind", "expected"),
    [
        ("12.5", 21.6, 0.5, "volume", SWAPPED),
        ("19.05", 10.9, 0.13, "volume", SWAPPED),
        ("3.30", 33.4, 0.4, "volume", SLIPPED),
        ("785", 78.1, 0.9, "volume", SLIPPED),
        ("69.0", 59.2, 0.3, "strength", WRONG_DIGIT),
        ("5.31", 20.2, 0.25, "volume", GALLONS),
        ("57.3", 26.1, 0.2, "mass", POUNDS),
    ],
)
def test_a_slip_is_told_by_what_it_turns_into(written, estimate, u, kind, expected):
    number = read_written(written)
    slip = find_slip(number, estimate, u, is_volume=kind == "volume", is_mass=kind == "mass")
    assert slip.what == expected
    assert slip.meant == pytest.approx(estimate, abs=2.5 * u)


def test_what_no_slip_explains_is_left_unexplained():
    assert find_slip(read_written("12.5"), 17.93, 0.05, is_volume=True) is None


def test_what_is_left_in_the_pot_closes_a_stripping_run():
    """The pot's strength by its own prior and by the run curve (another way through the equilibrium)."""
    for stages, stop in ((0.05, 4.0), (0.05, 8.0)):
        left = leavings(np.array([True]), np.array([stop]), 0.3)
        run = strip_run(8.4, stages, stop)
        assert left.abv_pct_vol[0] == pytest.approx(run.pot_abv_pct_vol, abs=0.02)
        assert lpa_frac_at_spout(8.4, stages, stop) == pytest.approx(run.recovery_frac)
        # The range of stages is part of its uncertainty.
        other = strip_run(8.4, 0.1, stop)
        assert left.u_pct_vol[0] > 0.5 * abs(run.pot_abv_pct_vol - other.pot_abv_pct_vol)


def test_an_unread_stop_leaves_a_wider_guess():
    left = leavings(np.array([True, True, False, False]), np.array([5.0, np.nan, 9.0, np.nan]), 0.3)
    assert left.u_pct_vol[1] > 2.0 * left.u_pct_vol[0]
    assert left.u_pct_vol[3] > 1.5 * left.u_pct_vol[2]
