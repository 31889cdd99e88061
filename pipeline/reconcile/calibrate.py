"""How good the reconciliation is: simulated seasons, clean and with one mistake, and what it makes of them.

`python -m pipeline.reconcile.calibrate` prints the tables that stand in DEVELOPERS.md; `--docs FILE` writes
them there (make calibrate-balance: 500 clean seasons and 500 with a mistake, half an hour on one core).
Every season goes the whole way: simulated, written as logs, read, walked, reconciled.
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
from scipy.stats import binomtest, chi2

from pipeline.logs import read_logs
from pipeline.reconcile.prior import Priors
from pipeline.reconcile.quantities import Book
from pipeline.reconcile.readings import Amounts
from pipeline.reconcile.step import READS, batch_frame, prepare
from pipeline.reconcile.suspects import BALANCE, Outcome, examine
from pipeline.settings import Settings
from pipeline.simulate import MistakeOrder, simulate_season, write_season
from pipeline.simulate.world import Scatter, World
from pipeline.warehouse import make_tables

FIRST_SEED = 50_000
BATCHES = 8

LARGE = 8.0
"""From this many standard uncertainties of its reading a mistake should be found."""

SIMULATED = Priors(
    stripping_stages=(World.strip_stages, 0.3 * Scatter.stages),
    spirit_stages=(World.spirit_stages, Scatter.stages),
    with_yeast_frac=(0.015, 0.003),
    least_u_pct_vol=0.0,
)
"""Stills and fermenters of the simulator, which scatter less than what a real season must allow for."""

_NORMAL_95 = 1.959964

_BEGIN = "<!-- calibration of the reconciliation -->"
_END = "<!-- end calibration of the reconciliation -->"


@dataclass(frozen=True)
class Kind:
    """A kind of mistake and where it falls; `is_charge_or_hearts`: of these most must be found."""

    name: str
    where: str
    order: MistakeOrder
    is_charge_or_hearts: bool = True


KINDS = (
    Kind(
        "digits swapped",
        "strength of a charge",
        MistakeOrder("digits swapped", step="charge", column="strength"),
    ),
    Kind("digits swapped", "volume of hearts, jar or vessel", MistakeOrder("digits swapped")),
    Kind(
        "decimal mark slipped",
        "volume of a charge",
        MistakeOrder("decimal slip", step="charge", column="volume"),
    ),
    Kind(
        "decimal mark slipped",
        "volume of hearts, jar or vessel",
        MistakeOrder("decimal slip", step="collect", cut="hearts", column="volume"),
    ),
    Kind(
        "one digit wrong", "volume of a charge", MistakeOrder("wrong digit", step="charge", column="volume")
    ),
    Kind("one digit wrong", "strength of hearts, jar or vessel", MistakeOrder("wrong digit")),
    Kind("gallons for litres", "volume of a charge", MistakeOrder("unit slip", step="charge")),
    Kind("gallons for litres", "volume of low wines", MistakeOrder("unit slip"), is_charge_or_hearts=False),
    Kind("row written twice", "a charge", MistakeOrder("row twice", step="charge")),
    Kind(
        "row written twice", "hearts, jar or vessel", MistakeOrder("row twice", cut="hearts", step="collect")
    ),
)
"""Five kinds of mistake, each in two places."""

FIGURES = {
    "wash": "wash_lpa",
    "low wines": "low_wines_lpa",
    "spirit charge": "spirit_charge_lpa",
    "hearts": "hearts_lpa",
    "yield per kg": "yield_lpa_per_kg",
}
"""Figures of a batch that are held against the truth: name, and column of metric.batch and of the truth."""


@dataclass(frozen=True)
class Examined:
    """A simulated season with what was found in it; `planted` is empty for a clean one."""

    rows: pl.DataFrame
    files: dict[int, str]
    amounts: Amounts
    book: Book
    outcome: Outcome
    planted: tuple[dict[str, Any], ...]
    truth: dict[str, Any]
    figures: pl.DataFrame


def examine_season(
    seed: int, batches: int = BATCHES, mistakes: Sequence[MistakeOrder] = (), figures: bool = False
) -> Examined:
    """Simulate a season and reconcile its logs; `figures`: with metric.batch as well."""
    season = simulate_season(batches, seed, mistakes=mistakes)
    with TemporaryDirectory() as folder:
        logs = Path(folder)
        write_season(season, logs)
        settings = _without_model_error(Settings.find(logs))
        frames = read_logs(logs, settings)
        truth = json.loads((logs / "truth.json").read_text(encoding="utf-8"))
    with duckdb.connect(":memory:") as con:
        make_tables(con, frames, settings, [*WANTED, *(["metric.batch"] if figures else [])])
        tables = [pl.DataFrame(con.sql(query)) for query in READS]
        metric = (
            pl.DataFrame(con.sql("select * from metric.batch order by batch")) if figures else pl.DataFrame()
        )
    files = dict(frames.files.select("file_id", "path").iter_rows())
    ready = prepare(*tables, priors=SIMULATED)
    outcome = examine(ready.book, ready.amounts, ready.witnesses)
    return Examined(
        tables[0], files, ready.amounts, ready.book, outcome, tuple(truth["mistakes"]), truth, metric
    )


WANTED = (
    *("account.run", "account.batch_u", "account.wash", "account.logged_row", "account.move", "account.jar"),
)
"""Tables that the reconciliation reads."""


def _without_model_error(settings: Settings) -> Settings:
    """The simulator's washes obey Balling's balance to the last digit: an allowance would be too much."""
    return replace(settings, uncertainty=replace(settings.uncertainty, wash_model_pct_vol=1e-3))


def is_wrong_number(examined: Examined, number: int, planted: int = 0) -> bool:
    """Whether a quantity is the one that a planted mistake fell on."""
    quantity = examined.book.quantities[number]
    if quantity.row < 0 or planted >= len(examined.planted):
        return False
    mistake = examined.planted[planted]
    row = examined.rows.row(quantity.row, named=True)
    # Of two rows that say the same, either is the one too many.
    lines = (mistake["line"], mistake["line"] - 1) if mistake["kind"] == "row twice" else (mistake["line"],)
    is_place: bool = examined.files[row["file_id"]] == mistake["file"] and row["line"] in lines
    column = mistake["column"].split(" [")[0].lower()
    return bool(is_place and column == ("strength" if quantity.what == "strength" else "volume"))


def size_of_mistake(examined: Examined) -> float:
    """Size of the planted mistake in standard uncertainties of its reading; NaN where nothing was read."""
    numbers = [n for n in range(examined.book.y.size) if is_wrong_number(examined, n)]
    if not numbers:
        return float("nan")
    mistake = examined.planted[0]
    written = _number(mistake["written"])
    meant = _number(mistake["instead_of"]) if mistake["instead_of"] else 0.0
    logged, u = examined.book.y[numbers[0]], examined.book.u[numbers[0]]
    # Of the larger reading, so that a slip downwards counts for no more than it is.
    return float(abs(written - meant) * logged / written / max(u, u * meant / written))


def _number(text: str) -> float:
    digits = text.replace(",", ".").rstrip("%").split()[0]
    return float(digits) / (1000.0 if text.endswith("mL") else 1.0)


def p_of(chi_square: float, df: float) -> float:
    """Chance of a chi-square as large."""
    return float(chi2.sf(chi_square, df))


def main(arguments: list[str] | None = None) -> int:
    """Print the calibration's tables, or write them into a file of documentation."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clean", type=int, default=500, help="clean seasons")
    parser.add_argument("--mistaken", type=int, default=500, help="seasons with one mistake")
    parser.add_argument("--batches", type=int, default=BATCHES, help="batches a season")
    parser.add_argument("--docs", type=Path, help="file with the calibration's marks to write into")
    chosen = parser.parse_args(arguments)
    lines: list[str] = []
    for part in (clean_lines(chosen.clean, chosen.batches), kind_lines(chosen.mistaken, chosen.batches)):
        for line in part:
            lines.append(line)
            print(line, flush=True)
    if chosen.docs is not None:
        write_docs(chosen.docs, lines)
    return 0


def write_docs(path: Path, lines: Sequence[str]) -> None:
    """Put the lines between the calibration's marks."""
    text = path.read_text(encoding="utf-8")
    before, rest = text.split(_BEGIN)
    _, after = rest.split(_END)
    path.write_text("\n".join([before + _BEGIN, *lines, _END + after]), encoding="utf-8")


def clean_lines(seasons: int, batches: int) -> Iterator[str]:
    """Clean seasons: false alarms of the test, and how often the intervals hold the truth."""
    if not seasons:
        return
    firsts, deviations = [], []
    by_balance = by_jars = 0
    for season in range(seasons):
        examined = examine_season(FIRST_SEED + season, batches, figures=True)
        firsts.append((examined.outcome.first.total_chi2, examined.outcome.first.total_df))
        bases = [each.basis for each in examined.outcome.suspicions]
        by_balance += BALANCE in bases
        by_jars += any(each != BALANCE for each in bases)
        deviations.append(_deviations(examined))
    p = np.array([p_of(*each) for each in firsts])
    ratio = np.mean([chi_square / df for chi_square, df in firsts])
    yield f"{seasons} clean seasons of {batches} batches: chi-square {ratio:.3f} of what is expected."
    yield ""
    yield "| clean seasons in which | share | 95 % interval |"
    yield "| --- | --- | --- |"
    for level in (0.01, 0.05, 0.1, 0.5):
        yield f"| chi-square is beyond its {level:.0%} point | {_share(int(np.sum(p < level)), seasons)} |"
    yield f"| a reading is named by the balances | {_share(by_balance, seasons)} |"
    yield f"| a reading is named by its run's other jars | {_share(by_jars, seasons)} |"
    yield ""
    yield "| figure | batches | truth in the 95 % interval, as logged | as reconciled | narrower by |"
    yield "| --- | --- | --- | --- | --- |"
    yield from _coverage_lines(pl.concat(deviations))
    yield ""


def _share(hits: int, of: int) -> str:
    low, high = binomtest(hits, of).proportion_ci(method="wilson")
    return f"{hits / of:.1%} | {low:.1%} to {high:.1%}"


def _deviations(examined: Examined) -> pl.DataFrame:
    """Every figure less its truth, in its own standard uncertainties, as logged and as reconciled."""
    reconciled = batch_frame(examined.book, examined.outcome)
    of = {(row[0], row[1]): row for row in reconciled.iter_rows()}
    columns = [*FIGURES.values(), *(f"{column}_u" for column in FIGURES.values())]
    found = []
    for row in examined.figures.select("batch", *columns).iter_rows(named=True):
        truth = examined.truth["batches"][row["batch"]]
        for name, column in FIGURES.items():
            value, u = row[column], row[f"{column}_u"]
            if value is None or u is None:
                continue
            closed = of.get((row["batch"], name))
            found.append(
                {
                    "figure": name,
                    "logged_z": (value - truth[column]) / u,
                    "reconciled_z": (closed[4] - truth[column]) / closed[5] if closed else None,
                    "ratio": closed[5] / u if closed else None,
                }
            )
    schema = {"figure": pl.String, "logged_z": pl.Float64, "reconciled_z": pl.Float64, "ratio": pl.Float64}
    return pl.DataFrame(found, schema=schema)


def _coverage_lines(deviations: pl.DataFrame) -> Iterator[str]:
    for name in FIGURES:
        own = deviations.filter(pl.col("figure") == name)
        cells = []
        for column in ("logged_z", "reconciled_z"):
            z = own[column].drop_nulls().to_numpy()
            cells.append(f"{np.mean(np.abs(z) < _NORMAL_95):.1%}" if z.size else "")
        ratio = own["ratio"].drop_nulls()
        narrower = f"{1.0 - float(np.median(ratio.to_numpy())):.0%}" if ratio.len() else ""
        yield f"| {name} | {own.height:,} | {cells[0]} | {cells[1]} | {narrower} |"


@dataclass(frozen=True)
class Found:
    """Whether a planted mistake was named first, or among those tied; its size [u of its reading]."""

    is_first: bool
    is_tied: bool
    size: float


def kind_lines(seasons: int, batches: int) -> Iterator[str]:
    """Seasons with one mistake: how often it is found, kind by kind."""
    if not seasons:
        return
    yield f"| mistake | where | seasons | first | first or tied | above {LARGE:.0f} u | of these found |"
    yield "| --- | --- | --- | --- | --- | --- | --- |"
    main_large: list[Found] = []
    passed_over = 0
    for number, kind in enumerate(KINDS):
        seed = FIRST_SEED + 1000 * (number + 1)
        each: list[Found] = []
        while len(each) < max(1, seasons // len(KINDS)):
            examined = examine_season(seed, batches, [kind.order])
            seed += 1
            if np.isnan(size_of_mistake(examined)):
                passed_over += 1
            else:
                each.append(found_of(examined))
        large = [one for one in each if one.size > LARGE]
        main_large += large if kind.is_charge_or_hearts else []
        of_large = f"{np.mean([one.is_tied for one in large]):.0%}" if large else ""
        yield (
            f"| {kind.name} | {kind.where} | {len(each)} | {np.mean([one.is_first for one in each]):.0%} "
            f"| {np.mean([one.is_tied for one in each]):.0%} | {len(large)} | {of_large} |"
        )
    hits = sum(one.is_tied for one in main_large)
    low, high = binomtest(hits, len(main_large)).proportion_ci(method="wilson")
    yield ""
    yield (
        f"Of {len(main_large)} mistakes above {LARGE:.0f} standard uncertainties of the reading changed, in "
        f"a charge or in hearts, {hits / len(main_large):.1%} are named first or in the tie (95 % interval "
        f"{low:.1%} to {high:.1%}). Passed over: {passed_over} seasons whose mistake the log's own checks "
        "set aside."
    )


def found_of(examined: Examined) -> Found:
    """What became of the planted mistake."""
    first = tied = False
    for suspicion in examined.outcome.suspicions:
        hits = [
            place
            for place, each in enumerate(suspicion.candidates)
            if is_wrong_number(examined, each.number) and (each.is_tied or not place)
        ]
        tied |= bool(hits)
        first |= 0 in hits
    return Found(first, tied, size_of_mistake(examined))


if __name__ == "__main__":
    sys.exit(main())
