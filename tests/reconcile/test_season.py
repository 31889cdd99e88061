"""Seasons as logs, from the cell to the sentence: clean ones stay silent, planted slips are named."""

import json
import re
from dataclasses import replace
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest

from pipeline.logs import read_logs
from pipeline.reconcile import RECONCILE_STEP
from pipeline.reconcile.calibrate import KINDS, examine_season, is_wrong_number, p_of
from pipeline.settings import Settings
from pipeline.simulate import MistakeOrder
from pipeline.warehouse import make_tables

SAMPLE = Path(__file__).parents[2] / "sample_logs"
TABLES = [*RECONCILE_STEP.makes, "account.suspect", "problem.balance"]


def tables(settings: Settings) -> dict[str, pl.DataFrame]:
    with duckdb.connect(":memory:") as con:
        make_tables(con, read_logs(SAMPLE, settings), settings, TABLES)
        names = [*TABLES, "raw.file"]
        return {name: pl.DataFrame(con.sql(f"select * from {name}")) for name in names}


@pytest.fixture(scope="module")
def sample() -> dict[str, pl.DataFrame]:
    return tables(Settings.find(SAMPLE))


@pytest.fixture(scope="module")
def planted() -> dict:
    """The one mistake planted in the sample season that a balance shows."""
    mistakes = json.loads((SAMPLE / "truth.json").read_text())["mistakes"]
    (swapped,) = [each for each in mistakes if each["kind"] == "digits swapped"]
    return swapped


class TestSampleSeason:
    def test_the_swapped_hearts_are_named_and_nothing_else_is(self, sample, planted):
        (found,) = sample["problem.balance"].to_dicts()
        (path,) = sample["raw.file"].filter(pl.col("file_id") == found["file_id"])["path"]
        assert (path, found["line"], found["column_name"]) == (planted["file"], planted["line"], "volume")
        first = sample["account.suspect"].row(0, named=True)
        assert first["slip"] == "digits swapped"
        meant = float(planted["instead_of"].replace(",", "."))
        assert abs(first["closing_value"] - meant) < 3.0 * first["closing_value_u"]
        assert first["closing_value_u"] < 0.03 * meant

    def test_the_sentence_says_where_what_and_what_it_would_have_been(self, sample, planted):
        (found,) = sample["account.suspect"]["sentence"].drop_nulls()
        written = planted["written"].replace(",", ".")
        assert re.fullmatch(
            rf"Batch {planted['batch']}, spirit \d: \d+\.\d+ LPA more came out than went in\. "
            rf"Most likely the hearts volume: {re.escape(written)} L logged, \d+\.\d\d ± \d\.\d\d L would "
            r"close it \(digits swapped\?\)\. .+",
            found,
        )

    def test_every_set_closes_once_the_suspect_is_left_out(self, sample):
        sets = sample["account.component"]
        assert sets["batches"].sum() == 48
        assert sorted(sets["suspects"]) == [0, 1]
        suspected = sets.row(by_predicate=pl.col("suspects") == 1, named=True)
        assert suspected["p_value"] < 1e-50
        assert sets["p_value_after"].min() > 0.001

    def test_logged_and_reconciled_values_are_both_kept(self, sample):
        readings = sample["account.reconciled"]
        assert (
            readings.select("logged_value", "reconciled_value", "reconciled_value_u")
            .null_count()
            .sum_horizontal()[0]
            == 0
        )
        assert (
            readings["reconciled_value_u"] <= readings["logged_value_u"] * (1 + 1e-6)
        ).sum() >= readings.height - 1
        runs = sample["account.reconciled_run"].drop_nulls()
        closed = (
            runs["charge_reconciled_lpa"] - runs["collected_reconciled_lpa"] - runs["residue_reconciled_lpa"]
        )
        assert closed.abs().max() < 1e-3
        logged = runs["charge_lpa"] - runs["collected_lpa"] - runs["residue_reconciled_lpa"]
        assert logged.abs().mean() > 0.05

    def test_it_can_be_switched_off(self):
        off = tables(replace(Settings.find(SAMPLE), reconcile=False))
        assert all(off[name].is_empty() for name in TABLES)


class TestSimulatedSeasons:
    """A small part of what `python -m pipeline.reconcile.calibrate` does at length."""

    def test_chi_square_of_clean_seasons_is_what_it_should_be(self):
        found = [examine_season(seed, 4).outcome.first for seed in range(300, 305)]
        chi_square, df = sum(each.total_chi2 for each in found), sum(each.total_df for each in found)
        assert df > 200
        assert 0.001 < p_of(chi_square, df) < 0.999

    @pytest.mark.parametrize("kind", KINDS[:2], ids=lambda kind: kind.name)
    def test_a_planted_mistake_is_named(self, kind):
        examined = examine_season(601, 4, [kind.order])
        named = [
            each for suspicion in examined.outcome.suspicions for each in suspicion.candidates if each.is_tied
        ]
        assert any(is_wrong_number(examined, each.number) for each in named)

    def test_two_mistakes_that_share_a_set_are_taken_one_after_another(self):
        orders = [
            MistakeOrder("unit slip", step="collect", cut="low wines", run="strip 1"),
            MistakeOrder("decimal slip", step="charge", column="volume"),
        ]
        examined = examine_season(777, 5, orders)
        assert len(examined.planted) == 2
        found = [suspicion.candidates[0].number for suspicion in examined.outcome.suspicions]
        for number in range(2):
            assert any(is_wrong_number(examined, each, number) for each in found)
        assert np.nanmin(examined.outcome.last.p) > 1e-3
