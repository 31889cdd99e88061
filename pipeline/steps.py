"""The steps of the season that SQL cannot say: what each reads, what it makes, and by what function.

Knows which queries feed which function; knows no database and not in which order steps run.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.account import ACCOUNT_MAKES, ACCOUNT_READS, account_step, walk_entries
from pipeline.cuts.steps import CUT_STEPS
from pipeline.fits import FIT_MAKES, FIT_READS, fit_step
from pipeline.panel.step import PANEL_STEPS
from pipeline.reconcile import RECONCILE_MAKES, RECONCILE_READS, reconcile_season

__all__ = ["STEPS", "PythonStep"]


@dataclass(frozen=True)
class PythonStep:
    """One step: what it is made from, what it makes, and by what.

    has_parts : `run` works part by part, and takes what an earlier build worked out as `parts`
    """

    depends: frozenset[str]
    makes: tuple[str, ...]
    what: tuple[str, ...]
    run: Callable[..., Iterable[pl.DataFrame]]
    reads: tuple[str, ...]
    has_parts: bool = False


def _step(
    run: Callable[..., Iterable[pl.DataFrame]],
    reads: tuple[str, ...],
    makes: Mapping[str, str],
    has_parts: bool = False,
) -> PythonStep:
    """A step that depends on every table its queries name; `makes` maps each table to what it holds."""
    depends = frozenset(re.findall(r"(?:from|join) ([a-z]+\.\w+)", " ".join(reads)))
    return PythonStep(depends, tuple(makes), tuple(makes.values()), run, reads, has_parts)


STEPS = (
    PythonStep(
        depends=frozenset({"account.entry"}),
        makes=("account.move", "account.lot"),
        what=(
            "every event of the account: the alcohol it moved, what its lots held after. One row an event.",
            "every vessel's content at the end of the logs. One row a lot.",
        ),
        run=walk_entries,
        reads=("select * from account.entry order by entry_id",),
    ),
    _step(account_step, ACCOUNT_READS, ACCOUNT_MAKES),
    _step(reconcile_season, RECONCILE_READS, RECONCILE_MAKES, has_parts=True),
    _step(fit_step, FIT_READS, FIT_MAKES),
    *(
        PythonStep(each.depends, each.makes, each.what, each.run, each.reads, each.has_parts)
        for each in CUT_STEPS
    ),
    *(
        PythonStep(
            depends=each.depends,
            makes=tuple(each.makes),
            what=tuple(each.makes.values()),
            run=each.run,
            reads=each.reads,
        )
        for each in PANEL_STEPS
    ),
)
