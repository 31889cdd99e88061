"""The wood: filling casks from waiting hearts, indrink, losses, samples, regauges, bottling.

True quantities only; every litre of alcohol that enters a cask is in it, drunk in by the wood,
evaporated, drawn, or bottled.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from pipeline.simulate import liquid as liquids
from pipeline.simulate import scenario
from pipeline.simulate.liquid import EMPTY, Liquid
from pipeline.simulate.process import scatter
from pipeline.simulate.records import Event
from pipeline.simulate.world import World

FILLED_FRAC = 0.97
SETTLING_DAYS = 25
DAYS_BETWEEN_GAUGES = 95
SAMPLE_L = 0.2
LAST_GLASS_L = 0.05
_DAYS_PER_YEAR = 365.25


@dataclass(frozen=True)
class Delivery:
    """Hearts of one batch, proofed and waiting in glass."""

    when: datetime
    batch: str
    lot: str
    liquid: Liquid


@dataclass
class Cask:
    """One cask: what it is, what it holds, and where what it no longer holds has gone."""

    name: str
    kind: scenario.CaskKind
    capacity_l: float
    place: str
    ethanol_rate_per_year: float
    water_rate_per_year: float
    filled_at: datetime
    content: Liquid = EMPTY
    at: datetime = datetime.min
    parts: list[tuple[str, Liquid]] = field(default_factory=list)
    drunk_in: list[Liquid] = field(default_factory=list)
    evaporated_lpa: float = 0.0
    drawn: list[Liquid] = field(default_factory=list)
    bottled: list[Liquid] = field(default_factory=list)
    samples: dict[datetime, Liquid] = field(default_factory=dict)

    def age_to(self, when: datetime) -> None:
        """Let the cask lose what it loses until `when`."""
        years = (when - self.at).total_seconds() / 86400.0 / _DAYS_PER_YEAR
        before = self.content.lpa
        self.content = self.content.after_loss(self.ethanol_rate_per_year, self.water_rate_per_year, years)
        self.evaporated_lpa += before - self.content.lpa
        self.at = when

    @property
    def fill_lpa(self) -> float:
        """LPA put into the cask."""
        return math.fsum(part.lpa for _, part in self.parts)


def fill_casks(
    deliveries: Iterable[Delivery], world: World, rng: np.random.Generator
) -> tuple[list[Cask], list[Delivery]]:
    """Fill casks, each as soon as enough hearts wait for it; and what is left on the shelf."""
    casks: list[Cask] = []
    waiting: list[Delivery] = []
    shelf: list[Delivery] = []
    kind, size = _next_cask(world, rng)
    for delivery in sorted(deliveries, key=lambda item: item.when):
        waiting.append(delivery)
        while math.fsum(item.liquid.volume_l for item in waiting) >= FILLED_FRAC * size:
            when = delivery.when + timedelta(days=1, minutes=10 * len(casks) % 240)
            cask = _new_cask(len(casks) + 1, kind, size, when, world, rng)
            left = _fill(cask, waiting, FILLED_FRAC * size)
            # A lot's last glassful is not carried over to another cask: it stays on the shelf.
            waiting = [item for item in left if item.liquid.volume_l > LAST_GLASS_L]
            shelf += [item for item in left if item.liquid.volume_l <= LAST_GLASS_L]
            casks.append(cask)
            kind, size = _next_cask(world, rng)
    return casks, waiting + shelf


def _next_cask(world: World, rng: np.random.Generator) -> tuple[scenario.CaskKind, float]:
    if rng.random() < 0.12:
        jar = scenario.CaskKind(scenario.JAR_WOOD, "medium", "", "new staves", (5.0,), 0.12, 0.010)
        return jar, scenario.JAR_SIZE_L
    kind = world.cask_kinds[int(rng.integers(len(world.cask_kinds)))]
    return kind, float(kind.sizes_l[int(rng.integers(len(kind.sizes_l)))])


def _new_cask(
    number: int,
    kind: scenario.CaskKind,
    size: float,
    when: datetime,
    world: World,
    rng: np.random.Generator,
) -> Cask:
    # Loss goes with the surface that a litre has: (200 / V)^(1/3) against a 200 L cask.
    surface = (200.0 / size) ** (1.0 / 3.0) * kind.loss_factor * math.exp(scatter(rng, 0.0, 0.10))
    place = scenario.PLACES[int(rng.integers(len(scenario.PLACES)))]
    dry = 1.3 if place == "barn loft" else 0.7
    letter = "J" if kind.wood == scenario.JAR_WOOD else "C"
    return Cask(
        name=f"{letter}{number:02d}",
        kind=kind,
        capacity_l=size,
        place=place,
        ethanol_rate_per_year=world.loss_200l_per_year * surface,
        water_rate_per_year=world.water_loss_200l_per_year * surface * dry,
        filled_at=when,
        at=when,
    )


def _fill(cask: Cask, waiting: list[Delivery], volume_l: float) -> list[Delivery]:
    left = []
    for delivery in waiting:
        room = volume_l - cask.content.volume_l
        if room <= LAST_GLASS_L:
            left.append(delivery)
            continue
        part, rest = delivery.liquid.split(room)
        cask.parts.append((delivery.lot, part))
        cask.content = liquids.mix([cask.content, part])
        left.append(replace(delivery, liquid=rest))
    drunk = cask.kind.indrink_frac * cask.content.volume_l
    soaked, cask.content = cask.content.split(drunk)
    cask.drunk_in.append(soaked)
    return left


def cask_events(
    cask: Cask, ends: datetime, tastings: list[datetime], number: int, rng: np.random.Generator
) -> list[Event]:
    """The cask's log from its fill to `ends`; ages the cask while it goes.

    It is sampled at each of `tastings`, gauged some weeks after filling and every few months, and
    every seventh cask that has rested long enough is partly bottled near the end.
    """
    events = [_fill_event(cask, i, lot, part, rng) for i, (lot, part) in enumerate(cask.parts)]
    days: list[tuple[datetime, str]] = [(when, "draw") for when in tastings]
    when = cask.filled_at + timedelta(days=SETTLING_DAYS)
    while when < ends - timedelta(days=30):
        days.append((when, "gauge"))
        when += timedelta(days=DAYS_BETWEEN_GAUGES)
    days.append((ends - timedelta(hours=number % 9), "gauge"))
    if number % 7 == 3 and (ends - cask.filled_at).days > 150:
        days.append((ends - timedelta(days=20), "bottle"))
    for when, step in sorted(days):
        cask.age_to(when)
        events.append(_cask_event(cask, when, step, number, rng))
    return events


def _fill_event(cask: Cask, index: int, lot: str, part: Liquid, rng: np.random.Generator) -> Event:
    described: dict[str, Any] = {}
    if index == 0:
        described = {
            "wood": cask.kind.wood,
            "toast": cask.kind.toast,
            "char": cask.kind.char,
            "capacity_l": cask.capacity_l,
            "place": cask.place,
            "previous": cask.kind.previous,
        }
    return Event(
        when=cask.filled_at + timedelta(minutes=5 * index),
        step="fill",
        cask=cask.name,
        source=lot,
        volume_l=part.volume_l,
        strength_pct_vol=part.abv_pct_vol,
        temperature_c=scatter(rng, 15.0, 2.0),
        is_read_warm=True,
        **described,
    )


def _cask_event(cask: Cask, when: datetime, step: str, number: int, rng: np.random.Generator) -> Event:
    room_c = scatter(rng, 14.0, 3.0)
    event = Event(when=when, step=step, cask=cask.name, temperature_c=room_c, is_read_warm=True)
    if step == "gauge":
        # Every third cask stands on the scale; the others are dipped.
        event = replace(event, strength_pct_vol=cask.content.abv_pct_vol)
        if number % 3 == 0:
            return replace(event, mass_kg=cask.content.mass_kg)
        return replace(event, volume_l=cask.content.volume_l)
    volume = SAMPLE_L if step == "draw" else 0.35 * cask.content.volume_l
    taken, cask.content = cask.content.split(volume)
    if step == "draw":
        cask.drawn.append(taken)
        cask.samples[when] = taken
        return replace(
            event,
            volume_l=taken.volume_l,
            strength_pct_vol=taken.abv_pct_vol,
            note="for the panel",
        )
    cask.bottled.append(taken)
    return replace(event, volume_l=taken.volume_l, strength_pct_vol=taken.abv_pct_vol)
