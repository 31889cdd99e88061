"""A log file as a person keeps it: its columns and cells as text, and how it is stored.

Turns numbers into cells in one person's units and rounding; knows no season.
"""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass, field
from pathlib import Path

from pipeline import science
from pipeline.simulate.scenario import Habit

KG_PER_LB = 0.45359237
L_PER_GAL = 3.785411784
CELSIUS_PER_FAHRENHEIT = 5.0 / 9.0

# The quantity of each numeric column, and the unit the format takes when none is written.
QUANTITY = {
    "mass": "mass",
    "volume": "volume",
    "capacity": "volume",
    "gravity": "gravity",
    "strength": "strength",
    "spout": "strength",
    "temperature": "temperature",
    "kettle": "boiling",
    "vapour": "boiling",
    "barometer": "pressure",
    "minutes": "minutes",
    "ph": "ph",
    "price": "price",
}
DEFAULT_UNIT = {
    "mass": "kg",
    "volume": "L",
    "gravity": "SG",
    "strength": "%vol",
    "temperature": "C",
    "boiling": "C",
}


@dataclass
class Page:
    """One file: where it goes, how it is stored, and its rows as text by column key."""

    path: str
    keys: list[str]
    headers: dict[str, str] = field(default_factory=dict)
    rows: list[dict[str, str]] = field(default_factory=list)
    comments: list[str] = field(default_factory=list)
    delimiter: str = ","
    newline: str = "\n"
    encoding: str = "utf-8"
    decimal_mark: str = "."

    def line_of(self, row: int) -> int:
        """The line an editor shows for the row at place `row` (from 0)."""
        return len(self.comments) + 2 + row

    def text(self) -> str:
        """The file's text, RFC 4180 quoting, without any encoding."""
        buffer = io.StringIO()
        for comment in self.comments:
            buffer.write(f"# {comment}{self.newline}")
        writer = csv.writer(buffer, delimiter=self.delimiter, lineterminator=self.newline)
        writer.writerow([self.headers.get(key, key) for key in self.keys])
        writer.writerows([[row.get(key, "") for key in self.keys] for row in self.rows])
        return buffer.getvalue()

    def write(self, folder: Path) -> Path:
        """Write the file under `folder`; folders on the way are made."""
        target = folder / self.path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(self.text().encode(self.encoding))
        return target


def unit_of(column: str, habit: Habit) -> str:
    """The unit in which a person writes `column`; empty where there is only one."""
    return {
        "mass": habit.mass_unit,
        "volume": habit.volume_unit,
        "gravity": habit.gravity_unit,
        "strength": habit.strength_unit,
        "temperature": habit.temperature_unit,
        "boiling": habit.temperature_unit,
    }.get(QUANTITY.get(column, ""), "")


def header_of(column: str, habit: Habit) -> str:
    """The column's header, with its unit where the person's habit or an unusual unit asks for it."""
    name = column.capitalize() if habit.title_case else column
    unit = unit_of(column, habit)
    is_usual = unit == DEFAULT_UNIT.get(QUANTITY.get(column, ""), "")
    if not unit or (is_usual and habit.units_in != "header") or habit.units_in == "cell":
        return name
    return f"{name} [{unit}]"


def cell_of(column: str, value: float, habit: Habit, is_exact: bool) -> str:
    """The cell a person writes for `value` (kg, L, SG, %vol, degC, min); empty when not measured.

    `is_exact` writes every digit, for readings without error.
    """
    if math.isnan(value):
        return ""
    unit = unit_of(column, habit)
    number, step = _in_unit(column, value, unit)
    suffix = ""
    if habit.units_in == "cell" and unit and column != "gravity":
        suffix = "%" if unit == "%vol" else f" {unit}"
        if unit == "L" and value < 1.0:
            number, step, suffix = 1000.0 * value, 5.0, " mL"
    text = _plain(number, is_exact, step)
    return text.replace(".", habit.decimal_mark) + suffix


def _in_unit(column: str, value: float, unit: str) -> tuple[float, float]:
    """`value` in `unit`, and the step to which a person reads it."""
    if unit == "kg":
        return value, 0.05 if value >= 2 else 0.005
    if unit == "lb":
        return value / KG_PER_LB, 0.1 if value >= 2 else 0.01
    if unit == "L":
        return value, 0.01 if value < 4 else 0.05 if value < 30 else 0.5
    if unit == "gal":
        gallons = value / L_PER_GAL
        return gallons, 0.002 if gallons < 1 else 0.02 if gallons < 8 else 0.1
    if unit == "SG":
        return value, 0.0005
    if unit == "P":
        return float(science.plato_from_sg(value)), 0.1
    if unit == "%vol":
        return value, 0.1
    if unit == "proof":
        return float(science.proof_from_abv(value)), 0.2
    is_fine = QUANTITY.get(column) == "boiling"
    if unit == "C":
        return value, 0.1 if is_fine else 0.5
    if unit == "F":
        return value / CELSIUS_PER_FAHRENHEIT + 32.0, 0.2 if is_fine else 1.0
    return value, {"barometer": 1.0, "minutes": 1.0, "ph": 0.02, "price": 0.01}[column]


def _plain(number: float, is_exact: bool, step: float) -> str:
    if is_exact:
        return f"{number:.12g}"
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    text = f"{round(number / step) * step:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text
