"""What thermometers, loggers and tasted jars say of the runs; silent where there are none."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.charts import PAGE, page_spec
from pipeline.charts.sensors import differences_over_run, jars_beside_hearts, sensors_over_run
from pipeline.report.blocks import Block, Figure, Heading3, Points, folded, table_of
from pipeline.report.data import SeasonData
from pipeline.report.marks import marked_jars, marked_thermometers
from pipeline.report.sensor_wording import (
    jar_sentence,
    side_sentence,
    telemetry_sentences,
    thermometer_sentence,
)
from pipeline.report.text import counted

_BOILING_COLUMNS = [
    "batch",
    "run",
    "jar_no",
    "thermometer",
    "temperature_c",
    "barometer_hpa",
    "boiling_abv_pct_vol",
    "boiling_abv_pct_vol_u",
    "compared_with",
    "compared_abv_pct_vol",
    "temperature_difference_c",
    "boiling_z",
    "sides_with",
]
_RUN_COLUMNS = [
    "batch",
    "run",
    "telemetry_rows",
    "telemetry_minutes",
    "minutes_without",
    "heating_min",
    "heat_up_c_per_minute",
    "kettle_first_drop_c",
    "takeoff_per_min_l",
    "takeoff_drift_frac",
    "takeoff_volume_l",
    "collected_volume_l",
]
_JAR_COLUMNS = [
    "batch",
    "run",
    "jar_no",
    "cut",
    "telemetry_minutes",
    "vapour_c",
    "kettle_c",
    "takeoff_per_min_l",
    "inline_abv_pct_vol",
    "abv_20c_pct_vol",
    "inline_difference_pct_vol",
]
_SCORED_COLUMNS = [
    "session",
    "label",
    "attribute",
    "cut",
    "abv_pct_vol",
    "from_cut_lpa_frac",
    "score_mean",
    "score_low",
    "score_high",
    "score_beside_hearts",
]


def boiling_blocks(data: SeasonData) -> list[Block]:
    """Thermometers against strengths, and on whose side the vapour is where a strength is off."""
    known = data.boiling.filter(pl.col("temperature_difference_c").is_not_null())
    if known.is_empty():
        return []
    sentences = [
        thermometer_sentence(
            str(part["thermometer"][0]),
            part.height,
            float(np.mean(part["temperature_difference_c"].to_numpy())),
            float(np.std(part["temperature_difference_c"].to_numpy())),
            int(part["is_boiling_off"].sum()),
        )
        for part in known.partition_by("thermometer", maintain_order=True)
    ]
    sided = known.filter(pl.col("sides_with").is_not_null())
    sentences += [
        side_sentence(row["batch"], row["run"], row["jar_no"], row["sides_with"])
        for row in sided.iter_rows(named=True)
    ]
    blocks: list[Block] = [Heading3("What the thermometers say"), Points(sentences)]
    drawn = known.join(_places(data), on=["batch", "run", "jar_no"], how="inner").select(
        "run_label",
        "curve_lpa_frac_end",
        "temperature_difference_c",
        "thermometer",
        mark=pl.when(pl.col("is_boiling_off"))
        .then(pl.lit("does not go with it"))
        .otherwise(pl.lit("agrees")),
    )
    if drawn.height:
        blocks.append(
            Figure(
                "boiling-differences",
                "Temperatures in kettle and vapour less those of the strengths there",
                f"{counted(drawn.height, 'reading')} of thermometers over the share of the alcohol already "
                "over, each less the boiling temperature of the strength it is held against.",
                page_spec(differences_over_run(drawn, PAGE)),
                "Noughts agree. A row of points to one side is a thermometer that reads high or low; a slope "
                "within a run is a strength, a charge or a curve that is wrong. Runs without a barometer are "
                "not here: without it a boiling point tells no strength.",
            )
        )
    table = table_of(known, _BOILING_COLUMNS, "Thermometers", leave_off_blank=True)
    return [*blocks, *marked_thermometers(table, known, data)]


def telemetry_blocks(data: SeasonData) -> list[Block]:
    """Heating, take-off and what the sensors showed over the jars."""
    if data.telemetry_runs.is_empty():
        return []
    sentences = telemetry_sentences(data.telemetry_runs, data.telemetry_jars)
    blocks: list[Block] = [Heading3("What the loggers say"), Points(sentences)]
    placed = data.telemetry_jars.join(_places(data), on=["batch", "run", "jar_no"], how="inner")
    for column, title in (
        ("inline_abv_pct_vol", "Strength by the inline meter, jar by jar"),
        ("vapour_c", "Temperature of the vapour, jar by jar"),
        ("takeoff_per_min_l", "Take-off, jar by jar"),
    ):
        drawn = placed.filter(pl.col(column).is_not_null()).select("run_label", "curve_lpa_frac_end", column)
        if drawn.height > 1:
            blocks.append(
                Figure(
                    "telemetry-" + column.split("_")[0],
                    title,
                    f"{title}, {counted(drawn['run_label'].n_unique(), 'run')}, over the share of the "
                    "alcohol already over.",
                    page_spec(sensors_over_run(drawn, column, PAGE)),
                    "A line is one run; a point is the mean of the minutes in which one jar was filled.",
                )
            )
    blocks.append(
        folded(table_of(data.telemetry_runs, _RUN_COLUMNS, "Runs by their loggers", leave_off_blank=True))
    )
    if data.telemetry_jars.height:
        table = table_of(data.telemetry_jars, _JAR_COLUMNS, "Jars by their loggers", leave_off_blank=True)
        blocks += marked_jars(table, data.telemetry_jars, data)
    return blocks


def jar_score_blocks(data: SeasonData) -> list[Block]:
    """What the heads and tails beside the cut taste like, where jars were tasted by themselves."""
    scored = data.jar_scores.filter(
        pl.col("score_beside_hearts").is_not_null() & pl.col("from_cut_lpa_frac").is_not_null()
    )
    if data.jar_scores.is_empty():
        return []
    shown = [
        jar_sentence(row)
        for row in data.jar_tradeoff.sort(pl.col("attribute") != "overall", maintain_order=True).iter_rows(
            named=True
        )
        if row["attribute"] == "overall" or row["is_told"]
    ]
    if not shown:
        shown = [
            f"{counted(data.jar_scores['label'].n_unique(), 'jar')} of heads, hearts or tails were tasted by "
            "themselves; of four or more on one side of the hearts, tasted on the same evening as hearts, "
            "it could be said what the spirit at the cut is like."
        ]
    blocks: list[Block] = [Points(shown)]
    main = scored.filter(pl.col("attribute") == "overall")
    main = main if main.height else scored.filter(pl.col("attribute") == pl.col("attribute").first())
    if main.height:
        is_heads = pl.col("cut").is_in(["heads", "foreshots"])
        drawn = main.with_columns(
            place_frac=pl.when(is_heads).then(-pl.col("from_cut_lpa_frac")).otherwise("from_cut_lpa_frac"),
            beside_low=pl.col("score_low") - pl.col("score_mean") + pl.col("score_beside_hearts"),
            beside_high=pl.col("score_high") - pl.col("score_mean") + pl.col("score_beside_hearts"),
        ).select("label", "cut", "place_frac", "score_beside_hearts", "beside_low", "beside_high")
        attribute = str(main["attribute"][0])
        blocks.append(
            Figure(
                "jar-scores",
                f"Jars outside the hearts, score for {attribute} beside the hearts",
                f"{counted(drawn.height, 'score')} of heads and tails by distance from the cut.",
                page_spec(jars_beside_hearts(drawn, PAGE)),
                "Left of nought heads, right of it tails, as a share of the charge's alcohol between jar and "
                "cut; upright lines are the 95 % interval between assessors.",
            )
        )
    table = table_of(data.jar_scores, _SCORED_COLUMNS, "Jars tasted by themselves")
    return [*blocks, *marked_jars(table, data.jar_scores, data)]


def _places(data: SeasonData) -> pl.DataFrame:
    return data.jars_expected.select(
        "batch",
        "run",
        "jar_no",
        pl.col("curve_lpa_frac_end").round(4),
        run_label=pl.col("batch") + " · " + pl.col("run"),
    )
