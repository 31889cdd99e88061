"""The column dictionary of log format 1: every kind of file, its columns, its steps.

Reading, checking, messages, templates, the data package and the documentation's tables all come from
here; nothing about a column is written anywhere else. Knows no files, no SQL and no physics.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

from pipeline.logs.steps import BATCH_STEPS, CASK_STEPS, Need, Step, all_of
from pipeline.logs.units import QUANTITIES, Quantity, Unit

__all__ = [
    "CUTS",
    "DIFFERENCE_TESTS",
    "FIELDS",
    "KINDS_OF_FILE",
    "SCORE_SCALE",
    "Field",
    "FileKind",
    "Step",
    "column_key",
    "field_of",
    "quantity_of",
]

FieldType = Literal["text", "when", "word", "number", "yes_no"]

CUTS = ("low wines", "foreshots", "heads", "hearts", "tails", "feints")
"""The cuts, in the order in which they come off the still; feints are heads and tails kept together."""

DIFFERENCE_TESTS = ("triangle", "duo-trio", "paired")
"""The difference tests of the format (ISO 4120, ISO 10399 and ISO 5495 describe them)."""

SCORE_SCALE = (0.0, 10.0)
"""The scale of a score when the header names none."""

BATCH_LOG, CASK_LOG = "batch_log", "cask_log"
TASTING_SHEET, TASTING_KEY = "tasting_sheet", "tasting_key"
DIFFERENCE_TEST, INGREDIENT_LIST = "difference_test", "ingredient_list"
TELEMETRY = "telemetry"


@dataclass(frozen=True)
class Field:
    """One column of the format in the kinds of file that have it.

    `quantity` names an entry of `QUANTITIES` (numbers only); `words` are the choices of a word;
    `becomes` are the typed columns made of it.
    """

    name: str
    kinds: tuple[str, ...]
    type: FieldType
    meaning: str
    example: str
    quantity: str | None = None
    words: tuple[str, ...] = ()
    becomes: tuple[str, ...] = ()

    @property
    def measure(self) -> Quantity | None:
        """The quantity with its units and plausible range; None when the column is no number."""
        return None if self.quantity is None else QUANTITIES[self.quantity]


@dataclass(frozen=True)
class FileKind:
    """One kind of file: how its header tells it, what a row is, its columns and steps."""

    name: str
    title: str
    told_by: str
    holds: str
    a_row_is: str
    needs: tuple[Need, ...] = ()
    any_row: tuple[str, ...] = ()
    steps: tuple[Step, ...] = ()
    named_by_file: str | None = None

    @cached_property
    def fields(self) -> Mapping[str, Field]:
        """The kind's columns by name, in the order of the format."""
        return {field.name: field for field in FIELDS if self.name in field.kinds}

    @cached_property
    def step_named(self) -> Mapping[str, Step]:
        """The kind's steps by name."""
        return {step.name: step for step in self.steps}


_LOGS = (BATCH_LOG, CASK_LOG)
_PANELS = (TASTING_SHEET, DIFFERENCE_TEST)
_POURS = (TASTING_SHEET, TASTING_KEY)

KINDS_OF_FILE: Mapping[str, FileKind] = {
    kind.name: kind
    for kind in (
        FileKind(
            BATCH_LOG,
            "batch log",
            "`step` and `batch`, or `step` and a file name that is the batch",
            "one batch, or many",
            "one thing measured or done",
            needs=all_of("batch", "step"),
            any_row=("batch", "when", "step", "vessel", "by", "note"),
            steps=BATCH_STEPS,
            named_by_file="batch",
        ),
        FileKind(
            CASK_LOG,
            "cask log",
            "`cask` and `step`",
            "one cask, or many",
            "one thing measured or done to a cask",
            needs=all_of("cask", "step"),
            # What a cask is may stand on every row of it, as a person copies it down a sheet.
            any_row=(
                *("cask", "when", "step", "wood", "toast", "char", "capacity", "place", "previous"),
                *("item", "note"),
            ),
            steps=CASK_STEPS,
        ),
        FileKind(
            TASTING_SHEET,
            "tasting sheet",
            "`assessor` and `sample`",
            "one session, or many",
            "one assessor's scores for one pour, or (with `attribute` and `score`) one score",
            needs=all_of("session", "assessor", "sample"),
            named_by_file="session",
        ),
        FileKind(
            TASTING_KEY,
            "key sheet of a tasting",
            "`session`, `sample` and one of `batch`, `cask`, `lot`, without `assessor`",
            "one session, or many",
            "what one blind code was",
            needs=(*all_of("session", "sample"), (("batch",), ("cask",), ("lot",))),
        ),
        FileKind(
            DIFFERENCE_TEST,
            "difference test",
            "`assessor` and `correct`",
            "one set of triangle, duo-trio or paired trials, or many",
            "one assessor's answer",
            needs=all_of("session", "assessor", "test", "correct"),
            named_by_file="session",
        ),
        FileKind(
            INGREDIENT_LIST,
            "ingredient list",
            "`ingredient` and `extract`",
            "the distiller's own malt analyses; they override the built-in catalogue",
            "one ingredient",
            needs=all_of("ingredient", "extract"),
        ),
    )
}
"""Every kind of file of the format, by name."""

TELEMETRY_FILE = FileKind(
    TELEMETRY,
    "telemetry",
    "`batch`, `run`, `when` and a sensor's column, without `step`",
    "one run, or many, every second or so",
    "what the sensors of a still showed at one moment",
    needs=all_of("batch", "run", "when"),
)
"""A logger's file. Its rows are not kept one by one: each minute of a run becomes one row (an addition of
ours to the format; never needed)."""

ALL_KINDS: Mapping[str, FileKind] = {**KINDS_OF_FILE, TELEMETRY: TELEMETRY_FILE}
"""Every kind of file that is read, telemetry too."""


def _number(
    name: str, kinds: tuple[str, ...], quantity: str, meaning: str, example: str, *becomes: str
) -> Field:
    return Field(name, kinds, "number", meaning, example, quantity, (), becomes)


def _text(name: str, kinds: tuple[str, ...], meaning: str, example: str, *becomes: str) -> Field:
    return Field(name, kinds, "text", meaning, example, None, (), becomes or (name,))


FIELDS: tuple[Field, ...] = (
    _text("batch", (BATCH_LOG,), "the batch; the file name when the file has no such column", "R-07"),
    _text("cask", (CASK_LOG,), "the cask", "K3"),
    _text(
        "session",
        (*_PANELS, TASTING_KEY),
        "the tasting session; the file name when a sheet has no such column",
        "november",
    ),
    Field(
        "when",
        (*_LOGS, *_PANELS),
        "when",
        "date, or date and time (ISO 8601); empty: as the row above it",
        "2025-09-14 08:30",
        becomes=("logged_at", "has_time"),
    ),
    Field(
        "step",
        (BATCH_LOG,),
        "word",
        "what was done or measured",
        "wort",
        words=tuple(step.name for step in BATCH_STEPS),
        becomes=("step",),
    ),
    Field(
        "step",
        (CASK_LOG,),
        "word",
        "what was done or measured",
        "fill",
        words=tuple(step.name for step in CASK_STEPS),
        becomes=("step",),
    ),
    _text("run", (BATCH_LOG,), "the distillation within the batch", "strip 1"),
    _text(
        "item",
        (BATCH_LOG,),
        "the ingredient, yeast, rest, jar or liquid the row is about",
        "rye malt",
        "item",
        "item_key",
    ),
    Field(
        "cut",
        (BATCH_LOG,),
        "word",
        "the cut a jar belongs to; may be written in later",
        "hearts",
        words=CUTS,
        becomes=("cut",),
    ),
    _text("source", _LOGS, "the lot that is drawn from, of this batch or another", "R-07 hearts"),
    _text("lot", (BATCH_LOG,), "the lot that is filled; of a grain, the maltster's or farm's lot", "F-1"),
    _text("vessel", (BATCH_LOG,), "the tun, fermenter or receiver; on a charge the still", "tun 1"),
    _text("by", (BATCH_LOG,), "who did it", "Ana", "operator"),
    _text("assessor", _PANELS, "who tasted", "Ana"),
    _text("sample", _POURS, "the blind code that was poured", "417"),
    Field(
        "test",
        (DIFFERENCE_TEST,),
        "word",
        "the kind of trial",
        "triangle",
        words=DIFFERENCE_TESTS,
        becomes=("test",),
    ),
    _text("sample_a", (DIFFERENCE_TEST,), "one of the two samples compared", "417"),
    _text("sample_b", (DIFFERENCE_TEST,), "the other", "892"),
    Field(
        "correct",
        (DIFFERENCE_TEST,),
        "yes_no",
        "whether the odd or matching sample was found: yes or no, 1 or 0",
        "yes",
        words=("yes", "no", "1", "0"),
        becomes=("is_correct",),
    ),
    _text("batch", _POURS, "the batch the sample was; filled in after the session", "R-07"),
    _text("cask", _POURS, "the cask the sample was", "K3"),
    _text("lot", _POURS, "the lot the sample was", "R-07 hearts"),
    _number("mass", _LOGS, "mass", "mass", "180", "mass_kg"),
    _number("volume", _LOGS, "volume", "volume", "650 L", "volume_l"),
    _number(
        "gravity",
        (BATCH_LOG,),
        "gravity",
        "specific gravity at 20/20 °C, or as read with the row's temperature",
        "1.062",
        "gravity_reading",
        "gravity_unit",
    ),
    _number(
        "strength",
        (*_LOGS, TASTING_SHEET),
        "strength",
        "alcohol at 20 °C, or as read with the row's temperature; of a pour, the strength it was tasted at",
        "62.5",
        "strength_reading",
        "strength_unit",
    ),
    _number(
        "spout",
        (BATCH_LOG,),
        "strength",
        "strength at the spout when the vessel was full",
        "58",
        "spout_reading",
        "spout_unit",
    ),
    _number("temperature", _LOGS, "temperature", "temperature of what was measured", "18", "temperature_c"),
    _number(
        "kettle",
        (BATCH_LOG,),
        "temperature",
        "temperature of the boiling liquid in the kettle: on a charge at the first drop, on a jar when it "
        "was full",
        "93.4",
        "kettle_c",
    ),
    _number(
        "vapour",
        (BATCH_LOG,),
        "temperature",
        "temperature of the vapour in the still's head when the jar was full",
        "86.5",
        "vapour_c",
    ),
    _number(
        "barometer",
        (BATCH_LOG,),
        "pressure",
        "air pressure at the still, as it is there (not reduced to sea level); once a run will do",
        "1004",
        "barometer_hpa",
    ),
    _number("minutes", (BATCH_LOG,), "duration", "how long it took", "60", "minutes_min"),
    _text("batch", (TELEMETRY,), "the batch, as its log calls it", "R-07"),
    _text("run", (TELEMETRY,), "the distillation, as the batch's log calls it", "spirit"),
    Field(
        "when",
        (TELEMETRY,),
        "when",
        "date and time to the second or so (ISO 8601), by the same clock as the batch's log",
        "2025-09-21 09:40:12",
        becomes=("minute_at",),
    ),
    _number(
        "vapour", (TELEMETRY,), "temperature", "temperature of the vapour in the head", "86.5", "vapour_c"
    ),
    _number(
        "kettle", (TELEMETRY,), "temperature", "temperature of the liquid in the kettle", "93.4", "kettle_c"
    ),
    _number("power", (TELEMETRY,), "power", "heat put in", "5.5", "power_kw"),
    _number("takeoff", (TELEMETRY,), "take-off rate", "how fast spirit runs", "0.045", "takeoff_per_min_l"),
    _number(
        "strength",
        (TELEMETRY,),
        "strength",
        "strength at the spout by an inline meter, at 20 °C",
        "71.8",
        "strength_reading",
        "strength_unit",
    ),
    _number(
        "barometer",
        (TELEMETRY,),
        "pressure",
        "air pressure at the still, not reduced to sea level",
        "1004",
        "barometer_hpa",
    ),
    _number("ph", (BATCH_LOG,), "pH", "pH", "5.4", "ph"),
    _number("price", (BATCH_LOG,), "price", "what it cost in all", "85.50", "price"),
    _text("wood", (CASK_LOG,), "what the cask, or its staves, is made of", "oak"),
    _text("toast", (CASK_LOG,), "how it was toasted", "medium"),
    _text("char", (CASK_LOG,), "how it was charred", "light"),
    _number("capacity", (CASK_LOG,), "volume", "what it holds when full", "50 L", "capacity_l"),
    _text("place", (CASK_LOG,), "where it lies", "north barn"),
    _text("previous", (CASK_LOG,), "what it held before", "red wine"),
    _text("item", (CASK_LOG,), "anything the row is about, such as a sample number", "sample 2"),
    _number("order", (TASTING_SHEET,), "serving order", "place in the serving order", "3", "serving_order"),
    _text(
        "attribute",
        (TASTING_SHEET,),
        "in a long sheet, what the score is for; in a wide one each attribute is a column of its own",
        "fruit",
    ),
    Field(
        "score",
        (TASTING_SHEET,),
        "number",
        "in a long sheet, the score; 0 to 10 unless the header says so, as in score [0-15]",
        "6.5",
        becomes=("score",),
    ),
    _text("descriptors", (TASTING_SHEET,), "words, separated by semicolons", "pear; fresh bread"),
    _text("ingredient", (INGREDIENT_LIST,), "name, as the batch logs write it", "rye malt, lot 12"),
    _text("kind", (INGREDIENT_LIST,), "malt, unmalted grain, flaked, sugar, syrup ...", "malt"),
    _number(
        "extract",
        (INGREDIENT_LIST,),
        "extract",
        "extract on dry matter, fine grind",
        "84.5",
        "extract_pct",
    ),
    _number("moisture", (INGREDIENT_LIST,), "percentage", "moisture", "5.1", "moisture_pct"),
    _number(
        "fermentable",
        (INGREDIENT_LIST,),
        "percentage",
        "share of the extract that yeast can ferment",
        "82",
        "fermentable_pct",
    ),
    _number("price", (INGREDIENT_LIST,), "price", "price of one kilogram", "0.85", "price"),
    _text("source", (INGREDIENT_LIST,), "where the figures come from", "the maltster's analysis"),
    _text(
        "note",
        (*_LOGS, *_PANELS, INGREDIENT_LIST),
        "anything else",
        "slow run-off",
    ),
)
"""Every column of the format; one entry a name and meaning, with the kinds of file that have it."""


SENSORS = ("vapour", "kettle", "power", "takeoff", "strength", "barometer")
"""The columns of a telemetry file that hold what a sensor showed."""


def field_of(kind: str, name: str) -> Field:
    """The column `name` of the kind of file `kind`."""
    return KINDS_OF_FILE[kind].fields[name]


def quantity_of(field: Field, currency: str) -> Quantity | None:
    """The quantity of a column, prices in `currency` (the season's; may be empty); None for no number."""
    quantity = field.measure
    if quantity is None or quantity.name != "price" or not currency:
        return quantity
    return replace(quantity, units=(Unit(currency, "currency"),))


def column_key(name: str) -> str:
    """A column name without case, and with spaces, hyphens and underscores alike.

    >>> column_key(" Sample-A ")
    'sample_a'
    """
    return re.sub(r"[\s_-]+", "_", name.strip().lower()).strip("_")
