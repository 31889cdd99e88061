"""What SQL cannot say well about the alcohol account.

`lots` walks the season's events in time order and keeps the content of every lot. Knows frames and
physics; knows no SQL, no files and no charts.
"""

from pipeline.account.lots import LOT_SCHEMA, MOVE_SCHEMA, walk_entries

__all__ = ["LOT_SCHEMA", "MOVE_SCHEMA", "walk_entries"]
