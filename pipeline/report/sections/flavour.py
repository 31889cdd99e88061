"""Flavour: what the panel can and cannot tell. Adjusted scores, spirit or cask, the map, words, blind
tests."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.charts import PAGE, flavour_map, flavour_shares, page_spec, scores_by_sample
from pipeline.panel.flavour_map import EVIDENCE_FROM
from pipeline.panel.shares import LEAST_SAMPLES
from pipeline.panel.sheets import CAUTIONS
from pipeline.panel.tables import LIKE_CASKS, NEW_SPIRITS, SAME_SPIRIT
from pipeline.report.blocks import (
    Block,
    Figure,
    Figures,
    Folded,
    Group,
    Heading3,
    Paragraphs,
    Points,
    Section,
    folded,
    table_of,
)
from pipeline.report.data import SeasonData
from pipeline.report.flavour_wording import (
    HELD_AT,
    PANEL_PARTS,
    agreement_sentence,
    attribute_sentence,
    comparison_sentences,
    repeated_sentence,
    scale_sentence,
    scores_answer,
    share_sentence,
    share_text,
    shares_headline,
    strength_sentence,
    tasting_line,
    trial_sentence,
    unknown_sentence,
    word_sentences,
)
from pipeline.report.sections.tasted import sample_anchors, sample_entries
from pipeline.report.shape import NOT_WRITTEN, pool_rare, unique_labels
from pipeline.report.text import counted, listed, number, value_text

TITLE = "Flavour: what the panel can and cannot tell"
MOST_TASTINGS_DRAWN = 12
MOST_SAMPLES_DRAWN = 40
HOW_TO_READ = (
    "Dots are adjusted scores, 0 to 10; lines the 95 % interval of each sample against the average of "
    "its tasting. "
    "Highest first, each attribute in its own order."
)
PICTURE = f"Fewer than {EVIDENCE_FROM} samples: this map is a picture, not evidence."
SPIRIT_OR_CASK = (
    "How the variance of one score divides between what made the spirit, the cask, and the panel itself. The "
    "intervals hold 90 %. Association within this season, not proof of cause."
)
_MEAN_COLUMNS = [
    "tasting",
    "label",
    "attribute",
    "assessors",
    "scores",
    "score_raw_mean",
    "panel_mean",
    "panel_mean_low",
    "panel_mean_high",
    "above_average",
    "told_apart_from",
]
_PANEL_COLUMNS = [
    "tasting",
    "attribute",
    "samples",
    "assessors",
    "empty_frac",
    "f_samples",
    "p_samples",
    "p_held",
    "usual_half_width",
    "order_effect",
    "icc_single",
    "icc_panel",
    "kendall_w",
]
_SHARE_COLUMNS = [
    "attribute",
    "flavour_part",
    "share_frac",
    "share_low_frac",
    "share_high_frac",
    "own_part_frac",
    "goes_with",
]
_TEST_COLUMNS = [
    "session",
    "test",
    "sample_a",
    "sample_b",
    "assessors",
    "trials",
    "correct",
    "needed_correct",
    "p_value",
    "p_held",
    "d_prime",
    "told_by_frac",
    "told_by_most_frac",
    "power_frac",
    "more_trials",
]


def flavour(data: SeasonData) -> Section:
    """What was tasted this season and what may be said of it."""
    own = data.flavour
    if own.means.is_empty():
        return _unscored(data)
    total = int(own.panels["scores"].sum())
    assessors = data.count("assessors") or int(own.panels.select(pl.col("assessors").max()).item())
    tastings = own.means["tasting"].unique(maintain_order=True).to_list()
    samples, sessions = own.means["tasted"].n_unique(), own.tasted["session"].n_unique()
    answer = [scores_answer(total, assessors, samples, sessions, len(tastings))]
    unknown = own.tasted.filter(pl.all_horizontal(pl.col("batch", "cask", "lot").is_null()))
    warnings = [
        unknown_sentence(samples, unknown["tasted"].n_unique()),
        strength_sentence(own.strengths.to_dicts()),
    ]
    answer += [each for each in warnings if each]
    blocks: list[Block] = [*_spirit_or_cask(data), Heading3("Scores"), Paragraphs([_how_to_read(data)])]
    drawn = tastings[-MOST_TASTINGS_DRAWN:]
    if len(drawn) < len(tastings):
        answer.append(f"The last {len(drawn)} tastings are drawn; the table has them all.")
    blocks += [_tasting(data, tasting, place) for place, tasting in enumerate(drawn)]
    entries = sample_entries(data)
    blocks += [
        Folded(f"Every sample: what it was, its scores and words ({len(entries.entries)})", entries),
        folded(table_of(own.means, _MEAN_COLUMNS, "Adjusted scores by sample and attribute")),
        *_map(data, tastings),
        *_words(data),
        Heading3("How far the panel agrees"),
        Paragraphs([agreement_sentence(own.panels.to_dicts())]),
        folded(table_of(own.panels, _PANEL_COLUMNS, "The panel by tasting and attribute")),
        Heading3("At the next tasting"),
        Points(list(CAUTIONS)),
    ]
    headline = shares_headline(own.shares.to_dicts())
    if headline:
        answer.insert(0, headline)
    return Section("flavour", TITLE, answer, blocks)


def _unscored(data: SeasonData) -> Section:
    """A season without scores: its words, if any were written, and what to mind at the next tasting."""
    own = data.flavour
    answer, blocks = [scores_answer(0, 0, 0, 0, 0)], []
    if own.words.height:
        samples = counted(own.words["tasted"].n_unique(), "sample")
        answer.append(f"Words alone were written of {samples}; they are counted below.")
        entries = sample_entries(data)
        blocks = [
            Folded(f"Every sample: what it was and its words ({len(entries.entries)})", entries),
            *_words(data),
        ]
    return Section("flavour", TITLE, answer, [*blocks, Points(list(CAUTIONS))])


def _words(data: SeasonData) -> list[Block]:
    words = data.flavour.words
    return [
        Heading3("Words"),
        Points(word_sentences(words.to_dicts())),
        *_word_maps(data),
        *_word_table(words),
    ]


def _how_to_read(data: SeasonData) -> str:
    panels = data.flavour.panels.to_dicts()
    if all(each["no_fit_reason"] for each in panels):
        return "Dots are plain means, 0 to 10, without intervals: nothing could be adjusted."
    return f"{HOW_TO_READ} {scale_sentence(panels)}".strip()


def _spirit_or_cask(data: SeasonData) -> list[Block]:
    own = data.flavour
    pairs = own.differences.filter(pl.col("comparison").is_not_null())
    blocks: list[Block] = [Heading3("Spirit or cask?")]
    if own.shares.is_empty():
        blocks.append(
            Paragraphs(
                [
                    f"Too few samples of known batches were tasted to say what made them differ: "
                    f"{LEAST_SAMPLES} are needed, scored in one attribute."
                ]
            )
        )
    else:
        attributes = own.shares["attribute"].unique(maintain_order=True).to_list()
        parts = {name: own.shares.filter(pl.col("attribute") == name) for name in attributes}
        figures = [_share_figure(name, rows, place) for place, (name, rows) in enumerate(parts.items())]
        blocks += [
            Paragraphs([SPIRIT_OR_CASK]),
            Points([share_sentence(name, rows.to_dicts()) for name, rows in parts.items()]),
            figures[0],
        ]
        if len(figures) > 1:
            names = listed(attributes[1:])
            blocks.append(Folded(f"The same for the other attributes: {names}", Figures(figures[1:])))
        blocks.append(folded(table_of(own.shares, _SHARE_COLUMNS, "What made the samples differ")))
    sentences = []
    for kind in (SAME_SPIRIT, LIKE_CASKS, NEW_SPIRITS):
        rows = pairs.filter(pl.col("comparison") == kind).to_dicts()
        if rows or kind != NEW_SPIRITS:
            sentences += comparison_sentences(kind, rows)
    return [*blocks, Points(sentences)]


def _share_figure(attribute: str, rows: pl.DataFrame, place: int) -> Figure:
    texts = [share_text(row) for row in rows.iter_rows(named=True)]
    side = (
        pl.when(pl.col("flavour_part").is_in(PANEL_PARTS))
        .then(pl.lit("panel"))
        .otherwise(pl.lit("spirit and cask"))
    )
    frame = rows.with_columns(pl.Series("share_text", texts, dtype=pl.String), side=side).select(
        "flavour_part", "share_frac", "share_low_frac", "share_high_frac", "share_text", "side"
    )
    said = "; ".join(f"{part} {text}" for part, text in zip(rows["flavour_part"], texts, strict=True))
    return Figure(
        f"shares-{place}",
        f"What made {attribute} differ",
        f"Share of the variance of a score for {attribute}: {said}.",
        page_spec(flavour_shares(frame, PAGE)),
    )


def _tasting(data: SeasonData, tasting: str, place: int) -> Folded:
    """A tasting behind one line that says what it told apart: its sentences and a figure an attribute."""
    own = data.flavour
    panels = own.panels.filter(pl.col("tasting") == tasting)
    means = own.means.filter(pl.col("tasting") == tasting)
    differences = own.differences.filter(pl.col("tasting") == tasting)
    attributes = means["attribute"].unique(maintain_order=True).to_list()
    sentences, figures = [], []
    for count, name in enumerate(attributes):
        panel = panels.filter(pl.col("attribute") == name).row(0, named=True)
        pairs = differences.filter(pl.col("attribute") == name)
        sentences.append(attribute_sentence(panel, pairs.to_dicts()))
        rows = means.filter(pl.col("attribute") == name)
        figures.append(_score_figure(tasting, name, rows, f"scores-{place}-{count}"))
    line = tasting_line(tasting, panels.to_dicts(), differences.to_dicts())
    return Folded(line, Group([Points(sentences), Figures(figures)]))


def _score_figure(tasting: str, attribute: str, rows: pl.DataFrame, name: str) -> Figure:
    shown = pl.coalesce("panel_mean", "score_raw_mean")
    ordered = rows.with_columns(score_mean=shown).sort(["score_mean", "label"], descending=[True, False])
    drawn = ordered.head(MOST_SAMPLES_DRAWN)
    middle = pl.col("score_mean") - pl.col("above_average")
    drawn = drawn.with_columns(
        score_low=middle + pl.col("above_average_low"), score_high=middle + pl.col("above_average_high")
    )
    labels = unique_labels(drawn["label"].to_list(), 24)
    texts = [_score_text(row) for row in drawn.iter_rows(named=True)]
    frame = drawn.with_columns(
        pl.Series("sample_label", [labels[each] for each in drawn["label"]], dtype=pl.String),
        pl.Series("score_text", texts, dtype=pl.String),
    ).select("sample_label", "score_mean", "score_low", "score_high", "score_text")
    said = "; ".join(f"{label} {text}" for label, text in zip(drawn["label"].to_list(), texts, strict=True))
    note = ""
    if ordered.height > MOST_SAMPLES_DRAWN:
        note = f"The {MOST_SAMPLES_DRAWN} highest of {ordered.height} samples are drawn."
    return Figure(
        name,
        f"{attribute[:1].upper()}{attribute[1:]}",
        f"Score for {attribute} in {tasting}: {said}.",
        page_spec(scores_by_sample(frame, PAGE)),
        note,
    )


def _score_text(row: dict[str, Any]) -> str:
    mean = value_text(row["score_mean"], "score_mean")
    if row["score_low"] is None:
        return f"{mean} (plain mean, no interval)"
    return f"{mean} ({number(row['score_low'], 1)} to {number(row['score_high'], 1)})"


def _map(data: SeasonData, tastings: list[str]) -> list[Block]:
    """The map of the last tasting that has one open, those before it folded."""
    maps = data.flavour.maps
    scores = [
        each for each in tastings if maps.filter(pl.col("tasting") == each, pl.col("map") == "scores").height
    ]
    if not scores:
        return []
    anchors = sample_anchors(data)
    figures = [
        _map_figure(maps, each, "scores", place, anchors) for place, each in enumerate(reversed(scores))
    ]
    blocks: list[Block] = [
        Heading3("Map of flavour"),
        Paragraphs(
            [
                "Samples that lie close taste alike in what was scored (overall left out); arrows point "
                "to where an "
                "attribute is stronger. The ellipses hold 95 % with another panel of this size: where "
                "two of them "
                "overlap, the map does not tell the samples apart. A point leads to its sample, under "
                "Every sample above."
            ]
        ),
        figures[0],
    ]
    if len(figures) > 1:
        blocks.append(Folded(f"Maps of the {len(figures) - 1} tastings before", Figures(figures[1:])))
    return blocks


def _word_maps(data: SeasonData) -> list[Block]:
    maps, anchors = data.flavour.maps, sample_anchors(data)
    found = data.flavour.words["tasting"].unique(maintain_order=True).to_list()
    words = [
        each for each in found if maps.filter(pl.col("tasting") == each, pl.col("map") == "words").height
    ]
    if not words:
        return []
    drawn = [_map_figure(maps, each, "words", place, anchors) for place, each in enumerate(reversed(words))]
    return [Folded(f"Maps of words ({counted(len(drawn), 'tasting')})", Figures(drawn))]


def _map_figure(
    maps: pl.DataFrame, tasting: str, kind: str, place: int, anchors: Mapping[str, str]
) -> Figure:
    rows = maps.filter(pl.col("tasting") == tasting, pl.col("map") == kind)
    group = pl.col("yeast").fill_null(NOT_WRITTEN)
    rows = pool_rare(rows.with_columns(group_label=group), "group_label")
    labels = unique_labels(rows["label"].to_list(), 22)
    texts = [_place_text(row) for row in rows.iter_rows(named=True)]
    frame = rows.with_columns(
        pl.Series("place_label", [labels[each] for each in rows["label"]], dtype=pl.String),
        pl.Series("place_text", texts, dtype=pl.String),
        pl.Series("leads_to", [_link(anchors.get(each)) for each in rows["name"]], dtype=pl.String),
    )
    first = rows.row(0, named=True)
    notes = [PICTURE] if first["samples"] < EVIDENCE_FROM else []
    if kind == "words" and first["p_map"] is not None:
        known = "differ" if first["p_map"] <= 0.05 else "are not shown to differ"
        p_text = value_text(first["p_map"], "p_map")
        notes.append(f"The words {known} between the samples (p {p_text}, by shuffling).")
    samples = rows.filter(pl.col("kind") == "sample")
    said = "; ".join(
        f"{label} at {number(x, 1)}, {number(y, 1)}"
        for label, x, y in samples.select("label", "map_x", "map_y").iter_rows()
    )
    return Figure(
        f"map-{kind}-{place}",
        f"Map of {kind}: {tasting}",
        f"Map of {kind} in {tasting}, coloured by yeast: {said}.",
        page_spec(flavour_map(frame, PAGE)),
        " ".join(notes),
    )


def _link(anchor: str | None) -> str | None:
    return None if anchor is None else f"#{anchor}"


def _place_text(row: dict[str, Any]) -> str:
    known = [row["label"], row["yeast"], row["main_grain"], row["wood"]]
    if row["cask_years"] is not None:
        known.append(f"{number(row['cask_years'], 1)} years")
    return ", ".join(str(each) for each in known if each)


def _word_table(words: pl.DataFrame) -> list[Block]:
    if words.is_empty():
        return []
    said = words.filter(pl.col("said") > 0)
    columns = ["tasting", "word", "word_family", "label", "said", "assessors", "p_held"]
    return [folded(table_of(said, columns, "Words said, by sample"))]


def blind_tests(data: SeasonData) -> Section:
    """What triangle, duo-trio and paired tests showed, and what more trials would take."""
    title = "Difference tests"
    tests = data.flavour.tests
    if tests.is_empty():
        return Section("differences", title, ["No triangle, duo-trio or paired test was logged."])
    count = counted(tests.height, "comparison")
    answer = [f"{count[:1].upper()}{count[1:]} tasted blind."]
    if tests.height > 1:
        kept = tests.filter(pl.col("p_held") <= HELD_AT).height
        answer.append(
            "p is how often a panel that only guessed would do as well; among many comparisons one in "
            "twenty comes out "
            f"below 0.05 by luck. Held to all of them together, {kept} of {tests.height} stand."
        )
    rows = tests.to_dicts()
    # Who answered is said once where it is the same for every comparison.
    people = list({repeated_sentence(row): None for row in rows})
    is_common = len(rows) > 1 and len(people) == 1 and bool(people[0])
    sentences = [trial_sentence(row, with_people=not is_common) for row in rows]
    return Section(
        "differences",
        title,
        answer,
        [
            Points(sentences),
            Paragraphs([f"Of each comparison: {people[0]}"] if is_common else []),
            folded(table_of(tests, _TEST_COLUMNS, "Difference tests")),
        ],
    )
