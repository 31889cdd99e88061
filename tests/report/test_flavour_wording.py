"""What may be said of flavour: each sentence holds to what its row carries."""

from __future__ import annotations

import pytest
from scipy import stats

from pipeline.panel.discrimination import judge_difference, similarity_trials, trials_needed
from pipeline.report.flavour_wording import (
    agreement_sentence,
    attribute_sentence,
    comparison_sentences,
    pair_text,
    scale_sentence,
    scores_answer,
    share_sentence,
    shares_headline,
    strength_sentence,
    tasting_line,
    trial_sentence,
    unknown_sentence,
    word_sentences,
)


def trial_row(
    correct: int,
    trials: int,
    test: str = "triangle",
    assessors: int | None = None,
    people: tuple[tuple[int, int], ...] = (),
) -> dict:
    found = judge_difference(correct, trials, test, people)
    return {
        "sample_a": "a",
        "sample_b": "b",
        "test": test,
        "trials": trials,
        "correct": correct,
        "assessors": assessors or trials,
        "p_value": found.p_value,
        "p_held": found.p_value,
        "needed_correct": found.needed,
        "d_prime": found.d_prime,
        "d_prime_low": found.d_prime_low,
        "d_prime_high": found.d_prime_high,
        "told_by_most_frac": found.pd_most,
        "more_trials": found.more_trials,
        "fresh_trials": found.fresh_trials,
        "similar_trials": similarity_trials(test),
        "is_told_apart": found.is_shown,
        "is_similar": found.is_similar,
        "most_by_one": max((tried for _, tried in people), default=1),
        "answers_tie": found.repeats.gamma if found.repeats else None,
        "p_answers_tie": found.repeats.p_value if found.repeats else None,
    }


def pair_row(a: str, b: str, value: float, apart: bool) -> dict:
    return {
        "attribute": "fruit",
        "tasted_a": a,
        "tasted_b": b,
        "label_a": a,
        "label_b": b,
        "score_difference": value,
        "score_difference_low": value - 1.0,
        "score_difference_high": value + 1.0,
        "is_told_apart": apart,
    }


def part_row(name: str, share: float, low: float, high: float, *, own: bool = True, tie: str = "") -> dict:
    return {
        "flavour_part": name,
        "share_frac": share,
        "share_low_frac": low,
        "share_high_frac": high,
        "part_levels": 3,
        "is_told_apart": own,
        "goes_with": tie or None,
    }


def test_difference_tests_follow_the_published_critical_number():
    """Triangle test, 18 tastings, 5 %: 10 right are needed (FAO manual v7180e, appendix A)."""
    text = {right: trial_sentence(trial_row(right, 18)) for right in (9, 10)}
    assert "were told apart" in text[10]
    assert "not shown to differ" in text[9]
    assert "does not show they are alike" in text[9]
    assert f"p {stats.binom.sf(9, 18, 1 / 3):.3f}" in text[10]


def test_a_test_that_does_not_hold_among_all_is_not_said_to_tell_apart():
    text = trial_sentence(trial_row(10, 18) | {"p_held": 0.09})
    assert text.startswith("a and b may differ")
    assert f"about {trials_needed(10 / 18, 'triangle')} trials, would settle it" in text
    assert "were told apart" not in text


def test_too_few_tastings_conclude_nothing_even_when_all_were_right():
    text = trial_sentence(trial_row(2, 2))
    assert "too few tastings" in text
    assert "told apart" not in text


def test_alike_is_said_only_when_few_could_tell():
    alike, open_still = trial_sentence(trial_row(20, 72)), trial_sentence(trial_row(9, 24))
    assert "alike enough" in alike
    assert "alike enough" not in open_still
    assert "up to 34 % may be able" in open_still


def test_what_more_trials_would_take_is_said_where_something_was_found():
    assert "more trials" in trial_sentence(trial_row(7, 12))
    assert "To call them alike would take about" in trial_sentence(trial_row(4, 12))


def test_answers_of_two_people_are_said_of_them_alone():
    text = trial_sentence(trial_row(8, 12, assessors=2, people=((6, 6), (2, 6))))
    assert "2 people gave these answers: it is said of them alone" in text
    assert "people" not in trial_sentence(trial_row(8, 12))


def test_repeated_answers_of_several_people_widen_the_limits_and_say_so():
    alike = trial_row(12, 24, assessors=6, people=((2, 4),) * 6)
    apart = trial_row(12, 24, assessors=6, people=((4, 4),) * 3 + ((0, 4),) * 3)
    assert "up to 4 each" in trial_sentence(alike)
    assert "They do differ" not in trial_sentence(alike)
    assert "They do differ (p below 0.001)" in trial_sentence(apart)
    assert apart["told_by_most_frac"] > alike["told_by_most_frac"]


def test_all_right_has_no_size_but_a_lower_limit():
    row = trial_row(12, 12) | {"d_prime": None, "d_prime_high": None}
    assert "beyond measure" in trial_sentence(row)


def test_a_pair_is_told_with_the_higher_first():
    assert pair_text(pair_row("x", "y", -2.0, True)) == "y scored 2.0 above x (95 %: 1.0 to 3.0)"


def panel_row(**over: object) -> dict:
    return {
        "attribute": "fruit",
        "tasting": "march",
        "samples": 3,
        "assessors": 6,
        "no_fit_reason": None,
        "usual_half_width": 1.25,
        "icc_single": 0.2,
        "icc_panel": 0.6,
    } | over


def test_samples_that_cannot_be_told_apart_are_not_called_the_same():
    text = attribute_sentence(panel_row(), [pair_row("x", "y", 0.4, False)])
    assert "could not tell these 3 samples apart" in text
    assert "does not make them the same" in text
    assert "above" not in text


def test_only_pairs_told_apart_are_named():
    text = attribute_sentence(panel_row(), [pair_row("x", "y", 2.4, True), pair_row("x", "z", 1.9, False)])
    assert "1 of 2 pairs told apart" in text
    assert " z" not in text


def test_scores_that_could_not_be_adjusted_say_why():
    assert "not adjusted, because fewer than 3 assessors" in attribute_sentence(
        panel_row(no_fit_reason="fewer than 3 assessors"), []
    )


def test_a_comparison_that_was_not_made_is_not_judged():
    assert comparison_sentences("same spirit, two casks", []) == [
        "Same spirit, two casks: no such pair was tasted side by side."
    ]
    (text,) = comparison_sentences("same spirit, two casks", [pair_row("x", "y", 0.1, False)])
    assert "none was told apart" in text


@pytest.mark.parametrize(("low", "said"), [(0.12, True), (0.01, False)])
def test_a_part_matters_only_when_its_interval_says_so(low, said):
    text = share_sentence("fruit", [part_row("yeast", 0.2, low, 0.4), part_row("error", 0.8, 0.6, 0.9)])
    assert ("the yeast" in text) is said
    assert "80 % of the variance" in text


def test_parts_that_went_together_are_never_credited():
    tied = part_row("cask", 0.5, 0.3, 0.7, own=False, tie="yeast")
    text = share_sentence("wood", [tied, part_row("error", 0.5, 0.3, 0.7)])
    assert "no part of it clearly goes with spirit or cask" in text
    assert "Cannot be told apart in this season: cask (it went with the yeast)" in text


def test_spirit_or_cask_in_one_sentence_credits_clear_parts_only():
    shares = [
        {"attribute": name} | row
        for name, row in [
            ("overall", part_row("yeast", 0.1, 0.0, 0.3)),
            ("cream", part_row("grain bill", 0.2, 0.1, 0.3)),
            ("spice", part_row("grain bill", 0.2, 0.1, 0.3)),
            ("spice", part_row("assessor", 0.4, 0.3, 0.6)),
            ("wood", part_row("cask", 0.5, 0.3, 0.7)),
        ]
    ]
    said = shares_headline(shares)
    assert said == (
        "Samples differed in cream and spice with the grain bill; in wood with the cask. "
        "For overall no part stands out."
    )
    assert shares_headline(shares[:1]).startswith("In no attribute")
    assert shares_headline([]) == ""


def test_a_tasting_in_one_line_counts_pairs_told_apart():
    panels = [panel_row(), panel_row(attribute="wood")]
    none = tasting_line("march", panels, [pair_row("x", "y", 0.3, False)])
    assert none.startswith("March: ")
    assert none.endswith("none told apart")
    some = tasting_line("march", panels, [pair_row("x", "y", 2.3, True), pair_row("x", "z", 2.0, True)])
    assert some.endswith("told apart in fruit (2 pairs)")
    alone = tasting_line("march", [panel_row(no_fit_reason="fewer than 3 assessors")], [])
    assert alone == "March: 3 samples, plain means only"


def test_agreement_names_nobody():
    text = agreement_sentence([panel_row(), panel_row(attribute="wood", icc_panel=-0.3)])
    assert "0.00 (wood, march) to 0.60 (fruit, march)" in text
    assert "cannot be given" in agreement_sentence([panel_row(icc_single=None)])
    assert " was 0." in agreement_sentence([panel_row()])
    assert "nobody to agree with" in agreement_sentence([panel_row(assessors=1)])


def word_row(word: str, label: str, said: int, held: float | None) -> dict:
    return {
        "tasting": "march",
        "word": word,
        "label": label,
        "said": said,
        "assessors": 6,
        "p_word": held,
        "p_held": held,
    }


def test_words_are_claimed_only_where_tested_and_held():
    assert "often enough" in word_sentences([word_row("plum", "x", 2, None)])[0]
    assert "none of them" in word_sentences([word_row("plum", "x", 5, 0.4)])[0]
    (text,) = word_sentences([word_row("plum", "x", 5, 0.02), word_row("plum", "y", 0, 0.02)])
    assert "x (5 of 6)" in text
    assert "y" not in text.split(":")[1]


def test_scores_of_two_people_are_not_called_a_panel_s():
    assert "too few to speak" in scores_answer(8, 2, 4, 1, 1)
    assert "compared only with those" in scores_answer(80, 6, 4, 2, 2)
    assert "on 4 samples in 2 sessions" in scores_answer(80, 6, 4, 2, 1)
    assert scores_answer(80, 6, 4, 2, 1).endswith("sessions that shared a sample are taken together.")
    assert scores_answer(80, 6, 4, 1, 2).endswith("people who shared no sample are taken apart.")
    assert scores_answer(0, 0, 0, 0, 0) == "No scores were logged this season."


def test_glasses_of_different_strengths_are_named():
    rows = [
        {"session": "march", "weakest_pct_vol": 20.0, "strongest_pct_vol": 45.0},
        {"session": "april", "weakest_pct_vol": 22.0, "strongest_pct_vol": 23.0},
    ]
    assert strength_sentence(rows[1:]) == ""
    said = strength_sentence(rows)
    assert "in march (20.0 to 45.0 %vol): what strength does" in said
    assert "april" not in said


def test_samples_that_nobody_named_are_counted():
    assert unknown_sentence(5, 0) == ""
    assert unknown_sentence(5, 5).startswith("What the samples were is not logged")
    assert unknown_sentence(5, 2).startswith("What 2 of the 5 samples were is not logged")


def test_what_a_point_is_depends_on_whether_the_use_of_the_scale_is_known():
    rows = [
        {"attribute": name, "is_scaled": scaled, "no_fit_reason": reason}
        for name, scaled, reason in (
            ("overall", True, None),
            ("wood", False, None),
            ("fruit", False, "one sample only"),
        )
    ]
    assert scale_sentence(rows[:1]).endswith("one of the typical assessor.")
    assert "allowed for in overall, not in wood" in scale_sentence(rows)
    assert "panel's average use" in scale_sentence(rows[1:])
    assert scale_sentence(rows[2:]) == ""
