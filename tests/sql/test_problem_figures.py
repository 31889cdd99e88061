"""Each problem marks the figures that its cell or row goes into, and no others."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest

from pipeline.account.book import Book, Tables, make_book
from pipeline.account.figures import batch_figures, sums_of
from pipeline.account.step import READS_OF_TABLES
from pipeline.logs import read_logs
from pipeline.resources import sql_dir
from pipeline.settings import Settings
from pipeline.simulate import simulate_season, write_season
from pipeline.sql_models import SqlModel, read_models
from pipeline.warehouse import load_problems, make_tables

HEADER = (
    "batch,when,step,run,item,cut,source,lot,mass,volume,gravity,strength,spout,temperature,minutes,price"
)

WHOLE = """
{b},2031-02-01 08:00,grain,,pale malt,,,,40,,,,,,,30
{b},2031-02-01 12:00,wort,,,,,,,140,1.062,,,,,
{b},2031-02-01 15:00,yeast,,ale yeast,,,,0.1,,,,,,,
{b},2031-02-01 16:00,wash,,,,,,,140,1.062,,,,,
{b},2031-02-06 16:00,wash,,,,,,,,1.010,,,,,
{b},2031-02-07 16:00,wash,,,,,,,,1.000,,,,,
{b},2031-02-08 08:00,charge,strip,wash,,,,,138,,,,,,
{b},2031-02-08 15:00,collect,strip,receiver,low wines,,,,40,,26,,,,
{b},2031-02-08 16:00,residue,strip,,,,,,90,,0.5,,,,
{b},2031-02-10 08:00,charge,spirit,low wines,,,,,40,,27,,,,
{b},2031-02-10 09:00,collect,spirit,one,heads,,,,2,,80,,,,
{b},2031-02-10 10:00,collect,spirit,two,hearts,,,,3,,77,,,,
{b},2031-02-10 12:00,collect,spirit,three,hearts,,,,4,,70,,,,
{b},2031-02-10 14:00,collect,spirit,four,tails,,,,3,,40,,,,
"""

RESULT = {"net_spirit_lpa", "yield_lpa_per_kg", "cost_per_lpa"}
HEARTS = RESULT | {
    "hearts_lpa",
    "hearts_frac",
    "hearts_abv_pct_vol",
    "hearts_lpa_per_kg",
    "balance_gap_lpa",
}
STRIPPED = {"strip_charge_lpa", "strip_recovery_frac", "balance_gap_lpa"}
FERMENTED = {
    "real_extract_plato",
    "apparent_attenuation_frac",
    "real_attenuation_frac",
    "wash_abv_pct_vol",
    "wash_lpa",
    "ferment_efficiency_frac",
}
OF_GRAIN = {
    "potential_extract_kg",
    "grain_potential_extract_kg",
    "mash_efficiency_frac",
    "ferment_efficiency_frac",
}

# Batch -> (what stands in the log, what is written instead, the kind of problem, the figures it touches).
SPOILT = {
    "grain": (
        "pale malt,,,,40,",
        "pale malt,,,,4O,",
        "not_a_number",
        OF_GRAIN | {"grain_kg", "yield_lpa_per_kg", "hearts_lpa_per_kg"},
    ),
    "ingredient": ("pale malt", "moon malt", "unknown_ingredient", OF_GRAIN),
    "price": (",30\n", ",3O\n", "not_a_number", {"cost_per_lpa"}),
    "wort": (
        "wort,,,,,,,140,",
        "wort,,,,,,,14O,",
        "not_a_number",
        {"grain_extract_kg", "mash_efficiency_frac", "ferment_efficiency_frac"},
    ),
    "final": (
        ",1.000,",
        ",1.O00,",
        "not_a_number",
        FERMENTED | STRIPPED | {"final_gravity_sg", "ferment_days", "rest_days"},
    ),
    "date": (
        "2031-02-10 12:00,collect",
        "2031-02-31 12:00,collect",
        "not_a_date",
        HEARTS | {"hearts_volume_l"},
    ),
    "strength": (",70,", ",7O,", "not_a_number", HEARTS),
    "volume": (",4,,70", ",,,70", "not_measured", HEARTS | {"hearts_volume_l"}),
    "charge": (
        ",27,",
        ",270,",
        "out_of_range",
        {"spirit_charge_lpa", "spirit_charge_abv_pct_vol", "balance_gap_lpa"}
        | {f"{cut}_frac" for cut in ("foreshots", "heads", "hearts", "tails")},
    ),
    "residue": (",90,,0.5", ",9o,,0.5", "not_a_number", {"pot_ale_lpa", "residue_lpa", "balance_gap_lpa"}),
}


@pytest.fixture(scope="module")
def spoilt(tmp_path_factory: pytest.TempPathFactory) -> Iterator[duckdb.DuckDBPyConnection]:
    """One season of whole batches, each with one cell spoilt, and the problems found in reading it."""
    texts = {"whole.csv": WHOLE.format(b="whole")}
    for batch, (good, bad, _, _) in SPOILT.items():
        rows = WHOLE.format(b=batch)
        assert rows.count(good) >= 1
        texts[f"{batch}.csv"] = rows.replace(good, bad, 1)
    # A unit in the heading, to be told from the column's own name.
    head = HEADER.replace("volume", "Volume [l]")
    folder = tmp_path_factory.mktemp("spoilt")
    for name, rows in texts.items():
        (folder / name).write_text(f"{head}\n{rows.strip()}\n", encoding="utf-8")
    with duckdb.connect(":memory:") as con:
        yield _marked(con, folder)


def _marked(con: duckdb.DuckDBPyConnection, folder: Path) -> duckdb.DuckDBPyConnection:
    """Make problem.figure from the problems of reading, and what it stands on, but no more."""
    frames = read_logs(folder, Settings())
    place, figure = _marking()
    make_tables(
        con, frames, Settings(), wanted=sorted((place.depends | figure.depends) - {"problem.row", place.name})
    )
    load_problems(con, frames.problems)
    for model in (place, figure):
        con.execute(model.statement)
    return con


def _marking() -> list[SqlModel]:
    models = {model.name: model for model in read_models(sql_dir())}
    return [models[name] for name in ("problem.place", "problem.figure")]


@pytest.mark.parametrize("batch", SPOILT)
def test_a_bad_cell_marks_the_figures_it_goes_into_and_no_others(spoilt, batch):
    _, _, kind, figures = SPOILT[batch]
    found = spoilt.execute("select kind, column_name from problem.figure where batch = ?", [batch]).fetchall()
    assert {name for _, name in found} == figures
    assert {code for code, _ in found} == {kind}


def test_a_batch_without_a_problem_has_no_mark(spoilt):
    assert spoilt.execute("select count(*) from problem.figure where batch = 'whole'").fetchall() == [(0,)]


def test_every_mark_names_a_figure_and_a_problem(spoilt):
    figures = {row[0] for row in spoilt.execute("describe metric.batch").fetchall()}
    assert {row[0] for row in spoilt.execute("select column_name from problem.figure").fetchall()} <= figures
    stray = "select count(*) from problem.figure anti join problem.row using (kind, file, line)"
    assert spoilt.execute(stray).fetchall() == [(0,)]


# Figures that a cell goes into although, in these logs, nothing depends on its value: the strength of one jar
# or the fermentable part of one grain is the same however much there is of it, and lees read at 0 %vol hold
# nothing however many there are.
EVEN = {
    ("grain", "mass", "ferment_efficiency_frac"),
    ("charge", "volume", "spirit_charge_abv_pct_vol"),
    ("collect", "volume", "hearts_abv_pct_vol"),
    ("collect", "volume", "low_wines_abv_pct_vol"),
    ("residue", "volume", "residue_lpa"),
    ("residue", "volume", "spent_lees_lpa"),
    ("residue", "volume", "pot_ale_lpa"),
    ("residue", "volume", "balance_gap_lpa"),
}

# The same, by how these batches were logged: with one vessel of low wines its volume cancels out of the
# strength that the charge takes from it; with one fermentable an efficiency is one of extract alone.
EVEN_HERE = {
    ("wortless", "wash", "volume", "ferment_efficiency_frac"),
    ("unmarked", "wort", "volume", "ferment_efficiency_frac"),
    ("lot strength", "collect", "volume", "spirit_charge_lpa"),
    ("lot strength", "collect", "volume", "spirit_charge_abv_pct_vol"),
    ("lot strength", "collect", "volume", "heads_frac"),
    ("lot strength", "collect", "volume", "hearts_frac"),
    ("lot strength", "collect", "volume", "tails_frac"),
    # As much more charged as was collected before.
    ("lot strength", "collect", "strength", "balance_gap_lpa"),
}

ODD_BATCHES = (
    WHOLE.format(b="plain")
    + WHOLE.format(b="sugared").replace(
        "sugared,2031-02-06 16:00,wash",
        "sugared,2031-02-03 16:00,sugar,,white sugar,,,,5,,,,,,,\nsugared,2031-02-06 16:00,wash",
    )
    + "".join(line for line in WHOLE.format(b="wortless").splitlines(keepends=True) if ",wort," not in line)
    + WHOLE.format(b="unmarked").replace("wash,,,,,,,140,1.062", "wash,,,,,,,,1.062")
    + WHOLE.format(b="lot strength").replace(",40,,27,", ",40,,,")
    + WHOLE.format(b="small jars").replace(",4,,70,,,,\n", ",1,,70,66,15,,\n")
)


@pytest.mark.parametrize("season", ["simulated", "odd"])
def test_marks_are_what_the_derivatives_of_the_figures_say(season, tmp_path):
    """The list of what goes into what is held against the account's own derivatives, cell by cell."""
    if season == "simulated":
        write_season(simulate_season(4, seed=5), tmp_path)
    else:
        (tmp_path / "odd.csv").write_text(f"{HEADER}\n{ODD_BATCHES.replace(chr(10) * 2, chr(10)).strip()}\n")
    with duckdb.connect(":memory:") as con:
        _marked(con, tmp_path)
        expected, known = _by_derivatives(con)
        marked = {row for row in _marks_of_every_cell(con) if (row[0], row[1]) in known}
        carried, marked = _carried(con, marked)
        expected_carried, expected = _carried(con, expected)
        steps = dict(con.execute("select (file_id, line), step from account.logged_row").fetchall())
    assert len(expected) > 200
    # What feints carried into other batches, and what their runs made of it. A share is followed to whoever
    # has one, so a row may be told that moves a figure by nothing.
    assert bool(expected_carried) == (season == "simulated")
    assert expected_carried - carried == set()
    assert len(carried) <= 2 * len(expected_carried)
    assert {(row[0], steps[row[2:4]], row[4], row[1]) for row in expected - marked} == set()
    spare = {(row[0], steps[row[2:4]], row[4], row[1]) for row in marked - expected}
    assert {row for row in spare if row[1:] not in EVEN} - EVEN_HERE == set()


Mark = tuple[str, str, int, int, str]


def _by_derivatives(con: duckdb.DuckDBPyConnection) -> tuple[set[Mark], set[tuple[str, str]]]:
    """Figures and the cells of the batch logs that they change with; and the figures that are known."""
    book: Book = make_book(Tables(*[pl.DataFrame(con.sql(query)) for query in READS_OF_TABLES]))
    batches, readings = book.tables.batches["batch"], book.readings.frame
    found, known = set(), set()
    for name, column in batch_figures(book, sums_of(book)).items():
        known |= {(batches[int(row)], name) for row in np.flatnonzero(~np.isnan(column.values))}
        matrix = column.jacobian.tocoo()
        for row, number, slope in zip(matrix.row, matrix.col, matrix.data, strict=True):
            cell = readings.row(int(number), named=True)
            if abs(slope) > 1e-12 and cell["batch"] is not None and cell["line"] is not None:
                found.add((batches[int(row)], name, cell["file_id"], cell["line"], cell["quantity"]))
    return {mark for mark in found if mark[:2] in known}, known


def _carried(con: duckdb.DuckDBPyConnection, marks: set[Mark]) -> tuple[set[Mark], set[Mark]]:
    """The marks by rows of other batches, and those by rows of the figure's own."""
    of_row = dict(con.execute("select (file_id, line), batch from account.logged_row").fetchall())
    carried = {mark for mark in marks if of_row[mark[2:4]] != mark[0]}
    return carried, marks - carried


def _marks_of_every_cell(con: duckdb.DuckDBPyConnection) -> set[Mark]:
    """The marks there would be if every reading of the season had a problem."""
    con.execute(
        "create or replace table problem.row as select quantity as kind, path as file, file_id, line, "
        "quantity as log_column from account.reading inner join raw.file using (file_id)"
    )
    for model in _marking():
        con.execute(model.statement)
    rows = con.execute(
        "select figure.batch, column_name, file_id, line, figure.kind from problem.figure as figure "
        "inner join raw.file as file on file.path = figure.file"
    ).fetchall()
    return set(rows)


@pytest.mark.parametrize(("volume", "is_carried"), [("3", True), ("0.5", False)])
def test_a_trace_of_another_batch_carries_no_mark(tmp_path, volume, is_carried):
    """3 L of another's tails are a tenth of the alcohol in the still, half a litre a fiftieth."""
    feints = f"taker,2031-03-10 08:05,charge,spirit,feints,,giver tails,,,{volume},,40,,,,\n"
    taker = WHOLE.format(b="taker").replace("2031-02", "2031-03")
    taker = taker.replace("taker,2031-03-10 09", feints + "taker,2031-03-10 09")
    (tmp_path / "two.csv").write_text(f"{HEADER}\n{WHOLE.format(b='giver').strip()}\n{taker.strip()}\n")
    with duckdb.connect(":memory:") as con:
        _marked(con, tmp_path)
        carried, _ = _carried(con, _marks_of_every_cell(con))
    assert {mark[:2] for mark in carried} == (
        {(batch, name) for batch in ("giver", "taker") for name in RESULT} if is_carried else set()
    )
