"""Reconciliation: the alcohol account closed within the instruments' errors, and what hinders it."""

from pipeline.reconcile.parts import reconcile_season
from pipeline.reconcile.step import MAKES as RECONCILE_MAKES
from pipeline.reconcile.step import READS as RECONCILE_READS

__all__ = ["RECONCILE_MAKES", "RECONCILE_READS", "reconcile_season"]
