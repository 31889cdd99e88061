"""What may be said of thermometers, loggers and tasted jars: what they show, never why."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from pipeline.report.text import counted, number


def thermometer_sentence(where: str, readings: int, mean: float, sd: float, off: int) -> str:
    """How one kind of thermometer goes with the strengths it stands beside."""
    place = "in the kettle" if where == "kettle" else "in the vapour"
    away = f"{number(abs(mean), 1)} °C too {'high' if mean > 0 else 'low'} for"
    sentence = (
        f"Thermometers {place} ({counted(readings, 'reading')} with a barometer) read on average "
        f"{away if abs(mean) >= 0.05 else 'what belongs to'} the strengths there, give or take "
        f"{number(sd, 1)} °C"
    )
    if off:
        verb = "does" if off == 1 else "do"
        return f"{sentence}; {off} {verb} not go with the strength, instruments allowed for."
    return f"{sentence}; none disagrees by more than instruments allow."


def side_sentence(batch: str, run: str, jar_no: int, side: str) -> str:
    """Of a strength off its run's curve: whom the vapour agrees with."""
    with_whom = {
        "the curve": "sides with the curve: the reading is the more likely slip",
        "the reading": "sides with the reading: the still did something there that its curve does not know",
        "neither": "sides with neither",
    }[side]
    return f"Where jar {jar_no} of {batch} {run} is off its curve, the vapour's temperature {with_whom}."


def telemetry_sentences(runs: pl.DataFrame, jars: pl.DataFrame) -> list[str]:
    """Heating, take-off and the inline meter over all runs with telemetry."""
    total = int(runs["telemetry_rows"].sum())
    sentences = [f"Loggers wrote down {counted(runs.height, 'run')} ({total:,} rows, reduced to minutes)."]
    heated = runs.filter(pl.col("heating_min").is_not_null())
    if heated.height:
        rate = heated["heat_up_c_per_minute"].drop_nulls().to_numpy()
        fast = f", the kettle warming by {number(float(np.median(rate)), 1)} °C a minute" if rate.size else ""
        low, high = heated["heating_min"].to_numpy().min(), heated["heating_min"].to_numpy().max()
        sentences.append(
            f"The first drop came after {int(low)} to {int(high)} minutes of heating{fast} "
            f"(middle of {counted(heated.height, 'run')})."
        )
    ran = runs.filter(pl.col("takeoff_drift_frac").is_not_null())
    if ran.height:
        drift = float(np.median(ran["takeoff_drift_frac"].to_numpy()))
        way = "faster" if drift > 0 else "slower"
        sentences.append(
            f"Spirit ran at {number(float(np.median(ran['takeoff_per_min_l'].to_numpy())), 3)} L a minute, "
            f"{number(abs(100 * drift), 0)} % {way} at the end of a run than at its start (middle of "
            f"{counted(ran.height, 'run')})."
        )
    inline = jars["inline_difference_pct_vol"].drop_nulls().to_numpy()
    if inline.size >= 2:
        way = "above" if inline.mean() > 0 else "below"
        sentences.append(
            f"The inline meter showed {number(abs(float(inline.mean())), 1)} %vol {way} the jars it filled, "
            f"give or take {number(float(inline.std(ddof=1)), 1)} %vol ({counted(inline.size, 'jar')})."
        )
    return sentences


def jar_sentence(row: dict[str, Any]) -> str:
    """What the heads or tails at the cut taste like beside the hearts, and what taking them in would do."""
    side = {"heads": "The heads just before the hearts", "tails": "The tails just after the hearts"}
    span = f"{number(row['score_at_cut_low'], 1)} to {number(row['score_at_cut_high'], 1)} points"
    head = (
        f"{side[row['cut_side']]} score {span} beside the hearts for {row['attribute']} (95 % interval, "
        f"{counted(row['jars'], 'jar')} tasted by themselves)"
    )
    if not row["is_told"]:
        return f"{head}: these tastings cannot tell them apart."
    if row["mixed_score_change"] is None:
        return f"{head}."
    return (
        f"{head}. One %vol more of them in the hearts would change those by "
        f"{number(row['mixed_score_change_low'], 2)} to {number(row['mixed_score_change_high'], 2)} points, "
        "if taste mixes in proportion."
    )
