"""Thousands in groups: read where the file's decimal mark leaves one reading, refused where it leaves two."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.logs import LogFrames

Read = Callable[..., LogFrames]

HEADER = "batch;step;volume;temperature"


def _volumes(frames: LogFrames) -> list[float | None]:
    return frames.values["batch_value"]["volume_l"].to_list()


@pytest.mark.parametrize(
    ("written", "volume_l"),
    [
        ("1,250.5", 1250.5),
        ("1.250,5", 1250.5),
        ("1 250,5", 1250.5),
        ("1\u00a0250,5", 1250.5),
        ("1\u2009250,5", 1250.5),
        ("1\u202f250.5", 1250.5),
        ("1'250.5", 1250.5),
        ("1’250 L", 1250.0),
        # ISO 80000-1:2009, 7.3.1, has groups of three with a small space, and no comma or point between them
        # (from memory).
        ("1 400", 1400.0),
        ("12 345 678 mL", 12345.678),
        ("1,250,000 mL", 1250.0),
        ("1.250.000 mL", 1250.0),
        ("0,250", 0.25),
        ("1250,125", 1250.125),
        (".250", 0.25),
    ],
)
def test_a_number_that_can_be_read_one_way_is_read(read: Read, written: str, volume_l: float) -> None:
    frames = read(f"{HEADER}\nB1;sparge;{written};\n")
    assert frames.problems.is_empty()
    assert _volumes(frames) == [pytest.approx(volume_l, rel=1e-12)]


@pytest.mark.parametrize("written", ["1,250", "1.250", "1,250 L", "12.500"])
def test_a_mark_before_three_digits_alone_is_never_guessed(read: Read, written: str) -> None:
    frames = read(f"{HEADER}\nB1;sparge;{written};20\n")
    assert frames.problems.select("kind", "line", "column").rows() == [("thousands_separator", 2, "volume")]
    assert "no other number of the file tells which" in frames.problems["message"][0]
    assert _volumes(frames) == [None]
    assert frames.values["batch_value"]["cells_set_aside"].to_list() == ["volume"]
    assert frames.files["decimal_mark"].to_list() == [None]


@pytest.mark.parametrize(
    ("written", "evidence", "volume_l"),
    [
        ("1,250", "20.5", 1250.0),
        ("1,250", "20,5", 1.25),
        ("1.250", "20.5", 1.25),
        ("1.250", "20,5", 1250.0),
        # 20125 degC is no temperature: the mark in 20,125 is a decimal one.
        ("1.250", "20,125", 1250.0),
        ("1,250", "20.125 ", 1250.0),
    ],
)
def test_the_rest_of_the_file_tells(read: Read, written: str, evidence: str, volume_l: float) -> None:
    frames = read(f"{HEADER}\nB1;sparge;{written};{evidence}\n")
    assert frames.problems.is_empty()
    assert _volumes(frames) == [volume_l]


def test_gravities_alone_tell_a_decimal_comma(read: Read) -> None:
    frames = read("batch;step;volume;gravity\nB1;wort;1,250;1,062\n")
    assert frames.problems.is_empty()
    assert _volumes(frames) == [1.25]


def test_quoted_commas_group_where_the_delimiter_is_a_comma_and_decimals_are_points(read: Read) -> None:
    frames = read('batch,step,volume,gravity\nB1,wort,"1,250",1.062\nB1,wort,"1,250.5 L",1.062\n')
    assert frames.problems.is_empty()
    assert _volumes(frames) == [1250.0, 1250.5]


def test_another_file_tells_nothing(read: Read, tmp_path: Path) -> None:
    (tmp_path / "other.csv").write_text(f"{HEADER}\nB2;sparge;12,5;\n")
    frames = read(f"{HEADER}\nB1;sparge;1,250;\n")
    assert frames.problems.select("file", "kind").rows() == [("log.csv", "thousands_separator")]


def test_a_file_that_groups_and_points_both_ways_is_refused(read: Read) -> None:
    frames = read(f"{HEADER}\nB1;sparge;1.250,5;\nB1;sparge;1,250.5;\n")
    assert frames.problems["kind"].to_list() == ["mixed_decimals"]
    assert '"1,250.5" in line 3 and "1.250,5" in line 2' in frames.problems["message"][0]
    assert frames.rows_set_aside == 2
