"""Which columns a row can lose and still say what it is."""

from __future__ import annotations

__all__ = ["CAN_DO_WITHOUT"]

CAN_DO_WITHOUT = frozenset(
    ("by", "char", "descriptors", "note", "place", "previous", "toast", "vessel", "wood"),
)
"""Columns of text without which a row still says what it is; any other names it, or what it belongs to."""
