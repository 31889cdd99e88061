"""The SQL models: one statement a file, read, checked and put in order.

A model is a file `sql/<layer>/<name>.sql` that makes the table (or macro) of its own name. Its header
says what the table holds, what one row is, and which tables it is made from; the last is held against
the tables that the statement really names. Knows text, not engines.

A PART of the season is what hangs together by its lots, casks and files. A model whose rows belong to parts,
and come out of a part's log rows alone, says in its header which column tells whose a row is (`Part`): its
rows can be made anew part by part. Such a model states its order in full, for its rows may be stored in any.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

LAYERS = {
    "00_macro": "main",
    "10_log": "log",
    "20_account": "account",
    "30_metric": "metric",
    "40_fit": "fit",
    "90_check": "problem",
    "95_mark": "problem",
}
"""Folder under sql/ -> schema of what its files make, in the order of the flow."""

AFTER_PROBLEMS = "95_mark"
"""The layer that is made last, from all problems: those of reading and those that the checks found."""

LOG_TABLES = ("raw.batch_log", "raw.batch_value", "raw.batch_text", "raw.cask_log", "raw.cask_value")
"""What the rows of batch and cask logs are loaded into, by `file_id` and `line`."""

LOGGED = frozenset((*LOG_TABLES, "raw.problem", "problem.row"))
"""What is read of batch and cask logs, and the problems told of them."""

PART_COLUMNS = frozenset(("batch", "file_id", "lot", "cask", "move_id", "reading_id", "piece"))
"""What can tell whose a row is: a part has all of a batch, a file, a lot and a cask."""

SCHEMAS = ("raw", "log", "account", "metric", "fit", "problem")

_HEADER = re.compile(r"^-- (What|Note|Grain|Part|From):\s*(.*)$")
_REFERENCE = re.compile(rf"\b(?:from|join)\s+((?:{'|'.join(SCHEMAS)})\.\w+)", re.IGNORECASE)
_TEXT = re.compile(r"'(?:[^']|'')*'")
_TABLE = re.compile(rf"({_TEXT.pattern})|\b[a-z_]+\.(?=[a-z_])")
_CREATES = re.compile(r"create or replace (table|macro)\s+([\w.]+)", re.IGNORECASE)


class ModelError(ValueError):
    """A SQL model that breaks the rules of the folder: a mistake of ours, never of the user's."""


@dataclass(frozen=True)
class SqlModel:
    """One file of sql/: the statement and what its header says of it.

    part  : the column that tells which part of the season a row belongs to; None in a season's table
    order : what its rows are ordered by, in its own columns; None where the statement has no order
    """

    name: str
    layer: str
    is_macro: bool
    what: str
    grain: str
    depends: frozenset[str]
    statement: str
    part: str | None = None
    order: str | None = None

    @property
    def schema(self) -> str:
        return LAYERS[self.layer]

    @property
    def is_check(self) -> bool:
        """Whether each of its rows is a problem found."""
        return self.schema == "problem" and self.layer != AFTER_PROBLEMS


@cache
def read_models(sql_dir: Path) -> tuple[SqlModel, ...]:
    """Every model under `sql_dir`, by layer and name; read once.

    Raises `ModelError` on a file that breaks the rules.
    """
    paths = ((layer, path) for layer in LAYERS for path in sorted((sql_dir / layer).glob("*.sql")))
    return tuple(read_model(path, layer) for layer, path in paths)


def read_model(path: Path, layer: str) -> SqlModel:
    """Read one model and hold its header against its statement."""
    text = path.read_text(encoding="utf-8")
    header = _read_header(text)
    body = "\n".join(line for line in text.splitlines() if not line.lstrip().startswith("--")).strip()
    code = _TEXT.sub("''", body)
    created = _CREATES.match(code)
    if created is None or ";" in code:
        raise ModelError(f"{path}: one `create or replace table` (or macro) statement a file.")
    is_macro = created[1].lower() == "macro"
    name = path.stem if is_macro else f"{LAYERS[layer]}.{path.stem}"
    if created[2] != name:
        raise ModelError(f"{path}: makes {created[2]}, but a file makes what it is named after: {name}.")
    used = frozenset(match.lower() for match in _REFERENCE.findall(code))
    declared = frozenset(re.findall(r"[a-z]+\.[a-z_0-9]+", header.get("From", "")))
    if used != declared:
        raise ModelError(
            f"{path}: the header says From {sorted(declared)}, the statement uses {sorted(used)}."
        )
    _check_direction(path, layer, used)
    part, order = header.get("Part"), _order_of(body)
    if part is not None:
        _check_part(path, part, order)
    return SqlModel(
        name, layer, is_macro, header.get("What", ""), header.get("Grain", ""), used, body, part, order
    )


def check_parts(
    models: Iterable[SqlModel], part_tables: Collection[str], depends: Mapping[str, Collection[str]]
) -> None:
    """Hold that what is made part by part is made from nothing that needs the whole season.

    models      : every SQL model
    part_tables : what steps outside SQL make part by part
    depends     : table made outside SQL -> the tables it is made from
    raises      : `ModelError` on a model that is made from a table of the whole season
    """
    models = list(models)
    of_parts = {*part_tables, *(model.name for model in models if model.part)}
    whole = tables_of_season(models, of_parts, depends)
    made_from = {model.name: model.depends for model in models} | dict(depends)
    for name in sorted(of_parts & made_from.keys()):
        against = sorted(whole & set(made_from[name]))
        if against:
            raise ModelError(f"{name}: is made part by part, but from {against}: tables of the whole season.")


def tables_of_season(
    models: Iterable[SqlModel], of_parts: Collection[str], depends: Mapping[str, Collection[str]]
) -> set[str]:
    """The tables that are made of the whole season's batch and cask logs: not part by part, nor without them.

    of_parts : the tables made part by part
    """
    made_from = {model.name: model.depends for model in models} | dict(depends)
    # What any batch or cask log goes into, however far behind.
    touched = set(LOGGED)
    while found := {name for name in made_from.keys() - touched if touched & set(made_from[name])}:
        touched |= found
    return touched - LOGGED - set(of_parts)


def models_of_marks(models: Iterable[SqlModel]) -> list[SqlModel]:
    """Those of `AFTER_PROBLEMS`, each after those it is made from; what else they are made from stands."""
    marks = {model.name: model for model in models if model.layer == AFTER_PROBLEMS}
    return [
        marks[name] for name in order_tables({name: marks[name].depends & marks.keys() for name in marks}, ())
    ]


def order_tables(depends: Mapping[str, Collection[str]], given: Collection[str]) -> list[str]:
    """The names of `depends` in an order in which each finds what it is made from; ties keep their order.

    depends : table (or macro) -> the tables it is made from
    given   : tables that stand before anything runs
    """
    for name, used in depends.items():
        unknown = set(used) - depends.keys() - set(given)
        if unknown:
            raise ModelError(f"{name} is made from {sorted(unknown)}, which nothing makes.")
    rank = {name: position for position, name in enumerate(depends)}
    sorter = TopologicalSorter({name: set(used) & depends.keys() for name, used in depends.items()})
    try:
        sorter.prepare()
    except CycleError as error:
        raise ModelError(f"The models go round in a circle: {' -> '.join(error.args[1])}.") from error
    ordered: list[str] = []
    ready: list[str] = []
    while sorter.is_active():
        ready.extend(sorter.get_ready())
        ready.sort(key=rank.__getitem__)
        ordered.append(ready.pop(0))
        sorter.done(ordered[-1])
    return ordered


def _read_header(text: str) -> dict[str, str]:
    """The header's entries; a line that names no entry goes on with the one above it."""
    entries: dict[str, str] = {}
    current = ""
    for line in text.splitlines():
        if not line.startswith("--"):
            break
        match = _HEADER.match(line)
        if match:
            current = match[1]
            entries[current] = match[2].strip()
        elif current:
            entries[current] += " " + line.removeprefix("--").strip()
    return entries


def _order_of(body: str) -> str | None:
    """What the statement's last `order by` outside parentheses orders by, in the columns of its own table."""
    # Texts are blotted out, and parentheses counted, with every letter left in its place.
    plain = _TEXT.sub(lambda text: "_" * len(text[0]), body)
    depth, at = 0, None
    for match in re.finditer(r"[()]|\border\s+by\s+", plain, re.IGNORECASE):
        if match[0] in "()":
            depth += 1 if match[0] == "(" else -1
        elif depth == 0:
            at = match.end()
    if at is None:
        return None
    return " ".join(_TABLE.sub(lambda found: found[1] or "", body[at:]).split())


def _check_part(path: Path, part: str, order: str | None) -> None:
    if part not in PART_COLUMNS:
        known = ", ".join(sorted(PART_COLUMNS))
        raise ModelError(f"{path}: says Part {part!r}; a row's part is told by {known}.")
    if order is None:
        raise ModelError(f"{path}: a table made part by part ends with an `order by`.")


def _check_direction(path: Path, layer: str, used: Iterable[str]) -> None:
    """One direction of flow: a layer reads itself and the layers before it, never one after it."""
    order = ["raw", *dict.fromkeys(LAYERS.values())]
    order.remove("main")
    allowed = set(order[: order.index(LAYERS[layer]) + 1]) if layer != "00_macro" else {"raw"}
    against = sorted(name for name in used if name.split(".")[0] not in allowed)
    if against:
        raise ModelError(f"{path}: reads {against}, which comes later in the flow.")
