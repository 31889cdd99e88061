"""Each problem marks the figures of runs, jars and casks that its cell or row goes into, and no others."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.logs import read_logs
from pipeline.problems import problems_frame
from pipeline.resources import sql_dir
from pipeline.settings import Settings
from pipeline.sql_models import models_of_marks, read_models
from pipeline.warehouse import load_problems, make_tables, problems_of_account

BAD = Path(__file__).parents[1] / "data" / "bad_logs"

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

PLACE = {"lpa_frac_start", "lpa_frac_end", "from_cut_lpa_frac"}
STRENGTH = {"abv_20c_pct_vol", "abv_pct_vol", "lpa", "inline_difference_pct_vol"} | PLACE
LOGGERS = {f"{name}_c" for name in ("vapour", "kettle")} | {
    *("telemetry_minutes", "takeoff_per_min_l", "inline_abv_pct_vol", "inline_difference_pct_vol")
}
BY_JAR = {
    "charge": {("spirit", jar): PLACE for jar in (1, 2, 3, 4)},
    "heads": {("spirit", 1): STRENGTH} | {("spirit", jar): PLACE for jar in (2, 3, 4)},
    "minutes": {("spirit", 3): {"minutes_min"} | LOGGERS},
    "residue": {},
    "receiver": {("strip", 1): STRENGTH} | {("spirit", jar): PLACE for jar in (1, 2, 3, 4)},
    "gravity": {("strip", 1): PLACE},
    "grain": {},
    "volume": {("spirit", 2): {"volume_l", "abv_pct_vol", "lpa"} | PLACE}
    | {("spirit", jar): PLACE for jar in (3, 4)},
    "spout": {("spirit", 2): {"spout_abv_20c_pct_vol"}},
}

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
    "volume": (
        "two,hearts,,3,,77",
        "two,hearts,,?,,77",
        {
            "spirit": {"collected_volume_l", "hearts_frac", "hearts_start_pct_vol", "hearts_end_pct_vol"}
            | COLLECTED
        },
    ),
    "spout": (
        "77,76,20",
        "77,?,20",
        {"spirit": {"last_spout_pct_vol", "hearts_start_pct_vol", "hearts_end_pct_vol"}},
    ),
}


def _columns(con: duckdb.DuckDBPyConnection, table: str, key: str) -> dict[str, set[str]]:
    """The figures marked because a number could not be read; a fill without a strength is told by itself."""
    found: dict[str, set[str]] = {}
    query = f"select {key}, column_name from problem.{table} where kind = 'not_a_number'"
    for name, column in con.execute(query).fetchall():
        found.setdefault(name, set()).add(column)
    return found


def _marked(con: duckdb.DuckDBPyConnection, logs: Path, checks: tuple[str, ...] = ()) -> None:
    """Make the tables of the marks, and what they need, from the problems of reading and of these checks."""
    models = read_models(sql_dir())
    marks = models_of_marks(models)
    made = {model.name for model in marks} | {"problem.row"}
    depends = {name for model in marks for name in model.depends} - made
    frames = read_logs(logs, Settings())
    make_tables(con, frames, Settings(), wanted=sorted(depends | set(checks)))
    found = problems_of_account(con, [model for model in models if model.name in checks])
    load_problems(con, pl.concat([frames.problems, problems_frame(found)]))
    for model in marks:
        con.execute(model.statement)


def _figures_of_jars(con: duckdb.DuckDBPyConnection, where: str) -> dict[tuple[str, int], set[str]]:
    found: dict[tuple[str, int], set[str]] = {}
    query = f"select run, jar_no, column_name from problem.figure_of_jar where {where}"
    for run, jar, column in con.execute(query).fetchall():
        found.setdefault((run, jar), set()).add(column)
    return found


def _doubt(con: duckdb.DuckDBPyConnection, file: str, line: int, column: str) -> None:
    """A problem more, of a cell that is used all the same."""
    values = (
        "select 'units_confused' as kind, path as file, file_id, ? as line, ? as log_column from raw.file"
    )
    con.execute(f"insert into problem.row by name {values} where path = ?", [line, column, file])
    for model in models_of_marks(read_models(sql_dir())):
        con.execute(model.statement)


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
    with duckdb.connect(":memory:") as con:
        _marked(con, folder, ("metric.telemetry_jar", "fit.jar_score"))
        yield con


@pytest.mark.parametrize("batch", SPOILT)
def test_a_bad_cell_marks_the_figures_of_its_run(spoilt: duckdb.DuckDBPyConnection, batch: str) -> None:
    query = "select run, column_name from problem.figure_of_run where batch = ? and kind = 'not_a_number'"
    rows = spoilt.execute(query, [batch]).fetchall()
    found: dict[str, set[str]] = {}
    for run, column in rows:
        found.setdefault(run, set()).add(column)
    assert found == SPOILT[batch][2]


@pytest.mark.parametrize("batch", SPOILT)
def test_a_bad_cell_marks_the_figures_of_its_jar_and_the_places_of_the_jars_after_it(
    spoilt: duckdb.DuckDBPyConnection, batch: str
) -> None:
    assert _figures_of_jars(spoilt, f"batch = '{batch}' and kind = 'not_a_number'") == BY_JAR[batch]


def _seven(folder: Path, temperature: str) -> None:
    """Seven jars of a litre; the fourth takes the strength between the third and the fifth."""
    jars = "".join(
        f"7,2031-02-10 {9 + n}:00,collect,spirit,{n},hearts,,1,,{'' if n == 4 else 80 - n},,"
        f"{temperature if n == 5 else 20},30\n"
        for n in range(1, 8)
    )
    charge = "7,2031-02-10 08:00,charge,spirit,low wines,,,40,,28,,,"
    (folder / "7.csv").write_text(f"{HEADER}\n{charge}\n{jars}")


@pytest.mark.parametrize(("line", "is_beside"), [(5, True), (7, True), (8, False)])
def test_a_jar_whose_strength_was_not_read_has_the_marks_of_the_jars_beside_it(
    tmp_path: Path, line: int, is_beside: bool
) -> None:
    _seven(tmp_path, "20")
    with duckdb.connect(":memory:") as con:
        _marked(con, tmp_path)
        _doubt(con, "7.csv", line, "strength")
        marks = _figures_of_jars(con, "kind = 'units_confused'")
    of_fourth = {"abv_20c_pct_vol", "abv_pct_vol", "lpa"} if is_beside else set()
    assert marks.get(("spirit", 4), set()) - PLACE == of_fourth


def test_a_jar_that_was_not_read_has_the_mark_of_a_volume_that_is_missing(tmp_path: Path) -> None:
    """Without a temperature that can be read the fifth jar has no volume at 20 degC, and no jar is small."""
    _seven(tmp_path, "2O")
    with duckdb.connect(":memory:") as con:
        _marked(con, tmp_path)
        marks = _figures_of_jars(con, "kind = 'not_a_number'")
    assert marks[("spirit", 5)] == STRENGTH | {"volume_l", "spout_abv_20c_pct_vol"}
    assert marks[("spirit", 4)] == {"abv_20c_pct_vol", "abv_pct_vol", "lpa"}
    assert marks[("spirit", 6)] == marks[("spirit", 7)] == PLACE
    assert set(marks) == {("spirit", jar) for jar in (4, 5, 6, 7)}


def test_a_row_set_aside_marks_every_figure_of_its_jar(tmp_path: Path) -> None:
    (tmp_path / "7.csv").write_text(
        f"{HEADER}\n{WHOLE.format(b='7').strip()}\n".replace("two,hearts", "two,heatrs")
    )
    with duckdb.connect(":memory:") as con:
        _marked(con, tmp_path)
        marks = _figures_of_jars(con, "kind = 'unknown_word'")
    assert marks[("spirit", 2)] >= {"volume_l", "spout_abv_20c_pct_vol", "minutes_min"} | STRENGTH | LOGGERS
    assert marks[("spirit", 3)] == marks[("spirit", 4)] == PLACE
    assert ("spirit", 1) not in marks


def test_a_reading_that_the_runs_curve_does_not_allow_is_marked_on_its_jar() -> None:
    """The broken example of that kind: its fifth row down is the jar of the sixth jar's strength."""
    with duckdb.connect(":memory:") as con:
        _marked(con, BAD / "jar_off_curve.csv", ("problem.jar_off_curve",))
        ((line, column),) = con.execute("select line, log_column from problem.row").fetchall()
        (jar,) = con.execute("select jar_no from account.jar where line = ?", [line]).fetchone() or (0,)
        marks = _figures_of_jars(con, "kind = 'jar_off_curve'")
    assert column == "strength"
    assert marks[("spirit", jar)] >= {"logged_value", "abv_20c_pct_vol"}
    others = {name for (_, each), names in marks.items() if each != jar for name in names}
    assert others <= PLACE


def test_a_thermometer_is_marked_by_its_own_row_and_by_the_strength_it_is_held_against(
    tmp_path: Path,
) -> None:
    (tmp_path / "7.csv").write_text(
        "batch,when,step,run,item,cut,volume,strength,spout,temperature,kettle,vapour,barometer\n"
        "7,2031-02-10 08:00,charge,spirit,low wines,,40,28,,,90,,1013\n"
        "7,2031-02-10 09:00,collect,spirit,1,hearts,3,77,76,20,91,80,1013\n"
        "7,2031-02-10 10:00,collect,spirit,2,hearts,3,70,68,20,92,82,1013\n"
    )
    told = {"boiling_abv_pct_vol", "boiling_abv_pct_vol_u", "temperature_difference_c", "boiling_z"}
    beside = {"compared_abv_pct_vol", "temperature_difference_c", "boiling_z"}
    expected = {
        (2, "strength"): {(2, "kettle"): beside},
        (3, "vapour"): {(3, "vapour"): told | {"temperature_c"}},
        (3, "barometer"): {(3, each): told | {"barometer_hpa"} for each in ("kettle", "vapour")},
        (4, "spout"): {(4, "vapour"): beside},
        (4, "strength"): {},
    }
    with duckdb.connect(":memory:") as con:
        _marked(con, tmp_path)
        for (line, column), marks in expected.items():
            con.execute("delete from problem.row")
            _doubt(con, "7.csv", line, column)
            found: dict[tuple[int, str], set[str]] = {}
            query = "select logged_line, thermometer, column_name from problem.figure_of_thermometer"
            for at, thermometer, name in con.execute(query).fetchall():
                found.setdefault((at, thermometer), set()).add(name)
            assert found == marks, (line, column)


def _vat(folder: Path, litres: str, strength: str) -> None:
    """Hearts of two batches in one vat, 7 L of one and little more than `litres` of the other; two casks."""
    for batch in ("most", "some"):
        rows = WHOLE.format(b=batch).strip()
        if batch == "some":
            rows = rows.replace("two,hearts,,3,,77,", f"two,hearts,,{litres},,{strength},")
            rows = rows.replace("three,hearts,,4,", "three,hearts,,0.1,")
        lots = [f"{line},{'vat' if ',hearts,' in line else ''}" for line in rows.splitlines()]
        (folder / f"{batch}.csv").write_text("\n".join([f"{HEADER},lot", *lots]) + "\n")
    (folder / "casks.csv").write_text(
        "cask,when,step,source,volume,strength\n"
        "by lot,2031-03-11,fill,vat,2,\nby lot,2031-08-11,gauge,,1.9,71\n"
        "read,2031-03-11,fill,vat,2,73\nread,2031-04-11,top up,vat,0.1,\n"
    )


@pytest.mark.parametrize(("litres", "is_carried"), [("3", True), ("0.1", False)])
def test_a_cask_of_several_batches_has_the_marks_of_those_it_is_made_of(
    tmp_path: Path, litres: str, is_carried: bool
) -> None:
    """The second batch brings three tenths of the vat's alcohol, or a fortieth: too little to be seen."""
    _vat(tmp_path, litres, "77")
    with duckdb.connect(":memory:") as con:
        _marked(con, tmp_path)
        _doubt(con, "some.csv", 10, "strength")
        query = "select cask, column_name from problem.figure_of_cask where kind = 'units_confused'"
        marks: dict[str, set[str]] = {}
        for cask, column in con.execute(query).fetchall():
            marks.setdefault(cask, set()).add(column)
    assert set(marks) == ({"by lot", "read"} if is_carried else set())
    if is_carried:
        assert {"fill_lpa", "fill_abv_pct_vol", "loss_lpa"} <= marks["by lot"]
        assert "topped_up_lpa" in marks["read"]
        assert not {"fill_lpa", "fill_abv_pct_vol"} & marks["read"]


def test_a_cask_of_a_vat_that_cannot_be_told_has_the_mark_of_the_smallest_part_that_is_missing(
    tmp_path: Path,
) -> None:
    _vat(tmp_path, "0.1", "7l")
    with duckdb.connect(":memory:") as con:
        _marked(con, tmp_path)
        assert "fill_lpa" in _columns(con, "figure_of_cask", "cask")["by lot"]
        assert con.execute("select fill_lpa from metric.cask where cask = 'by lot'").fetchall() == [(None,)]


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


def test_marks_find_a_file_whose_name_is_shown_otherwise_than_it_is(tmp_path: Path) -> None:
    rows = WHOLE.format(b="7").strip().replace("heads,,2,,80", "heads,,2,,8O")
    (tmp_path / "\x1b[31mred.csv").write_text(f"{HEADER}\n{rows}\n")
    with duckdb.connect(":memory:") as con:
        _marked(con, tmp_path)
        (file,) = con.execute(
            "select distinct file from problem.row where kind = 'not_a_number'"
        ).fetchone() or ("",)
        assert file == "\\x1b[31mred.csv"
        assert _figures_of_jars(con, "kind = 'not_a_number'") == BY_JAR["heads"]


def test_a_run_without_a_problem_has_no_mark(spoilt: duckdb.DuckDBPyConnection) -> None:
    assert "whole" not in _columns(spoilt, "figure_of_run", "batch")


@pytest.mark.parametrize(
    ("table", "of"),
    [
        ("figure_of_run", ["metric.run"]),
        ("figure_of_jar", ["metric.jar", "metric.telemetry_jar", "fit.jar_expected", "fit.jar_score"]),
        ("figure_of_cask", ["metric.cask"]),
    ],
)
def test_every_mark_names_a_figure_and_a_problem(
    spoilt: duckdb.DuckDBPyConnection, table: str, of: list[str]
) -> None:
    named = {row[0] for row in spoilt.execute(f"select column_name from problem.{table}").fetchall()}
    assert named
    known = "select distinct table_schema || '.' || table_name, column_name from information_schema.columns"
    columns = spoilt.execute(known).fetchall()
    assert named <= {column for name, column in columns if name in of}
    stray = f"select count(*) from problem.{table} anti join problem.row using (kind, file, line)"
    assert spoilt.execute(stray).fetchall() == [(0,)]
