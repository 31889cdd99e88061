"""A log read in parts, wherever it is parted, gives what it gives when it is read whole."""

from __future__ import annotations

import gzip
import io
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from unittest import mock

import duckdb
import polars as pl
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from pipeline.logs import LogFrames, load_raw, open_logs, read_logs
from pipeline.logs.keep import kept_from
from pipeline.logs.large_text import LogChangedError
from pipeline.settings import Settings

BAD = Path(__file__).parents[1] / "data" / "bad_logs"

# Of the examples of bad logs those in which a part could tell something else than the whole.
TOLD_BY_THE_WHOLE = sorted(
    path
    for kind in (
        *("broken_bytes*", "mixed_*", "thousands_separator*", "ragged_row*", "broken_quotes*", "not_text*"),
        *("windows_1252*", "no_rows*", "cannot_unpack*"),
    )
    for path in BAD.glob(f"{kind}.csv*")
)

HEADER = "batch,when,step,run,item,cut,volume,strength,note"


@contextmanager
def parted(part: int, stretch: int = 40, chunk: int = 16) -> Iterator[None]:
    """Read every log of more than so many bytes in parts of so many."""
    with (
        mock.patch("pipeline.logs.large_text.PART_BYTES", part),
        mock.patch("pipeline.logs.parts._STRETCH", stretch),
        mock.patch("pipeline.logs.find._CHUNK", chunk),
    ):
        yield


def _check_same(parts: LogFrames, whole: LogFrames) -> None:
    assert parts.files.equals(whole.files), (parts.files, whole.files)
    assert parts.problems.rows() == whole.problems.rows()
    for name, rows in {**whole.cells, **whole.values}.items():
        assert {**parts.cells, **parts.values}[name].equals(rows), name


def _check_parted(content: bytes, part: int, stretch: int, name: str = "log.csv") -> None:
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, name).write_bytes(content)
        whole = read_logs(Path(folder), Settings())
        with parted(part, stretch):
            _check_same(read_logs(Path(folder), Settings()), whole)


CELL = st.sampled_from(
    [
        *("", "", " ", "B1", "B2", "grain", "yeast", "collect", "hearts", "heads", "strip", "ale", "0", "5"),
        *(
            "Hearts",
            " ale",
            "1.5",
            "1,5",
            "1,250",
            "1.250",
            "62 %",
            "6O",
            "2025-09-14 08:30",
            "2025-9-14",
            "é",
            "a\nb",
            "x, y",
        ),
        *('5" pipe', 'say "so"', "#", " 7 ", "\ufffd", "\u00a0"),
    ]
)
ODD = st.sampled_from(
    ["\n", "# a comment\n", "B1,yeast\n", '"', '"open\n', "B1,,,,,,,,,,\n", ",,,,,,,,\n", "\t"]
)


@st.composite
def _logs(draw: st.DrawFn) -> bytes:
    """A batch log with whatever may stand in one, in any encoding and with any line ends."""
    delimiter, end = draw(st.sampled_from(",;\t")), draw(st.sampled_from(["\n", "\r\n", "\r"]))
    out = io.StringIO()
    out.write(HEADER.replace(",", delimiter) + "\n")
    rows = draw(st.lists(st.one_of(st.lists(CELL, min_size=9, max_size=9), ODD), min_size=1, max_size=12))
    for row in rows:
        if isinstance(row, str):
            out.write(row.replace(",", delimiter))
            continue
        cells = [
            f'"{cell.replace(chr(34), 2 * chr(34))}"' if set(cell) & set(",;\n") else cell for cell in row
        ]
        out.write(delimiter.join(cells) + "\n")
    encoding = draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"]))
    data = bytearray(out.getvalue().replace("\n", end).encode(encoding, "replace"))
    for at, byte in draw(
        st.lists(st.tuples(st.integers(60, 500), st.sampled_from(b"\x00\xff\x81\n")), max_size=2)
    ):
        data[at : at + 1] = bytes([byte])
    return bytes(data)


@hypothesis_settings(max_examples=40)
@given(_logs(), st.integers(20, 400), st.integers(1, 120))
def test_it_makes_no_difference_where_a_log_is_parted(content: bytes, part: int, stretch: int) -> None:
    _check_parted(content, part, stretch)


@pytest.mark.parametrize("path", TOLD_BY_THE_WHOLE, ids=lambda path: path.name)
def test_the_problems_of_a_parted_log_are_those_of_the_whole(tmp_path: Path, path: Path) -> None:
    shutil.copy(path, tmp_path)
    whole = read_logs(tmp_path, Settings())
    size = path.stat().st_size
    with parted(max(60, size // 3), max(40, size // 6), max(16, size // 9)):
        _check_same(read_logs(tmp_path, Settings()), whole)


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (",,grain,,rye,,,,\n", "B7,,yeast,,ale,,,,\n"),  # only the second part names a batch
        ("B7,yesterday,collect,,,,1,,\n,,collect,,,,1,,\n", "B8,,yeast,,ale,,,,\n"),  # ... a second batch
        ('B7,,collect,,,,"1,250",,\n', 'B7,,collect,,,,"1.5",,\n'),  # ... what a comma means
        ("B7,,yeast,,ale\n", "B7,,collect,r1,,hearts,1,,\n"),  # ... what names a run
        ("B7,,collect,r1,,hearts,2,,\n,,,,,,18,,\n", "B7,,collect,r1,,hearts,2,,\n"),  # ... what is a sum
        ("B7,,yeast,,\ufffd,,,,\n", "B7,,yeast,,\udcff,,,,\n"),  # ... that bytes are broken
    ],
)
def test_what_only_a_later_part_tells_holds_for_all(first: str, second: str) -> None:
    text = f"{HEADER}\n{first * 8}{second}"
    _check_parted(text.encode("utf-8", "surrogateescape"), 100, 50)


def test_a_mixed_file_is_refused_with_both_lines_wherever_they_are() -> None:
    rows = "B7;;collect;;;;1,5;;\n" * 9 + "B7;;collect;;;;2.5;;\n"
    _check_parted(f"{HEADER.replace(',', ';')}\n{rows}".encode(), 100, 50)


def test_a_packed_log_is_parted_too() -> None:
    text = f"{HEADER}\n" + "B7,2025-09-14,yeast,,ale,,,,\n" * 40
    _check_parted(gzip.compress(text.encode()), 100, 50, "log.csv.gz")


def _rows(connection: duckdb.DuckDBPyConnection) -> dict[str, list[tuple[object, ...]]]:
    tables = connection.execute("select table_name from duckdb_tables() order by 1").fetchall()
    return {name: connection.execute(f"from raw.{name}").fetchall() for (name,) in tables}


def _season(folder: Path) -> None:
    small = f"{HEADER}\nS1,2025-09-14,yeast,,ale,,,,\n"
    rows = "B7,2025-09-14,collect,r1,,hearts,1O,,\nB7,2025-09-14,yeast,,ale,,,,\n" * 10
    # In a part with a record of two lines what stands before and behind it is cut another way.
    large = (
        f'{HEADER}\n{rows}B7,2025-09-14,yeast,,ale,,,,"two\nlines"\n{rows}B7,,yeast,,a 5" pipe ,,,,\n{rows}'
    )
    cask = "cask,when,step,volume\n" + "K1,2025-09-14,fill,5 L\n" * 40
    for name, text in (("a", small), ("b", large), ("c", small), ("d", cask), ("e", large), ("f", small)):
        (folder / f"{name}.csv").write_text(text)


def test_how_far_a_large_log_is_read_is_told(tmp_path: Path) -> None:
    (tmp_path / "b.csv").write_text(f"{HEADER}\n" + "B7,2025-09-14,yeast,,ale,,,,\n" * 60)
    told: list[tuple[str, int, int]] = []
    with parted(500), duckdb.connect() as connection:
        frames = open_logs(tmp_path, Settings(), lambda *each: told.append(each))
        told.clear()
        load_raw(connection, frames)
    rows = [done for _, done, _ in told]
    assert {(what, total) for what, _, total in told} == {("reading the rows of b.csv", 0)}
    assert len(rows) > 2
    assert rows == sorted(rows)
    assert rows[-1] == 60


def test_rows_read_while_they_are_loaded_stand_where_they_belong(tmp_path: Path) -> None:
    _season(tmp_path)
    whole = read_logs(tmp_path, Settings())
    with duckdb.connect() as first, duckdb.connect() as second:
        load_raw(first, whole)
        with parted(500):
            frames = open_logs(tmp_path, Settings())
            assert [rows.file_id for rows in frames.later] == [2, 4, 5]
            loaded = load_raw(second, frames)
        assert _rows(first) == _rows(second)
        assert (loaded.rows_in, loaded.later) == (whole.rows_in, ())
        assert (
            second.execute("select current_setting('memory_limit')").fetchall()
            == first.execute("select current_setting('memory_limit')").fetchall()
        )


def test_large_logs_that_have_not_changed_are_taken_over_unread(tmp_path: Path) -> None:
    _season(tmp_path)
    with (
        duckdb.connect() as earlier,
        duckdb.connect(str(tmp_path / "now.duckdb")) as now,
        duckdb.connect() as fresh,
        mock.patch("pipeline.logs.load._MANY_ROWS", 30),
    ):
        load_raw(earlier, read_logs(tmp_path, Settings()))
        (tmp_path / "a.csv").unlink()
        (tmp_path / "e.csv").write_text((tmp_path / "e.csv").read_text() + "B8,2025-09-14,yeast,,ale,,,,\n")
        whole = read_logs(tmp_path, Settings())
        load_raw(fresh, whole)
        with parted(500):
            frames = open_logs(tmp_path, Settings(), kept=kept_from(earlier))
            assert [type(rows).__name__ for rows in frames.later] == ["KeptRows", "KeptRows", "LargeRows"]
            load_raw(now, frames)
            assert _rows(now) == _rows(fresh)
            _check_same(read_logs(tmp_path, Settings(), kept=kept_from(earlier)), whole)


@pytest.mark.parametrize("how", ["gone", "longer", "broken"])
def test_a_log_that_changes_while_it_is_read_is_told(tmp_path: Path, how: str) -> None:
    _season(tmp_path)
    log = tmp_path / "b.csv"
    with duckdb.connect() as connection, parted(500):
        frames = open_logs(tmp_path, Settings())
        if how == "gone":
            log.unlink()
        else:
            log.write_bytes(log.read_bytes() + {"longer": b"B8,,,,,,,,\n", "broken": b"\xff"}[how])
        with pytest.raises(LogChangedError, match=r"b\.csv: this log was changed while it was read"):
            load_raw(connection, frames)


def test_lots_are_held_one_at_a_time(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text(f"{HEADER}\n" + "B7,2025-09-14,yeast,,ale,,,,\n" * 4000)
    with parted(4000, chunk=1000):
        frames = open_logs(tmp_path, Settings())
        parts = [part for rows in frames.later for part in rows.parts()]
        heights = [pl.DataFrame(part["batch_log"]).height for part in parts]
    assert sum(heights) == 4000
    assert max(heights) < 300
