"""How each number is computed, from the column dictionary and the list of sources."""

from __future__ import annotations

from pipeline import dictionary
from pipeline.charts.titles import label_of, unit_of
from pipeline.report.blocks import Block, Folded, Heading3, Paragraphs, Section, Terms
from pipeline.report.sections.sources import sources

REFERENCE = (
    "All volumes and strengths are at 20 °C; LPA is litres of pure alcohol at 20 °C. A strength read with a "
    "temperature is corrected to 20 °C, one without is taken as corrected already. Masses and LPA are added; "
    "volumes of different strength are not, because alcohol and water shrink when mixed."
)
INTERVALS = (
    "A 95 % interval here is the t interval of a mean: mean ± t × standard deviation / √n. It speaks of the "
    "spread between batches (or scores), not of the instruments."
)
NOT_MEASURED_IS_NOT_ZERO = (
    "“Not measured” is never counted as zero. A batch's sum that misses a part is not measured either; a "
    "season's sum says how many batches it holds."
)


def how_numbers_are_computed(sections: list[Section]) -> Section:
    """Every column that the page's tables show, with its meaning; then the sources."""
    names = sorted({name for section in sections for table in section.tables() for name in table.columns})
    items = [(_heading(name), dictionary.column(name).meaning) for name in names]
    blocks: list[Block] = [Paragraphs([INTERVALS, NOT_MEASURED_IS_NOT_ZERO])]
    if items:
        blocks.append(
            Folded(f"Every figure of this page and its meaning ({len(items)})", Terms(sorted(items)))
        )
    blocks += [Heading3("Sources"), Folded("Formulas and tables behind the figures", Terms(sources()))]
    return Section("methods", "How each number is computed", [REFERENCE], blocks)


def _heading(name: str) -> str:
    unit = unit_of(name)
    return f"{label_of(name)} ({unit})" if unit else label_of(name)
