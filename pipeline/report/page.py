"""The season's page: sections put together, rendered and written. One file, nothing outside it."""

from __future__ import annotations

import os
from dataclasses import dataclass
from functools import cache
from importlib.metadata import version
from pathlib import Path

import altair
import duckdb
import jinja2
import polars as pl

import pipeline
from pipeline.charts.theme import DARK, LIGHT, PAGE, config_of, css_variables
from pipeline.progress import Progress, silent
from pipeline.report import data as season_data
from pipeline.report.blocks import Cell, Heading, Section, Table
from pipeline.report.data import SeasonData
from pipeline.report.script import drawing_script, json_for_html, script_hash
from pipeline.report.sections.balance import balances
from pipeline.report.sections.batches import every_batch
from pipeline.report.sections.casks import casks
from pipeline.report.sections.cautions import cautions
from pipeline.report.sections.cuts import cuts_and_strengths
from pipeline.report.sections.difference import what_made_the_difference
from pipeline.report.sections.flavour import blind_tests, flavour
from pipeline.report.sections.flow import where_the_alcohol_went
from pipeline.report.sections.glance import season_at_a_glance
from pipeline.report.sections.methods import how_numbers_are_computed
from pipeline.report.sections.next_batches import what_to_run_next
from pipeline.report.sections.problems import problems_found
from pipeline.report.sections.yields import yields
from pipeline.report.text import counted, number, prose, unique_slugs, visible

NO_SEASON = "no season"
"""Name of the page written when logs were found but no batch, cask or tasting could be dated or read."""

PAGE_NAME = "index.html"
_TEMPLATES = Path(__file__).parent / "templates"


@dataclass(frozen=True)
class Footer:
    """What the page was made from and with; no clock time, so that the same logs give the same page."""

    files: Table
    rows: str
    versions: list[tuple[str, str]]


def write_reports(
    con: duckdb.DuckDBPyConnection,
    out_dir: Path,
    progress: Progress = silent,
) -> list[Path]:
    """Write `<out_dir>/<season>/index.html` for every season in the database.

    `con` is only read from. Returns the pages written, in season order; none when no log file was
    read at all. When files were read but no season came of them, one page lists the problems.
    """
    seasons = season_data.season_names(con)
    if not seasons and season_data.has_files(con):
        seasons = [NO_SEASON]
    slugs = unique_slugs(seasons)
    title = season_data.title_of(con)
    pages = []
    for done, season in enumerate(seasons):
        progress("Writing pages", done, len(seasons))
        page = out_dir / slugs[season] / PAGE_NAME
        _write(page, render_season(season_data.read_season(con, season), title))
        pages.append(page)
    progress("Writing pages", len(seasons), len(seasons))
    return pages


def render_season(data: SeasonData, title: str = "") -> str:
    """The whole page of one season as HTML text."""
    sections = season_sections(data)
    style = f":root {{ color-scheme: light dark; {_one_line(css_variables(LIGHT))} }}\n"
    style += (
        f"@media screen and (prefers-color-scheme: dark) {{ :root {{ {_one_line(css_variables(DARK))} }} }}\n"
    )
    style += (_TEMPLATES / "season.css").read_text(encoding="utf-8")
    script = drawing_script()
    heading = data.name if data.name == NO_SEASON else f"Season {data.name}"
    # The environment escapes every value; only the page's own style, script and JSON are marked safe.
    return (
        _environment()
        .get_template("season.html.j2")
        .render(
            title=visible(title),
            heading=visible(heading),
            sections=sections,
            footer=_footer(data),
            style=style,
            style_hash=script_hash(style),
            chart_config=config_of(PAGE),
            script=script,
            script_hash=script_hash(script),
        )
    )


def season_sections(data: SeasonData) -> list[Section]:
    """The page's sections in reading order: answers, then evidence, then how and with what care."""
    sections = [
        where_the_alcohol_went(data),
        balances(data),
        yields(data),
        cuts_and_strengths(data),
        casks(data),
        flavour(data),
        blind_tests(data),
        what_made_the_difference(data),
        what_to_run_next(data),
        every_batch(data),
        problems_found(data),
    ]
    sections.insert(0, season_at_a_glance(data, sections))
    return [*sections, how_numbers_are_computed(sections), cautions()]


@cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["json_for_html"] = json_for_html
    environment.filters["prose"] = prose
    return environment


def _footer(data: SeasonData) -> Footer:
    lines = [
        [
            Cell(visible(str(row["path"]))),
            Cell(visible(str(row["kind"] or "not recognised"))),
            *(
                Cell(number(row[name] or 0, 0), numeric=True)
                for name in ("rows_in", "rows_used", "rows_set_aside")
            ),
            Cell(visible(str(row["sha256"]))),
        ]
        for row in data.files.iter_rows(named=True)
    ]
    headings = [
        Heading("File"),
        Heading("Kind"),
        Heading("Rows in", numeric=True),
        Heading("Used", numeric=True),
        Heading("Set aside", numeric=True),
        Heading("SHA-256 of its bytes"),
    ]
    totals = [
        int(data.files[name].sum()) if data.files.height else 0
        for name in ("rows_in", "rows_used", "rows_set_aside")
    ]
    rows = (
        f"{counted(data.files.height, 'file')}: {totals[0]:,} rows in = {totals[1]:,} used + "
        f"{totals[2]:,} set aside."
    )
    versions = [
        ("Stillseason", pipeline.__version__),
        ("DuckDB", duckdb.__version__),
        ("Polars", pl.__version__),
        ("Altair", altair.__version__),
        ("Vega-Lite", altair.SCHEMA_VERSION.removeprefix("v")),
        ("vl-convert", version("vl-convert-python")),
    ]
    return Footer(Table("Input files", headings, lines), rows, versions)


def _one_line(text: str) -> str:
    return " ".join(text.split("\n"))


def _write(page: Path, text: str) -> None:
    """Write beside the page, then put it in its place, so that a page is whole or not there."""
    page.parent.mkdir(parents=True, exist_ok=True)
    fresh = page.with_name(page.name + ".tmp")
    # What another run left behind, or a link to somewhere else, is not written to.
    fresh.unlink(missing_ok=True)
    try:
        with fresh.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
        os.replace(fresh, page)
    finally:
        # Of a disk that was full, nothing is left but the page as it was.
        fresh.unlink(missing_ok=True)
