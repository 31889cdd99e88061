"""Jars that nobody measured: what their alcohol can be taken for, and how far off that may be.

A batch whose jar was not read has no hearts and no yield of its own. But the feints of other batches went
through that still too, and part of that jar is theirs. So it is taken for something, with an uncertainty of
its own: for as much as the run's other jars of that cut hold or, where that is known better, for what the
run's charge leaves when everything else is taken off it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

import polars as pl

# Alcohol that stays in the pot as a share of its charge: of a spirit run stopped between 5 and 20 %vol at the
# spout, and of a wash stripped to between 2 and 8 %vol (common practice, no source). Twice that is not known.
_LEFT_FRAC, _STRIPPED_LEFT_FRAC = 0.01, 0.04
_LEFT_UNKNOWN = 2.0
# How well a charge is known, to choose by (1 % of volume, 0.3 in 28 %vol): its own readings say it exactly.
_CHARGE_U_FRAC = 0.015
# A jar is like the others of its cut but for so much of itself, to choose by: the settings say how much. One
# that has no like is hardly known at all.
_LIKE_U_FRAC, _UNLIKE = 0.3, 3.0
# Strength and volume of a jar of a run without any other (common practice, no source).
_USUAL_PCT_VOL, _USUAL_L = 65.0, 1.0


@dataclass(frozen=True)
class Unread:
    """What a jar that was not measured is taken for.

    lpa       : its alcohol [L]
    guessed   : how much of that, or of what was left in the pot, nobody measured [L]; a share of it, by the
                settings, is its standard uncertainty, besides that of the readings it was worked out from
    added     : numbers of the moves whose alcohol it was taken from: what the still was charged with
    taken_off : numbers of the moves whose alcohol was taken off that: the run's other jars
    """

    lpa: float
    guessed: float
    added: tuple[int, ...] = ()
    taken_off: tuple[int, ...] = ()


_JAR_COLUMNS = ("index", "cut", "volume_l", "abv_pct_vol", "lpa")


@dataclass(frozen=True)
class _Jar:
    """One row of `_JAR_COLUMNS`; None where nothing was read."""

    number: int
    cut: str | None
    volume_l: float | None
    abv_pct_vol: float | None
    lpa: float | None


def unread_jars(moves: pl.DataFrame) -> dict[int, Unread]:
    """What every jar without alcohol of its own is taken for, by number of its move.

    moves : account.move, in the order of `move_id`; jars filled off a still are its moves of kind collect
    """
    numbered = moves.select("kind", "batch", "run", "cut", "volume_l", "abv_pct_vol", "lpa").with_row_index()
    runs = numbered.filter((pl.col("kind") == "collect") & pl.col("lpa").is_null()).select("batch", "run")
    if runs.is_empty():
        return {}
    own = numbered.filter(pl.col("kind").is_in(["charge", "collect"])).join(
        runs.unique(maintain_order=True),
        on=["batch", "run"],
        how="semi",
        nulls_equal=True,
        maintain_order="left",
    )
    found: dict[int, Unread] = {}
    for _, run in own.group_by("batch", "run", maintain_order=True):
        jars = [_Jar(*row) for row in run.filter(kind="collect").select(_JAR_COLUMNS).iter_rows()]
        charges = run.filter(kind="charge").select("index", "lpa").iter_rows()
        found |= _of_run(jars, dict(charges))
    return found


def _of_run(jars: Sequence[_Jar], charged: Mapping[int, float | None]) -> dict[int, Unread]:
    """The unread jars of one run: each like its cut, and the least sure of them by what is left over."""
    found = {jar.number: _like_its_cut(place, jars) for place, jar in enumerate(jars) if jar.lpa is None}
    charges = [lpa for lpa in charged.values() if lpa is not None]
    if not charges or len(charges) < len(charged):
        return found
    charge = math.fsum(charges)
    number = max(found, key=lambda each: found[each].guessed)
    others = [each for key, each in found.items() if key != number]
    measured = {jar.number: jar.lpa for jar in jars if jar.lpa is not None}
    is_strip = any(jar.cut == "low wines" for jar in jars)
    left = charge * (_STRIPPED_LEFT_FRAC if is_strip else _LEFT_FRAC)
    rest = charge - left - math.fsum(measured.values()) - math.fsum(each.lpa for each in others)
    guessed = math.hypot(_LEFT_UNKNOWN * left, *(each.guessed for each in others))
    u = math.hypot(_LIKE_U_FRAC * guessed, _CHARGE_U_FRAC * charge)
    if rest > 0.0 and u < _LIKE_U_FRAC * found[number].guessed:
        found[number] = Unread(rest, guessed, tuple(charged), tuple(measured))
    return found


def _like_its_cut(place: int, jars: Sequence[_Jar]) -> Unread:
    """By the volumes of its cut's jars and the strengths on either side of it, unless it has its own."""
    jar = jars[place]
    like = [each.volume_l for each in jars if each.cut == jar.cut and each.volume_l is not None]
    volumes = like or [each.volume_l for each in jars if each.volume_l is not None] or [_USUAL_L]
    volume = median(volumes) if jar.volume_l is None else jar.volume_l
    before = [each.abv_pct_vol for each in jars[:place] if each.abv_pct_vol is not None][-1:]
    after = [each.abv_pct_vol for each in jars[place + 1 :] if each.abv_pct_vol is not None][:1]
    beside = before + after or [_USUAL_PCT_VOL]
    strength = math.fsum(beside) / len(beside) if jar.abv_pct_vol is None else jar.abv_pct_vol
    lpa = volume * strength / 100.0
    return Unread(lpa, lpa * (1.0 if like or jar.volume_l is not None else _UNLIKE))
