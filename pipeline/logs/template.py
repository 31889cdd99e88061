"""Empty logs to start from: one a kind of file, with the steps and an invented example in comment lines."""

from __future__ import annotations

import csv
import errno
import io
from collections.abc import Iterator, Mapping
from pathlib import Path

from pipeline.logs.fields import (
    ALL_KINDS,
    BATCH_LOG,
    CASK_LOG,
    DIFFERENCE_TEST,
    INGREDIENT_LIST,
    TASTING_KEY,
    TASTING_SHEET,
    TELEMETRY,
    FileKind,
)
from pipeline.logs.steps import Step

__all__ = ["EXAMPLE_MARK", "template_text", "write_templates"]

EXAMPLE_MARK = "# An invented example. Take the # and the space away from a line to use it:"

Row = Mapping[str, str]

# One invented batch from grain to cask: the figures hang together, nobody ever ran it.
_BATCH_ROWS: tuple[Row, ...] = (
    {"batch": "R-01", "when": "2025-09-14 08:00", "step": "recipe", "item": "rye and barley"},
    {"batch": "R-01", "step": "grain", "item": "rye malt", "mass": "50", "price": "42.50", "by": "Ana"},
    {"batch": "R-01", "step": "grain", "item": "pale malt", "mass": "50 kg", "price": "40.00"},
    {
        "batch": "R-01",
        "when": "2025-09-14 09:00",
        "step": "mash",
        "vessel": "tun",
        "volume": "300",
        "temperature": "64",
        "minutes": "75",
        "ph": "5.5",
    },
    {"batch": "R-01", "step": "sparge", "volume": "150", "temperature": "75"},
    {"batch": "R-01", "step": "runnings", "gravity": "1.008", "temperature": "20"},
    {"batch": "R-01", "step": "wort", "vessel": "fermenter 1", "volume": "380", "gravity": "1.062"},
    {"batch": "R-01", "step": "yeast", "item": "distiller's yeast", "mass": "200 g"},
    {"batch": "R-01", "when": "2025-09-14 14:00", "step": "wash", "gravity": "1.062", "temperature": "20"},
    {
        "batch": "R-01",
        "when": "2025-09-19 08:00",
        "step": "wash",
        "gravity": "1.004",
        "temperature": "20",
        "ph": "4.1",
    },
    {
        "batch": "R-01",
        "when": "2025-09-20 08:00",
        "step": "charge",
        "run": "strip 1",
        "item": "wash",
        "vessel": "still",
        "volume": "370",
    },
    {
        "batch": "R-01",
        "when": "2025-09-20 14:00",
        "step": "collect",
        "run": "strip 1",
        "cut": "low wines",
        "volume": "105",
        "strength": "25.5",
        "temperature": "18",
    },
    {"batch": "R-01", "step": "residue", "run": "strip 1", "volume": "262", "strength": "0.3"},
    {
        "batch": "R-01",
        "when": "2025-09-22 08:00",
        "step": "charge",
        "run": "spirit",
        "item": "low wines",
        "volume": "105",
    },
    {
        "batch": "R-01",
        "step": "collect",
        "run": "spirit",
        "item": "jar 1",
        "cut": "foreshots",
        "volume": "0.8",
        "strength": "78",
    },
    {
        "batch": "R-01",
        "step": "collect",
        "run": "spirit",
        "item": "jar 2",
        "cut": "heads",
        "volume": "2.5",
        "strength": "76",
    },
    {
        "batch": "R-01",
        "step": "collect",
        "run": "spirit",
        "item": "jar 3",
        "cut": "hearts",
        "volume": "22",
        "strength": "69",
        "spout": "62",
    },
    {
        "batch": "R-01",
        "step": "collect",
        "run": "spirit",
        "item": "jar 4",
        "cut": "tails",
        "volume": "18",
        "strength": "44",
        "lot": "feints 2025",
        "note": "kept for the next spirit run",
    },
    {"batch": "R-01", "step": "residue", "run": "spirit", "volume": "61", "strength": "0.8"},
    {"batch": "R-01", "step": "discard", "source": "R-01 foreshots"},
    {
        "batch": "R-01",
        "when": "2025-09-23",
        "step": "dilute",
        "source": "R-01 hearts",
        "volume": "2.1",
        "temperature": "15",
    },
)

EXAMPLES: Mapping[str, tuple[Row, ...]] = {
    BATCH_LOG: _BATCH_ROWS,
    CASK_LOG: (
        {
            "cask": "K1",
            "when": "2025-09-24",
            "step": "fill",
            "source": "R-01 hearts",
            "volume": "23.5",
            "strength": "63.1",
            "temperature": "16",
            "wood": "oak",
            "toast": "medium",
            "char": "light",
            "capacity": "25",
            "place": "north barn",
        },
        {"cask": "K1", "when": "2026-03-24", "step": "gauge", "volume": "23.1", "strength": "62.9"},
        {"cask": "K1", "when": "2026-03-24", "step": "draw", "volume": "200 mL", "item": "sample 1"},
    ),
    TASTING_SHEET: tuple(
        {"session": "spring", "when": "2026-03-28", "sample": "417", "strength": "23", **scores}
        for scores in (
            {"assessor": "Ana", "order": "1", "fruit": "6", "overall": "7", "descriptors": "pear; bread"},
            {"assessor": "Ben", "order": "2", "fruit": "5.5", "overall": "6", "note": "had a cold"},
        )
    ),
    TASTING_KEY: ({"session": "spring", "sample": "417", "cask": "K1"},),
    DIFFERENCE_TEST: (
        {
            "session": "spring",
            "when": "2026-03-28",
            "assessor": "Ana",
            "test": "triangle",
            "sample_a": "417",
            "sample_b": "892",
            "correct": "yes",
        },
    ),
    INGREDIENT_LIST: (
        {
            "ingredient": "rye malt",
            "kind": "malt",
            "extract": "84.5",
            "moisture": "5.1",
            "fermentable": "82",
            "source": "the maltster's analysis",
        },
    ),
    TELEMETRY: tuple(
        {"batch": "R-01", "run": run, "when": f"2025-09-{day} 09:40:{second:02}", **showed}
        for run, day in (("strip 1", 20),)
        for second, showed in (
            (12, {"vapour": "95.2", "kettle": "97.0", "power": "5.5", "takeoff": "0.21"}),
            (13, {"vapour": "95.3", "kettle": "97.0", "power": "5.5", "takeoff": "0.21", "strength": "41.2"}),
        )
    ),
}
"""Invented rows of each kind of file; together one small season."""

# A sheet in the form people fill by hand has a column an attribute.
_HEADER_CHANGES = {
    TASTING_SHEET: (("attribute", "score"), ("fruit", "overall")),
}


def write_templates(folder: Path) -> list[Path]:
    """Write an empty log of each kind into `folder` and give their paths.

    Raises `FileExistsError`, and writes nothing, when one of them stands there already.
    """
    folder.mkdir(parents=True, exist_ok=True)
    paths = {folder / f"{kind.name}.csv": kind for kind in ALL_KINDS.values()}
    for path in paths:
        if path.exists() or path.is_symlink():
            raise FileExistsError(
                errno.EEXIST, "is there already and is not overwritten; name another folder", str(path)
            )
    for path, kind in paths.items():
        with path.open("x", encoding="utf-8", newline="") as file:
            file.write(template_text(kind))
    return list(paths)


def template_text(kind: FileKind) -> str:
    """The empty log of a kind: its steps as comments, the header, an invented example as comments."""
    columns = _columns(kind)
    lines = [
        f"# {kind.title.capitalize()}: one row is {kind.a_row_is}.",
        "# Lines that begin with # are not read. An empty cell means: not measured. Zero is a measurement.",
        "# A unit may stand in the header for the whole column (vapour [F])."
        if kind.name == TELEMETRY
        else "# A unit may stand in a cell (5 gal) or in the header for the whole column (volume [gal]).",
        *(f"# {line}" for line in _step_lines(kind)),
        _csv_line(columns),
        EXAMPLE_MARK,
        *(f"# {_csv_line([row.get(name, '') for name in columns])}" for row in EXAMPLES[kind.name]),
    ]
    return "\n".join(lines) + "\n"


def _columns(kind: FileKind) -> list[str]:
    columns = list(kind.fields)
    if kind.name in _HEADER_CHANGES:
        without, instead = _HEADER_CHANGES[kind.name]
        columns = [name for name in columns if name not in without]
        columns[-2:-2] = instead
    return columns


def _step_lines(kind: FileKind) -> Iterator[str]:
    if kind.steps:
        yield "Steps, and what each needs (may have):"
    for step in kind.steps:
        may = ", ".join((*step.expects, *step.may_have))
        # No semicolon: a spreadsheet that splits at semicolons would put the line in quotes on saving.
        says = step.says.replace(";", ",")
        yield f"  {step.name}: {says} - needs {_needs(step)}" + (f" ({may})" if may else "")


def _needs(step: Step) -> str:
    needs = [" or ".join(" and ".join(option) for option in need) for need in step.needs]
    return ", ".join(needs) or "nothing"


def _csv_line(cells: list[str]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow(cells)
    return out.getvalue()
