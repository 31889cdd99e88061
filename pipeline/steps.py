"""The steps of the season that SQL cannot say, of all its parts.

Knows which queries feed which function; knows no database and not in which order steps run.
"""

from __future__ import annotations

from pipeline.account import ACCOUNT_STEPS
from pipeline.cuts.steps import CUT_STEPS
from pipeline.fits import FIT_MAKES, FIT_READS, fit_step
from pipeline.panel.step import PANEL_STEPS
from pipeline.python_step import PythonStep
from pipeline.reconcile import RECONCILE_STEP

__all__ = ["STEPS"]

STEPS = (
    *ACCOUNT_STEPS,
    RECONCILE_STEP,
    PythonStep(fit_step, FIT_READS, FIT_MAKES),
    *CUT_STEPS,
    *PANEL_STEPS,
)
