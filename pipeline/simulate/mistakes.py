"""Slips of the pen, planted in finished pages and written down in the truth.

Each kind changes one cell (or writes one row twice) the way a tired hand does. Knows pages of text
only, so a planted mistake is exactly what a reader of the logs would see.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from pipeline.simulate.pages import L_PER_GAL, Page
from pipeline.simulate.records import MistakeOrder

Slip = Callable[[str, np.random.Generator], str | None]
# A swap or a wrong digit that changes less than this is no mistake anybody could notice.
_SMALLEST_CHANGE_FRAC = 0.15


def swap_digits(text: str, rng: np.random.Generator) -> str | None:
    """Two neighbouring digits (a decimal mark may stand between) swapped, for a change of 15 % or more."""
    digits = [i for i, letter in enumerate(text) if letter.isdigit()]
    swapped = []
    for left, right in pairwise(digits):
        letters = list(text)
        letters[left], letters[right] = letters[right], letters[left]
        swapped.append("".join(letters))
    return _first_noticeable(text, swapped)


def slip_decimal(text: str, rng: np.random.Generator) -> str | None:
    """The decimal mark left out or set one place too early."""
    found = re.match(r"(\d+)([.,])(\d)(\d*)", text)
    if found is None:
        return None
    whole, mark, first, rest = found.groups()
    tail = text[found.end() :]
    if len(whole) > 1 and rng.random() < 0.5:
        return f"{whole[:-1]}{mark}{whole[-1]}{first}{rest}{tail}"
    return f"{whole}{first}{mark + rest if rest else ''}{tail}"


def change_digit(text: str, rng: np.random.Generator) -> str | None:
    """One digit hit wrong: the key beside the right one."""
    changed = []
    for i, letter in enumerate(text):
        if letter.isdigit():
            beside = str((int(letter) + (1 if rng.random() < 0.5 else 9)) % 10)
            changed.append(text[:i] + beside + text[i + 1 :])
    return _first_noticeable(text, changed)


def write_letter_o(text: str, rng: np.random.Generator) -> str | None:
    """The letter O typed for a zero."""
    return text.replace("0", "O", 1) if "0" in text else None


def raise_gravity(text: str, rng: np.random.Generator) -> str | None:
    """A final gravity mistyped to above the original one: 1.001 as 1.101, 0.9985 as 1.0985."""
    if re.fullmatch(r"1[.,]00\d+", text):
        return f"{text[:2]}1{text[3:]}"
    return f"1{text[1]}0{text[3:]}" if re.fullmatch(r"0[.,]99\d+", text) else None


def slip_unit(text: str, rng: np.random.Generator) -> str | None:
    """Gallons read off the side of the vessel and written down as if they were litres."""
    found = re.fullmatch(r"(\d+(?:[.,]\d+)?)( L)?", text)
    if found is None:
        return None
    mark = "," if "," in text else "."
    number = float(found.group(1).replace(",", "."))
    return f"{number / L_PER_GAL:.2f}".replace(".", mark) + (found.group(2) or "")


def leave_out(text: str, rng: np.random.Generator) -> str | None:
    """The temperature of a warm reading left out, so that it passes for one taken at 20 degC."""
    return "" if text else None


@dataclass(frozen=True)
class MistakeKind:
    """A kind of slip: what is done to the cell, and where it falls unless an order says otherwise."""

    slip: Slip
    says: str
    step: str
    cut: str
    column: str


MISTAKE_KINDS: Mapping[str, MistakeKind] = {
    "digits swapped": MistakeKind(swap_digits, "two digits swapped", "collect", "hearts", "volume"),
    "decimal slip": MistakeKind(slip_decimal, "decimal mark misplaced", "charge", "", "volume"),
    "wrong digit": MistakeKind(change_digit, "one digit wrong", "collect", "hearts", "strength"),
    "letter O": MistakeKind(write_letter_o, "letter O for zero", "collect", "hearts", "strength"),
    "final gravity above original": MistakeKind(
        raise_gravity, "final gravity mistyped to above the original", "wash", "", "gravity"
    ),
    "unit slip": MistakeKind(slip_unit, "gallons written as litres", "collect", "low wines", "volume"),
    "temperature left out": MistakeKind(
        leave_out, "temperature of a warm reading not written", "gauge", "", "temperature"
    ),
    "row twice": MistakeKind(leave_out, "a row written twice", "collect", "tails", "volume"),
}
HONEST_MISTAKES = (
    # Two litres of hearts or more: a swap in one small jar is lost in the balance of a run.
    MistakeOrder("digits swapped", least_change=2.0, is_optional=True),
    MistakeOrder("letter O", is_optional=True),
    MistakeOrder("final gravity above original", is_optional=True),
)


def plant(pages: Sequence[Page], orders: Sequence[MistakeOrder], seed: int) -> list[dict[str, object]]:
    """Plant `orders` in `pages`; returns what was planted, with file and line (editor's count).

    Each falls in a batch of its own when the order names none. An order that fits no row is a
    ValueError unless it is optional.
    """
    rng = np.random.default_rng(np.random.SeedSequence([seed, 2]))
    done: list[tuple[Page, dict[str, str], dict[str, object]]] = []
    touched: set[str] = set()
    for order in orders:
        planted = _plant_one(pages, order, touched, rng)
        if planted is not None:
            touched.add(planted[0].path)
            done.append(planted)
        elif not order.is_optional:
            raise ValueError(f"no row of the logs takes the mistake {order.kind!r} where it was ordered")
    for page, row, entry in done:
        place = next(i for i, other in enumerate(page.rows) if other is row)
        entry["line"] = page.line_of(place)
    return [entry for _, _, entry in done]


def _plant_one(
    pages: Sequence[Page], order: MistakeOrder, touched: set[str], rng: np.random.Generator
) -> tuple[Page, dict[str, str], dict[str, object]] | None:
    if order.kind not in MISTAKE_KINDS:
        raise ValueError(f"{order.kind!r} is no kind of mistake; known: {', '.join(MISTAKE_KINDS)}")
    kind = MISTAKE_KINDS[order.kind]
    column = order.column or kind.column
    candidates = [
        (page, row)
        for page in pages
        for row in _rows_for(page, order, kind)
        if order.batch or page.path not in touched
    ]
    for place in rng.permutation(len(candidates)):
        page, row = candidates[place]
        before = row[column]
        after = before if order.kind == "row twice" else kind.slip(before, rng)
        if after is None or abs(_number(after) - _number(before)) < order.least_change:
            continue
        if order.kind == "row twice":
            above = next(i for i, other in enumerate(page.rows) if other is row)
            row = dict(row)
            page.rows.insert(above + 1, row)
        row[column] = after
        batch = page.path.rsplit("/", 1)[-1].removesuffix(".csv")
        entry: dict[str, object] = {
            "kind": order.kind,
            "says": kind.says,
            "file": page.path,
            "line": 0,
            "column": page.headers.get(column, column),
            "batch": batch,
            "written": after,
            "instead_of": "" if order.kind == "row twice" else before,
        }
        return page, row, entry
    return None


def _rows_for(page: Page, order: MistakeOrder, kind: MistakeKind) -> list[dict[str, str]]:
    """The rows of a batch page that an order may fall on."""
    if not page.path.startswith("batches/") or (order.column or kind.column) not in page.keys:
        return []
    if order.batch and page.path != f"batches/{order.batch}.csv":
        return []
    rows = page.rows
    if order.kind == "final gravity above original":
        first_charge = next(i for i, row in enumerate(rows) if row["step"] == "charge")
        return [next(row for row in reversed(rows[:first_charge]) if row["step"] == "wash")]
    step, cut = order.step or kind.step, order.cut or ("" if order.step else kind.cut)
    return [
        row
        for row in rows
        if row["step"] == step and cut in ("", row["cut"]) and order.run in ("", row["run"])
    ]


def _first_noticeable(text: str, candidates: Sequence[str]) -> str | None:
    right = _number(text)
    for candidate in candidates:
        # A nought that leads, or no longer leads, would be seen at once by whoever wrote it.
        if candidate.startswith("0") != text.startswith("0"):
            continue
        wrong = _number(candidate)
        if right > 0 and abs(wrong - right) >= _SMALLEST_CHANGE_FRAC * right:
            return candidate
    return None


def _number(text: str) -> float:
    found = re.match(r"-?\d+(?:[.,]\d+)?", text)
    litres_or_other = 0.001 if text.endswith(" mL") else 1.0
    return litres_or_other * float(found.group(0).replace(",", ".")) if found else 0.0
