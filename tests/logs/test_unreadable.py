"""Files and folders that may not be read: named in a sentence, and the rest of the logs is read."""

from __future__ import annotations

import gzip
import json
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.logs import find, read_logs
from pipeline.settings import Settings

LOG = "batch,when,step,item\n{0},2031-02-01,yeast,ale\n"

# Whoever runs as root may read anything, so the child becomes somebody who may not: 65534 is "nobody".
UNPRIVILEGED = """
import json, os, sys
from pathlib import Path
import pipeline.warehouse
from pipeline.logs import read_logs
from pipeline.settings import Settings
if os.geteuid() == 0:
    os.setgid(65534)
    os.setuid(65534)
frames = read_logs(Path(sys.argv[1]), Settings())
print(json.dumps([frames.problems.select("kind", "file", "message").rows(),
                  frames.values["batch_value"]["batch"].to_list()]))
"""


@pytest.fixture
def season() -> Iterator[Path]:
    """Logs, some of which their owner has closed; not in the folder of pytest, which is closed to others."""
    with tempfile.TemporaryDirectory() as place:
        logs = Path(place, "logs")
        for name in (
            "open.csv",
            "shut.csv",
            "shut.xlsx",
            "shut folder/B1.csv",
            "listed folder/B2.csv",
            "listed folder/in/B3.csv",
        ):
            path = logs / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(LOG.format(path.stem))
        (logs / "shut.csv.gz").write_bytes(gzip.compress(LOG.format("packed").encode()))
        Path(place).chmod(0o755)
        for name, mode in {"shut.csv": 0, "shut.csv.gz": 0, "shut.xlsx": 0, "shut folder": 0}.items():
            (logs / name).chmod(mode)
        # Its names can be listed, but nothing in it can be looked at.
        (logs / "listed folder").chmod(0o444)
        yield logs
        for name in ("shut folder", "listed folder"):
            (logs / name).chmod(0o755)


def test_what_may_not_be_read_is_named_and_the_rest_is_read(season: Path) -> None:
    child = subprocess.run(
        [sys.executable, "-c", UNPRIVILEGED, str(season)], capture_output=True, text=True, check=False
    )
    assert child.returncode == 0, child.stderr[-2000:]
    problems, batches = json.loads(child.stdout)
    assert batches == ["open"]
    assert {kind for kind, _, _ in problems} == {"cannot_open"}
    assert {file for _, file, _ in problems} == {
        *("shut.csv", "shut.csv.gz", "shut.xlsx", "shut folder", "listed folder/B2.csv"),
        "listed folder/in",
    }
    for _, file, message in problems:
        assert message == (
            f"{file} cannot be opened (Permission denied). Expected a file that you may read. Mend: check "
            "that the file is there and that you are allowed to read it."
        )


def test_a_folder_of_logs_that_may_not_be_read_is_named_itself(season: Path) -> None:
    season.chmod(0)
    child = subprocess.run(
        [sys.executable, "-c", UNPRIVILEGED, str(season)], capture_output=True, text=True, check=False
    )
    season.chmod(0o755)
    assert child.returncode == 0, child.stderr[-2000:]
    ((_, file, _),), batches = json.loads(child.stdout)
    assert (file, batches) == (str(season), [])


@pytest.mark.parametrize("name", ["B1.csv", "B1.csv.gz", "B1.xlsx"])
def test_a_file_whose_disk_fails_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """As when a stick is pulled out or a share is gone: the name is there, and reading it fails."""

    def fail(path: Path, *_: object, **__: object) -> None:
        raise OSError(5, "Input/output error", str(path))

    (tmp_path / name).write_text(LOG.format("B1"))
    monkeypatch.setattr(Path, "open", fail)
    frames = read_logs(tmp_path, Settings())
    assert frames.problems.select("kind", "file").rows() == [("cannot_open", name)]
    assert "(Input/output error)" in frames.problems["message"][0]
    assert frames.files["path"].to_list() == [name]


def test_a_file_that_is_gone_before_it_is_read_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "B1.csv").write_text(LOG.format("B1"))
    found, problems = find.find_files(tmp_path)
    (tmp_path / "B1.csv").unlink()
    monkeypatch.setattr("pipeline.logs.read.find_files", lambda _: (found, problems))
    frames = read_logs(tmp_path, Settings())
    assert frames.problems.select("kind", "file").rows() == [("cannot_open", "B1.csv")]
