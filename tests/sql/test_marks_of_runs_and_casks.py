"""Each problem marks the figures of the runs and casks that its cell or row goes into, and no others."""

from __future__ import annotations

from collections.abc import Iterator

import duckdb
import pytest

from pipeline.logs import read_logs
from pipeline.resources import sql_dir
from pipeline.settings import Settings
from pipeline.sql_models import AFTER_PROBLEMS, read_models
from pipeline.warehouse import load_problems, make_tables

HEADER = "batch,when,step,run,item,cut,mass,volume,gravity,strength,spout,temperature,minutes"
WHOLE = """
{b},2031-02-01 08:00,grain,,pale malt,,40,,,,,,
{b},2031-02-01 12:00,wort,,,,,140,1.062,,,,
{b},2031-02-01 16:00,wash,,,,,140,1.062,,,,
{b},2031-02-07 16:00,wash,,,,,,1.000,,,,
{b},2031-02-08 08:00,charge,strip,wash,,,138,,,,,
{b},2031-02-08 15:00,collect,strip,receiver,low wines,,40,,26,,,
{b},2031-02-10 08:00,charge,spirit,low wines,,,40,,,,,
{b},2031-02-10 09:00,collect,spirit,one,heads,,2,,80,,,30
{b},2031-02-10 10:00,collect,spirit,two,hearts,,3,,77,76,20,30
{b},2031-02-10 12:00,collect,spirit,three,hearts,,4,,70,68,20,40
{b},2031-02-10 14:00,collect,spirit,four,tails,,3,,40,,,50
{b},2031-02-10 15:00,residue,spirit,,,,25,,1,,,
"""
CASKS = """cask,when,step,source,volume,strength,capacity
{b} own,2031-02-11,fill,{b} hearts,2,72,5
{b} own,2031-08-11,gauge,,1.9,71,
{b} lot,2031-02-11,fill,{b} hearts,2,,5
{b} lot,2031-08-11,gauge,,1.9,71,
"""

PARTS = {f"{cut}_frac" for cut in ("foreshots", "heads", "hearts", "tails", "feints", "not_yet_cut")}
CHARGED = {"charge_abv_pct_vol", "charge_lpa", "recovery_frac", "gap_lpa", "gap_frac", "residue_frac"} | PARTS
COLLECTED = {"collected_lpa", "recovery_frac", "gap_lpa", "gap_frac"}

# Batch -> (what stands in its log, what is written instead, the figures it touches by run).
SPOILT = {
    "charge": ("low wines,,,40,", "low wines,,,4O,", {"spirit": CHARGED | {"charge_volume_l"}}),
    "heads": (
        "heads,,2,,80",
        "heads,,2,,8O",
        {"spirit": COLLECTED | {"heads_frac"}},
    ),
    "minutes": (",40\n", ",4O\n", {"spirit": {"minutes_min"}}),
    "residue": (",25,,1", ",25,,l", {"spirit": {"residue_lpa", "residue_frac", "gap_lpa", "gap_frac"}}),
    "receiver": (
        "receiver,low wines,,40,,26",
        "receiver,low wines,,40,,2O",
        # Its strength is that of the spirit run's charge, too.
        {"strip": COLLECTED, "spirit": CHARGED},
    ),
    "gravity": (",1.000,", ",1.O00,", {"strip": CHARGED}),
    "grain": ("pale malt,,40,", "pale malt,,4O,", {}),
}


def _columns(con: duckdb.DuckDBPyConnection, table: str, key: str) -> dict[str, set[str]]:
    """The figures marked because a number could not be read; a fill without a strength is told by itself."""
    found: dict[str, set[str]] = {}
    query = f"select {key}, column_name from problem.{table} where kind = 'not_a_number'"
    for name, column in con.execute(query).fetchall():
        found.setdefault(name, set()).add(column)
    return found


@pytest.fixture(scope="module")
def spoilt(tmp_path_factory: pytest.TempPathFactory) -> Iterator[duckdb.DuckDBPyConnection]:
    """Whole batches with one cell spoilt each; casks of the batch whose hearts are, and of a clean one."""
    folder = tmp_path_factory.mktemp("spoilt")
    changed = {"whole": ("", ""), "hearts": ("hearts,,4,,70", "hearts,,4,,7O")}
    changed |= {batch: (good, bad) for batch, (good, bad, _) in SPOILT.items()}
    for batch, (good, bad) in changed.items():
        rows = WHOLE.format(b=batch)
        assert good in rows
        text = rows.replace(good, bad, 1) if good else rows
        (folder / f"{batch}.csv").write_text(f"{HEADER}\n{text.strip()}\n")
    (folder / "casks.csv").write_text(CASKS.format(b="whole"))
    (folder / "casks of bad.csv").write_text(CASKS.format(b="hearts").replace("1.9,71,\n", "1.9,7l,\n", 1))
    models = [each for each in read_models(sql_dir()) if each.layer == AFTER_PROBLEMS]
    depends = {name for model in models for name in model.depends}
    with duckdb.connect(":memory:") as con:
        frames = read_logs(folder, Settings())
        made = {model.name for model in models} | {"problem.row"}
        make_tables(con, frames, Settings(), wanted=sorted(depends - made))
        load_problems(con, frames.problems)
        for model in models:
            con.execute(model.statement)
        yield con


@pytest.mark.parametrize("batch", SPOILT)
def test_a_bad_cell_marks_the_figures_of_its_run(spoilt: duckdb.DuckDBPyConnection, batch: str) -> None:
    query = "select run, column_name from problem.figure_of_run where batch = ? and kind = 'not_a_number'"
    rows = spoilt.execute(query, [batch]).fetchall()
    found: dict[str, set[str]] = {}
    for run, column in rows:
        found.setdefault(run, set()).add(column)
    assert found == SPOILT[batch][2]


def test_a_bad_cell_marks_the_figures_of_its_cask_and_a_lot_carries_its_own(
    spoilt: duckdb.DuckDBPyConnection,
) -> None:
    marks = _columns(spoilt, "figure_of_cask", "cask")
    assert set(marks) == {"hearts own", "hearts lot"}, (
        "nothing is the matter with the casks of the clean batch"
    )
    assert {"last_abv_pct_vol", "last_lpa", "loss_lpa", "loss_frac_per_year"} <= marks["hearts own"]
    assert not {"fill_lpa", "fill_abv_pct_vol", "drawn_lpa"} & marks["hearts own"]
    # The fill without a strength took that of hearts, of which one jar could not be read.
    assert {"fill_lpa", "fill_abv_pct_vol", "loss_lpa"} <= marks["hearts lot"]
    assert not {"fill_volume_l", "last_lpa", "capacity_l"} & marks["hearts lot"]


def test_a_run_without_a_problem_has_no_mark(spoilt: duckdb.DuckDBPyConnection) -> None:
    assert "whole" not in _columns(spoilt, "figure_of_run", "batch")


@pytest.mark.parametrize(
    ("table", "of"), [("figure_of_run", "metric.run"), ("figure_of_cask", "metric.cask")]
)
def test_every_mark_names_a_figure_and_a_problem(
    spoilt: duckdb.DuckDBPyConnection, table: str, of: str
) -> None:
    figures = {row[0] for row in spoilt.execute(f"describe {of}").fetchall()}
    named = {row[0] for row in spoilt.execute(f"select column_name from problem.{table}").fetchall()}
    assert named
    assert named <= figures
    stray = f"select count(*) from problem.{table} anti join problem.row using (kind, file, line)"
    assert spoilt.execute(stray).fetchall() == [(0,)]
