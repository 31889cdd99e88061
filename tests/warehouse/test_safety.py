"""Whatever stops a build, the old database still opens whole, and the next build finishes the job."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest

from pipeline.database_file import WarehouseError
from pipeline.settings import Settings
from pipeline.warehouse import build_season, open_season

KILLS = int(os.environ.get("STILLSEASON_KILLS", "4"))
"""How many builds are killed; more of them take as many builds' time."""

HOLDER = "import duckdb, sys; c = duckdb.connect(sys.argv[1]); print('open', flush=True); sys.stdin.read()"

# Imports first, so that the kill falls into the build: the child says when it begins.
CHILD = """
import sys
from pathlib import Path
import pipeline.cuts, pipeline.fits, pipeline.warehouse
from pipeline.settings import Settings
print("begun", flush=True)
pipeline.warehouse.build_season(Path(sys.argv[1]), Path(sys.argv[2]), Settings())
"""

LIMITED = """
import resource, sys
from pathlib import Path
from pipeline.settings import Settings
from pipeline.database_file import WarehouseError
from pipeline.warehouse import build_season
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]), int(sys.argv[3])))
try:
    build_season(Path(sys.argv[1]), Path(sys.argv[2]), Settings())
except WarehouseError as error:
    print(error)
    raise SystemExit(3)
"""

# Whoever runs as root may write anywhere, so the child becomes somebody who may not: 65534 is "nobody".
UNPRIVILEGED = """
import os, sys
from pathlib import Path
import pipeline.cuts, pipeline.fits, pipeline.warehouse
from pipeline.database_file import WarehouseError
from pipeline.settings import Settings
if os.geteuid() == 0:
    os.setgid(65534)
    os.setuid(65534)
try:
    pipeline.warehouse.build_season(Path(sys.argv[1]), Path(sys.argv[2]), Settings())
except WarehouseError as error:
    print(error)
    raise SystemExit(3)
"""


@pytest.fixture
def season(tmp_path: Path, batch_text: Callable[..., str]) -> tuple[Path, Path]:
    """Logs with one batch and the database made of them."""
    logs, database = tmp_path / "logs", tmp_path / "out" / "season.duckdb"
    logs.mkdir()
    (logs / "B1.csv").write_text(batch_text("B1"))
    build_season(logs, database, Settings())
    return logs, database


def _batches(database: Path) -> list[str]:
    with open_season(database) as connection:
        return [row[0] for row in connection.execute("select batch from metric.batch order by 1").fetchall()]


def _add(logs: Path, name: str, batch_text: Callable[..., str]) -> None:
    (logs / f"{name}.csv").write_text(batch_text(name))


def test_a_build_killed_at_any_moment_leaves_the_old_database(
    season: tuple[Path, Path], batch_text: Callable[..., str]
) -> None:
    logs, database = season
    chance = random.Random(11)
    names = ["B1"]
    begun = time.monotonic()
    build_season(logs, database.with_name("timed.duckdb"), Settings())
    usual_s = time.monotonic() - begun
    database.with_name("timed.duckdb").unlink()
    for number in range(2, 2 + KILLS):
        before = _batches(database)
        names.append(f"B{number}")
        _add(logs, names[-1], batch_text)
        # PYTHONDONTWRITEBYTECODE: the kill may not fall into the writing of a cache either.
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, str(logs), str(database)],
            stdout=subprocess.PIPE,
            env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
        )
        assert child.stdout is not None
        child.stdout.readline()
        time.sleep(chance.random() * usual_s)
        child.send_signal(signal.SIGKILL)
        child.wait()
        child.stdout.close()
        assert _batches(database) in (before, sorted(names)), "all of the old, or all of the new"
    build_season(logs, database, Settings())
    assert _batches(database) == sorted(names)
    assert [path.name for path in database.parent.iterdir()] == ["season.duckdb"], "nothing is left behind"


@pytest.mark.parametrize("limit", [20_000, 400_000])
def test_a_full_disk_leaves_the_old_database_and_says_so(
    season: tuple[Path, Path], batch_text: Callable[..., str], limit: int
) -> None:
    logs, database = season
    _add(logs, "B2", batch_text)
    child = subprocess.run(
        [sys.executable, "-c", LIMITED, str(logs), str(database), str(limit)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert child.returncode == 3, child.stderr[-2000:]
    assert child.stdout.startswith(f"{database}: ")
    assert "full" in child.stdout
    assert _batches(database) == ["B1"]
    build_season(logs, database, Settings())
    assert _batches(database) == ["B1", "B2"]


def test_a_folder_that_may_not_be_written_says_so(
    season: tuple[Path, Path], batch_text: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    logs, database = season
    _add(logs, "B2", batch_text)
    # Whoever runs as root may write anywhere; a file where the folder should be stops everybody.
    blocked = database.parent / "file" / "season.duckdb"
    blocked.parent.write_text("")
    with pytest.raises(WarehouseError, match="cannot be written"):
        build_season(logs, blocked, Settings())
    assert _batches(database) == ["B1"]


def test_a_folder_that_is_read_only_says_so_and_keeps_its_database(batch_text: Callable[..., str]) -> None:
    # Not in the folder of pytest, which is closed to whoever the child becomes.
    with tempfile.TemporaryDirectory() as place:
        logs, database = Path(place, "logs"), Path(place, "out", "season.duckdb")
        logs.mkdir()
        _add(logs, "B1", batch_text)
        build_season(logs, database, Settings())
        _add(logs, "B2", batch_text)
        before = database.read_bytes()
        for folder, mode in ((Path(place), 0o755), (logs, 0o755), (database.parent, 0o555)):
            folder.chmod(mode)
        child = subprocess.run(
            [sys.executable, "-c", UNPRIVILEGED, str(logs), str(database)],
            capture_output=True,
            text=True,
            check=False,
        )
        database.parent.chmod(0o755)
        assert child.returncode == 3, child.stderr[-2000:]
        assert "ermission denied" in child.stdout, child.stdout
        assert child.stdout.startswith(f"{database}: ")
        assert database.read_bytes() == before
        assert [path.name for path in database.parent.iterdir()] == ["season.duckdb"]


def test_a_database_in_use_is_left_alone(season: tuple[Path, Path], batch_text: Callable[..., str]) -> None:
    logs, database = season
    _add(logs, "B2", batch_text)
    holder = subprocess.Popen(
        [
            sys.executable,
            "-c",
            HOLDER,
            str(database),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    assert holder.stdout is not None
    holder.stdout.readline()
    with pytest.raises(WarehouseError, match="another program has this database open"):
        build_season(logs, database, Settings())
    holder.communicate()
    assert _batches(database) == ["B1"]


@pytest.mark.parametrize("content", ["foreign", "newer", "text", "empty"])
def test_what_is_not_ours_is_refused_and_left_as_it_was(
    tmp_path: Path, batch_text: Callable[..., str], content: str
) -> None:
    logs, database = tmp_path / "logs", tmp_path / "season.duckdb"
    logs.mkdir()
    _add(logs, "B1", batch_text)
    if content == "foreign":
        with duckdb.connect(str(database)) as connection:
            connection.execute("create table mine as select 1 as one")
    elif content == "newer":
        build_season(logs, database, Settings())
        with duckdb.connect(str(database)) as connection:
            connection.execute("update raw.made_by set format = 999")
    else:
        database.write_text("dear diary\n" * 2000 if content == "text" else "")
    before = database.read_bytes()
    with pytest.raises(WarehouseError):
        build_season(logs, database, Settings())
    assert database.read_bytes() == before


@pytest.mark.parametrize("name", ["raw.duckdb", "Account.duckdb", ".log.old.duckdb"])
def test_a_database_named_like_a_part_of_one_is_refused_in_a_sentence(
    season: tuple[Path, Path], name: str
) -> None:
    logs, database = season
    renamed = database.rename(database.with_name(name))
    before = renamed.read_bytes()
    with pytest.raises(WarehouseError, match="another file name"):
        build_season(logs, renamed, Settings())
    with pytest.raises(WarehouseError, match="another file name"):
        _batches(renamed)
    assert renamed.read_bytes() == before


def test_logs_are_never_written_to(season: tuple[Path, Path], batch_text: Callable[..., str]) -> None:
    logs, database = season
    log = logs / "B1.csv"
    os.utime(log, (1, 1))
    log.chmod(0o400)
    logs.chmod(0o500)
    before = (log.stat().st_mtime_ns, log.stat().st_ino, log.read_bytes())
    build_season(logs, database.with_name("other.duckdb"), Settings())
    logs.chmod(0o700)
    assert (log.stat().st_mtime_ns, log.stat().st_ino, log.read_bytes()) == before
    assert [path.name for path in logs.iterdir()] == ["B1.csv"]


def test_the_database_reads_no_file_once_logs_are_loaded(tmp_path: Path, season: tuple[Path, Path]) -> None:
    _, database = season
    secret = tmp_path / "secret.csv"
    secret.write_text("a\n1\n")
    with open_season(database) as connection, pytest.raises(duckdb.PermissionException):
        connection.execute(f"select * from read_csv('{secret}')")
