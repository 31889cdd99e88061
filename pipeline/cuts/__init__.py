"""Cuts: how steady they are and how well placed.

Fits every run's curve (effective stages, charge correction), finds the jar that cannot be right, draws
control charts of the cuts, judges them against the distiller's own target, and weighs litres against
scores. `steps` makes the tables; the other modules know arrays, not tables.
"""
