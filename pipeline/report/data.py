"""What a season's page reads from the database, as polars frames in the order they are shown.

Every query names its columns, so that a table which changes breaks here and not in a sentence, and its order:
of rows put in theirs by a step that looks at the whole season, `rowid`, the order in which they were made.
"""

from __future__ import annotations

from dataclasses import dataclass

import duckdb
import polars as pl

from pipeline.report.flavour_data import FlavourData, read_flavour
from pipeline.report.text import ACTING_CHARACTERS, visible

# A problem without a batch (a file that could not be read, a row that names none) belongs to no
# season, so every season's page shows it: better twice than never.
_PROBLEMS = """
    select row.kind, row.severity, row.file, row.line, row.column_name, row.found, row.expected,
           row.mend, row.batch, row.message
    from problem.row as row
    where row.batch is null
       or row.batch not in (select batch from metric.batch)
       or row.batch in (select batch from metric.batch where season = $season)
    order by case row.severity when 'unreadable' then 1 when 'implausible' then 2 else 3 end,
             row.file, row.line nulls first, row.column_name nulls first, row.kind, row.message
"""

_QUERIES = {
    "season": "select * from metric.season where season = $season",
    "batches": "select * from metric.batch where season = $season order by mashed_on nulls last, batch",
    "runs": "select * from metric.run where season = $season order by started_at nulls last, batch, run",
    "casks": "select * from metric.cask where season = $season order by filled_on nulls last, cask",
    "cask_groups": "select * from metric.cask_group where $season is not null order by rowid",
    "scores": """
        select * from metric.sample_score where season = $season
        order by min(tasted_on) over (partition by session) nulls last, session,
                 case when lower(attribute) = 'overall' then 0 else 1 end, attribute, label, sample
    """,
    "difference_tests": """
        select * from metric.difference_test where season = $season
        order by tasted_on nulls last, session, test, sample_a, sample_b
    """,
    "grain_bills": """
        select * from metric.grain_bill where season = $season
        order by yield_mean_lpa_per_kg desc nulls last, grain_bill
    """,
    "yeasts": """
        select * from metric.yeast where season = $season
        order by yield_mean_lpa_per_kg desc nulls last, yeast
    """,
    "flow": "select * from metric.flow where season = $season order by position",
    "left_out": "select * from metric.left_out where season = $season order by batch, column_name",
    "problems": _PROBLEMS,
    "problem_figures": """
        select figure.batch, figure.column_name, figure.kind, figure.file, figure.line
        from problem.figure as figure
        inner join metric.batch as batch using (batch)
        where batch.season = $season
        order by figure.batch, figure.file, figure.line, figure.kind, figure.column_name
    """,
    "run_figures": """
        select figure.batch, figure.run, figure.column_name, figure.kind, figure.file, figure.line
        from problem.figure_of_run as figure
        inner join metric.run as run using (batch, run)
        where run.season = $season
        order by figure.batch, figure.run, figure.file, figure.line, figure.kind, figure.column_name
    """,
    "cask_figures": """
        select figure.cask, figure.column_name, figure.kind, figure.file, figure.line
        from problem.figure_of_cask as figure
        inner join metric.cask as cask using (cask)
        where cask.season = $season
        order by figure.cask, figure.file, figure.line, figure.kind, figure.column_name
    """,
    "jar_figures": """
        select figure.batch, figure.run, figure.jar_no, figure.cut, figure.column_name,
               figure.kind, figure.file, figure.line
        from problem.figure_of_jar as figure
        inner join metric.run as run using (batch, run)
        where run.season = $season
        order by figure.batch, figure.run, figure.jar_no, figure.file, figure.line, figure.kind,
                 figure.column_name
    """,
    "thermometer_figures": """
        select figure.file_id, figure.logged_line, figure.thermometer, figure.column_name,
               figure.kind, figure.file, figure.line
        from problem.figure_of_thermometer as figure
        inner join fit.boiling as boiling
            on boiling.file_id = figure.file_id
            and boiling.line = figure.logged_line
            and boiling.thermometer = figure.thermometer
        where boiling.season = $season
        order by figure.file_id, figure.logged_line, figure.thermometer, figure.file, figure.line,
                 figure.kind, figure.column_name
    """,
    "run_curves": """
        select * from fit.run_curve where season = $season order by started_at nulls last, batch, run
    """,
    "jars_expected": """
        select * from fit.jar_expected where season = $season and run_kind = 'spirit'
        order by batch, run, jar_no
    """,
    "stills": """
        select * from fit.still
        where still in (select still from fit.run_curve where season = $season)
        order by run_kind, still
    """,
    "control_points": """
        select * from fit.control_chart
        where season = $season
        order by figure, still, grouping, group_name, run_position
    """,
    "control_signals": """
        select * from fit.control_signal where season = $season
        order by figure, grouping, group_name, started_at, batch, run, rule
    """,
    "cut_steadiness": """
        select * from fit.cut_steadiness
        where still in (select still from fit.run_curve where season = $season)
        order by rowid
    """,
    "cut_spread": """
        select * from fit.cut_spread
        where still in (select still from fit.run_curve where season = $season)
        order by rowid
    """,
    "strip_stops": """
        select * from fit.strip_stop where season = $season order by started_at nulls last, batch, run
    """,
    "cut_tradeoff": """
        select * from fit.cut_tradeoff where season = $season order by attribute, cut_shift_pct_vol
    """,
    "boiling": """
        select * from fit.boiling where season = $season
        order by batch, run, jar_no nulls first, line, file_id, thermometer
    """,
    "telemetry_runs": "select * from metric.telemetry_run where season = $season order by batch, run",
    "telemetry_jars": """
        select * from metric.telemetry_jar where season = $season order by batch, run, jar_no
    """,
    "jar_scores": "select * from fit.jar_score where season = $season order by rowid",
    "jar_tradeoff": "select * from fit.jar_tradeoff where season = $season order by rowid",
    # A set of balances may reach over two seasons: every page shows them all.
    "components": """
        select * replace (row_number() over (order by piece, component_no) as component_no)
        from account.component where $season is not null order by piece, component_no
    """,
    "suspects": """
        select * from account.suspect where $season is not null order by suspect_no, place_no
    """,
    "reconciled_batches": """
        select reconciled_batch.* from account.reconciled_batch as reconciled_batch
        inner join metric.batch as batch using (batch)
        where batch.season = $season
        order by batch.mashed_on nulls last, batch.batch,
                 list_position(['wash', 'low wines', 'spirit charge', 'hearts'], alcohol_of)
    """,
    # Fits take all seasons of the logs together, so that every season's page shows the same ones.
    "gates": "select * from fit.gate where $season is not null order by rowid",
    "effects": "select * from fit.effect where $season is not null order by rowid",
    "aliases": "select * from fit.alias where $season is not null order by rowid",
    "explained": "select * from fit.share where $season is not null order by rowid",
    "rankings": "select * from fit.ranking where $season is not null order by rowid",
    "fit_quality": "select * from fit.quality where $season is not null order by rowid",
    "fit_notes": "select * from fit.note where $season is not null order by rowid",
    "fit_notices": "select * from fit.notice where $season is not null order by rowid",
    "predictions": "select * from fit.prediction where $season is not null order by rowid",
    "next_batches": "select * from fit.next_batch where $season is not null order by rowid",
    "fit_design": """
        select batch, grain_bill, yeast from fit.design where $season is not null order by batch_no
    """,
}

_FILES = """
    select path, kind, sha256, size_bytes, rows_in, rows_used, rows_set_aside
    from raw.file order by path
"""


# A season may have casks or tastings and no batch of its own.
_SEASONS = """
    select season from metric.season
    union select season from metric.cask
    union select season from metric.sample_score
    union select season from metric.difference_test
    order by season
"""


@dataclass(frozen=True)
class SeasonData:
    """One season's frames, named like the tables they come from."""

    name: str
    currency: str
    season: pl.DataFrame
    batches: pl.DataFrame
    runs: pl.DataFrame
    casks: pl.DataFrame
    cask_groups: pl.DataFrame
    scores: pl.DataFrame
    difference_tests: pl.DataFrame
    grain_bills: pl.DataFrame
    yeasts: pl.DataFrame
    flow: pl.DataFrame
    left_out: pl.DataFrame
    problems: pl.DataFrame
    problem_figures: pl.DataFrame
    run_figures: pl.DataFrame
    cask_figures: pl.DataFrame
    jar_figures: pl.DataFrame
    thermometer_figures: pl.DataFrame
    flavour: FlavourData
    run_curves: pl.DataFrame
    jars_expected: pl.DataFrame
    stills: pl.DataFrame
    control_points: pl.DataFrame
    control_signals: pl.DataFrame
    cut_steadiness: pl.DataFrame
    cut_spread: pl.DataFrame
    strip_stops: pl.DataFrame
    cut_tradeoff: pl.DataFrame
    boiling: pl.DataFrame
    telemetry_runs: pl.DataFrame
    telemetry_jars: pl.DataFrame
    jar_scores: pl.DataFrame
    jar_tradeoff: pl.DataFrame
    components: pl.DataFrame
    suspects: pl.DataFrame
    reconciled_batches: pl.DataFrame
    gates: pl.DataFrame
    effects: pl.DataFrame
    aliases: pl.DataFrame
    explained: pl.DataFrame
    rankings: pl.DataFrame
    fit_quality: pl.DataFrame
    fit_notes: pl.DataFrame
    fit_notices: pl.DataFrame
    predictions: pl.DataFrame
    next_batches: pl.DataFrame
    fit_design: pl.DataFrame
    files: pl.DataFrame
    is_reconciled: bool = True

    def figure(self, name: str) -> object:
        """A value of the season's one row; None when the season has no row or it was not measured."""
        return self.season[name][0] if self.season.height else None

    def count(self, name: str) -> int:
        """A whole number of the season's row; a season without a row has none of anything."""
        value = self.figure(name)
        return value if isinstance(value, int) else 0

    def flags(self) -> dict[str, str]:
        """For each batch that a problem touches, the words printed beside its name."""
        touched = self.problems.filter(pl.col("batch").is_not_null()).group_by("batch").len()
        return {
            batch: "1 problem" if count == 1 else f"{count} problems" for batch, count in touched.iter_rows()
        }


def season_names(con: duckdb.DuckDBPyConnection) -> list[str]:
    """The seasons that have a page, in name order."""
    rows = con.execute(_SEASONS).fetchall()
    return [str(row[0]) for row in rows]


def title_of(con: duckdb.DuckDBPyConnection) -> str:
    """The heading the distiller set; empty when none."""
    return _setting(con, "title")


def _setting(con: duckdb.DuckDBPyConnection, name: str) -> str:
    rows = con.execute("select text_value from raw.setting where name = ?", [name]).fetchall()
    return rows[0][0] or "" if rows else ""


def _is_reconciled(con: duckdb.DuckDBPyConnection) -> bool:
    rows = con.execute("select number_value from raw.setting where name = 'reconcile'").fetchall()
    return bool(rows[0][0]) if rows else True


def has_files(con: duckdb.DuckDBPyConnection) -> bool:
    """Whether any log was read at all, usable or not."""
    return bool(con.execute("select count(*) from raw.file").fetchall()[0][0])


def read_season(con: duckdb.DuckDBPyConnection, season: str) -> SeasonData:
    """All frames of one season, in the order a page shows them."""
    frames = {name: _frame(con, query, season) for name, query in _QUERIES.items()}
    return SeasonData(
        name=season,
        currency=_setting(con, "currency"),
        files=shown(pl.DataFrame(con.sql(_FILES))),
        is_reconciled=_is_reconciled(con),
        flavour=read_flavour(lambda query: _frame(con, query, season)),
        **frames,
    )


def _frame(con: duckdb.DuckDBPyConnection, query: str, season: str) -> pl.DataFrame:
    return shown(pl.DataFrame(con.sql(query, params={"season": season})))


def shown(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame as a page may show it, in tables and charts alike.

    Every control character of its text is made visible; a float that is no number becomes null.
    """
    floats = [name for name, kind in frame.schema.items() if kind.is_float()]
    frame = frame.with_columns(
        pl.when(pl.col(name).is_finite()).then(pl.col(name)).alias(name) for name in floats
    )
    names = [name for name, kind in frame.schema.items() if kind == pl.String]
    touched = [name for name in names if frame[name].str.contains(ACTING_CHARACTERS).any()]
    return frame.with_columns(pl.col(touched).map_elements(visible, return_dtype=pl.String))
