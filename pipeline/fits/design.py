"""From the design tables to arrays: one problem a response, its choices in families of columns.

A family is a set of choices of one kind (grains, yeasts, measured process factors, cask woods; and the
setting: session, still, season, which is allowed for and never blamed). Where grain and yeast both varied,
a family of their products stands last: what a grain does with one yeast and not with another is allowed
for too, so that an average over the yeasts is no surer than the yeasts tried with it make it. Knows no SQL
and fits nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.fits.blocks import Block, BlockFit
from pipeline.fits.mixture import Floats
from pipeline.fits.responses import FACTORS, Response, is_known, response_of

FEWEST_UNITS = 8
"""With fewer measured batches (or casks) nothing is fitted: tables only."""

# Half-t(3) scales of the families' ratios, in residual standard deviations: per 100 % of a grain, per
# yeast, per standard deviation of a process factor. The first two by simulation: too tight is dangerous,
# too wide is not. The last, per 100 % of a grain with a yeast, by simulation too: no more than a yeast's own.
PRIOR_SCALES = {
    "grain": 8.0, "yeast": 2.0, "process": 1.0, "wood": 2.0, "setting": 1.0, "grain with yeast": 1.5,
}  # fmt: skip

TOGETHER = "grain with yeast"
"""The family of products of grain shares and yeasts."""

ALLOWED_FOR = ("setting", TOGETHER)
"""Families that are allowed for; nothing is asked of them."""

# More products than this would cost more than they tell.
_MOST_PRODUCTS = 60

WITH = " with "
"""Between the names of grains that are judged as one because they only ever came together."""

# Two grains used in the very same batches are judged as one when their proportion varies by less than this
# (standard deviation of one's part in the two; own choice).
_SAME_PROPORTION = 0.25
_SETTINGS = ("session", "still", "season")
# A factor missing in more of the units than this is left out; below, the mean stands in.
_MOST_MISSING_FRAC = 0.2
UNITS_PER_FACTOR = 8
"""Batches (or casks) that each measured factor needs: with fewer, the last of the list are not asked."""

TOO_MANY, HARDLY_LOGGED, NEVER_VARIED = "too many", "hardly logged", "never varied"
"""Why a measured factor is not asked."""

_FIRST_STEPS = 5
# A cask holds the grain of several batches: fewer casks to a choice than this, and its grain is not asked.
_CASKS_PER_CHOICE = 2


@dataclass(frozen=True)
class Centred:
    """Columns less their means, and how long each then is."""

    columns: Floats
    sizes: Floats

    @classmethod
    def of(cls, columns: Floats, mean: Floats) -> Centred:
        """Columns of these means."""
        centred = columns - mean
        return cls(centred, np.linalg.norm(centred, axis=0))

    def correlation(self, other: Centred) -> Floats:
        """Of each column with each of the other's; nought where one of the two does not vary."""
        size = np.outer(self.sizes, other.sizes)
        shared = self.columns.T @ other.columns
        return np.asarray(np.divide(shared, size, out=np.zeros_like(size), where=size > 1e-12))


@dataclass(frozen=True)
class Family:
    """Choices of one kind as columns. `steps` are what a reported step is, in units of each column.

    merged : levels that stand for several grains which only ever came together
    """

    name: str
    levels: tuple[str, ...]
    columns: Floats
    steps: Floats
    merged: tuple[str, ...] = ()

    @property
    def is_shares(self) -> bool:
        """Whether rows sum to one: grains, yeasts, woods, as against measured factors."""
        return self.name in ("grain", "yeast", "wood")

    @cached_property
    def is_used(self) -> NDArray[np.bool_]:
        """Whether each unit has anything of each level (units, levels)."""
        return np.asarray(np.abs(self.columns) > 1e-9)

    @cached_property
    def uses(self) -> tuple[int, ...]:
        """In how many units each level was chosen at all."""
        return tuple(np.count_nonzero(self.is_used, axis=0).tolist())

    @cached_property
    def mean(self) -> Floats:
        """How much of each level the average unit has."""
        return np.asarray(self.columns.mean(axis=0))

    @cached_property
    def centred(self) -> Centred:
        """How much each unit has of each level, beside the average unit."""
        return Centred.of(self.columns, self.mean)

    @cached_property
    def presence(self) -> Centred:
        """Whether each unit has anything of each level, beside how often units have."""
        is_used = self.is_used.astype(float)
        return Centred.of(is_used, is_used.mean(axis=0))

    def used(self, level: int) -> int:
        """In how many units the level was chosen at all."""
        return self.uses[level]


@dataclass(frozen=True)
class Problem:
    """One response with its choices; rows are units (batches or casks) in the order they were made.

    made_on : when each was made (mashed or filled), None where it is not logged
    unasked : measured factors that are not among the choices, and why: one of the words above
    """

    response: Response
    unit_kind: str
    units: tuple[str, ...]
    recipes: tuple[str, ...]
    y: Floats
    y_u: Floats
    families: tuple[Family, ...]
    made_on: tuple[date | None, ...] = ()
    unasked: tuple[tuple[str, str], ...] = ()

    def family(self, name: str) -> Family | None:
        """The family of that name; None when nothing of it varied."""
        return next((family for family in self.families if family.name == name), None)

    @cached_property
    def matrix(self) -> Floats:
        """All families' columns side by side."""
        if not self.families:
            return np.empty((len(self.y), 0))
        return np.concatenate([family.columns for family in self.families], axis=1)

    def columns_of(self, name: str) -> slice:
        """Where a family's columns stand in `matrix`."""
        start = 0
        for family in self.families:
            if family.name == name:
                return slice(start, start + len(family.levels))
            start += len(family.levels)
        raise KeyError(name)

    @property
    def straight(self) -> Floats:
        """The columns without products: what a straight model has."""
        together = self.family(TOGETHER)
        return self.matrix[:, : self.matrix.shape[1] - (len(together.levels) if together else 0)]

    @property
    def blocks(self) -> list[Block]:
        """The families as blocks of exchangeable coefficients."""
        return [
            Block(f.name, len(f.levels), PRIOR_SCALES[f.name], is_late=f.name == TOGETHER)
            for f in self.families
        ]

    def without(self, *names: str) -> Problem:
        """The same problem without some families."""
        return replace(self, families=tuple(f for f in self.families if f.name not in names))


@dataclass(frozen=True)
class DesignFrames:
    """The design tables as frames: `fit.design`, `fit.cask_design`, `fit.design_level`, `fit.response`."""

    design: pl.DataFrame
    cask_design: pl.DataFrame
    level: pl.DataFrame
    response: pl.DataFrame


@dataclass(frozen=True)
class _Chosen:
    """One family's levels, how much of each every unit has (units, levels), and whether it is written."""

    levels: tuple[str, ...]
    shares: Floats
    is_there: NDArray[np.bool_]


@dataclass(frozen=True)
class _Choices:
    """What every unit of one kind chose, by family; `rows`: each `unit` and the `row` where it stands."""

    rows: pl.DataFrame
    chosen: dict[str, _Chosen]

    def of(self, rows: NDArray[np.int64]) -> dict[str, _Chosen]:
        """The same for the units that stand in these rows, in their order."""
        return {
            name: _Chosen(own.levels, own.shares[rows], own.is_there[rows])
            for name, own in self.chosen.items()
        }


@dataclass(frozen=True)
class _Units:
    """What is known of some units, worked out once for all responses that just these units have.

    names, recipes, made_on : as in `Problem`
    chosen                  : what they chose, in their order
    families                : of these, as many as were asked for
    """

    names: tuple[str, ...]
    recipes: tuple[str, ...]
    made_on: tuple[date | None, ...]
    chosen: Mapping[str, _Chosen]
    families: dict[str, Family | None] = field(default_factory=dict)

    @classmethod
    def of(cls, rows: pl.DataFrame, choices: _Choices) -> _Units:
        """The units that stand in some rows of the design."""
        names = tuple(rows["unit"].to_list())
        recipes = (
            rows["grain_bill"].fill_null("not logged").to_list() if "grain_bill" in rows.columns else names
        )
        made = next((rows[name] for name in ("mashed_on", "filled_on") if name in rows.columns), None)
        made_on = (None,) * len(names) if made is None else tuple(made.cast(pl.Date).to_list())
        return cls(names, tuple(recipes), made_on, choices.of(rows["row"].to_numpy().astype(np.int64)))

    def shares(self, name: str, kinds: Sequence[str]) -> Family | None:
        """The family of what was chosen of some kinds; None when all units have the same."""
        if name not in self.families:
            self.families[name] = _shares(self.chosen, kinds, name)
        return self.families[name]


def problems(frames: DesignFrames) -> Iterator[Problem]:
    """Every response that can be fitted: batches first, then casks, in the order of the responses' names."""
    for unit_kind, frame, key in (
        ("batch", frames.design, "batch"),
        ("cask", frames.cask_design, "cask"),
    ):
        levels = frames.level.filter(pl.col("unit_kind") == unit_kind)
        choices = _read_choices(levels)
        with_grain = levels.filter(pl.col("family") == "grain")["unit"]
        units = frame.rename({key: "unit"}).filter(pl.col("unit").is_in(with_grain.implode()))
        units = units.join(choices.rows, on="unit", how="left", maintain_order="left")
        measured = frames.response.filter(pl.col("unit_kind") == unit_kind)
        by_name = measured.partition_by("response", as_dict=True)
        known: dict[bytes, _Units] = {}
        for name in measured["response"].unique().sort():
            rows = units.join(by_name[name,], on="unit", maintain_order="left")
            if is_known(name) and rows.height >= FEWEST_UNITS:
                those = rows["row"].to_numpy().tobytes()
                if those not in known:
                    known[those] = _Units.of(rows, choices)
                problem = _problem(response_of(name, unit_kind), unit_kind, rows, known[those])
                if np.ptp(problem.y) > 0:
                    yield problem


def fit_problem(problem: Problem) -> BlockFit:
    """The hierarchical fit of a problem, rows weighted by how well each was measured.

    The weight of a row is one over the variance between batches plus its own variance of measurement;
    the former from a first fit without weights, at least a tenth of what that fit leaves.
    """
    rough = problem.without(TOGETHER)
    first = BlockFit(rough.y, rough.matrix, rough.blocks, steps=_FIRST_STEPS)
    own = np.where(np.isfinite(problem.y_u), problem.y_u, np.nan)
    own = np.where(np.isnan(own), np.sqrt(np.nanmean(own**2)) if np.isfinite(own).any() else 0.0, own) ** 2
    left = first.residual_sd**2
    between = max(left - float(own.mean()), 0.1 * left)
    weights = 1.0 / (between + own)
    if np.ptp(weights) < 0.02 * weights.mean():
        return BlockFit(problem.y, problem.matrix, problem.blocks)
    return BlockFit(problem.y, problem.matrix, problem.blocks, weights=weights)


def _problem(response: Response, unit_kind: str, rows: pl.DataFrame, units: _Units) -> Problem:
    families = [units.shares(name, (name,)) for name in response.families]
    if unit_kind == "cask":
        families = _as_many_as_casks_carry(families, rows.height)
    process, unasked = _process(response.factors, rows)
    families += [process, units.shares("setting", _SETTINGS)]
    return Problem(
        response,
        unit_kind,
        units.names,
        units.recipes,
        rows["value"].to_numpy().astype(float),
        rows["value_u"].fill_null(float("nan")).to_numpy().astype(float),
        with_products(family for family in families if family is not None),
        units.made_on,
        tuple(unasked),
    )


def _as_many_as_casks_carry(families: Sequence[Family | None], casks: int) -> list[Family | None]:
    """The families of named choices, without the grain unless there are two casks to each choice."""
    named = sum(len(family.levels) for family in families if family is not None)
    if casks >= _CASKS_PER_CHOICE * named:
        return list(families)
    return [family for family in families if family is None or family.name != "grain"]


def with_products(families: Iterable[Family]) -> tuple[Family, ...]:
    """The families, and after them the products of grain shares and yeasts where both varied."""
    found = tuple(families)
    grain, yeast = (next((f for f in found if f.name == name), None) for name in ("grain", "yeast"))
    if grain is None or yeast is None or len(grain.levels) * len(yeast.levels) > _MOST_PRODUCTS:
        return found
    levels = tuple(f"{one} by {other}" for one in grain.levels for other in yeast.levels)
    return (*found, Family(TOGETHER, levels, products(grain.columns, yeast.columns), np.ones(len(levels))))


def products(shares: Floats, yeasts: Floats) -> Floats:
    """Row by row, every share times every yeast, in the order of `with_products`."""
    return (shares[:, :, None] * yeasts[:, None, :]).reshape(len(shares), -1)


def _read_choices(levels: pl.DataFrame) -> _Choices:
    """The rows of `fit.design_level` of one kind of unit as arrays."""
    known = levels.select(pl.col("unit").unique(maintain_order=True)).with_row_index("row")
    levels = levels.join(known, on="unit", maintain_order="left")
    chosen = {}
    for (family,), rows in levels.group_by("family", maintain_order=True):
        names = rows["level"].unique().sort().to_list()
        row = rows["row"].to_numpy()
        column = rows["level"].replace_strict(names, range(len(names)), return_dtype=pl.Int64).to_numpy()
        shares, is_there = np.zeros((len(known), len(names))), np.zeros((len(known), len(names)), dtype=bool)
        np.add.at(shares, (row, column), rows["share_frac"].to_numpy())
        is_there[row, column] = True
        chosen[str(family)] = _Chosen(tuple(str(name) for name in names), shares, is_there)
    return _Choices(known, chosen)


def _shares(chosen: Mapping[str, _Chosen], names: Sequence[str], family: str) -> Family | None:
    """Columns of shares for the levels in use; None when all units have the same."""
    kept: list[tuple[str, Floats]] = []
    for own in (chosen[name] for name in names if name in chosen):
        levels = np.flatnonzero(own.is_there.any(axis=0))
        if family == "setting" and own is not chosen.get("session") and len(levels) < 2:
            continue
        kept += [(own.levels[level], own.shares[:, level]) for level in levels]
    kept = [item for item in kept if item[1].any()]
    if not kept or all(np.ptp(column) < 1e-9 for _, column in kept):
        return None
    merged: tuple[str, ...] = ()
    if family == "grain":
        kept, merged = merge_companions(kept)
    columns = np.stack([column for _, column in kept], axis=1)
    return Family(family, tuple(level for level, _ in kept), columns, np.ones(len(kept)), merged)


def merge_companions(
    kept: list[tuple[str, Floats]],
) -> tuple[list[tuple[str, Floats]], tuple[str, ...]]:
    """Grains used in the very same units, in all but fixed proportion, become one: `A with B`.

    kept    : grains and their columns of shares
    returns : the same with companions added up, and the names of those that were
    """
    groups: list[list[tuple[str, Floats]]] = []
    for level, column in kept:
        for group in groups:
            if _are_companions(column, group[0][1]):
                group.append((level, column))
                break
        else:
            groups.append([(level, column)])
    joined = [(WITH.join(level for level, _ in group), _total(group)) for group in groups]
    return joined, tuple(name for (name, _), group in zip(joined, groups, strict=True) if len(group) > 1)


def _are_companions(one: Floats, other: Floats) -> bool:
    used = one > 0
    if used.all() or not np.array_equal(used, other > 0):
        return False
    return float(np.std(one[used] / (one[used] + other[used]))) < _SAME_PROPORTION


def _total(group: list[tuple[str, Floats]]) -> Floats:
    return np.asarray(np.sum([column for _, column in group], axis=0))


def _process(factors: Sequence[str], rows: pl.DataFrame) -> tuple[Family | None, list[tuple[str, str]]]:
    """Measured factors, each less its mean and over its standard deviation; as many as the units carry.

    returns : the family, None when no factor can be asked, and the factors that are not asked with the reason
    """
    kept: list[tuple[str, Floats, float]] = []
    unasked: list[tuple[str, str]] = []
    for name in factors:
        values = rows[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()
        if np.isnan(values).mean() > _MOST_MISSING_FRAC:
            unasked.append((name, HARDLY_LOGGED))
            continue
        centred = np.where(np.isnan(values), 0.0, values - np.nanmean(values))
        spread = float(np.std(centred, ddof=1))
        if spread <= 1e-9:
            unasked.append((name, NEVER_VARIED))
        elif len(kept) >= max(1, rows.height // UNITS_PER_FACTOR):
            unasked.append((name, TOO_MANY))
        else:
            kept.append((name, centred / spread, FACTORS[name].step / spread))
    if not kept:
        return None, unasked
    columns = np.stack([column for _, column, _ in kept], axis=1)
    steps = np.array([step for _, _, step in kept])
    return Family("process", tuple(name for name, _, _ in kept), columns, steps), unasked
