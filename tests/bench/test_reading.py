"""How fast logs are read, checked and loaded, beside the bare CSV readers of DuckDB and Polars.

Run with `make bench PYTEST_ARGS="-k test_reading"`; READING_ROWS sets the rows of the one large file,
READING_FILES the number of one-batch files. Seconds and their ratio to DuckDB's over the same bytes are
printed at the end, with the peak memory of ours in a process of its own. Time is never asserted: what is
asserted is that all three find the same rows.
"""

import os
import resource
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import duckdb
import polars as pl
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from pipeline.logs import load_raw, open_logs
from pipeline.settings import Settings

sys.path.insert(0, str(Path(__file__).parent))
from many_logs import simulated_batches, tiled

ROWS = int(os.environ.get("READING_ROWS", "150000"))
FILES = int(os.environ.get("READING_FILES", "200"))
SMALL = 3

Folders = dict[str, tuple[Path, int]]
"""The folders of logs by what they hold, and the rows in each."""


@pytest.fixture(scope="module")
def logs(
    tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest
) -> dict[str, tuple[Path, int]]:
    """The two folders of logs, and the rows in each."""
    is_small = request.config.getoption("benchmark_disable")
    place = tmp_path_factory.mktemp("reading")
    header, batches = simulated_batches(place / "season")
    one, many = place / "one", place / "many"
    one.mkdir()
    many.mkdir()
    total = in_files = 0
    with (one / "all.csv").open("w", encoding="utf-8") as file:
        file.write(f"{header}\n")
        for text, rows in tiled(batches):
            file.write(text)
            total += rows
            if total >= (SMALL if is_small else ROWS):
                break
    for number, (text, rows) in enumerate(tiled(batches), start=1):
        (many / f"log{number:06d}.csv").write_text(f"{header}\n{text}", encoding="utf-8")
        in_files += rows
        if number >= (SMALL if is_small else FILES):
            break
    return {"one file": (one, total), "many files": (many, in_files)}


def by_us(folder: Path, database: Path) -> int:
    """Read, check, load; the rows in the database."""
    with duckdb.connect(str(database)) as con:
        load_raw(con, open_logs(folder, Settings()))
        return con.execute("select count(*) from raw.batch_log").fetchall()[0][0]


def by_duckdb(folder: Path, database: Path) -> int:
    """Nothing but text into a table."""
    with duckdb.connect(str(database)) as con:
        con.execute(f"create table cells as select * from read_csv('{folder}/*.csv', all_varchar = true)")
        return con.execute("select count(*) from cells").fetchall()[0][0]


def by_polars(folder: Path, _: Path) -> int:
    """Nothing but text into memory."""
    return pl.scan_csv(folder / "*.csv", infer_schema=False).collect().height


READERS: dict[str, Callable[[Path, Path], int]] = {"DuckDB": by_duckdb, "Polars": by_polars, "ours": by_us}


@pytest.fixture(scope="module")
def told(request: pytest.FixtureRequest) -> Iterator[list[tuple[str, str, float]]]:
    """Takes the seconds by folder and reader, and tells them side by side when the module is done."""
    measured: list[tuple[str, str, float]] = []
    yield measured
    capture = request.config.pluginmanager.getplugin("capturemanager")
    if measured and capture:
        base = {shape: seconds for shape, reader, seconds in measured if reader == "DuckDB"}
        with capture.global_and_fixture_disabled():
            print("\n\nseconds (median), and how many times DuckDB's:")
            for shape, reader, seconds in measured:
                print(f"  {shape:12} {reader:8} {seconds:10.2f} {seconds / base.get(shape, seconds):8.2f}")


@pytest.mark.parametrize("shape", ["one file", "many files"])
@pytest.mark.parametrize("reader", READERS)
def test_reading(
    benchmark: BenchmarkFixture,
    logs: Folders,
    told: list[tuple[str, str, float]],
    tmp_path: Path,
    shape: str,
    reader: str,
) -> None:
    folder, rows = logs[shape]
    database = tmp_path / "read.duckdb"
    found = benchmark.pedantic(
        READERS[reader],
        args=(folder, database),
        setup=lambda: database.unlink(missing_ok=True),
        rounds=1 if benchmark.disabled else 3,
    )
    assert found == rows
    if benchmark.stats is not None:
        told.append((shape, reader, benchmark.stats.stats.median))


def test_memory_of_reading(benchmark: BenchmarkFixture, logs: Folders, tmp_path: Path) -> None:
    folder, rows = logs["one file"]
    command = [sys.executable, __file__, str(folder), str(tmp_path / "read.duckdb")]
    done = benchmark.pedantic(
        lambda: subprocess.run(command, capture_output=True, text=True, check=True), rounds=1
    )
    found, kilobytes = map(int, done.stdout.split())
    assert found == rows
    benchmark.extra_info["peak_memory_mb"] = kilobytes // 1024
    if not benchmark.disabled:
        print(f"\npeak memory of ours for {rows:,} rows: {kilobytes // 1024:,} MB")


if __name__ == "__main__":
    print(by_us(Path(sys.argv[1]), Path(sys.argv[2])), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
