"""The season's logs as the people of the co-operative keep them, written as files.

Units, marks, encodings and gaps follow each person's habit; the slips of the pen that were ordered
are planted last. Writes CSV files, `season.toml` and `truth.json`.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

from pipeline.simulate import scenario
from pipeline.simulate.mistakes import plant
from pipeline.simulate.pages import QUANTITY, Page, cell_of, header_of
from pipeline.simulate.records import Event, Pour
from pipeline.simulate.scenario import ATTRIBUTES, Habit, Operator
from pipeline.simulate.season import Season, Session
from pipeline.simulate.truth import season_truth

BATCH_COLUMNS = (
    *("batch", "when", "step", "run", "item", "cut", "source", "lot", "vessel", "by", "mass", "volume"),
    *("gravity", "strength", "spout", "temperature", "kettle", "vapour", "barometer", "minutes", "ph"),
    *("price", "note"),
)
CASK_COLUMNS = (
    *("cask", "when", "step", "source", "volume", "mass", "strength", "temperature", "wood", "toast"),
    *("char", "capacity", "place", "previous", "note"),
)
# How three evenings in turn are written down: plain, codes first and the key apart, long, another scale.
_KEYED, _LONG, _FIFTEEN = 1, 2, 3
_SCALE_OF_FIFTEEN = 1.5
# Not on the co-operative's own list: these are left to the built-in catalogue.
NOT_ANALYSED = ("flaked maize", scenario.SYRUP)
_CELLAR_HABIT = Habit()


def season_pages(season: Season) -> list[Page]:
    """Every CSV file of the season, before any slip of the pen."""
    pages = batch_pages(season)
    is_exact = season.instruments.is_perfect
    for path, letter in (("casks.csv", "C"), ("glass_jars.csv", "J")):
        readings = [event for event in season.cask_readings if event.cask.startswith(letter)]
        if readings:
            readings.sort(key=lambda event: event.when)
            pages.append(_event_page(path, readings, CASK_COLUMNS, _CELLAR_HABIT, is_exact))
    for number, session in enumerate(season.sessions):
        pages += _session_pages(session, number % 5)
    if season.trials:
        pages.append(_trial_page(season))
    pages.append(_ingredient_page(season))
    return pages


def batch_pages(season: Season) -> list[Page]:
    """One page a batch, in its operator's hand."""
    is_exact = season.instruments.is_perfect
    by_batch: dict[str, list[Event]] = {}
    for event in season.batch_readings:
        by_batch.setdefault(event.batch, []).append(event)
    pages = []
    oddly_stored: set[str] = set()
    for run in season.runs:
        batch, operator = run.plan.batch, run.plan.operator
        page = _event_page(f"batches/{batch}.csv", by_batch[batch], BATCH_COLUMNS, operator.habit, is_exact)
        _add_hand(page, batch, operator, run.plan.recipe)
        if operator.habit.delimiter == ";" and operator.name not in oddly_stored:
            # One sheet went through an old machine that stores Windows-1252.
            oddly_stored.add(operator.name)
            page.encoding = "cp1252"
        pages.append(page)
    return pages


def write_season(season: Season, out_dir: Path) -> list[Path]:
    """Write the logs, `season.toml` and `truth.json` under `out_dir`; returns the files written."""
    out_dir.mkdir(parents=True, exist_ok=True)
    pages = season_pages(season)
    planted = plant(pages, season.mistakes, season.seed)
    written = [page.write(out_dir) for page in pages]
    truth = season_truth(season) | {"mistakes": planted}
    for name, text in (
        ("season.toml", _settings_text(season)),
        ("truth.json", json.dumps(_rounded(truth), indent=1, ensure_ascii=False) + "\n"),
    ):
        target = out_dir / name
        target.write_bytes(text.encode())
        written.append(target)
    return written


def _event_page(
    path: str, readings: Sequence[Event], columns: Sequence[str], habit: Habit, is_exact: bool
) -> Page:
    rows = [_event_row(event, columns, habit, is_exact) for event in readings]
    used = [name for name in columns if any(row[name] for row in rows)]
    if not habit.has_batch_column:
        used.remove("batch")
    return Page(
        path=path,
        keys=used,
        headers={name: header_of(name, habit) for name in used},
        rows=rows,
        delimiter=habit.delimiter,
        newline=habit.newline,
        encoding=habit.encoding,
        decimal_mark=habit.decimal_mark,
    )


_ATTRIBUTE_OF_COLUMN = {
    "mass": "mass_kg",
    "volume": "volume_l",
    "capacity": "capacity_l",
    "gravity": "gravity_sg",
    "strength": "strength_pct_vol",
    "spout": "spout_pct_vol",
    "temperature": "temperature_c",
    "kettle": "kettle_c",
    "vapour": "vapour_c",
    "barometer": "barometer_hpa",
    "minutes": "minutes_min",
}


def _event_row(event: Event, columns: Sequence[str], habit: Habit, is_exact: bool) -> dict[str, str]:
    row = {}
    for name in columns:
        if name == "when":
            row[name] = f"{event.when:%Y-%m-%d %H:%M}"
        elif name in QUANTITY:
            value = float(getattr(event, _ATTRIBUTE_OF_COLUMN.get(name, name)))
            row[name] = cell_of(name, value, habit, is_exact or name == "capacity")
        else:
            row[name] = getattr(event, name)
    has_spirit = bool(row.get("strength") or row.get("spout"))
    if has_spirit and not event.is_read_warm:
        # Read at 20 degC: no temperature is written, since one would ask for a correction.
        row["temperature"] = ""
    if event.step in ("wort", "wash", "runnings") and not event.is_read_warm:
        row["temperature"] = ""
    return row


def _add_hand(page: Page, batch: str, operator: Operator, recipe: str) -> None:
    """Small ways of one person: a heading, times left out on jars of the same run, a note on the room."""
    if operator.name == "Ines":
        page.comments = [f"{batch}, {recipe}. Still shared by the six gates; keep with the tun card."]
    if operator.name == "Tobin":
        for above, below in pairwise(page.rows):
            if above["step"] == below["step"] == "collect":
                below["when"] = ""
    if operator.name == "Marit":
        first = next(row for row in page.rows if row["step"] == "yeast")
        first["note"] = "room 26 °C, gärt über Nacht an"


def _session_pages(session: Session, style: int) -> list[Page]:
    path = f"tastings/{session.name.replace(' ', '_')}"
    is_casks = any(pour.cask for pour in session.pours)
    named = "cask" if is_casks else "batch"
    keys = ["session", "when", "assessor", "sample", named, "strength", "order"]
    if style == _KEYED:
        keys.remove(named)
    rows = []
    for pour in session.pours:
        rows += _pour_rows(pour, named, style)
    tail = ["attribute", "score"] if style == _LONG else list(ATTRIBUTES)
    headers = {name: f"{name} [0-15]" for name in ATTRIBUTES} if style == _FIFTEEN else {}
    last = [] if style == _LONG else ["descriptors"]
    pages = [Page(f"{path}.csv", [*keys, *tail, *last], headers, rows)]
    if style == _KEYED:
        known = {pour.sample: pour.cask or pour.batch for pour in session.pours}
        key_rows = [{"session": session.name, "sample": s, named: known[s]} for s in sorted(known)]
        pages.append(Page(f"{path}_key.csv", ["session", "sample", named], {}, key_rows))
    return pages


def _pour_rows(pour: Pour, named: str, style: int) -> list[dict[str, str]]:
    row = {
        "session": pour.session,
        "when": f"{pour.when:%Y-%m-%d}",
        "assessor": pour.assessor,
        "sample": pour.sample,
        named: pour.cask or pour.batch,
        "strength": f"{pour.strength_pct_vol:g}",
        "order": str(pour.order),
    }
    factor = _SCALE_OF_FIFTEEN if style == _FIFTEEN else 1.0
    scores = {
        name: "" if score != score else f"{factor * score:g}"
        for name, score in zip(ATTRIBUTES, pour.scores, strict=True)
    }
    if style != _LONG:
        return [row | scores | {"descriptors": pour.descriptors}]
    return [row | {"attribute": name, "score": text} for name, text in scores.items() if text]


def _trial_page(season: Season) -> Page:
    keys = ["session", "when", "assessor", "test", "sample_a", "sample_b", "correct"]
    rows = [
        {
            "session": trial.session,
            "when": f"{trial.when:%Y-%m-%d}",
            "assessor": trial.assessor,
            "test": trial.test,
            "sample_a": trial.sample_a,
            "sample_b": trial.sample_b,
            "correct": "yes" if trial.is_correct else "no",
        }
        for trial in season.trials
    ]
    return Page("tastings/triangles.csv", keys, {}, rows)


def _ingredient_page(season: Season) -> Page:
    keys = ["ingredient", "kind", "extract", "moisture", "fermentable", "price", "source"]
    rows = []
    for name, (extract, moisture, fermentable) in season.analyses.items():
        if name in NOT_ANALYSED:
            continue
        item = season.world.ingredients[name]
        digits = 10 if season.instruments.is_perfect else 1
        rows.append(
            {
                "ingredient": name,
                "kind": item.kind,
                "extract": f"{extract:.{digits}f}",
                "moisture": f"{moisture:.{digits}f}",
                "fermentable": f"{fermentable:.{digits}f}",
                "price": f"{item.price_per_kg:.2f}",
                "source": "co-operative's own small mash, autumn 2025 (invented)",
            }
        )
    return Page("ingredients.csv", keys, {}, rows)


def _settings_text(season: Season) -> str:
    lines = [
        "# Written by the simulator; everything in this folder is invented.",
        f'title = "{scenario.TITLE}"',
        f'currency = "{scenario.CURRENCY}"',
        'season_starts = "09-01"',
    ]
    return "\n".join(lines) + "\n"


def _rounded(value: object) -> object:
    """The same structure with floats to 10 significant digits, so that the file stays readable."""
    if isinstance(value, float):
        return float(f"{value:.10g}")
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(item) for item in value]
    return value
