"""The mark on the figures of jars: of one jar, and of all jars of a cut that were tasted together."""

import re
from pathlib import Path
from types import SimpleNamespace

import polars as pl

from pipeline.report.blocks import Folded, Paragraphs, table_of
from pipeline.report.marks import MEANS, marked_jars

BAD = Path(__file__).parents[1] / "data" / "bad_logs"
COLUMNS = ["batch", "cut", "abv_pct_vol"]


def figures(*rows: tuple[str, str, int, str, str, str, str, int]) -> SimpleNamespace:
    names = ["batch", "run", "jar_no", "cut", "column_name", "kind", "file", "line"]
    schema = {name: pl.Int64 if name in ("jar_no", "line") else pl.String for name in names}
    return SimpleNamespace(jar_figures=pl.DataFrame(rows, schema=schema, orient="row"))


def jars(*rows: tuple[str, str, int | None, str, float]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=["batch", "run", "jar_no", "cut", "abv_pct_vol"], orient="row")


def test_a_jar_and_the_cut_it_belongs_to_are_marked_and_no_other():
    first = ("7", "spirit", 1, "heads", "abv_pct_vol", "not_a_number", "log.csv", 4)
    # One problem of two jars of the cut is one problem of the cut.
    second = ("7", "spirit", 2, *first[3:])
    frame = jars(
        ("7", "spirit", 1, "heads", 80.0),
        ("7", "spirit", None, "heads", 80.0),
        ("7", "spirit", None, "tails", 40.0),
        ("8", "spirit", 1, "heads", 80.0),
    )
    said, folded = marked_jars(table_of(frame, COLUMNS, "Jars"), frame, figures(first, second))
    assert said == Paragraphs([MEANS])
    assert isinstance(folded, Folded)
    flags = [[cell.flag for cell in row] for row in folded.block.rows]
    assert flags == [["", "", "touched by 1 problem"]] * 2 + [["", "", ""]] * 2


def test_jars_without_a_problem_have_no_word_on_marks():
    frame = jars(("7", "spirit", 1, "heads", 80.0))
    (folded,) = marked_jars(table_of(frame, COLUMNS, "Jars"), frame, figures())
    assert [cell.flag for cell in folded.block.rows[0]] == ["", "", ""]


def test_a_reading_off_its_runs_curve_is_marked_on_the_page(make_pages):
    html = make_pages(files={"log.csv": (BAD / "jar_off_curve.csv").read_text(encoding="utf-8")}).html
    table = html[html.index("Readings off their run") :]
    table = table[table.index("<table") : table.index("</table>")]
    marked = re.findall(r'<td class="number">[^<]+ <a class="flag" href="#problems"[^>]*>\(!\)', table)
    assert len(marked) == 1, "the reading, and not what was expected of it"
    assert "touched by 1 problem" in table
