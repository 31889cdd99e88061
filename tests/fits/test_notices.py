"""What is said before the fits: how many choices can be told apart, what is not asked, who kept to whom."""

import numpy as np
import pytest

from pipeline.fits import wording
from pipeline.fits.aliases import choices_apart, find_associations, find_ties
from pipeline.fits.design import HARDLY_LOGGED, NEVER_VARIED, TOO_MANY, Family, Problem
from pipeline.fits.responses import response_of


def make_problem(shares, yeasts):
    """A problem from the share of rye and the yeast of each batch; its figures do not matter."""
    rye = np.array(shares, dtype=float)
    levels = tuple(sorted(set(yeasts)))
    own = np.array([[float(yeast == level) for level in levels] for yeast in yeasts])
    families = (
        Family("grain", ("malt", "rye"), np.column_stack([1.0 - rye, rye]), np.ones(2)),
        Family("yeast", levels, own, np.ones(len(levels))),
    )
    y, names = np.arange(len(rye), dtype=float), tuple(f"B{k}" for k in range(len(rye)))
    return Problem(
        response_of("yield_lpa_per_kg"), "batch", names, names, y, np.full(len(y), np.nan), families
    )


CROSSED = make_problem([0.0, 0.2, 0.3] * 4, list("pqr") + list("qrp") + list("rpq") + list("ppq"))
TIED = make_problem([0.0, 0.2, 0.0, 0.3] * 3, ["p", "q", "r", "q"] * 3)
KEPT = make_problem([0.0, 0.2, 0.0, 0.3, 0.25, 0.0] * 4, ["p", "q", "r", "s", "q", "p"] * 4)


@pytest.mark.parametrize(("problem", "apart"), [(CROSSED, (3, 3)), (TIED, (3, 2)), (KEPT, (4, 4))])
def test_choices_that_can_be_told_apart_are_counted(problem, apart):
    """Malt or rye is one choice, three yeasts are two; rye tied to a yeast makes one of two."""
    assert choices_apart(problem) == apart


def test_a_grain_that_kept_to_two_of_four_yeasts_is_named():
    [found] = find_associations(KEPT, find_ties(KEPT))
    assert (found.grain, found.yeasts, found.units, found.together) == ("rye", ("q", "s"), 12, 12)
    assert wording.association_sentence(found, "batch") == (
        "Rye kept to q and s (12 of 12 batches; Cramér's V 0.95): "
        "part of what is said of the one may be the other's."
    )


def test_a_grain_used_with_every_yeast_or_named_as_tied_is_not_said_to_keep_to_some():
    assert find_associations(CROSSED, []) == []
    assert find_associations(TIED, find_ties(TIED)) == []


def test_factors_that_are_not_asked_are_named_with_the_reason():
    words = wording.unasked_words(
        "batch",
        12,
        [("rest_days", TOO_MANY), ("pitch_g_per_kg", HARDLY_LOGGED), ("mash_temperature_c", NEVER_VARIED)],
    )
    assert wording.unasked_sentence(
        words, [response_of("yield_lpa_per_kg"), response_of("cost_per_lpa")]
    ) == (
        "Not asked about: rest (12 batches carry one factor for each 8); pitch (logged too seldom); "
        "mash temperature (never varied). So with yield and cost."
    )
    assert wording.unasked_words("batch", 12, []) == ""


def test_how_much_of_the_design_can_be_told_apart_is_said():
    assert wording.apart_sentence("batch", 12, 3, 3) == (
        "12 batches can tell all 3 choices of grain, yeast, process and wood apart."
    )
    assert wording.apart_sentence("cask", 9, 5, 4).startswith("9 casks can tell 4 of 5 choices")


def test_a_pool_and_those_left_out_are_named():
    assert wording.pooled_sentence("other malt", [("oat malt", 2), ("rye malt", 1)]) == (
        "Oat malt (2 batches) and rye malt (1 batch) are too rare to be judged alone: "
        "they count together as 'other malt'."
    )
    many = wording.left_out_sentence("cask", [f"C{k}" for k in range(12)])
    assert many.startswith("Casks C0, C1, C2, C3, C4, C5, C6, C7 and others are left out of all fits: ")
