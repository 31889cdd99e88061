"""What is wrong with telemetry: rows and cells counted while reading, sensors judged by their minutes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
import polars as pl

from pipeline.logs.diagnose import Sight, mixed_decimals, when_failure
from pipeline.logs.telemetry.header import SensorHeader
from pipeline.problems import Problem, problem

__all__ = ["JUMPS", "Watch", "faults_of_minutes", "why_no_date"]

JUMPS = {"vapour": 10.0, "kettle": 10.0, "strength": 15.0}
"""There and back by so much between neighbouring rows is a jump [K; % vol or its unit] (own choice)."""

STUCK_MIN = 20
"""Minutes of one same reading that make a sensor stuck, if another moved by `MOVED` (own choice)."""
MOVED = {"vapour": 1.0, "kettle": 1.0, "strength": 3.0}
WARM_C, HOT_C = 40.0, 75.0
"""A thermometer may stay at the room's warmth while the kettle heats up: it is judged when it shows more than
the first, or when the other shows more than the second (own choice)."""
GAP_MIN = 5
_GAP_FACTOR = 5

_COLUMN_OF = {"vapour": "vapour_c", "kettle": "kettle_c", "strength": "strength_reading"}
_UNIT_OF = {"vapour": " °C", "kettle": " °C", "strength": ""}


Key = TypeVar("Key", str, tuple[str, str])


@dataclass
class _Count:
    """How often, and where and what the first was."""

    count: int
    line: int
    found: str
    expected: str = ""


@dataclass
class Watch:
    """The count of rows and of what was wrong with them, kept while a file is read."""

    name: str
    header: SensorHeader
    rows_in: int = 0
    rows_set_aside: int = 0
    _marks: dict[str, Sight] = field(default_factory=dict)
    _rows: dict[str, _Count] = field(default_factory=dict)
    _of_sensor: dict[tuple[str, str], _Count] = field(default_factory=dict)
    _of_run: dict[tuple[str, str, str, str], _Count] = field(default_factory=dict)

    @property
    def decimal_mark(self) -> str | None:
        """How the file writes decimals; None when it does so both ways and none of its rows can be used."""
        return None if self._is_mixed else next(iter(self._marks), ".")

    @property
    def _is_mixed(self) -> bool:
        return len(self._marks) > 1

    def see_marks(self, lines: pl.Series, numbers: pl.Series) -> None:
        """Keep the first number of the file with each decimal mark; `numbers` are texts that can be read."""
        for mark in (",", "."):
            known = self._marks.get(mark)
            # Pieces come in the order of the file, the sensors of one piece do not.
            if known is not None and known.line < lines[0]:
                continue
            places = numbers.str.contains(mark, literal=True).arg_true()
            if len(places) and (known is None or lines[places[0]] < known.line):
                self._marks[mark] = Sight(lines[places[0]], numbers[places[0]])

    def lose_rows(self, lines: pl.Series, texts: pl.Series, why: str) -> None:
        """Rows that cannot be used, and what they have in common."""
        self.rows_set_aside += len(lines)
        self._add(self._rows, why, len(lines), lines, texts)

    def lose_cells(self, kind: str, sensor: str, lines: pl.Series, texts: pl.Series, expected: str) -> None:
        """Cells of one sensor that count as not measured."""
        self._add(self._of_sensor, (kind, sensor), len(lines), lines, texts, expected)

    def tell_run(
        self, kind: str, sensor: str, run: tuple[str, str], count: int, line: int, found: str
    ) -> None:
        """Something about a run that is told, and nothing lost by it."""
        key = (kind, sensor, *run)
        known = self._of_run.setdefault(key, _Count(0, line, found))
        known.count += count

    def _add(
        self,
        counts: dict[Key, _Count],
        key: Key,
        count: int,
        lines: pl.Series,
        texts: pl.Series,
        expected: str = "",
    ) -> None:
        if count:
            known = counts.setdefault(key, _Count(0, int(lines[0]), str(texts[0]), expected))
            known.count += count

    def problems(self) -> Iterator[Problem]:
        """What was counted, a problem a kind, sensor and run; of a file of two decimal marks that alone."""
        if self._is_mixed:
            yield mixed_decimals(self.name, self._marks[","], self._marks["."])
            return
        for why, known in self._rows.items():
            hint = f" ({why})"
            yield problem(
                "telemetry_rows",
                self.name,
                line=known.line,
                found=known.found,
                count=known.count,
                hint=hint,
            )
        for (kind, sensor), known in self._of_sensor.items():
            yield self._problem(kind, sensor, known, None)
        for (kind, sensor, batch, _), known in self._of_run.items():
            yield self._problem(kind, sensor, known, batch)

    def _problem(self, kind: str, sensor: str, known: _Count, batch: str | None) -> Problem:
        return problem(
            kind,
            self.name,
            line=known.line,
            column=written(self.header, sensor),
            found=known.found,
            batch=batch,
            count=known.count,
            expected=known.expected,
        )


def why_no_date(text: str | None, date_order: str) -> str:
    """Why a cell is no date with a time: what a batch log would say of it, in the brackets of a message."""
    if not text:
        return "no date"
    code, details = when_failure(text, date_order)
    if code == "date_order_unknown":
        return 'its date does not say which is the day: set date_order = "dmy" or "mdy" in season.toml'
    return f"no date{details.get('hint', '')}"


def written(header: SensorHeader, column: str) -> str:
    """A column as the file writes it."""
    return header.names[header.positions[column]]


def faults_of_minutes(
    minutes: pl.DataFrame, name: str, header: SensorHeader
) -> tuple[pl.DataFrame, list[Problem]]:
    """Gaps and stuck sensors of each run; the minutes come back with stuck readings not measured."""
    problems: list[Problem] = []
    parts = []
    for run in minutes.sort("minute_at", maintain_order=True).partition_by(
        "batch", "run", maintain_order=True
    ):
        problems += _gaps(run, name, header)
        for sensor in [each for each in MOVED if each in header.positions]:
            run, found = _unstuck(run, sensor, name, header)
            problems += found
        parts.append(run)
    return (pl.concat(parts) if parts else minutes), problems


def _gaps(run: pl.DataFrame, name: str, header: SensorHeader) -> Iterator[Problem]:
    steps = run["minute_at"].diff().dt.total_minutes().drop_nulls()
    if steps.is_empty():
        return
    usual = max(GAP_MIN, _GAP_FACTOR * int(np.median(steps.to_numpy())))
    gaps = run.with_columns(step=pl.col("minute_at").diff().dt.total_minutes()).filter(pl.col("step") > usual)
    if gaps.is_empty():
        return
    batch, of_run = gaps.select("batch", "run").row(0)
    longest = int(gaps["step"].to_numpy().max())
    yield problem(
        "telemetry_gap",
        name,
        line=gaps["line"][0],
        column=written(header, "when"),
        found=f"{batch} {of_run}: {len(gaps)}, the longest {longest} min",
        usual=f"{usual} min",
        batch=batch,
    )


def _is_running(column: str, others: list[str]) -> pl.Expr:
    """Whether the still is hot enough for the sensor to move."""
    if column == _COLUMN_OF["strength"]:
        return pl.lit(True)
    hot = [pl.col(other).median() > HOT_C for other in others if other != _COLUMN_OF["strength"]]
    return pl.any_horizontal(pl.col(column).first() > WARM_C, *hot)


def _unstuck(
    run: pl.DataFrame, sensor: str, name: str, header: SensorHeader
) -> tuple[pl.DataFrame, list[Problem]]:
    """The run with the sensor's stuck minutes not measured, and a problem for the first of them."""
    column = _COLUMN_OF[sensor]
    same = (pl.col(f"{sensor}_low") == pl.col(f"{sensor}_high")) & (pl.col(column) == pl.col(column).shift(1))
    marked = run.with_columns(streak=(~same.fill_null(False)).cum_sum())
    others = [_COLUMN_OF[other] for other in MOVED if other != sensor and other in header.positions]
    if not others:
        return run, []
    moved = [
        pl.col(other).max() - pl.col(other).min()
        >= next(MOVED[each] for each in MOVED if _COLUMN_OF[each] == other)
        for other in others
    ]
    streaks = marked.group_by("streak", maintain_order=True).agg(
        pl.col("line").first(),
        pl.col(column).first().alias("value"),
        pl.col("minute_at").first().alias("since"),
        (pl.col("minute_at").last() - pl.col("minute_at").first()).dt.total_minutes().alias("minutes"),
        (pl.any_horizontal(moved) & _is_running(column, others)).alias("is_moved"),
    )
    stuck = streaks.filter((pl.col("minutes") >= STUCK_MIN) & pl.col("is_moved"))
    if stuck.is_empty():
        return run, []
    is_stuck = pl.col("streak").is_in(stuck["streak"].to_list())
    mended = marked.with_columns(
        pl.when(is_stuck).then(None).otherwise(pl.col(column)).alias(column),
        pl.when(is_stuck).then(0).otherwise(pl.col(f"{sensor}_rows")).alias(f"{sensor}_rows"),
    ).drop("streak")
    first = stuck.row(0, named=True)
    batch, of_run = run.select("batch", "run").row(0)
    found = problem(
        "sensor_stuck",
        name,
        line=first["line"],
        column=written(header, sensor),
        found=f"{first['value']:g}{_UNIT_OF[sensor]} for {first['minutes']} min "
        f"from {first['since']:%H:%M} in {batch} {of_run}",
        batch=batch,
    )
    return mended, [found]
