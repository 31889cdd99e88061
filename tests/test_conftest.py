"""--all-parts turns every skip into a failure, and without it a skip stays a skip."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

SKIPPING = """
import pytest

def test_that_skips_itself():
    pytest.skip("no browser here")

@pytest.mark.skipif(True, reason="no browser here")
def test_that_is_marked():
    pass

def test_that_runs():
    pass
"""
SKIPPING_WHOLE = """
import pytest

pytest.importorskip("a_module_that_nobody_has")
"""


@pytest.fixture
def suite(tmp_path: Path) -> Path:
    """A folder with this project's conftest and some tests that skip themselves."""
    shutil.copy(Path(__file__).with_name("conftest.py"), tmp_path)
    (tmp_path / "test_skipping.py").write_text(SKIPPING, encoding="utf-8")
    (tmp_path / "test_skipping_whole.py").write_text(SKIPPING_WHOLE, encoding="utf-8")
    return tmp_path


def run_pytest(suite: Path, *arguments: str) -> tuple[int, str]:
    """Exit status and last line of a run of its own in `suite`."""
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *arguments]
    # This run's own options may come from the environment and are not those of the run under test.
    environment = {name: value for name, value in os.environ.items() if name != "PYTEST_ADDOPTS"}
    done = subprocess.run(
        command, cwd=suite, capture_output=True, text=True, check=False, timeout=120, env=environment
    )
    return done.returncode, done.stdout.strip().splitlines()[-1]


def test_a_missing_part_is_a_skip(suite: Path) -> None:
    status, last = run_pytest(suite)
    assert status == 0
    assert last.startswith("1 passed, 3 skipped")


def test_with_all_parts_a_skip_is_a_failure(suite: Path) -> None:
    status, last = run_pytest(suite, "--all-parts", "--continue-on-collection-errors")
    assert status == 1
    assert last.startswith("1 failed, 1 passed, 2 errors")
