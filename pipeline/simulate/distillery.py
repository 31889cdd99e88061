"""The still house: stripping, spirit runs with jars and cuts, feints receivers, proofing down.

True quantities only. Everything that leaves a still goes somewhere on the books: low wines, a jar,
a receiver, the drain, or `held up`, so alcohol closes exactly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np

from pipeline import science
from pipeline.simulate import liquid as liquids
from pipeline.simulate.brew import Wash
from pipeline.simulate.liquid import EMPTY, Liquid
from pipeline.simulate.plan import BatchPlan
from pipeline.simulate.process import scatter
from pipeline.simulate.records import Event
from pipeline.simulate.still import Path, distil
from pipeline.simulate.thermometers import kettle_c, vapour_c, weather_hpa
from pipeline.simulate.world import World

# A little wash stays with the yeast in the fermenter (common practice, no source).
SLUDGE_FRAC = 0.015
FORESHOTS_L = 0.4
HEADS_JAR_L = 0.6
TAILS_JAR_L = 1.5
# A charge stronger than this is watered to the usual strength: 24 to 28 %vol, under 30 (common practice, no
# source).
STRONGEST_CHARGE_PCT_VOL = 29.0
USUAL_CHARGE_PCT_VOL = 28.0
# Spirit is proofed to between these for the wood (common practice, no source: 55 to 65 %vol).
FILL_STRENGTHS_PCT_VOL = (58.0, 63.5)
TASTING_POUR_L = 0.25


@dataclass
class Books:
    """Running contents of what is shared: receivers by name, and everything that left the account.

    free_from : by number of the still, the morning after the last spirit run so far
    """

    receivers: dict[str, Liquid] = field(default_factory=dict)
    free_from: dict[int, datetime] = field(default_factory=dict)
    drained: list[Liquid] = field(default_factory=list)
    held_up: list[Liquid] = field(default_factory=list)


@dataclass(frozen=True)
class Jar:
    """One vessel filled off the still: what, and the strength at spout and in the pot when it was full."""

    cut: str
    liquid: Liquid
    spout_pct_vol: float
    minutes_min: float
    pot_pct_vol: float


@dataclass
class BatchRun:
    """What became of one batch at the still; lists fill as the day goes on.

    waits_days : how long its spirit runs wait for the batch before to leave the still
    """

    wash: Wash
    waits_days: int = 0
    sludge: Liquid = EMPTY
    low_wines: Liquid = EMPTY
    strip_stages: list[float] = field(default_factory=list)
    spirit_stages: list[float] = field(default_factory=list)
    pot_ale: list[Liquid] = field(default_factory=list)
    spent_lees: list[Liquid] = field(default_factory=list)
    strip_held_up: list[Liquid] = field(default_factory=list)
    spirit_held_up: list[Liquid] = field(default_factory=list)
    poured_for_tasting: Liquid = EMPTY
    charges: list[Liquid] = field(default_factory=list)
    feints_in: list[Liquid] = field(default_factory=list)
    jars: list[Jar] = field(default_factory=list)
    hearts_starts_pct_vol: list[float] = field(default_factory=list)
    hearts_ends_pct_vol: list[float] = field(default_factory=list)
    hearts: Liquid = EMPTY
    events: list[Event] = field(default_factory=list)

    @property
    def plan(self) -> BatchPlan:
        """The batch's plan."""
        return self.wash.plan

    def write(self, when: datetime, step: str, **values: Any) -> None:
        """Add a true event of this batch."""
        blank = Event(when=when, step=step, batch=self.plan.batch, by=self.plan.operator.name)
        self.events.append(replace(blank, **values))

    def cut_lpa(self, *cuts: str) -> float:
        """LPA collected in `cuts` over all spirit runs."""
        return math.fsum(jar.liquid.lpa for jar in self.jars if jar.cut in cuts)


def measured(liquid: Liquid, temperature_c: float, is_warm: bool) -> dict[str, Any]:
    """Volume, strength and temperature of `liquid` as values of an event."""
    return {
        "volume_l": liquid.volume_l,
        "strength_pct_vol": liquid.abv_pct_vol,
        "temperature_c": temperature_c,
        "is_read_warm": is_warm,
    }


def strip_batch(wash: Wash, world: World, books: Books, rng: np.random.Generator) -> BatchRun:
    """Strip the whole wash in as many charges as the still needs, two a day."""
    run = BatchRun(wash)
    plan = wash.plan
    run.sludge, rest = wash.liquid.split(SLUDGE_FRAC * scatter(rng, 1.0, 0.2) * wash.liquid.volume_l)
    books.drained.append(run.sludge)
    number = math.ceil(rest.volume_l / world.strip_capacity_l)
    parts = []
    for index in range(number):
        starts = plan.first_strip + timedelta(days=index // 2, hours=5 * (index % 2))
        parts.append(_strip(run, rest.share(1.0 / number), index + 1, starts, world, books, rng))
    run.low_wines = liquids.mix(parts)
    if plan.operator.habit.logs_sludge:
        after = plan.first_strip + timedelta(days=(number - 1) // 2, hours=10)
        run.write(
            after,
            "discard",
            source=f"{plan.batch} wash",
            note="the rest, with the yeast",
        )
    return run


def _strip(
    run: BatchRun,
    charge: Liquid,
    number: int,
    starts: datetime,
    world: World,
    books: Books,
    rng: np.random.Generator,
) -> Liquid:
    plan, habit = run.plan, run.plan.operator.habit
    name = f"strip {number}"
    stages = scatter(rng, world.strip_stages, 0.3 * world.scatter.stages)
    stop = max(2.0, scatter(rng, plan.operator.strip_stop_pct_vol, world.scatter.strip_stop_pct_vol))
    path = distil(charge, stages)
    end_l = path.litres_at_spout(stop)
    low_wines, kept = _hold_up(path.collected(0.0, end_l), world, books)
    pot_ale = path.residue(end_l)
    run.strip_stages.append(stages)
    run.pot_ale.append(pot_ale)
    run.strip_held_up.append(kept)
    books.drained.append(pot_ale)
    books.held_up.append(kept)
    minutes = 45.0 + low_wines.volume_l * scatter(rng, 6.5, 0.4)
    run.write(starts, "charge", run=name, item="wash", vessel=plan.still_name, volume_l=charge.volume_l)
    run.write(
        starts + timedelta(minutes=round(minutes)),
        "collect",
        run=name,
        cut="low wines",
        spout_pct_vol=stop,
        minutes_min=round(minutes),
        **measured(low_wines, scatter(rng, 19.0, 2.0), habit.reads_warm),
    )
    residue_strength = pot_ale.abv_pct_vol if habit.logs_residue_strength else math.nan
    run.write(
        starts + timedelta(minutes=round(minutes) + 35),
        "residue",
        run=name,
        volume_l=pot_ale.volume_l,
        strength_pct_vol=residue_strength,
    )
    return low_wines


def _hold_up(collected: Liquid, world: World, books: Books) -> tuple[Liquid, Liquid]:
    return collected.share(1.0 - world.held_up_frac), collected.share(world.held_up_frac)


def spirit_runs_needed(run: BatchRun, books: Books, world: World) -> int:
    """How many spirit runs the low wines and the feints at hand make."""
    feints = books.receivers.get(run.plan.receiver, EMPTY)
    return max(1, round((run.low_wines.lpa + 0.7 * feints.lpa) / world.spirit_run_lpa))


def spirit_start(run: BatchRun, number: int) -> datetime:
    """When the spirit run `number` (from 0) starts: the days after the last strip, one a day."""
    strips = len(run.pot_ale)
    days = (strips - 1) // 2 + 1 + number + run.waits_days
    return run.plan.first_strip.replace(hour=8, minute=0) + timedelta(days=days, minutes=7 * run.plan.still)


def wait_for_still(run: BatchRun, runs: int, books: Books) -> None:
    """Put a batch's spirit runs off until the batch before is done.

    Nearly always it is. Where a quick batch follows a slow one it is not: a still cannot hold two charges,
    and feints cannot be drawn before they are collected.
    """
    still = run.plan.still
    free = books.free_from.get(still)
    while free is not None and spirit_start(run, 0) < free:
        run.waits_days += 1
    books.free_from[still] = spirit_start(run, runs)


def charge_spirit(
    run: BatchRun, number: int, runs: int, world: World, books: Books, rng: np.random.Generator
) -> Liquid:
    """Fill the still with low wines, feints from the receiver, and water if it would be too strong."""
    plan, habit = run.plan, run.plan.operator.habit
    name, starts = f"spirit {number + 1}", spirit_start(run, number)
    low_wines = run.low_wines.share(1.0 / runs)
    cellar_c = scatter(rng, 16.0, 1.5)
    run.write(
        starts,
        "charge",
        run=name,
        item="low wines",
        vessel=plan.still_name,
        **measured(low_wines, cellar_c, habit.reads_warm),
    )
    parts = [low_wines]
    held = books.receivers.get(plan.receiver, EMPTY)
    take = float(rng.uniform(0.55, 0.85))
    if held.volume_l > 1.0:
        drawn, books.receivers[plan.receiver] = held.split(take * held.volume_l)
        run.feints_in.append(drawn)
        parts.append(drawn)
        run.write(
            starts + timedelta(minutes=5),
            "charge",
            run=name,
            item="feints",
            source=plan.receiver,
            vessel=plan.still_name,
            **measured(drawn, cellar_c, habit.reads_warm),
        )
    whole = liquids.mix(parts)
    usual = scatter(rng, USUAL_CHARGE_PCT_VOL, 0.5)
    if whole.abv_pct_vol > STRONGEST_CHARGE_PCT_VOL:
        added, whole = proof_down(whole, usual)
        run.write(
            starts + timedelta(minutes=8),
            "charge",
            run=name,
            item="water",
            vessel=plan.still_name,
            volume_l=water_litres(added),
        )
    run.charges.append(whole)
    if habit.logs_boiling:
        # The pot boils three quarters of an hour after the last of the charge went in.
        boils = starts + timedelta(minutes=45)
        run.events[-1] = replace(
            run.events[-1],
            kettle_c=kettle_c(whole.abv_pct_vol, boils),
            barometer_hpa=weather_hpa(boils),
        )
    return whole


def run_spirit(
    run: BatchRun, number: int, charge: Liquid, world: World, books: Books, rng: np.random.Generator
) -> None:
    """Distil one spirit charge into jars, cut by nose, and send heads and tails to the receiver."""
    plan, operator = run.plan, run.plan.operator
    name = f"spirit {number + 1}"
    stages = scatter(rng, world.spirit_stages, world.scatter.stages)
    path = distil(charge, stages)
    foreshots_end = FORESHOTS_L * scatter(rng, 1.0, 0.06)
    heads_end_frac = scatter(rng, operator.heads_end_lpa_frac, world.scatter.heads_end_lpa_frac)
    heads_end = max(foreshots_end + 0.5, path.litres_at_lpa_frac(heads_end_frac))
    hearts_end_spout = scatter(rng, operator.hearts_end_pct_vol, world.scatter.hearts_end_pct_vol)
    hearts_end = max(heads_end + 1.0, path.litres_at_spout(hearts_end_spout))
    tails_stop = max(4.0, scatter(rng, operator.tails_end_pct_vol, world.scatter.tails_end_pct_vol))
    tails_end = max(hearts_end + 0.5, path.litres_at_spout(tails_stop))
    litres_per_hour = scatter(rng, 2.6, 0.2)
    cuts = (
        ("foreshots", 0.0, foreshots_end, FORESHOTS_L),
        ("heads", foreshots_end, heads_end, HEADS_JAR_L),
        ("hearts", heads_end, hearts_end, operator.habit.hearts_vessel_l),
        ("tails", hearts_end, tails_end, TAILS_JAR_L),
    )
    jars = []
    for cut, start, end, vessel_l in cuts:
        filled, held_up = _fill_jars(path, cut, start, end, vessel_l, litres_per_hour, world, books)
        jars += filled
        run.spirit_held_up += held_up
    residue = path.residue(tails_end)
    run.spirit_stages.append(stages)
    run.hearts_starts_pct_vol.append(path.spout_at_litres(heads_end))
    run.hearts_ends_pct_vol.append(path.spout_at_litres(hearts_end))
    run.jars += jars
    run.spent_lees.append(residue)
    books.drained.append(residue)
    books.drained += [jar.liquid for jar in jars if jar.cut == "foreshots"]
    kept = [jar.liquid for jar in jars if jar.cut in ("heads", "tails")]
    held = books.receivers.get(plan.receiver, EMPTY)
    books.receivers[plan.receiver] = liquids.mix([held, *kept])
    _write_jars(run, name, spirit_start(run, number), jars, residue, rng)


def _fill_jars(
    path: Path,
    cut: str,
    start_l: float,
    end_l: float,
    vessel_l: float,
    litres_per_hour: float,
    world: World,
    books: Books,
) -> tuple[list[Jar], list[Liquid]]:
    number = max(1, math.ceil((end_l - start_l) / vessel_l - 0.25))
    edges = np.linspace(start_l, end_l, number + 1)
    jars, held_up = [], []
    for low, high in pairwise(edges):
        liquid, kept = _hold_up(path.collected(float(low), float(high)), world, books)
        held_up.append(kept)
        minutes = 60.0 * liquid.volume_l / litres_per_hour
        ethanol_kg, mass_kg = path.pot_at_litres(float(high))
        pot_pct_vol = float(science.abv_from_mass_fraction(ethanol_kg / mass_kg))
        jars.append(Jar(cut, liquid, path.spout_at_litres(float(high)), minutes, pot_pct_vol))
    books.held_up += held_up
    return jars, held_up


def _write_jars(
    run: BatchRun,
    name: str,
    starts: datetime,
    jars: list[Jar],
    residue: Liquid,
    rng: np.random.Generator,
) -> None:
    plan, habit = run.plan, run.plan.operator.habit
    minutes = 50.0
    jar_c = scatter(rng, 19.0, 1.0)
    for number, jar in enumerate(jars, start=1):
        minutes += jar.minutes_min
        lot = plan.receiver if jar.cut in ("heads", "tails") else ""
        when = starts + timedelta(minutes=round(minutes))
        run.write(
            when,
            "collect",
            run=name,
            item=f"jar {number}",
            cut=jar.cut,
            lot=lot,
            spout_pct_vol=jar.spout_pct_vol if habit.logs_spout else math.nan,
            minutes_min=max(1.0, float(round(jar.minutes_min))),
            kettle_c=kettle_c(jar.pot_pct_vol, when) if habit.logs_boiling else math.nan,
            vapour_c=vapour_c(jar.spout_pct_vol, when) if habit.logs_boiling else math.nan,
            **measured(jar.liquid, scatter(rng, jar_c, 0.6), habit.reads_warm),
        )
    ends = starts + timedelta(minutes=round(minutes) + 30)
    strength = residue.abv_pct_vol if habit.logs_residue_strength else math.nan
    run.write(ends, "residue", run=name, volume_l=residue.volume_l, strength_pct_vol=strength)
    run.write(ends + timedelta(minutes=2), "discard", source=f"{plan.batch} foreshots", note="poured away")


def proof_hearts(run: BatchRun, runs: int, rng: np.random.Generator, books: Books) -> datetime:
    """Join the hearts, add water to the strength meant for the wood, gauge, and put a sample by."""
    plan, habit = run.plan, run.plan.operator.habit
    lot = f"{plan.batch} hearts"
    when = spirit_start(run, runs - 1).replace(hour=9) + timedelta(days=1)
    hearts = liquids.mix(jar.liquid for jar in run.jars if jar.cut == "hearts")
    meant = float(rng.uniform(*FILL_STRENGTHS_PCT_VOL))
    before = hearts.abv_pct_vol
    added, hearts = proof_down(hearts, scatter(rng, meant, 0.3))
    run.write(when, "dilute", source=lot, volume_l=water_litres(added), note=f"down to about {meant:.0f}")
    # Mixing warms the spirit; it is gauged the same afternoon, when half of the warmth has gone.
    warm_c = 18.0 + 0.5 * float(science.mixing_rise_c(before, hearts.abv_pct_vol))
    run.write(
        when + timedelta(hours=5),
        "gauge",
        source=lot,
        **measured(hearts, scatter(rng, warm_c, 0.5), habit.reads_warm),
    )
    poured, hearts = hearts.split(TASTING_POUR_L)
    run.poured_for_tasting = poured
    books.drained.append(poured)
    run.write(
        when + timedelta(hours=5, minutes=10),
        "discard",
        source=lot,
        volume_l=poured.volume_l,
        note="for the panel",
    )
    run.hearts = hearts
    return when + timedelta(hours=6)


def proof_down(liquid: Liquid, abv_pct_vol: float) -> tuple[float, Liquid]:
    """Water [kg] that brings `liquid` to `abv_pct_vol`, and the liquid with it in; none if it is weaker."""
    mass_fraction = float(science.mass_fraction_from_abv(abv_pct_vol))
    added = max(0.0, liquid.ethanol_kg / mass_fraction - liquid.mass_kg)
    return added, liquid.with_water(added)


def water_litres(mass_kg: float) -> float:
    """Litres of `mass_kg` of water at 20 degC."""
    return 1000.0 * mass_kg / float(science.density_kg_per_m3(0.0, 20.0))
