"""What SQL cannot say well about the alcohol account.

`lots` walks the season's events in time order and keeps the content of every lot; `ancestry` follows whose
wash the alcohol came from; `uncertain`, `readings`, `lot_errors` and `book` carry the instruments' errors
along, and `figures` puts them on every figure. Knows frames and physics; knows no SQL but the names of the
tables it reads, no files and no charts.
"""

from pipeline.account.lot_tables import LOT_SCHEMA, MOVE_SCHEMA
from pipeline.account.lots import walk_entries
from pipeline.account.parts import walk_season
from pipeline.account.step import MAKES as ACCOUNT_MAKES
from pipeline.account.step import READS as ACCOUNT_READS
from pipeline.account.step import account_step

__all__ = [
    "ACCOUNT_MAKES",
    "ACCOUNT_READS",
    "LOT_SCHEMA",
    "MOVE_SCHEMA",
    "account_step",
    "walk_entries",
    "walk_season",
]
