"""A build that mends makes the very tables of a build from nothing, and works out no more than it has to."""

from __future__ import annotations

import random
import re
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import pipeline.account.partition
import pipeline.mend.season
import pipeline.warehouse
from pipeline.settings import Settings
from pipeline.warehouse import build_season, open_season

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
from many_logs import sets_of_logs

SETS = 3
BATCHES = 5

CASKS = """cask,when,step,source,volume,strength,temperature,capacity
K1,2025-11-20,fill,S001 G01 hearts,9,62,20,10
K1,2026-04-20,gauge,,8.8,61,18,
K2,2025-11-21,fill,S002 G02 hearts,8,61,20,10
K2,2026-04-20,gauge,,7.7,60.2,18,
"""


@pytest.fixture(scope="module")
def logs_of_sets(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The first batches of each of several seasons that share no lot, and two casks: log by name."""
    sets: dict[str, dict[str, bytes]] = {}
    for name, text in sets_of_logs(tmp_path_factory.mktemp("seasons"), 16 * SETS):
        sets.setdefault(name[:4], {})[name] = text
    batches = {name: text for logs in sets.values() for name, text in list(logs.items())[:BATCHES]}
    return {**batches, "casks.csv": CASKS.encode()}


@pytest.fixture(autouse=True)
def _small_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every set of batches is a part of its own, however small the season."""
    monkeypatch.setattr(pipeline.account.partition, "WHOLE_UP_TO", 1)
    monkeypatch.setattr(pipeline.account.partition, "FEWEST", 1)


@pytest.fixture
def logs(tmp_path: Path, logs_of_sets: dict[str, bytes]) -> Path:
    """They stand in a folder."""
    folder = tmp_path / "logs"
    folder.mkdir()
    for name, text in logs_of_sets.items():
        (folder / name).write_bytes(text)
    return folder


@pytest.fixture
def ways(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """How the databases were made, in order: mended, given up while mending, anew."""
    found: list[str] = []
    mend, anew = pipeline.mend.season._mend, pipeline.warehouse._make_anew

    def noted_mend(*arguments: object) -> object:
        problems = mend(*arguments)
        found.append("given up" if problems is None else "mended")
        return problems

    def noted_anew(*arguments: object) -> object:
        found.append("anew")
        return anew(*arguments)

    monkeypatch.setattr(pipeline.mend.season, "_mend", noted_mend)
    monkeypatch.setattr(pipeline.warehouse, "_make_anew", noted_anew)
    return found


_READING = re.compile(rb"(?<=[,;])\d+[.,]\d+(?=[,;\n])")


def other_readings(chance: random.Random, log: bytes, changes: int) -> bytes:
    """The log with the last digits of some of its readings written otherwise."""
    for match in chance.sample(list(_READING.finditer(log)), changes):
        digit = b"%d" % chance.randrange(10)
        log = log[: match.end() - 1] + digit + log[match.end() :]
    return log


def test_other_readings_are_mended(
    tmp_path: Path, logs: Path, ways: list[str], database_as_text: Callable[[Path], dict[str, str]]
) -> None:
    chance = random.Random(11)
    kept = tmp_path / "kept.duckdb"
    build_season(logs, kept, Settings())
    for files in (1, 2):
        for log in chance.sample(sorted(logs.glob("S00[12]*.csv")), files):
            log.write_bytes(other_readings(chance, log.read_bytes(), 4))
        found = build_season(logs, kept, Settings())
        fresh = tmp_path / "fresh.duckdb"
        fresh.unlink(missing_ok=True)
        assert found.equals(build_season(logs, fresh, Settings()))
        mended, anew = database_as_text(kept), database_as_text(fresh)
        assert [name for name in anew if mended[name] != anew[name]] == []
    assert ways == ["anew", *(["mended", "anew"] * 2)]


ROW = "{name},2025-09-21 12:30,collect,spirit,two,tails,3,,40,\n"

BEYOND_READINGS: dict[str, Callable[[str], str]] = {
    "a row more": lambda text: text + ROW.format(name="B1"),
    "an hour later": lambda text: text.replace("12:00,collect", "13:00,collect"),
    "another cut": lambda text: text.replace("one,hearts", "one,heads"),
    "another run": lambda text: text.replace(",spirit,", ",second,"),
    "a reading less": lambda text: text.replace(",12,,60,", ",12,,,"),
    "a row that cannot be used": lambda text: text.replace("charge,spirit,wash", "chage,spirit,wash"),
}


def test_what_changes_more_than_readings_is_made_anew(
    tmp_path: Path,
    ways: list[str],
    batch_text: Callable[..., str],
    database_as_text: Callable[[Path], dict[str, str]],
) -> None:
    logs, kept, fresh = tmp_path / "logs", tmp_path / "kept.duckdb", tmp_path / "fresh.duckdb"
    logs.mkdir()
    for number in range(5):
        (logs / f"B{number}.csv").write_text(batch_text(f"B{number}", hearts=11 + number))
    build_season(logs, kept, Settings())
    ways.clear()
    for what, change in BEYOND_READINGS.items():
        (logs / "B1.csv").write_text(change(batch_text("B1")))
        build_season(logs, kept, Settings())
        assert ways in (["anew"], ["given up", "anew"]), what
        ways.clear()
    (logs / "B9.csv").write_text(batch_text("B9"))
    build_season(logs, kept, Settings())
    assert ways == ["anew"], "a file more"
    (logs / "B3.csv").write_text(batch_text("B3", hearts=15))
    found = build_season(logs, kept, Settings())
    assert ways == ["anew", "mended"]
    assert found.equals(build_season(logs, fresh, Settings()))
    assert database_as_text(kept) == database_as_text(fresh)


def test_a_mended_database_says_what_its_columns_hold(
    tmp_path: Path, ways: list[str], batch_text: Callable[..., str]
) -> None:
    logs, kept = tmp_path / "logs", tmp_path / "kept.duckdb"
    logs.mkdir()
    for number in range(3):
        (logs / f"B{number}.csv").write_text(batch_text(f"B{number}", hearts=11 + number))
    build_season(logs, kept, Settings())
    before = comments(kept)
    (logs / "B1.csv").write_text(batch_text("B1", hearts=10))
    build_season(logs, kept, Settings())
    assert ways == ["anew", "mended"]
    assert comments(kept) == before


def comments(database: Path) -> list[tuple[str, ...]]:
    """What every table and column says of itself."""
    with open_season(database) as con:
        return con.execute(
            "select schema_name, table_name, '', comment from duckdb_tables() union all "
            "select schema_name, table_name, column_name, comment from duckdb_columns() order by all"
        ).fetchall()
