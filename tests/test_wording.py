"""One way of writing in all that people read: messages, columns, settings, sources, the README, the page."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.dictionary import columns
from pipeline.logs.fields import ALL_KINDS
from pipeline.problems import KINDS
from pipeline.resources import sql_dir
from pipeline.science.sources import SOURCES
from pipeline.settings import MEANINGS
from pipeline.sql_models import read_models

ROOT = Path(__file__).parents[1]


def read_by_people() -> Iterator[tuple[str, str]]:
    """Where a text stands, and the text."""
    for kind in KINDS.values():
        yield kind.code, " ".join([kind.title, kind.says, kind.expected, kind.mend])
    for model in read_models(sql_dir()):
        yield model.name, " ".join(re.findall(r"'((?:[^']|'')*)'", model.statement))
    for log in ALL_KINDS.values():
        for name, field in log.fields.items():
            yield f"{log.name} {name}", field.meaning
    for name, column in columns().items():
        yield name, f"{column.unit} {column.label} {column.meaning}"
    yield from MEANINGS.items()
    for name, source in SOURCES.items():
        yield name, str(source)
    for path in (ROOT / "README.md", ROOT / "CHANGELOG.md", *(ROOT / "pipeline" / "report").rglob("*.j2")):
        yield path.name, path.read_text(encoding="utf-8")


@pytest.mark.parametrize(("never", "but"), [(r"\bdeg ?[CF]\b", "°C, °F"), (r"\b(?:ABV|abv) ?%", "%vol")])
def test_a_unit_is_written_one_way(never, but):
    found = {place for place, text in read_by_people() if re.search(never, text)}
    assert not found, f"write {but}"


def test_the_texts_are_there_to_be_read():
    places = [place for place, _ in read_by_people()]
    checked = {"reading_not_corrected", "problem.units_confused", "hydrometer_reference_c", "README.md"}
    assert checked <= set(places)
