"""A build that mends: what changed is worked out anew, and put in the place of what stood there.

Where nothing but readings changed in some logs, all that is a function of one part of the season alone
(`PART TABLES`: pipeline.flow) is worked out in a database of these parts' logs, and takes the place of
what stood there of them; what looks at the whole season is made anew from the mended tables. Whatever else
changed, the season is made anew. Both give the same tables.
"""

from pipeline.mend.season import mend_season

__all__ = ["mend_season"]
