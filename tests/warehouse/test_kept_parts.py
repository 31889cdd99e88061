"""Parts are worked out only where no earlier build met them."""

from __future__ import annotations

import datetime as dt
import hashlib
import struct
from collections.abc import Iterator, Sequence

import duckdb
import polars as pl
import pytest

from pipeline.account.partition import PartOf
from pipeline.kept_parts import KEPT_SCHEMA, KeptParts, number_within, read_again
from pipeline.logs.load import ArrowStream

CELLS = pl.DataFrame(
    {
        "batch": ["B1", None, "", "Grützen\n"],
        "file_id": pl.Series([7, 9, None, 7], dtype=pl.Int32),
        "volume_l": [0.1, None, float("nan"), -0.0],
        "is_repeat": [True, None, False, True],
        "at": [dt.datetime(2031, 1, 1), None, dt.datetime(2031, 1, 2, 3, 4, 5, 6), None],
        "nothing": [None] * 4,
    }
)
WHOLE = pl.DataFrame({"name": ["reconcile", "title"], "number_value": [1.0, None]})


def stored(parts: KeptParts) -> duckdb.DuckDBPyConnection:
    """A database that holds what was worked out, as a build stores it."""
    con = duckdb.connect(":memory:")
    con.execute("create schema raw")
    con.register("incoming", ArrowStream(parts.frame()))
    con.execute("create table raw.kept_part as select * from incoming")
    return con


def season(frames: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """The frames as parts of one, their rows by turns."""
    return (
        pl.concat(
            frame.with_columns(part=pl.lit(number, pl.Int64), place=pl.int_range(pl.len()))
            for number, frame in enumerate(frames)
        )
        .sort("place", maintain_order=True)
        .drop("place")
    )


def counted(frames: Sequence[pl.DataFrame], earlier: KeptParts | None = None, step: str = "step") -> int:
    """How many of the parts, one a frame, had to be worked out."""
    worked: list[int] = []

    def work(frame: pl.DataFrame, whole: pl.DataFrame) -> Iterator[pl.DataFrame]:
        assert whole.equals(WHOLE)
        worked.append(frame.height)
        yield frame

    parts = KeptParts(None if earlier is None else stored(earlier))
    (found,) = parts.joined(step, [season(frames), WHOLE], work)
    for number, frame in enumerate(frames):
        own = found.filter(pl.col("part") == number).drop("part")
        assert own.equals(frame)
        assert own.schema == frame.schema
    assert found["part"].is_sorted()
    return len(worked)


def test_what_memory_holds_where_a_cell_is_null_is_not_stored() -> None:
    """Nulls made over other cells: polars leaves these where they are."""

    def work(frame: pl.DataFrame) -> Iterator[pl.DataFrame]:
        columns = [pl.when("is_there").then(pl.col(name)).alias(name) for name in frame.columns]
        yield frame.with_columns(columns)

    frames = [
        pl.DataFrame(
            {
                "is_there": [True, False],
                "jar_no": [1, remains],
                "volume_l": [0.5, float(remains)],
                "at": [dt.datetime(2031, 1, 1), dt.datetime(2031, 1, remains)],
                "lot": ["a", "b" * remains],
                "is_hearts": [True, remains > 8],
            }
        )
        for remains in (7, 9)
    ]
    stored_as = []
    for frame in frames:
        parts = KeptParts()
        (found,) = parts.joined("step", [frame.with_columns(part=pl.lit(0, pl.Int64))], work)
        assert found.drop("is_there", "part").null_count().row(0) == (1,) * 5
        stored_as.append(parts.frame()["content"].to_list())
    assert stored_as[0] == stored_as[1]


def plain_digest(frames: Sequence[pl.DataFrame]) -> str:
    """The digest of one part, cell by cell."""
    digest = hashlib.sha256()
    for frame in frames:
        digest.update(f"{frame.height} {list(frame.schema.items())!r}\n".encode())
        for column in frame:
            digest.update(b"".join(struct.pack("=?", cell is None) for cell in column))
            cells = column.to_physical()
            match cells.dtype:
                case pl.String():
                    texts = [(cell or "").encode() for cell in cells]
                    digest.update(b"".join(struct.pack("=I", len(text)) for text in texts) + b"".join(texts))
                case pl.Null():
                    continue
                case dtype:
                    sign = {pl.Boolean(): "?", pl.Int32(): "i", pl.Int64(): "q", pl.Float64(): "d"}[dtype]
                    digest.update(
                        b"".join(struct.pack(f"={sign}", 0 if cell is None else cell) for cell in cells)
                    )
    return digest.hexdigest()


@pytest.fixture
def made() -> KeptParts:
    """The parts of a build whose one part was `CELLS`."""
    parts = KeptParts()
    parts.joined("step", [season([CELLS]), WHOLE], lambda frame, whole: [frame])
    return parts


class TestTakingOver:
    def test_what_stands_in_an_earlier_database_is_not_worked_out_again(self, made):
        assert counted([CELLS], made) == 0

    def test_it_is_stored_again_byte_for_byte(self, made):
        again = KeptParts(stored(made))
        again.joined("step", [season([CELLS]), WHOLE], lambda frame, whole: [frame])
        assert again.frame().equals(made.frame())
        assert again.frame().schema == KEPT_SCHEMA

    def test_what_memory_holds_between_the_cells_makes_no_difference(self, made):
        pieces = pl.concat([CELLS[:1], CELLS[1:3], CELLS[3:]], rechunk=False)
        assert counted([pieces], made) == 0

    @pytest.mark.parametrize(
        "other",
        [
            CELLS.with_columns(pl.col("volume_l").fill_null(0.0)),
            CELLS.with_columns(pl.col("volume_l").replace(-0.0, 0.0)),
            CELLS.with_columns(pl.col("batch").fill_null("")),
            CELLS.with_columns(pl.col("is_repeat").fill_null(value=False)),
            CELLS.with_columns(pl.col("volume_l") * (1.0 + 2e-16)),
            CELLS.with_columns(pl.col("file_id").cast(pl.Int64)),
            CELLS.rename({"at": "on"}),
            CELLS.reverse(),
            CELLS[:3],
            CELLS.with_columns(pl.Series("batch", ["B", None, "1", "Grützen\n"])),
        ],
        ids=[
            *("nought", "sign of nought", "blank", "no", "last digit", "type", "name", "order", "row"),
            "where a text ends",
        ],
    )
    def test_any_other_cell_is_another_part(self, made, other):
        assert counted([other], made) == 1

    def test_the_same_frames_in_another_step_are_another_part(self, made):
        assert counted([CELLS], made, step="other step") == 1

    def test_another_frame_that_all_parts_share_makes_them_others(self, made):
        worked = []

        def work(frame, whole):
            worked.append(whole)
            return [frame]

        KeptParts(stored(made)).joined("step", [season([CELLS]), WHOLE.reverse()], work)
        assert len(worked) == 1

    def test_only_the_part_that_changed_is_worked_out(self):
        frames = [CELLS.with_columns(volume_l=pl.lit(float(number))) for number in range(5)]
        earlier = KeptParts()
        earlier.joined("step", [season(frames), WHOLE], lambda frame, whole: [frame])
        frames[3] = frames[3].with_columns(volume_l=pl.lit(9.0))
        assert counted(frames, earlier) == 1

    def test_parts_of_the_same_frames_are_worked_out_once(self):
        assert counted([CELLS, CELLS[:2], CELLS]) == 2

    @pytest.mark.parametrize(
        "frames", [[CELLS], [CELLS[:0], CELLS[1:], CELLS[:0], CELLS, CELLS[2:3]]], ids=["one", "some empty"]
    )
    def test_the_digests_taken_from_whole_columns_are_those_of_the_parts(self, frames):
        parts = KeptParts()
        parts.joined("step", [season(frames), WHOLE], lambda frame, whole: [frame])
        # Of no rows nothing is made.
        expected = {
            number: plain_digest([frame, WHOLE]) for number, frame in enumerate(frames) if frame.height
        }
        assert dict(parts.frame().select("part", "digest").iter_rows()) == expected

    def test_rows_of_no_part_are_in_none_and_a_season_without_parts_is_one_part(self):
        frames = pl.concat([CELLS.with_columns(part=pl.lit(None, pl.Int64)), season([CELLS[:1], CELLS[1:]])])
        heights = []

        def work(frame):
            heights.append(frame.height)
            return [frame.select("volume_l")]

        (found,) = KeptParts().joined("step", [frames], work)
        assert found.select("volume_l").equals(CELLS.select("volume_l"))
        (found,) = KeptParts().joined("step", [frames.clear()], work)
        assert heights == [1, 3, 0]
        assert found.schema == pl.Schema({"volume_l": pl.Float64(), "part": pl.Int64()})

    def test_a_season_without_parts_has_no_rows_even_where_a_part_of_no_rows_has(self):
        parts = KeptParts()
        (found,) = parts.joined("step", [season([CELLS]).clear(), WHOLE], lambda frame, whole: [whole])
        assert found.columns == [*WHOLE.columns, "part"]
        assert found.is_empty()
        assert parts.frame().is_empty()

    def test_parts_keep_their_numbers_whichever_of_them_there_are(self, made):
        numbered = pl.concat([CELLS.with_columns(part=pl.lit(57)), CELLS[:2].with_columns(part=pl.lit(3))])
        parts = KeptParts(stored(made))
        worked = []

        def work(frame, whole):
            worked.append(frame.height)
            return [frame]

        (found,) = parts.joined("step", [numbered, WHOLE], work)
        assert worked == [2], "the other one was met as part 0 before"
        assert found["part"].to_list() == [3, 3, 57, 57, 57, 57]
        assert found.filter(part=57).drop("part").equals(CELLS)
        assert parts.frame()["part"].to_list() == [3, 57]
        assert found.schema["part"] == pl.Int64

    def test_a_part_met_twice_is_stored_under_each_of_its_numbers_and_taken_over_once(self):
        parts = KeptParts()
        parts.joined("step", [season([CELLS, CELLS]), WHOLE], lambda frame, whole: [frame, frame])
        assert parts.frame().select("part", "frame_no").rows() == [(0, 0), (0, 1), (1, 0), (1, 1)]
        (one, other) = KeptParts(stored(parts)).joined(
            "step", [season([CELLS]), WHOLE], lambda frame, whole: pytest.fail("was worked out")
        )
        assert one.drop("part").equals(CELLS)
        assert other.equals(one)

    def test_the_part_of_a_batch_is_told_by_either_number(self):
        parts = pl.DataFrame(
            {"batch": ["B1", "B2", None], "lot": [None, None, "b1"], "part": [4, 4, 4], "piece": [7, 8, 7]}
        )
        frame = pl.DataFrame({"batch": ["B2", "B1", None, "B3", "B2"]})
        assert frame.select(PartOf.told(parts, "part").batches())["part"].to_list() == [
            4,
            4,
            None,
            None,
            4,
        ]
        assert frame.select(PartOf.told(parts, "piece").batches())["part"].to_list() == [
            8,
            7,
            None,
            None,
            8,
        ]

    def test_work_whose_columns_differ_is_refused(self):
        with pytest.raises(ValueError, match="other columns"):
            KeptParts().joined("step", [season([CELLS, CELLS[:1]])], lambda frame: [frame[:, : frame.height]])


class TestNumbers:
    def test_files_more_before_them_leave_the_numbers_within_as_they_were(self):
        parts = season([CELLS, CELLS[2:]])
        (one,), _ = number_within([parts], "file_id")
        (other,), _ = number_within([parts.with_columns(pl.col("file_id") + 2)], "file_id")
        assert one.equals(other)
        assert one.filter(pl.col("part") == 0)["file_id"].to_list() == [0, 1, None, 0]
        assert one.filter(pl.col("part") == 1)["file_id"].to_list() == [None, 0]

    def test_they_are_read_again_as_what_they_stood_for(self):
        parts = season([CELLS, CELLS[2:], CELLS[:1]])
        frames, numbers = number_within([parts, CELLS.drop("file_id"), parts[3:]], "file_id")
        assert read_again(frames[0], "file_id", numbers).equals(parts)
        assert read_again(frames[2], "file_id", numbers).equals(parts[3:])
        assert frames[1].equals(CELLS.drop("file_id"))
