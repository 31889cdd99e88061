"""One batch from grain to finished wash, as true events.

Calls `process.py` for the physics and writes down what happened in the order it happened.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from pipeline import science
from pipeline.simulate import process, scenario
from pipeline.simulate.liquid import Liquid, from_strength
from pipeline.simulate.plan import BatchPlan
from pipeline.simulate.records import Event
from pipeline.simulate.world import World

LIQUOR_L_PER_KG = 2.8
DAYS_BETWEEN_LOOKS = 2


@dataclass(frozen=True)
class Wash:
    """A finished wash, and the truth about how it came to be. Volumes at 20 degC [L]."""

    plan: BatchPlan
    potential_extract_kg: float
    grain_extract_kg: float
    sugar_extract_kg: float
    wort: process.Wort
    final_gravity_sg: float
    abv_pct_vol: float
    lpa: float
    real_attenuation_frac: float
    liquid: Liquid
    events: tuple[Event, ...]

    @property
    def fermentables_kg(self) -> float:
        """Mass of everything mashed or stirred in for its extract [kg]."""
        return math.fsum(self.plan.bill.values()) + self.plan.syrup_kg


def brew(plan: BatchPlan, world: World, rng: np.random.Generator) -> Wash:
    """Mash, collect, ferment and rest one batch of `plan`."""
    efficiency_scatter = world.scatter.mash_efficiency_frac * float(rng.standard_normal())
    events = [_event(plan, plan.starts - timedelta(minutes=30), "recipe", item=plan.recipe)]
    worts = []
    for number in range(plan.mashes):
        wort, mash_events = _mash(plan, world, number, efficiency_scatter, rng)
        worts.append(wort)
        events += mash_events
    grain_extract = math.fsum(wort.extract_kg for wort in worts)
    potential = process.potential_extract_kg(plan.bill, world.ingredients)
    sugar_extract = 0.0
    if plan.syrup_kg > 0:
        syrup = process.syrup_wort(plan.syrup_kg, world.ingredients[scenario.SYRUP])
        sugar_extract = syrup.extract_kg
        worts.append(syrup)
        price = plan.syrup_kg * world.ingredients[scenario.SYRUP].price_per_kg
        at = plan.pitched - timedelta(minutes=40)
        events.append(
            _event(plan, at, "sugar", item=scenario.SYRUP, mass_kg=plan.syrup_kg, price=round(price, 2))
        )
    whole = process.mix_worts(worts)
    attenuation = process.real_attenuation(whole, world.yeasts[plan.yeast], plan.ferment_c, plan.mash_c)
    attenuation = process.scatter(rng, attenuation, world.scatter.attenuation_frac)
    final = process.final_gravity_sg(whole, attenuation)
    lpa = float(science.wash_lpa(whole.volume_l, whole.gravity_sg, final))
    abv = float(science.wash_abv(whole.gravity_sg, final))
    events += _fermentation_events(plan, world, whole, final, rng)
    return Wash(
        plan=plan,
        potential_extract_kg=potential + sugar_extract,
        grain_extract_kg=grain_extract,
        sugar_extract_kg=sugar_extract,
        wort=whole,
        final_gravity_sg=final,
        abv_pct_vol=abv,
        lpa=lpa,
        real_attenuation_frac=attenuation,
        liquid=from_strength(100.0 * lpa / abv, abv, plan.batch),
        events=tuple(_tidy_grain(plan, events)),
    )


def fermenter_name(plan: BatchPlan) -> str:
    """The fermenter a batch stands in; four are in turn on each still."""
    return f"fermenter {plan.slot % 4 + 1}"


def _mash(
    plan: BatchPlan, world: World, number: int, efficiency_scatter: float, rng: np.random.Generator
) -> tuple[process.Wort, list[Event]]:
    starts = plan.starts + timedelta(days=number // 2, hours=5 * (number % 2))
    bill = {name: kg / plan.mashes for name, kg in plan.bill.items()}
    mass = math.fsum(bill.values())
    runnings_sg = process.scatter(rng, 1.0125, 0.0012)
    efficiency = efficiency_scatter + process.scatter(rng, 0.0, 0.5 * world.scatter.mash_efficiency_frac)
    efficiency += process.mash_efficiency(bill, world.ingredients, plan.mash_c, runnings_sg)
    volume = plan.wort_l / plan.mashes * process.scatter(rng, 1.0, 0.01)
    wort = process.run_off(bill, world.ingredients, efficiency, volume)
    wort_c = process.scatter(rng, 26.0, 2.0)
    liquor = LIQUOR_L_PER_KG * mass
    events = [
        _event(
            plan,
            starts,
            "grain",
            item=name,
            mass_kg=kg,
            price=round(kg * world.ingredients[name].price_per_kg, 2),
        )
        for name, kg in bill.items()
    ]
    needs_cooking = [name for name in bill if world.ingredients[name].kind == "unmalted grain"]
    if needs_cooking:
        events.append(
            _event(
                plan,
                starts + timedelta(minutes=20),
                "mash",
                item="cereal cook",
                temperature_c=process.scatter(rng, 86.0, 1.5),
                minutes_min=45.0,
                note="enzymes added, " + " and ".join(needs_cooking),
            )
        )
    events += [
        _event(
            plan,
            starts + timedelta(minutes=80),
            "mash",
            item="main rest",
            temperature_c=plan.mash_c,
            minutes_min=60.0 + 5.0 * float(rng.integers(0, 4)),
            volume_l=liquor,
            ph=process.scatter(rng, 5.45, 0.05),
        ),
        _event(
            plan,
            starts + timedelta(minutes=150),
            "sparge",
            temperature_c=process.scatter(rng, 76.0, 1.0),
            volume_l=volume + process.ABSORPTION_L_PER_KG * mass - liquor,
        ),
        _event(plan, starts + timedelta(minutes=210), "runnings", gravity_sg=runnings_sg),
        _event(
            plan,
            starts + timedelta(minutes=240),
            "wort",
            vessel=fermenter_name(plan),
            volume_l=volume,
            gravity_sg=wort.gravity_sg,
            temperature_c=wort_c,
            ph=process.scatter(rng, 5.35, 0.05),
            is_read_warm=plan.operator.habit.reads_warm,
        ),
    ]
    return wort, events


def _fermentation_events(
    plan: BatchPlan, world: World, wort: process.Wort, final_sg: float, rng: np.random.Generator
) -> list[Event]:
    vessel = fermenter_name(plan)
    price = round(world.yeasts[plan.yeast].price_per_pitch * plan.mashes / 3.0, 2)
    pitched = _event(
        plan,
        plan.pitched,
        "yeast",
        item=plan.yeast,
        mass_kg=0.0012 * wort.volume_l,
        temperature_c=plan.ferment_c - 1.0,
        price=price,
        vessel=vessel,
    )
    looks: list[tuple[datetime, float]] = []
    at = plan.pitched + timedelta(days=DAYS_BETWEEN_LOOKS)
    last = plan.first_strip - timedelta(minutes=25)
    while at < last - timedelta(days=1):
        looks.append((at, (at - plan.pitched) / timedelta(days=1)))
        at += timedelta(days=DAYS_BETWEEN_LOOKS)
    events = [
        pitched,
        _event(
            plan,
            plan.pitched + timedelta(minutes=10),
            "wash",
            vessel=vessel,
            volume_l=wort.volume_l,
            gravity_sg=wort.gravity_sg,
            ph=process.scatter(rng, 5.3, 0.04),
        ),
    ]
    for when, days in looks:
        gravity = process.gravity_on_day(wort.gravity_sg, final_sg, days, plan.dry_days)
        ph = process.ph_on_day(days, plan.dry_days)
        events.append(_event(plan, when, "wash", vessel=vessel, gravity_sg=gravity, ph=ph))
    ph = process.ph_on_day((last - plan.pitched) / timedelta(days=1), plan.dry_days)
    events.append(_event(plan, last, "wash", vessel=vessel, gravity_sg=final_sg, ph=ph))
    return events


def _tidy_grain(plan: BatchPlan, events: list[Event]) -> list[Event]:
    """Some hands weigh in each mash's grain, some write the whole batch's grain once."""
    if plan.operator.habit.is_grain_per_mash:
        return events
    kept = []
    seen: set[str] = set()
    for event in events:
        if event.step != "grain":
            kept.append(event)
        elif event.item not in seen:
            seen.add(event.item)
            kept.append(
                replace(
                    event,
                    mass_kg=event.mass_kg * plan.mashes,
                    price=round(event.price * plan.mashes, 2),
                )
            )
    return kept


def _event(plan: BatchPlan, when: datetime, step: str, **values: Any) -> Event:
    blank = Event(when=when, step=step, batch=plan.batch, by=plan.operator.name)
    return replace(blank, **values)
