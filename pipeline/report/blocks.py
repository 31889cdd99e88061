"""The pieces a page is made of: text, tables, figures, sections. Plain records, no HTML."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, ClassVar

import polars as pl

from pipeline.charts.titles import label_of, unit_of
from pipeline.report.text import column_decimals, counted, text_or_blank, value_text

MOST_ROWS = 1000
"""Longest table on a page; a longer one says how many rows are left off and where to get them."""


MOST_ROWS_OPEN = 30
"""Longest figure of one line a row that stands open."""

MOST_ROWS_ON_PAPER, MOST_SENTENCES_ON_PAPER = 20, 12
"""Longest folded table and list of sentences that are printed: what half a page of A4 holds."""


@dataclass(frozen=True)
class Cell:
    """One table cell; `flag` is a warning printed with it, `missing` says that there was no value."""

    text: str
    numeric: bool = False
    flag: str = ""
    missing: bool = False


@dataclass(frozen=True)
class Heading:
    """A column heading: its words and, on a second line, its unit."""

    label: str
    unit: str = ""
    numeric: bool = False


@dataclass(frozen=True)
class Table:
    """A table with a caption; `columns` are dictionary names, for the section on how numbers are made.

    A `stacked` table shows each row as a block of labelled lines on a narrow screen: for rows of words.
    """

    kind: ClassVar[str] = "table"
    caption: str
    headings: list[Heading]
    rows: list[list[Cell]]
    columns: list[str] = field(default_factory=list)
    note: str = ""
    stacked: bool = False


@dataclass(frozen=True)
class Figure:
    """A chart with the words that stand for it when it cannot be seen, and its table."""

    kind: ClassVar[str] = "figure"
    name: str
    title: str
    alt: str
    spec: dict[str, Any]
    note: str = ""


@dataclass(frozen=True)
class Figures:
    """Small figures side by side where the page is wide."""

    kind: ClassVar[str] = "figures"
    figures: list[Figure]


@dataclass(frozen=True)
class Paragraphs:
    """Plain sentences, one paragraph each."""

    kind: ClassVar[str] = "paragraphs"
    texts: list[str]


@dataclass(frozen=True)
class Points:
    """A list of sentences."""

    kind: ClassVar[str] = "points"
    texts: list[str]


@dataclass(frozen=True)
class Terms:
    """Words and what they mean."""

    kind: ClassVar[str] = "terms"
    entries: list[tuple[str, str]]


@dataclass(frozen=True)
class Pointers:
    """What other sections answer, each behind a link to it: (anchor, title, answer)."""

    kind: ClassVar[str] = "pointers"
    entries: list[tuple[str, str, str]]


@dataclass(frozen=True)
class Entries:
    """Things that other places of the page lead to: (anchor, name, what is known of it)."""

    kind: ClassVar[str] = "entries"
    entries: list[tuple[str, str, list[str]]]


@dataclass(frozen=True)
class Group:
    """Blocks that are folded away together."""

    kind: ClassVar[str] = "group"
    blocks: list[Block]


@dataclass(frozen=True)
class Folded:
    """A block shut behind a line that opens it."""

    kind: ClassVar[str] = "folded"
    summary: str
    block: Table | Terms | Paragraphs | Figures | Figure | Entries | Group

    @property
    def on_paper(self) -> bool:
        """Whether print opens it: what is short is printed, what is long is named and stays on the screen."""
        inner = self.block
        if isinstance(inner, Table):
            return len(inner.rows) <= MOST_ROWS_ON_PAPER
        return isinstance(inner, Paragraphs) and len(inner.texts) <= MOST_SENTENCES_ON_PAPER


@dataclass(frozen=True)
class Heading3:
    """A heading inside a section."""

    kind: ClassVar[str] = "heading"
    text: str


Text = Paragraphs | Points | Terms | Pointers | Entries | Heading3
Block = Table | Figure | Figures | Text | Group | Folded


@dataclass(frozen=True)
class Section:
    """A part of the page. `answer` is what a reader in a hurry wants, and stands first.

    `headline` is what the season at a glance says of the section; without one, the first answer.
    """

    anchor: str
    title: str
    answer: list[str]
    blocks: list[Block] = field(default_factory=list)
    headline: str = ""

    def tables(self) -> list[Table]:
        """All tables of the section, folded ones too."""
        return _tables_in(self.blocks)


def _tables_in(blocks: list[Block]) -> list[Table]:
    found: list[Table] = []
    for block in blocks:
        inner = block.block if isinstance(block, Folded) else block
        if isinstance(inner, Group):
            found += _tables_in(inner.blocks)
        elif isinstance(inner, Table):
            found.append(inner)
    return found


def table_of(
    frame: pl.DataFrame,
    columns: list[str],
    caption: str,
    *,
    flags: dict[str, str] | None = None,
    leave_off_blank: bool = False,
) -> Table:
    """A table of a frame's columns with headings and units from the dictionary.

    `leave_off_blank` leaves off the columns that no row has, and names them in the note: a wide table
    of blanks hides what there is.

    `flags` maps batch names to a warning, printed beside the batch wherever it is named.
    """
    warnings = flags or {}
    note = ""
    if leave_off_blank:
        blank = [name for name in columns if frame[name].null_count() == frame.height]
        columns = [name for name in columns if name not in blank]
        note = (
            f"No row has a value for: {', '.join(label_of(name).lower() for name in blank)}." if blank else ""
        )
    headings = [Heading(label_of(name), unit_of(name), frame.schema[name].is_numeric()) for name in columns]
    decimals = {name: column_decimals(frame[name].to_list(), name) for name in columns}
    rows = [
        [
            Cell(
                text_or_blank(value, name)
                if frame.schema[name] == pl.String
                else value_text(value, name, decimals[name]),
                frame.schema[name].is_numeric(),
                warnings.get(str(value), "") if name == "batch" else "",
                value is None,
            )
            for name, value in zip(columns, row, strict=True)
        ]
        for row in frame.select(columns).head(MOST_ROWS).iter_rows()
    ]
    if frame.height > MOST_ROWS:
        rest = f"The first {MOST_ROWS:,} of {frame.height:,} rows; the database holds them all."
        note = f"{note} {rest}".strip()
    return Table(caption, headings, rows, columns, note)


def fold_long(figure: Figure, rows: int) -> Figure | Folded:
    """A figure of one line a row, folded away where it would fill more than a screen."""
    return figure if rows <= MOST_ROWS_OPEN else Folded(f"{figure.title} ({rows})", figure)


def folded(table: Table) -> Folded:
    """A table shut behind its caption and row count."""
    return Folded(f"{table.caption} ({counted(len(table.rows), 'row')})", table)
