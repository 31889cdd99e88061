"""What made the difference: fits of yield and flavour, in the words that `pipeline.fits.wording` allows."""

from __future__ import annotations

import polars as pl

from pipeline.fits.explained import Share
from pipeline.fits.notices import APART
from pipeline.fits.ranking import Rank
from pipeline.fits.responses import Response, family_words, response_of
from pipeline.fits.season_fit import RANKED
from pipeline.fits.wording import capital, ranking_sentence, share_sentence, units_word
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
from pipeline.report.sections.difference_figures import (
    effect_figure,
    explained_figure,
    left_out_figures,
    of_response,
    ranking_figure,
    trade_off_figure,
)
from pipeline.report.text import counted, listed, value_text

TITLE = "What made the difference"
MOST_SHOWN = 12

_SHARE_COLUMNS = (
    "family",
    "explained_frac",
    "explained_low_frac",
    "explained_high_frac",
    "explained_plain_frac",
    "explained_alone_frac",
)
_RANK_COLUMNS = (
    "subject",
    "name",
    "units",
    "raw_mean",
    "adjusted_mean",
    "adjusted_low",
    "adjusted_high",
    "chance_best_frac",
    "chance_near_best_frac",
)
_SAID = ("supported", "leaning", "about the same")
_ORDER = ("yield_lpa_per_kg", "score: overall")
_FAMILIES = ("grain", "yeast", "process", "wood")
_HEADINGS = {"process": "process (casks: time and size)"}
_HOW = (
    "Grains, yeasts, process and cask are fitted together, each kind of choice as a family whose effects are "
    "pulled towards nought as far as the season's own spread demands. Shares of grain are of the mass of all "
    "fermentables. An effect is only named when its family passed a permutation test, all tests taken "
    "together: of those passed, one in twenty-five may be luck; where nothing makes a difference, any is "
    "passed less than once in twenty seasons. All seasons of these logs are fitted together. An effect says "
    "what went with a choice, the others allowed for; it is no proof of a cause."
)


def what_made_the_difference(data: SeasonData) -> Section:
    """Ties, gates, effects, shares, rankings and how far the fits may be trusted."""
    if data.gates.is_empty():
        return Section("difference", TITLE, [_too_few(data)], _left_aside(data))
    blocks: list[Block] = [
        *_ties(data),
        Heading3("Did it matter at all?"),
        _gate_table(data),
        Heading3("What went with what"),
        *_effects(data),
        Heading3("How much is explained"),
        *_explained(data),
        *_rankings(data),
        Heading3("How far to trust it"),
        *_trust(data),
        *_left_aside(data),
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
        shown = set(passed.select("unit_kind", "response").rows())
        named: dict[str, list[str]] = {}
        for kind, response in _responses(data):
            if (kind, response.name) in shown:
                named.setdefault(family_words(family, kind), []).append(response.words)
        mattered += [f"{capital(who)} made a difference to {listed(what)}." for who, what in named.items()]
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
    apart = data.fit_notices.filter(pl.col("notice") == APART)["sentence"].to_list()
    said = [*apart, *data.aliases["sentence"].to_list()]
    return [Heading3("What cannot be told apart"), Points(said)] if said else []


def _left_aside(data: SeasonData) -> list[Block]:
    """What was pooled, left out or not asked."""
    said = data.fit_notices.filter(pl.col("notice") != APART)["sentence"].to_list()
    return [Heading3("What was pooled, left out or not asked"), Points(said)] if said else []


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
    headings = [
        Heading("Figure"),
        *(Heading(_HEADINGS.get(family, family_words(family, "batch"))) for family in _FAMILIES),
    ]
    note = "Yes: more than luck would bring about, all tests taken together. Not shown is not the same as no."
    return Table("Which choices made a difference to what", headings, rows, [], note, stacked=True)


def _effects(data: SeasonData) -> list[Block]:
    blocks: list[Block] = []
    for kind, response in _responses(data):
        own = of_response(data.effects, kind, response)
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
            blocks.append(effect_figure(chart, response))
        line = f"{capital(response.words)}: what each choice did ({said.height})"
        blocks.append(Folded(line, Paragraphs(said["sentence"].to_list())))
    if not blocks:
        return [Paragraphs(["No effect can be named yet."])]
    rest = data.effects.filter(pl.col("verdict").is_in(["cannot tell", "too few", "never apart"])).height
    return [
        *blocks,
        Paragraphs([f"Of {rest} other questions nothing can be said yet; the table below has them all."]),
    ]


def _explained(data: SeasonData) -> list[Block]:
    """The shares of yield and score in words, and of all responses as bars."""
    said = []
    for kind, response in _responses(data):
        rows = of_response(data.explained, kind, response)
        if kind == "batch" and response.name in RANKED and rows.height:
            said.append(
                share_sentence(response, [Share(*row) for row in rows.select(_SHARE_COLUMNS).iter_rows()])
            )
    return [Points(said), explained_figure(data, _responses(data))]


def _rankings(data: SeasonData) -> list[Block]:
    said: list[str] = []
    figures: list[Figure] = []
    for name in RANKED:
        response = response_of(name)
        own = data.rankings.filter(pl.col("response") == name)
        for subject in ("grain bill", "yeast"):
            ranks = own.filter(pl.col("subject") == subject)
            if ranks.height > 1:
                said.append(ranking_sentence(response, _ranks(ranks), _is_shown(data, name, subject)))
                figures.append(ranking_figure(data, ranks, response, subject))
    if not figures:
        return []
    figure = trade_off_figure(data)
    return [
        Heading3("Grain bills and yeasts in order"),
        Points(said),
        Figures(figures),
        *([figure] if figure else []),
    ]


def _is_shown(data: SeasonData, response: str, subject: str) -> bool:
    """Whether it is shown that grain (or yeast) makes a difference to a response of the batches."""
    family = "grain" if subject == "grain bill" else "yeast"
    of = (pl.col("unit_kind") == "batch") & (pl.col("response") == response)
    gate = data.gates.filter(of & (pl.col("family") == family) & pl.col("is_passed"))
    return gate.height > 0 and data.fit_quality.filter(of & (pl.col("foretold_frac") > 0)).height > 0


def _ranks(ranks: pl.DataFrame) -> list[Rank]:
    """The rows of `fit.ranking` as the wording takes them."""
    return [Rank(*row) for row in ranks.select(*_RANK_COLUMNS, "is_tied").iter_rows()]


def _trust(data: SeasonData) -> list[Block]:
    sentences = []
    for kind, response in _responses(data):
        if response.name in _ORDER:
            sentences += [
                f"{capital(response.words)}. {text}"
                for text in of_response(data.fit_quality, kind, response)["sentence"]
            ]
    notes = data.fit_notes["sentence"].to_list()
    blocks: list[Block] = [Points([*sentences, *notes[:MOST_SHOWN]])]
    if len(notes) > MOST_SHOWN:
        blocks.append(Folded("More batches worth a look", Paragraphs(notes[MOST_SHOWN:])))
    own = data.predictions.filter((pl.col("unit_kind") == "batch") & (pl.col("response") == RANKED[0]))
    if own.height:
        blocks.append(left_out_figures(own, response_of(RANKED[0])))
    return blocks


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
    shares = ["response", *_SHARE_COLUMNS]
    errors = [
        "response",
        "units",
        "rmse_mean",
        "rmse_least_squares",
        "rmse_ridge",
        "rmse_fit",
        "rmse_mean_recipe_out",
        "rmse_least_squares_recipe_out",
        "rmse_ridge_recipe_out",
        "rmse_recipe_out",
        "rmse_curved",
    ]
    subject, *of_rank = _RANK_COLUMNS
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
                ["response", subject, "position", *of_rank],
                "Grain bills and yeasts in order",
            )
        ),
    ]
