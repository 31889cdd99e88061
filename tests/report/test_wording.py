"""What the yield section may say: plain means, and no claim of difference but the fits' own sentences."""

from __future__ import annotations

import pytest

from pipeline.report.wording import MOST_EFFECTS, Group, interval_text, yield_sentences

GATE = "Yeast made a difference to yield (16 batches, p 0.004)."
EFFECT = "A against the average yeast: yield +0.012 LPA per kg (95 %: +0.004 to +0.020; 8 batches)."
APART = [Group("A", 8, 0.36, 0.35, 0.37), Group("B", 8, 0.33, 0.32, 0.34)]


def said(groups: list[Group], gate: str | None = None, named: tuple[str, ...] = ()) -> str:
    return " ".join(yield_sentences(groups, "yeast", "yeasts", gate, named))


def test_means_however_far_apart_claim_nothing_of_themselves():
    text = said(APART)
    assert "Too few batches to ask" in text
    for word in ("more than", "higher", "told apart", "best", "because", "due to"):
        assert word not in text


def test_a_claim_is_the_fits_own_sentence_and_stands_first():
    sentences = yield_sentences(APART, "yeast", "yeasts", GATE, [EFFECT])
    assert sentences[:2] == [GATE, EFFECT]
    assert "plain ones" in sentences[2]


def test_a_gate_that_stays_shut_is_said_as_it_is():
    shut = "These 16 batches do not show that yeast made a difference to yield (p 0.40)."
    assert yield_sentences(APART, "yeast", "yeasts", shut, [])[0] == shut


def test_a_crowd_of_effects_is_not_listed_twice():
    text = said(APART, GATE, (EFFECT,) * (MOST_EFFECTS + 2))
    assert text.count(EFFECT) == MOST_EFFECTS
    assert "2 more effects: see 'What made the difference'." in text


@pytest.mark.parametrize("few", [1, 2])
def test_too_few_batches_are_named(few):
    assert f"Fewer than 3 measured batches: B ({few})." in said([APART[0], Group("B", few, 0.2, None, None)])


def test_one_group_has_nothing_to_be_compared_with():
    text = said([APART[0]], GATE)
    assert "nothing to compare it with" in text
    assert "A: 0.360 LPA per kg (95 % interval 0.350 to 0.370, 8 batches)." in text


def test_nothing_measured_says_so():
    assert "No batch has a measured yield" in said([Group("A", 0, None, None, None)])


def test_a_mean_without_an_interval_says_why():
    assert interval_text(Group("A", 1, 0.36, None, None)) == (
        "0.360 LPA per kg (1 batch, too few for an interval)"
    )
    assert interval_text(Group("A", 2, 0.36, None, None)) == (
        "0.360 LPA per kg (2 batches, too few for an interval)"
    )
    assert interval_text(Group("A", 0, None, None, None)) == "not measured"
