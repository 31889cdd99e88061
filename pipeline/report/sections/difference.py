"""What made the difference: fits of yield and flavour, in the words that `pipeline.fits.wording` allows."""

from __future__ import annotations

import polars as pl

from pipeline.charts import PAGE, fits, page_spec
from pipeline.fits.responses import FAMILY_WORDS, Response, response_of
from pipeline.fits.season_fit import RANKED
from pipeline.fits.wording import plain, unit_of_difference, units_word
from pipeline.report.blocks import (
    Block,
    Cell,
    Figure,
    Figures,
    Folded,
    Heading,
    Heading3,
    Paragraphs,
    Points,
    Section,
    Table,
    folded,
    table_of,
)
from pipeline.report.data import SeasonData
from pipeline.report.shape import unique_labels
from pipeline.report.text import counted, listed, value_text

TITLE = "What made the difference"
FAR_OFF = 3.0
MOST_SHOWN = 12

_SAID = ("supported", "leaning", "about the same")
_ORDER = ("yield_lpa_per_kg", "score: overall")
_FAMILIES = ("grain", "yeast", "process", "wood")
_SHORT = {"process": "process", "setting": "setting", "nothing": "nothing logged", "wood": "cask wood"}
_HOW = (
    "Grains, yeasts, process and cask are fitted together, each kind of choice as a family whose effects are "
    "pulled towards nought as far as the season's own spread demands. An effect is only named when its "
    "family passed a permutation test (4 % over all tests together). All seasons of these logs are fitted "
    "together. An effect says what went with a choice, the others allowed for; it is no proof of a cause."
)


def what_made_the_difference(data: SeasonData) -> Section:
    """Ties, gates, effects, shares, rankings and how far the fits may be trusted."""
    if data.gates.is_empty():
        return Section("difference", TITLE, [_too_few(data)])
    blocks: list[Block] = [
        *_ties(data),
        Heading3("Did it matter at all?"),
        _gate_table(data),
        Heading3("What went with what"),
        *_effects(data),
        Heading3("How much is explained"),
        _explained(data),
        *_rankings(data),
        Heading3("How far to trust it"),
        *_trust(data),
        Paragraphs([_HOW]),
        *_tables(data),
    ]
    answer = _answer(data)
    return Section("difference", TITLE, answer, blocks, " ".join(answer))


def _too_few(data: SeasonData) -> str:
    count = data.batches.height
    return (
        f"{units_word('batch', count)} of differing grain or yeast are too few to ask: with eight measured "
        "batches or more, this section says what went with yield and flavour."
    )


def _responses(data: SeasonData) -> list[tuple[str, Response]]:
    """(kind of unit, response) in the order of the page: yield and overall score first."""
    pairs = data.gates.select("unit_kind", "response").unique(maintain_order=True).rows()
    ranked = sorted(
        pairs,
        key=lambda pair: (pair[0] != "batch", _ORDER.index(pair[1]) if pair[1] in _ORDER else 9, pair[1]),
    )
    return [(kind, response_of(name, kind)) for kind, name in ranked]


def _answer(data: SeasonData) -> list[str]:
    mattered = []
    for family in _FAMILIES:
        passed = data.gates.filter((pl.col("family") == family) & pl.col("is_passed"))
        names = [
            r.words
            for kind, r in _responses(data)
            if (kind, r.name) in set(passed.select("unit_kind", "response").rows())
        ]
        if names:
            mattered.append(f"{_capital(FAMILY_WORDS[family])} made a difference to {listed(names)}.")
    if not mattered:
        mattered = [
            "This season does not show that grain, yeast, process or cask made a difference to anything."
        ]
    ties = data.aliases.filter(pl.col("is_exact") & (pl.col("unit_kind") == "batch"))
    if ties.height:
        mattered.append(
            f"{counted(ties.height, 'pair of choices was', 'pairs of choices were')} never tried apart."
        )
    return mattered


def _ties(data: SeasonData) -> list[Block]:
    if data.aliases.is_empty():
        return []
    return [Heading3("What cannot be told apart"), Points(data.aliases["sentence"].to_list())]


def _gate_table(data: SeasonData) -> Table:
    """One row a response, one column a family: shown, not shown, or not asked."""
    found = {(kind, name, family): (p, ok) for kind, name, family, _, p, ok, _ in data.gates.iter_rows()}
    rows = []
    for kind, response in _responses(data):
        cells = [Cell(response.words)]
        for family in _FAMILIES:
            p, ok = found.get((kind, response.name, family), (None, False))
            asked = (kind, response.name, family) in found
            words = (
                "not asked" if not asked else "cannot be asked" if p is None else "yes" if ok else "not shown"
            )
            cells.append(Cell(words if p is None else f"{words} (p {value_text(p, 'p_value')})"))
        rows.append(cells)
    headings = [Heading("Figure"), *(Heading(FAMILY_WORDS[family].split(" (")[0]) for family in _FAMILIES)]
    note = "Yes: more than luck would bring about, all tests taken together. Not shown is not the same as no."
    return Table("Which choices made a difference to what", headings, rows, [], note, stacked=True)


def _effects(data: SeasonData) -> list[Block]:
    blocks: list[Block] = []
    for kind, response in _responses(data):
        own = _of(data.effects, kind, response)
        said = own.filter(
            pl.col("verdict").is_in(_SAID[:2])
            | (pl.col("verdict") == _SAID[2]) & (pl.lit(response.name in _ORDER))
        )
        said = said.filter(pl.col("contrast_kind") != "swap")
        if said.is_empty():
            continue
        chart = own.filter(pl.col("contrast_kind").is_in(["more", "against average", "step"]))
        chart = chart.filter(~pl.col("verdict").is_in(["never apart", "too few"])).head(MOST_SHOWN)
        if response.name in _ORDER and kind == "batch":
            blocks.append(_effect_figure(chart, response))
        blocks.append(Folded(_capital(response.words), Paragraphs(said["sentence"].to_list())))
    if not blocks:
        return [Paragraphs(["No effect can be named yet."])]
    rest = data.effects.filter(pl.col("verdict").is_in(["cannot tell", "too few", "never apart"])).height
    return [
        *blocks,
        Paragraphs([f"Of {rest} other questions nothing can be said yet; the table below has them all."]),
    ]


def _effect_figure(effects: pl.DataFrame, response: Response) -> Figure:
    labels = unique_labels(effects["contrast"].to_list(), 60)
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
        "The line is where the effect may lie (95 %); one that crosses nought may be nothing at all.",
    )


def _explained(data: SeasonData) -> Figure:
    rows = []
    for kind, response in _responses(data):
        at = 0.0
        for family, share, low, high in (
            _of(data.explained, kind, response)
            .select("family", "explained_frac", "explained_low_frac", "explained_high_frac")
            .iter_rows()
        ):
            words = _SHORT.get(family, FAMILY_WORDS.get(family, family))
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
        "The setting is session, still and season. The intervals are wide; the table gives them.",
    )


def _rankings(data: SeasonData) -> list[Block]:
    figures: list[Figure] = []
    for name in RANKED:
        response = response_of(name)
        own = data.rankings.filter(pl.col("response") == name)
        for subject in ("grain bill", "yeast"):
            ranks = own.filter(pl.col("subject") == subject)
            if ranks.height > 1:
                figures.append(_ranking_figure(data, ranks, response, subject))
    if not figures:
        return []
    figure = _trade_off(data)
    return [
        Heading3("Grain bills and yeasts in order"),
        Figures(figures),
        *([figure] if figure else []),
    ]


def _ranking_figure(data: SeasonData, ranks: pl.DataFrame, response: Response, subject: str) -> Figure:
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
        f"{_capital(subject)}s by {response.words}, all else alike",
        f"{_capital(subject)}s by {response.words}: {'; '.join(texts)}.",
        page_spec(fits.ranking(frame, shown, f"{response.words} ({response.unit})", PAGE)),
        "Circles are batches as measured; the diamond is the mean to expect in average company (line: 95 %).",
    )


def _trade_off(data: SeasonData) -> Figure | None:
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


def _trust(data: SeasonData) -> list[Block]:
    sentences = []
    for kind, response in _responses(data):
        if response.name in _ORDER:
            sentences += [
                f"{_capital(response.words)}. {text}"
                for text in _of(data.fit_quality, kind, response)["sentence"]
            ]
    notes = data.fit_notes["sentence"].to_list()
    blocks: list[Block] = [Points([*sentences, *notes[:MOST_SHOWN]])]
    if len(notes) > MOST_SHOWN:
        blocks.append(Folded("More batches worth a look", Paragraphs(notes[MOST_SHOWN:])))
    own = data.predictions.filter((pl.col("unit_kind") == "batch") & (pl.col("response") == RANKED[0]))
    if own.height:
        blocks.append(_left_out_figures(own, response_of(RANKED[0])))
    return blocks


def _left_out_figures(own: pl.DataFrame, response: Response) -> Figures:
    said = (
        pl.when(pl.col("off_by_sd").abs() > FAR_OFF).then(pl.lit("far off")).otherwise(pl.lit("as foretold"))
    )
    texts = [
        f"{plain(response, seen)} {response.unit}, foretold {plain(response, low)} to {plain(response, high)}"
        for seen, low, high in own.select("observed", "predicted_low", "predicted_high").iter_rows()
    ]
    frame = own.with_columns(said.alias("said"), pl.Series("text", texts, dtype=pl.String))
    worst = own.sort(pl.col("off_by_sd").abs(), descending=True).row(0, named=True)
    return Figures(
        [
            Figure(
                "left-out",
                f"Each batch's {response.words} against what the others foretell",
                f"Measured against foretold {response.words} of {own.height} batches, each left out in turn. "
                f"Furthest off: {worst['unit']}, by {signed_sd(worst['off_by_sd'])} standard deviations.",
                page_spec(
                    fits.left_out(
                        frame.select(
                            "unit", "observed", "predicted", "predicted_low", "predicted_high", "said", "text"
                        ),
                        f"{response.words} ({response.unit})",
                        PAGE,
                    )
                ),
                "On the dashed line a batch gave just what the others foretell; grey lines: 95 % intervals.",
            ),
            Figure(
                "left-out-in-order",
                "What the fit leaves unexplained, in the order of mashing",
                f"What each batch's {response.words} was off by, in order. A slope would be a drift.",
                page_spec(
                    fits.residuals_in_order(frame.select("position", "unit", "off_by_sd", "text"), PAGE)
                ),
                "A slope or a step would mean that something else changed with time.",
            ),
        ]
    )


def signed_sd(value: float) -> str:
    """A number of standard deviations with its sign."""
    return f"{value:+.1f}".replace("-", "−")


def _tables(data: SeasonData) -> list[Block]:
    words = {(kind, r.name): r.words for kind, r in _responses(data)}

    def named(frame: pl.DataFrame) -> pl.DataFrame:
        kinds = zip(frame["unit_kind"], frame["response"], strict=True)
        return frame.with_columns(
            pl.Series("response", [words.get(pair, pair[1]) for pair in kinds], dtype=pl.String)
        )

    effects = named(data.effects).with_columns(
        pl.col("estimate", "estimate_low", "estimate_high").round_sig_figs(3)
    )
    shares = ["response", "family", "explained_frac", "explained_low_frac", "explained_high_frac"]
    errors = [
        "response",
        "units",
        "rmse_mean",
        "rmse_least_squares",
        "rmse_ridge",
        "rmse_fit",
        "rmse_recipe_out",
        "rmse_curved",
    ]
    ranks = [
        "response",
        "subject",
        "position",
        "name",
        "units",
        "raw_mean",
        "adjusted_mean",
        "adjusted_low",
        "adjusted_high",
    ]
    return [
        folded(
            table_of(
                effects,
                ["response", "contrast", "units", "estimate", "estimate_low", "estimate_high", "verdict"],
                "Every question asked",
            )
        ),
        folded(table_of(named(data.explained), shares, "Shares of the variation, with 95 % intervals")),
        folded(table_of(named(data.fit_quality), errors, "Left-out errors beside the plain answers")),
        folded(
            table_of(
                named(data.rankings),
                [*ranks, "chance_best_frac", "chance_near_best_frac"],
                "Grain bills and yeasts in order",
            )
        ),
    ]


def _of(frame: pl.DataFrame, kind: str, response: Response) -> pl.DataFrame:
    return frame.filter((pl.col("unit_kind") == kind) & (pl.col("response") == response.name))


def _slug(response: Response) -> str:
    return "".join(c if c.isalnum() else "-" for c in response.name.replace("score: ", "score-")).strip("-")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
