"""What the section on flavour reads from the database. No figure of a single assessor is among it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

_OVERALL_FIRST = "case when attribute = 'overall' then 0 else 1 end, attribute"
_QUERIES = {
    "means": f"""
        select mean.*, min(tasted.tasted_on) over (partition by mean.tasting) as first_on
        from fit.sample_mean as mean
        inner join fit.tasted as tasted on tasted.tasted = mean.tasted
        where mean.season = $season
        qualify row_number() over (partition by mean.tasting, mean.tasted, attribute order by tasted_on) = 1
        order by first_on nulls last, tasting, {_OVERALL_FIRST}, mean.tasted
    """,
    "differences": f"""
        select * from fit.sample_difference where season = $season
        order by tasting, {_OVERALL_FIRST}, tasted_a, tasted_b
    """,
    "panels": f"select * from fit.panel where season = $season order by tasting, {_OVERALL_FIRST}",
    "words": """
        select * from fit.descriptor where season = $season order by tasting, p_held nulls last, word, tasted
    """,
    "maps": "select * from fit.flavour_map where season = $season order by tasting, map, kind desc, name",
    "shares": f"""
        select * from fit.flavour_share where season = $season
        order by {_OVERALL_FIRST}, flavour_part in ('assessor', 'assessor and sample', 'error'),
                 share_frac desc, flavour_part
    """,
    "tasted": """
        select tasted, label, batch, cask, lot, main_batch, main_batch_frac, spirit_of, main_grain, yeast,
               wood, cask_years, session
        from fit.tasted where season = $season
        order by min(tasted_on) over (partition by tasted) nulls last, tasted, tasted_on, session
    """,
    "strengths": """
        select session, min(poured_pct_vol) as weakest_pct_vol, max(poured_pct_vol) as strongest_pct_vol
        from metric.tasted_sample where season = $season and poured_pct_vol is not null
        group by session order by session
    """,
    "tests": """
        select * from fit.difference where season = $season order by session, test, sample_a, sample_b
    """,
}


@dataclass(frozen=True)
class FlavourData:
    """One season's frames on flavour, named for what they hold."""

    means: pl.DataFrame
    differences: pl.DataFrame
    panels: pl.DataFrame
    words: pl.DataFrame
    maps: pl.DataFrame
    shares: pl.DataFrame
    tasted: pl.DataFrame
    strengths: pl.DataFrame
    tests: pl.DataFrame


def read_flavour(ask: Callable[[str], pl.DataFrame]) -> FlavourData:
    """All frames of one season, in the order a page shows them; `ask` puts a query for that season."""
    return FlavourData(**{name: ask(query) for name, query in _QUERIES.items()})
