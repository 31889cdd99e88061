"""What a build costs after one file has changed, beside a build from nothing of the same logs.

The change is a reading corrected, and then a row more in another file.

Run with `make bench PYTEST_ARGS="-k test_rebuild"`; REBUILD_FILES sets the number of one-batch files. Both
are measured in one run, in seconds of the processor and of the clock, and told with their ratio at the end.
Time is never asserted: what is asserted is that both make the same tables, row for row.

Every set of 16 batches has feints receivers of its own (`many_logs.py`). REBUILD_RECEIVERS=shared has one
pair for all of them, so that everything hangs together.
"""

import os
import re
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from pipeline.settings import Settings
from pipeline.warehouse import build_season, order_of

sys.path.insert(0, str(Path(__file__).parent))
from many_logs import sets_of_logs

FILES = int(os.environ.get("REBUILD_FILES", "200"))
IS_SHARED = os.environ.get("REBUILD_RECEIVERS", "own") == "shared"
SMALL = 3

Seconds = tuple[float, float]
"""Of the processor, and of the clock."""


@pytest.fixture(scope="module")
def told(request: pytest.FixtureRequest) -> Iterator[dict[str, Seconds]]:
    """Takes the seconds by kind of build, and tells them side by side when the module is done."""
    measured: dict[str, Seconds] = {}
    yield measured
    capture = request.config.pluginmanager.getplugin("capturemanager")
    if measured and capture:
        whole = measured["from nothing"]
        with capture.global_and_fixture_disabled():
            print(f"\n\n{FILES:,} files: seconds of the processor and of the clock, and as shares:")
            for kind, took in measured.items():
                shares = " ".join(
                    f"{100.0 * one / all_:7.1f} %" for one, all_ in zip(took, whole, strict=True)
                )
                print(f"  {kind:14} {took[0]:10.2f} {took[1]:10.2f} {shares}")


def seconds_of(logs: Path, database: Path) -> Seconds:
    """Build, and how long it took."""
    begun = time.process_time(), time.perf_counter()
    build_season(logs, database, Settings())
    return time.process_time() - begun[0], time.perf_counter() - begun[1]


def write_logs(place: Path, logs: Path, files: int) -> None:
    logs.mkdir()
    for name, text in sets_of_logs(place, files):
        (logs / name).write_bytes(_OF_SET.sub(rb"\1", text) if IS_SHARED else text)


_OF_SET = re.compile(rb"\b(feints [AB]) of S\d+\b")
_HEARTS = re.compile(rb"collect[,;].*?[,;]hearts[,;].*?\d[.,]\d*(\d)")


def correct_one(log: Path) -> None:
    """Read the first jar of hearts otherwise than it was written, by a few of its last digit."""
    before, line, after = _around_hearts(log)
    log.write_bytes(before + _read_otherwise(line) + after)


def add_one(log: Path) -> None:
    """Write one more jar of hearts behind the first."""
    before, line, after = _around_hearts(log)
    log.write_bytes(before + line + _read_otherwise(line) + after)


def _around_hearts(log: Path) -> tuple[bytes, bytes, bytes]:
    """The log, cut out of it the line of the first jar of hearts."""
    text = log.read_bytes()
    found = _HEARTS.search(text)
    if found is None:
        raise ValueError(f"{log}: no jar of hearts")
    start, end = text.rfind(b"\n", 0, found.start()) + 1, text.index(b"\n", found.end()) + 1
    return text[:start], text[start:end], text[end:]


def _read_otherwise(line: bytes) -> bytes:
    found = _HEARTS.search(line)
    assert found is not None
    other = b"%d" % ((int(found[1]) + 3) % 10)
    return line[: found.start(1)] + other + line[found.end(1) :]


def differing_tables(one: Path, other: Path) -> list[str]:
    """The tables whose rows are not the same, each in its order."""
    with duckdb.connect(":memory:") as con:
        for name, path in (("one", one), ("other", other)):
            con.execute(f"attach '{path}' as {name} (read_only)")
        names = con.execute(
            "select schema_name || '.' || table_name from duckdb_tables() where database_name = 'one'"
        ).fetchall()
        assert names
        return [name for (name,) in names if _rows_in_one_only(con, name)]


def _rows_in_one_only(con: duckdb.DuckDBPyConnection, name: str) -> int:
    order = "step, part, frame_no" if name == "raw.kept_part" else order_of(name) or "rowid"
    numbered = f"select *, row_number() over (order by {order}) as row_no from"
    one, other = (f"({numbered} {each}.{name})" for each in ("one", "other"))
    ways = f"({one} except all {other}) union all ({other} except all {one})"
    return con.execute(f"select count(*) from ({ways})").fetchall()[0][0]


def test_rebuild_after_one_changed_file(
    benchmark: BenchmarkFixture, told: dict[str, Seconds], tmp_path: Path
) -> None:
    files = SMALL if benchmark.disabled else FILES
    logs, kept, fresh = tmp_path / "logs", tmp_path / "rebuilt.duckdb", tmp_path / "fresh.duckdb"
    write_logs(tmp_path / "season", logs, files)
    build_season(logs, kept, Settings())
    correct_one(sorted(logs.iterdir())[files // 2])
    corrected = benchmark.pedantic(seconds_of, args=(logs, kept), rounds=1)
    add_one(sorted(logs.iterdir())[files // 3])
    added = seconds_of(logs, kept)
    whole = seconds_of(logs, fresh)
    assert differing_tables(kept, fresh) == []
    if benchmark.enabled:
        told |= {"from nothing": whole, "one corrected": corrected, "a row more": added}
