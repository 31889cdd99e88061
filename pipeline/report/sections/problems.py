"""Problems found in the logs, worst first, and the count of rows used and set aside."""

from __future__ import annotations

import polars as pl

from pipeline.problems import KINDS, SEVERITIES
from pipeline.report.blocks import Block, Cell, Heading, Heading3, Paragraphs, Section, Table
from pipeline.report.data import SeasonData
from pipeline.report.text import counted, number, visible

MOST_OF_A_KIND = 100


def problems_found(data: SeasonData) -> Section:
    """Every problem with its place, what stood there, what was expected and how to mend it."""
    title = "Problems found"
    blocks: list[Block] = [_rows_table(data)]
    if data.problems.is_empty():
        return Section("problems", title, ["No problem was found in the logs.", _rows_sentence(data)], blocks)
    for severity, heading in SEVERITIES.items():
        rows = data.problems.filter(pl.col("severity") == severity)
        if rows.height:
            blocks.append(Heading3(f"{heading} ({rows.height})"))
            blocks += [_kind_table(str(kind), part) for (kind,), part in _by_kind(rows)]
    count = counted(data.problems.height, "problem")
    answer = [f"{count[:1].upper()}{count[1:]}, worst first.", _rows_sentence(data)]
    blocks = [*blocks[1:], Heading3("Rows used and set aside"), blocks[0]]
    return Section("problems", title, answer, blocks, _headline(data))


def _headline(data: SeasonData) -> str:
    touched = len(data.flags())
    batches = f", touching {counted(touched, 'batch', 'batches')} marked (!)" if touched else ""
    worst = data.problems.row(0, named=True)["severity"]
    where = (
        f"; {data.problems.filter(pl.col('severity') == worst).height} of them {SEVERITIES[worst].lower()}"
    )
    count = counted(data.problems.height, "problem")
    return f"{count[:1].upper()}{count[1:]} in the logs{batches}{where}."


def _by_kind(rows: pl.DataFrame) -> list[tuple[tuple[object, ...], pl.DataFrame]]:
    return list(rows.group_by(["kind"], maintain_order=True))


def _kind_table(kind: str, rows: pl.DataFrame) -> Table:
    name = KINDS[kind].title if kind in KINDS else kind.replace("_", " ")
    shown = rows.head(MOST_OF_A_KIND)
    lines = [
        [
            Cell(_text(row["batch"])),
            Cell(_text(row["file"])),
            Cell("" if row["line"] is None else str(row["line"]), numeric=True),
            Cell(_text(row["column_name"])),
            Cell(_text(row["found"])),
            Cell(_text(row["expected"])),
            Cell(_text(row["mend"])),
        ]
        for row in shown.iter_rows(named=True)
    ]
    headings = [
        Heading("Batch"),
        Heading("File"),
        Heading("Line", numeric=True),
        Heading("Column"),
        Heading("Found"),
        Heading("Expected"),
        Heading("How to mend it"),
    ]
    note = ""
    if rows.height > MOST_OF_A_KIND:
        note = f"The first {MOST_OF_A_KIND} of {rows.height:,}; `stillseason check` lists every one."
    return Table(f"{name[:1].upper()}{name[1:]} ({rows.height})", headings, lines, note=note, stacked=True)


def _text(value: str | None) -> str:
    return "" if value is None else visible(value)


def _sum(data: SeasonData, name: str) -> int:
    return int(data.files[name].sum()) if data.files.height else 0


def _rows_sentence(data: SeasonData) -> str:
    rows_in, used, aside = (_sum(data, name) for name in ("rows_in", "rows_used", "rows_set_aside"))
    return (
        f"{number(rows_in, 0)} rows in = {number(used, 0)} used + {number(aside, 0)} set aside, over "
        f"{counted(data.files.height, 'file')}."
    )


def _rows_table(data: SeasonData) -> Table | Paragraphs:
    short = data.files.filter(pl.col("rows_set_aside") > 0)
    if short.is_empty():
        return Paragraphs(["No row was set aside."])
    lines = [
        [
            Cell(_text(row["path"])),
            Cell(number(row["rows_in"], 0), numeric=True),
            Cell(number(row["rows_used"], 0), numeric=True),
            Cell(number(row["rows_set_aside"], 0), numeric=True),
        ]
        for row in short.iter_rows(named=True)
    ]
    headings = [
        Heading("File"),
        Heading("Rows in", numeric=True),
        Heading("Used", numeric=True),
        Heading("Set aside", numeric=True),
    ]
    return Table("Files with rows set aside", headings, lines)
