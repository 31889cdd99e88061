"""What a run's own jars say of one of them: evidence that stands beside the balances.

An error of 0.2 L in one jar of twenty is lost in the balance of a run, whose charge is not known better than
that. Two other things tell of it. Within a cut the spirit runs at a steady rate and jars are filled to one
mark: the minutes of a jar and the jars before and after it say what it held. And strength falls along the
still's own curve, which all the other jars draw (`pipeline.cuts.fit`).

Neither is taken for one more measurement. The curve leans on the very charge and jars that the balances hold
already, and how evenly jars are filled is a habit, not an instrument's error: counted in, they would make
chi-square test something else than the instruments. They rank what the balances cannot tell apart, and name
a jar on their own where its reading cannot be right. Scatter is always the run's own: where jars are filled
unevenly, or the take-off wanders, nothing is said.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.special import ndtri, stdtrit

from pipeline.cuts.fit import RunFit, fit_runs
from pipeline.cuts.model import run_set
from pipeline.cuts.robust import Errors
from pipeline.reconcile.quantities import Book

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

LEVEL = 0.005
"""Chance that a jar of a clean season is named, over all its jars, by either kind of evidence."""

OTHER_JARS, RUN_CURVE, REPEATED = "other jars", "run curve", "row repeated"

# A jar is held against so many on either side of it, and a run (or cut) needs so many to say anything.
_BESIDE, _FEWEST = 3, 5
# Minutes are written as whole ones.
_MINUTE_U = 1.0 / np.sqrt(12.0)
# A median of normal errors is so much less sure than their mean; scale of a median absolute deviation.
_MEDIAN_U, _MAD = 1.2533, 1.4826
# Rate and size agree on a jar when their answers are not farther apart, in standard deviations.
_AGREE_Z = 3.0
# A run is fitted when a strength stands off the line between its neighbours by so many standard deviations
# and so much of the fall between them: enough to pass over nearly every run that was read well.
_SCREEN_Z, _SCREEN_FALL_FRAC = 3.0, 0.25
_TIED_Z2 = 3.84
# No alcoholometer is better than this, whatever the settings say [%vol].
_LEAST_STRENGTH_U = 0.02
# How telling a row is that says what an earlier one says, to the minute and the last digit (own choice).
_REPEATED_Z = 5.0


@dataclass(frozen=True)
class Witness:
    """What a run's other jars say of a jar's volume [L] or strength [%vol].

    basis       : OTHER_JARS, RUN_CURVE or REPEATED
    expected, u : what it must have been, and how far from it the true value may be
    z           : logged less expected, over the standard deviation of that
    is_decisive : whether z is beyond what the jars of a clean season reach
    or_else     : numbers of quantities whose error would look the same
    """

    basis: str
    expected: float
    u: float
    z: float
    is_decisive: bool
    or_else: tuple[int, ...] = ()


@dataclass(frozen=True)
class _Jars:
    """The jars of all runs of several, in order; NaN where nothing was read.

    run, cut           : number of each jar's run, and of its cut within the run
    volume, strength   : numbers of its quantities, -1 for none
    y, u               : volume as logged [L]
    abv, spout         : strengths at 20 degC [%vol]
    """

    keys: list[tuple[str, str]]
    run: Ints
    cut: Ints
    volume: Ints
    strength: Ints
    y: Floats
    u: Floats
    abv: Floats
    spout: Floats
    minutes: Floats


def hear(
    book: Book,
    jars: pl.DataFrame,
    row_of_jar: Ints,
    charges: pl.DataFrame,
    strength_u: float,
    share_of_alarms: float = 1.0,
) -> dict[int, Witness]:
    """Everything the jars of a season say of one another, by number of the quantity.

    jars       : batch, run, cut, minutes_min and spout_abv_20c_pct_vol of account.jar, in order
    row_of_jar : number of each one's row in account.logged_row
    charges    : batch, run, volume_l and lpa charged
    strength_u : standard uncertainty of a strength read [%vol]
    share_of_alarms : of the false alarms allowed in a season, those allowed here
    """
    found = _collect(book, jars, row_of_jar)
    if not found.run.size:
        return {}
    level = LEVEL * share_of_alarms
    volumes = _by_take_off(found, level)
    return volumes | _by_curve(found, charges, max(strength_u, _LEAST_STRENGTH_U), volumes, level)


def hear_repeats(book: Book, is_repeat: list[bool]) -> dict[int, Witness]:
    """Rows that were written twice: nothing was moved the second time.

    is_repeat : by row of account.logged_row, whether an earlier row of its file says the same
    """
    return {
        number: Witness(REPEATED, 0.0, float(book.u[number]), _REPEATED_Z, True)
        for number, quantity in enumerate(book.quantities)
        if quantity.what in ("volume", "mass") and not book.is_free[number] and is_repeat[quantity.row]
    }


def _collect(book: Book, jars: pl.DataFrame, row_of_jar: Ints) -> _Jars:
    """Jars of runs of at least `_FEWEST`, with their quantities."""
    number: dict[tuple[int, str], int] = {}
    for place, quantity in enumerate(book.quantities):
        if quantity.row >= 0 and not book.is_free[place]:
            number[quantity.row, "volume" if quantity.what == "mass" else quantity.what] = place
    many = (jars.select(pl.len().over("batch", "run")).to_series() >= _FEWEST).to_numpy()
    frame, rows = jars.filter(pl.Series(many)), row_of_jar[many]
    volume = np.array([number.get((row, "volume"), -1) for row in rows.tolist()], dtype=np.int64)
    strength = np.array([number.get((row, "strength"), -1) for row in rows.tolist()], dtype=np.int64)

    def of(values: Floats, numbers: Ints) -> Floats:
        return np.where(numbers >= 0, values[np.maximum(numbers, 0)], np.nan)

    def read(name: str) -> Floats:
        return frame[name].cast(pl.Float64).fill_null(np.nan).to_numpy().astype(float)

    keys = list(dict.fromkeys(frame.select("batch", "run").iter_rows()))
    run_number = {key: place for place, key in enumerate(keys)}
    cut = frame["cut"].fill_null("").to_list()
    cut_number = {name: place for place, name in enumerate(sorted(set(cut)))}
    return _Jars(
        keys,
        np.array([run_number[key] for key in frame.select("batch", "run").iter_rows()], dtype=np.int64),
        np.array([cut_number[name] for name in cut], dtype=np.int64),
        volume,
        strength,
        of(book.y, volume),
        of(book.u, volume),
        of(book.y, strength),
        read("spout_abv_20c_pct_vol"),
        read("minutes_min"),
    )


@dataclass(frozen=True)
class _Beside:
    """What the jars beside each one say of a logarithm: the answer and its standard deviation (NaN: none).

    count    : how many of its group there are
    is_inner : whether the group goes on on both sides
    """

    expected: Floats
    sd: Floats
    count: Ints
    is_inner: Flags


def _beside(value: Floats, own_u: Floats, group: Ints) -> _Beside:
    """Each value by the median of those beside it in its group; the group's own scatter sets the scale.

    own_u : standard uncertainty of each value
    """
    known = np.flatnonzero(np.isfinite(value) & np.isfinite(own_u))
    beside, beside_variance = (np.full((value.size, 2 * _BESIDE), np.nan) for _ in range(2))
    here_of = group[known]
    for column, step in enumerate([*range(-_BESIDE, 0), *range(1, _BESIDE + 1)]):
        places = np.arange(known.size) + step
        inside = (places >= 0) & (places < known.size)
        other = np.clip(places, 0, max(known.size - 1, 0))
        alike = inside & (here_of[other] == here_of)
        beside[known[alike], column] = value[known[other[alike]]]
        beside_variance[known[alike], column] = own_u[known[other[alike]]] ** 2
    number = np.isfinite(beside).sum(axis=1)
    enough = number >= _BESIDE
    expected, median_u = np.full(value.size, np.nan), np.full(value.size, np.nan)
    expected[enough] = np.nanmedian(beside[enough], axis=1)
    mean_variance = np.nanmean(beside_variance[enough], axis=1)
    median_u[enough] = _MEDIAN_U * np.sqrt(mean_variance / number[enough])
    total = np.hypot(own_u, median_u)
    scale, count = _scales(np.abs(value - expected) / total, group)
    variance = (scale * total) ** 2 - own_u**2
    count_of = np.zeros(value.size, dtype=np.int64)
    count_of[known] = count[here_of]
    has_both = np.isfinite(beside[:, _BESIDE - 1]) & np.isfinite(beside[:, _BESIDE])
    sd = np.where(count_of >= _FEWEST, np.sqrt(np.maximum(variance, median_u**2)), np.nan)
    return _Beside(expected, sd, count_of, has_both)


def _scales(z: Floats, group: Ints) -> tuple[Floats, Ints]:
    """By value: how much wider its group scatters than its errors say, at least 1; by group: its values."""
    known = np.flatnonzero(np.isfinite(z))
    groups = int(group.max(initial=-1)) + 1
    count = np.bincount(group[known], minlength=groups)
    scale = np.ones(groups)
    order = known[np.lexsort((z[known], group[known]))]
    ends = np.cumsum(count)
    some = count > 0
    starts = ends - count
    low, high = starts + (count - 1) // 2, starts + count // 2
    scale[some] = _MAD * 0.5 * (z[order[low[some]]] + z[order[high[some]]])
    return np.maximum(scale, 1.0)[group], count


def _by_take_off(jars: _Jars, level: float) -> dict[int, Witness]:
    """Volumes by the minutes each jar took and by the jars of its cut."""
    volume_l = np.where((jars.y > 0.0) & (jars.u < 0.5 * jars.y), jars.y, np.nan)
    minutes = np.where(jars.minutes > 0.0, jars.minutes, np.nan)
    log_volume, own_u = np.log(volume_l), jars.u / volume_l
    log_minutes, minute_u = np.log(minutes), _MINUTE_U / minutes
    # The take-off is changed at a cut, if anywhere (common practice, no source).
    group = jars.run * (int(jars.cut.max()) + 1) + jars.cut
    rate = _beside(log_volume - log_minutes, np.hypot(own_u, minute_u), group)
    by_rate, rate_sd = rate.expected + log_minutes, np.hypot(rate.sd, minute_u)
    size = _beside(log_volume, own_u, group)
    # The first and the last jar of a cut are as full as the cut left them.
    size_sd = np.where(np.isfinite(rate_sd) | size.is_inner, size.sd, np.nan)
    expected, sd = _together(by_rate, rate_sd, size.expected, size_sd)
    count = np.where(np.isfinite(rate_sd), rate.count, size.count)
    z = (log_volume - expected) / np.hypot(sd, own_u)
    tested = np.flatnonzero(np.isfinite(z))
    limit = -stdtrit(np.maximum(count - 2, 1), level / 2.0 / max(tested.size, 1))
    return {
        int(jars.volume[place]): Witness(
            OTHER_JARS,
            float(np.exp(expected[place])),
            float(np.exp(expected[place]) * sd[place]),
            float(z[place]),
            bool(abs(z[place]) > limit[place]),
        )
        for place in tested.tolist()
    }


def _together(one: Floats, one_sd: Floats, other: Floats, other_sd: Floats) -> tuple[Floats, Floats]:
    """The weighted mean where two answers agree; the first where they do not, or whichever there is."""
    agree = np.abs(one - other) < _AGREE_Z * np.hypot(one_sd, other_sd)
    has_one = np.isfinite(one_sd)
    weight_one = np.where(has_one, 1.0 / np.where(has_one, one_sd, 1.0) ** 2, 0.0)
    is_taken = np.isfinite(other_sd) & (agree | ~has_one)
    weight_other = np.where(is_taken, 1.0 / np.where(is_taken, other_sd, 1.0) ** 2, 0.0)
    weight = weight_one + weight_other
    some = weight > 0.0
    total = np.nan_to_num(one) * weight_one + np.nan_to_num(other) * weight_other
    safe = np.where(some, weight, 1.0)
    return np.where(some, total / safe, np.nan), np.where(some, np.sqrt(1.0 / safe), np.nan)


def _by_curve(
    jars: _Jars, charges: pl.DataFrame, strength_u: float, volumes: Mapping[int, Witness], level: float
) -> dict[int, Witness]:
    """Strengths (and volumes whose minutes say nothing) by the still's curve, in runs that look odd."""
    odd = np.unique(jars.run[_stands_out(jars, strength_u)])
    charged = {(row[0], row[1]): (row[2], row[3]) for row in charges.iter_rows()}
    places = {run: np.flatnonzero(jars.run == run) for run in odd.tolist()}
    fitted = [
        run
        for run, own in places.items()
        if np.isfinite(jars.y[own]).all() and (jars.y[own] > 0.0).all() and jars.keys[run] in charged
    ]
    if not fitted:
        return {}
    charge = [charged[jars.keys[run]] for run in fitted]
    fits = fit_runs(
        run_set(
            [volume for volume, _ in charge],
            [100.0 * lpa / volume for volume, lpa in charge],
            [strength_u] * len(charge),
            [
                list(zip(jars.y[own], jars.abv[own], jars.spout[own], strict=True))
                for own in (places[run] for run in fitted)
            ],
        ),
        Errors(strength_pct_vol=strength_u),
    )
    limit = float(-ndtri(level / 2.0 / max(int(np.isfinite(jars.abv).sum()), 1)))
    found: dict[int, Witness] = {}
    for run, fit in zip(fitted, fits.runs, strict=True):
        told = _told_by(fit, jars, places[run], limit, volumes)
        if told is not None:
            found[told[0]] = told[1]
    return found


def _stands_out(jars: _Jars, strength_u: float) -> Flags:
    """Jars whose strength is off the line between their neighbours."""
    abv, middle = jars.abv, np.cumsum(np.nan_to_num(jars.y)) - np.nan_to_num(jars.y) / 2.0
    out = np.zeros(abv.size, dtype=bool)
    inner = np.flatnonzero((jars.run[2:] == jars.run[:-2]) & (middle[2:] > middle[:-2])) + 1
    before, here, after = abv[inner - 1], abv[inner], abv[inner + 1]
    share = (middle[inner] - middle[inner - 1]) / (middle[inner + 1] - middle[inner - 1])
    off = np.abs(here - before - (after - before) * share)
    noise = strength_u * np.sqrt(1.0 + share**2 + (1.0 - share) ** 2)
    out[inner] = off > _SCREEN_Z * noise + _SCREEN_FALL_FRAC * np.abs(after - before)
    return out


def _told_by(
    fit: RunFit, jars: _Jars, own: Ints, limit: float, volumes: Mapping[int, Witness]
) -> tuple[int, Witness] | None:
    """What a run's fit calls wrong: a jar's strength, or a volume of which nothing else is known."""
    first = fit.suspicions[0] if fit.suspicions else None
    if first is None or first.what not in ("strength", "volume"):
        return None
    place = int(own[first.jar])
    number = int((jars.strength if first.what == "strength" else jars.volume)[place])
    if number < 0 or (first.what == "volume" and number in volumes):
        return None
    logged = float((jars.abv if first.what == "strength" else jars.y)[place])
    second = fit.runner_up
    or_else: tuple[int, ...] = ()
    if second is not None and second.what in ("strength", "volume") and first.z**2 - second.z**2 < _TIED_Z2:
        other = int((jars.strength if second.what == "strength" else jars.volume)[int(own[second.jar])])
        or_else = (other,) if other >= 0 and other not in volumes else ()
    return number, Witness(
        RUN_CURVE, logged - first.shift, first.shift_u, first.z, abs(first.z) > limit, or_else
    )
