"""The wheel works where it is installed, and the lock holds what pyproject.toml asks for."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tomllib
import zipfile
from collections.abc import Mapping
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

ROOT = Path(__file__).resolve().parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def run(*command: str | Path, **options: object) -> subprocess.CompletedProcess[str]:
    """Run a command to its end and keep what it prints."""
    return subprocess.run(
        [str(part) for part in command], capture_output=True, text=True, check=False, timeout=600, **options
    )


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built from this checkout with what is installed here and nothing fetched."""
    folder = tmp_path_factory.mktemp("wheel")
    built = run(sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", folder, cwd=ROOT)
    assert built.returncode == 0, built.stderr
    (path,) = folder.glob("*.whl")
    return path


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the wheel installed into it and nothing else."""
    target = tmp_path_factory.mktemp("installed")
    done = run(
        *(sys.executable, "-m", "pip", "install", "--quiet", "--no-index", "--no-deps", "--no-compile"),
        *("--target", target, wheel),
    )
    assert done.returncode == 0, done.stderr
    return target


def test_wheel_carries_sql_templates_and_catalogue(wheel: Path) -> None:
    names = set(zipfile.ZipFile(wheel).namelist())
    in_checkout = {
        *(
            f"pipeline/sql/{path.relative_to(ROOT / 'sql').as_posix()}"
            for path in (ROOT / "sql").rglob("*.sql")
        ),
        *(
            path.relative_to(ROOT).as_posix()
            for path in (ROOT / "pipeline").rglob("*")
            if path.is_file() and "__pycache__" not in path.parts
        ),
    }
    assert in_checkout - names == set()
    assert "pipeline/logs/catalogue.csv" in names
    assert any(name.startswith("pipeline/report/templates/") for name in names)
    assert any(name.startswith("pipeline/sql/30_metric/") for name in names)


def test_wheel_carries_nothing_else(wheel: Path) -> None:
    archive = zipfile.ZipFile(wheel)
    tops = {name.split("/")[0] for name in archive.namelist()}
    version = PROJECT["project"]["version"]
    assert tops == {"pipeline", f"stillseason-{version}.dist-info"}
    assert not [
        name for name in archive.namelist() if re.search(r"(^|/)(tests?|conftest\.py|__pycache__)(/|$)", name)
    ]


def test_installed_copy_reviews_a_season_from_an_empty_folder(installed: Path, tmp_path: Path) -> None:
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    logs = tmp_path / "logs"
    shutil.copytree(ROOT / "sample_logs", logs)
    environment = {"PYTHONPATH": str(installed), "PATH": "", "HOME": str(folder), "LANG": "C.UTF-8"}

    place = run(
        sys.executable, "-c", "import pipeline; print(pipeline.__file__)", cwd=folder, env=environment
    )
    assert Path(place.stdout.strip()).is_relative_to(installed), (
        "the checkout was imported, not the installed copy"
    )

    command = installed / "bin" / "stillseason"
    done = run(sys.executable, command, "review", logs, "--out", folder / "out", cwd=folder, env=environment)
    # 1 means that the logs hold problems, and the sample logs hold some on purpose.
    assert done.returncode in (0, 1), done.stdout + done.stderr
    assert list((folder / "out").glob("*/index.html")), done.stdout + done.stderr
    assert "Traceback" not in done.stderr


# --- set-up


def test_setup_without_a_python_that_is_new_enough_says_so(tmp_path: Path) -> None:
    venv = tmp_path / "venv"
    done = run("make", "-C", ROOT, f"VENV={venv}", "PYTHON=python-of-nowhere", "review")
    assert done.returncode == 2
    assert "No Python 3.11 or newer found (tried: python-of-nowhere)." in done.stderr
    assert not venv.exists()


# --- the lock files


def pins(name: str) -> Mapping[str, tuple[Version, int]]:
    """Package to its pinned version and how many hashes stand beside it."""
    text = (ROOT / name).read_text(encoding="utf-8").replace("\\\n", " ")
    found = {}
    for line in text.splitlines():
        if line.strip() and not line.lstrip().startswith("#"):
            requirement = Requirement(line.split("--hash")[0].strip())
            (specifier,) = requirement.specifier
            assert specifier.operator == "==", line
            package = canonicalize_name(requirement.name)
            assert package not in found, f"{name} pins {package} twice"
            found[package] = (Version(specifier.version), line.count("--hash=sha256:"))
    return found


@pytest.mark.parametrize("name", ["requirements.lock", "requirements-dev.lock"])
def test_every_pin_has_a_hash_and_no_address(name: str) -> None:
    assert [package for package, (_, hashes) in pins(name).items() if hashes == 0] == []
    assert "://" not in (ROOT / name).read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        ("requirements.lock", [*PROJECT["project"]["dependencies"], *PROJECT["build-system"]["requires"]]),
        ("requirements-dev.lock", PROJECT["project"]["optional-dependencies"]["dev"]),
    ],
)
def test_lock_holds_what_pyproject_asks_for(name: str, wanted: list[str]) -> None:
    locked = pins(name)
    for line in wanted:
        requirement = Requirement(line)
        package = canonicalize_name(requirement.name)
        assert package in locked, f"{package} is in pyproject.toml and not in {name}: make lock"
        assert locked[package][0] in requirement.specifier, f"{name} does not fit {line}: make lock"


def test_both_locks_agree() -> None:
    to_run, to_test = pins("requirements.lock"), pins("requirements-dev.lock")
    assert {package: to_test.get(package) for package in to_run} == to_run
