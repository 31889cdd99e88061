"""Ancestry against a dense linear solve, conservation, and who is credited with what."""

import itertools
import math
import sys
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.account import walk_entries
from pipeline.account.ancestry import POOLED, credits, walk_ancestry
from pipeline.account.ancestry_tables import ancestry_frame
from pipeline.account.lots import lot_key
from pipeline.logs import read_logs
from pipeline.settings import Settings
from pipeline.simulate import simulate_season, write_season
from pipeline.warehouse import make_tables

sys.path.insert(0, str(Path(__file__).parent))
from account_entries import entries


def moves_of(*rows: dict) -> pl.DataFrame:
    """The moves that these entries make, in the order given."""
    return walk_entries(entries(*rows))[0]


def charge(batch: str, cut: str, lot: str, lpa: float, run: str = "spirit") -> dict:
    return {
        "kind": "charge",
        "batch": batch,
        "run": run,
        "cut": cut,
        "from_lot": lot,
        "volume_20c_l": 2.0 * lpa,
        "abv_20c_pct_vol": 50.0,
    }


def collect(batch: str, cut: str, lot: str, lpa: float, run: str = "spirit") -> dict:
    return {
        "kind": "collect",
        "batch": batch,
        "run": run,
        "cut": cut,
        "to_lot": lot,
        "volume_20c_l": 2.0 * lpa,
        "abv_20c_pct_vol": 50.0,
    }


def batch_rows(batch: str, feints_from: str | None = None, feints_lpa: float = 0.0) -> list[dict]:
    """A batch of 10 LPA of low wines: 80 % of what is charged becomes hearts, 15 % feints, 5 % is lost."""
    charged = 10.0 + feints_lpa
    rows = [charge(batch, "low wines", f"{batch} low wines", 10.0)]
    if feints_from is not None:
        rows.append(charge(batch, "feints", f"{feints_from} feints", feints_lpa))
    return [
        *rows,
        collect(batch, "hearts", f"{batch} hearts", 0.80 * charged),
        collect(batch, "tails", f"{batch} feints", 0.15 * charged),
    ]


def test_a_charge_of_ones_own_and_anothers_feints_is_shared_by_alcohol():
    ancestry = walk_ancestry(moves_of(*batch_rows("9"), *batch_rows("12", "9", 1.5)))
    shares = ancestry.nodes[ancestry.run_nodes["12", "spirit"]]
    assert shares == pytest.approx({("12", False): 10.0 / 11.5, ("9", True): 1.5 / 11.5})


def test_a_batch_that_inherits_feints_is_no_better_for_it():
    with_feints = credits(walk_ancestry(moves_of(*batch_rows("9"), *batch_rows("12", "9", 1.5))))
    alone = credits(walk_ancestry(moves_of(*batch_rows("9"), *batch_rows("12"))))
    assert with_feints["12"] == pytest.approx(alone["12"])
    # Its feints went through the still once more, and lost 5 % there: that is all that leaving them cost.
    assert with_feints["9"] == pytest.approx(alone["9"] - 0.05 * 1.5)


@pytest.mark.parametrize("givers", list(itertools.permutations(("A", "B", "C"))))
def test_who_carries_whose_feints_changes_no_batchs_yield_and_not_the_seasons(givers):
    first = [row for batch in ("A", "B", "C") for row in batch_rows(batch)]
    second = [
        row for batch, giver in zip("DEF", givers, strict=True) for row in batch_rows(batch, giver, 1.5)
    ]
    net = credits(walk_ancestry(moves_of(*first, *second)))
    assert [net[batch] for batch in "ABC"] == pytest.approx([9.5 - 0.075] * 3)
    assert [net[batch] for batch in "DEF"] == pytest.approx([9.5] * 3)
    assert math.fsum(net.values()) == pytest.approx(6 * 9.5 - 3 * 0.075)


def test_alcohol_of_unknown_origin_is_nobodys():
    moves = moves_of(*batch_rows("12", "feints of last year", 2.0))
    net = credits(walk_ancestry(moves))
    assert net["12"] == pytest.approx(9.5)
    assert net[None] == pytest.approx(0.95 * 2.0)


def test_an_unmeasured_jar_counts_as_what_the_charge_leaves_and_is_marked():
    rows = batch_rows("9")
    jar = {**collect("9", "hearts", "9 hearts", 4.0), "volume_20c_l": None}
    ancestry = walk_ancestry(moves_of(*rows[:2], jar, *rows[2:]))
    # 10 LPA charged, 8 and 1.5 collected, and 1 % taken to stay in the pot.
    assert credits(ancestry)["9"] == pytest.approx(8.0 + 0.4 + 1.5)
    assert credits(ancestry, only_estimated=True)["9"] == pytest.approx(0.4)


@pytest.fixture(scope="module")
def season_moves(tmp_path_factory):
    """The moves of eight invented batches on shared receivers."""
    import duckdb

    folder = tmp_path_factory.mktemp("season")
    write_season(simulate_season(8, 77, careless_frac=0.0), folder)
    settings = Settings.find(folder)
    with duckdb.connect(":memory:") as con:
        make_tables(con, read_logs(folder, settings), settings, wanted=("account.move",))
        return pl.DataFrame(con.sql("select * from account.move order by move_id"))


def dense_shares(moves: pl.DataFrame) -> dict[str, dict[str, float]]:
    """Shares of every lot at the end from one system of linear equations, written down move by move.

    Unknowns are the composition of every lot after each fill and of every run after each charge. A fill of x
    litres of pure alcohol into a lot that held y says: (x + y) new = y old + x source.
    """
    batches = sorted(set(moves["batch"].drop_nulls()))
    now: dict[object, int] = {}
    equations: list[tuple[dict[int, float], np.ndarray]] = []

    def new(key: object, terms: list[tuple[float, object]], given: np.ndarray | None = None) -> None:
        total = sum(weight for weight, _ in terms)
        row: dict[int, float] = {len(equations): 1.0}
        for weight, name in terms:
            if name in now:
                row[now[name]] = row.get(now[name], 0.0) - weight / total
        equations.append((row, np.zeros(len(batches)) if given is None else given))
        now[key] = len(equations) - 1

    held: dict[object, float] = {}
    for move in moves.iter_rows(named=True):
        source = move["from_lot"] and lot_key(move["from_lot"])
        target = move["to_lot"] and lot_key(move["to_lot"])
        run = (move["batch"], move["run"])
        if move["kind"] == "ferment":
            new(target, [(1.0, None)], np.eye(len(batches))[batches.index(move["batch"])])
        elif move["kind"] == "charge" and move["cut"] != "water":
            new(run, [(held.get(run, 0.0), run), (move["lpa"], source)])
            held[run] = held.get(run, 0.0) + move["lpa"]
        elif move["kind"] == "collect":
            new(target, [(move["to_lpa_before"], target), (move["lpa"], run)])
        elif move["kind"] in ("cask fill", "cask top up"):
            new(target, [(move["to_lpa_before"], target), (move["lpa"], source)])
    matrix = np.zeros((len(equations), len(equations)))
    for number, (row, _) in enumerate(equations):
        for column, value in row.items():
            matrix[number, column] += value
    solved = np.linalg.solve(matrix, np.array([given for _, given in equations]))
    return {
        key: dict(zip(batches, solved[number], strict=True))
        for key, number in now.items()
        if isinstance(key, str)
    }


def test_shares_are_those_of_a_dense_linear_solve(season_moves):
    assert season_moves["lpa"].filter(season_moves["kind"] != "discard").null_count() == 0
    ancestry = walk_ancestry(season_moves)
    frame = ancestry_frame(ancestry, season_moves).filter(pl.col("until_move_id").is_null())
    dense = dense_shares(season_moves)
    found = frame.group_by("lot", "batch").agg(pl.col("share_frac").sum())
    assert set(found["lot"].str.to_lowercase()) == set(dense)
    for lot, batch, share in found.iter_rows():
        assert share == pytest.approx(dense[lot_key(lot)][batch], abs=1e-9), (lot, batch)


def test_shares_sum_to_one_and_no_alcohol_is_made_or_lost(season_moves):
    ancestry = walk_ancestry(season_moves)
    for node in ancestry.nodes:
        assert math.fsum(node.values()) == pytest.approx(1.0, abs=1e-9)
    hearts = math.fsum(lpa for _, _, lpa in ancestry.hearts)
    stock = math.fsum(ancestry.stock_lpa.values())
    assert math.fsum(credits(ancestry).values()) == pytest.approx(hearts + stock, rel=1e-9)


def test_what_a_wash_is_worth_walked_backwards_is_the_sum_of_its_shares_walked_forwards(season_moves):
    ancestry = walk_ancestry(season_moves)
    forward: dict[str | None, list[float]] = {}
    ends = [(node, lpa) for _, node, lpa in ancestry.hearts]
    ends += [(node, ancestry.stock_lpa[lot]) for lot, node in ancestry.stock.items()]
    for node, lpa in ends:
        for (batch, _), share in ancestry.nodes[node].items():
            forward.setdefault(batch, []).append(share * lpa)
    net = credits(ancestry)
    assert len(net) > 8
    for batch, worth in net.items():
        assert worth == pytest.approx(math.fsum(forward.get(batch, [])), abs=1e-8), batch


def growing_receiver(batches: int) -> list[dict]:
    """Each batch leaves 1.5 LPA of tails in one receiver that nobody draws from."""
    rows = []
    for number in range(batches):
        low_wines, hearts, tails = batch_rows(f"{number:03}")
        rows += [low_wines, hearts, {**tails, "to_lot": "feints"}]
    return rows


def test_a_receiver_that_only_grows_names_so_many_batches_and_loses_no_alcohol():
    moves = moves_of(*growing_receiver(300))
    ancestry = walk_ancestry(moves)
    assert max(len(node) for node in ancestry.nodes) <= 201
    for node in ancestry.nodes:
        assert math.fsum(node.values()) == pytest.approx(1.0, abs=1e-12)
    # No share is needed for the credit: 8 LPA of hearts and 1.5 LPA in the receiver, of each batch alike.
    net = credits(ancestry)
    for number in range(300):
        assert net[f"{number:03}"] == pytest.approx(9.5, abs=1e-9)
    now = ancestry_frame(ancestry, moves).filter(
        (pl.col("lot") == "feints") & pl.col("until_move_id").is_null()
    )
    named, pooled = now.filter(~pl.col("is_pooled")), now.filter(pl.col("is_pooled"))
    assert pooled["batch"].to_list() == [None]
    assert named["share_frac"].to_list() == pytest.approx([1.0 / 300.0] * named.height)
    assert pooled["share_frac"].item() == pytest.approx(1.0 - named.height / 300.0)
    assert pooled["lpa"].item() + named["lpa"].sum() == pytest.approx(300 * 1.5)
    assert "299" in named["batch"].to_list()


def test_what_stands_together_stays_together_when_it_is_charged():
    rows = growing_receiver(250)
    rows += [charge("last", "low wines", "last low wines", 10.0), charge("last", "feints", "feints", 10.0)]
    rows.append(collect("last", "hearts", "last hearts", 18.0))
    ancestry = walk_ancestry(moves_of(*rows))
    shares = ancestry.nodes[ancestry.run_nodes["last", "spirit"]]
    assert shares["last", False] == pytest.approx(0.5)
    named = [share for (batch, by_feints), share in shares.items() if batch is not None and by_feints]
    assert named == pytest.approx([0.5 / 250.0] * len(named))
    assert shares[POOLED] == pytest.approx(0.5 - len(named) * 0.5 / 250.0)
    assert math.fsum(shares.values()) == pytest.approx(1.0, abs=1e-12)
    net = credits(ancestry)
    # Of the 375 LPA in the receiver 10 went through the still and gave 9 of hearts: 1/250 of it each batch's.
    assert net["000"] == pytest.approx(8.0 + 1.5 * 365.0 / 375.0 + 9.0 / 250.0)
    assert net["249"] == pytest.approx(net["000"])
    assert net["last"] == pytest.approx(9.0)
