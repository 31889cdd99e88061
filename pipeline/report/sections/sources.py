"""The sources of the formulas, as the science package lists them."""

from __future__ import annotations

from pipeline.science import sources as science_sources


def sources() -> list[tuple[str, str]]:
    """Title of each source with the place in it and how it was read, in title order."""
    records = [value for value in vars(science_sources).values() if isinstance(value, science_sources.Source)]
    return sorted((record.title, f"{record.where}. Standing: {record.standing}.") for record in records)
