"""A tasting on paper: blind codes, serving orders, score sheets to print, empty logs to fill in.

What is written comes back in as logs: the sheet's rows have their codes and places already, the key says what
the codes were. The key and the pouring plan are for whoever pours, nobody who tastes.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import jinja2
import numpy as np

from pipeline.panel.orders import blind_codes, is_balanced, serving_orders

CAUTIONS = (
    "Small measures, 5 to 10 mL, at 20 to 23 %vol or as this panel is used to; spit, and rinse with water "
    "between glasses.",
    "No driving afterwards, no work at the still; nothing to anyone under age or pregnant.",
    "Never taste foreshots, and nothing whose origin is not known: taste does not show methanol.",
    "If you feel unwell, stop. Nobody has to finish a flight.",
)
"""Common practice, no source."""

MOST_GLASSES = 12
"""More glasses than this in one sitting dull the nose (common practice, no source): refused."""


class SheetError(ValueError):
    """A tasting that cannot be planned as asked; the message says how to ask."""


@dataclass(frozen=True)
class Glass:
    """One code on the table and what it is."""

    code: str
    sample: str


@dataclass(frozen=True)
class Plan:
    """A tasting: its glasses, and for every assessor the order in which they come (places in `glasses`)."""

    session: str
    when: str
    attributes: tuple[str, ...]
    glasses: tuple[Glass, ...]
    orders: dict[str, tuple[int, ...]]
    strength_pct_vol: float
    is_balanced: bool


def plan_tasting(
    session: str,
    samples: list[str],
    assessors: list[str],
    attributes: list[str],
    *,
    when: str = "",
    repeats: int = 1,
    strength_pct_vol: float = 23.0,
    seed: int | None = None,
) -> Plan:
    """Draw codes and orders. The same tasting asked for again gives the same plan; another session, another.

    when    : day of the session as it is to stand in the log, such as 2026-03-14; empty when not known yet
    repeats : how many samples are poured twice, under a second code: they show how well the panel repeats
    raises  : `SheetError` with a sentence when it cannot be done
    """
    _check(session, samples, assessors, attributes, repeats)
    if when and not re.fullmatch(r"\d{4}-\d{2}-\d{2}", when):
        raise SheetError(f"{when!r} is not a day. Write it as year-month-day: --when 2026-03-14")
    rng = np.random.default_rng(_seed_of(session) if seed is None else seed)
    again = rng.choice(len(samples), size=repeats, replace=False)
    poured = [*samples, *(samples[place] for place in again)]
    codes = blind_codes(len(poured), rng, frozenset(samples))
    orders = serving_orders(len(assessors), len(poured), rng)
    return Plan(
        session,
        when,
        tuple(attributes),
        tuple(Glass(code, sample) for code, sample in zip(codes, poured, strict=True)),
        {name: tuple(row.tolist()) for name, row in zip(assessors, orders, strict=True)},
        strength_pct_vol,
        is_balanced(orders),
    )


def _seed_of(session: str) -> int:
    return int.from_bytes(hashlib.sha256(session.encode()).digest()[:8], "big")


def _check(
    session: str, samples: list[str], assessors: list[str], attributes: list[str], repeats: int
) -> None:
    named = (("session", [session]), ("sample", samples), ("assessor", assessors), ("attribute", attributes))
    for what, names in named:
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise SheetError(
                f"The {what} {twice[0]} is named twice. Name each once; --repeats pours samples twice."
            )
        # The sheets are opened in spreadsheets, which would run such a name as a formula.
        odd = [name for name in names if not name.strip() or name[0] in "=+-@\t\r" or not name.isprintable()]
        if odd:
            raise SheetError(f"{odd[0]!r} cannot be the name of a{'n' if what[0] == 'a' else ''} {what}.")
    if len(samples) < 2:
        raise SheetError("A tasting compares samples: name two or more, such as: G12 G15 'cask C03'")
    if not assessors:
        raise SheetError(
            'Name the assessors, or say how many there are: --assessors 6 or --assessors "Ada, Bo"'
        )
    if not attributes:
        raise SheetError("Name at least one attribute to score, such as: --attributes fruit,spice,overall")
    if not 0 <= repeats <= len(samples):
        raise SheetError(f"--repeats is {repeats}; it can be 0 to {len(samples)}, the number of samples.")
    if len(samples) + repeats > MOST_GLASSES:
        raise SheetError(
            f"{len(samples) + repeats} glasses are too many for one sitting; {MOST_GLASSES} at most. "
            "Make two sessions and let them share a sample, which links them."
        )


def write_plan(plan: Plan, folder: Path) -> list[Path]:
    """Write sheets, empty logs, key and pouring plan into `folder`; the files written, in that order.

    raises : `SheetError` when one of the files is there already: a filled-in sheet is never written over
    """
    texts = {
        "sheets.html": render_sheets(plan),
        "sheet.csv": sheet_csv(plan),
        "key.csv": key_csv(plan),
        "pouring_plan.html": render_pouring(plan),
    }
    there = [path for path in map(folder.joinpath, texts) if path.exists() or path.is_symlink()]
    if there:
        raise SheetError(f"{there[0]} is there already and is left alone. Give a new folder with --out.")
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in texts.items():
        with (folder / name).open("x", encoding="utf-8", newline="") as file:
            file.write(text)
    return [folder / name for name in texts]


def sheet_csv(plan: Plan) -> str:
    """The empty tasting sheet as a log: one row a glass, in each assessor's own order, scores to be filled
    in."""
    head = [
        "session",
        "when",
        "assessor",
        "sample",
        "strength",
        "order",
        *plan.attributes,
        "descriptors",
        "note",
    ]
    rows = [
        [
            plan.session,
            plan.when,
            assessor,
            plan.glasses[glass].code,
            f"{plan.strength_pct_vol:g}",
            str(place),
        ]
        + [""] * (len(plan.attributes) + 2)
        for assessor, order in plan.orders.items()
        for place, glass in enumerate(order, start=1)
    ]
    return _csv([head, *rows])


def key_csv(plan: Plan) -> str:
    """What each code was, as a log. `cask C03` is a cask, `lot 12 hearts` a lot, all else a batch."""
    rows = []
    for glass in plan.glasses:
        named = re.fullmatch(r"(?i)(batch|cask|lot)[: ]\s*(.+)", glass.sample)
        kind, name = (named[1].lower(), named[2]) if named else ("batch", glass.sample)
        own = {"batch": "", "cask": "", "lot": ""} | {kind: name.strip()}
        rows.append([plan.session, glass.code, own["batch"], own["cask"], own["lot"]])
    return _csv([["session", "sample", "batch", "cask", "lot"], *rows])


def _csv(rows: list[list[str]]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerows(rows)
    return out.getvalue()


def render_sheets(plan: Plan) -> str:
    """One printed page an assessor: codes in the order to taste, a scale for each attribute, room for
    words."""
    return _template("sheets.html.j2").render(plan=plan, cautions=CAUTIONS, scale=range(11))


def render_pouring(plan: Plan) -> str:
    """For whoever pours: what each code is, and every assessor's order."""
    return _template("pouring_plan.html.j2").render(plan=plan, cautions=CAUTIONS)


@cache
def _template(name: str) -> jinja2.Template:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.get_template(name)
