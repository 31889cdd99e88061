"""The season at a glance: the answer first, in plain sentences."""

from __future__ import annotations

import datetime as dt

from pipeline.charts.titles import label_of, unit_of
from pipeline.report.account_wording import with_error
from pipeline.report.blocks import (
    Block,
    Cell,
    Folded,
    Group,
    Heading,
    Paragraphs,
    Pointers,
    Points,
    Section,
    Table,
    folded,
)
from pipeline.report.data import SeasonData
from pipeline.report.text import NOT_MEASURED, counted, day, value_text, with_unit

_COLUMNS = [
    "batches",
    "grain_kg",
    "sugar_kg",
    "potential_extract_kg",
    "wash_lpa",
    "wash_batches",
    "low_wines_lpa",
    "low_wines_batches",
    "hearts_lpa",
    "hearts_batches",
    "net_spirit_lpa",
    "yield_batches",
    "yield_lpa_per_kg",
    "yield_mean_lpa_per_kg",
    "yield_sd_lpa_per_kg",
    "yield_low_lpa_per_kg",
    "yield_high_lpa_per_kg",
    "hearts_lpa_per_kg",
    "casks",
    "cask_lpa_now",
    "samples",
    "assessors",
    "scores",
]

WHAT_THE_ERROR_IS = (
    "± is one standard uncertainty, what the instruments of the settings and the reckoning of the wash leave "
    "open; over many batches independent errors average out, and a vessel whose marks are wrong all season "
    "is not in it. A 95 % interval comes from the spread between batches or between scores."
)


_POINTED_AT = ("difference", "next", "flow", "cuts", "casks", "flavour", "problems")
"""Sections whose answer the glance repeats, in the order of what a distiller asks first."""


def season_at_a_glance(data: SeasonData, others: list[Section]) -> Section:
    """The season's figures as sentences, what the other sections answer, and the figures as a table."""
    if data.count("batches") == 0:
        return Section("glance", "The season at a glance", [_no_batch(data)], [Pointers(_pointers(others))])
    measured = Group([Points([*_spirit(data), *_others(data)]), Paragraphs([WHAT_THE_ERROR_IS])])
    blocks: list[Block] = [
        Pointers(_pointers(others)),
        Folded("What was made and measured", measured),
        folded(_figures(data)),
    ]
    return Section("glance", "The season at a glance", _answer(data), blocks)


def _pointers(others: list[Section]) -> list[tuple[str, str, str]]:
    by_anchor = {section.anchor: section for section in others}
    return [
        (anchor, by_anchor[anchor].title, by_anchor[anchor].headline or by_anchor[anchor].answer[0])
        for anchor in _POINTED_AT
    ]


def _no_batch(data: SeasonData) -> str:
    if data.casks.height or data.scores.height or data.difference_tests.height:
        return "No batch was logged in this season; what was logged of casks and tastings follows."
    return "No batch could be read, so there is nothing to sum up. The problems found say why."


def _figures(data: SeasonData) -> Table:
    """The season's row turned on its side: one figure a line, which a narrow page can hold."""
    row = data.season.row(0, named=True)
    lines = [
        [
            Cell(label_of(name)),
            Cell(value_text(row[name], name), numeric=True, missing=row[name] is None),
            Cell(unit_of(name)),
        ]
        for name in _COLUMNS
    ]
    headings = [Heading("Figure"), Heading("Value", numeric=True), Heading("Unit")]
    return Table("The season in figures", headings, lines, _COLUMNS)


def _answer(data: SeasonData) -> list[str]:
    batches = counted(data.count("batches"), "batch", "batches")
    days = _days(data)
    made = f"{batches[:1].upper()}{batches[1:]}{days}, from {_fermentables(data)}."
    net = _with_error(data, "net_spirit_lpa")
    if net == NOT_MEASURED:
        spirit = "How much spirit they made was not measured for any batch."
    else:
        spirit = (
            f"They made {net} of spirit{_over(data, 'yield_batches')}: hearts, and feints kept for later, "
            "less feints brought in."
        )
    return [made, spirit, *_yield(data)]


def _with_error(data: SeasonData, name: str) -> str:
    """A sum of the season with its standard uncertainty."""
    return with_error({name: data.figure(name), f"{name}_u": data.figure(f"{name}_u")}, name)


def _over(data: SeasonData, measured: str) -> str:
    """The batches behind a sum, said only when some are missing from it."""
    count, batches = data.count(measured), data.count("batches")
    return "" if count == batches else f" ({count} of {batches} batches; the rest were not measured in full)"


def _days(data: SeasonData) -> str:
    first, last = data.figure("first_on"), data.figure("last_on")
    if not (isinstance(first, dt.date) and isinstance(last, dt.date)):
        return ""
    return f" on {day(first)}" if first == last else f" between {day(first)} and {day(last)}"


def _fermentables(data: SeasonData) -> str:
    grain, sugar = data.figure("grain_kg"), data.figure("sugar_kg")
    if grain is None:
        return "a weight of grain that was not measured in full"
    text = f"{with_unit(grain, 'grain_kg')} of grain"
    if isinstance(sugar, float) and sugar > 0:
        text += f" and {with_unit(sugar, 'sugar_kg')} of sugars and syrups"
    return text


def _yield(data: SeasonData) -> list[str]:
    figure, mean = data.figure("yield_lpa_per_kg"), data.figure("yield_mean_lpa_per_kg")
    measured = data.count("yield_batches")
    if figure is None or measured == 0:
        return ["Yield: not measured for any batch."]
    overall = f"Yield: {value_text(figure, 'yield_lpa_per_kg')} LPA per kg of fermentables."
    low, high = data.figure("yield_low_lpa_per_kg"), data.figure("yield_high_lpa_per_kg")
    if measured == 1:
        return [f"{overall} One batch has it measured, so nothing can be said about how it varies."]
    if low is None or high is None:
        return [
            f"{overall} Batch by batch the mean is {value_text(mean, 'yield_mean_lpa_per_kg')} "
            f"({measured} batches, which cannot tell how far yields scatter)."
        ]
    spread = value_text(data.figure("yield_sd_lpa_per_kg"), "yield_sd_lpa_per_kg")
    return [
        f"{overall} Batch by batch the mean is {value_text(mean, 'yield_mean_lpa_per_kg')} (95 % interval "
        f"{value_text(low, 'yield_low_lpa_per_kg')} to {value_text(high, 'yield_high_lpa_per_kg')}, "
        f"{measured} batches); single batches stray from it by {spread} (one standard deviation)."
    ]


def _spirit(data: SeasonData) -> list[str]:
    hearts = _with_error(data, "hearts_lpa")
    wash = _with_error(data, "wash_lpa")
    low_wines = _with_error(data, "low_wines_lpa")
    per_kg = value_text(data.figure("hearts_lpa_per_kg"), "hearts_lpa_per_kg")
    per_kg_text = "" if per_kg == NOT_MEASURED else f", {per_kg} LPA per kg"
    return [
        f"Hearts collected: {hearts}{per_kg_text}{_over(data, 'hearts_batches')}.",
        f"Alcohol in the wash, from its gravities: {wash}{_over(data, 'wash_batches')}.",
        f"Alcohol in the low wines: {low_wines}{_over(data, 'low_wines_batches')}.",
    ]


def _others(data: SeasonData) -> list[str]:
    sentences = []
    if data.count("casks"):
        now = _with_error(data, "cask_lpa_now")
        sentences.append(f"Casks: {data.count('casks')}, holding {now} when last measured.")
    if data.count("scores"):
        sentences.append(
            f"Tasted: {counted(data.count('samples'), 'sample')} by "
            f"{counted(data.count('assessors'), 'assessor')}."
        )
    return sentences
