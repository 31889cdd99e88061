"""The season's parts and pieces: cut where only their own batches say so, and pieces within parts."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

import pipeline.account.partition
from pipeline.account.linked import LinkedSet
from pipeline.account.partition import PART_SCHEMA, PartOf, cut_sets, part_season

NAMES = [f"G{number:05d}" for number in range(1_000)]
ALONE = [[name] for name in NAMES]
TWENTIES = [NAMES[first : first + 20] for first in range(0, 1_000, 20)]


def numbers(sets: Sequence[Sequence[str]]) -> dict[str, tuple[int, int]]:
    """The part and the piece of each batch."""
    found = {}
    for batches, cut in zip(sets, cut_sets([LinkedSet(list(each)) for each in sets]), strict=True):
        pieces = cut.pieces if len(cut.pieces) > 1 else list(cut.pieces) * len(batches)
        found.update({batch: (cut.part, piece) for batch, piece in zip(batches, pieces, strict=True)})
    return found


def members(found: dict[str, tuple[int, int]], which: int) -> list[set[str]]:
    """The parts (0) or the pieces (1) as sets of batches, in the order of their numbers."""
    sets: dict[int, set[str]] = {}
    for batch, each in found.items():
        sets.setdefault(each[which], set()).add(batch)
    assert sorted(sets) == list(range(len(sets)))
    return [sets[number] for number in sorted(sets)]


def test_a_short_season_is_one_part_and_one_piece():
    assert set(numbers(ALONE[:96]).values()) == {(0, 0)}
    assert set(numbers([NAMES[:96]]).values()) == {(0, 0)}


@pytest.mark.parametrize("sets", [ALONE, TWENTIES])
def test_small_sets_are_put_together_to_some_dozens_of_batches(sets):
    found = numbers(sets)
    parts = members(found, 0)
    assert members(found, 1) == parts
    sizes = [len(each) for each in parts]
    assert min(sizes[:-1]) >= pipeline.account.partition.FEWEST
    assert max(sizes) < 2 * pipeline.account.partition.FEWEST + len(sets[0])
    assert all(any(set(batches) <= part for part in parts) for batches in sets)


def test_a_set_of_some_seasons_length_is_one_piece():
    found = numbers([NAMES[:90], NAMES[90:490]])
    assert members(found, 1) == members(found, 0) == [set(NAMES[:90]), set(NAMES[90:490])]


def test_a_long_set_is_one_part_in_pieces_that_nothing_else_belongs_to():
    found = numbers([NAMES[:10], NAMES[10:700], NAMES[700:]])
    assert members(found, 0) == [set(NAMES[:10]), set(NAMES[10:700]), set(NAMES[700:])]
    pieces = members(found, 1)
    assert pieces[0] == set(NAMES[:10])
    assert pieces[-1] == set(NAMES[700:])
    sizes = [len(each) for each in pieces[1:-1]]
    assert min(sizes[:-1]) >= pipeline.account.partition.FEWEST
    assert max(sizes) <= 2 * pipeline.account.partition.FEWEST
    # Batches begun one after another.
    assert [piece for _, piece in found.values()] == sorted(piece for _, piece in found.values())


@given(st.integers(0, 1_000), st.text(min_size=1, max_size=5), st.booleans(), st.sampled_from([0, 1]))
def test_a_batch_more_moves_only_the_ends_next_to_it(place, name, hangs_together, which):
    longer = [*NAMES[:place], f"new {name}", *NAMES[place:]]
    before, after = (
        {
            frozenset(each)
            for each in members(numbers([names] if hangs_together else [[each] for each in names]), which)
        }
        for names in (NAMES, longer)
    )
    assert len(after - before) <= 6


MOVES = pl.DataFrame(
    [
        ("B2", None, "B2 hearts"),
        (None, "b2  Hearts", "cask K1"),
        ("B1", "Feints", "feints"),
        (None, "k1", None),
        (None, "bought", "cask K2"),
        ("B3", None, "vat"),
        (None, "vat", "FEINTS"),
    ],
    schema=dict.fromkeys(("batch", "from_lot", "to_lot"), pl.String),
    orient="row",
)
BEGUN = pl.DataFrame({"batch": ["B1", "B2", "B3", "B4"]})


def test_lots_stand_under_every_name_they_go_by_and_a_batch_that_moved_nothing_stands_alone(monkeypatch):
    monkeypatch.setattr(pipeline.account.partition, "WHOLE_UP_TO", 0)
    monkeypatch.setattr(pipeline.account.partition, "FEWEST", 1)
    (found,) = part_season(MOVES, BEGUN)
    assert found.schema == PART_SCHEMA
    told = {
        part: sorted(set(own["batch"]) | set(own["lot"]) - {None}, key=str)
        for (part,), own in found.group_by("part", maintain_order=True)
    }
    lots = {
        part: set(own["lot"].drop_nulls()) for (part,), own in found.group_by("part", maintain_order=True)
    }
    assert list(told) == [0, 1, 2, 3]
    assert found["batch"].drop_nulls().to_list() == ["B2", "B1", "B3", "B4"]
    assert lots == {
        0: {"B2 hearts", "b2 hearts", "b2  Hearts", "cask K1", "cask k1", "k1"},
        1: {"Feints", "feints", "FEINTS", "vat"},
        2: set(),
        3: {"bought", "cask K2", "cask k2"},
    }
    assert found["piece"].equals(found["part"].rename("piece"))
    assert found["pieces"].unique().to_list() == [4]
    assert PartOf.told(found).moves(MOVES).to_list() == [0, 0, 1, 0, 3, 1, 1]
    with pytest.raises(ValueError, match="knows neither"):
        PartOf.told(found.filter(part=0)).moves(MOVES)


def test_a_lot_of_a_part_in_pieces_is_in_the_piece_that_touched_it_first(monkeypatch):
    monkeypatch.setattr(pipeline.account.partition, "WHOLE_UP_TO", 0)
    monkeypatch.setattr(pipeline.account.partition, "LONGEST_SET", 1)
    monkeypatch.setattr(pipeline.account.partition, "FEWEST", 1)
    (found,) = part_season(MOVES, BEGUN)
    pieces = PartOf.told(found, "piece")
    assert pieces.of_batch == {"B2": 0, "B1": 1, "B3": 2, "B4": 3}
    assert {lot: pieces.of_lot[lot] for lot in ("feints", "FEINTS", "vat", "k1", "bought")} == {
        "feints": 1,
        "FEINTS": 1,
        "vat": 2,
        "k1": 0,
        "bought": 4,
    }
    assert PartOf.told(found).of_batch == {"B2": 0, "B1": 1, "B3": 1, "B4": 2}
    assert found["pieces"].unique().to_list() == [5]


def test_a_season_without_a_move_has_the_columns():
    (found,) = part_season(MOVES.clear(), BEGUN.clear())
    assert found.schema == PART_SCHEMA
    assert found.is_empty()
