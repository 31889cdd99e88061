"""What `stillseason panel` prints: how many assessors are needed, and each assessor's own figures."""

from __future__ import annotations

from typing import Any

import duckdb
import polars as pl

from pipeline.panel.planning import WANTED_POWER, assessors_needed, smallest_difference

_ERRORS = """
    select attribute,
           sqrt(favg(interaction_sd ** 2)) as interaction_sd,
           sqrt(favg(error_sd ** 2)) as error_sd,
           median(samples) as samples,
           max(assessors) as assessors,
           count(*) as tastings
    from fit.panel
    where error_sd is not null
    group by attribute
    order by if(attribute = 'overall', 0, 1), attribute
"""

_PEOPLE = """
    select attribute, assessor, scores, level_above, scale_slope, scale_slope_se, agreement, repeat_sd,
    repeats, hint
    from fit.assessor
    order by assessor, if(attribute = 'overall', 0, 1), attribute, season
"""

NO_ERROR = (
    "No tasting of this season could be fitted (three assessors who score the same samples are needed), "
    "so the panel's own error is not known yet."
)


def say_how_many(con: duckdb.DuckDBPyConnection, points: float) -> list[str]:
    """Sentences: how many assessors show a difference of `points`, attribute by attribute."""
    errors = pl.DataFrame(con.sql(_ERRORS))
    if errors.is_empty():
        return [NO_ERROR]
    wanted = f"{points:g} point" if points == 1 else f"{points:g} points"
    lines = [
        f"To show a difference of {wanted} with a chance of {100 * WANTED_POWER:.0f} %, held to 5 %, from "
        "this panel's own error (each sample once, as many samples a sitting as so far):"
    ]
    for row in errors.iter_rows(named=True):
        samples, own = max(int(row["samples"]), 2), row["interaction_sd"] or 0.0
        needed = assessors_needed(points, own, row["error_sd"], samples)
        least = smallest_difference(row["assessors"], samples, own, row["error_sd"])
        shown = "more than 200 assessors" if needed is None else f"{needed} assessors"
        reach = "" if least is None else f"; the {row['assessors']} so far can show {least:.1f} points"
        lines.append(f"  {row['attribute']}: {shown}{reach}")
    lines.append("One pair compared at a time; among many pairs a difference must be larger to be claimed.")
    return lines


def say_people(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Sentences for each assessor, kindly put: for the person and whoever trains the panel."""
    people = pl.DataFrame(con.sql(_PEOPLE))
    if people.is_empty():
        return [NO_ERROR]
    lines = [
        "For each person and whoever trains the panel; not for a page that others see. Nobody is ranked. "
        "A figure that stands out is a reason for a calibration tasting, nothing more."
    ]
    for (assessor,), rows in people.group_by(["assessor"], maintain_order=True):
        lines.append(f"\n{assessor} ({rows['scores'].sum()} scores)")
        lines += [f"  {row['attribute']}: {_person_text(row)}" for row in rows.iter_rows(named=True)]
    return lines


def _person_text(row: dict[str, Any]) -> str:
    level = row["level_above"]
    side = "above" if level >= 0 else "below"
    parts = [
        "scores as high as the panel"
        if abs(level) < 0.05
        else f"scores {abs(level):.1f} points {side} the panel"
    ]
    if row["scale_slope_se"] is not None:
        parts.append(
            f"writes down {row['scale_slope']:.1f} times the usual difference (± {row['scale_slope_se']:.1f})"
        )
    if row["agreement"] is not None:
        parts.append(f"agreement with the others {row['agreement']:.2f}")
    if row["repeat_sd"] is not None:
        parts.append(f"repeats within {row['repeat_sd']:.1f} points ({row['repeats']} repeats)")
    hint = f". {row['hint'][:1].upper()}{row['hint'][1:]}" if row["hint"] else ""
    return "; ".join(parts) + hint + "."
