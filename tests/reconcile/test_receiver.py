"""A receiver's content between draws: two amounts that nobody measured, and the strength that is drawn."""

import numpy as np
import pytest
from scipy.optimize import brentq

from pipeline.reconcile.calibrate import examine_season, p_of
from pipeline.reconcile.network import LPA, MASS, kg_per_l, kg_per_l_at
from pipeline.reconcile.quantities import MIX, Builder, Place
from pipeline.reconcile.solve import reconcile

# Volume [L] and strength [%vol] of the jars of heads and tails in the receiver; one jar's volume not read.
HEADS, TAILS, UNREAD_PCT_VOL, DRAWN_PCT_VOL = (1.835, 79.9), (1.43, 30.6), 53.4, 57.2


def strength_of_mixture(unread_l: float) -> float:
    """By root finding: the strength whose alcohol per kilogram is that of the three jars together."""
    volume = np.array([HEADS[0], TAILS[0], unread_l])
    abv = np.array([HEADS[1], TAILS[1], UNREAD_PCT_VOL])
    lpa_per_kg = (volume @ abv) / 100.0 / (volume @ kg_per_l(abv)[0])
    return float(brentq(lambda a: a / 100.0 / kg_per_l(np.array([a]))[0][0] - lpa_per_kg, 1.0, 90.0))


def test_the_density_of_one_strength_is_that_of_many():
    strengths = np.concatenate([np.random.default_rng(9).uniform(-5.0, 105.0, 500), [0.0, 0.02, 50.0, 100.0]])
    one_by_one = [kg_per_l_at(strength) for strength in strengths.tolist()]
    assert one_by_one == pytest.approx(kg_per_l(strengths)[0], rel=1e-15)
    assert np.isnan(kg_per_l_at(np.nan))


@pytest.mark.parametrize("guess_l", [0.5, 20.0, 200.0])
def test_an_unread_jar_is_found_from_the_strength_drawn_whatever_was_guessed(guess_l):
    builder, place = Builder(), Place("one", None, "feints")
    flows = [
        (builder.quantity("volume", volume, 0.01), builder.quantity("strength", abv, 0.01), 1.0)
        for volume, abv in (HEADS, TAILS)
    ]
    unread = builder.quantity("volume", guess_l, 5.0 * guess_l, free=True)
    flows.append((unread, builder.quantity("strength", UNREAD_PCT_VOL, 0.01), 1.0))
    drawn = builder.quantity("strength", DRAWN_PCT_VOL, 0.01)
    held = {}
    for kind, guess in ((MASS, guess_l + 3.0), (LPA, 0.5 * guess_l + 2.0)):
        held[kind] = builder.quantity("held", guess, 5.0 * guess, free=True)
        builder.plain_terms.append((builder.sum_of(kind, place, flows), held[kind], -1.0))
    builder.mix_terms.append((builder.balance(MIX, place), drawn, held[MASS], held[LPA]))
    book = builder.finish()
    found = reconcile(book.network, book.y, book.u, book.is_free)
    expected_l = brentq(lambda litres: strength_of_mixture(litres) - DRAWN_PCT_VOL, 0.01, 50.0)
    assert found.x[unread] == pytest.approx(expected_l, rel=0.01)
    assert found.x[drawn] == pytest.approx(DRAWN_PCT_VOL, abs=1e-3)


def test_a_jar_nobody_measured_raises_no_alarm_in_a_receiver_that_holds_little():
    """Its tails are a third of all that the receiver holds when the next run draws on it."""
    outcome = examine_season(50_024).outcome
    assert p_of(outcome.first.total_chi2, outcome.first.total_df) > 0.05
    assert not outcome.suspicions
