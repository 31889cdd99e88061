"""A season as a whole: what the seeds decide, what is conserved, what was planted."""

import math
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import numpy as np
import pytest

from pipeline.simulate import (
    PERFECT,
    Season,
    make_world,
    season_pages,
    season_truth,
    simulate_season,
    write_season,
)
from pipeline.simulate.liquid import KG_PER_LPA
from pipeline.simulate.scenario import NULL_YEAST, REFERENCE_YEAST, TIED_GRAIN, TIED_YEAST


def texts(season: Season) -> dict[str, str]:
    return {page.path: page.text() for page in season_pages(season)}


def test_same_seed_gives_the_same_logs_and_truth(tmp_path):
    for name in ("one", "two"):
        write_season(simulate_season(5, 8), tmp_path / name)
    for path in sorted((tmp_path / "one").rglob("*")):
        if path.is_file():
            twin = tmp_path / "two" / path.relative_to(tmp_path / "one")
            assert path.read_bytes() == twin.read_bytes(), path.name


def test_another_instrument_seed_is_the_same_season_read_again():
    first, second = simulate_season(5, 8), simulate_season(5, 8, instrument_seed=9)
    truths = [season_truth(season) for season in (first, second)]
    for truth in truths:
        truth.pop("instrument_seed")
    assert truths[0] == truths[1]
    assert first.batch_events == second.batch_events
    logs, again = texts(first), texts(second)
    assert list(logs) == list(again)
    same = [path for path in logs if logs[path] == again[path]]
    keys = [path for path in logs if path.endswith("_key.csv")]
    assert same == keys, "every other file holds readings, scores or answers"
    for path, text in logs.items():
        assert text.count("\n") == again[path].count("\n"), path


def test_another_seed_is_another_season():
    assert season_truth(simulate_season(3, 1))["batches"] != season_truth(simulate_season(3, 2))["batches"]


def test_alcohol_of_the_season_is_conserved(season):
    totals = season_truth(season)["season"]
    assert abs(totals["unaccounted_lpa"]) <= 1e-9 * totals["wash_lpa"]


def test_alcohol_is_conserved_with_several_stills_and_hold_up():
    world = replace(make_world(np.random.default_rng(3)), held_up_frac=0.004)
    season = simulate_season(100, 3, world=world)
    assert {run.plan.still for run in season.runs} == {0, 1, 2}
    totals = season_truth(season)["season"]
    assert totals["held_up_lpa"] > 0.0
    assert abs(totals["unaccounted_lpa"]) <= 1e-9 * totals["wash_lpa"]


def test_every_run_closes_for_alcohol_and_for_mass(season):
    for run in season.runs:
        wash = run.wash.liquid
        stripped = [run.sludge, run.low_wines, *run.pot_ale]
        assert math.fsum(part.ethanol_kg for part in stripped) == pytest.approx(wash.ethanol_kg, rel=1e-12)
        assert math.fsum(part.mass_kg for part in stripped) == pytest.approx(wash.mass_kg, rel=1e-12)
        collected = [*(jar.liquid for jar in run.jars), *run.spent_lees]
        for quantity in ("ethanol_kg", "mass_kg"):
            charged = math.fsum(getattr(part, quantity) for part in run.charges)
            came_out = math.fsum(getattr(part, quantity) for part in collected)
            assert came_out == pytest.approx(charged, rel=1e-12), run.plan.batch


def test_feints_go_round_without_loss(season):
    kept = math.fsum(run.cut_lpa("heads", "tails") for run in season.runs)
    charged = math.fsum(part.lpa for run in season.runs for part in run.feints_in)
    in_stock = math.fsum(held.lpa for held in season.books.receivers.values())
    assert kept - charged == pytest.approx(in_stock, rel=1e-12)
    assert len(season.books.receivers) == 2


def test_net_spirit_of_the_season_is_hearts_and_feints_in_stock(season):
    truth = season_truth(season)
    batches = truth["batches"].values()
    net = math.fsum(batch["net_spirit_lpa"] for batch in batches)
    hearts = math.fsum(batch["hearts_lpa"] for batch in batches)
    assert net == pytest.approx(hearts + truth["season"]["feints_in_stock_lpa"], rel=1e-12)


def test_shares_of_origin_sum_to_one_and_return_every_wash(season):
    for cask in season.casks:
        assert math.fsum(cask.content.origin_shares().values()) == pytest.approx(1.0, abs=1e-12)
    everything = [
        *season.books.drained,
        *season.books.receivers.values(),
        *(item.liquid for item in season.shelf),
        *(part for cask in season.casks for _, part in cask.parts),
    ]
    for run in season.runs:
        batch = run.plan.batch
        found = math.fsum(part.origin_kg.get(batch, 0.0) for part in everything)
        assert found == pytest.approx(run.wash.liquid.ethanol_kg, rel=1e-9), batch


def test_feints_are_drawn_from_earlier_batches_only(season):
    order = [run.plan.batch for run in season.runs]
    for place, run in enumerate(season.runs):
        for drawn in run.feints_in:
            assert all(order.index(batch) <= place for batch in drawn.origin_kg), run.plan.batch


def test_one_still_makes_the_spirit_of_one_batch_after_the_other():
    """In this season a quick batch follows a slow one, and has to wait."""
    season = simulate_season(4, 50_030, instruments=PERFECT)
    assert any(run.waits_days for run in season.runs)
    times = [[event.when for event in run.events if event.run.startswith("spirit")] for run in season.runs]
    assert all(max(one) < min(other) for one, other in pairwise(times))


def test_the_net_spirit_of_a_batch_is_its_own_wash_less_what_of_it_was_poured_away(season):
    lost = [part for run in season.runs for part in (run.sludge, *run.pot_ale, *run.spent_lees)]
    lost += [jar.liquid for run in season.runs for jar in run.jars if jar.cut == "foreshots"]
    truth = season_truth(season)["batches"]
    for name, batch in truth.items():
        poured_lpa = math.fsum(part.origin_kg.get(name, 0.0) for part in lost) / KG_PER_LPA
        assert batch["net_spirit_lpa"] == pytest.approx(batch["wash_lpa"] - poured_lpa, rel=1e-9)


def test_the_tied_grain_and_yeast_are_never_apart():
    for run in simulate_season(48, 4).runs:
        assert (TIED_GRAIN in run.plan.bill) == (run.plan.yeast == TIED_YEAST), run.plan.batch


def test_planted_effects_are_in_the_true_flavours():
    season = simulate_season(240, 6)
    yeasts = {run.plan.batch: run.plan.yeast for run in season.runs}

    def mean(attribute: str, yeast: str) -> float:
        values = [season.flavours[b][attribute] for b, name in yeasts.items() if name == yeast]
        return float(np.mean(values))

    # Scatter between batches is 0.35 and cuts and rests differ: 70 batches each give 0.1 on a difference.
    assert mean("fruit", "ale yeast") - mean("fruit", REFERENCE_YEAST) == pytest.approx(1.4, abs=0.3)
    for attribute in ("fruit", "overall"):
        assert mean(attribute, NULL_YEAST) - mean(attribute, REFERENCE_YEAST) == pytest.approx(0.0, abs=0.3)


def test_the_null_contrast_is_null_in_yield_and_the_others_are_not(season):
    expected = season_truth(season)["planted"]["expected_wash_lpa_per_kg"]
    for recipe, by_yeast in expected.items():
        assert by_yeast[NULL_YEAST] == pytest.approx(by_yeast[REFERENCE_YEAST], rel=1e-12), recipe
        assert by_yeast["ale yeast"] < 0.98 * by_yeast[REFERENCE_YEAST], recipe
    assert expected["Bottom field rye"][REFERENCE_YEAST] < 0.95 * expected["Gate barley"][REFERENCE_YEAST]


def test_in_a_null_season_no_choice_makes_a_difference():
    planted = season_truth(simulate_season(3, 5, is_null=True))["planted"]
    assert all(effect["size"] == 0.0 for effect in planted["flavour_effects"])
    yields = [
        value for by_yeast in planted["expected_wash_lpa_per_kg"].values() for value in by_yeast.values()
    ]
    assert max(yields) - min(yields) <= 1e-12


def test_casks_hold_what_went_in_less_what_left(season):
    for name, cask in season_truth(season)["casks"].items():
        gone = cask["lost_lpa"] + cask["drawn_lpa"] + cask["bottled_lpa"]
        assert cask["lpa_now"] == pytest.approx(cask["fill_lpa"] - gone, rel=1e-12), name


def test_a_season_fits_between_september_and_the_next():
    season = simulate_season(48, 2)
    first = min(event.when for event in season.batch_events)
    last = max(event.when for event in [*season.batch_events, *season.cask_events])
    assert (first.month, first.day) >= (9, 1)
    assert last - first < timedelta(days=360)
    assert (last.year, last.month) < (first.year + 1, 9)


def test_progress_is_told_to_the_end():
    heard = []
    simulate_season(3, 1, progress=lambda what, done, total: heard.append((what, done, total)))
    assert ("batches simulated", 3, 3) in heard


def test_no_batches_is_refused():
    with pytest.raises(ValueError, match="at least 1 batch; 0"):
        simulate_season(0, 1)
