"""From the season and the distiller's limits to the batches worth running next."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.fits import wording
from pipeline.fits.aliases import Tie, tied_levels
from pipeline.fits.blocks import BlockFit
from pipeline.fits.candidates import Candidate, Ingredient, Rules, describe, enumerate_candidates
from pipeline.fits.design import TOGETHER, WITH, Family, Problem, products
from pipeline.fits.effects import questions, reference_mix
from pipeline.fits.mixture import Floats
from pipeline.fits.next_batches import Chooser, Pick

BEYOND_USED = 0.20
"""How far past its highest share so far a grain may go, unless the settings say otherwise."""

_FEWEST_BATCHES = 3


@dataclass(frozen=True)
class Choice:
    """A batch to try, in words and figures."""

    pick: Pick
    composition: str
    yeast: str
    cost: float | None
    sentence: str


@dataclass(frozen=True)
class Limits:
    """What `season.toml` says under [next]; None and empty: no limit."""

    yeasts: tuple[str, ...]
    batch_kg: float | None
    least_enzymes: float
    shares: dict[str, tuple[float, float]]
    stock_kg: dict[str, float]
    currency: str


def plan_next(
    problem: Problem,
    fit: BlockFit,
    ties: Sequence[Tie],
    is_better: bool,
    ingredient: pl.DataFrame,
    setting: pl.DataFrame,
    batch: pl.DataFrame,
) -> list[Choice]:
    """Up to four batches to try for one response; none when the grains never varied or nothing is allowed.

    is_better : whether the fit foretells better than the mean
    """
    tied = tied_levels(ties)
    grain = problem.family("grain")
    if grain is None or problem.response.is_more_better is None:
        return []
    limits = limits_of(setting)
    names = [level for level in grain.levels if not level.startswith("other ")]
    columns = [grain.levels.index(name) for name in names]
    rules = _rules(problem, grain, names, ingredient, limits, batch)
    made = _made(problem, grain, columns)
    candidates = enumerate_candidates(rules, made)
    if not candidates:
        return []
    proposed = np.array([item.shares for item in candidates])
    rows = _rows(problem, columns, proposed, [item.yeast for item in candidates], tied)
    shown = _rows(
        problem, columns, np.array([shares for shares, _ in made]), [name for _, name in made], tied
    )
    asked = [question for question in questions(problem, tied) if question.units >= _FEWEST_BATCHES]
    bill = problem.columns_of("grain")
    chooser = Chooser(fit, rows, shown, problem.response.is_more_better, asked, bill)
    needs_cooking = set(ingredient.filter(pl.col("needs_cooking"))["ingredient"])
    pairs = [
        (tie.level, tie.other_level)
        for tie in ties
        if tie.is_exact and (tie.family, tie.other_family) == ("grain", "yeast")
    ]
    return [
        _choice(
            problem, pick, candidates[pick.candidate], names, needs_cooking, limits.currency, pairs, is_better
        )
        for pick in chooser.choose()
    ]


def limits_of(setting: pl.DataFrame) -> Limits:
    """The limits in the settings table: rows named `next.…` (see `pipeline.settings.NextBatches`)."""
    texts = {name: text for name, text, _ in setting.iter_rows()}
    numbers = {name: number for name, _, number in setting.iter_rows()}
    shares: dict[str, tuple[float, float]] = {}
    stock: dict[str, float] = {}
    for name, text, number in setting.iter_rows():
        if name.startswith("next.share_pct."):
            low, high = str(text).split("..")
            shares[name.removeprefix("next.share_pct.")] = (float(low) / 100.0, float(high) / 100.0)
        elif name.startswith("next.stock_kg."):
            stock[name.removeprefix("next.stock_kg.")] = float(number)
    yeasts = tuple(str(texts[name]) for name in sorted(texts) if name.startswith("next.yeasts."))
    least = numbers.get("next.least_enzymes_pct")
    return Limits(
        yeasts,
        numbers.get("next.batch_kg"),
        0.30 if least is None else least / 100.0,
        shares,
        stock,
        str(texts.get("currency") or ""),
    )


def _rules(
    problem: Problem,
    grain: Family,
    names: list[str],
    ingredient: pl.DataFrame,
    limits: Limits,
    batch: pl.DataFrame,
) -> Rules:
    known = {row["ingredient"]: row for row in ingredient.iter_rows(named=True)}
    items = []
    for name in names:
        members = name.split(WITH)
        usual = float(grain.columns[:, grain.levels.index(name)].max())
        prices = [known[member]["price_per_kg"] for member in members]
        stocks = [limits.stock_kg[member] for member in members if member in limits.stock_kg]
        items.append(
            Ingredient(
                name,
                all(known[member]["has_enzymes"] for member in members),
                None if None in prices else float(np.mean(prices)),
                max((limits.shares[m][0] for m in members if m in limits.shares), default=0.0),
                min(
                    (limits.shares[m][1] for m in members if m in limits.shares),
                    default=min(1.0, usual + BEYOND_USED),
                ),
                min(stocks) if stocks else None,
            )
        )
    yeast = problem.family("yeast")
    used = [
        level for level in (yeast.levels if yeast else ()) if level != "not logged" and " + " not in level
    ]
    at_hand = tuple(name for name in limits.yeasts if name in used) if limits.yeasts else tuple(used)
    mass = (batch["grain_kg"].fill_null(0.0) + batch["sugar_kg"].fill_null(0.0)).to_numpy()
    usual_kg = float(np.median(mass[mass > 0])) if (mass > 0).any() else 1.0
    return Rules(
        tuple(items), at_hand or ("the usual yeast",), limits.batch_kg or usual_kg, limits.least_enzymes
    )


def _made(problem: Problem, grain: Family, columns: list[int]) -> list[tuple[Floats, str]]:
    """Every bill and yeast made so far, a recipe's batches with one yeast taken together."""
    yeast = problem.family("yeast")
    names = ["the usual yeast"] * len(problem.recipes)
    if yeast is not None:
        names = [yeast.levels[level] for level in yeast.columns.argmax(axis=1).tolist()]
    groups: dict[tuple[str, str], list[int]] = {}
    for row, key in enumerate(zip(problem.recipes, names, strict=True)):
        groups.setdefault(key, []).append(row)
    return [(grain.columns[rows][:, columns].mean(axis=0), name) for (_, name), rows in groups.items()]


def _rows(
    problem: Problem,
    columns: list[int],
    shares: Floats,
    yeasts: Sequence[str],
    tied: Collection[tuple[str, str]],
) -> Floats:
    """Candidates as rows in the fit's columns, all but grain and yeast at their average."""
    count = len(shares)
    parts: dict[str, Floats] = {}
    for family in problem.families:
        if family.name == "grain":
            parts["grain"] = np.zeros((count, len(family.levels)))
            parts["grain"][:, columns] = shares
        elif family.name == "yeast":
            usual = reference_mix(family, tied)
            own = {name: np.eye(len(family.levels))[k] for k, name in enumerate(family.levels)}
            parts["yeast"] = np.array([own.get(name, usual) for name in yeasts])
        elif family.name == TOGETHER:
            parts[TOGETHER] = products(parts["grain"], parts["yeast"])
        elif family.is_shares:
            parts[family.name] = np.tile(reference_mix(family, tied), (count, 1))
        else:
            parts[family.name] = np.tile(family.mean, (count, 1))
    return np.concatenate(list(parts.values()), axis=1)


def _choice(
    problem: Problem,
    pick: Pick,
    candidate: Candidate,
    names: list[str],
    needs_cooking: set[str],
    currency: str,
    pairs: Sequence[tuple[str, str]],
    is_better: bool,
) -> Choice:
    used = [name for name, share in zip(names, candidate.shares, strict=True) if share > 0]
    cooking = [member for name in used for member in name.split(WITH) if member in needs_cooking]
    cost = (
        "What its fermentables cost is not known: a price is missing."
        if candidate.cost is None
        else f"Fermentables for a usual batch: about {candidate.cost:.0f} {currency}".rstrip() + "."
    )
    card = wording.Card(
        describe(names, candidate.shares),
        candidate.yeast,
        cost,
        tuple(cooking),
        tuple(pair for pair in pairs if (pair[0] in used) != (pair[1] == candidate.yeast)),
        not is_better,
    )
    sentence = wording.next_sentence(problem.response, pick, card)
    return Choice(pick, card.bill, candidate.yeast, candidate.cost, sentence)
