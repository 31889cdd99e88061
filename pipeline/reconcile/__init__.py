"""Reconciliation: the alcohol account closed within the instruments' errors, and what keeps it from closing."""
