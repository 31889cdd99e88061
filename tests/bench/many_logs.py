"""As many one-batch logs as are wanted: a small simulated season, again and again under other names."""

from collections import Counter
from collections.abc import Iterator
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
