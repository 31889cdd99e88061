"""Titles and units of axes and columns, from the one column dictionary. Computes nothing."""

from __future__ import annotations

import altair as alt

from pipeline import dictionary


def date_axis() -> alt.Axis:
    """The axis of dates, alike on every chart."""
    return alt.Axis(format="%-d %b %Y", labelOverlap=True)


def is_fraction(name: str) -> bool:
    """Whether a column holds fractions of one, which charts and tables print as per cent."""
    return name.endswith("_frac") or "_frac_" in name


def unit_of(name: str) -> str:
    """The unit a reader sees for a column: per cent for fractions, else the dictionary's unit."""
    if is_fraction(name):
        return "%"
    return dictionary.column(name).unit


def label_of(name: str) -> str:
    """The column's label, with a capital letter."""
    label = dictionary.column(name).label
    return label[:1].upper() + label[1:]


def axis_title(name: str) -> str:
    """Label and unit of a column as an axis or a heading shows them: `Wash volume (L)`."""
    unit = unit_of(name)
    return f"{label_of(name)} ({unit})" if unit else label_of(name)
