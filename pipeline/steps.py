"""The steps of the season that SQL cannot say, of all its parts.

Knows which queries feed which function; knows no database and not in which order steps run.
"""

from __future__ import annotations

from pipeline.account import ACCOUNT_MAKES, ACCOUNT_READS, account_step, walk_season
from pipeline.cuts.steps import CUT_STEPS
from pipeline.fits import FIT_MAKES, FIT_READS, fit_step
from pipeline.panel.step import PANEL_STEPS
from pipeline.python_step import PythonStep
from pipeline.reconcile import RECONCILE_MAKES, RECONCILE_READS, reconcile_season

__all__ = ["STEPS"]

STEPS = (
    PythonStep(
        walk_season,
        ("select * from account.entry order by entry_id",),
        {
            "account.move": "every event of the account: the alcohol it moved, what its lots held after. "
            "One row an event.",
            "account.lot": "every vessel's content at the end of the logs. One row a lot.",
        },
        has_parts=True,
    ),
    PythonStep(account_step, ACCOUNT_READS, ACCOUNT_MAKES, has_parts=True),
    PythonStep(reconcile_season, RECONCILE_READS, RECONCILE_MAKES, has_parts=True),
    PythonStep(fit_step, FIT_READS, FIT_MAKES),
    *CUT_STEPS,
    *PANEL_STEPS,
)
