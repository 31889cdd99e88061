"""What is used of the rows of batch logs, put together: texts stand among the cells or on their own."""

from __future__ import annotations

import polars as pl

from pipeline.logs import LogFrames

TEXTS = ("run", "item", "cut", "source", "lot", "vessel", "operator", "note")


def used_rows(frames: LogFrames) -> pl.DataFrame:
    """The values of each row with the texts used in it: those of its cells, or those told apart."""
    place = ["file_id", "line"]
    apart = frames.values["batch_text"]
    cells = frames.cells["batch_log"].rename({"by": "operator"}).select(apart.columns)
    texts = pl.concat([cells.join(apart, on=place, how="anti"), apart])
    return frames.values["batch_value"].join(
        texts, on=place, how="left", maintain_order="left", validate="1:1"
    )
