"""Invented seasons at the level of the design table, with known truth, for holding the fits to account.

Recipes, grains, yeasts, planted effects and spreads are the simulator's own; a season here is drawn in a
millisecond because nothing is brewed. Each world breaks one thing that the fits assume.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.fits.design import WITH, Family, Problem, merge_companions, with_products
from pipeline.fits.effects import reference_mix
from pipeline.fits.mixture import Floats
from pipeline.fits.responses import SCORE, response_of
from pipeline.science import MAX_LPA_PER_KG_EXTRACT
from pipeline.simulate import scenario
from pipeline.simulate.world import Scatter, World, make_world

WORLDS = (
    "as simulated",
    "curved",
    "interaction",
    "heavy tails",
    "outliers",
    "drift",
    "unequal assessors",
    "confounded",
)
"""All but the first break an assumption; a null season is drawn apart from these."""

RESPONSES = ("yield_lpa_per_kg", f"{SCORE}fruit", f"{SCORE}spice")

RESPONSES_OF_EMPTY = (*RESPONSES, f"{SCORE}cream", f"{SCORE}smoke", f"{SCORE}overall")
"""More questions at once, as a real season has them: each more is a chance of a false claim."""

_RECIPES_FOR = {12: 4, 24: 6, 60: 8}
_BATCHES_A_SESSION = 9
_ASSESSORS = 5
_RECOVERY = 0.86 * 0.95
_MEASURED_FRAC = 0.006
# Spread of yield between like batches: mash, fermentation and still together [share of the yield].
_YIELD_SPREAD = 0.035
_PROCESS = ("ferment_temperature_c", "hearts_end_pct_vol", "rest_days")


@dataclass(frozen=True)
class Invented:
    """A season: its problems, and what is true of each response for any shares (grains) and yeast."""

    problems: tuple[Problem, ...]
    truths: tuple[Callable[[Floats, int], float], ...]
    noise_sd: tuple[float, ...]
    is_tie_planted: bool
    grains: tuple[str, ...]
    mean_shares: Floats

    def true_answer(self, place: int, vector: Floats, tied: Collection[tuple[str, str]]) -> float:
        """What a question about grain or yeast truly comes to: a change from the average bill and yeast.

        place  : which of the problems
        vector : the question, in the problem's columns
        """
        problem, truth = self.problems[place], self.truths[place]
        grain, yeast = problem.family("grain"), problem.family("yeast")
        assert grain is not None
        assert yeast is not None
        expand = self._expansion(grain)
        mix = reference_mix(grain, tied) @ expand
        company = reference_mix(yeast, tied)
        change = vector[problem.columns_of("grain")] @ expand
        if np.any(change):
            gains = [truth(mix + change, k) - truth(mix, k) for k in range(len(yeast.levels))]
            return float(company @ gains)
        asked = vector[problem.columns_of("yeast")]
        return float(asked @ [truth(mix, k) for k in range(len(yeast.levels))])

    def _expansion(self, grain: Family) -> Floats:
        """From the problem's levels to single grains: companions in their usual proportion."""
        expand = np.zeros((len(grain.levels), len(self.grains)))
        for row, level in enumerate(grain.levels):
            members = [self.grains.index(name) for name in level.split(WITH)]
            expand[row, members] = self.mean_shares[members] / self.mean_shares[members].sum()
        return expand


@dataclass(frozen=True)
class _Design:
    recipes: tuple[str, ...]
    grains: tuple[str, ...]
    yeasts: tuple[str, ...]
    shares: Floats
    yeast: Floats
    process: Floats
    sessions: Floats


def invent_season(
    batches: int,
    world_name: str,
    rng: np.random.Generator,
    is_null: bool = False,
    responses: Sequence[str] = RESPONSES,
) -> Invented:
    """A season of so many batches in a world of `WORLDS`; with `is_null`, no choice makes a difference."""
    world = make_world(rng, is_null)
    design = _draw_design(batches, world, world_name, rng)
    problems, truths, noises = [], [], []
    for name in responses:
        truth = _truth(name, world, design, world_name, rng)
        expected = np.array(
            [
                truth(shares, int(own.argmax()))
                for shares, own in zip(design.shares, design.yeast, strict=True)
            ]
        )
        y, y_u, noise = _measure(name, expected, design, world_name, rng, is_null)
        problems.append(_problem(name, design, y, y_u))
        truths.append(truth)
        noises.append(noise)
    is_tied = scenario.TIED_RECIPE in design.recipes and design.yeast.shape[1] > 1
    return Invented(
        tuple(problems), tuple(truths), tuple(noises), is_tied, design.grains, design.shares.mean(axis=0)
    )


def _draw_design(batches: int, world: World, world_name: str, rng: np.random.Generator) -> _Design:
    names = list(world.recipes)
    count = _RECIPES_FOR.get(batches, min(len(names), 3 + batches // 10))
    # The tied recipe is always among them: its tie must be named.
    others = [name for name in names if name != scenario.TIED_RECIPE]
    chosen = [scenario.TIED_RECIPE, *(others[k] for k in rng.permutation(len(others))[: count - 1])]
    recipes = [chosen[k % count] for k in rng.permutation(batches)]
    free = [name for name in world.yeasts if name != scenario.TIED_YEAST]
    habit = {name: free[int(rng.integers(len(free)))] for name in chosen}
    faithful = 0.9 if world_name == "confounded" else 0.5
    yeasts = [
        scenario.TIED_YEAST
        if recipe == scenario.TIED_RECIPE
        else habit[recipe]
        if rng.random() < faithful
        else free[int(rng.integers(len(free)))]
        for recipe in recipes
    ]
    grains = sorted({grain for name in chosen for grain in world.recipes[name]})
    shares = np.zeros((batches, len(grains)))
    for row, recipe in enumerate(recipes):
        bill = world.recipes[recipe]
        raw = {g: s * np.exp(world.scatter.grain_share / s * rng.standard_normal()) for g, s in bill.items()}
        for grain, share in raw.items():
            shares[row, grains.index(grain)] = share / sum(raw.values())
    used = sorted(set(yeasts))
    yeast = np.array([[float(own == name) for name in used] for own in yeasts])
    session = np.arange(batches) // _BATCHES_A_SESSION
    sessions = (session[:, None] == np.unique(session)).astype(float)
    process = rng.standard_normal((batches, len(_PROCESS)))
    return _Design(tuple(recipes), tuple(grains), tuple(used), shares, yeast, process, sessions)


def _truth(
    name: str, world: World, design: _Design, world_name: str, rng: np.random.Generator
) -> Callable[[Floats, int], float]:
    """What a batch of these shares with that yeast gives on average."""
    slopes, offsets = (
        _yield_parts(world, design) if name == RESPONSES[0] else _score_parts(name, world, design)
    )
    size = float(np.ptp(slopes)) * 0.5
    bends = np.zeros(len(slopes))
    mixed = np.zeros((len(slopes), len(offsets)))
    if world_name == "curved":
        bends = size * rng.uniform(-1.0, 1.0, len(slopes))
    if world_name == "interaction":
        mixed = size * rng.uniform(-1.0, 1.0, mixed.shape)

    def truth(shares: Floats, yeast: int) -> float:
        straight = shares @ slopes + offsets[yeast]
        return float(straight + bends @ (shares * (1.0 - shares)) + shares @ mixed[:, yeast])

    return truth


def _yield_parts(world: World, design: _Design) -> tuple[Floats, Floats]:
    """LPA per kg of a mash of each grain alone, and what each yeast changes of a usual one."""
    items = [world.ingredients[grain] for grain in design.grains]
    potential = np.array([item.extract_as_is_frac * item.fermentable_pct / 100.0 for item in items])
    losses = np.array([item.mash_loss_frac for item in items])
    grain = MAX_LPA_PER_KG_EXTRACT * _RECOVERY * potential * (1.0 - losses)
    reach = np.array([world.yeasts[name].reach_frac for name in design.yeasts])
    return grain * reach.mean(), grain.mean() * (reach - reach.mean())


def _score_parts(name: str, world: World, design: _Design) -> tuple[Floats, Floats]:
    attribute = name.removeprefix(SCORE)
    grain, yeast = np.zeros(len(design.grains)), np.zeros(len(design.yeasts))
    for effect in world.effects:
        if effect.attribute != attribute:
            continue
        if effect.factor == "grain_share" and effect.level in design.grains:
            grain[design.grains.index(effect.level)] += effect.size
        if effect.factor == "yeast" and effect.level in design.yeasts:
            yeast[design.yeasts.index(effect.level)] += effect.size
    return grain + 4.0, yeast


def _measure(
    name: str,
    expected: Floats,
    design: _Design,
    world_name: str,
    rng: np.random.Generator,
    is_null: bool,
) -> tuple[Floats, Floats, float]:
    """Results as measured, their standard uncertainties, and the sd of what differs between like batches."""
    n = len(expected)
    process = np.zeros_like(design.process) if is_null else design.process
    if name == RESPONSES[0]:
        spread = _YIELD_SPREAD * float(expected.mean())
        y_u = np.full(n, _MEASURED_FRAC * float(expected.mean()))
        y = expected + 0.3 * spread * process[:, 0]
    else:
        scatter = Scatter()
        spread = scatter.flavour
        skill = rng.uniform(0.5, 2.0, n) if world_name == "unequal assessors" else np.ones(n)
        y_u = skill * 0.9 / np.sqrt(_ASSESSORS)
        sessions = scatter.session * rng.standard_normal(design.sessions.shape[1])
        y = expected + design.sessions @ sessions + 0.12 * process[:, 2]
    noise = rng.standard_t(3, n) / np.sqrt(3.0) if world_name == "heavy tails" else rng.standard_normal(n)
    y = y + spread * noise + y_u * rng.standard_normal(n)
    if world_name == "outliers":
        y = y - 5.0 * spread * (rng.random(n) < 0.05)
    if world_name == "drift":
        y = y + spread * np.linspace(-1.0, 1.0, n)
    # What is written down as a score's uncertainty is itself judged from a handful of assessors.
    known = (
        y_u if name == RESPONSES[0] else y_u * np.sqrt(rng.chisquare(_ASSESSORS - 1, n) / (_ASSESSORS - 1))
    )
    return y, known, float(np.sqrt(spread**2 + (y_u**2).mean()))


def _problem(name: str, design: _Design, y: Floats, y_u: Floats) -> Problem:
    factors = min(len(_PROCESS), max(1, len(y) // 8))
    process = design.process[:, :factors]
    process = (process - process.mean(axis=0)) / process.std(axis=0, ddof=1)
    grains, merged = merge_companions(list(zip(design.grains, design.shares.T, strict=True)))
    shares = np.stack([column for _, column in grains], axis=1)
    families = [
        Family("grain", tuple(level for level, _ in grains), shares, np.ones(len(grains)), merged),
        Family("yeast", design.yeasts, design.yeast, np.ones(len(design.yeasts))),
        Family("process", _PROCESS[:factors], process, np.ones(factors)),
    ]
    if name != RESPONSES[0] and design.sessions.shape[1] > 1:
        levels = tuple(f"session {k}" for k in range(design.sessions.shape[1]))
        families.append(Family("setting", levels, design.sessions, np.ones(len(levels))))
    units = tuple(f"G{k + 1:02d}" for k in range(len(y)))
    return Problem(response_of(name), "batch", units, design.recipes, y, y_u, with_products(families))


__all__ = ["RESPONSES", "RESPONSES_OF_EMPTY", "WORLDS", "Invented", "invent_season"]
