"""Yield by batch, by grain bill and by yeast, with no more said than the intervals carry."""

from __future__ import annotations

import polars as pl

from pipeline.charts import PAGE, page_spec, yield_by_batch, yield_by_group
from pipeline.charts.titles import label_of
from pipeline.report.blocks import Block, Figure, Heading3, Paragraphs, Points, Section, folded, table_of
from pipeline.report.data import SeasonData
from pipeline.report.marks import MEANS, with_marks
from pipeline.report.shape import NOT_WRITTEN, latest, named_with_flag, pool_rare, unique_labels
from pipeline.report.text import counted, listed, value_text, with_unit
from pipeline.report.wording import ENOUGH_BATCHES, Group, interval_text, yield_sentences

YIELD = "yield_lpa_per_kg"
MOST_GROUPS_DRAWN = 25

_GROUP_COLUMNS = [
    "batches",
    "batches_measured",
    "yield_mean_lpa_per_kg",
    "yield_sd_lpa_per_kg",
    "yield_low_lpa_per_kg",
    "yield_high_lpa_per_kg",
    "hearts_lpa_per_kg_mean",
    "mash_efficiency_mean_frac",
    "score_overall_mean",
    "score_batches",
]


def yields(data: SeasonData) -> Section:
    """All that can be said about yield this season."""
    measured = _measured(data)
    if measured.is_empty():
        return Section("yield", "Yield", ["No batch of this season has a measured yield."], _left_out(data))
    blocks: list[Block] = [
        *_by_batch(data, measured),
        Heading3("By grain bill"),
        *_by_group(data, measured, data.grain_bills, "grain_bill", "grain bill", "grain bills"),
        Heading3("By yeast"),
        *_by_group(data, measured, data.yeasts, "yeast", "yeast", "yeasts"),
    ]
    return Section("yield", "Yield", _answer(data, measured), blocks)


def _measured(data: SeasonData) -> pl.DataFrame:
    shown = data.batches.filter(pl.col(YIELD).is_not_null())
    texts = [with_unit(value, YIELD) for value in shown[YIELD]]
    return named_with_flag(shown, data.flags()).with_columns(
        pl.Series("yield_text", texts, dtype=pl.String),
        pl.col("main_grain", "grain_bill", "yeast").fill_null(NOT_WRITTEN),
    )


def _answer(data: SeasonData, measured: pl.DataFrame) -> list[str]:
    lowest = measured.sort([YIELD, "batch"]).row(0, named=True)
    highest = measured.sort([YIELD, "batch"], descending=[True, False]).row(0, named=True)
    if measured.height == 1:
        return [f"One batch has a measured yield: {lowest['batch']}, {lowest['yield_text']}."]
    return [
        f"{measured.height} of {counted(data.batches.height, 'batch', 'batches')} have a measured yield, "
        f"from {lowest['yield_text']} in {lowest['batch']} to {highest['yield_text']} in {highest['batch']}."
    ]


def _by_batch(data: SeasonData, measured: pl.DataFrame) -> list[Block]:
    group = "main_grain"
    dated = measured.filter(pl.col("mashed_on").is_not_null())
    blocks: list[Block] = [Heading3("By batch")]
    if dated.height:
        last, drawn = latest(dated, "batches")
        points = pool_rare(last, group).select("batch", "mashed_on", YIELD, "yield_text", group)
        season = data.season.select(YIELD).with_columns(season_label=pl.lit("the season"))
        season = season.filter(pl.col(YIELD).is_not_null())
        blocks.append(
            Figure(
                "yield-by-batch",
                "Yield of each batch, in the order of mashing",
                _batch_alt(data, dated),
                page_spec(yield_by_batch(points, season, group, PAGE)),
                "Each point is one batch; its shape and colour say its main grain. The dashed line is the "
                "season's spirit over the season's fermentables." + drawn,
            )
        )
    undated = measured.filter(pl.col("mashed_on").is_null())["batch"].to_list()
    if undated:
        blocks.append(Paragraphs([f"Not in the chart, for want of a mash date: {listed(undated)}."]))
    table = table_of(
        data.batches,
        ["batch", "mashed_on", "grain_bill", "yeast", "net_spirit_lpa", YIELD, "hearts_lpa_per_kg"],
        "Yield by batch",
        flags=data.flags(),
    )
    table = with_marks(table, data.batches["batch"], data)
    said = [Paragraphs([MEANS])] if data.problem_figures.height else []
    return [*blocks, *said, folded(table), *_left_out(data)]


def _batch_alt(data: SeasonData, dated: pl.DataFrame) -> str:
    season = data.figure(YIELD)
    line = "" if season is None else f" The season's figure is {with_unit(season, YIELD)}."
    first, last = (
        value_text(day, "mashed_on") for day in (dated["mashed_on"].min(), dated["mashed_on"].max())
    )
    return (
        f"Yield of {counted(dated.height, 'batch', 'batches')} mashed from {first} to {last}, between "
        f"{value_text(dated[YIELD].min(), YIELD)} and {with_unit(dated[YIELD].max(), YIELD)}.{line} "
        "The table below gives each."
    )


def _left_out(data: SeasonData) -> list[Block]:
    if data.left_out.is_empty():
        return []
    names = {name: label_of(name) for name in data.left_out["column_name"].unique()}
    table = table_of(
        data.left_out.with_columns(pl.col("column_name").replace(names)),
        ["batch", "column_name", "reason"],
        "Figures left blank, and why",
        flags=data.flags(),
    )
    return [folded(table)]


def _by_group(
    data: SeasonData, measured: pl.DataFrame, groups: pl.DataFrame, column: str, kind: str, kinds: str
) -> list[Block]:
    groups = groups.with_columns(pl.col(column).fill_null(NOT_WRITTEN))
    family = "grain" if column == "grain_bill" else "yeast"
    sentences = yield_sentences(as_groups(groups, column), kind, kinds, *_fits_say(data, family))
    blocks: list[Block] = [Points(sentences)]
    drawn = groups.filter(pl.col("yield_mean_lpa_per_kg").is_not_null())
    if drawn.height > 1:
        blocks.append(_group_figure(measured, drawn.head(MOST_GROUPS_DRAWN), column, kind, kinds))
        if drawn.height > MOST_GROUPS_DRAWN:
            blocks.append(
                Paragraphs(
                    [f"The {MOST_GROUPS_DRAWN} of highest yield are drawn; the table has all {drawn.height}."]
                )
            )
    extra = ["composition"] if "composition" in groups.columns else []
    table = table_of(groups, [column, *extra, *_GROUP_COLUMNS], f"Yield by {kind}")
    return [*blocks, folded(table)]


def _fits_say(data: SeasonData, family: str) -> tuple[str | None, list[str]]:
    """The fits' sentences on yield and one family of choices: its gate, and the effects that are shown."""
    of_yield = (pl.col("unit_kind") == "batch") & (pl.col("response") == YIELD) & (pl.col("family") == family)
    gates = data.gates.filter(of_yield)
    shown = data.effects.filter(
        of_yield
        & (pl.col("verdict") == "supported")
        & pl.col("contrast_kind").is_in(["more", "against average"])
    ).sort(pl.col("estimate").abs(), descending=True, maintain_order=True)
    return (gates["sentence"][0] if gates.height else None), shown["sentence"].to_list()


def as_groups(groups: pl.DataFrame, column: str) -> list[Group]:
    """The rows of a grouped metric as the wording rules take them."""
    return [
        Group(
            row[column],
            row["batches_measured"],
            row["yield_mean_lpa_per_kg"],
            row["yield_low_lpa_per_kg"],
            row["yield_high_lpa_per_kg"],
        )
        for row in groups.iter_rows(named=True)
    ]


def _group_figure(measured: pl.DataFrame, groups: pl.DataFrame, column: str, kind: str, kinds: str) -> Figure:
    names = unique_labels(groups[column].to_list(), 34)
    labels = {
        group.name: f"{names[group.name]} · {counted(group.count, 'batch', 'batches')}"
        for group in as_groups(groups, column)
    }
    texts = [interval_text(group) for group in as_groups(groups, column)]
    named = groups.with_columns(
        pl.col(column).replace_strict(labels).alias("group_label"),
        pl.Series("interval_text", texts, dtype=pl.String),
    ).select(
        "group_label",
        "yield_mean_lpa_per_kg",
        "yield_low_lpa_per_kg",
        "yield_high_lpa_per_kg",
        "interval_text",
    )
    last, said = latest(measured.filter(pl.col(column).is_in(list(labels))), "batches")
    points = last.with_columns(pl.col(column).replace_strict(labels).alias("group_label")).select(
        "group_label", "batch", YIELD, "yield_text"
    )
    alt = f"Yield by {kind}. " + "; ".join(
        f"{name}: {text}" for name, text in zip(groups[column], texts, strict=True)
    )
    return Figure(
        f"yield-by-{column.replace('_', '-')}",
        f"Yield by {kind}: every batch, the mean, and its 95 % interval",
        alt + ".",
        page_spec(yield_by_group(points, named, PAGE)),
        f"Circles are batches. The diamond is the mean of the {kind}'s batches; the line through it is where "
        f"that mean may lie (95 %), given from {ENOUGH_BATCHES} batches on. Nothing else is allowed for "
        f"here: whether {kinds} made a difference is said above, not by these lines." + said,
    )
