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


def other_rows(chance: random.Random, log: bytes) -> bytes:
    """The log without one of its rows, and with another one twice."""
    header, *rows = log.splitlines(keepends=True)
    gone, repeated = chance.sample(range(len(rows)), 2)
    rows.insert(repeated, rows[repeated])
    del rows[gone + (gone > repeated)]
    return b"".join([header, *rows])


def test_other_readings_and_rows_are_mended(
    tmp_path: Path, logs: Path, ways: list[str], database_as_text: Callable[[Path], dict[str, str]]
) -> None:
    chance = random.Random(11)
    kept = tmp_path / "kept.duckdb"
    build_season(logs, kept, Settings())
    for files in (1, 2):
        for log in chance.sample(sorted(logs.glob("S00[12]*.csv")), files):
            text = other_readings(chance, log.read_bytes(), 4)
            log.write_bytes(text if files == 1 else other_rows(chance, text))
        found = build_season(logs, kept, Settings())
        fresh = tmp_path / "fresh.duckdb"
        fresh.unlink(missing_ok=True)
        assert found.equals(build_season(logs, fresh, Settings()))
        mended, anew = database_as_text(kept), database_as_text(fresh)
        assert [name for name in anew if mended[name] != anew[name]] == []
    assert ways == ["anew", *(["mended", "anew"] * 2)]


ROW = "{name},2025-09-21 12:30,collect,spirit,two,tails,3,,40,\n"

WITHIN_A_PART: dict[str, Callable[[str], str]] = {
    "a row more": lambda text: text + ROW.format(name="B0"),
    "a row less": lambda text: text.replace(text.splitlines(keepends=True)[-1], ""),
    "an hour later": lambda text: text.replace("12:00,collect", "13:00,collect"),
    "another cut": lambda text: text.replace("one,hearts", "one,heads"),
    "another run": lambda text: text.replace(",spirit,", ",second,"),
    "a reading less": lambda text: text.replace(",11,,60,", ",,,60,"),
    "a row that cannot be used": lambda text: text.replace("charge,spirit,wash", "chage,spirit,wash"),
    "a receiver of its own": lambda text: with_lots(text, "tails,3,,40,", "tails,3,,40,,,tails of B7"),
    "a row of another batch": lambda text: text + ROW.format(name="B18"),
}
"""Changes of logs, of B0, B1 and so forth, that leave every part as it was to the rest of the season."""


def test_whatever_changes_within_parts_is_mended(
    tmp_path: Path,
    ways: list[str],
    batch_text: Callable[..., str],
    database_as_text: Callable[[Path], dict[str, str]],
) -> None:
    logs, kept, fresh = tmp_path / "logs", tmp_path / "kept.duckdb", tmp_path / "fresh.duckdb"
    texts = {f"B{number}": batch_text(f"B{number}", hearts=11 + number % 5 / 10) for number in range(21)}
    write(logs, texts)
    build_season(logs, kept, Settings())
    before = database_as_text(kept)
    changes = enumerate(WITHIN_A_PART.values())
    write(logs, {f"B{number}": change(texts[f"B{number}"]) for number, change in changes})
    found = build_season(logs, kept, Settings())
    assert found.equals(build_season(logs, fresh, Settings()))
    mended, anew = database_as_text(kept), database_as_text(fresh)
    assert [name for name in anew if mended[name] != anew[name]] == []
    write(logs, texts)
    build_season(logs, kept, Settings())
    again = database_as_text(kept)
    assert [name for name in before if again[name] != before[name]] == []
    assert ways == ["anew", "mended", "anew", "mended"]


def write(logs: Path, texts: dict[str, str]) -> None:
    """Write logs, told by the names of their batches."""
    logs.mkdir(exist_ok=True)
    for name, text in texts.items():
        (logs / f"{name}.csv").write_text(text)


def with_lots(text: str, row: str, with_source_and_lot: str) -> str:
    """The log with columns for source and lot, which are empty but in one row."""
    header, *rows = (text + ROW.format(name=text.splitlines()[1].split(",")[0])).splitlines()
    assert any(row in one for one in rows)
    rows = [one.replace(row, with_source_and_lot) if row in one else one + ",," for one in rows]
    return "\n".join([header + ",source,lot", *rows]) + "\n"


BEYOND_A_PART: dict[str, Callable[[str], str]] = {
    "spirit of another part": lambda text: with_lots(text, "wash,,140,,,", "wash,,140,,,,B3 hearts,"),
    "another part's receiver": lambda text: with_lots(text, "tails,3,,40,", "tails,3,,40,,,b3  HEARTS"),
    "a lot with the name of a cut": lambda text: with_lots(text, "tails,3,,40,", "tails,3,,40,,,hearts"),
    "another batch beside it": lambda text: text + ROW.format(name="B1b"),
    "begun after another part": lambda text: text.replace("2025-", "2031-"),
    "no row that can be used": lambda text: text.replace("2025-", "in autumn "),
}
"""Changes of the log of B1 that other parts may feel."""


class MadeAnewError(Exception):
    """In the place of a whole build."""


def test_what_other_parts_may_feel_is_made_anew(
    tmp_path: Path, batch_text: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    logs, kept = tmp_path / "logs", tmp_path / "kept.duckdb"
    texts = {f"B{number}": batch_text(f"B{number}", hearts=11 + number) for number in range(5)}
    write(logs, texts)
    build_season(logs, kept, Settings())

    def noted(*arguments: object) -> None:
        raise MadeAnewError

    monkeypatch.setattr(pipeline.warehouse, "_make_anew", noted)
    for what, change in BEYOND_A_PART.items():
        write(logs, {"B1": change(texts["B1"])})
        try:
            build_season(logs, kept, Settings())
        except MadeAnewError:
            continue
        pytest.fail(f"mended: {what}")
    write(logs, {**texts, "B9": batch_text("B9")})
    with pytest.raises(MadeAnewError):
        build_season(logs, kept, Settings())


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
