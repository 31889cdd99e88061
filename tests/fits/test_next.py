"""Candidates obey the rules of the mash and of the distiller; picks promise or teach."""

import duckdb
import numpy as np
import polars as pl
import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.database_file import FORMAT, MADE_BY
from pipeline.fits.blocks import Block, BlockFit
from pipeline.fits.candidates import Ingredient, Rules, can_mash, describe, enumerate_candidates
from pipeline.fits.cards import NOTHING, next_cards
from pipeline.fits.next_batches import PROMISES, TEACHES, Chooser
from pipeline.fits.plan import limits_of
from pipeline.logs.load import ArrowStream
from pipeline.next_settings import NextSettings
from pipeline.settings import Settings, SettingsError

MALT = Ingredient("malt", has_enzymes=True, price_per_kg=1.0)
RYE = Ingredient("raw rye", has_enzymes=False, price_per_kg=0.5, high=0.8)
OATS = Ingredient("flaked oats", has_enzymes=False, price_per_kg=None, high=0.4)
MADE = [(np.array([1.0, 0.0, 0.0]), "p"), (np.array([0.6, 0.4, 0.0]), "p"), (np.array([0.7, 0.0, 0.3]), "q")]


@pytest.fixture
def rules():
    return Rules((MALT, RYE, OATS), ("p", "q"), batch_kg=50.0)


def test_every_candidate_can_mash_and_keeps_the_rules(rules):
    found = enumerate_candidates(rules, MADE)
    assert len(found) > 40
    assert len(set(found)) == len(found)
    for candidate in found:
        shares = np.array(candidate.shares)
        assert shares.sum() == pytest.approx(1.0)
        assert can_mash(rules, shares), candidate
        assert shares[1] <= 0.8 + 1e-9
        assert shares[2] <= 0.4 + 1e-9
        nearest = min(np.abs(shares - made).sum() / 2 for made, _ in MADE)
        assert nearest <= 0.2 + 1e-9, candidate


def test_no_candidate_is_forgotten(rules):
    """Every bill of the grid, tried one by one: within the bounds, enough malt, near a bill made before."""
    tenths = [(a, b, 10 - a - b) for a in range(11) for b in range(11 - a)]
    expected = {
        bill
        for bill in (tuple(part / 10 for part in parts) for parts in tenths)
        if bill[0] >= 0.3 - 1e-9
        and bill[1] <= 0.8 + 1e-9
        and bill[2] <= 0.4 + 1e-9
        and min(np.abs(np.array(bill) - made).sum() / 2 for made, _ in MADE) <= 0.2 + 1e-9
    }
    assert {(each.shares, each.yeast) for each in enumerate_candidates(rules, MADE)} == {
        (bill, yeast) for bill in expected for yeast in rules.yeasts
    }


def test_raw_grain_without_enzymes_is_never_proposed():
    rules = Rules((Ingredient("malt", False), RYE), ("p",), 50.0)
    assert enumerate_candidates(rules, [(np.array([0.6, 0.4]), "p")]) == []


def test_stock_bounds_the_share(rules):
    short = Rules((MALT, Ingredient("raw rye", False, 0.5, stock_kg=10.0), OATS), ("p",), 50.0)
    assert max(each.shares[1] for each in enumerate_candidates(short, MADE)) == pytest.approx(0.2)


def test_costs_are_known_only_when_all_prices_are(rules):
    costs = {each.shares: each.cost for each in enumerate_candidates(rules, MADE)}
    assert costs[0.5, 0.5, 0.0] == pytest.approx(50 * (0.5 * 1.0 + 0.5 * 0.5))
    assert costs[0.9, 0.0, 0.1] is None
    assert describe(["malt", "raw rye", "flaked oats"], (0.5, 0.5, 0.0)) == "50 % malt, 50 % raw rye"


def test_a_new_grain_does_not_come_with_a_new_yeast():
    rules = Rules((MALT, RYE), ("p", "new"), 50.0)
    found = enumerate_candidates(rules, [(np.array([1.0, 0.0]), "p")])
    assert any(each.yeast == "new" and each.shares[1] == 0 for each in found)
    assert not any(each.yeast == "new" and each.shares[1] > 0 for each in found)


@pytest.fixture
def chooser():
    rng = np.random.default_rng(2)
    made = np.array([[1.0, 0.0, 0.0], [0.6, 0.4, 0.0], [0.7, 0.0, 0.3]])[np.arange(12) % 3]
    y = made @ [10.0, 14.0, 6.0] + 0.3 * rng.standard_normal(12)
    fit = BlockFit(y, made, [Block("grain", 3, 8.0)])
    candidates = np.array([[1 - a - b, a, b] for a in (0.0, 0.2, 0.4, 0.6) for b in (0.0, 0.1, 0.3, 0.5)])
    return Chooser(fit, candidates, made[:3], True, []), candidates


def test_promise_goes_where_the_figures_point_and_lessons_where_they_are_few(chooser):
    picks = chooser[0].choose()
    assert [pick.why for pick in picks] == [PROMISES, PROMISES, TEACHES, TEACHES]
    assert len({pick.candidate for pick in picks}) == 4
    assert chooser[1][picks[0].candidate][1] == 0.6, "more of the grain that gives more"
    assert picks[0].chance_better > 0.9
    assert all(pick.low < pick.predicted < pick.high for pick in picks)


def test_the_chance_to_beat_all_made_is_the_share_of_draws_that_do(chooser):
    own, candidates = chooser
    draws = own._fit.draws
    made = np.array([[1.0, 0.0, 0.0], [0.6, 0.4, 0.0], [0.7, 0.0, 0.3]])
    results, best = draws.shrunk @ candidates.T, (draws.shrunk @ made.T).max(axis=1)
    for place in (0, 5, 12):
        assert own.chance_better(place) == (results[:, place] > best).mean()


def test_a_lesson_takes_the_most_uncertain_candidate(chooser):
    own, candidates = chooser
    rows = np.column_stack([np.ones(len(candidates)), candidates])
    spread = np.einsum("ni,ij,nj->n", rows, own.covariance, rows)
    lesson = next(pick for pick in own.choose(1) if pick.why == TEACHES)
    promise = next(pick for pick in own.choose(1) if pick.why == PROMISES)
    reach = own.covariance @ rows[promise.candidate]
    after = own.covariance - np.outer(reach, reach) / (1 + rows[promise.candidate] @ reach)
    expected = np.einsum("ni,ij,nj->n", rows, after, rows)
    expected[promise.candidate] = -np.inf
    assert lesson.candidate == int(expected.argmax())
    assert np.all(expected[np.isfinite(expected)] <= spread[np.isfinite(expected)] + 1e-12)


def test_limits_travel_from_the_settings_file_to_the_plan(tmp_path):
    file = tmp_path / "season.toml"
    file.write_text(
        '[next]\nyeasts = ["p"]\nbatch_kg = 40\nleast_enzymes_pct = 25\n'
        '[next.share_pct]\n"raw rye" = [10, 60]\n[next.stock_kg]\nmalt = 30\n'
    )
    rows = list(Settings.load(file).next.rows())
    setting = pl.DataFrame(
        rows, schema={"name": pl.String, "text_value": pl.String, "number_value": pl.Float64}, orient="row"
    )
    limits = limits_of(setting)
    assert limits.yeasts == ("p",)
    assert limits.batch_kg == 40.0
    assert limits.least_enzymes == 0.25
    assert limits.shares == {"raw rye": (0.1, 0.6)}
    assert limits.stock_kg == {"malt": 30.0}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[next]\nyeast = 3\n", "`next.yeast` is not a setting"),
        ('[next]\nyeasts = "p"\n', "write names in quotes"),
        ("[next]\nleast_enzymes_pct = 130\n", "a number from 0 to 100"),
        ('[next.share_pct]\n"raw rye" = [60, 10]\n', "least and greatest share"),
        ('[next.stock_kg]\nmalt = "much"\n', "`next.stock_kg.malt` is 'much'"),
        ("next = 3\n", "`next` is a table"),
    ],
)
def test_a_wrong_limit_is_a_sentence(tmp_path, text, words):
    file = tmp_path / "season.toml"
    file.write_text(text)
    with pytest.raises(SettingsError, match=words.replace("[", r"\[")) as caught:
        Settings.load(file)
    assert str(file) in str(caught.value)


def test_defaults_allow_everything():
    assert NextSettings() == Settings().next
    assert [name for name, _, _ in NextSettings().rows()] == ["next.batch_kg", "next.least_enzymes_pct"]


def proposals():
    """Two proposed batches, one for yield and one for score, as `fit.next_batch` holds them."""
    return pl.DataFrame(
        {
            "response": ["score: overall", "yield_lpa_per_kg"],
            "why": [TEACHES, PROMISES],
            "sentence": ["Try 90 % malt, 10 % rye with q.", "Try 100 % malt with p."],
        }
    )


@pytest.mark.parametrize(
    ("aim", "lines"),
    [
        ("yield", ["For yield:", "- A useful next try. Try 100 % malt with p."]),
        ("score", ["For overall (new spirit):", "- Would teach most. Try 90 % malt, 10 % rye with q."]),
    ],
)
def test_cards_for_an_aim(aim, lines):
    assert next_cards(proposals(), aim) == lines
    assert next_cards(proposals(), "both")[:2] == [
        "For yield:",
        "- A useful next try. Try 100 % malt with p.",
    ]


def test_nothing_to_propose_is_said():
    assert next_cards(proposals().clear(), "both") == [NOTHING]


def test_the_command_prints_the_cards_and_the_caution(tmp_path):
    database = tmp_path / "season.duckdb"
    with duckdb.connect(str(database)) as con:
        con.execute("create schema raw; create schema fit")
        made_by = f"select '{MADE_BY}' as made_by, '0' as version, {FORMAT} as format"
        con.execute(f"create table raw.made_by as {made_by}")
        proposed = proposals()
        con.register("proposed", ArrowStream(proposed))
        con.execute("create table fit.next_batch as select * from proposed")
    result = CliRunner().invoke(app, ["next", "--for", "yield", "--db", str(database)])
    assert result.exit_code == 0, result.output
    assert result.stdout == "For yield:\n- A useful next try. Try 100 % malt with p.\n"
    assert "not a promise" in result.stderr
