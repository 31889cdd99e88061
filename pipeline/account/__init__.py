"""What SQL cannot say well about the alcohol account.

`partition` cuts the season into parts that know nothing of one another; `lots` walks the season's events in
time order and keeps the content of every lot; `ancestry` follows whose wash the alcohol came from;
`uncertain`, `readings`, `lot_errors` and `book` carry the instruments' errors along, and `figures` puts them
on every figure. Knows frames and physics; knows no SQL but the names of the tables it reads, no files and no
charts.
"""

from pipeline.account.lot_tables import LOT_SCHEMA, MOVE_SCHEMA
from pipeline.account.lots import walk_entries
from pipeline.account.parts import walk_season
from pipeline.account.step import account_step
from pipeline.account.steps import ACCOUNT_STEPS

__all__ = [
    "ACCOUNT_STEPS",
    "LOT_SCHEMA",
    "MOVE_SCHEMA",
    "account_step",
    "walk_entries",
    "walk_season",
]
