"""A season reconciled part by part: nothing lost where nothing is cut, little where a receiver is."""

from __future__ import annotations

import duckdb
import numpy as np
import polars as pl
import pytest

import pipeline.account.partition
import pipeline.reconcile.parts
from pipeline.account.partition import PartOf, part_season
from pipeline.kept_parts import Frames, KeptParts
from pipeline.logs import read_logs
from pipeline.logs.load import ArrowStream
from pipeline.reconcile.calibrate import WANTED
from pipeline.reconcile.parts import reconcile_season
from pipeline.reconcile.step import READS, SCHEMAS, reconcile_step
from pipeline.settings import Settings
from pipeline.simulate import simulate_season, write_season
from pipeline.warehouse import make_tables

BATCHES = 10


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory) -> Frames:
    """What the reconciliation reads of a season without mistakes, whose batches share two receivers."""
    place = tmp_path_factory.mktemp("season")
    write_season(simulate_season(BATCHES, seed=8, mistakes=()), place)
    settings = Settings.find(place)
    with duckdb.connect(":memory:") as con:
        make_tables(con, read_logs(place, settings), settings, WANTED)
        return tuple(pl.DataFrame(con.sql(query)) for query in READS)


@pytest.fixture
def worked(monkeypatch: pytest.MonkeyPatch) -> list[set[str]]:
    """The batches of each part that was worked out."""
    found: list[set[str]] = []

    def note(*part: pl.DataFrame, share_of_alarms: float) -> list[pl.DataFrame]:
        found.append(set(part[1]["batch"].drop_nulls()))
        return list(reconcile_step(*part, share_of_alarms=share_of_alarms))

    monkeypatch.setattr(pipeline.reconcile.parts, "reconcile_step", note)
    return found


def cut(monkeypatch: pytest.MonkeyPatch, whole_up_to: int, fewest: int) -> None:
    monkeypatch.setattr(pipeline.account.partition, "WHOLE_UP_TO", whole_up_to)
    monkeypatch.setattr(pipeline.account.partition, "LONGEST_SET", whole_up_to)
    monkeypatch.setattr(pipeline.account.partition, "FEWEST", fewest)


BY_PIECE = ("account.reconciled", "account.component", "account.piece_suspect")


def in_order(tables: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """A season reconciled in one go, as its tables stand."""
    return {
        name: table.select(pl.lit(0, pl.Int64).alias("piece"), pl.all())
        if name in BY_PIECE
        else table.sort(table.columns[:2])
        for name, table in tables.items()
    }


def reconciled(frames: Frames, parts: KeptParts | None = None) -> dict[str, pl.DataFrame]:
    moves = frames[1]
    (season_parts,) = part_season(moves, moves.select(pl.col("batch").drop_nulls().unique()))
    found = reconcile_season(*frames, season_parts, parts=parts or KeptParts())
    return dict(zip(SCHEMAS, found, strict=True))


def earlier(frames: Frames) -> KeptParts:
    """The parts of a build of these frames, as a later build finds them."""
    parts = KeptParts()
    reconciled(frames, parts)
    con = duckdb.connect(":memory:")
    con.execute("create schema raw")
    con.register("incoming", ArrowStream(parts.frame()))
    con.execute("create table raw.kept_part as select * from incoming")
    return KeptParts(con)


def corrected(frames: Frames, batch: str, change: float = 1.02) -> Frames:
    """The frames with one jar of a batch read otherwise."""
    rows, moves, *rest = frames
    first = moves.filter(pl.col("batch") == batch, pl.col("kind") == "collect").row(0, named=True)
    is_it = (pl.col("file_id") == first["file_id"]) & (pl.col("line") == first["line"])
    volumes = [name for name in ("volume_l", "volume_20c_l") if name in rows.columns]
    return (
        rows.with_columns(pl.when(is_it).then(pl.col(volumes) * change).otherwise(pl.col(volumes))),
        moves.with_columns(
            pl.when(is_it).then(pl.col("volume_l") * change).otherwise("volume_l").alias("volume_l")
        ),
        *rest,
    )


def assert_same(found: dict[str, pl.DataFrame], expected: dict[str, pl.DataFrame]) -> None:
    for name, table in expected.items():
        assert found[name].equals(table), name
        assert list(found[name].schema.items())[name in BY_PIECE :] == list(SCHEMAS[name].items())


def test_a_short_season_is_reconciled_whole(frames):
    whole = dict(zip(SCHEMAS, reconcile_step(*frames), strict=True))
    assert_same(reconciled(frames), in_order(whole))
    assert whole["account.component"]["batches"].sum() == BATCHES


def test_sets_apart_come_out_as_they_do_together(frames, worked, monkeypatch):
    # By their casks all batches hang together.
    rows, moves, *rest = frames
    frames = (rows.filter(pl.col("cask").is_null()), moves.filter(pl.col("batch").is_not_null()), *rest)
    whole = dict(zip(SCHEMAS, reconcile_step(*frames), strict=True))
    sizes = whole["account.component"]["batches"].to_list()
    cut(monkeypatch, whole_up_to=max(sizes), fewest=1)
    apart = reconciled(frames)
    assert sorted(map(len, worked)) == sorted(sizes)
    keys = ["file_id", "line", "quantity"]
    both = apart["account.reconciled"].join(whole["account.reconciled"], on=keys)
    assert both.height == whole["account.reconciled"].height
    moved = (both["reconciled_value"] - both["reconciled_value_right"]) / both["reconciled_value_u"]
    assert moved.abs().max() < 1e-3
    assert apart["account.component"].select("piece", "component_no").rows() == [
        (piece, 1) for piece in range(len(sizes))
    ]


def test_a_receiver_handed_on_accuses_nobody_and_changes_little(frames, worked, monkeypatch):
    whole = reconciled(frames)
    worked.clear()
    cut(monkeypatch, whole_up_to=1, fewest=2)
    parted = reconciled(frames)
    assert len(worked) >= 3
    assert parted["account.piece_suspect"].is_empty()
    assert parted["account.component"]["p_value"].drop_nulls().min() > 1e-3
    both = parted["account.reconciled_batch"].join(
        whole["account.reconciled_batch"], on=["batch", "alcohol_of"]
    )
    assert both.height == whole["account.reconciled_batch"].height
    moved = ((both["reconciled_lpa"] - both["reconciled_lpa_right"]) / both["reconciled_lpa_u"]).abs()
    assert np.median(moved) < 0.1
    assert moved.max() < 2.0
    # Nothing is known better for being looked at alone.
    assert (both["reconciled_lpa_u"] / both["reconciled_lpa_u_right"]).min() > 0.99


@pytest.mark.parametrize("whole_up_to", [1, 5])
def test_a_corrected_reading_is_worked_out_in_its_own_part_alone(frames, worked, monkeypatch, whole_up_to):
    cut(monkeypatch, whole_up_to, fewest=1)
    kept = earlier(frames)
    batch = sorted(worked[1])[0]
    others = corrected(frames, batch)
    worked.clear()
    found = reconciled(others, kept)
    assert len(worked) == 1
    assert batch in worked[0]
    assert_same(found, reconciled(others))


def test_a_file_and_moves_more_before_them_leave_the_parts_as_they_were(frames, worked, monkeypatch):
    cut(monkeypatch, whole_up_to=1, fewest=2)
    kept = earlier(frames)
    worked.clear()
    later = tuple(
        frame.with_columns(
            pl.col(name) + more for name, more in (("file_id", 1), ("move_id", 7)) if name in frame.columns
        )
        for frame in frames
    )
    found = reconciled(later, kept)
    assert worked == []
    assert_same(found, reconciled(later))


@pytest.mark.parametrize(("parts", "share"), [(1, 1.0), (2, 0.5), (3, 0.25), (4, 0.25), (5, 0.125)])
def test_all_parts_together_are_allowed_no_more_false_alarms_than_a_season(parts, share):
    assert pipeline.reconcile.parts._share_of_alarms(parts) == share
    assert parts * share <= 1.0


def test_a_move_without_a_batch_goes_with_whoever_touched_its_lot_before():
    """Against every move looked at in turn."""
    chance = np.random.default_rng(5)
    lots = [None, *(f"lot {number}" for number in range(12))]
    batches = [*(f"B{number}" for number in range(6)), None, None]
    drawn = [
        (chance.choice(batches), *(chance.choice(lots, p=[0.4, *[0.05] * 12]) for _ in range(2)))
        for _ in range(400)
    ]
    columns = dict.fromkeys(("batch", "from_lot", "to_lot"), pl.String)
    moves = pl.DataFrame(drawn, schema=columns, orient="row")
    piece_of = {batch: number // 2 for number, batch in enumerate(batches) if batch is not None}
    first: dict[str | None, int] = {}
    for batch, source, target in drawn:
        if batch is not None:
            first.setdefault(source, piece_of[batch])
            first.setdefault(target, piece_of[batch])
    first.pop(None)
    told = PartOf(piece_of, first)
    # A move of neither a batch nor a lot belongs nowhere.
    moves = moves.filter(~pl.all_horizontal(pl.all().is_null()))
    last: dict[str | None, int] = {}
    expected = []
    for batch, source, target in moves.iter_rows():
        touched = last.get(source, last.get(target, first.get(source, first.get(target))))
        expected.append(piece_of[batch] if batch is not None else touched)
        last |= dict.fromkeys({source, target} - {None}, expected[-1])
    every_lot = pl.Series(lots[1:])
    found = pipeline.reconcile.parts._pieces_of_moves(moves, told, every_lot)
    assert found.to_list() == expected
    # Where no part is cut, a lot is in one piece alone.
    uncut = pipeline.reconcile.parts._pieces_of_moves(moves, told, every_lot.clear())
    assert uncut.equals(told.moves(moves))
    assert not uncut.equals(found)


def test_a_season_without_a_log_has_the_tables(frames):
    empty = reconciled(tuple(frame.clear() for frame in frames[:-1]) + frames[-1:])
    assert empty.keys() == SCHEMAS.keys()
    assert_same(empty, empty)
    assert all(table.is_empty() for table in empty.values())
