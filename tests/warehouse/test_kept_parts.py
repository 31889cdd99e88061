"""Parts: cut where only their own batches say so, and worked out only where no earlier build met them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

import duckdb
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.kept_parts import KEPT_SCHEMA, KeptParts, number_within, part_of_each, read_again
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


def stored(parts: KeptParts) -> duckdb.DuckDBPyConnection:
    """A database that holds what was worked out, as a build stores it."""
    con = duckdb.connect(":memory:")
    con.execute("create schema raw")
    con.register("incoming", ArrowStream(parts.frame()))
    con.execute("create table raw.kept_part as select * from incoming")
    return con


def counted(frames: list[pl.DataFrame], earlier: KeptParts | None = None, step: str = "step") -> int:
    """How many of the parts, one a frame, had to be worked out."""
    worked: list[int] = []

    def work(frame: pl.DataFrame) -> Iterator[pl.DataFrame]:
        worked.append(frame.height)
        yield frame

    parts = KeptParts(None if earlier is None else stored(earlier))
    for frame, (found,) in zip(frames, parts.each(step, [(each,) for each in frames], work), strict=True):
        assert found.equals(frame)
        assert found.schema == frame.schema
    return len(worked)


@pytest.fixture
def made() -> KeptParts:
    """The parts of a build whose one part was `CELLS`."""
    parts = KeptParts()
    list(parts.each("step", [(CELLS,)], lambda frame: [frame]))
    return parts


class TestTakingOver:
    def test_what_stands_in_an_earlier_database_is_not_worked_out_again(self, made):
        assert counted([CELLS], made) == 0

    def test_it_is_stored_again_byte_for_byte(self, made):
        again = KeptParts(stored(made))
        list(again.each("step", [(CELLS,)], lambda frame: [frame]))
        assert again.frame().equals(made.frame())
        assert again.frame().schema == KEPT_SCHEMA

    def test_what_memory_holds_between_the_cells_makes_no_difference(self, made):
        pieces = pl.concat([CELLS[:1], CELLS[1:3], CELLS[3:]], rechunk=False)
        assert counted([pieces], made) == 0

    @pytest.mark.parametrize(
        "other",
        [
            CELLS.with_columns(pl.col("volume_l").fill_null(0.0)),
            CELLS.with_columns(pl.col("batch").fill_null("")),
            CELLS.with_columns(pl.col("is_repeat").fill_null(value=False)),
            CELLS.with_columns(pl.col("volume_l") * (1.0 + 2e-16)),
            CELLS.with_columns(pl.col("file_id").cast(pl.Int64)),
            CELLS.rename({"at": "on"}),
            CELLS.reverse(),
            CELLS[:3],
            CELLS.with_columns(pl.Series("batch", ["B", None, "1", "Grützen\n"])),
        ],
        ids=["nought", "blank", "no", "last digit", "type", "name", "order", "row", "where a text ends"],
    )
    def test_any_other_cell_is_another_part(self, made, other):
        assert counted([other], made) == 1

    def test_the_same_frames_in_another_step_are_another_part(self, made):
        assert counted([CELLS], made, step="other step") == 1

    def test_only_the_part_that_changed_is_worked_out(self):
        frames = [CELLS.with_columns(volume_l=pl.lit(float(number))) for number in range(5)]
        earlier = KeptParts()
        list(earlier.each("step", [(frame,) for frame in frames], lambda frame: [frame]))
        frames[3] = frames[3].with_columns(volume_l=pl.lit(9.0))
        assert counted(frames, earlier) == 1


class TestNumbers:
    def test_a_file_more_before_them_leaves_the_numbers_within_as_they_were(self):
        later = CELLS.with_columns(pl.col("file_id") + 1)
        (one,), _ = number_within((CELLS,), "file_id")
        (other,), _ = number_within((later,), "file_id")
        assert one.equals(other)
        assert one["file_id"].to_list() == [0, 1, None, 0]

    def test_they_are_read_again_as_what_they_stood_for(self):
        frames, numbers = number_within((CELLS, CELLS.drop("file_id"), CELLS[:1]), "file_id")
        assert read_again(frames[0], "file_id", numbers).equals(CELLS)
        assert frames[1].equals(CELLS.drop("file_id"))


NAMES = [f"G{number:05d}" for number in range(1_000)]


class TestCuts:
    def test_a_short_season_is_one_part(self):
        assert set(part_of_each([[name] for name in NAMES[:96]]).values()) == {0}

    @pytest.mark.parametrize(
        "sets",
        [[NAMES], [[name] for name in NAMES], [NAMES[first : first + 20] for first in range(0, 1_000, 20)]],
    )
    def test_parts_are_some_dozens_of_batches_whatever_hangs_together(self, sets):
        part_of = part_of_each(sets)
        assert list(part_of) == NAMES
        sizes = pl.Series(list(part_of.values())).value_counts()["count"]
        assert 20 <= sizes.mean() <= 50
        assert sizes.max() < 200

    def test_a_set_of_some_seasons_length_is_not_cut(self):
        part_of = part_of_each([NAMES[:90], NAMES[90:490]])
        assert [len({part_of[name] for name in names}) for names in (NAMES[:90], NAMES[90:490])] == [1, 1]

    @given(st.integers(0, 1_000), st.text(min_size=1, max_size=5), st.booleans())
    def test_a_batch_more_moves_only_the_ends_next_to_it(self, place, name, hangs_together):
        longer = [*NAMES[:place], f"new {name}", *NAMES[place:]]
        before, after = (
            part_of_each([names] if hangs_together else [[each] for each in names])
            for names in (NAMES, longer)
        )
        assert len(members(after) - members(before)) <= 6


def members(part_of: dict[str, int]) -> set[frozenset[str]]:
    """The parts as sets of batches."""
    found: dict[int, set[str]] = {}
    for batch, part in part_of.items():
        found.setdefault(part, set()).add(batch)
    return {frozenset(each) for each in found.values()}
