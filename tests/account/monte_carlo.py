"""First-order uncertainties against Monte Carlo: one season with its readings drawn anew, many times over.

The replicates are written side by side into one database, each as a season of its own: its batches, lots,
casks and files have names of their own, and its years lie apart. So one build works out hundreds of them, and
only the readings differ. The spread of a figure over the replicates is then compared with its `_u`.

As a script: `python tests/account/monte_carlo.py sample_logs 400` prints the comparison for a whole season.
"""

import sys
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from pipeline.logs import LogFrames, read_logs
from pipeline.science import (
    abv_from_mass_fraction,
    mass_fraction_from_abv,
    plato_from_sg,
    sg_from_plato,
)
from pipeline.settings import InstrumentUncertainty, Settings
from pipeline.warehouse import make_tables

# Four years with their leap day, so that months, days and lengths of time stay as they are.
DAYS_APART = 1461

# A replicate of a season is a season: its rows are told apart by what is the same in all of them.
KEYS = {
    "metric.batch": ("batch",),
    "metric.run": ("batch", "run"),
    "metric.cut": ("batch", "run", "cut"),
    "metric.jar": ("batch", "run", "jar_no"),
    "metric.cask": ("cask",),
    "metric.flow": ("node",),
    "metric.season": ("yeasts",),
}

_NAMES = ("batch", "source", "lot", "cask")
_KINDS_OF_LOT = ("wash", "low wines", "foreshots", "heads", "hearts", "tails", "feints")


def without_model_error(settings: Settings) -> Settings:
    """No reading can be drawn anew for what no instrument read: its uncertainty is set to next to nothing."""
    uncertainty = replace(settings.uncertainty, wash_model_pct_vol=1e-12, unread_frac=1e-12)
    return replace(settings, uncertainty=uncertainty)


def build(frames: LogFrames, settings: Settings) -> duckdb.DuckDBPyConnection:
    """The season's database in memory, as far as its figures go."""
    con = duckdb.connect(":memory:")
    make_tables(con, frames, settings, wanted=tuple(KEYS))
    return con


def replicated(frames: LogFrames, count: int, u: InstrumentUncertainty, seed: int) -> LogFrames:
    """`count` copies of a season's logs with every reading drawn anew around what was read."""
    rng = np.random.default_rng(seed)
    step = int(frames.files["file_id"].max()) + 1
    kept = frames.files.filter(pl.col("kind").is_in(["batch_log", "cask_log"]))
    files, values = [], {}
    for name, table in frames.values.items():
        if name not in ("batch_value", "batch_text", "cask_value"):
            values[name] = table if name == "ingredient_value" else table.clear()
            continue
        values[name] = pl.concat([drawn(named_apart(table, number, step), u, rng) for number in range(count)])
    for number in range(count):
        shifted = pl.col("file_id") + number * step
        files.append(kept.with_columns(shifted.cast(pl.Int32), pl.col("path") + f"~{number}"))
    return LogFrames(
        pl.concat(files), cells_apart(frames, range(count), step), values, frames.problems.clear()
    )


def cells_apart(frames: LogFrames, numbers: Iterable[int], step: int) -> dict[str, pl.DataFrame]:
    """The cells of batch logs, in which their texts stand, in copies with names and files of their own."""
    cells = frames.cells["batch_log"]
    return {**frames.cells, "batch_log": pl.concat([named_apart(cells, number, step) for number in numbers])}


def named_apart(table: pl.DataFrame, number: int, step: int) -> pl.DataFrame:
    """One copy with names, files and years of its own.

    The first word of a name carries the number of the copy, so that the lots of a batch stay its own.
    """
    names = [
        pl.when(pl.col(name).str.to_lowercase().is_in(_KINDS_OF_LOT))
        .then(pl.col(name))
        .otherwise(pl.col(name).str.replace(r"^\S+", f"${{0}}~{number}"))
        .alias(name)
        for name in _NAMES
        if name in table.columns
    ]
    moments = [
        pl.col(name).dt.offset_by(f"{number * DAYS_APART}d") for name in {"logged_at"} & {*table.columns}
    ]
    return table.with_columns(*names, (pl.col("file_id") + number * step).cast(pl.Int32), *moments)


def drawn(table: pl.DataFrame, u: InstrumentUncertainty, rng: np.random.Generator) -> pl.DataFrame:
    """Every reading with a fresh error of its instrument."""
    column = {
        name: table[name].cast(pl.Float64).fill_null(np.nan).to_numpy()
        for name in table.columns
        if name in ("mass_kg", "volume_l", "temperature_c") or name.endswith("_reading")
    }
    for name, values in column.items():
        error = rng.standard_normal(values.size)
        if name == "mass_kg":
            column[name] = values * (1.0 + u.mass_frac * error)
        elif name == "volume_l":
            column[name] = values * (1.0 + u.volume_frac * error)
        elif name == "temperature_c":
            column[name] = values + u.temperature_c * error
        elif name == "gravity_reading":
            is_sg = (table["gravity_unit"] == "sg").fill_null(value=True).to_numpy()
            plato = plato_from_sg(sg_from_plato(np.where(is_sg, np.nan, values)) + u.gravity_sg * error)
            column[name] = np.where(is_sg, values + u.gravity_sg * error, plato)
        else:
            unit = table[name.replace("_reading", "_unit")].fill_null("").to_numpy()
            change = u.strength_pct_vol * error
            by_mass = 100.0 * mass_fraction_from_abv(
                abv_from_mass_fraction(np.where(unit == "pct_mass", values / 100.0, np.nan)) + change
            )
            by_volume = values + change * np.where(unit == "proof", 2.0, 1.0)
            # No instrument shows less than nothing: what is left in the pot may read zero, and not below.
            column[name] = np.maximum(np.where(unit == "pct_mass", by_mass, by_volume), 0.0)
    return table.with_columns(pl.Series(name, values).fill_nan(None) for name, values in column.items())


def _spread(name: str) -> pl.Expr:
    """Spread of a figure; none where one draw lacks it (a reading drawn below the end of its scale)."""
    return pl.when(pl.col(name).null_count() == 0).then(pl.col(name).std()).alias(name)


def ratios(con: duckdb.DuckDBPyConnection, many: list[duckdb.DuckDBPyConnection]) -> pl.DataFrame:
    """By table and figure: root mean square of spread over uncertainty, and the worst single one.

    con  : the season as it was read
    many : databases of replicates of it
    """
    rows = []
    for table, keys in KEYS.items():
        once = pl.DataFrame(con.sql(f"select * from {table}"))
        # A forecast is for a year after the last entry of all logs, and the copies' years lie far apart.
        figures = [
            name[:-2]
            for name in once.columns
            if name.endswith("_u") and name[:-2] in once.columns and not name.startswith("forecast")
        ]
        drawn_anew = pl.concat(pl.DataFrame(db.sql(f"select * from {table}")) for db in many)
        apart = [pl.col(key).str.replace(r"~\d+", "") for key in keys if key in _NAMES]
        drawn_anew = drawn_anew.with_columns(apart)
        if "batches" in once.columns:
            # A draw can put a reading out of its range: that sum is then over fewer batches, another figure.
            same = once.select(*keys, "batches")
            drawn_anew = drawn_anew.join(same, on=[*keys, "batches"], how="semi", nulls_equal=True)
        spread = drawn_anew.group_by(*keys).agg(*(_spread(name) for name in figures))
        both = once.select(*keys, *(f"{name}_u" for name in figures)).join(
            spread, on=list(keys), how="left", nulls_equal=True
        )
        for name in figures:
            pairs = both.select(pl.col(name), pl.col(f"{name}_u")).drop_nulls().to_numpy()
            seen = pairs[pairs[:, 1] > 0]
            if seen.size:
                ratio = seen[:, 0] / seen[:, 1]
                rows.append(
                    (
                        table,
                        name,
                        len(ratio),
                        float(np.sqrt(np.mean(ratio**2))),
                        float(ratio.min()),
                        float(ratio.max()),
                    )
                )
    return pl.DataFrame(
        rows, schema=["table", "figure", "rows", "spread_over_u", "lowest", "highest"], orient="row"
    )


def main(folder: Path, count: int) -> None:
    """Print the comparison for the logs in `folder`, over `count` replicates."""
    settings = without_model_error(Settings.find(folder))
    frames = read_logs(folder, settings)
    once = build(frames, settings)
    chunk = 50
    many = [
        build(replicated(frames, min(chunk, count - first), settings.uncertainty, seed=first), settings)
        for first in range(0, count, chunk)
    ]
    found = ratios(once, many)
    with pl.Config(
        tbl_rows=-1, fmt_float="mixed", tbl_formatting="MARKDOWN", tbl_hide_column_data_types=True
    ):
        print(found)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
