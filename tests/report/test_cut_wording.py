"""What is said of the cuts claims no more than the figures beside it carry."""

import pytest

from pipeline.report.cut_wording import (
    Steadiness,
    first_sentence,
    lasting_sentence,
    limits_sentence,
    spread_sentence,
    still_sentence,
    suspects_sentence,
    tradeoff_sentence,
)


def steady(runs=46, standing="trial", baseline=20, stand_out=(), **other):
    return Steadiness(
        runs, 61.3, 1.8, standing, baseline, other.get("low", 57.6), other.get("high", 65.0), list(stand_out)
    )


def test_the_first_line_says_where_how_steady_who_stands_out_and_whose_spread_it_is():
    shares = {"charge and still": 0.2, "operator": 0.3, "recipe": 0.0, "run to run": 0.37, "reading": 0.13}
    assert first_sentence("ended", steady(stand_out=["G12 spirit 1", "G30 spirit 2"]), shares) == (
        "Hearts ended at 61.3 ± 1.8 %vol (mean and standard deviation) over 46 spirit runs; 2 runs stand out "
        "(G12 spirit 1 and G30 spirit 2); about two thirds of the spread is your nose, not your still or "
        "your readings."
    )


def test_without_limits_nobody_is_said_to_stand_out():
    sentence = first_sentence("ended", steady(runs=5, standing="none", baseline=None, stand_out=["G1 a"]), {})
    assert "G1 a" not in sentence
    assert "too few in a row" in sentence
    assert "nose" not in sentence


def test_a_quiet_season_says_so_and_one_run_has_no_spread():
    assert "; no run stands out." in first_sentence("ended", steady(), {})
    assert "one spirit run" in first_sentence("ended", steady(runs=1), {})


@pytest.mark.parametrize(
    ("standing", "baseline", "says"),
    [
        ("none", None, "No limits are drawn"),
        ("provisional", 12, "come from 12 runs, so the limits are provisional"),
        ("trial", 20, "so these are trial limits"),
        ("established", 60, "enough for established limits"),
    ],
)
def test_limits_are_worth_what_their_runs_are(standing, baseline, says):
    assert says in limits_sentence(steady(standing=standing, baseline=baseline))


def test_the_spread_is_given_with_its_intervals():
    sentence = spread_sentence([("operator", 0.35, 0.22, 0.48), ("reading", 0.65, 0.5, 0.8)])
    assert "who stood there 35 % (22 to 48) and the reading itself 65 % (50 to 80)" in sentence


def test_a_shift_names_no_cause():
    assert lasting_sentence([]) == "No lasting shift is signalled (CUSUM, EWMA)."
    assert "worth looking for a cause" in lasting_sentence(["Ines, high since G21 spirit 1 (CUSUM)"])


def test_where_the_scores_cannot_tell_that_is_what_is_said():
    sentence = tradeoff_sentence("overall", 48, 0.27, -0.3, 0.01, False)
    assert "cannot tell" in sentence
    assert "0.27 LPA more" in sentence
    told = tradeoff_sentence("overall", 48, 0.27, -0.4, -0.1, True)
    assert "lowered score" in told
    assert "Other things may have changed" in told
    assert "raised score" in tradeoff_sentence("grain", 48, None, 0.1, 0.4, True)


def test_stills_and_suspects_in_one_and_in_many():
    one = still_sentence("barn still", "spirit", 0.45, 0.44, 0.46, 0.014, 1)
    assert "0.45 stages more (95 % interval 0.440 to 0.460), give or take 0.014" in one
    assert "1 run lies further off" in one
    assert "lie" not in still_sentence("barn still", "stripping", 0.03, 0.02, 0.04, 0.01, 0)
    assert suspects_sentence([]).startswith("No jar lies off")
    assert suspects_sentence(["G1 a, jar 2"]).startswith("1 reading lies off")
