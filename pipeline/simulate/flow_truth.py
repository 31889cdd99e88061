"""Where the season's alcohol really went, from grain to cask: what the account's flow is held against.

Every litre counts, also of batches whose logs leave something out.
"""

from __future__ import annotations

import math

from pipeline import science
from pipeline.simulate.season import Season


def season_flow(season: Season) -> dict[str, float]:
    """LPA of each step and of each way out, over the whole season; extract at the alcohol it could become."""
    runs, casks, books = season.runs, season.casks, season.books
    whole = science.MAX_LPA_PER_KG_EXTRACT
    potential = whole * math.fsum(run.wash.potential_extract_kg for run in runs)
    extract = whole * math.fsum(run.wash.grain_extract_kg + run.wash.sugar_extract_kg for run in runs)
    fermentable = whole * math.fsum(run.wash.wort.fermentable_kg for run in runs)
    wash = math.fsum(run.wash.lpa for run in runs)
    cuts = {name: math.fsum(run.cut_lpa(name) for run in runs) for name in ("foreshots", "heads", "tails")}
    hearts = math.fsum(run.cut_lpa("hearts") for run in runs)
    feints_in = math.fsum(part.lpa for run in runs for part in run.feints_in)
    return {
        "potential_lpa": potential,
        "not_extracted_lpa": potential - extract,
        "extract_lpa": extract,
        "unfermentable_lpa": extract - fermentable,
        "unfermented_lpa": fermentable - wash,
        "wash_lpa": wash,
        "left_with_yeast_lpa": math.fsum(run.sludge.lpa for run in runs),
        "pot_ale_lpa": math.fsum(part.lpa for run in runs for part in run.pot_ale),
        "strip_held_up_lpa": math.fsum(part.lpa for run in runs for part in run.strip_held_up),
        "low_wines_lpa": math.fsum(run.low_wines.lpa for run in runs),
        "foreshots_lpa": cuts["foreshots"],
        "feints_added_lpa": cuts["heads"] + cuts["tails"] - feints_in,
        "feints_in_stock_lpa": math.fsum(held.lpa for held in books.receivers.values()),
        "spent_lees_lpa": math.fsum(part.lpa for run in runs for part in run.spent_lees),
        "spirit_held_up_lpa": math.fsum(part.lpa for run in runs for part in run.spirit_held_up),
        "hearts_lpa": hearts,
        "poured_for_tasting_lpa": math.fsum(run.poured_for_tasting.lpa for run in runs),
        "on_the_shelf_lpa": math.fsum(item.liquid.lpa for item in season.shelf),
        "filled_lpa": math.fsum(cask.fill_lpa for cask in casks),
        "cask_loss_lpa": math.fsum(
            cask.evaporated_lpa + math.fsum(part.lpa for part in cask.drunk_in) for cask in casks
        ),
        "drawn_lpa": math.fsum(part.lpa for cask in casks for part in (*cask.drawn, *cask.bottled)),
        "in_casks_lpa": math.fsum(cask.content.lpa for cask in casks),
    }
