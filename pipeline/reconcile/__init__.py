"""Reconciliation: the alcohol account closed within the instruments' errors, and what hinders it."""

from pipeline.account.partition import PARTS
from pipeline.python_step import PythonStep
from pipeline.reconcile.parts import reconcile_season
from pipeline.reconcile.step import MAKES, OF_PARTS, READS

__all__ = ["RECONCILE_STEP", "reconcile_season"]

RECONCILE_STEP = PythonStep(reconcile_season, (*READS, PARTS), MAKES, has_parts=True, of_parts=OF_PARTS)
