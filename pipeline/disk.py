"""Files that are whole or not there: the name of an unfinished one, sweeping up, reaching the disk."""

from __future__ import annotations

import glob
import os
from pathlib import Path

__all__ = ["reach_disk", "sweep_unfinished", "unfinished_path"]


def unfinished_path(database: Path) -> Path:
    """Where this process makes a new database, beside the one whose place it will take."""
    return database.with_name(f".{database.name}.{os.getpid()}.unfinished")


def sweep_unfinished(database: Path) -> None:
    """Take away what builds left behind that were killed."""
    for leftover in database.parent.glob(f".{glob.escape(database.name)}.*.unfinished*"):
        number = leftover.name.removeprefix(f".{database.name}.").split(".")[0]
        if number.isdigit() and not _is_running(int(number)):
            leftover.unlink(missing_ok=True)


def _is_running(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        # It runs, and is somebody else's.
        return True
    return True


def reach_disk(path: Path) -> None:
    """Wait until a file, or the names in a folder, are on the disk and would survive a power cut."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
