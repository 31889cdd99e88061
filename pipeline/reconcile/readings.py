"""What each row of the logs measured, with standard uncertainties: instrument, temperature and rounding."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.account.readings import find_readings, measure
from pipeline.reconcile.prior import Priors, leavings
from pipeline.reconcile.written import Written, read_written, rounding_steps

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

# A number rounded to a step is off by anything within half of it.
_ROUNDING = 1.0 / np.sqrt(12.0)


@dataclass(frozen=True)
class WashReading:
    """Uncertainty of a wash: of its volume, as a share of it, and of its strength [%vol]."""

    volume_u_frac: float
    abv_u_pct_vol: float


@dataclass(frozen=True)
class Left:
    """A residue row: its number in account.logged_row, its volume [L] (NaN: not measured) and that one's
    u."""

    row: int
    volume_l: float
    volume_u: float


@dataclass(frozen=True)
class Amounts:
    """Everything measured, by row of account.logged_row unless said otherwise; NaN where nothing was read.

    volume_l    : at 20 degC [L], from a weighing where only that was made
    abv_pct_vol : at 20 degC [%vol]
    is_weighed  : the volume comes from a weighing
    has_amount  : a volume or a mass was read
    volume_text : the volume (or mass) as written
    abv_text    : the strength as written
    is_repeat   : an earlier row of the same file says the very same
    row_of_move : row of each move, -1 for none
    wash        : by batch
    left        : by (batch, run)
    leavings    : by (batch, run): strength left in the pot and its u [%vol]
    with_yeast  : share of a wash that stays in the fermenter, and its u
    """

    volume_l: Floats
    volume_u: Floats
    abv_pct_vol: Floats
    abv_u: Floats
    is_weighed: Flags
    has_amount: Flags
    volume_text: list[Written | None]
    abv_text: list[Written | None]
    is_repeat: list[bool]
    row_of_move: list[int]
    wash: Mapping[str, WashReading]
    left: Mapping[tuple[str, str], Left]
    leavings: Mapping[tuple[str, str], tuple[float, float]]
    with_yeast: tuple[float, float]


def read_amounts(
    rows: pl.DataFrame,
    moves: pl.DataFrame,
    runs: pl.DataFrame,
    wash: pl.DataFrame,
    setting: Mapping[str, float],
    priors: Priors,
) -> Amounts:
    """Work out what every row measured.

    rows    : account.logged_row by file and line, with `volume_text`, `mass_text`, `strength_text` as written
              and `is_repeat`
    moves   : account.move in order
    runs    : batch, run, run_kind, last_spout_pct_vol of account.run
    wash    : batch, wash_volume_l, wash_volume_l_u, wash_abv_pct_vol_u
    setting : the settings that are numbers
    priors  : what is taken for granted where nothing was read
    """
    readings = find_readings(rows, [], setting)
    measured = measure(rows, readings, setting["hydrometer_reference_c"])
    volume, abv = measured.volume_l, measured.abv_pct_vol
    mass = measured.mass_kg.values
    is_weighed = np.isnan(volume.values) & ~np.isnan(mass)
    files = rows["file_id"].to_list()
    volume_text = [
        read_written(mass_cell if weighed else cell)
        for cell, mass_cell, weighed in zip(rows["volume_text"], rows["mass_text"], is_weighed, strict=True)
    ]
    abv_text = [read_written(cell) for cell in rows["strength_text"]]
    numbers = {place: number for number, place in enumerate(rows.select("file_id", "line").iter_rows())}
    row_of_move = [numbers.get(place, -1) for place in moves.select("file_id", "line").iter_rows()]
    volume_l, volume_u = volume.values.copy(), volume.u(readings.u)
    _weighed_volumes(
        volume_l, volume_u, is_weighed, mass, moves, row_of_move, setting["uncertainty.mass_frac"]
    )
    volume_u = np.hypot(volume_u, volume_l * _relative_rounding(files, volume_text))
    abv_u = np.hypot(abv.u(readings.u), abv.values * _relative_rounding(files, abv_text))
    return Amounts(
        volume_l=volume_l,
        volume_u=volume_u,
        abv_pct_vol=abv.values,
        abv_u=abv_u,
        is_weighed=is_weighed,
        has_amount=~np.isnan(volume.values) | ~np.isnan(mass),
        volume_text=volume_text,
        abv_text=abv_text,
        is_repeat=rows["is_repeat"].to_list(),
        row_of_move=row_of_move,
        wash=_wash_readings(wash),
        left=_left(rows, volume_l, volume_u),
        leavings=_leavings(runs, setting["uncertainty.strength_pct_vol"], priors),
        with_yeast=priors.with_yeast_frac,
    )


def _weighed_volumes(
    volume_l: Floats,
    volume_u: Floats,
    is_weighed: Flags,
    mass_kg: Floats,
    moves: pl.DataFrame,
    row_of_move: list[int],
    mass_u_frac: float,
) -> None:
    """Volumes of what was weighed: the move's own, at the strength it was worked out with."""
    for row, moved_l in zip(row_of_move, moves["volume_l"], strict=True):
        if row >= 0 and is_weighed[row] and moved_l is not None and mass_kg[row] > 0.0:
            volume_l[row], volume_u[row] = moved_l, moved_l * mass_u_frac


def _relative_rounding(files: list[int], numbers: list[Written | None]) -> Floats:
    """Standard uncertainty of rounding as a share of the number written; nothing where nothing is."""
    values = np.array([number.value if number is not None else np.nan for number in numbers])
    steps = rounding_steps(files, numbers)
    is_there = ~np.isnan(values) & (values > 0.0)
    return np.where(is_there, steps * _ROUNDING / np.where(is_there, values, 1.0), 0.0)


def _wash_readings(wash: pl.DataFrame) -> dict[str, WashReading]:
    return {
        batch: WashReading(volume_u / volume_l, abv_u)
        for batch, volume_l, volume_u, abv_u in wash.select(
            "batch", "wash_volume_l", "wash_volume_l_u", "wash_abv_pct_vol_u"
        ).iter_rows()
        if volume_l and volume_u is not None and abv_u is not None
    }


def _left(rows: pl.DataFrame, volume_l: Floats, volume_u: Floats) -> dict[tuple[str, str], Left]:
    found: dict[tuple[str, str], Left] = {}
    for row in np.flatnonzero((rows["step"] == "residue").to_numpy()).tolist():
        key = rows["batch"][row], rows["run"][row]
        before = found.get(key)
        if before is None:
            found[key] = Left(row, float(volume_l[row]), float(volume_u[row]))
        else:
            # A pot emptied in two goes: both volumes, the first row's place.
            total = before.volume_l + float(volume_l[row])
            found[key] = Left(before.row, total, float(np.hypot(before.volume_u, volume_u[row])))
    return found


def _leavings(
    runs: pl.DataFrame, spout_u: float, priors: Priors
) -> dict[tuple[str, str], tuple[float, float]]:
    spout = runs["last_spout_pct_vol"].cast(pl.Float64).fill_null(np.nan).to_numpy().astype(float)
    left = leavings((runs["run_kind"] == "stripping").to_numpy(), spout, spout_u, priors)
    keys = runs.select("batch", "run").iter_rows()
    return {
        (batch, run): (float(abv), float(u))
        for (batch, run), abv, u in zip(keys, left.abv_pct_vol, left.u_pct_vol, strict=True)
    }
