"""The account worked out part by part: what hangs together stays together, and nothing is lost by it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest
from scipy import sparse

import pipeline.account.partition
import pipeline.account.step
from pipeline.account import account_step, walk_entries, walk_season
from pipeline.account.linked import sets_with_lots
from pipeline.account.numbers import numbered_in_part
from pipeline.account.part import account_of_part
from pipeline.account.partition import ENTRY_ORDER, PartOf, part_season
from pipeline.account.season_sums import put_together, sums_frame
from pipeline.account.step import MAKES, READS
from pipeline.account.uncertain import Uncertain
from pipeline.kept_parts import KeptParts
from pipeline.logs import read_logs
from pipeline.logs.load import ArrowStream
from pipeline.settings import Settings
from pipeline.warehouse import make_tables

Tables = dict[str, pl.DataFrame]
Season = tuple[list[pl.DataFrame], pl.DataFrame]
"""What the account's step reads but for the parts, and account.entry."""

HEADER = "batch,when,step,run,item,cut,source,lot,mass,volume,gravity,strength"
BATCH = """\
{name},{day} 08:00,grain,,pale malt,,,,40,,,
{name},{day} 09:00,wort,,,,,,,200,1.062,
{name},{day} 10:00,wash,,,,,,,200,1.062,
{name},{day} 11:00,wash,,,,,,,,1.000,
{name},{day} 12:00,charge,strip,wash,,,,,{wash},,
{name},{day} 13:00,collect,strip,,low wines,,,,55,,26
{name},{day} 14:00,residue,strip,,,,,,140,,1
{name},{day} 15:00,charge,spirit,low wines,,,,,54,,26
{name},{day} 15:10,charge,spirit,feints,,{feints},,,{drawn},,
{name},{day} 16:00,collect,spirit,,heads,,{feints},,0.8,,79
{name},{day} 17:00,collect,spirit,,hearts,,{hearts},,6,,74
{name},{day} 17:30,collect,spirit,,hearts,,{hearts},,6,,{strength}
{name},{day} 18:00,collect,spirit,,tails,,{feints},,5,,38
"""
# Who shares a receiver, a cask or a vat with whom, in two seasons; B5 shares nothing.
BATCHES = (
    {"name": "B1", "day": "2031-03-01", "feints": "feints A", "hearts": "B1 hearts", "drawn": 0},
    {"name": "B2", "day": "2031-04-01", "feints": "Feints  a", "hearts": "B2 hearts", "drawn": 4},
    {"name": "B3", "day": "2031-05-01", "feints": "feints B", "hearts": "B3 hearts", "drawn": 0},
    {"name": "B4", "day": "2031-06-01", "feints": "feints C", "hearts": "vat 1", "drawn": 0},
    {"name": "B5", "day": "2031-07-01", "feints": "feints D", "hearts": "B5 hearts", "drawn": 0},
    {"name": "B6", "day": "2032-02-01", "feints": "feints A", "hearts": "B6 hearts", "drawn": 6},
)
CASKS = """\
cask,when,step,source,volume,strength,wood,capacity
K1,2031-08-01,fill,B3 hearts,10,60,oak,20
K2,2031-08-01,fill,B2 hearts,8,60,oak,10
K1,2031-09-01,gauge,,9.8,59.9,,
K1,2031-12-01,top up,vat 1,1,,,
K1,2032-02-20,gauge,,10.4,59.5,,
K1,2032-06-01,gauge,,10.1,59.2,,
K2,2032-03-01,gauge,,7.8,59.7,,
K2,2032-05-01,draw,,1,59.7,,
K9,2031-08-02,fill,bought spirit,30,60,oak,30
K9,2032-08-02,gauge,,28,59.6,,
"""
SETS = [{"B1", "B2", "B6"}, {"B3", "B4"}, {"B5"}]


def logs(place: Path) -> Path:
    place.mkdir()
    for number, batch in enumerate(BATCHES):
        # One jar was not read: what it is taken for is a reading of its own.
        said = {**batch, "wash": 190 + number, "strength": "" if batch["name"] == "B2" else 66}
        (place / f"{batch['name']}.csv").write_text(f"{HEADER}\n{BATCH.format(**said)}", encoding="utf-8")
    (place / "casks.csv").write_text(CASKS, encoding="utf-8")
    return place


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Season]:
    """A season of three sets of batches and a cask of bought spirit."""
    place = logs(tmp_path_factory.mktemp("season") / "logs")
    with duckdb.connect(":memory:") as con:
        make_tables(con, read_logs(place, Settings()), Settings(), ["account.credit"])
        entries = pl.DataFrame(con.sql(f"select * from account.entry order by {ENTRY_ORDER}"))
        yield [pl.DataFrame(con.sql(query)) for query in READS[:-1]], entries


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> list[set[str]]:
    """Every set a part of its own; the batches of each that is worked out."""
    monkeypatch.setattr(pipeline.account.partition, "WHOLE_UP_TO", 0)
    monkeypatch.setattr(pipeline.account.partition, "FEWEST", 1)
    found: list[set[str]] = []

    def note(*part: pl.DataFrame) -> Iterable[pl.DataFrame]:
        found.append(set(part[1]["batch"].drop_nulls()))
        return account_of_part(*part)

    monkeypatch.setattr(pipeline.account.step, "account_of_part", note)
    return found


def season_parts(frames: list[pl.DataFrame]) -> pl.DataFrame:
    """account.part, of the moves and batches among the frames."""
    return part_season(frames[1], frames[5])[0]


def account(frames: list[pl.DataFrame], parts: KeptParts | None = None) -> Tables:
    tables = account_step(*frames, season_parts(frames), parts=parts or KeptParts())
    return dict(zip(MAKES, tables, strict=True))


@pytest.fixture(scope="module")
def whole(frames: Season) -> Tables:
    return account(frames[0])


def test_a_short_season_is_one_part_and_its_sets_are_what_shares_lots_or_casks(
    frames: Season, small: list[set[str]], whole: Tables
) -> None:
    parted = account(frames[0])
    assert [batches for batches in small if batches] == SETS
    assert len(small) == len(SETS) + 1, "a cask of bought spirit is a part without a batch"
    moves = frames[0][1]
    part = PartOf.told(season_parts(frames[0])).moves(moves)
    number = numbered_in_part(pl.int_range(pl.len()).over("part")).alias("move_id")
    moves_of_parts = moves.with_columns(part).with_columns(number)
    for name, table in whole.items():
        if name in ("account.part_sum", "account.part_flow"):
            continue
        found = placed(parted[name], moves_of_parts, parted["account.reading"])
        table = placed(table, moves, whole["account.reading"])
        numbers = [column for column, kind in table.schema.items() if kind == pl.Float64]
        assert found.drop(numbers).equals(table.drop(numbers)), name
        for column in numbers:
            np.testing.assert_allclose(
                found[column].fill_null(np.nan).to_numpy(),
                table[column].fill_null(np.nan).to_numpy(),
                rtol=1e-9,
                atol=1e-12,
                err_msg=f"{name} {column}",
            )
    assert whole["account.part_sum"]["season"].unique().sort().to_list() == ["2031", "2032"]
    assert parted["account.part_sum"]["part"].unique().sort().to_list() == [0, 1, 2, 3]
    assert whole["account.cask_held"]["lot"].unique().sort().to_list() == ["cask k1", "cask k2", "cask k9"]
    assert whole["account.reading"].filter(quantity="not measured").height == 1


def placed(table: pl.DataFrame, moves: pl.DataFrame, readings: pl.DataFrame) -> pl.DataFrame:
    """A table with the place in the logs of each move and reading in the place of its number; in order."""
    place = pl.concat_str("file_id", "line", "batch", "quantity", separator=":", ignore_nulls=True)
    places = {
        "move_id": dict(moves.select("move_id", pl.format("{}:{}", "file_id", "line")).iter_rows()),
        "reading_id": dict(readings.select("reading_id", place).iter_rows()),
    }
    for column in table.columns:
        known = places.get(column.removeprefix("until_"))
        if known is not None:
            place = pl.col(column).replace_strict(known, default=None, return_dtype=pl.String)
            assert table.select(place.is_null().sum()).item() == table[column].null_count()
            table = table.with_columns(place)
    return table.sort([column for column, kind in table.schema.items() if kind != pl.Float64])


def test_the_walk_is_the_same_whole_and_in_parts(frames: Season, small: list[set[str]]) -> None:
    entries = frames[1]
    walked = walk_season(entries, season_parts(frames[0]), KeptParts())
    for parted, table in zip(walked, walk_entries(entries), strict=True):
        # Whatever a part is told of others, its moves are its own: only their numbers are the part's.
        order = ["lot"] if "lot" in table.columns else ["file_id", "line"]
        parted, table = (each.drop("move_id", strict=False).sort(order) for each in (parted, table))
        assert parted.equals(table)


def test_only_the_part_that_changed_is_worked_out_again(frames: Season, small: list[set[str]]) -> None:
    kept = KeptParts()
    before = account(frames[0], kept)
    small.clear()
    rows = frames[0][0]
    is_b5 = (rows["batch"] == "B5") & (rows["step"] == "residue")
    # Whatever counts through the season counts on: as if a file and its steps had come before all others.
    later = [
        frame.with_columns(pl.col(name) + 7 for name in frame.columns if name in COUNTED)
        for frame in frames[0]
    ]
    later[0] = later[0].with_columns(
        pl.when(is_b5).then(pl.col("volume_l") + 1.0).otherwise(pl.col("volume_l")).alias("volume_l")
    )
    with duckdb.connect(":memory:") as con:
        con.execute("create schema raw")
        con.register("packed", ArrowStream(kept.frame()))
        con.execute("create table raw.kept_part as select * from packed")
        taken_over = account(later, KeptParts(con))
    assert small == [{"B5"}]
    fresh = account(later)
    for name, table in fresh.items():
        assert taken_over[name].equals(table), name
    assert fresh["account.ancestry"]["move_id"].equals(before["account.ancestry"]["move_id"])


COUNTED = ("file_id", "move_id")


def test_a_cask_is_one_lot_whether_it_is_called_cask_or_not() -> None:
    moves = pl.DataFrame(
        [
            ("B1", None, "b1 hearts"),
            (None, "b1 hearts", "cask 7"),
            (None, "7", None),
            ("B2", None, "b2 hearts"),
            (None, "spirit", "cask 8"),
            ("B3", "cask 7", None),
        ],
        schema=["batch", "from_lot", "to_lot"],
        orient="row",
    )
    found = sets_with_lots(moves)
    assert [each.batches for each in found] == [["B1", "B3"], ["B2"], []]
    assert [each.lots for each in found] == [["b1 hearts", "7"], ["b2 hearts"], ["spirit", "8"]]


def column(values: list[float], jacobian: list[list[float]]) -> Uncertain:
    return Uncertain(np.array(values), sparse.csr_matrix(np.array(jacobian)))


def test_sums_of_two_parts_have_the_uncertainty_of_all_their_readings() -> None:
    """Two seasons; the second is in the second part alone, and the share of the whole is what counts."""
    u = np.array([0.1, 0.2, 0.4])
    one = {"part": column([2.0], [[1.0, 0.5, 0.0]]), "whole": column([5.0], [[1.0, 1.0, 1.0]])}
    other = {
        "part": column([3.0, 1.0], [[0.3, 0.0, -1.0], [0.0, 1.0, 0.0]]),
        "whole": column([4.0, 2.0], [[1.0, 0.0, 2.0], [0.0, 0.0, 1.0]]),
    }

    def whole_of(_: str) -> str:
        return "whole"

    handed_on = pl.concat(
        sums_frame(sums, whole_of, seasons, u).with_columns(pl.lit(number).alias("part"))
        for number, (sums, seasons) in enumerate(((one, ["a"]), (other, ["a", "b"])))
    )
    sums, sum_u = put_together(handed_on, ["part", "whole"], whole_of, ["a", "b"])
    every_u = np.concatenate([u, u])
    part = column([5.0, 1.0], [[1.0, 0.5, 0.0, 0.3, 0.0, -1.0], [0, 0, 0, 0, 1.0, 0]])
    whole = column([9.0, 2.0], [[1.0, 1.0, 1.0, 1.0, 0.0, 2.0], [0, 0, 0, 0, 0, 1.0]])
    expected: dict[str, Callable[[Uncertain, Uncertain], Uncertain]] = {
        "sum": lambda share, _: share,
        "whole": lambda _, all_of_it: all_of_it,
        "share": lambda share, all_of_it: share / all_of_it,
    }
    for name, figure in expected.items():
        found, known = figure(sums["part"], sums["whole"]), figure(part, whole)
        np.testing.assert_allclose(found.values, known.values, err_msg=name)
        np.testing.assert_allclose(found.u(sum_u), known.u(every_u), rtol=1e-12, err_msg=name)
    assert (sums["whole"] / sums["whole"]).u(sum_u).tolist() == [0.0, 0.0]
