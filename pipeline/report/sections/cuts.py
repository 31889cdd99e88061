"""Cuts and strengths of the spirit runs, and what the stripping runs brought over."""

from __future__ import annotations

import polars as pl

from pipeline.charts import PAGE, cut_fractions, hearts_strengths, page_spec
from pipeline.charts.theme import CUT_PARTS
from pipeline.report.blocks import Block, Figure, Heading3, Paragraphs, Section, fold_long, folded, table_of
from pipeline.report.data import SeasonData
from pipeline.report.marks import MEANS, with_marks_of_runs
from pipeline.report.sections.sensors import boiling_blocks, jar_score_blocks, telemetry_blocks
from pipeline.report.sections.steadiness import steadiness_answer, steadiness_blocks, tradeoff_blocks
from pipeline.report.sections.still import still_blocks, strip_blocks
from pipeline.report.shape import latest, named_with_flag
from pipeline.report.text import counted, listed, value_text, with_unit

MOST_RUNS_DRAWN = 150

_RUN_COLUMNS = [
    "batch",
    "run",
    "started_at",
    "still",
    "charge_volume_l",
    "charge_abv_pct_vol",
    "charge_lpa",
    "foreshots_frac",
    "heads_frac",
    "hearts_frac",
    "tails_frac",
    "feints_frac",
    "residue_lpa",
    "gap_lpa",
    "hearts_start_pct_vol",
    "hearts_end_pct_vol",
    "jars",
    "jars_unmeasured",
    "origin",
]
_STRIP_COLUMNS = [
    "batch",
    "run",
    "started_at",
    "still",
    "charge_lpa",
    "collected_volume_l",
    "collected_lpa",
    "residue_lpa",
    "recovery_frac",
    "last_spout_pct_vol",
    "minutes_min",
]


def cuts_and_strengths(data: SeasonData) -> Section:
    """Spirit runs first, then stripping runs."""
    spirit = _labelled(data, "spirit")
    strips = _labelled(data, "stripping")
    if spirit.is_empty() and strips.is_empty():
        return Section("cuts", "Cuts and strengths", ["No distillation was logged."])
    blocks: list[Block] = []
    if spirit.height:
        blocks += [Heading3("Spirit runs"), *_cut_figure(spirit), *_strength_figure(spirit)]
        blocks += _run_table(data, spirit, _RUN_COLUMNS, "Spirit runs")
    blocks += [*steadiness_blocks(data), *still_blocks(data), *boiling_blocks(data)]
    blocks += [*telemetry_blocks(data), *tradeoff_blocks(data), *jar_score_blocks(data)]
    if strips.height:
        blocks += [Heading3("Stripping runs"), *_strip_part(data, strips)]
        blocks += _run_table(data, strips, _STRIP_COLUMNS, "Stripping runs")
    return Section("cuts", "Cuts and strengths", _answer(data, spirit, strips), blocks)


def _run_table(data: SeasonData, runs: pl.DataFrame, columns: list[str], title: str) -> list[Block]:
    table = table_of(runs, columns, title, flags=data.flags(), leave_off_blank=True)
    is_marked = data.run_figures.join(runs, on=["batch", "run"], how="semi").height
    said = [Paragraphs([MEANS])] if is_marked else []
    return [*said, folded(with_marks_of_runs(table, runs, data))]


def _labelled(data: SeasonData, kind: str) -> pl.DataFrame:
    runs = data.runs.filter(pl.col("run_kind") == kind)
    flagged = named_with_flag(runs.select("batch"), data.flags())["batch"]
    return runs.with_columns(run_label=flagged + " · " + runs["run"])


def _answer(data: SeasonData, spirit: pl.DataFrame, strips: pl.DataFrame) -> list[str]:
    sentences = steadiness_answer(data)
    ends = [] if sentences else [("hearts_end_pct_vol", "ended")]
    cut = spirit.filter(pl.col("hearts_frac").is_not_null())
    beyond = cut.filter(pl.col("hearts_frac") > 1)
    cut = cut.filter(pl.col("hearts_frac") <= 1)
    if cut.height:
        sentences.append(
            f"Hearts were {_range(cut, 'hearts_frac')} of the alcohol charged, over "
            f"{counted(cut.height, 'spirit run')}."
        )
    elif spirit.height and beyond.is_empty():
        sentences.append("No spirit run has its hearts measured in full.")
    if beyond.height:
        sentences.append(
            f"Left out: {listed(beyond['run_label'].to_list())}, where by the readings more alcohol "
            "was collected as hearts than was charged. A reading must be wrong there."
        )
    for name, verb in [("hearts_start_pct_vol", "began"), *ends]:
        read = spirit.filter(pl.col(name).is_not_null())
        if read.height:
            runs = counted(read.height, "run")
            sentences.append(
                f"Hearts {verb} at {_range(read, name)} at the spout ({runs} where it is known)."
            )
    recovered = strips.filter(pl.col("recovery_frac").is_not_null())
    if recovered.height:
        sentences.append(
            f"Stripping brought over {_range(recovered, 'recovery_frac')} of the alcohol charged, over "
            f"{counted(recovered.height, 'run')}."
        )
    return sentences


def _range(frame: pl.DataFrame, name: str) -> str:
    low, high = frame[name].min(), frame[name].max()
    if value_text(low, name) == value_text(high, name):
        return with_unit(high, name)
    return f"{value_text(low, name)} to {with_unit(high, name)}"


def cut_parts(spirit: pl.DataFrame) -> pl.DataFrame:
    """One row a run and part of its charge, in the order they leave the still; unmeasured parts absent."""
    columns = dict(
        zip(
            CUT_PARTS,
            (
                "foreshots_frac",
                "heads_frac",
                "hearts_frac",
                "tails_frac",
                "feints_frac",
                "not_yet_cut_frac",
                "residue_frac",
                "gap_frac",
            ),
            strict=True,
        )
    )
    rows = []
    for run in spirit.iter_rows(named=True):
        for rank, (part, name) in enumerate(columns.items()):
            share = run[name]
            if share is None or share <= 0:
                continue
            text = with_unit(share, "lpa_frac")
            rows.append(
                {
                    "run_label": run["run_label"],
                    "part": part,
                    "part_rank": rank,
                    "part_frac": share,
                    "part_text": text,
                    "hearts_text": text if part == "hearts" else "",
                }
            )
    return pl.DataFrame(rows)


def _cut_figure(spirit: pl.DataFrame) -> list[Block]:
    drawn = spirit.tail(MOST_RUNS_DRAWN)
    parts = cut_parts(drawn)
    if parts.is_empty():
        return [Paragraphs(["No cut of any spirit run was measured, so there is nothing to draw."])]
    note = (
        "Each bar is one run, from the first drop on the left. Left in the still is drawn where it was "
        "measured; where it was not, it is part of what is not accounted for. A bar that ends short has a "
        "cut that was not measured; one that passes 100 % collected more than was charged, by the readings."
    )
    if spirit.height > MOST_RUNS_DRAWN:
        note += f" The last {MOST_RUNS_DRAWN} of {spirit.height} runs are drawn."
    hearts = drawn.filter(pl.col("hearts_frac").is_not_null())
    alt = f"What became of the alcohol charged in {counted(drawn.height, 'spirit run')}. "
    alt += f"Hearts {_range(hearts, 'hearts_frac')}." if hearts.height else "Hearts were not measured."
    return [
        fold_long(
            Figure(
                "cuts-by-run",
                "What became of the alcohol charged, run by run",
                alt,
                page_spec(cut_fractions(parts, PAGE)),
                note,
            ),
            drawn.height,
        )
    ]


def _strength_figure(spirit: pl.DataFrame) -> list[Block]:
    rows = []
    last, said = latest(spirit, "runs")
    for run in last.iter_rows(named=True):
        for sign, name in (("hearts start", "hearts_start_pct_vol"), ("hearts end", "hearts_end_pct_vol")):
            if run[name] is None or run["started_at"] is None:
                continue
            rows.append(
                {
                    "run_label": run["run_label"],
                    "started_at": run["started_at"],
                    "sign": sign,
                    "strength_pct_vol": run[name],
                    "strength_text": with_unit(run[name], name),
                    "hearts_start_pct_vol": run["hearts_start_pct_vol"],
                    "hearts_end_pct_vol": run["hearts_end_pct_vol"],
                }
            )
    if not rows:
        return [Paragraphs(["Where hearts began and ended is not known for any dated run."])]
    frame = pl.DataFrame(rows, infer_schema_length=None)
    starts = spirit.filter(pl.col("hearts_start_pct_vol").is_not_null())
    ends = spirit.filter(pl.col("hearts_end_pct_vol").is_not_null())
    ends_said = [f"began at {_range(starts, 'hearts_start_pct_vol')}"] if starts.height else []
    ends_said += [f"ended at {_range(ends, 'hearts_end_pct_vol')}"] if ends.height else []
    return [
        Figure(
            "hearts-strengths",
            "Strength at the spout where hearts began and ended",
            f"Strength at the spout by date. Hearts {' and '.join(ends_said)}.",
            page_spec(hearts_strengths(frame, PAGE)),
            "Upward triangles: the first drop of hearts. Downward triangles: the last. The grey line joins "
            "the two of one run." + said,
        )
    ]


def _strip_part(data: SeasonData, strips: pl.DataFrame) -> list[Block]:
    if strips.filter(pl.col("recovery_frac").is_not_null() & pl.col("started_at").is_not_null()).is_empty():
        return [Paragraphs(["No dated stripping run has its recovery measured."])]
    return strip_blocks(data)
