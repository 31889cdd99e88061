"""The step that makes the panel's tables: frames in, frames out, in the order of `PANEL_TABLES`."""

from __future__ import annotations

from collections.abc import Iterable

import polars as pl

from pipeline.multiplicity import holm
from pipeline.panel.discrimination import CHANCE, judge_difference, similarity_trials
from pipeline.panel.lexicon import Lexicon
from pipeline.panel.maps import DESCRIPTOR, FLAVOUR_MAP, score_map_rows, word_rows
from pipeline.panel.splits import FLAVOUR_SHARE, share_rows
from pipeline.panel.tables import (
    ASSESSOR,
    BOOL,
    F64,
    I64,
    PANEL,
    SAMPLE_DIFFERENCE,
    SAMPLE_MEAN,
    TEXT,
    Row,
    assessor_rows,
    frame_of,
    mean_rows,
    panel_rows,
)
from pipeline.panel.tastings import read_panels
from pipeline.python_step import PythonStep

DIFFERENCE = {
    "season": TEXT,
    "session": TEXT,
    "test": TEXT,
    "sample_a": TEXT,
    "sample_b": TEXT,
    "assessors": I64,
    "trials": I64,
    "correct": I64,
    "chance_frac": F64,
    "p_value": F64,
    "p_held": F64,
    "needed_correct": I64,
    "d_prime": F64,
    "d_prime_se": F64,
    "d_prime_low": F64,
    "d_prime_high": F64,
    "told_by_frac": F64,
    "told_by_low_frac": F64,
    "told_by_high_frac": F64,
    "told_by_most_frac": F64,
    "power_frac": F64,
    "more_trials": I64,
    "fresh_trials": I64,
    "similar_trials": I64,
    "is_told_apart": BOOL,
    "is_similar": BOOL,
    "most_by_one": I64,
    "answers_tie": F64,
    "p_answers_tie": F64,
}


PANEL_READS = (
    "select * from fit.tasted_score order by season, session, tasted, assessor, attribute, pour_id",
    "select * from fit.tasted order by season, session, tasted",
    "select * from fit.tasted_word order by season, session, tasted, assessor, pour_id, word",
    "select * from fit.tasted_batch order by tasted, batch",
    "select batch, yeast, hearts_start_pct_vol, hearts_end_pct_vol from metric.batch order by batch",
    "select batch, ingredient, share_frac from metric.batch_ingredient order by batch, ingredient",
    "select name, text_value from raw.setting where name like 'words.%' order by name",
)
PANEL_TABLES = {
    "fit.sample_mean": "each tasted spirit's score, adjusted for who tasted what, when and in which place. "
    "One row a set of tastings, spirit and attribute.",
    "fit.sample_difference": "every difference between two spirits that were tasted against each other. "
    "One row a set of tastings, attribute and pair.",
    "fit.panel": "what the panel as a whole could tell: variances, tests, agreement. "
    "One row a set of tastings and attribute.",
    "fit.assessor": "each assessor's own figures, for the person and whoever trains the panel. "
    "One row a season, attribute and assessor.",
    "fit.descriptor": "how many assessors said a word of a spirit, and whether it tells the spirits apart. "
    "One row a set of tastings, word and spirit.",
    "fit.flavour_map": "places on the map of scores and on the map of words. "
    "One row a set of tastings, map and thing placed.",
    "fit.flavour_share": "each attribute's variance split between what made the spirits and the panel. "
    "One row a season, attribute and part.",
}
DIFFERENCE_READS = (
    """
    select test.season, test.session, test.test, test.sample_a, test.sample_b, test.trials, test.correct,
           test.chance_frac, count(distinct trial.assessor) as assessors
    from metric.difference_test as test
    inner join log.difference_trial as trial
        on trial.session is not distinct from test.session and trial.test = test.test
        and trial.sample_a = test.sample_a and trial.sample_b = test.sample_b
    group by all
    order by all
    """,
    """
    select session, test, sample_a, sample_b, assessor, count(*) filter (where is_correct) as correct,
           count(*) as trials
    from log.difference_trial
    where is_correct is not null
    group by all
    order by all
    """,
)
DIFFERENCE_TABLES = {
    "fit.difference": "what each blind comparison showed, how large the difference may be, what more trials "
    "would take. One row a session, test and pair of samples."
}


def panel_step(
    scores: pl.DataFrame,
    tasted_frame: pl.DataFrame,
    words: pl.DataFrame,
    batches_of: pl.DataFrame,
    batches: pl.DataFrame,
    bills: pl.DataFrame,
    own_words: pl.DataFrame,
) -> Iterable[pl.DataFrame]:
    """The frames of `PANEL_TABLES`, from those of `PANEL_READS`."""
    origins: dict[str, dict[str, float]] = {}
    for name, batch, share in batches_of.select("tasted", "batch", "share_frac").iter_rows():
        if share is not None:
            origins.setdefault(name, {})[batch] = share
    tasted = {
        row["tasted"]: row | {"origins": origins.get(row["tasted"], {})}
        for row in tasted_frame.iter_rows(named=True)
    }
    lexicon = Lexicon({name.removeprefix("words."): word for name, word in own_words.iter_rows() if word})
    means: list[Row] = []
    differences: list[Row] = []
    said: list[Row] = []
    maps: list[Row] = []
    panels, assessors, shares = [], [], []
    for panel in read_panels(_with_unscored(scores, words, tasted_frame)):
        for mean, difference in mean_rows(panel, tasted):
            means += mean
            differences += difference
        panels += panel_rows(panel)
        assessors += assessor_rows(panel)
        own = words.filter(pl.col("season").eq_missing(pl.lit(panel.season, dtype=pl.String)))
        word_part, word_map = word_rows(panel, own, lexicon, tasted)
        said += word_part
        maps += [*score_map_rows(panel, tasted), *word_map]
        shares += share_rows(panel, tasted, batches_of, batches, bills)
    return (
        frame_of(means, SAMPLE_MEAN),
        frame_of(differences, SAMPLE_DIFFERENCE),
        frame_of(panels, PANEL),
        frame_of(assessors, ASSESSOR),
        frame_of(said, DESCRIPTOR),
        frame_of(maps, FLAVOUR_MAP),
        frame_of(shares, FLAVOUR_SHARE),
    )


def _with_unscored(scores: pl.DataFrame, words: pl.DataFrame, tasted: pl.DataFrame) -> pl.DataFrame:
    """The scores, and a row without a score for each glass of a session where only words were written."""
    unscored = (
        words.join(scores.select("session"), on="session", how="anti", nulls_equal=True)
        .select("season", "session", "tasted", "assessor")
        .unique(maintain_order=True)
        .join(
            tasted.select("session", "tasted", "tasted_on"),
            on=["session", "tasted"],
            how="left",
            nulls_equal=True,
            maintain_order="left",
        )
    )
    return pl.concat([scores, unscored], how="diagonal")


def difference_step(tests: pl.DataFrame, people: pl.DataFrame) -> Iterable[pl.DataFrame]:
    """The frame of `DIFFERENCE_TABLES`, from those of `DIFFERENCE_READS`."""
    answers: dict[tuple[str | None, ...], list[tuple[int, int]]] = {}
    for *key, _, correct, trials in people.iter_rows():
        answers.setdefault(tuple(key), []).append((correct, trials))
    rows: list[Row] = []
    for row in tests.iter_rows(named=True):
        if row["test"] not in CHANCE or not row["trials"]:
            continue
        own = answers[row["session"], row["test"], row["sample_a"], row["sample_b"]]
        found = judge_difference(row["correct"], row["trials"], row["test"], own)
        rows.append(
            {
                **{name: row[name] for name in DIFFERENCE if name in row},
                "p_value": found.p_value,
                "needed_correct": found.needed,
                "d_prime": found.d_prime,
                "d_prime_se": found.d_prime_se,
                "d_prime_low": found.d_prime_low,
                "d_prime_high": found.d_prime_high,
                "told_by_frac": found.pd,
                "told_by_low_frac": found.pd_low,
                "told_by_high_frac": found.pd_high,
                "told_by_most_frac": found.pd_most,
                "power_frac": found.power,
                "more_trials": found.more_trials,
                "fresh_trials": found.fresh_trials,
                "similar_trials": similarity_trials(row["test"]),
                "is_told_apart": found.is_shown,
                "is_similar": found.is_similar,
                "most_by_one": max(trials for _, trials in own),
                "answers_tie": found.repeats.gamma if found.repeats else None,
                "p_answers_tie": found.repeats.p_value if found.repeats else None,
            }
        )
    for row, p_held in zip(rows, holm([each["p_value"] for each in rows]), strict=True):
        row["p_held"] = float(p_held)
    return (frame_of([{name: row.get(name) for name in DIFFERENCE} for row in rows], DIFFERENCE),)


PANEL_STEPS = (
    PythonStep(panel_step, PANEL_READS, PANEL_TABLES),
    PythonStep(difference_step, DIFFERENCE_READS, DIFFERENCE_TABLES),
)
