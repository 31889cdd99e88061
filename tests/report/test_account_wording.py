"""What the page says of losses and casks."""

from datetime import date

import pytest

from pipeline.report.account_wording import (
    forecast_sentences,
    is_clear,
    leak_sentence,
    loss_sentences,
    soakage_sentence,
    unexplained_sentence,
    with_error,
)


def plain(text: str) -> str:
    return text.replace("\u00a0", " ")


def loss(label: str, lpa: float, lpa_u: float = 0.5) -> dict:
    return {"label": label, "lpa": lpa, "lpa_u": lpa_u, "bottles": lpa / 0.301}


def test_a_figure_has_its_uncertainty_to_the_same_decimals():
    assert plain(with_error(loss("x", 35.493, 2.318), "lpa")) == "35.5 ± 2.3 LPA"
    assert plain(with_error({"lpa": 35.493, "lpa_u": None}, "lpa")) == "35.5 LPA"
    assert plain(with_error({"share_frac": 0.123, "share_frac_u": 0.004}, "share_frac")) == "12.3 ± 0.4 %"
    assert with_error({"lpa": None, "lpa_u": None}, "lpa") == "not measured"


def test_the_largest_avoidable_loss_comes_first_in_litres_and_bottles():
    first, following, caution = loss_sentences(
        [loss("Pot ale", 35.5), loss("Casks", 29.8), loss("Lees", 3.0)]
    )
    assert plain(first) == (
        "The largest avoidable loss is “Pot ale”: 35.5 ± 0.5 LPA, the alcohol of 118 bottles."
    )
    assert plain(following) == "Next: “Casks” (29.8 ± 0.5 LPA) and “Lees” (3.00 ± 0.50 LPA)."
    assert "standard uncertainty" in caution
    assert loss_sentences([]) == ["No avoidable loss was measured."]


def test_what_came_from_nothing_is_told_apart_from_what_went_missing():
    missing, gained = unexplained_sentence([loss("Stripping", 3.0), loss("Spirit runs", -11.0)])
    assert plain(missing).endswith("not named by any measurement: “Stripping” (3.00 ± 0.50 LPA).")
    assert plain(gained).startswith("More came out than went in")
    assert plain(gained).endswith("explain, where a reading must be wrong: “Spirit runs” (−11.0 ± 0.5 LPA).")
    assert is_clear(loss("x", -3.0), either_way=True)


@pytest.mark.parametrize(("lpa", "clear"), [(1.1, True), (0.9, False), (-3.0, False)])
def test_a_loss_within_its_errors_is_not_named(lpa, clear):
    assert is_clear(loss("x", lpa)) is clear


def test_casks_that_leak_are_named_and_soakage_is_kept_apart():
    assert leak_sentence([]) == []
    assert leak_sentence(["C3"])[0].startswith("C3 loses more than three times")
    assert leak_sentence(["C3", "C7"])[0].startswith("C3 and C7 lose")
    assert plain(soakage_sentence(12.34, 5)[0]).startswith("The wood drank 12.3 LPA at the fill of 5 casks")
    assert soakage_sentence(0.0, 0) == []


def test_a_forecast_says_the_day_and_what_its_intervals_stand_on():
    (said,) = forecast_sentences(date(2032, 6, 1), [5.0, 7.34], ["readings"] * 2)
    assert plain(said).startswith("If nothing more is drawn, 2 casks will hold 12.3 LPA on 1 June 2032;")
    assert said.endswith("stand on: readings.")
    (said,) = forecast_sentences(date(2032, 6, 1), [5.0, 7.0, 1.0], ["a", "b", "a"])
    assert plain(said).endswith("stand on: a (2 casks); b (1 cask).")
    assert forecast_sentences(None, [5.0], ["a"]) == forecast_sentences(date(2032, 6, 1), [], []) == []
