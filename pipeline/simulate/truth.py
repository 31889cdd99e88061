"""`truth.json`: what really happened in a simulated season, beside logs that only measured it.

Definitions are those of the season's account: volumes at 20 degC, fermenter volume when the yeast
went in, LPA at 20 degC; a batch's net spirit is the alcohol of its own wash that ended in hearts, its own or
those of a batch that charged its feints, or that stands in the feints receivers at the end.
"""

from __future__ import annotations

import math
from typing import Any

from pipeline import science
from pipeline.simulate import panel, process, scenario
from pipeline.simulate.cellar import Cask
from pipeline.simulate.distillery import BatchRun
from pipeline.simulate.flow_truth import season_flow
from pipeline.simulate.liquid import KG_PER_LPA
from pipeline.simulate.season import Season

Truth = dict[str, Any]
# Shares of a cask's alcohol smaller than this are left out of the file.
_SMALLEST_SHARE_SHOWN = 1e-6


def season_truth(season: Season) -> Truth:
    """Everything true about a season, as plain values for JSON (mistakes planted are added on writing)."""
    net = net_spirit_lpa(season)
    return {
        "invented": "All of it is simulated; no person, place, product or batch in it is real.",
        "seed": season.seed,
        "instrument_seed": season.instrument_seed,
        "batches": {run.plan.batch: batch_truth(run, net[run.plan.batch]) for run in season.runs},
        "season": season_totals(season),
        "flow": season_flow(season),
        "casks": {cask.name: cask_truth(cask) for cask in season.casks},
        "ingredients": {
            name: {
                "extract_pct": item.extract_pct,
                "moisture_pct": item.moisture_pct,
                "fermentable_pct": item.fermentable_pct,
            }
            for name, item in season.world.ingredients.items()
        },
        "planted": planted(season),
        "flavour": {batch: dict(flavour) for batch, flavour in season.flavours.items()},
        "samples": [
            {"session": session.name, "batch": s.batch, "cask": s.cask, "flavour": dict(s.flavour)}
            for session in season.sessions
            for s in session.samples
        ],
        "difference_tests": [
            {
                "sample_a": a.name,
                "sample_b": b.name,
                "d_prime": panel.d_prime(a, b),
                "correct_frac": panel.triangle_correct_frac(panel.d_prime(a, b)),
            }
            for a, b in season.tests
        ],
        "assessors": {
            item.name: {"offset": item.offset, "stretch": item.stretch, "error_sd": item.error_sd}
            for item in season.world.assessors
        },
        "instruments": dict(season.instruments.__dict__),
    }


def net_spirit_lpa(season: Season) -> dict[str, float]:
    """LPA of each batch's own wash in all hearts, as they came off the still, and in the receivers now."""
    net = {run.plan.batch: 0.0 for run in season.runs}
    hearts = [jar.liquid for run in season.runs for jar in run.jars if jar.cut == "hearts"]
    for liquid in [*hearts, *season.books.receivers.values()]:
        for batch, kg in liquid.origin_kg.items():
            net[batch] += kg / KG_PER_LPA
    return net


def batch_truth(run: BatchRun, net: float) -> Truth:
    """The truth of one batch, under the names of the season's own table of batches."""
    wash, plan = run.wash, run.plan
    grain_kg = math.fsum(plan.bill.values())
    hearts = run.cut_lpa("hearts")
    feints_out = run.cut_lpa("heads", "tails")
    feints_in = math.fsum(item.lpa for item in run.feints_in)
    charge = math.fsum(item.lpa for item in run.charges)
    original = float(science.plato_from_sg(wash.wort.gravity_sg))
    return {
        "recipe": plan.recipe,
        "yeast": plan.yeast,
        "operator": plan.operator.name,
        "mashed_on": plan.starts.date().isoformat(),
        "grain_kg": grain_kg,
        "sugar_kg": plan.syrup_kg,
        "grain_bill_kg": dict(plan.bill),
        "potential_extract_kg": wash.potential_extract_kg,
        "grain_extract_kg": wash.grain_extract_kg,
        "sugar_extract_kg": wash.sugar_extract_kg,
        "mash_efficiency_frac": wash.grain_extract_kg / (wash.potential_extract_kg - wash.sugar_extract_kg),
        "mash_c": plan.mash_c,
        "ferment_c": plan.ferment_c,
        "planned_rest_days": plan.rest_days,
        "original_gravity_sg": wash.wort.gravity_sg,
        "final_gravity_sg": wash.final_gravity_sg,
        "original_extract_plato": original,
        "real_extract_plato": original * (1.0 - wash.real_attenuation_frac),
        "real_attenuation_frac": wash.real_attenuation_frac,
        "wash_volume_l": wash.wort.volume_l,
        "wash_abv_pct_vol": wash.abv_pct_vol,
        "wash_lpa": wash.lpa,
        "left_with_yeast_lpa": run.sludge.lpa,
        "low_wines_lpa": run.low_wines.lpa,
        "low_wines_abv_pct_vol": run.low_wines.abv_pct_vol,
        "strip_recovery_frac": run.low_wines.lpa / (wash.lpa - run.sludge.lpa),
        "pot_ale_lpa": math.fsum(item.lpa for item in run.pot_ale),
        "strip_stages": list(run.strip_stages),
        "spirit_runs": len(run.charges),
        "spirit_stages": list(run.spirit_stages),
        "spirit_charge_lpa": charge,
        "spirit_charge_abv_pct_vol": 100.0 * charge / math.fsum(item.volume_l for item in run.charges),
        "foreshots_lpa": run.cut_lpa("foreshots"),
        "heads_lpa": run.cut_lpa("heads"),
        "hearts_lpa": hearts,
        "tails_lpa": run.cut_lpa("tails"),
        "spent_lees_lpa": math.fsum(item.lpa for item in run.spent_lees),
        "hearts_frac": hearts / charge,
        "hearts_start_pct_vol": list(run.hearts_starts_pct_vol),
        "hearts_end_pct_vol": list(run.hearts_ends_pct_vol),
        "feints_in_lpa": feints_in,
        "feints_out_lpa": feints_out,
        "net_spirit_lpa": net,
        "yield_lpa_per_kg": net / wash.fermentables_kg,
        "hearts_lpa_per_kg": hearts / wash.fermentables_kg,
        "hearts_gauged_abv_pct_vol": run.hearts.abv_pct_vol,
        "hearts_origin": _shown(run.hearts.origin_shares()),
        "has_unmeasured_jars": plan.is_careless,
    }


def cask_truth(cask: Cask) -> Truth:
    """The truth of one cask at the season's end."""
    evaporated_a_year = 1.0 - math.exp(-cask.ethanol_rate_per_year)
    return {
        "wood": cask.kind.wood,
        "previous": cask.kind.previous,
        "capacity_l": cask.capacity_l,
        "place": cask.place,
        "filled_on": cask.filled_at.date().isoformat(),
        "fill_lpa": cask.fill_lpa,
        "drunk_in_lpa": math.fsum(item.lpa for item in cask.drunk_in),
        "evaporated_lpa": cask.evaporated_lpa,
        "lost_lpa": math.fsum(item.lpa for item in cask.drunk_in) + cask.evaporated_lpa,
        "drawn_lpa": math.fsum(item.lpa for item in cask.drawn),
        "bottled_lpa": math.fsum(item.lpa for item in cask.bottled),
        "lpa_now": cask.content.lpa,
        "volume_now_l": cask.content.volume_l,
        "abv_now_pct_vol": cask.content.abv_pct_vol,
        "loss_frac_per_year": evaporated_a_year,
        "water_loss_frac_per_year": 1.0 - math.exp(-cask.water_rate_per_year),
        "sources_lpa": {lot: part.lpa for lot, part in cask.parts},
        "origin": _shown(cask.content.origin_shares()),
    }


def season_totals(season: Season) -> Truth:
    """Where the season's alcohol went, in LPA; what came in equals what is accounted for."""
    books = season.books
    washes = math.fsum(run.wash.lpa for run in season.runs)
    ends: Truth = {
        "drained_lpa": math.fsum(item.lpa for item in books.drained),
        "held_up_lpa": math.fsum(item.lpa for item in books.held_up),
        "feints_in_stock_lpa": math.fsum(item.lpa for item in books.receivers.values()),
        "hearts_on_the_shelf_lpa": math.fsum(item.liquid.lpa for item in season.shelf),
        "in_casks_lpa": math.fsum(cask.content.lpa for cask in season.casks),
        "drunk_in_lpa": math.fsum(part.lpa for cask in season.casks for part in cask.drunk_in),
        "evaporated_lpa": math.fsum(cask.evaporated_lpa for cask in season.casks),
        "drawn_lpa": math.fsum(part.lpa for cask in season.casks for part in cask.drawn),
        "bottled_lpa": math.fsum(part.lpa for cask in season.casks for part in cask.bottled),
    }
    return {"wash_lpa": washes, **ends, "unaccounted_lpa": washes - math.fsum(ends.values())}


def planted(season: Season) -> Truth:
    """The planted effects: flavour effects, yield expected of each recipe and yeast, and what is tied."""
    world = season.world
    used = {run.plan.yeast for run in season.runs}
    expected = {}
    for recipe, shares in world.recipes.items():
        per_grain = world.syrup_per_grain.get(recipe, 0.0)
        bill = dict(shares) | ({scenario.SYRUP: per_grain} if per_grain > 0 else {})
        expected[recipe] = {
            name: process.expected_wash_lpa_per_kg(bill, yeast, world)
            for name, yeast in world.yeasts.items()
            if name in used
        }
    return {
        "is_null_season": season.is_null,
        "flavour_effects": [dict(effect.__dict__) for effect in world.effects],
        "expected_wash_lpa_per_kg": expected,
        "null_contrasts": [
            {
                "yeast": scenario.NULL_YEAST,
                "against": scenario.REFERENCE_YEAST,
                "of": "yield, attenuation, every flavour",
            }
        ],
        "tied_choices": [
            {"ingredient": scenario.TIED_GRAIN, "yeast": scenario.TIED_YEAST, "recipe": scenario.TIED_RECIPE}
        ],
    }


def _shown(shares: dict[str, float]) -> dict[str, float]:
    return {batch: share for batch, share in sorted(shares.items()) if share >= _SMALLEST_SHARE_SHOWN}
