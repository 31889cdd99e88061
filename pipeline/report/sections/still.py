"""What the still does by its own curve, which readings are off it, and what its strips should bring over."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.charts import PAGE, page_spec
from pipeline.charts.steadiness import run_profile, stages_by_run, strip_recoveries
from pipeline.report.blocks import Block, Figure, Heading3, Points, folded, table_of
from pipeline.report.cut_wording import still_sentence, strips_sentence, suspects_sentence
from pipeline.report.data import SeasonData
from pipeline.report.marks import marked_jars
from pipeline.report.sections.control import HEARTS_END
from pipeline.report.sections.steadiness import HEARTS_START
from pipeline.report.text import counted, number, with_unit

MOST_PROFILES = 60

_CURVE_COLUMNS = [
    "batch",
    "run",
    "still",
    "stages",
    "stages_low",
    "stages_high",
    "charge_correction_frac",
    "reduced_chi2",
    "residual_shape",
    HEARTS_START,
    "hearts_start_lpa_frac",
    HEARTS_END,
    "hearts_end_basis",
    "hearts_end_lpa_frac",
    "takeoff_per_min_l",
    "takeoff_drift_frac",
]
_SUSPECT_COLUMNS = [
    "batch",
    "run",
    "jar_no",
    "line",
    "suspect_column",
    "logged_value",
    "expected_value",
    "expected_value_u",
    "suspect_z",
    "suspect_also",
]
_STRIP_COLUMNS = [
    "batch",
    "run",
    "last_spout_pct_vol",
    "recovery_frac",
    "expected_recovery_frac",
    "recovery_difference_frac",
    "later_stop_pct_vol",
    "later_lpa",
    "later_min",
    "earlier_lpa",
    "earlier_min",
]


def still_blocks(data: SeasonData) -> list[Block]:
    """The still's own curve, the runs on it, and the readings off it."""
    fitted = data.run_curves.filter(pl.col("stages").is_not_null())
    if fitted.is_empty():
        return []
    suspects = data.jars_expected.filter(pl.col("suspect_column").is_not_null())
    names = [
        f"{row['batch']} {row['run']}, jar {row['jar_no']}: {row['suspect_column']} "
        f"{_reading(row['logged_value'], row['suspect_column'])}, expected "
        f"{_reading(row['expected_value'], row['suspect_column'])}"
        for row in suspects.iter_rows(named=True)
    ]
    pooled = data.stills.filter(pl.col("stages_mean").is_not_null())
    points = [
        still_sentence(
            row["still"] or "the still",
            row["run_kind"],
            row["stages_mean"],
            row["stages_mean_low"],
            row["stages_mean_high"],
            row["stages_between_sd"],
            row["runs_off"],
        )
        for row in pooled.iter_rows(named=True)
    ]
    spirit = fitted.filter(pl.col("run_kind") == "spirit")
    blocks: list[Block] = [Heading3("The still's own curve"), Points([*points, suspects_sentence(names)])]
    blocks += _profile_figure(data, suspects)
    blocks += _stages_figure(data, spirit)
    if suspects.height:
        table = table_of(suspects, _SUSPECT_COLUMNS, "Readings off their run's curve")
        blocks += marked_jars(table, suspects, data)
    blocks.append(folded(table_of(spirit, _CURVE_COLUMNS, "Curve of each spirit run", flags=data.flags())))
    return blocks


def strip_blocks(data: SeasonData) -> list[Block]:
    """Stripping runs beside what the still should give."""
    later = data.strip_stops.filter(pl.col("later_lpa").is_not_null() & pl.col("later_min").is_not_null())
    drawn = data.strip_stops.filter(
        pl.col("recovery_frac").is_not_null() & pl.col("started_at").is_not_null()
    )
    blocks: list[Block] = []
    if later.height:
        litres, minutes = (float(np.median(later[name].to_numpy())) for name in ("later_lpa", "later_min"))
        blocks.append(Points([strips_sentence(later.height, litres, minutes)]))
    if drawn.height:
        blocks.append(_strip_figure(drawn))
    if data.strip_stops.height:
        blocks.append(
            folded(
                table_of(
                    data.strip_stops, _STRIP_COLUMNS, "Stripping runs beside their still", flags=data.flags()
                )
            )
        )
    return blocks


def _profile_figure(data: SeasonData, suspects: pl.DataFrame) -> list[Block]:
    label = pl.col("batch") + " · " + pl.col("run")
    jars = data.jars_expected.with_columns(run_label=label)
    runs = jars["run_label"].unique(maintain_order=True).to_list()
    drawn = jars.filter(pl.col("run_label").is_in(runs[-MOST_PROFILES:])).select(
        "run_label", pl.col("curve_lpa_frac_end").round(4), pl.col("expected_abv_pct_vol").round(2)
    )
    if drawn.is_empty():
        return []
    texts = [
        f"jar {row['jar_no']}, {row['suspect_column']} "
        f"{_reading(row['logged_value'], row['suspect_column'])}, "
        f"expected {_reading(row['expected_value'], row['suspect_column'])}"
        for row in suspects.iter_rows(named=True)
    ]
    marked = suspects.with_columns(pl.Series("suspect_text", texts, dtype=pl.String), run_label=label).select(
        "run_label", "curve_lpa_frac_end", "abv_20c_pct_vol", "suspect_text"
    )
    return [
        Figure(
            "run-profiles",
            "Strength along the run, by each run's own curve",
            f"Expected strength in the jars of {counted(min(len(runs), MOST_PROFILES), 'spirit run')} "
            "against the share of the alcohol already over; "
            f"{counted(suspects.height, 'reading')} off the curve.",
            page_spec(run_profile(drawn, marked, PAGE)),
            "A line is one run by the curve that fits its jars best; a diamond is a jar with a reading that "
            "the other jars of its run do not allow.",
        )
    ]


def _reading(value: float | None, column: str) -> str:
    if value is None:
        return "nothing"
    return f"{number(value, 2)} L" if column == "volume" else f"{number(value, 1)} %vol"


def _stages_figure(data: SeasonData, spirit: pl.DataFrame) -> list[Block]:
    means = data.stills.filter(pl.col("run_kind") == "spirit").select("still", "stages_mean")
    drawn = spirit.filter(pl.col("started_at").is_not_null()).join(
        means, on="still", how="left", nulls_equal=True
    )
    if drawn.height < 2:
        return []
    texts = [
        f"{number(low, 3)} to {number(high, 3)}"
        for low, high in drawn.select("stages_low", "stages_high").iter_rows()
    ]
    frame = drawn.with_columns(
        pl.Series("stages_text", texts, dtype=pl.String),
        mark=pl.when(pl.col("is_off_still")).then(pl.lit("off its still")).otherwise(pl.lit("run")),
        run_label=pl.col("batch") + " · " + pl.col("run"),
    ).select(
        "run_label", "started_at", "stages", "stages_low", "stages_high", "stages_mean", "stages_text", "mark"
    )
    return [
        Figure(
            "stages-by-run",
            "Effective stages of each spirit run",
            f"Effective stages of {counted(frame.height, 'spirit run')} by date with 95 % intervals: "
            f"{number(float(frame['stages'].to_numpy().min()), 2)} to "
            f"{number(float(frame['stages'].to_numpy().max()), 2)}.",
            page_spec(stages_by_run(frame, PAGE)),
            "How much stronger the vapour is than boiling alone makes it, as one number a run. A still that "
            "is driven alike keeps its number; a change of fire, lagging or condenser moves it.",
        )
    ]


def _strip_figure(drawn: pl.DataFrame) -> Figure:
    rows = [
        {
            "run_label": f"{row['batch']} · {row['run']}",
            "started_at": row["started_at"],
            "mark": mark,
            "recovery_frac": row[name],
            "recovery_text": with_unit(row[name], "recovery_frac"),
            "stop_text": with_unit(row["last_spout_pct_vol"], "last_spout_pct_vol"),
        }
        for row in drawn.iter_rows(named=True)
        for mark, name in (("as logged", "recovery_frac"), ("expected", "expected_recovery_frac"))
        if row[name] is not None
    ]
    frame = pl.DataFrame(rows, infer_schema_length=None)
    low, high = (
        with_unit(value, "recovery_frac")
        for value in (drawn["recovery_frac"].min(), drawn["recovery_frac"].max())
    )
    return Figure(
        "stripping-recovery",
        "Share of the charged alcohol that came over, stripping runs",
        f"Recovery of {counted(drawn.height, 'stripping run')} by date: {low} to {high} as logged.",
        page_spec(strip_recoveries(frame, PAGE)),
        "Circles: as logged. Diamonds: what the still should bring over at the strength it was stopped at. "
        "The wash's alcohol is an estimate from its gravities, so a run can come out a little above 100 %.",
    )
