"""Shaping frames for charts: names, labels, pooling of rare categories. No figure is computed."""

from __future__ import annotations

import re

import polars as pl

from pipeline.charts.theme import SHAPES

NOT_WRITTEN = "not logged"
FLAG = "(!)"

MOST_POINTS_DRAWN = 3000
"""More points than this neither a reader nor a phone can take in; the page says how many it drew."""


def latest(frame: pl.DataFrame, things: str) -> tuple[pl.DataFrame, str]:
    """The last rows of a frame in date order that a chart can hold, and the sentence that says so."""
    if frame.height <= MOST_POINTS_DRAWN:
        return frame, ""
    return frame.tail(
        MOST_POINTS_DRAWN
    ), f" The last {MOST_POINTS_DRAWN} of {frame.height} {things} are drawn."


def named_with_flag(frame: pl.DataFrame, flags: dict[str, str]) -> pl.DataFrame:
    """The frame with `(!)` after the name of each batch that a problem touches."""
    return frame.with_columns(
        pl.when(pl.col("batch").is_in(list(flags)))
        .then(pl.col("batch") + f" {FLAG}")
        .otherwise(pl.col("batch"))
        .alias("batch")
    )


def pool_rare(frame: pl.DataFrame, column: str, most: int = len(SHAPES)) -> pl.DataFrame:
    """At most `most` categories, the commonest first in the frame's order of rows kept; the rest pooled.

    Beyond eight, shapes and colours can no longer be told apart; the pooled ones are 'others (n)'.
    """
    counts = frame.group_by(column).len().sort(["len", column], descending=[True, False])
    if counts.height <= most:
        return frame
    kept = counts[column].head(most - 1).to_list()
    others = f"others ({counts.height - len(kept)})"
    return frame.with_columns(
        pl.when(pl.col(column).is_in(kept)).then(pl.col(column)).otherwise(pl.lit(others)).alias(column)
    )


def clipped(text: str, width: int) -> str:
    """Text of at most `width` characters, an ellipsis where it had to be cut."""
    return text if len(text) <= width else text[: width - 1].rstrip() + "…"


def unique_labels(names: list[str], width: int) -> dict[str, str]:
    """Each name clipped to `width`, with a number where two would read the same."""
    labels: dict[str, str] = {}
    taken: set[str] = set()
    for name in names:
        label, count = clipped(name, width), 1
        while label in taken:
            count += 1
            label = f"{clipped(name, width - 4)} ({count})"
        taken.add(label)
        labels[name] = label
    return labels


def natural_key(text: str) -> list[tuple[int, int, str]]:
    """A key that sorts as people count: cask 2 before cask 10."""
    return [
        (0, int(part), "") if part.isdecimal() else (1, 0, part.casefold())
        for part in re.split(r"(\d+)", text)
        if part
    ]
