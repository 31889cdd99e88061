"""What a database was made by: a hash over the program's own files and the engines it ran on.

Two builds with the same fingerprint, settings and logs make the same tables. Knows no tables.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import scipy

from pipeline.resources import sql_dir

__all__ = ["program_fingerprint"]


@cache
def program_fingerprint() -> str:
    """A hash over the program's code, SQL and data files and the versions of what computes for it."""
    digest = hashlib.sha256()
    for name, content in _parts():
        digest.update(f"{name} {len(content)}\n".encode())
        digest.update(content)
    return digest.hexdigest()


def _parts() -> Iterator[tuple[str, bytes]]:
    for engine in (duckdb, np, pl, scipy):
        yield engine.__name__, engine.__version__.encode()
    for folder, patterns in ((Path(__file__).parent, ("*.py", "*.csv")), (sql_dir(), ("*.sql",))):
        paths = (path for pattern in patterns for path in folder.rglob(pattern))
        for path in sorted(paths):
            yield path.relative_to(folder).as_posix(), path.read_bytes()
