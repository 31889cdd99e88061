"""A build that mends: what changed is worked out anew, and put in the place of what stood there.

Where some batch or cask logs changed and the season still falls into the same parts, all that is a function
of one part alone (`PART TABLES`: pipeline.flow) is worked out in a database of the changed parts' logs, and
takes the place of what stood there of them; what looks at the whole season is made anew from the mended
tables. Whatever else changed, the season is made anew. Both give the same tables.
"""

from pipeline.mend.season import mend_season

__all__ = ["mend_season"]
