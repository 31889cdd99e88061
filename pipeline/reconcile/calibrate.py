"""How good the reconciliation is: simulated seasons, clean and with one mistake, and what it makes of them.

`python -m pipeline.reconcile.calibrate` prints the table that stands in DEVELOPERS.md. Every season goes
the whole way: simulated, written as logs, read, walked, reconciled.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import duckdb
import numpy as np
import polars as pl
from scipy.stats import chi2

from pipeline.logs import read_logs
from pipeline.reconcile.quantities import Book
from pipeline.reconcile.readings import Amounts
from pipeline.reconcile.step import READS, prepare
from pipeline.reconcile.suspects import Outcome, examine
from pipeline.settings import Settings
from pipeline.simulate import MistakeOrder, simulate_season, write_season
from pipeline.warehouse import make_tables

FIRST_SEED = 50_000
BATCHES = 8

_KINDS_PLANTED = 5

LARGE = 8.0
"""From this many standard uncertainties of its reading a mistake should be found."""


@dataclass(frozen=True)
class Kind:
    """A kind of mistake: its name, and how it is planted."""

    name: str
    order: MistakeOrder


_GAUGED = MistakeOrder("wrong digit", step="gauge", column="strength")

KINDS = (
    Kind("charge volume, decimal mark slipped", MistakeOrder("decimal slip", step="charge", column="volume")),
    Kind("charge strength, digits swapped", MistakeOrder("digits swapped", step="charge", column="strength")),
    # Two litres: hearts collected in one vessel. A swap in one of twenty jars is lost in the run's balance.
    Kind("hearts volume, digits swapped", MistakeOrder("digits swapped", least_change=2.0, is_optional=True)),
    Kind("hearts strength as gauged, one digit wrong", _GAUGED),
    Kind("low wines volume, gallons for litres", MistakeOrder("unit slip")),
    Kind("one small hearts jar's volume, digits swapped", MistakeOrder("digits swapped")),
)
"""Five kinds of mistake that a balance can see, and one for comparison that it mostly cannot."""


@dataclass(frozen=True)
class Examined:
    """A simulated season with what was found in it; `planted` is empty for a clean one."""

    rows: pl.DataFrame
    files: dict[int, str]
    amounts: Amounts
    book: Book
    outcome: Outcome
    planted: tuple[dict[str, Any], ...]


def examine_season(seed: int, batches: int = BATCHES, mistakes: Sequence[MistakeOrder] = ()) -> Examined:
    """Simulate a season and reconcile its logs."""
    season = simulate_season(batches, seed, mistakes=mistakes)
    with TemporaryDirectory() as folder:
        logs = Path(folder)
        write_season(season, logs)
        settings = _without_model_error(Settings.find(logs))
        frames = read_logs(logs, settings)
        planted = tuple(_planted(logs))
    with duckdb.connect(":memory:") as con:
        make_tables(con, frames, settings, WANTED)
        tables = [pl.DataFrame(con.sql(query)) for query in READS]
    files = dict(frames.files.select("file_id", "path").iter_rows())
    book, amounts = prepare(*tables)
    return Examined(tables[0], files, amounts, book, examine(book, amounts), planted)


WANTED = ("account.run", "account.batch_u", "account.wash", "account.logged_row", "account.move")
"""Tables that the reconciliation reads."""


def _without_model_error(settings: Settings) -> Settings:
    """The simulator's washes obey Balling's balance to the last digit: an allowance would be too much."""
    return replace(settings, uncertainty=replace(settings.uncertainty, wash_model_pct_vol=1e-3))


def _planted(logs: Path) -> Iterator[dict[str, Any]]:
    yield from json.loads((logs / "truth.json").read_text(encoding="utf-8"))["mistakes"]


def is_wrong_number(examined: Examined, number: int, planted: int = 0) -> bool:
    """Whether a quantity is the one that a planted mistake fell on."""
    quantity = examined.book.quantities[number]
    if quantity.row < 0 or planted >= len(examined.planted):
        return False
    mistake = examined.planted[planted]
    row = examined.rows.row(quantity.row, named=True)
    is_place: bool = examined.files[row["file_id"]] == mistake["file"] and row["line"] == mistake["line"]
    column = mistake["column"].split(" [")[0].lower()
    return bool(is_place and column == ("strength" if quantity.what == "strength" else "volume"))


def size_of_mistake(examined: Examined) -> float:
    """Size of the planted mistake in standard uncertainties of its reading; NaN where nothing was read."""
    numbers = [n for n in range(examined.book.y.size) if is_wrong_number(examined, n)]
    if not numbers:
        return float("nan")
    mistake = examined.planted[0]
    written, meant = (_number(mistake[key]) for key in ("written", "instead_of"))
    logged, u = examined.book.y[numbers[0]], examined.book.u[numbers[0]]
    # Of the larger reading, so that a slip downwards counts for no more than it is.
    return float(abs(written - meant) * logged / written / max(u, u * meant / written))


def _number(text: str) -> float:
    digits = text.replace(",", ".").rstrip("%").split()[0]
    return float(digits) / (1000.0 if text.endswith("mL") else 1.0)


def main(arguments: list[str] | None = None) -> int:
    """Print the calibration's table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clean", type=int, default=500, help="clean seasons")
    parser.add_argument("--mistaken", type=int, default=500, help="seasons with one mistake")
    parser.add_argument("--batches", type=int, default=BATCHES, help="batches a season")
    chosen = parser.parse_args(arguments)
    parts = (_clean_lines(chosen.clean, chosen.batches), _kind_lines(chosen.mistaken, chosen.batches))
    for lines in parts:
        for line in lines:
            print(line, flush=True)
    return 0


def _clean_lines(seasons: int, batches: int) -> Iterator[str]:
    if not seasons:
        return
    firsts = []
    named = 0
    for season in range(seasons):
        examined = examine_season(FIRST_SEED + season, batches)
        firsts.append((examined.outcome.first.total_chi2, examined.outcome.first.total_df))
        named += bool(examined.outcome.suspicions)
    p = np.array([p_of(*each) for each in firsts])
    ratio = np.mean([chi_square / df for chi_square, df in firsts])
    yield f"{seasons} clean seasons of {batches} batches: chi-square / df {ratio:.3f} on average"
    for level in (0.01, 0.05, 0.1, 0.5):
        yield f"  chi-square alarms at {level:.0%}: {np.mean(p < level):.1%}"
    yield f"  seasons in which a measurement is named: {named / max(seasons, 1):.1%}"


def p_of(chi_square: float, df: int) -> float:
    """Chance of a chi-square as large."""
    return float(chi2.sf(chi_square, df))


def _kind_lines(seasons: int, batches: int) -> Iterator[str]:
    if not seasons:
        return
    yield "| mistake | seasons | first | first or tied | above 8 u | of these first or tied |"
    yield "| --- | --- | --- | --- | --- | --- |"
    for number, kind in enumerate(KINDS):
        seed = FIRST_SEED + 1000 * (number + 1)
        each: list[tuple[bool, bool, float]] = []
        while len(each) < seasons // _KINDS_PLANTED:
            examined = examine_season(seed, batches, [kind.order])
            seed += 1
            # Passed over: a season without such a row, or a number that the log's own checks set aside.
            if examined.planted and not np.isnan(size_of_mistake(examined)):
                each.append(_found(examined))
        first, tied, size = (np.array(column) for column in zip(*each, strict=True))
        large = size > LARGE
        of_large = f"{tied[large].mean():.0%}" if large.any() else ""
        yield (
            f"| {kind.name} | {len(each)} | {first.mean():.0%} | {tied.mean():.0%} | {int(large.sum())} | "
            f"{of_large} |"
        )


def _found(examined: Examined) -> tuple[bool, bool, float]:
    first = tied = False
    for suspicion in examined.outcome.suspicions:
        hits = [
            place
            for place, each in enumerate(suspicion.candidates)
            if is_wrong_number(examined, each.number) and (each.is_tied or not place)
        ]
        tied |= bool(hits)
        first |= 0 in hits
    return first, tied, size_of_mistake(examined)


if __name__ == "__main__":
    sys.exit(main())
