"""A log as read: what is told of the file, and what was found in it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pipeline.logs.blocks import LONGEST_CELL, Block
from pipeline.logs.decode import BROKEN, broken_near, encoding_shown
from pipeline.logs.header import Header
from pipeline.logs.records import BadRecord, Records
from pipeline.logs.telemetry import Telemetry
from pipeline.problems import Problem, problem

if TYPE_CHECKING:
    from pipeline.logs.large import LargeLog

__all__ = ["ReadFile", "ReadResult"]


@dataclass
class ReadFile:
    """One file as read: how it was told, and how many rows it had and lost.

    `is_refused`: its rows could be cut, but none can be used; the file's own problem says why. `is_kept`: it
    has not changed since it was last read, and was not read again. `broken`: the lines that hold bytes that
    are no text, and which bytes. `may_group`: the mark that is not its decimal mark can only group thousands;
    `is_undecided`: nothing tells which of the two a mark before three digits is; `is_comma_settled`: whether
    commas group thousands has been looked at.

    A file too large to be held is read lot by lot; then `blocks` reads all its rows anew, `used_names` says
    what its usable rows have in a column, and `sums` what its columns of numbers come to (`totals.py`).
    """

    file_id: int
    name: str
    stem: str
    kind: str | None = None
    encoding: str | None = None
    delimiter: str | None = None
    decimal_mark: str | None = None
    size_bytes: int = 0
    sha256: str | None = None
    header: Header | None = None
    header_line: int = 1
    rows_in: int = 0
    rows_set_aside: int = 0
    is_refused: bool = False
    is_kept: bool = False
    broken: dict[int, str] = field(default_factory=dict)
    may_group: bool = False
    is_undecided: bool = False
    is_comma_settled: bool = False
    blocks: Callable[[], Iterator[Block]] | None = None
    used_names: Callable[[str], frozenset[str]] | None = None
    sums: Callable[[], Mapping[str, float]] | None = None
    _fills: dict[str, bool] = field(default_factory=dict)

    def is_broken(self, text: str | None) -> bool:
        """Whether a text of this file holds bytes that are none."""
        return bool(self.broken) and text is not None and BROKEN in text

    def fills(self, column: str) -> bool:
        """Whether any row has something in a column; of a file that is read lot by lot, else no."""
        if self.blocks is None or self.header is None or column not in self.header.positions:
            return False
        if column not in self._fills:
            cell = f"c{self.header.positions[column]}"
            self._fills[column] = any(block.frame[cell].count() > 0 for block in self.blocks())
        return self._fills[column]

    def broken_details(self, line: int) -> dict[str, str]:
        """The wording of the problem that a record, beginning on `line`, holds bytes that are no text."""
        return {"encoding": encoding_shown(self.encoding or ""), "bytes": broken_near(self.broken, line)}


@dataclass
class ReadResult:
    """What reading found: the files, the blocks of rows, the records that fit no column, the problems.

    The rows of files too large to be held are not among them: `large` reads those when they are asked for.
    """

    files: list[ReadFile]
    blocks: list[Block]
    bad: list[tuple[ReadFile, BadRecord]] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    telemetry: list[Telemetry] = field(default_factory=list)
    large: list[LargeLog] = field(default_factory=list)

    def note_bad(self, records: Records, file: ReadFile) -> None:
        """Count the records of `file` that do not fit, and make a problem of each."""
        file.rows_in += len(records.bad)
        file.rows_set_aside += len(records.bad)
        for bad in records.bad:
            self.bad.append((file, bad))
            self.problems.append(_bad_record_problem(bad, file))


def _bad_record_problem(bad: BadRecord, file: ReadFile) -> Problem:
    if bad.why is not None:
        code, column, found, hint = bad.why
        return problem(code, file.name, line=bad.line, column=column, found=found, hint=hint)
    if file.is_broken(bad.text):
        details = file.broken_details(bad.line)
        return problem("broken_bytes", file.name, line=bad.line, found=bad.text, **details)
    if bad.is_too_long:
        return problem("cell_too_long", file.name, line=bad.line, found=bad.text, limit=LONGEST_CELL)
    if bad.cells is None:
        return problem("broken_quotes", file.name, line=bad.line, found=bad.text)
    columns = 0 if file.header is None else len(file.header.names)
    return problem("ragged_row", file.name, line=bad.line, found=bad.text, cells=bad.cells, columns=columns)
