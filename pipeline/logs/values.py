"""Text to values, a whole column at a time: numbers with units, dates, words.

Each parser takes a column of trimmed text (null: empty) and gives the values and the positions of the
cells it could not read, which are few. Only those are looked at one by one, elsewhere.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.logs.distinct import Distinct
from pipeline.logs.units import Quantity, unit_key

__all__ = [
    "Marks",
    "Numbers",
    "parse_numbers",
    "parse_when",
    "parse_words",
    "plain_item_key",
    "plain_word",
]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_NUMBER_AND_UNIT = r"^([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?)\s*([^0-9\s.,+-].*)$"


@dataclass(frozen=True)
class Numbers:
    """A column of numbers as read: what each distinct text says, and per row which of them it holds.

    `number`, in unit `unit` (an index into the quantity's units), is NaN where a text is empty or was not
    read; `is_unread` are the texts that could not be.
    """

    number: Floats
    unit: Ints
    is_unread: npt.NDArray[np.bool_]
    which: Ints

    @property
    def rows(self) -> Floats:
        """The number of each row, in the unit it was written in."""
        return self.number[self.which]

    @property
    def failed(self) -> Ints:
        """The rows whose text could not be read."""
        return self._rows_of(self.is_unread)

    def at(self, row: int) -> tuple[float, int]:
        """The number of one row, and its unit."""
        text = self.which[row]
        return float(self.number[text]), int(self.unit[text])

    def in_default_unit(self, quantity: Quantity) -> Floats:
        """The number of each row, converted linearly to the quantity's default unit."""
        return self._converted(quantity)[self.which]

    def labels(self, quantity: Quantity) -> pl.Series:
        """The name of each row's unit; null where there is no number."""
        names = pl.Series([unit.label for unit in quantity.units]).gather(self.unit)
        named = pl.select(pl.when(pl.Series(~np.isnan(self.number))).then(names)).to_series()
        return named.gather(self.which)

    def out_of_range(self, quantity: Quantity) -> Ints:
        """Rows whose number is outside the plausible range of the quantity."""
        return self._rows_of(self._is_off(quantity))

    def within_range(self, quantity: Quantity) -> Numbers:
        """The same without the numbers that are outside the plausible range."""
        return replace(self, number=np.where(self._is_off(quantity), np.nan, self.number))

    def _converted(self, quantity: Quantity) -> Floats:
        factors = np.array([unit.factor for unit in quantity.units])
        zeros = np.array([unit.zero for unit in quantity.units])
        converted: Floats = (self.number - zeros[self.unit]) * factors[self.unit]
        return converted

    def _is_off(self, quantity: Quantity) -> npt.NDArray[np.bool_]:
        if quantity.keeps_unit:
            low = np.array([quantity.low if unit.low is None else unit.low for unit in quantity.units])
            high = np.array([quantity.high if unit.high is None else unit.high for unit in quantity.units])
            return (self.number < low[self.unit]) | (self.number > high[self.unit])
        value = self._converted(quantity)
        # A bound written in another unit may miss it by the last binary digit.
        slack = 1e-9 * max(abs(quantity.low), abs(quantity.high))
        return (value < quantity.low - slack) | (value > quantity.high + slack)

    def _rows_of(self, is_such: npt.NDArray[np.bool_]) -> Ints:
        return np.flatnonzero(is_such[self.which]) if is_such.any() else np.empty(0, dtype=np.int64)


@dataclass(frozen=True)
class Marks:
    """How the file of each row writes numbers.

    `is_comma`: with decimal commas. `may_group`: the other mark can only group thousands. `is_undecided`: a
    mark with three digits after it can be either, and nothing in the file tells which.
    """

    is_comma: npt.NDArray[np.bool_]
    may_group: npt.NDArray[np.bool_]
    is_undecided: npt.NDArray[np.bool_]

    @property
    def are_alike(self) -> bool:
        """Whether every row writes numbers like the first."""
        each = (self.is_comma, self.may_group, self.is_undecided)
        return all(bool((marks == marks[0]).all()) for marks in each)

    def repeated(self, count: int) -> Marks:
        """The first row's way, so many times."""
        return Marks(
            *(np.full(count, marks[0]) for marks in (self.is_comma, self.may_group, self.is_undecided))
        )


def parse_numbers(
    text: pl.Series, quantity: Quantity, default_unit: Ints, marks: Marks | None = None
) -> Numbers:
    """Read a column of numbers, each with or without a unit.

    `default_unit` is per row the unit of a number that names none; `marks` is None when every file writes
    decimal points and no thousands. Spaces and apostrophes between groups of three digits are taken out in
    any file.
    """
    if text.is_empty() or (default_unit != default_unit[0]).any() or not (marks is None or marks.are_alike):
        return _parse_numbers(text.cast(pl.String), quantity, default_unit, marks)
    distinct = Distinct.of(text)
    units = np.full(len(distinct.texts), default_unit[0])
    alike = None if marks is None else marks.repeated(units.size)
    return replace(_parse_numbers(distinct.texts, quantity, units, alike), which=distinct.which)


def _parse_numbers(text: pl.Series, quantity: Quantity, default_unit: Ints, marks: Marks | None) -> Numbers:
    if marks is not None:
        text = _with_points(text, marks)
    number = text.cast(pl.Float64, strict=False).fill_null(np.nan).to_numpy().copy()
    # A number too big for a double comes back as infinite, and the words nan and inf as themselves.
    number[~np.isfinite(number)] = np.nan
    unit = default_unit.copy()
    is_there = text.is_not_null().to_numpy()
    rest = np.flatnonzero(is_there & np.isnan(number))
    if rest.size:
        number[rest], named = _parse_with_unit(_ungrouped(text.gather(rest)), quantity)
        unit[rest] = np.where(named >= 0, named, unit[rest])
    return Numbers(number, unit, is_there & np.isnan(number), np.arange(number.size))


def _grouped_by(separator: str, mark: str) -> str:
    """A number in groups of three digits (a small space is ISO 80000-1's way, 7.3.1), its unit behind it."""
    return rf"^([+−-]?)([1-9][0-9]{{0,2}}(?:{separator}[0-9]{{3}})+)((?:\{mark}[0-9]*)?(?:[^0-9.,].*)?)$"


_SPACES, _APOSTROPHES = r"[ \u00a0\u2009\u202f]", r"['’]"


def _without_groups(text: pl.Expr, separator: str, mark: str) -> pl.Expr:
    """A number without what groups its thousands; any other text as it is."""
    part = text.str.extract_groups(_grouped_by(separator, mark)).struct
    bare = part.field("1") + part.field("2").str.replace_all(separator, "") + part.field("3")
    return pl.coalesce(bare, text)


_MAYBE_GROUPED = r"[0-9][ \u00a0\u2009\u202f'’][0-9]{3}"


def _ungrouped(text: pl.Series) -> pl.Series:
    if not text.str.contains(_MAYBE_GROUPED).any():
        return text
    spaces = _without_groups(pl.col("text"), _SPACES, ".")
    return pl.DataFrame({"text": text}).select(_without_groups(spaces, _APOSTROPHES, ".")).to_series()


def _with_points(text: pl.Series, marks: Marks) -> pl.Series:
    """Every number with a decimal point and without the other mark; a "?" before what cannot be told."""
    frame = pl.DataFrame(
        {
            "text": text,
            "is_comma": marks.is_comma,
            "may_group": marks.may_group,
            "is_undecided": marks.is_undecided,
        }
    )
    text_of = pl.col("text")
    has_both = text_of.str.contains(",", literal=True) & text_of.str.contains(".", literal=True)
    two_ways = text_of.str.contains(r"^[+−-]?[1-9][0-9]{0,2}[.,][0-9]{3}(?:[^0-9.,].*)?$")
    by_comma = _without_groups(text_of, r"\.", ",")
    steps = (
        pl.when("may_group")
        .then(pl.when("is_comma").then(by_comma).otherwise(_without_groups(text_of, ",", ".")))
        .when(pl.col("is_undecided") & two_ways)
        .then(pl.lit("?") + text_of)
        .otherwise(text_of),
        pl.when(pl.col("is_comma") & has_both)
        .then(pl.lit("?") + text_of)
        .when("is_comma")
        .then(text_of.str.replace(",", ".", literal=True))
        .otherwise(text_of),
    )
    for step in steps:
        frame = frame.with_columns(step.alias("text"))
    return frame["text"]


def _parse_with_unit(text: pl.Series, quantity: Quantity) -> tuple[Floats, Ints]:
    # A minus sign proper, as some programs write it, is a minus.
    parts = text.str.replace("−", "-", literal=True).str.extract_groups(_NUMBER_AND_UNIT).struct.unnest()
    number, unit_text = parts.get_columns()
    bare = (
        text.str.replace("−", "-", literal=True).cast(pl.Float64, strict=False).fill_null(np.nan).to_numpy()
    )
    by_key = quantity.by_key()
    index = {unit.symbol: position for position, unit in enumerate(quantity.units)}
    known = {
        written: index[by_key[unit_key(written)].symbol]
        for written in unit_text.unique().drop_nulls()
        if unit_key(written) in by_key
    }
    named = unit_text.replace_strict(known, default=None, return_dtype=pl.Int64).fill_null(-1).to_numpy()
    value = number.cast(pl.Float64, strict=False).fill_null(np.nan).to_numpy().copy()
    value[(named < 0) | ~np.isfinite(value)] = np.nan
    plain = np.isfinite(bare) & np.isnan(value)
    value[plain] = bare[plain]
    return value, np.where(plain, -1, named)


_ISO_DATE = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$"
_ISO_MINUTE = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}[ T][0-9]{2}:[0-9]{2}$"
_CLOCK = (
    r"(?:[ T]+(?P<h>[0-9]{1,2}):(?P<n>[0-9]{2})(?::(?P<s>[0-5][0-9](?:[.,][0-9]{1,9})?))?"
    r"\s*(?:[zZ]|[+-][0-9]{2}(?::?[0-9]{2})?)?)?$"
)
_ISO_ANY = r"^(?P<y>[0-9]{4})-(?P<m>[0-9]{2})-(?P<d>[0-9]{2})" + _CLOCK
_ORDERED = {
    "dmy": r"^(?P<d>[0-9]{1,2})[/.-](?P<m>[0-9]{1,2})[/.-](?P<y>[0-9]{4})" + _CLOCK,
    "mdy": r"^(?P<m>[0-9]{1,2})[/.-](?P<d>[0-9]{1,2})[/.-](?P<y>[0-9]{4})" + _CLOCK,
}


def parse_when(text: pl.Series, date_order: str) -> tuple[pl.Series, pl.Series, Ints]:
    """Read a column of dates and times: the moment as its clock showed it, whether it has a time, failures.

    ISO 8601 in its extended form, and dates like 14/09/2025 when `date_order` is `dmy` or `mdy`. An
    offset from UTC is read and dropped: a log is kept by the clock on the wall.
    """
    distinct = Distinct.of(text)
    moment, has_time, failed = _parse_when(distinct.texts, date_order)
    return distinct.spread(moment), distinct.spread(has_time), distinct.rows(failed)


def _parse_when(text: pl.Series, date_order: str) -> tuple[pl.Series, pl.Series, Ints]:
    frame = pl.DataFrame({"text": text})
    date = pl.when(pl.col("text").str.contains(_ISO_DATE)).then(
        pl.col("text").str.to_datetime("%Y-%m-%d", strict=False, time_unit="us")
    )
    minute = pl.when(pl.col("text").str.contains(_ISO_MINUTE)).then(
        pl.col("text").str.replace("T", " ").str.to_datetime("%Y-%m-%d %H:%M", strict=False, time_unit="us")
    )
    # Either reader of a whole column refuses one with nothing but nulls.
    parsed = frame.select(date.alias("date"), minute.alias("minute"))
    moment = parsed.select(pl.coalesce("date", "minute")).to_series()
    has_time = parsed.select(pl.col("minute").is_not_null()).to_series().to_numpy().copy()
    rest = np.flatnonzero((text.is_not_null() & moment.is_null()).to_numpy())
    if rest.size:
        other, other_has_time = _parse_other_when(text.gather(rest), date_order)
        moment = moment.scatter(rest, other)
        has_time[rest] = other_has_time
        rest = rest[other.is_null().to_numpy()]
    with_time = pl.Series(has_time)
    return moment, pl.select(pl.when(moment.is_not_null()).then(with_time)).to_series(), rest


def _parse_other_when(text: pl.Series, date_order: str) -> tuple[pl.Series, npt.NDArray[np.bool_]]:
    patterns = [_ISO_ANY] + ([_ORDERED[date_order]] if date_order else [])
    frame = pl.DataFrame({"text": text})
    moments = [frame.select(_moment(pattern)).unnest("parts") for pattern in patterns]
    moment = pl.select(pl.coalesce([each["moment"] for each in moments])).to_series()
    has_time = pl.select(pl.coalesce([each["hour"] for each in moments])).to_series().is_not_null().to_numpy()
    return moment, has_time


def _moment(pattern: str) -> pl.Expr:
    part = pl.col("text").str.extract_groups(pattern).struct
    seconds = part.field("s").str.replace(",", ".", literal=True).fill_null("00")
    iso = pl.format(
        "{}-{}-{} {}:{}:{}",
        part.field("y"),
        part.field("m").str.zfill(2),
        part.field("d").str.zfill(2),
        part.field("h").fill_null("00").str.zfill(2),
        part.field("n").fill_null("00"),
        pl.when(seconds.str.contains(".", literal=True)).then(seconds).otherwise(seconds + ".0"),
    )
    moment = iso.str.to_datetime("%Y-%m-%d %H:%M:%S%.f", strict=False, time_unit="us")
    return pl.struct(moment.alias("moment"), part.field("h").alias("hour")).alias("parts")


def parse_words(
    text: pl.Series, words: Mapping[str, object], dtype: type[pl.DataType]
) -> tuple[pl.Series, Ints]:
    """Read a column of choice words: `words` maps each `plain_word` to its value. Gives values, failures."""
    distinct = Distinct.of(text)
    plain = distinct.texts.to_frame("text").select(_plain_word(pl.col("text"))).to_series()
    value = plain.replace_strict(dict(words), default=None, return_dtype=dtype)
    failed = np.flatnonzero((distinct.texts.is_not_null() & value.is_null()).to_numpy())
    # Where every word is written as it is meant, a coded column stays so.
    is_as_written = dtype == pl.String and value.equals(distinct.texts)
    return text if is_as_written else distinct.spread(value), distinct.rows(failed)


_BETWEEN_WORDS = re.compile(r"[\s_-]+")


def _plain_word(text: pl.Expr) -> pl.Expr:
    return text.str.to_lowercase().str.replace_all(_BETWEEN_WORDS.pattern, " ").str.strip_chars()


def plain_word(text: str) -> str:
    """A choice word without case, and with spaces, hyphens and underscores alike."""
    return _BETWEEN_WORDS.sub(" ", text.lower()).strip()


def plain_item_key(text: pl.Expr) -> pl.Expr:
    """An ingredient's name without case and punctuation, words one space apart; null when nothing is left."""
    key = (
        text.str.to_lowercase()
        .str.replace_all(r"['’`]", "")
        .str.replace_all(r"[^\p{L}\p{M}\p{N}]+", " ")
        .str.strip_chars()
    )
    return pl.when(key != "").then(key)
