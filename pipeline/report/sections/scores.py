"""Scores of the panel, and its difference tests."""

from __future__ import annotations

import polars as pl

from pipeline.charts import PAGE, page_spec, scores_by_sample
from pipeline.report.blocks import (
    Block,
    Figure,
    Figures,
    Folded,
    Heading3,
    Paragraphs,
    Points,
    Section,
    folded,
    table_of,
)
from pipeline.report.data import SeasonData
from pipeline.report.shape import unique_labels
from pipeline.report.text import counted, listed, number, value_text
from pipeline.report.wording import difference_sentence, score_sentence

MOST_SAMPLES_DRAWN = 40
MOST_SESSIONS_DRAWN = 12
ORDER = "Each attribute has its own order, highest mean first. The scale is 0 to 10."

_COLUMNS = [
    "session",
    "sample",
    "label",
    "attribute",
    "assessors",
    "scores",
    "score_mean",
    "score_sd",
    "score_low",
    "score_high",
]
_TEST_COLUMNS = ["session", "test", "sample_a", "sample_b", "trials", "correct", "chance_frac", "p_value"]


def scores(data: SeasonData) -> Section:
    """Each attribute's mean score by sample, session by session."""
    if data.scores.is_empty():
        return Section("scores", "Scores by sample", [score_sentence(0, 0, 0)])
    samples = data.scores.select("session", "sample").unique().height
    total = int(data.scores["scores"].sum())
    assessors = data.count("assessors") or int(data.scores.select(pl.col("assessors").max()).item())
    sessions = data.scores.group_by(["session"], maintain_order=True)
    drawn = [(str(session), rows) for (session,), rows in sessions][-MOST_SESSIONS_DRAWN:]
    blocks: list[Block] = []
    for place, (session, rows) in enumerate(drawn):
        blocks += _session(session, rows, place)
    blocks.append(folded(table_of(data.scores, _COLUMNS, "Scores by sample and attribute")))
    answer = [score_sentence(total, assessors, samples)]
    if data.scores["session"].n_unique() > len(drawn):
        answer.append(f"The last {len(drawn)} sessions are drawn; the table has them all.")
    return Section("scores", "Scores by sample", answer, [Paragraphs([ORDER]), *blocks])


def _session(session: str, rows: pl.DataFrame, place: int) -> list[Block]:
    """A session's first attribute (overall, where it was scored) open to view, the others folded."""
    attributes = [(str(name), part) for (name,), part in rows.group_by(["attribute"], maintain_order=True)]
    figures = [
        _figure(session, name, part, f"scores-{place}-{number}")
        for number, (name, part) in enumerate(attributes)
    ]
    blocks: list[Block] = [Heading3(f"Session {session}"), figures[0]]
    if len(figures) > 1:
        names = listed([name for name, _ in attributes[1:]])
        blocks.append(Folded(f"The other attributes of this session: {names}", Figures(figures[1:])))
    return blocks


def _figure(session: str, attribute: str, rows: pl.DataFrame, name: str) -> Figure:
    ordered = rows.sort(["score_mean", "label", "sample"], descending=[True, False, False], nulls_last=True)
    drawn = ordered.head(MOST_SAMPLES_DRAWN)
    texts = [_score_text(row) for row in drawn.iter_rows(named=True)]
    frame = drawn.with_columns(
        pl.Series("sample_label", sample_labels(drawn), dtype=pl.String),
        pl.Series("score_text", texts, dtype=pl.String),
    ).select("sample_label", "score_mean", "score_low", "score_high", "score_text")
    said = "; ".join(f"{label} {text}" for label, text in zip(drawn["label"].to_list(), texts, strict=True))
    note = ""
    if ordered.height > MOST_SAMPLES_DRAWN:
        note = f"The {MOST_SAMPLES_DRAWN} highest of {ordered.height} samples are drawn."
    return Figure(
        name,
        f"{attribute[:1].upper()}{attribute[1:]}",
        f"Mean score for {attribute} in session {session}: {said}.",
        page_spec(scores_by_sample(frame, PAGE)),
        note,
    )


def sample_labels(rows: pl.DataFrame) -> list[str]:
    """What each sample was, with its blind code where two samples were the same thing."""
    repeated = set(rows.filter(pl.col("label").is_duplicated())["label"])
    names = [
        f"{label} ({sample})" if label in repeated else label
        for label, sample in zip(rows["label"], rows["sample"], strict=True)
    ]
    short = unique_labels(names, 24)
    return [short[name] for name in names]


def _score_text(row: dict[str, object]) -> str:
    mean = value_text(row["score_mean"], "score_mean")
    low, high = row["score_low"], row["score_high"]
    if isinstance(low, float) and isinstance(high, float):
        return f"{mean} ({number(low, 1)} to {number(high, 1)})"
    return f"{mean} (one assessor, no interval)"


def difference_tests(data: SeasonData) -> Section:
    """What triangle, duo-trio and paired tests showed."""
    title = "Difference tests"
    if data.difference_tests.is_empty():
        return Section("differences", title, ["No triangle, duo-trio or paired test was logged."])
    sentences = [
        difference_sentence(
            row["sample_a"],
            row["sample_b"],
            row["test"],
            row["trials"],
            row["correct"],
            row["chance_frac"],
            row["p_value"],
        )
        for row in data.difference_tests.iter_rows(named=True)
    ]
    count = counted(data.difference_tests.height, "comparison")
    answer = [f"{count[:1].upper()}{count[1:]} tasted blind."]
    if data.difference_tests.height > 1:
        answer.append(
            "p is how often a panel that only guessed would do as well. With many comparisons, one in twenty "
            "comes out below 0.05 by luck."
        )
    table = table_of(data.difference_tests, _TEST_COLUMNS, "Difference tests")
    return Section("differences", title, answer, [Points(sentences), folded(table)])
