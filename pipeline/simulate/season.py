"""A whole simulated season: plans, batches in the order of the still, casks, tastings, readings.

`simulate_season` returns the truth and the readings side by side; `write_season` writes both.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from pipeline.simulate import cellar, distillery, panel
from pipeline.simulate.brew import brew
from pipeline.simulate.cellar import Cask, Delivery
from pipeline.simulate.distillery import BatchRun, Books
from pipeline.simulate.instruments import PERFECT, Instruments, read_events
from pipeline.simulate.plan import BatchPlan, plan_season
from pipeline.simulate.records import Event, MistakeOrder, Pour, Trial
from pipeline.simulate.thermometers import read_thermometers
from pipeline.simulate.world import World, make_world

Progress = Callable[[str, int, int], None]
# The last cask is looked at this long after the last spirit run.
DAYS_AFTER_LAST_RUN = 60


@dataclass(frozen=True)
class Session:
    """One evening of the panel."""

    name: str
    when: datetime
    samples: tuple[panel.Sample, ...]
    pours: tuple[Pour, ...]


@dataclass(frozen=True)
class Season:
    """A simulated season: the truth (world, runs, casks, flavours) and what was read and written."""

    seed: int
    instrument_seed: int
    is_null: bool
    instruments: Instruments
    world: World
    runs: tuple[BatchRun, ...]
    books: Books
    casks: tuple[Cask, ...]
    shelf: tuple[Delivery, ...]
    flavours: dict[str, panel.Flavour]
    sessions: tuple[Session, ...]
    tests: tuple[tuple[panel.Sample, panel.Sample], ...]
    trials: tuple[Trial, ...]
    batch_events: tuple[Event, ...]
    batch_readings: tuple[Event, ...]
    cask_events: tuple[Event, ...]
    cask_readings: tuple[Event, ...]
    analyses: dict[str, tuple[float, float, float]]
    mistakes: tuple[MistakeOrder, ...]


def simulate_season(
    batches: int,
    seed: int,
    instrument_seed: int | None = None,
    *,
    instruments: Instruments | None = None,
    mistakes: Sequence[MistakeOrder] = (),
    is_null: bool = False,
    careless_frac: float = 0.12,
    world: World | None = None,
    progress: Progress | None = None,
) -> Season:
    """Simulate a season of `batches` (1 or more) with known truth.

    seed            : decides the world and everything that happens in it
    instrument_seed : decides only measurement errors, scores and tasters' answers; `seed` when None.
                      The same `seed` with another `instrument_seed` is the same season measured again
    instruments     : standard deviations of the readings; ordinary ones when None, `PERFECT` for none
    mistakes        : slips of the pen to plant when the logs are written
    is_null         : no grain, yeast or cask makes a difference
    careless_frac   : share of the batches where a jar or two was left unmeasured
    world           : a world of your own instead of the one drawn from `seed`
    progress        : called with (what, done, total)
    """
    if batches < 1:
        raise ValueError(f"a season needs at least 1 batch; {batches} was asked for")
    streams = np.random.SeedSequence(seed).spawn(5)
    world_rng, plan_rng, process_rng, layout_rng, carelessness_rng = map(np.random.default_rng, streams)
    error_seed = seed if instrument_seed is None else instrument_seed
    reading_rng, panel_rng, analysis_rng = map(
        np.random.default_rng, np.random.SeedSequence([error_seed, 1]).spawn(3)
    )
    measured_with = Instruments() if instruments is None else instruments
    world = make_world(world_rng, is_null) if world is None else world
    plans = plan_season(batches, world, plan_rng, careless_frac)
    books = Books()
    runs, deliveries = _run_batches(plans, world, books, process_rng, progress)
    casks, shelf = cellar.fill_casks(deliveries, world, process_rng)
    ends = max(item.when for item in deliveries) + timedelta(days=DAYS_AFTER_LAST_RUN)
    evenings = panel.cask_sessions(casks, plans[0].starts, ends)
    cask_events = _age_casks(casks, evenings, ends, process_rng, progress)
    flavours = panel.true_flavours(runs, world, process_rng)
    sessions = _hold_sessions(runs, deliveries, evenings, flavours, world, layout_rng, panel_rng)
    tests, trials = _hold_tests(sessions, world, panel_rng)
    batch_events = [event for run in runs for event in _careless(run, carelessness_rng)]
    return Season(
        seed=seed,
        instrument_seed=error_seed,
        is_null=is_null,
        instruments=measured_with,
        world=world,
        runs=tuple(runs),
        books=books,
        casks=tuple(casks),
        shelf=tuple(shelf),
        flavours=flavours,
        sessions=tuple(sessions),
        tests=tuple(tests),
        trials=tuple(trials),
        batch_events=tuple(batch_events),
        batch_readings=tuple(
            read_thermometers(
                read_events(batch_events, measured_with, reading_rng),
                measured_with.temperature_c,
                measured_with.is_perfect,
                np.random.default_rng([error_seed, 2]),
            )
        ),
        cask_events=tuple(cask_events),
        cask_readings=tuple(read_events(cask_events, measured_with, reading_rng)),
        analyses=_analyse(world, measured_with, analysis_rng),
        mistakes=tuple(mistakes),
    )


def _run_batches(
    plans: Sequence[BatchPlan],
    world: World,
    books: Books,
    rng: np.random.Generator,
    progress: Progress | None,
) -> tuple[list[BatchRun], list[Delivery]]:
    """Every batch in the order of the season; stills side by side share a day, charges before jars."""
    runs: list[BatchRun] = []
    deliveries: list[Delivery] = []
    slots = max(plan.slot for plan in plans) + 1
    by_slot: list[list[BatchPlan]] = [[] for _ in range(slots)]
    for plan in plans:
        by_slot[plan.slot].append(plan)
    for slot in by_slot:
        washes = [brew(plan, world, rng) for plan in slot]
        stripped = [distillery.strip_batch(wash, world, books, rng) for wash in washes]
        wanted = [distillery.spirit_runs_needed(run, books, world) for run in stripped]
        for run, runs_due in zip(stripped, wanted, strict=True):
            distillery.wait_for_still(run, runs_due, books)
        for number in range(max(wanted)):
            due = [pair for pair in zip(stripped, wanted, strict=True) if number < pair[1]]
            charges = [
                distillery.charge_spirit(run, number, runs_due, world, books, rng) for run, runs_due in due
            ]
            for (run, _), charge in zip(due, charges, strict=True):
                distillery.run_spirit(run, number, charge, world, books, rng)
        for run, runs_due in zip(stripped, wanted, strict=True):
            when = distillery.proof_hearts(run, runs_due, rng, books)
            deliveries.append(Delivery(when, run.plan.batch, f"{run.plan.batch} hearts", run.hearts))
        runs += stripped
        if progress is not None:
            progress("batches simulated", len(runs), len(plans))
    return runs, deliveries


def _age_casks(
    casks: Sequence[Cask],
    evenings: Sequence[tuple[datetime, list[Cask]]],
    ends: datetime,
    rng: np.random.Generator,
    progress: Progress | None,
) -> list[Event]:
    events: list[Event] = []
    named = [(when, {cask.name for cask in poured}) for when, poured in evenings]
    for number, cask in enumerate(casks):
        tastings = [when - timedelta(hours=8) for when, poured in named if cask.name in poured]
        events += cellar.cask_events(cask, ends, tastings, number, rng)
        cask.age_to(ends)
        if progress is not None:
            progress("casks aged", number + 1, len(casks))
    return events


def _hold_sessions(
    runs: Sequence[BatchRun],
    deliveries: Sequence[Delivery],
    evenings: Sequence[tuple[datetime, list[Cask]]],
    flavours: dict[str, panel.Flavour],
    world: World,
    layout: np.random.Generator,
    panel_rng: np.random.Generator,
) -> list[Session]:
    tables: list[tuple[str, datetime, list[panel.Sample]]] = []
    for when, batches in panel.spirit_sessions(runs, [item.when for item in deliveries]):
        samples = [panel.Sample(batch, "", flavours[batch]) for batch in batches]
        tables.append(("new spirit", when, samples))
    for when, casks in evenings:
        samples = [
            panel.Sample("", cask.name, panel.cask_flavour(cask, when, flavours, world)) for cask in casks
        ]
        tables.append(("casks", when, samples))
    sessions = []
    for kind, when, samples in sorted(tables, key=lambda table: table[1]):
        name = f"{kind} {when:%Y-%m-%d}"
        pours = panel.taste(name, when, samples, world, layout, panel_rng)
        sessions.append(Session(name, when, tuple(samples), tuple(pours)))
    return sessions


def _hold_tests(
    sessions: Sequence[Session], world: World, panel_rng: np.random.Generator
) -> tuple[list[tuple[panel.Sample, panel.Sample]], list[Trial]]:
    """Triangles on pairs of new spirits in mid season and, if casks were tasted, of casks at its end."""
    tests: list[tuple[panel.Sample, panel.Sample]] = []
    trials: list[Trial] = []
    of_spirit = [session for session in sessions if session.samples[0].batch]
    of_casks = [session for session in sessions if session.samples[0].cask]
    chosen = [of_spirit[len(of_spirit) // 2], *of_casks[-1:]]
    for session in chosen:
        pairs = panel.pick_pairs(session.samples)
        when = session.when + timedelta(days=7)
        name = f"triangles {when:%Y-%m-%d}"
        tests += pairs
        trials += panel.triangle_trials(name, when, pairs, world.assessors, panel_rng)
    return tests, trials


def _careless(run: BatchRun, rng: np.random.Generator) -> list[Event]:
    """The batch's events in time order; in a careless batch one jar has no strength and another no volume."""
    events = sorted([*run.wash.events, *run.events], key=lambda event: event.when)
    if not run.plan.is_careless:
        return events
    jars = [i for i, event in enumerate(events) if event.step == "collect" and event.cut != "low wines"]
    without_strength, without_volume = rng.choice(jars, size=2, replace=False)
    events[without_strength] = replace(events[without_strength], strength_pct_vol=math.nan)
    events[without_volume] = replace(events[without_volume], volume_l=math.nan, note="not measured")
    return events


def _analyse(
    world: World, instruments: Instruments, rng: np.random.Generator
) -> dict[str, tuple[float, float, float]]:
    """The co-operative's own analyses of most ingredients: extract, moisture and fermentable share [%]."""
    results = {}
    for name, true in world.ingredients.items():
        errors = np.zeros(3) if instruments is PERFECT else rng.standard_normal(3) * (0.3, 0.15, 0.5)
        low, moisture, fermentable = errors
        results[name] = (
            min(100.0, true.extract_pct + float(low)),
            true.moisture_pct + float(moisture),
            true.fermentable_pct + float(fermentable),
        )
    return results
