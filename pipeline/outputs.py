"""Where results may be written: never over a log, never where a log is looked for, never through a link.

A report or a database may lie among the logs, since no log has such a name; a table whose name is that of
a log may not, since the next build would read it as one.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Mapping
from pathlib import Path

from pipeline.logs.fields import ALL_KINDS
from pipeline.logs.find import is_log_name
from pipeline.logs.read import read_files

__all__ = ["OutputError", "folder_of_logs", "refuse_output", "refuse_output_among", "write_whole"]


class OutputError(ValueError):
    """A place that a result may not be written to, and what to do about it."""


Logs = Mapping[str, tuple[int, str]]
"""The logs that a season was made from: of each path, relative to their folder, its size and SHA-256."""


def refuse_output(out: Path, logs: Logs) -> None:
    """Raise `OutputError` when `out` is a log, or lies where the season's logs lie and is named like one."""
    if out.is_file() and _is_one_of(out, logs.values()):
        raise OutputError(
            f"{out} is one of the season's logs and is left alone. Give another file with --out."
        )
    if not is_log_name(out.name):
        return
    kind = _kind_of(out) if out.is_file() else None
    if kind is not None:
        raise OutputError(
            f"{out} is there already and reads like a {kind}: it is left alone. Give another file with "
            "--out, or take that one away first."
        )
    folder = folder_of_logs(out, logs)
    if folder is not None:
        raise OutputError(
            f"{out} would lie in the folder of the season's logs, {folder}, and the next build would read it "
            "as one of them. Give a place outside that folder with --out."
        )


def refuse_output_among(out: Path, logs: Path, option: str) -> None:
    """Raise `OutputError` when `out` lies in the folder `logs` and is named like a log."""
    is_among = out.resolve().is_relative_to(logs.resolve())
    if is_among and is_log_name(out.name):
        raise OutputError(
            f"{out} lies among the logs and is named like one. Give another name, or a place outside {logs}, "
            f"with {option}."
        )


def folder_of_logs(out: Path, logs: Logs) -> Path | None:
    """The folder above `out` in which the season's logs lie; None when they lie elsewhere.

    A database does not know where its logs lay, and they may have moved since: the first folder above
    `out` in which one of them is found as it was read is taken to be theirs.
    """
    for here in out.resolve().parents:
        if any(_is_one_of(here / name, [known]) for name, known in logs.items()):
            return here
    return None


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that it is whole or not there; what had its name before is no longer changed by it.

    The new file takes the name: another name of the old one (a hard link) keeps what it held. A symbolic
    link is followed first, and what is no ordinary file, such as a pipe, is written to as it is.
    """
    path = path.resolve()
    if path.exists() and not path.is_file():
        path.write_bytes(data)
        return
    fresh = path.with_name(f".{path.name}.{os.getpid()}.unfinished")
    try:
        with fresh.open("xb") as file:
            file.write(data)
        os.replace(fresh, path)
    finally:
        fresh.unlink(missing_ok=True)


def _is_one_of(path: Path, known: Iterable[tuple[int, str]]) -> bool:
    """Whether the file at `path` has the content of one whose size and hash are `known`."""
    if not path.is_file():
        return False
    size = path.stat().st_size
    hashes = {sha256 for known_size, sha256 in known if known_size == size}
    if not hashes:
        return False
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest() in hashes


def _kind_of(path: Path) -> str | None:
    """Which kind of log a file is, in words; None when it is none."""
    kinds = [file.kind for file in read_files(path, "", lambda *_: None).files]
    return next((ALL_KINDS[kind].title for kind in kinds if kind is not None), None)
