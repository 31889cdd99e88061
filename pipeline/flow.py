"""What makes the tables of a season, and in which order: the models of sql/ and the steps in Python.

Runs them in a database that is given; does not know what it is for, nor what a statement means.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache, cached_property

import duckdb
import polars as pl
from threadpoolctl import threadpool_limits

from pipeline.kept_parts import KeptParts
from pipeline.logs import ArrowStream
from pipeline.progress import Progress
from pipeline.python_step import PythonStep
from pipeline.resources import sql_dir
from pipeline.science import MAX_LPA_PER_KG_EXTRACT
from pipeline.sql_functions import sql_macros
from pipeline.sql_models import (
    AFTER_PROBLEMS,
    LOG_TABLES,
    SqlModel,
    check_parts,
    order_tables,
    read_models,
)
from pipeline.steps import STEPS

__all__ = ["PART_OF_EACH", "Flow", "make_table", "order_of", "prepare"]

Connection = duckdb.DuckDBPyConnection

PART_OF_EACH = "account.part"
"""Which part of the season each batch and lot belongs to."""


@dataclass(frozen=True)
class Flow:
    """Every table (and macro) up to the problems, in an order in which each finds what it is made from.

    depends : table -> the tables it is made from; those that are loaded depend on nothing and are not here
    """

    models: Mapping[str, SqlModel]
    steps: Mapping[str, PythonStep]
    depends: Mapping[str, Collection[str]]
    order: tuple[str, ...]

    @classmethod
    def of(cls, given: Collection[str]) -> Flow:
        """The flow on from tables that stand before anything runs."""
        models = {model.name: model for model in read_models(sql_dir()) if model.layer != AFTER_PROBLEMS}
        steps = {name: step for step in STEPS for name in step.makes}
        of_parts = {name for step in STEPS for name in step.of_parts}
        # A part's own rows of it are all that a step asks for.
        of_steps = {name: step.depends for name, step in steps.items()}
        check_parts(models.values(), {PART_OF_EACH, *of_parts}, of_steps)
        depends: dict[str, Collection[str]] = {model.name: model.depends for model in models.values()}
        depends |= of_steps
        return cls(models, steps, depends, tuple(order_tables(depends, given)))

    @cached_property
    def part_tables(self) -> Mapping[str, str]:
        """Those whose rows are a function of their own part of the season alone, in order.

        returns : table -> the column that tells which rows are a part's
        """
        found = {name: model.part for name, model in self.models.items() if model.part is not None}
        for step in STEPS:
            found |= {name: each.column for name, each in step.of_parts.items()}
        return {name: found[name] for name in self.order if name in found}

    @property
    def macros(self) -> list[str]:
        """What statements call besides the science."""
        return [name for name, model in self.models.items() if model.is_macro]

    @cached_property
    def needed_whole(self) -> list[str]:
        """What part tables are made from besides one another and the logs: no such log goes into it."""
        made_from = {used for name in self.part_tables for used in self.depends[name]}
        return sorted(made_from - self.part_tables.keys() - {PART_OF_EACH, *LOG_TABLES})

    def up_to(self, wanted: Iterable[str]) -> list[str]:
        """The tables `wanted` and all that they are made from, in order, with the macros."""
        found: set[str] = set()
        waiting = list(wanted)
        while waiting:
            name = waiting.pop()
            if name in self.depends and name not in found:
                found.add(name)
                waiting += self.depends[name]
        return [name for name in self.order if name in found or name in self.macros]

    def on_from(self, changed: Collection[str]) -> list[str]:
        """The tables that are made from any of `changed`, however far back, in order."""
        found = set(changed)
        for name in self.order:
            if not found.isdisjoint(self.depends[name]):
                found.add(name)
        return [name for name in self.order if name in found and name not in changed]

    def make(self, con: Connection, names: Collection[str], progress: Progress, parts: KeptParts) -> None:
        """Make the tables `names`, in order; what they are made from stands there.

        parts : what an earlier build worked out; what is worked out now is added
        """
        wanted = set(names)
        chosen = [name for name in self.order if name in wanted]
        done: set[str] = set()
        # One thread for linear algebra: quicker on matrices this small, and the same digits on every machine.
        with threadpool_limits(limits=1):
            for position, name in enumerate(chosen, start=1):
                progress("Working out the season", position, len(chosen))
                if name in self.models:
                    con.execute(self.models[name].statement)
                elif name not in done:
                    _run_step(con, self.steps[name], parts)
                    done.update(self.steps[name].makes)


def order_of(name: str) -> str | None:
    """What the rows of a table are ordered by, as SQL says it; None where they lie as they were made.

    Rows that belong to parts of the season may lie in any order: each part's can be made anew.
    """
    return _orders().get(name)


@cache
def _orders() -> Mapping[str, str | None]:
    found: dict[str, str | None] = dict.fromkeys(LOG_TABLES, "file_id, line")
    found |= {model.name: model.order for model in read_models(sql_dir()) if model.part}
    for step in STEPS:
        found |= {name: each.order for name, each in step.of_parts.items()}
    return found


def prepare(con: Connection) -> None:
    """What statements and steps need besides tables, the science as macros. No file is in reach now."""
    # A cell that names a path stays a cell.
    con.execute("set enable_external_access = false")
    for statement in (*sql_macros(), *_constants()):
        con.execute(statement)


def _constants() -> Iterator[str]:
    """Constants of the science that SQL needs, as macros without arguments."""
    yield f"create or replace macro max_lpa_per_kg_extract() as {MAX_LPA_PER_KG_EXTRACT!r}e0"


def _run_step(con: Connection, step: PythonStep, parts: KeptParts) -> None:
    frames = (pl.DataFrame(con.sql(query)) for query in step.reads)
    found = step.run(*frames, parts=parts) if step.has_parts else step.run(*frames)
    for name, frame in zip(step.makes, found, strict=True):
        make_table(con, name, frame)


def make_table(con: Connection, name: str, frame: pl.DataFrame) -> None:
    """Make a table of a frame's rows, in their order."""
    con.register("incoming_frame", ArrowStream(frame))
    con.execute(f"create or replace table {name} as select * from incoming_frame")
    con.unregister("incoming_frame")
