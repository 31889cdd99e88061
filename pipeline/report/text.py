"""Numbers, dates and people's own text as a page prints them. Rounds and names; computes nothing."""

from __future__ import annotations

import datetime as dt
import math
import re
import unicodedata

from pipeline.charts.titles import is_fraction, unit_of
from pipeline.report.shape import NOT_WRITTEN

NOT_MEASURED = "not measured"

# What no value means where it is not that nobody measured: statistics that do not exist, bounds nobody set.
_WITHOUT_NUMBER = {
    "p_held": "not tested",
    "p_word": "not tested",
    "needed_correct": "too few trials",
    "more_trials": "cannot say",
    "d_prime": "beyond measure",
    "jar_no": "the charge",
    "target_low": "none set",
    "target_high": "none set",
    "ppk": "no target",
    "ppk_low": "no target",
    "ppk_high": "no target",
    "kendall_w": "cannot say",
    **dict.fromkeys(("yield_low_lpa_per_kg", "yield_high_lpa_per_kg"), "too few batches"),
    **dict.fromkeys(("panel_mean", "panel_mean_low", "panel_mean_high"), "not adjusted"),
    **dict.fromkeys(("above_average", "told_apart_from"), "not adjusted"),
    **dict.fromkeys(("f_samples", "p_samples", "usual_half_width", "order_effect"), "not adjusted"),
    **dict.fromkeys(("icc_single", "icc_panel"), "cannot say"),
}
# Text that a log has a column for; any other text that is not there has nothing to say.
_LOGGED_TEXT = frozenset(
    ["wood", "toast", "char", "place", "previous", "yeast", "main_grain", "grain_bill", "recipe", "still"]
)

# Spelt here so that the machine's language changes no page.
MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)

# Decimals by the end of a column's name, first match wins. A decimal more than the instrument gives
# would be false precision, one fewer would hide what it saw (common practice, no source).
_DECIMALS = (
    ("_lpa_per_kg", 3),
    ("_sg", 4),
    ("_plato", 1),
    ("_pct_vol", 1),
    ("_pct_mass", 1),
    ("_c", 1),
    ("_days", 1),
    ("_min", 0),
    ("years", 2),
    ("_sd", 2),
    ("_mean", 2),
    ("_low", 2),
    ("_high", 2),
)
_DECIMALS_BY_NAME = {"score_mean": 1, "score_low": 1, "score_high": 1, "logged_lpa": 2, "reconciled_lpa": 2}

# Marks that turn the direction of text, and characters that nobody sees: either could make a name read as
# another one. Ranges of the general categories Cf, Zl and Zp of Unicode 14, as far as they have no picture.
_UNSEEN = (
    *((0x00AD, 0x00AD), (0x061C, 0x061C), (0x180E, 0x180E), (0x200B, 0x200F), (0x2028, 0x202E)),
    *((0x2060, 0x206F), (0xFEFF, 0xFEFF), (0xFFF9, 0xFFFB), (0xE0001, 0xE007F)),
)

ACTING_CHARACTERS = (
    r"[\x00-\x1f\x7f-\x9f" + "".join(rf"\x{{{first:x}}}-\x{{{last:x}}}" for first, last in _UNSEEN) + "]"
)
"""The characters that `visible` shows, as a pattern."""


def decimals_for(name: str, value: float) -> int:
    """How many decimals to print of a value of the column `name`."""
    if name in _DECIMALS_BY_NAME:
        return _DECIMALS_BY_NAME[name]
    if is_fraction(name):
        return 1
    for ending, decimals in _DECIMALS:
        if name.endswith(ending):
            return decimals
    size = abs(value)
    return 0 if size >= 100 else 1 if size >= 10 else 2


def number(value: float, decimals: int) -> str:
    """A number with thousands separated by commas, a true minus sign and no negative zero.

    >>> number(1234.5, 0), number(-0.004, 2), number(-3.25, 1)
    ('1,234', '0.00', '−3.2')
    """
    text = f"{value:,.{decimals}f}"
    if re.fullmatch(r"-[0.,]*", text):
        text = text[1:]
    return text.replace("-", "−")


def value_text(value: object, name: str, decimals: int | None = None) -> str:
    """A cell of the column `name` as text without its unit; NULL prints as `not measured`, or what it means.

    `decimals` sets how many are printed (a table gives a column one number of them); a value that this
    would print as zero without being it keeps its own.

    >>> value_text(None, "wash_lpa"), value_text(0.0, "wash_lpa"), value_text(12, "batches")
    ('not measured', '0.00', '12')
    """
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return _WITHOUT_NUMBER.get(name, NOT_MEASURED)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return number(value, 0)
    if isinstance(value, float):
        if name.endswith("p_value") or name.startswith("p_"):
            return "below 0.001" if value < 0.001 else number(value, 3)
        shown = value * 100 if is_fraction(name) else value
        own = decimals_for(name, shown)
        if decimals is None or (shown and float(f"{shown:.{decimals}f}") == 0):
            return number(shown, own)
        return number(shown, decimals)
    if isinstance(value, dt.datetime):
        at_midnight = value.time() == dt.time()
        return value.strftime("%Y-%m-%d") if at_midnight else value.strftime("%Y-%m-%d %H:%M")
    if isinstance(value, dt.date):
        return value.isoformat()
    return visible(str(value))


def text_or_blank(value: object, name: str) -> str:
    """A cell of words: blank where there is nothing to say, `not logged` where a log could have said it.

    >>> text_or_blank(None, "goes_with"), text_or_blank(None, "toast"), text_or_blank("light", "toast")
    ('', 'not logged', 'light')
    """
    if value is None:
        return NOT_WRITTEN if name in _LOGGED_TEXT else ""
    return value_text(value, name)


def column_decimals(values: list[object], name: str) -> int | None:
    """The number of decimals a whole column is printed with: that of its middle value."""
    sizes = sorted(abs(value) for value in values if isinstance(value, float) and math.isfinite(value))
    return decimals_for(name, sizes[len(sizes) // 2]) if sizes else None


def prose(text: str) -> str:
    """A sentence for the page: controls made visible, and no line break in 12 % nor in 12 ± 1."""
    return re.sub(r" (?=[%±])|(?<=±) ", "\u00a0", visible(text))


def with_unit(value: object, name: str) -> str:
    """A value with its unit: `61.3 %vol`, `12 %`; NULL stays `not measured`, without one."""
    text = value_text(value, name)
    unit = unit_of(name)
    return text if text == NOT_MEASURED or not unit else f"{text}\u00a0{unit}"


def day(value: dt.date | None) -> str:
    """A date for a sentence: `2 March 2025`."""
    if value is None:
        return "an unknown day"
    return f"{value.day}\u00a0{MONTHS[value.month - 1]}\u00a0{value.year}"


def counted(count: int, one: str, many: str | None = None) -> str:
    """A count with its noun: `1 batch`, `3 batches`, `no batches`."""
    plural = many if many is not None else f"{one}s"
    if count == 0:
        return f"no {plural}"
    return f"{number(count, 0)} {one if count == 1 else plural}"


def listed(words: list[str], limit: int = 12) -> str:
    """Words as a list in a sentence; beyond `limit` it says how many more there are."""
    shown = words[:limit]
    if len(words) > limit:
        return ", ".join(shown) + f" and {len(words) - limit} more"
    if len(shown) < 2:
        return "".join(shown)
    return ", ".join(shown[:-1]) + " and " + shown[-1]


def visible(text: str) -> str:
    """Text from a log with control and unseen characters shown, so that none can act or hide."""
    return "".join(_visible_character(character) for character in text)


def _visible_character(character: str) -> str:
    code = ord(character)
    if code < 0x20:
        return chr(0x2400 + code)
    if code == 0x7F:
        return "\u2421"
    is_unseen = any(first <= code <= last for first, last in _UNSEEN)
    if 0x80 <= code < 0xA0 or is_unseen or 0xD800 <= code <= 0xDFFF:
        return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"
    return character


_RESERVED = {"con", "prn", "aux", "nul"} | {f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10)}


def slug(text: str) -> str:
    """A season's name as a folder name that every file system takes and no path can escape from.

    >>> slug("2024/25"), slug("../../etc"), slug("Été 2025"), slug("***"), slug("con")
    ('2024-25', 'etc', 'ete-2025', 'season', 'season-con')
    """
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode("ascii").lower()
    name = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60].strip("-")
    if not name:
        return "season"
    return f"season-{name}" if name in _RESERVED else name


def unique_slugs(names: list[str]) -> dict[str, str]:
    """A folder name for each season, different even where two names reduce to the same letters."""
    slugs: dict[str, str] = {}
    used: set[str] = set()
    for name in sorted(names):
        candidate, count = slug(name), 1
        while candidate in used:
            count += 1
            candidate = f"{slug(name)}-{count}"
        used.add(candidate)
        slugs[name] = candidate
    return slugs
