"""The whole pipeline against the simulator's truth: unbiased, and as exact as the instruments, no more.

The simulator shares no code with the account. The sample season's computed figures are set against its true
ones; the scale of the difference is what the same season gives with other instrument errors, so that z =
(computed - true) / spread is standard normal when the account is right.
"""

import json
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb
import numpy as np
import polars as pl
import pytest

from pipeline.logs import read_logs
from pipeline.settings import Settings
from pipeline.simulate import simulate_season, write_season
from pipeline.warehouse import fill_database, make_tables

SAMPLE = Path(__file__).parents[2] / "sample_logs"
BATCHES, SEED, REPEATS = 48, 2025, 6

FIGURES = (
    "grain_extract_kg",
    "wash_volume_l",
    "wash_abv_pct_vol",
    "wash_lpa",
    "low_wines_lpa",
    "spirit_charge_lpa",
    "foreshots_lpa",
    "heads_lpa",
    "hearts_lpa",
    "tails_lpa",
    "feints_in_lpa",
    "feints_out_lpa",
    "net_spirit_lpa",
    "yield_lpa_per_kg",
)

_OF_HEARTS = {
    "hearts_lpa",
    "hearts_frac",
    "hearts_abv_pct_vol",
    "hearts_volume_l",
    "hearts_lpa_per_kg",
    "net_spirit_lpa",
    "yield_lpa_per_kg",
    "cost_per_lpa",
    "balance_gap_lpa",
}

_OF_FINAL_GRAVITY = {
    "final_gravity_sg",
    "real_extract_plato",
    "apparent_attenuation_frac",
    "real_attenuation_frac",
    "wash_abv_pct_vol",
    "wash_lpa",
    "ferment_efficiency_frac",
    "ferment_days",
    "rest_days",
    # The wash is charged at the strength that the gravities say.
    "strip_charge_lpa",
    "strip_recovery_frac",
    "balance_gap_lpa",
}


def batch_figures(folder: Path) -> pl.DataFrame:
    """metric.batch of the logs in a folder."""
    settings = Settings.find(folder)
    with duckdb.connect(":memory:") as con:
        make_tables(con, read_logs(folder, settings), settings, wanted=("metric.batch",))
        return pl.DataFrame(con.sql("select * from metric.batch order by batch"))


@cache
def truth() -> dict:
    return json.loads((SAMPLE / "truth.json").read_text())


@cache
def sample() -> pl.DataFrame:
    return batch_figures(SAMPLE)


@cache
def repeats() -> tuple[pl.DataFrame, ...]:
    """The sample's own season, measured again and again with fresh instrument errors and no mistakes."""
    tables = []
    for number in range(REPEATS):
        with TemporaryDirectory() as folder:
            write_season(simulate_season(BATCHES, SEED, instrument_seed=1000 + number), Path(folder))
            tables.append(batch_figures(Path(folder)))
    return tuple(tables)


def mistaken_batches() -> set[str]:
    return {Path(mistake["file"]).stem for mistake in truth()["mistakes"]}


def batches_sharing_a_mistake() -> set[str]:
    """Mistaken batches, and those whose alcohol went by feints through a mistaken batch's still."""
    mistaken = mistaken_batches()
    origins = (truth()["batches"][batch]["hearts_origin"] for batch in mistaken)
    return mistaken | {batch for origin in origins for batch, share in origin.items() if share > 0.003}


def relative_differences(table: pl.DataFrame, figure: str, leave_out: set[str]) -> np.ndarray:
    """(computed - true) / true of every batch that has the figure and a true value above zero."""
    values = [
        computed / truth()["batches"][batch][figure] - 1.0
        for batch, computed in table.select("batch", figure).iter_rows()
        if computed is not None and batch not in leave_out and truth()["batches"][batch][figure] > 0
    ]
    return np.array(values)


@pytest.mark.parametrize("figure", FIGURES)
def test_computed_figures_agree_with_the_truth_within_the_instruments_errors(figure):
    spread = np.sqrt(
        np.mean(np.concatenate([relative_differences(t, figure, set()) ** 2 for t in repeats()]))
    )
    is_of_several = figure in ("net_spirit_lpa", "yield_lpa_per_kg")
    left_out = batches_sharing_a_mistake() if is_of_several else mistaken_batches()
    z = relative_differences(sample(), figure, left_out) / spread
    print(
        f"{figure}: n {z.size}, mean z {z.mean():+.2f}, spread of z {z.std(ddof=1):.2f}, 1 z = {spread:.2%}"
    )
    # A mean of n standard normals lies within 3.5 / sqrt(n) but once in two thousand times. A batch's feints
    # come from its neighbours, so errors are shared and the bound is wider by half.
    assert abs(z.mean()) < 1.5 * 3.5 / np.sqrt(z.size)
    assert 0.6 < z.std(ddof=1) < 1.5
    assert np.abs(z).max() < 5.0


@pytest.mark.parametrize("figure", FIGURES)
def test_no_figure_is_biased(figure):
    """Over all repeats the mean error is a small part of one batch's error."""
    errors = np.stack([relative_differences(table, figure, set()).mean() for table in repeats()])
    spread = np.sqrt(
        np.mean(np.concatenate([relative_differences(t, figure, set()) ** 2 for t in repeats()]))
    )
    assert abs(errors.mean()) < 0.25 * spread, f"{figure}: {errors.mean():+.3%} of {spread:.3%}"


def test_every_planted_mistake_is_reported_in_its_batch():
    settings = Settings.find(SAMPLE)
    with duckdb.connect(":memory:") as con:
        problems = fill_database(con, read_logs(SAMPLE, settings), settings)
        marks = con.execute("select distinct file, line, column_name from problem.figure").fetchall()
    serious = problems.filter(pl.col("severity") != "unusual")
    assert {Path(file).stem for file in serious["file"]} == mistaken_batches()
    assert len(truth()["mistakes"]) >= 3
    # And the figures that lean on the cell are marked, no others.
    touched: dict[str, set[str]] = {mistake["kind"]: set() for mistake in truth()["mistakes"]}
    for mistake in truth()["mistakes"]:
        touched[mistake["kind"]] |= {
            name for file, line, name in marks if (file, line) == (mistake["file"], mistake["line"])
        }
    assert touched == {
        "digits swapped": _OF_HEARTS,
        "letter O": _OF_HEARTS,
        "final gravity above original": _OF_FINAL_GRAVITY,
    }


def test_the_shares_of_every_cask_and_every_hearts_lot_are_those_of_the_truth():
    """The simulator carries origins through its own liquids; the account works them out from the logs."""
    with duckdb.connect(":memory:") as con:
        settings = Settings.find(SAMPLE)
        make_tables(con, read_logs(SAMPLE, settings), settings, wanted=("account.ancestry",))
        found = con.sql(
            "select lower(lot), batch, sum(share_frac) from account.ancestry "
            "where until_move_id is null group by all"
        ).fetchall()
    shares: dict[str, dict[str, float]] = {}
    for lot, batch, share in found:
        shares.setdefault(lot, {})[batch] = share
    true = {f"cask {name.lower()}": cask["origin"] for name, cask in truth()["casks"].items()}
    true |= {f"{name.lower()} hearts": batch["hearts_origin"] for name, batch in truth()["batches"].items()}
    spreads = []
    for lot, origin in true.items():
        assert abs(sum(shares[lot].values()) - 1.0) < 1e-9, lot
        for batch in origin.keys() | shares[lot].keys():
            spreads.append(abs(shares[lot].get(batch, 0.0) - origin.get(batch, 0.0)))
    # A charge of feints is a fifth of the alcohol in the still; volume and strength are each off by 1 %.
    assert np.sqrt(np.mean(np.square(spreads))) < 0.005
    assert max(spreads) < 0.05


def test_no_batch_is_lost_between_the_logs_and_the_metrics():
    logged = {path.stem for path in (SAMPLE / "batches").iterdir()}
    assert set(sample()["batch"]) == logged == set(truth()["batches"])
