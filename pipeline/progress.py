"""Progress of long work: a line on stderr when a person is watching, nothing in a pipe."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import TextIO

Progress = Callable[[str, int, int], None]
"""Called as progress(what, done, total); total 0 means: not known."""

_REDRAW_S = 0.1


def silent(what: str, done: int, total: int) -> None:
    """Progress that says nothing: the default of every function that takes one."""


def terminal_progress(stream: TextIO | None = None) -> Progress:
    """A progress line that rewrites itself on `stream` (stderr); silent when it is no terminal."""
    out = sys.stderr if stream is None else stream
    if not out.isatty():
        return silent
    last_drawn = 0.0

    def draw(what: str, done: int, total: int) -> None:
        nonlocal last_drawn
        finished = total > 0 and done >= total
        now = time.monotonic()
        if not finished and now - last_drawn < _REDRAW_S:
            return
        last_drawn = now
        count = f"{done:,} of {total:,}" if total else f"{done:,}"
        out.write("\r\x1b[2K" if finished else f"\r\x1b[2K{what}: {count}")
        out.flush()

    return draw
