"""The pictures of what made the difference: effects, shares, rankings, trade-off, left-out predictions."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.charts import PAGE, fits, page_spec
from pipeline.fits.effects import REST_SCALED
from pipeline.fits.responses import Response, family_words, response_of
from pipeline.fits.season_fit import RANKED
from pipeline.fits.wording import capital, plain, unit_of_difference
from pipeline.report.blocks import Figure, Figures
from pipeline.report.data import SeasonData
from pipeline.report.shape import unique_labels
from pipeline.report.text import counted

FAR_OFF = 3.0
_SHORT = {
    "process": "process",
    "setting": "setting",
    "nothing": "nothing logged",
    "wood": "cask wood",
    "grain with yeast": "grain and yeast together",
}


def effect_figure(effects: pl.DataFrame, response: Response) -> Figure:
    """Effects on one response with their intervals."""
    contrasts = effects["contrast"].to_list()
    short = [words.removesuffix(REST_SCALED) for words in contrasts]
    labels = dict(zip(contrasts, unique_labels(short, 60).values(), strict=True))
    scale = 100.0 if response.unit == "%" else 1.0
    frame = effects.select(
        pl.col("contrast").replace_strict(labels).alias("words"),
        *(pl.col(name) * scale for name in ("estimate", "estimate_low", "estimate_high")),
        pl.col("verdict").alias("said"),
        pl.col("sentence").alias("text"),
    )
    unit = unit_of_difference(response)
    return Figure(
        f"effects-{_slug(response)}",
        f"What each choice did to {response.words}, the others allowed for",
        f"Effects on {response.words} with 95 % intervals: {' '.join(effects['sentence'].to_list())}",
        page_spec(fits.effect_intervals(frame, f"change of {response.words} ({unit})", PAGE)),
        "The line is where the effect may lie (95 %); one that crosses nought may be nothing at all."
        + (" Where one grain has more points, the rest is scaled down." if short != contrasts else ""),
    )


def explained_figure(data: SeasonData, responses: Sequence[tuple[str, Response]]) -> Figure:
    """The shares of the variation, one bar a response."""
    rows = []
    for kind, response in responses:
        at = 0.0
        for family, share, low, high in (
            of_response(data.explained, kind, response)
            .select("family", "explained_frac", "explained_low_frac", "explained_high_frac")
            .iter_rows()
        ):
            words = _SHORT.get(family, family_words(family, kind))
            text = f"{words}: {100 * share:.0f} % ({100 * low:.0f} to {100 * high:.0f} %)"
            rows.append((response.words, words, at, at + max(share, 0.0), text))
            at += max(share, 0.0)
    frame = pl.DataFrame(
        rows,
        schema={
            "words": pl.String,
            "family_words": pl.String,
            "start": pl.Float64,
            "end": pl.Float64,
            "text": pl.String,
        },
        orient="row",
    )
    # Shares that came out a little below nought were drawn as none; the bar is closed again.
    top = frame.group_by("words", maintain_order=True).agg(pl.col("end").max().alias("whole"))
    frame = frame.join(top, on="words", maintain_order="left").with_columns(
        pl.col("start") / pl.col("whole"), pl.col("end") / pl.col("whole")
    )
    first = frame.filter(pl.col("words") == frame["words"][0])
    return Figure(
        "explained",
        "What explains the variation between batches",
        f"{first['words'][0]}: {'; '.join(first['text'].to_list())}. The table has all responses.",
        page_spec(fits.explained_bars(frame.drop("whole"), PAGE)),
        "The setting is session, still and season; a cask's process is its time and size. "
        "The intervals are wide; the table gives them.",
    )


def ranking_figure(data: SeasonData, ranks: pl.DataFrame, response: Response, subject: str) -> Figure:
    """Grain bills or yeasts by adjusted mean, every batch as a point."""
    names = unique_labels(ranks["name"].to_list(), 34)
    scale = 100.0 if response.unit == "%" else 1.0
    texts = [
        f"{name}: {plain(response, mean)} {response.unit} "
        f"(95 % {plain(response, low)} to {plain(response, high)}"
        f", {counted(units, 'batch', 'batches')}; chance of being the highest {100 * best:.0f} %"
        f"{'; rests on a choice never tried apart' if tied else ''})"
        for name, mean, low, high, units, best, tied in ranks.select(
            "name", "adjusted_mean", "adjusted_low", "adjusted_high", "units", "chance_best_frac", "is_tied"
        ).iter_rows()
    ]
    labels = {
        name: f"{names[name]} · {counted(units, 'batch', 'batches')}{' · tied' if tied else ''}"
        for name, units, tied in ranks.select("name", "units", "is_tied").iter_rows()
    }
    frame = ranks.select(
        pl.col("name").replace_strict(labels).alias("label"),
        *(pl.col(name) * scale for name in ("adjusted_mean", "adjusted_low", "adjusted_high")),
        pl.Series("text", texts, dtype=pl.String),
    )
    column = "grain_bill" if subject == "grain bill" else "yeast"
    choices = data.fit_design.select(pl.col("batch").alias("unit"), pl.col(column).alias("chosen"))
    points = (
        data.predictions.filter((pl.col("unit_kind") == "batch") & (pl.col("response") == response.name))
        .join(choices, on="unit", how="inner", maintain_order="left")
        .filter(pl.col("chosen").is_in(list(labels)))
    )
    shown = points.select(
        pl.col("chosen").replace_strict(labels).alias("label"),
        pl.col("observed") * scale,
        "unit",
        pl.Series(
            "value_text",
            [f"{plain(response, value)} {response.unit}" for value in points["observed"]],
            dtype=pl.String,
        ),
    )
    return Figure(
        f"ranking-{_slug(response)}-{column.replace('_', '-')}",
        f"{capital(subject)}s by {response.words}, all else alike",
        f"{capital(subject)}s by {response.words}: {'; '.join(texts)}.",
        page_spec(fits.ranking(frame, shown, f"{response.words} ({response.unit})", PAGE)),
        "Circles are batches as measured; the diamond is the mean to expect in average company (line: 95 %).",
    )


def trade_off_figure(data: SeasonData) -> Figure | None:
    """Yield against score by grain bill; None with fewer than two bills known by both."""
    bills = data.rankings.filter(pl.col("subject") == "grain bill")
    x, y = (
        bills.filter(pl.col("response") == name).select(
            "name",
            pl.col("adjusted_mean").alias(axis),
            pl.col("adjusted_low").alias(f"{axis}_low"),
            pl.col("adjusted_high").alias(f"{axis}_high"),
        )
        for name, axis in zip(RANKED, ("x", "y"), strict=True)
    )
    both = x.join(y, on="name", how="inner", maintain_order="left")
    if both.height < 2:
        return None
    across, along = response_of(RANKED[0]), response_of(RANKED[1])
    texts = [
        f"{name}: {across.words} {plain(across, a)} {across.unit}, {along.words} {plain(along, b)}"
        for name, a, b in both.select("name", "x", "y").iter_rows()
    ]
    names = unique_labels(both["name"].to_list(), 22)
    frame = both.with_columns(pl.col("name").replace_strict(names), pl.Series("text", texts, dtype=pl.String))
    return Figure(
        "trade-off",
        "Yield against score, grain bill by grain bill",
        f"{'; '.join(texts)}.",
        page_spec(fits.trade_off(frame, f"{across.words} ({across.unit})", f"{along.words} (0 to 10)", PAGE)),
        "Adjusted means with 95 % intervals. How much yield a score is worth is for the distiller to say.",
    )


def left_out_figures(own: pl.DataFrame, response: Response) -> Figures:
    """Measured against foretold, and what is left unexplained: in the order of making and by its day."""
    said = (
        pl.when(pl.col("off_by_sd").abs() > FAR_OFF).then(pl.lit("far off")).otherwise(pl.lit("as foretold"))
    )
    texts = [
        f"{plain(response, seen)} {response.unit}, foretold {plain(response, low)} to {plain(response, high)}"
        for seen, low, high in own.select("observed", "predicted_low", "predicted_high").iter_rows()
    ]
    frame = own.with_columns(said.alias("said"), pl.Series("text", texts, dtype=pl.String))
    figures = [_against_foretold(frame, response), _unexplained(frame, response, "order")]
    if own["made_on"].null_count() == 0:
        figures.append(_unexplained(frame, response, "day"))
    return Figures(figures)


def _against_foretold(frame: pl.DataFrame, response: Response) -> Figure:
    worst = frame.sort(pl.col("off_by_sd").abs(), descending=True).row(0, named=True)
    columns = ["unit", "observed", "predicted", "predicted_low", "predicted_high", "said", "text"]
    return Figure(
        "left-out",
        f"Each batch's {response.words} against what the others foretell",
        f"Measured against foretold {response.words} of {frame.height} batches, each left out in turn. "
        f"Furthest off: {worst['unit']}, by {signed_sd(worst['off_by_sd'])} standard deviations.",
        page_spec(fits.left_out(frame.select(columns), f"{response.words} ({response.unit})", PAGE)),
        "On the dashed line a batch gave just what the others foretell; grey lines: 95 % intervals.",
    )


def _unexplained(frame: pl.DataFrame, response: Response, by: str) -> Figure:
    """What the fit leaves unexplained, by the `order` or the `day` of mashing."""
    if by == "day":
        spec = fits.residuals_by_day(frame.select("made_on", "unit", "off_by_sd", "text"), PAGE)
        where, why = (
            "by the day of mashing",
            "Batches made close together stand together: a cold month shows.",
        )
    else:
        spec = fits.residuals_in_order(frame.select("position", "unit", "off_by_sd", "text"), PAGE)
        where, why = "in the order of mashing", "A slope or a step: something else changed with time."
    return Figure(
        f"left-out-in-{by}" if by == "order" else "left-out-by-day",
        f"What the fit leaves unexplained, {where}",
        f"What each batch's {response.words} was off by, {where}. A slope would be a drift.",
        page_spec(spec),
        why,
    )


def signed_sd(value: float) -> str:
    """A number of standard deviations with its sign."""
    return f"{value:+.1f}".replace("-", "−")


def of_response(frame: pl.DataFrame, kind: str, response: Response) -> pl.DataFrame:
    """The rows of one kind of unit and one response."""
    return frame.filter((pl.col("unit_kind") == kind) & (pl.col("response") == response.name))


def _slug(response: Response) -> str:
    return "".join(c if c.isalnum() else "-" for c in response.name.replace("score: ", "score-")).strip("-")
