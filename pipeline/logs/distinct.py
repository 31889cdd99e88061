"""Columns of text as the texts that occur in them, each once: logs say the same few things over and over.

A column can be kept so (it is "coded" then): polars calls it categorical, and DuckDB reads it as text.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

__all__ = ["Distinct", "coded_text", "is_coded", "with_blank_ends", "with_texts"]

Ints = npt.NDArray[np.int64]


def coded_text() -> pl.Categorical:
    """The type of a coded column, which shares its texts with no other."""
    return pl.Categorical(pl.Categories.random())


def is_coded(column: pl.Series) -> bool:
    """Whether a column has each of its texts once."""
    return isinstance(column.dtype, pl.Categorical)


def with_texts(frame: pl.DataFrame) -> pl.DataFrame:
    """A frame whose coded columns are plain text."""
    return frame.with_columns(column.cast(pl.String) for column in frame if is_coded(column))


def with_blank_ends(frame: pl.DataFrame) -> frozenset[str]:
    """The coded columns in which some text is blank or has a blank at an end."""
    return frozenset(column.name for column in frame if is_coded(column) and _has_blank_ends(column))


def _texts_of(column: pl.Series) -> pl.Series:
    """Each text of a coded column once, in the order of the numbers that stand for them."""
    highest = column.to_physical().max()
    count = highest + 1 if isinstance(highest, int) else 0
    return pl.int_range(count, dtype=pl.UInt32, eager=True).cat.to(column.dtype).cast(pl.String)


def _has_blank_ends(column: pl.Series) -> bool:
    texts = _texts_of(column)
    return bool(((texts.str.strip_chars() != texts) | (texts == "")).any())


@dataclass(frozen=True)
class Distinct:
    """A column of text as the texts that occur in it, each once, and per row which of them it holds.

    What is costly is done once a text. `texts` ends with a null, which is what an empty cell holds; a text
    that no row holds any more may be among them.
    """

    texts: pl.Series
    which: Ints

    @classmethod
    def of(cls, text: pl.Series) -> Distinct:
        """The distinct texts of a column, one coded or not, in no order."""
        if text.null_count() == len(text):
            return cls(pl.Series([None], dtype=pl.String), np.zeros(len(text), dtype=np.int64))
        coded = text if is_coded(text) else text.cast(coded_text())
        texts = _texts_of(coded)
        # What is half as wide is filled in a tenth of the time.
        which = coded.to_physical().fill_null(len(texts)).to_numpy().astype(np.int64)
        return cls(pl.concat([texts, pl.Series([None], dtype=pl.String)]), which)

    def spread(self, values: pl.Series) -> pl.Series:
        """What each row's text became, of what each text became."""
        return values.gather(self.which)

    def rows(self, positions: Ints) -> Ints:
        """The rows that hold one of the texts at `positions`."""
        if positions.size == 0:
            return positions
        is_there = np.zeros(len(self.texts), dtype=np.bool_)
        is_there[positions] = True
        return np.flatnonzero(is_there[self.which])
