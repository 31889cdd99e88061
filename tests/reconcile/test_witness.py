"""What a run's own jars say of one of them, on runs of known truth (`pipeline.science.jar_strengths`)."""

import duckdb
import numpy as np
import polars as pl
import pytest

from pipeline.logs import read_logs
from pipeline.reconcile.calibrate import examine_season
from pipeline.reconcile.quantities import FIGURE, Builder
from pipeline.reconcile.solve import reconcile
from pipeline.reconcile.step import READS, batch_frame
from pipeline.reconcile.witness import OTHER_JARS, REPEATED, RUN_CURVE, hear, hear_repeats
from pipeline.science import jar_strengths
from pipeline.settings import Settings
from pipeline.warehouse import make_tables

JARS, CHARGE_L, CHARGE_ABV, MINUTES_PER_L = 20, 40.0, 28.0, 23.0


def run_of_jars(seed: int, *, minutes: bool = True) -> tuple[list[float], list[float], list[float | None]]:
    """Twenty jars of hearts filled to one mark at one rate: volumes, strengths and minutes as read."""
    rng = np.random.default_rng(seed)
    true_l = np.full(JARS, 0.75)
    abv = jar_strengths(CHARGE_L, CHARGE_ABV, 0.4, true_l) + 0.25 * rng.standard_normal(JARS)
    volume = true_l * (1.0 + 0.01 * rng.standard_normal(JARS))
    taken = [round(MINUTES_PER_L * 0.75) if minutes else None] * JARS
    return volume.tolist(), abv.tolist(), taken


def heard(volume, abv, minutes):
    """Witnesses by (jar, what)."""
    builder = Builder()
    for row, (litres, strength) in enumerate(zip(volume, abv, strict=True)):
        builder.quantity("volume", litres, 0.01 * litres, row=row)
        builder.quantity("strength", strength, 0.3, row=row)
    book = builder.finish()
    frame = {"batch": ["1"] * JARS, "run": ["spirit 1"] * JARS, "cut": ["hearts"] * JARS}
    jars = pl.DataFrame(frame).with_columns(
        pl.Series("minutes_min", minutes, dtype=pl.Float64),
        pl.lit(None, dtype=pl.Float64).alias("spout_abv_20c_pct_vol"),
    )
    charges = pl.DataFrame(
        {"batch": ["1"], "run": ["spirit 1"], "volume_l": [CHARGE_L], "lpa": [CHARGE_L * CHARGE_ABV / 100.0]}
    )
    found = hear(book, jars, np.arange(JARS), charges, 0.3)
    return {(book.quantities[n].row, book.quantities[n].what): each for n, each in found.items()}


def decisive(found):
    return [key for key, each in found.items() if each.is_decisive]


def test_a_run_that_was_read_well_says_nothing():
    assert [decisive(heard(*run_of_jars(seed))) for seed in range(10)] == [[]] * 10


@pytest.mark.parametrize("minutes", [True, False])
def test_a_swapped_jar_volume_is_told_by_its_minutes_and_its_neighbours(minutes):
    volume, abv, taken = run_of_jars(3, minutes=minutes)
    volume[9] = 0.57
    found = heard(volume, abv, taken)
    assert decisive(found) == [(9, "volume")]
    witness = found[9, "volume"]
    assert witness.basis == OTHER_JARS
    assert abs(witness.expected - 0.75) < 3.0 * witness.u
    assert witness.u < 0.02


def test_a_jar_that_took_less_time_was_filled_less():
    """The last jar before a cut is as full as the cut left it: its minutes say that it is right."""
    volume, abv, taken = run_of_jars(4)
    volume[9], taken[9] = 0.40, round(MINUTES_PER_L * 0.40)
    assert (9, "volume") not in decisive(heard(volume, abv, taken))


def test_a_mistyped_jar_strength_is_told_by_the_curve():
    volume, abv, taken = run_of_jars(5)
    true = abv[7]
    abv[7] += 9.0
    found = heard(volume, abv, taken)
    assert decisive(found) == [(7, "strength")]
    assert found[7, "strength"].basis == RUN_CURVE
    assert found[7, "strength"].expected == pytest.approx(true, abs=1.0)


def test_jars_filled_unevenly_accuse_nobody():
    volume, abv, _ = run_of_jars(6)
    uneven = np.array(volume) * np.exp(0.25 * np.random.default_rng(6).standard_normal(JARS))
    uneven[9] *= 0.75
    assert decisive(heard(uneven.tolist(), abv, [None] * JARS)) == []


def test_a_row_written_twice_is_nothing_moved():
    builder = Builder()
    builder.quantity("volume", 30.0, 0.3, row=0)
    builder.quantity("volume", 30.0, 0.3, row=1)
    (witness,) = hear_repeats(builder.finish(), [False, True]).items()
    assert witness[0] == 1
    assert (witness[1].basis, witness[1].expected, witness[1].is_decisive) == (REPEATED, 0.0, True)


LOG = """batch,when,step,run,item,cut,volume,strength,by
B1,2031-02-01 08:00,charge,spirit,low wines,,40,28,Ines
B1,,collect,spirit,jar 1,hearts,1,70,Ines
B1,,collect,spirit,jar 1,hearts,1,70,Ines
B1,,collect,spirit,jar 1,hearts,1,70,Tom
B1,,collect,spirit,jar 2,hearts,1,70,Ines
B1,,collect,spirit,jar 1,hearts,1,70,Ines
B1,2031-02-01 09:00,collect,spirit,jar 3,hearts,1,,Ines
B1,,collect,spirit,jar 4,hearts,1,68,Ines
B1,2031-02-01 09:00,collect,spirit,jar 3,hearts,1,,Ines
B1,2031-02-01 09:00,collect,spirit,jar 3,hearts,1,67,Ines
"""


def test_a_row_is_a_repeat_below_its_like_of_a_time_or_right_below_one_without(tmp_path):
    for name in ("one", "other"):
        (tmp_path / f"{name}.csv").write_text(LOG)
    with duckdb.connect(":memory:") as con:
        frames = read_logs(tmp_path, Settings())
        make_tables(con, frames, Settings(), wanted=["account.logged_row"])
        rows = pl.DataFrame(con.sql(READS[0]))
    expected, seen = [], {}
    for line, row in enumerate(LOG.splitlines()[1:], start=2):
        said = row.rsplit(",", 1)[0]
        has_time = row.split(",")[1] != ""
        expected.append(said in seen and (has_time or seen[said] == line - 1))
        seen[said] = line
    assert rows.height == 2 * len(expected)
    assert rows["is_repeat"].to_list() == expected * 2
    assert sum(expected) == 3


def test_figures_have_the_uncertainty_of_the_whole_covariance():
    """Against V - V J' S^-1 J V with dense matrices (numpy), J without the figures' own balances."""
    examined = examine_season(41, 2)
    book = examined.book
    solved = reconcile(book.network, book.y, book.u, book.is_free)
    _, sparse_jacobian = book.network.evaluate(solved.x)
    jacobian = sparse_jacobian.toarray()
    is_figure = book.kinds == FIGURE
    numbers = np.array(list(book.figures.values()))
    held, sums = jacobian[~is_figure], jacobian[is_figure]
    sums[:, numbers] = 0.0
    variance = np.diag(book.u**2)
    gain = variance @ held.T
    covariance = variance - gain @ np.linalg.solve(held @ gain, gain.T)
    expected = np.sqrt(np.einsum("ij,jk,ik->i", sums, covariance, sums))
    np.testing.assert_allclose(solved.u[numbers], expected, rtol=1e-3)
    frame = batch_frame(book, examined.outcome)
    assert frame["alcohol_of"].unique().sort().to_list() == ["hearts", "low wines", "spirit charge", "wash"]
    known = frame.drop_nulls("logged_lpa")
    assert (known["reconciled_lpa_u"] <= known["logged_lpa_u"] * 1.001).all()
