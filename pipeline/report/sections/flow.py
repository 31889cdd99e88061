"""Where the alcohol went: grain to cask, each step and each loss in litres of pure alcohol."""

from __future__ import annotations

import polars as pl

from pipeline.charts import PAGE, alcohol_band, page_spec, where_alcohol_went
from pipeline.report.account_wording import is_clear, loss_sentences, unexplained_sentence, with_error
from pipeline.report.blocks import Block, Figure, Figures, Heading3, Section, folded, table_of
from pipeline.report.data import SeasonData
from pipeline.report.flow_shape import bands, steps_of
from pipeline.report.text import value_text, with_unit

PARTS = {
    "still house": ("flow-still-house", "From the grain to the hearts"),
    "casks": ("flow-casks", "From the hearts to the casks"),
}


def where_the_alcohol_went(data: SeasonData) -> Section:
    """The season's flow as bars, sentences and a table."""
    title = "Where the alcohol went"
    measured = data.flow.filter(pl.col("lpa").is_not_null())
    if measured.is_empty():
        sentence = "Not measured: no batch has every step from grain to hearts, so no step can be added up."
        return Section("flow", title, [sentence])
    blocks: list[Block] = []
    for part, (name, heading) in PARTS.items():
        steps = measured.filter(pl.col("part") == part)
        if steps.height:
            blocks += _figure(data, part, name, heading, steps)
    columns = ["part", "label", "side", "lpa", "lpa_u", "share_frac", "bottles", "batches", "explanation"]
    blocks.append(folded(table_of(data.flow, columns, "Where the alcohol went, step by step")))
    return Section("flow", title, _answer(measured), blocks)


def _figure(data: SeasonData, part: str, name: str, heading: str, steps: pl.DataFrame) -> list[Block]:
    covered, batches = int(steps.select(pl.col("batches").max()).item()), data.batches.height
    measured = "those measured throughout" if part == "still house" else "those whose hearts were measured"
    whole = "every batch" if covered == batches else f"{covered} of {batches} batches, {measured}"
    figure = Figure(
        name,
        f"Litres of pure alcohol (LPA) at 20 °C, over {whole}",
        _alt(heading, steps),
        page_spec(where_alcohol_went(bars(steps), PAGE)),
        "Bars that start at zero were carried on to the next step; a bar hanging behind is what "
        "was lost or set by on the way. Shares are of the first bar."
        + (" Grain counts as the alcohol its extract could become." if part == "still house" else ""),
    )
    return [Heading3(heading), Figures([_picture(name, heading, steps), figure])]


def _picture(name: str, heading: str, steps: pl.DataFrame) -> Figure:
    """The same steps as one band, beside their bars."""
    words = steps.select(
        down=pl.int_range(pl.len()) + 0.5,
        words=pl.struct("label", "lpa").map_elements(
            lambda row: f"{row['label']}: {with_unit(row['lpa'], 'lpa')}", return_dtype=pl.String
        ),
    )
    return Figure(
        f"{name}-band",
        f"{heading}, as one band (LPA at 20\u00a0°C)",
        _band_alt(heading, steps),
        page_spec(alcohol_band(bands(steps), words, PAGE)),
        "The pale band is as wide as the alcohol it carries, from top to bottom. What leaves it swings out "
        "to the right, as wide as what was lost or set by; what joins it comes in from there.",
    )


def _band_alt(heading: str, steps: pl.DataFrame) -> str:
    shape = steps_of(steps)
    first, last = shape[0], shape[-1]
    leaving = [
        f"{row['label']} {with_unit(row['lpa'], 'lpa')}"
        for row in steps.filter(pl.col("side") != "carried").iter_rows(named=True)
    ]
    return (
        f"{heading}, one band from top to bottom that narrows from {with_unit(first.after_lpa, 'lpa')} "
        f"({first.label}) to {with_unit(last.after_lpa, 'lpa')} ({last.label}). "
        f"On the way it changes by: {'; '.join(leaving)}."
    )


def _answer(flow: pl.DataFrame) -> list[str]:
    avoidable = flow.filter(pl.col("is_avoidable")).sort(["lpa", "position"], descending=[True, False])
    clear = [row for row in avoidable.iter_rows(named=True) if is_clear(row)]
    unexplained = [
        row
        for row in flow.filter(pl.col("is_unexplained")).iter_rows(named=True)
        if is_clear(row, either_way=True)
    ]
    return loss_sentences(clear) + unexplained_sentence(unexplained)


def _alt(heading: str, flow: pl.DataFrame) -> str:
    steps = [
        f"{row['label']} {with_unit(row['lpa'], 'lpa')} ({row['side']})" for row in flow.iter_rows(named=True)
    ]
    return f"{heading}, one bar a step. " + "; ".join(steps) + "."


def bars(flow: pl.DataFrame) -> pl.DataFrame:
    """The flow with the place of each bar: geometry of the picture, not a figure of the season.

    What is carried starts at zero. What is lost or set by hangs down from where the last bar ended, so
    that the eye falls step by step to the next amount carried. A negative loss (more came out than
    went in, within error) points the other way.
    """
    rows = []
    for row, step in zip(flow.iter_rows(named=True), steps_of(flow), strict=True):
        start = 0.0 if step.side == "carried" else step.before_lpa
        rows.append(
            {
                "step": step.label,
                "side": step.side,
                "bar_from_lpa": min(start, step.after_lpa),
                "bar_to_lpa": max(start, step.after_lpa),
                "words": f"{row['label']}: {with_error(row, 'lpa')}{_share_text(row)}",
            }
        )
    return pl.DataFrame(rows)


def _share_text(row: dict[str, object]) -> str:
    share = row["share_frac"]
    return "" if share is None else f", {value_text(share, 'share_frac')}\u00a0%"
