"""As many one-batch logs as are wanted: small simulated seasons, again and again under other names."""

import datetime as dt
import re
from collections import Counter
from collections.abc import Iterator
from functools import partial
from itertools import count
from pathlib import Path

from pipeline.simulate import simulate_season, write_season

Batch = tuple[str, str, int]
"""A simulated batch: its name, the text of its rows, how many they are."""


def simulated_batches(place: Path) -> tuple[str, list[Batch]]:
    """The commonest header of a simulated season's batch logs, and the batches that have it."""
    write_season(simulate_season(16, seed=5), place)
    logs: list[tuple[str, list[str], str]] = []
    for path in sorted(place.glob("batches/*.csv")):
        text = path.read_bytes().decode("utf-8-sig", "replace").replace("\r\n", "\n")
        header, *rows = [line for line in text.splitlines() if line and not line.startswith("#")]
        logs.append((header, rows, path.stem))
    common, _ = Counter(header for header, _, _ in logs).most_common(1)[0]
    return common, [
        (name, "\n".join(rows) + "\n", len(rows)) for header, rows, name in logs if header == common
    ]


def tiled(batches: list[Batch]) -> Iterator[tuple[str, int]]:
    """Batch after batch without end, each under a name of its own: its rows, and how many they are."""
    number = 0
    while True:
        for name, text, rows in batches:
            yield text.replace(name, f"{name}-{number}"), rows
        number += 1


SET = 16
"""Batches that hang together by their feints, as a small distillery's season does."""

_SEASONS = 20
_DAYS_APART = 37


def sets_of_logs(place: Path, files: int) -> Iterator[tuple[str, bytes]]:
    """So many one-batch logs, by their names, in sets of `SET` that share nothing: batch, lot or reading.

    Twenty simulated seasons as their distillers wrote them, then the same some weeks later, and so on.
    """
    seasons: list[list[tuple[str, bytes]]] = []
    day, batch, receiver = (re.compile(each) for each in (_DAY, rb"\bG(\d\d)\b", rb"\bfeints ([AB])\b"))
    for number in count():
        own = b"S%03d" % number
        if number < _SEASONS:
            folder = place / f"{number}"
            write_season(simulate_season(SET, seed=100 + number), folder)
            logs = sorted(folder.glob("batches/*.csv"))
            seasons.append([(path.stem, path.read_bytes()) for path in logs])
        later = dt.timedelta(days=_DAYS_APART * (number // _SEASONS))
        for name, text in seasons[number % _SEASONS]:
            if files == 0:
                return
            text = day.sub(partial(_moved, later), text)
            text = receiver.sub(rb"feints \1 of " + own, batch.sub(own + rb" G\1", text))
            yield f"{own.decode()} {name}.csv", text
            files -= 1


_DAY = rb"\b\d{4}-\d\d-\d\d\b"


def _moved(later: dt.timedelta, day: re.Match[bytes]) -> bytes:
    return f"{dt.date.fromisoformat(day[0].decode()) + later}".encode()
