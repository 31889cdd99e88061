"""Casks: what each holds, lost, and how its strength moved."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.charts import PAGE, cask_loss, cask_strength, page_spec
from pipeline.report.account_wording import forecast_sentences, leak_sentence, soakage_sentence
from pipeline.report.blocks import Block, Figure, Paragraphs, Section, fold_long, folded, table_of
from pipeline.report.data import SeasonData
from pipeline.report.marks import MEANS, with_marks_of_casks
from pipeline.report.sections.cask_groups import comparison
from pipeline.report.shape import NOT_WRITTEN, natural_key, pool_rare
from pipeline.report.text import counted, listed, value_text, with_unit

MOST_CASKS_DRAWN = 80
FEW_CASKS = 8

_COLUMNS = [
    "cask",
    "wood",
    "toast",
    "char",
    "capacity_l",
    "place",
    "previous",
    "filled_on",
    "source",
    "fill_volume_l",
    "fill_abv_pct_vol",
    "fill_lpa",
    "last_on",
    "last_volume_l",
    "last_abv_pct_vol",
    "last_lpa",
    "drawn_lpa",
    "bottled_lpa",
    "loss_lpa",
    "years",
    "loss_frac_per_year",
    "loss_frac_per_year_u",
    "loss_basis",
    "predicted_loss_frac_per_year",
    "water_loss_frac_per_year",
    "soakage_lpa",
    "strength_change_pct_vol",
    "drift_pct_vol_per_year",
    "forecast_on",
    "forecast_lpa",
    "forecast_lpa_low",
    "forecast_lpa_high",
    "forecast_scatter_frac",
    "forecast_basis",
    "state",
    "origin",
]
SHORT_TIME = (
    "A loss per year worked out from less than a year is stretched with its errors: take these rates as "
    "rough. Where a cask was regauged only once, the soakage into dry wood at the fill is part of it."
)
BELOW_ZERO = (
    "A loss below zero means that the cask measured fuller than it was filled: that is the error of the "
    "readings, not a gain."
)


def casks(data: SeasonData) -> Section:
    """Loss and strength of every cask filled this season."""
    if data.casks.is_empty():
        return Section("casks", "Casks", ["No cask was filled this season."])
    frame = _by_wood(data.casks)
    lost = frame.filter(pl.col("loss_frac_per_year").is_not_null())
    blocks: list[Block] = [*_loss(frame, lost), *comparison(data.cask_groups), *_strength(frame)]
    due = frame.filter(pl.col("forecast_lpa").is_not_null())
    days: list[date] = due["forecast_on"].to_list()
    said = forecast_sentences(
        max(days, default=None), due["forecast_lpa"].to_list(), due["forecast_basis"].to_list()
    )
    blocks += [Paragraphs(said)] if said else []
    table = table_of(frame, _COLUMNS, "Casks", leave_off_blank=True)
    blocks += [Paragraphs([MEANS])] if data.cask_figures.height else []
    blocks.append(folded(with_marks_of_casks(table, frame["cask"], data)))
    leaking = frame.filter(pl.col("is_leaking").fill_null(value=False))["cask"].to_list()
    soaked = frame["soakage_lpa"].drop_nulls()
    answer = [
        *_answer(frame, lost),
        *leak_sentence(leaking),
        *soakage_sentence(float(soaked.sum()), soaked.len()),
    ]
    return Section("casks", "Casks", answer, blocks, " ".join(answer[:2]))


def _by_wood(frame: pl.DataFrame) -> pl.DataFrame:
    named = frame.with_columns(pl.col("wood").fill_null(NOT_WRITTEN))
    keys = [(wood, natural_key(cask)) for wood, cask in named.select("wood", "cask").iter_rows()]
    return named[sorted(range(named.height), key=keys.__getitem__)]


def _answer(frame: pl.DataFrame, lost: pl.DataFrame) -> list[str]:
    filled = f"{counted(frame.height, 'cask').capitalize()} filled this season."
    if lost.is_empty():
        return [filled, "None has been measured again since, so no loss can be given."]
    low, high = lost["loss_frac_per_year"].min(), lost["loss_frac_per_year"].max()
    name = "loss_frac_per_year"
    if lost.height == 1:
        return [filled, f"One was measured again: it lost {value_text(low, name)} % of its alcohol a year."]
    share = "they"
    if lost.height >= FEW_CASKS:
        # One short or doubtful line of many would else be all that the sentence says.
        low, high = lost[name].quantile(0.25, "linear"), lost[name].quantile(0.75, "linear")
        share = "the middle half of them"
    return [
        filled,
        f"{lost.height} were measured again: {share} lost between {value_text(low, name)} and "
        f"{value_text(high, name)} % of their alcohol a year.",
    ]


def _loss(frame: pl.DataFrame, lost: pl.DataFrame) -> list[Block]:
    if lost.is_empty():
        return []
    drawn = pool_rare(lost.head(MOST_CASKS_DRAWN), "wood")
    texts = [with_unit(value, "loss_frac_per_year") for value in drawn["loss_frac_per_year"]]
    chart = drawn.select(
        pl.col("cask").alias("cask_label"),
        "wood",
        "loss_frac_per_year",
        pl.Series("loss_text", texts, dtype=pl.String),
    )
    said = "; ".join(f"{cask} {text}" for cask, text in zip(drawn["cask"], texts, strict=True))
    blocks: list[Block] = [
        fold_long(
            Figure(
                "cask-loss",
                "Alcohol lost from each cask, a year",
                f"Share of its alcohol that each cask lost a year: {said}.",
                page_spec(cask_loss(chart, PAGE)),
                _left_off(lost.height),
            ),
            drawn.height,
        )
    ]
    shortest = lost.select(pl.col("years").min()).item()
    if shortest is not None and shortest < 1:
        blocks.append(Paragraphs([SHORT_TIME]))
    if lost.select(pl.col("loss_frac_per_year").min()).item() < 0:
        blocks.append(Paragraphs([BELOW_ZERO]))
    unmeasured = frame.filter(pl.col("loss_frac_per_year").is_null())["cask"].to_list()
    if unmeasured:
        blocks.append(Paragraphs([f"Loss not measured: {listed(unmeasured)}."]))
    return blocks


def _strength(frame: pl.DataFrame) -> list[Block]:
    again = frame.filter(
        pl.col("fill_abv_pct_vol").is_not_null()
        & pl.col("last_abv_pct_vol").is_not_null()
        & pl.col("last_on").is_not_null()
    )
    if again.is_empty():
        return []
    rows = [
        {
            "cask_label": cask["cask"],
            "sign": sign,
            "strength_pct_vol": cask[name],
            "strength_text": with_unit(cask[name], name),
            "fill_abv_pct_vol": cask["fill_abv_pct_vol"],
            "last_abv_pct_vol": cask["last_abv_pct_vol"],
        }
        for cask in again.head(MOST_CASKS_DRAWN).iter_rows(named=True)
        for sign, name in (("at fill", "fill_abv_pct_vol"), ("last measured", "last_abv_pct_vol"))
    ]
    name = "strength_change_pct_vol"
    low, high = again[name].min(), again[name].max()
    return [
        fold_long(
            Figure(
                "cask-strength",
                "Strength at the fill and when last measured",
                f"Strength of {counted(again.height, 'cask')} at the fill and when last measured; the change "
                f"runs from {value_text(low, name)} to {with_unit(high, name)}.",
                page_spec(cask_strength(pl.DataFrame(rows), PAGE)),
                _left_off(again.height),
            ),
            min(again.height, MOST_CASKS_DRAWN),
        )
    ]


def _left_off(count: int) -> str:
    if count <= MOST_CASKS_DRAWN:
        return ""
    return f"The first {MOST_CASKS_DRAWN} of {count} casks are drawn, by wood; the table has them all."
