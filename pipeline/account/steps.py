"""The steps of the account: what each reads, what it makes, and by what."""

from __future__ import annotations

from pipeline.account import partition, season_step, step
from pipeline.account.parts import walk_season
from pipeline.python_step import OfPart, PythonStep

ACCOUNT_STEPS = (
    PythonStep(partition.part_season, partition.READS, partition.MAKES),
    PythonStep(
        walk_season,
        (f"select * from account.entry order by {partition.ENTRY_ORDER}", partition.PARTS),
        {
            "account.move": "every event of the account: the alcohol it moved, what its lots held after. "
            "One row an event.",
            "account.lot": "every vessel's content at the end of the logs. One row a lot.",
        },
        has_parts=True,
        of_parts={
            "account.move": OfPart("move_id", "move_id"),
            "account.lot": OfPart("lot", "lot"),
        },
    ),
    PythonStep(step.account_step, step.READS, step.MAKES, has_parts=True, of_parts=step.OF_PARTS),
    PythonStep(season_step.season_step, season_step.READS, season_step.MAKES),
)
