"""A build after an edit makes the very tables that a build from nothing makes, from what changed alone."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from pathlib import Path

import duckdb
import polars as pl
import pytest

import pipeline.account.partition
import pipeline.account.parts
import pipeline.account.step
import pipeline.cuts.runs
import pipeline.logs.read
import pipeline.reconcile.parts
from pipeline.account.lots import walk_lots
from pipeline.account.part import account_of_part
from pipeline.cuts.runs import fit_part
from pipeline.logs import load_raw, read_logs
from pipeline.logs.keep import kept_from
from pipeline.reconcile.step import reconcile_step
from pipeline.settings import Settings
from pipeline.warehouse import build_season, open_season, table_names


@pytest.fixture
def parsed(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names of the files whose bytes were made text, in order."""
    names: list[str] = []
    reading = pipeline.logs.read._Reader._read_text

    def note(reader: object, text: object, file: pipeline.logs.read.ReadFile, found: object) -> None:
        names.append(file.name)
        reading(reader, text, file, found)

    monkeypatch.setattr(pipeline.logs.read._Reader, "_read_text", note)
    return names


@pytest.fixture
def worked(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, str]]:
    """Every batch a part of its own; the step and the batch of each that is worked out, in order."""
    monkeypatch.setattr(pipeline.account.partition, "WHOLE_UP_TO", 0)
    monkeypatch.setattr(pipeline.account.partition, "FEWEST", 1)
    found: list[tuple[str, str]] = []

    def noted(work: Callable[..., Iterable[pl.DataFrame]]) -> Callable[..., Iterable[pl.DataFrame]]:
        def note(first: pl.DataFrame, *frames: pl.DataFrame, **options: float) -> Iterable[pl.DataFrame]:
            found.extend((work.__name__, batch) for batch in first["batch"].unique(maintain_order=True))
            return work(first, *frames, **options)

        return note

    for module, work in STEPS_OF_PARTS:
        monkeypatch.setattr(module, work.__name__, noted(work))
    return found


STEPS_OF_PARTS = (
    (pipeline.account.parts, walk_lots),
    (pipeline.account.step, account_of_part),
    (pipeline.reconcile.parts, reconcile_step),
    (pipeline.cuts.runs, fit_part),
)


SHEET = "session,when,assessor,sample,batch,fruit\nmay,2025-11-0{day},Ana,1,B1,{score}\nmay,,Bo,1,B1,x\n"
CASKS = "cask,when,step,source,volume,strength\nK1,2025-10-01,fill,B1 hearts,{volume},60\n"
LIST = "ingredient,extract,moisture\n{name},80,5\n"


def _random_edit(chance: random.Random, logs: Path, batch_text: Callable[..., str]) -> None:
    """Write, change, rename or delete one log."""
    there = sorted(logs.rglob("*.csv"))
    match chance.randrange(8):
        case 0 | 1 | 2:
            number = chance.randrange(6)
            bad = chance.choice(["140", "141", "14O", "150 gal", "1,4"])
            grain = chance.choice(["pale malt", "house malt", "dust"])
            text = batch_text(f"B{number}", bad, chance.choice([11, 12, 13]), grain)
            (logs / f"B{number}.csv").write_text(text)
        case 3 if there:
            chance.choice(there).unlink()
        case 4 if there:
            chance.choice(there).rename(logs / f"{chance.choice('abc')}.csv")
        case 5:
            (logs / "tasting.csv").write_text(
                SHEET.format(day=chance.randrange(1, 9), score=chance.randrange(12))
            )
        case 6:
            (logs / "deep" / "casks.csv").write_text(CASKS.format(volume=chance.choice(["9", "10", "ten"])))
        case _:
            text = chance.choice(
                [LIST.format(name="house malt"), LIST.format(name="dust"), "", "x\x00", "dear\ndiary\n"]
            )
            (logs / "list.csv").write_text(text)


def _start(tmp_path: Path, batch_text: Callable[..., str]) -> Path:
    logs = tmp_path / "logs"
    (logs / "deep").mkdir(parents=True)
    (logs / "B1.csv").write_text(batch_text("B1"))
    return logs


@pytest.mark.parametrize("seed", range(3))
def test_random_edits_give_the_rows_of_reading_everything(
    tmp_path: Path, seed: int, batch_text: Callable[..., str]
) -> None:
    chance = random.Random(seed)
    logs = _start(tmp_path, batch_text)
    with duckdb.connect(":memory:") as connection:
        load_raw(connection, read_logs(logs, Settings()))
        for _ in range(15):
            for _ in range(chance.randrange(3)):
                _random_edit(chance, logs, batch_text)
            fresh = read_logs(logs, Settings())
            frames = read_logs(logs, Settings(), kept=kept_from(connection))
            assert frames.files.equals(fresh.files)
            assert frames.problems.equals(fresh.problems)
            for name, rows in {**fresh.cells, **fresh.values}.items():
                assert {**frames.cells, **frames.values}[name].equals(rows), name
            load_raw(connection, frames)


def test_random_edits_give_the_tables_of_a_build_from_nothing(
    tmp_path: Path,
    worked: list[tuple[str, str]],
    batch_text: Callable[..., str],
    database_as_text: Callable[[Path], dict[str, str]],
) -> None:
    chance = random.Random(7)
    logs = _start(tmp_path, batch_text)
    for number in (2, 3, 4):
        (logs / f"B{number}.csv").write_text(batch_text(f"B{number}", hearts=11 + number))
    kept, fresh = tmp_path / "kept.duckdb", tmp_path / "fresh.duckdb"
    build_season(logs, kept, Settings())
    for _ in range(3):
        _random_edit(chance, logs, batch_text)
        worked.clear()
        found = build_season(logs, kept, Settings())
        again = len(worked)
        fresh.unlink(missing_ok=True)
        assert found.equals(build_season(logs, fresh, Settings()))
        assert again < len(worked) - again, "some parts are taken over"
        assert database_as_text(kept) == database_as_text(fresh)


def test_only_what_changed_is_read_and_worked_out(
    tmp_path: Path, parsed: list[str], worked: list[tuple[str, str]], batch_text: Callable[..., str]
) -> None:
    logs, database = tmp_path / "logs", tmp_path / "season.duckdb"
    logs.mkdir()
    for number in range(5):
        (logs / f"B{number}.csv").write_text(batch_text(f"B{number}"))
    build_season(logs, database, Settings())
    assert len(parsed) == 5
    assert sorted(worked) == sorted(
        (work.__name__, f"B{number}") for _, work in STEPS_OF_PARTS for number in range(5)
    )
    parsed.clear()
    worked.clear()
    (logs / "B3.csv").write_text(batch_text("B3", hearts=11))
    # Before all others: every file and every move has another number now.
    (logs / "A9.csv").write_text(batch_text("A9"))
    build_season(logs, database, Settings())
    assert parsed == ["A9.csv", "B3.csv"]
    assert sorted(worked) == sorted(
        (work.__name__, batch) for _, work in STEPS_OF_PARTS for batch in ("A9", "B3")
    )


def test_nothing_changed_leaves_the_database_untouched(
    tmp_path: Path, batch_text: Callable[..., str]
) -> None:
    logs, database = tmp_path / "logs", tmp_path / "season.duckdb"
    logs.mkdir()
    (logs / "B1.csv").write_text(batch_text("B1", volume="14O"))
    first = build_season(logs, database, Settings())
    with open_season(database) as connection:
        assert "raw.kept_part" not in table_names(connection), "packed away, and no table of the season"
    before = (database.stat().st_ino, database.stat().st_mtime_ns, database.read_bytes())
    assert build_season(logs, database, Settings()).equals(first)
    assert (database.stat().st_ino, database.stat().st_mtime_ns, database.read_bytes()) == before


def test_other_settings_read_everything_anew(
    tmp_path: Path, parsed: list[str], batch_text: Callable[..., str]
) -> None:
    logs, database = tmp_path / "logs", tmp_path / "season.duckdb"
    logs.mkdir()
    (logs / "B1.csv").write_text(batch_text("B1"))
    build_season(logs, database, Settings())
    build_season(logs, database, Settings(hydrometer_reference_c=15.6))
    assert parsed == ["B1.csv", "B1.csv"]
