"""What may be said: whole sentences for each verdict, and words that are never used."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from pipeline.fits import wording
from pipeline.fits.effects import Effect, Question
from pipeline.fits.explained import REST, Share
from pipeline.fits.next_batches import PROMISES, TEACHES, Pick
from pipeline.fits.quality import Prediction, Quality
from pipeline.fits.ranking import Rank
from pipeline.fits.responses import response_of

YIELD, FRACTION, SCORE = (
    response_of(name) for name in ("yield_lpa_per_kg", "mash_efficiency_frac", "score: overall")
)


def effect(verdict, estimate=-0.004, low=-0.007, high=-0.001):
    question = Question(
        "grain", "rye", "the rest", "more", "10 points more rye, the rest scaled down", 6, False, np.zeros(1)
    )
    return Effect(question, estimate, low, high, 0.002, 0.01, verdict)


@pytest.mark.parametrize(
    ("verdict", "sentence"),
    [
        (
            "supported",
            "10 points more rye, the rest scaled down: yield −0.004 LPA per kg "
            "(95 %: −0.007 to −0.001; 6 batches).",
        ),
        (
            "leaning",
            "10 points more rye, the rest scaled down: yield perhaps lower, not shown yet "
            "(95 %: −0.007 to −0.001 LPA per kg; 6 batches).",
        ),
        (
            "about the same",
            "10 points more rye, the rest scaled down: yield about the same "
            "(95 %: −0.007 to −0.001 LPA per kg; 6 batches).",
        ),
        (
            "cannot tell",
            "10 points more rye, the rest scaled down: yield, cannot tell yet "
            "(95 %: −0.007 to −0.001 LPA per kg; 6 batches).",
        ),
        ("too few", "10 points more rye, the rest scaled down: too few to say (6 batches)."),
        (
            "never apart",
            "10 points more rye, the rest scaled down: never tried apart from something else, "
            "so nothing can be said of it alone (6 batches).",
        ),
    ],
)
def test_effects(verdict, sentence):
    assert wording.effect_sentence(YIELD, "batch", effect(verdict)) == sentence


def test_only_a_supported_effect_gives_its_size():
    for verdict in ("leaning", "about the same", "cannot tell", "too few", "never apart"):
        assert "−0.004" not in wording.effect_sentence(YIELD, "batch", effect(verdict))


def test_gates():
    said = wording.gate_sentence(YIELD, "batch", "grain", 24, 0.0105, True)
    assert said == "Grain bill made a difference to yield (24 batches, p 0.011)."
    said = wording.gate_sentence(YIELD, "batch", "yeast", 24, 0.4, False)
    assert said == "These 24 batches do not show that yeast made a difference to yield (p 0.40)."
    said = wording.gate_sentence(SCORE, "batch", "yeast", 9, None, False)
    assert said == (
        "Yeast and overall (new spirit): cannot be asked of 9 batches; it hardly varied, or too few are left."
    )


def test_fractions_are_said_in_points():
    assert wording.signed(FRACTION, -0.0123) == "−1.2"
    assert wording.plain(FRACTION, 0.863) == "86.3"
    assert wording.signed(YIELD, 0.0002) == "0.000"


def quality(fit=0.01, mean=0.02, recipe=0.015, recipe_mean=0.02, curved=None, drift_p=0.5):
    return Quality(
        24,
        mean,
        0.03,
        0.02,
        fit,
        recipe,
        recipe_mean,
        0.03,
        0.02,
        1 - (fit / mean) ** 2,
        fit,
        0.4,
        drift_p,
        curved,
    )


def test_when_the_mean_wins_it_is_the_answer():
    said = wording.quality_sentence(YIELD, "batch", quality(fit=0.025))
    assert said.endswith("for yield the mean is the answer.")
    assert "curved" not in wording.quality_sentence(YIELD, "batch", quality(curved=0.0095))
    assert "curved model foretells better" in wording.quality_sentence(YIELD, "batch", quality(curved=0.008))
    assert "never made before" in wording.quality_sentence(YIELD, "batch", quality(recipe=0.03))


def test_drift_is_said_only_when_luck_is_unlikely():
    assert wording.drift_sentence(YIELD, "batch", quality()) is None
    assert "rose through the season" in str(wording.drift_sentence(YIELD, "batch", quality(drift_p=0.002)))


def test_batches_far_off_and_batches_that_sway_are_named():
    rows = [
        Prediction("B1", 0.36, 0.30, 0.28, 0.32, 5.0, 0.2, "x"),
        Prediction("B2", 0.30, 0.30, 0.28, 0.32, 0.1, 1.4, "10 points more rye"),
        Prediction("B3", 0.30, 0.30, 0.28, 0.32, 0.1, 0.1, "x"),
    ]
    assert wording.sway_sentences(YIELD, "batch", rows) == [
        "Batch B1 came out higher in yield than its like foretell (0.360 against 0.280 to 0.320): "
        "worth a look.",
        "Without batch B2, what is said of 10 points more rye would change much.",
    ]


def test_the_fit_is_repeated_without_batches_far_off_and_that_is_said():
    assert wording.without_sentence(YIELD, "batch", ["G39"], 3, []) == (
        "Without batch G39, all that is named for yield still stands (3 of 3)."
    )
    assert wording.without_sentence(YIELD, "cask", ["C1", "C2"], 3, ["10 points more rye"]) == (
        "Without casks C1 and C2, this no longer stands for yield and is taken back: 10 points more rye."
    )


def ranks(first, second, tied=False):
    return [
        Rank("grain bill", "A", 5, 0.3, 0.31, 0.30, 0.32, first, 0.99, tied),
        Rank("grain bill", "B", 5, 0.3, 0.30, 0.29, 0.31, 1 - first, second, False),
    ]


def test_a_first_place_needs_near_certainty_and_no_tie():
    assert wording.ranking_sentence(YIELD, ranks(0.97, 0.2), is_shown=True).startswith(
        "A comes first of 2 grain bills by yield"
    )
    for close in (ranks(0.8, 0.7), ranks(0.97, 0.7, tied=True)):
        assert "cannot be told yet" in wording.ranking_sentence(YIELD, close, is_shown=True)


def test_no_first_place_behind_a_shut_gate():
    assert wording.ranking_sentence(YIELD, ranks(0.99, 0.1), is_shown=False) == (
        "Which grain bill comes first by yield cannot be told yet: it is not shown that grain bill makes a "
        "difference to it."
    )


def test_a_promise_that_is_none_is_said_to_be_none():
    pick = Pick(PROMISES, 0, 0.32, 0.30, 0.34, 0.0, 0.004, None, 0.0, 0.0)
    card = wording.Card("100 % malt", "q")
    assert wording.next_sentence(YIELD, pick, card).endswith(
        "so far 0 %. Nothing that may be tried promises more than the highest so far: this comes nearest."
    )
    assert "Nothing" not in wording.next_sentence(YIELD, replace(pick, why=TEACHES), card)


def test_shares():
    said = wording.share_sentence(
        YIELD, [Share("grain", 0.6, 0.4, 0.7, 0.6, 0.5), Share(REST, 0.4, 0.3, 0.6, 0.4, None)]
    )
    assert said == (
        "Of the variation in yield: grain bill 60 % (40 % to 70 %); "
        "nothing logged explains 40 % (30 % to 60 %)."
    )


def test_a_card_says_what_is_expected_how_sure_what_it_teaches_and_what_must_be_cooked():
    pick = Pick(PROMISES, 0, 0.32, 0.30, 0.34, 0.01, 0.62, effect("supported").question, 0.004, 0.003)
    card = wording.Card("70 % malt, 30 % raw rye", "ale yeast", "Costs 50 EUR.", ("raw rye",))
    said = wording.next_sentence(YIELD, pick, card)
    assert said == (
        "Try 70 % malt, 30 % raw rye with ale yeast: expected yield 0.320 LPA per kg (95 %: 0.300 to 0.340); "
        "chance that it beats every bill made so far 62 %. It would narrow what is known of "
        "'10 points more rye, "
        "the rest scaled down' by 25 %. Raw rye must be cooked before the mash. Costs 50 EUR."
    )


def test_a_card_says_what_it_would_part_and_when_it_is_a_guess():
    pick = Pick(PROMISES, 0, 5.9, 5.4, 6.6, 0.1, 0.27, None, 0.0, 0.0)
    card = wording.Card("100 % malt", "q", parts=(("rye", "q"),), is_a_guess=True)
    said = wording.next_sentence(SCORE, pick, card)
    assert said.endswith(
        "so far 27 %. Little more than a guess: so far overall (new spirit) is foretold no better by grain "
        "and yeast than by its mean. It would help to tell rye from q."
    )
    lesson = replace(pick, why=TEACHES)
    assert "guess" not in wording.next_sentence(SCORE, lesson, card), "a lesson promises nothing"


def test_an_interval_clear_of_nought_is_not_printed_as_reaching_it():
    said = wording.effect_sentence(YIELD, "batch", effect("supported", -0.004, -0.0081, -0.0003))
    assert "yield −0.0040 LPA per kg (95 %: −0.0081 to −0.0003; 6 batches)" in said


def test_casks_are_spoken_of_by_what_varies_of_a_cask():
    said = wording.gate_sentence(SCORE, "cask", "process", 21, 0.4, False)
    assert "do not show that time in the cask and its size made a difference" in said
    assert "no better by wood, yeast and time in the cask" in wording.quality_sentence(
        SCORE, "cask", quality(fit=1.0)
    )


def test_a_small_p_that_does_not_pass_is_explained():
    said = wording.gate_sentence(YIELD, "batch", "yeast", 24, 0.026, False)
    assert said.endswith("(p 0.026; with so many questions asked at once, luck gives that now and then).")


def test_no_sentence_claims_a_best_an_optimum_or_a_cause():
    said = [
        wording.effect_sentence(response, kind, effect(verdict))
        for response, kind, verdict in itertools.product(
            (YIELD, FRACTION, SCORE),
            ("batch", "cask"),
            ("supported", "leaning", "about the same", "cannot tell", "too few", "never apart"),
        )
    ]
    said += [wording.ranking_sentence(YIELD, ranks(0.97, 0.2), is_shown=True), wording.why_words(PROMISES)]
    for sentence in said:
        for word in ("best", "optimal", "cause", "because", "proves", "significant"):
            assert word not in sentence.lower(), sentence
