"""The tables that the fits fill: their schemas, what they hold, and how a result becomes a row."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import polars as pl

from pipeline.fits import wording
from pipeline.fits.aliases import Association, Tangle, Tie
from pipeline.fits.design import WITH, Problem
from pipeline.fits.effects import Effect
from pipeline.fits.explained import Share
from pipeline.fits.notices import Notice
from pipeline.fits.plan import Choice
from pipeline.fits.quality import Foretold, Quality
from pipeline.fits.ranking import Rank

_TEXT, _REAL, _WHOLE, _YES = pl.String(), pl.Float64(), pl.Int64(), pl.Boolean()
_OF = {"unit_kind": _TEXT, "response": _TEXT}

SCHEMAS: dict[str, dict[str, pl.DataType]] = {
    "fit.gate": {
        **_OF, "family": _TEXT, "units": _WHOLE, "p_value": _REAL, "is_passed": _YES, "sentence": _TEXT,
    },
    "fit.effect": {
        **_OF, "family": _TEXT, "level": _TEXT, "against": _TEXT, "contrast_kind": _TEXT, "contrast": _TEXT,
        "units": _WHOLE, "estimate": _REAL, "estimate_low": _REAL, "estimate_high": _REAL,
        "estimate_sd": _REAL, "chance_positive_frac": _REAL, "verdict": _TEXT, "sentence": _TEXT,
    },
    "fit.alias": {
        "unit_kind": _TEXT, "family": _TEXT, "level": _TEXT, "other_family": _TEXT, "other_level": _TEXT,
        "units": _WHOLE, "other_units": _WHOLE, "units_together": _WHOLE, "correlation": _REAL,
        "is_exact": _YES, "sentence": _TEXT,
    },
    "fit.share": {
        **_OF, "family": _TEXT, "explained_frac": _REAL, "explained_low_frac": _REAL,
        "explained_high_frac": _REAL, "explained_plain_frac": _REAL, "explained_alone_frac": _REAL,
    },
    "fit.ranking": {
        **_OF, "subject": _TEXT, "position": _WHOLE, "name": _TEXT, "units": _WHOLE, "raw_mean": _REAL,
        "adjusted_mean": _REAL, "adjusted_low": _REAL, "adjusted_high": _REAL, "chance_best_frac": _REAL,
        "chance_near_best_frac": _REAL, "is_tied": _YES,
    },
    "fit.quality": {
        **_OF, "units": _WHOLE, "rmse_mean": _REAL, "rmse_least_squares": _REAL, "rmse_ridge": _REAL,
        "rmse_fit": _REAL, "rmse_curved": _REAL, "rmse_mean_recipe_out": _REAL,
        "rmse_least_squares_recipe_out": _REAL, "rmse_ridge_recipe_out": _REAL, "rmse_recipe_out": _REAL,
        "foretold_frac": _REAL, "residual_sd": _REAL, "drift": _REAL, "drift_p_value": _REAL,
        "sentence": _TEXT,
    },
    "fit.note": {**_OF, "sentence": _TEXT},
    "fit.notice": {"unit_kind": _TEXT, "notice": _TEXT, "name": _TEXT, "sentence": _TEXT},
    "fit.prediction": {
        **_OF, "position": _WHOLE, "unit": _TEXT, "made_on": pl.Date(), "observed": _REAL, "predicted": _REAL,
        "predicted_low": _REAL, "predicted_high": _REAL, "off_by_sd": _REAL, "sway": _REAL,
        "swayed_contrast": _TEXT,
    },
    "fit.next_batch": {
        "response": _TEXT, "position": _WHOLE, "why": _TEXT, "composition": _TEXT, "yeast": _TEXT,
        "predicted": _REAL, "predicted_low": _REAL, "predicted_high": _REAL, "expected_gain": _REAL,
        "chance_better_frac": _REAL, "learns_contrast": _TEXT, "learns_sd_now": _REAL,
        "learns_sd_then": _REAL, "cost": _REAL, "sentence": _TEXT,
    },
}  # fmt: skip

WHAT = {
    "fit.gate": "whether each family of choices made a difference at all (permutation gates, 4 % over all). "
    "One row a response and family.",
    "fit.effect": "what each choice did, the others allowed for: size, 95 % interval, and what may be said. "
    "One row a response and question.",
    "fit.alias": "choices that always or nearly always came together, and so cannot be told apart. "
    "One row a tie.",
    "fit.share": "how much of the variation each family of choices explains, and nothing explains. "
    "One row a response and family.",
    "fit.ranking": "grain bills and yeasts by adjusted mean, with their chances of being the highest. "
    "One row a response and grain bill or yeast.",
    "fit.quality": "how well unseen batches are foretold, beside the mean, least squares and ridge. "
    "One row a response.",
    "fit.note": "drifts, batches far off what the others foretell, batches that hold up an effect alone. "
    "One row a response and note.",
    "fit.notice": "what was pooled, left out or not asked before anything was fitted, and how many choices "
    "can be told apart. One row a notice.",
    "fit.prediction": "every batch foretold by the others, and how much it sways the fit. "
    "One row a response and unit.",
    "fit.next_batch": "batches worth running next: two that promise most, two that teach most. "
    "One row a response and batch to try.",
}


@dataclass
class Rows:
    """Collects rows of every table, in the order they come."""

    found: dict[str, list[tuple[Any, ...]]] = field(default_factory=lambda: {name: [] for name in SCHEMAS})
    foretold: list[pl.DataFrame] = field(default_factory=list)

    def gate(self, problem: Problem, family: str, p: float | None, is_passed: bool) -> None:
        """A gate asked."""
        units = len(problem.y)
        sentence = wording.gate_sentence(problem.response, problem.unit_kind, family, units, p, is_passed)
        self._add("fit.gate", *_of(problem), family, units, p, is_passed, sentence)

    def effect(self, problem: Problem, effect: Effect) -> None:
        """A question answered."""
        q = effect.question
        self._add(
            "fit.effect", *_of(problem), q.family, q.level, q.against, q.kind, q.words, q.units,
            effect.estimate, effect.low, effect.high, effect.sd, effect.chance_positive, effect.verdict,
            wording.effect_sentence(problem.response, problem.unit_kind, effect),
        )  # fmt: skip

    def tie(self, unit_kind: str, tie: Tie, sentence: str) -> None:
        """Two choices that came together."""
        self._add(
            "fit.alias", unit_kind, tie.family, tie.level, tie.other_family, tie.other_level, tie.units,
            tie.other_units, tie.together, tie.correlation, tie.is_exact, sentence,
        )  # fmt: skip

    def merged(self, unit_kind: str, level: str, units: int, sentence: str) -> None:
        """Grains judged as one."""
        first, rest = level.split(WITH, 1)
        self._add(
            "fit.alias", unit_kind, "grain", first, "grain", rest, units, units, units, None, True, sentence
        )

    def tangle(self, unit_kind: str, tangle: Tangle, sentence: str) -> None:
        """Three choices or more bound together; the first and the last stand in the columns."""
        (family, level), (other_family, other_level) = tangle.choices[0], tangle.choices[-1]
        self._add(
            "fit.alias",
            unit_kind,
            family,
            level,
            other_family,
            other_level,
            None,
            None,
            None,
            None,
            True,
            sentence,
        )

    def share(self, problem: Problem, share: Share) -> None:
        """A family's share of the variation."""
        self._add(
            "fit.share", *_of(problem), share.family, share.share, share.low, share.high, share.plain,
            share.alone,
        )  # fmt: skip

    def ranking(self, problem: Problem, position: int, item: Rank) -> None:
        """A grain bill or yeast in its place."""
        self._add(
            "fit.ranking", *_of(problem), item.subject, position, item.name, item.units, item.raw_mean,
            item.adjusted, item.low, item.high, item.chance_best, item.chance_near, item.is_tied,
        )  # fmt: skip

    def quality(self, problem: Problem, quality: Quality) -> None:
        """How a fit does."""
        self._add(
            "fit.quality", *_of(problem), quality.units, quality.rmse_mean, quality.rmse_least_squares,
            quality.rmse_ridge, quality.rmse_fit, quality.rmse_curved, quality.rmse_mean_recipe_out,
            quality.rmse_least_squares_recipe_out, quality.rmse_ridge_recipe_out,
            quality.rmse_recipe_out, quality.explained_left_out, quality.residual_sd, quality.drift,
            quality.drift_p, wording.quality_sentence(problem.response, problem.unit_kind, quality),
        )  # fmt: skip

    def note(self, problem: Problem, sentence: str) -> None:
        """Something to know before trusting a fit."""
        self._add("fit.note", *_of(problem), sentence)

    def notice(self, notice: Notice) -> None:
        """Something to know of what went into the fits."""
        self._add("fit.notice", notice.unit_kind, notice.kind, notice.name, notice.sentence)

    def association(self, unit_kind: str, found: Association, sentence: str) -> None:
        """A grain that kept to some of the yeasts."""
        self._add(
            "fit.alias", unit_kind, "grain", found.grain, "yeast", " or ".join(found.yeasts), found.units,
            found.other_units, found.together, found.cramers_v, False, sentence,
        )  # fmt: skip

    def predictions(self, problem: Problem, of: Foretold) -> None:
        """Every unit of a problem foretold by the others; a frame, since there may be thousands."""
        columns = (
            *(pl.repeat(each, len(of.units), eager=True) for each in _of(problem)),
            pl.int_range(1, len(of.units) + 1, eager=True), of.units,
            problem.made_on or [None] * len(of.units), of.observed, of.predicted, of.low, of.high,
            of.off_by_sd, of.sway, of.swayed,
        )  # fmt: skip
        schema = SCHEMAS["fit.prediction"]
        self.foretold.append(pl.DataFrame(dict(zip(schema, columns, strict=True)), schema=schema))

    def next_batch(self, problem: Problem, choice: Choice) -> None:
        """A batch worth running."""
        pick = choice.pick
        position = 1 + sum(row[0] == problem.response.name for row in self.found["fit.next_batch"])
        self._add(
            "fit.next_batch", problem.response.name, position, pick.why, choice.composition, choice.yeast,
            pick.predicted, pick.low, pick.high, pick.improvement, pick.chance_better,
            pick.learns.words if pick.learns else None, pick.sd_now, pick.sd_then, choice.cost,
            choice.sentence,
        )  # fmt: skip

    def frames(self) -> list[pl.DataFrame]:
        """The tables in the order of `WHAT`."""
        found = {
            name: pl.DataFrame(rows, schema=SCHEMAS[name], orient="row", infer_schema_length=None)
            for name, rows in self.found.items()
        }
        found["fit.prediction"] = pl.concat([found["fit.prediction"], *self.foretold])
        return [found[name] for name in WHAT]

    def _add(self, table: str, *values: Any) -> None:
        if len(values) != len(SCHEMAS[table]):
            raise ValueError(f"{table} has {len(SCHEMAS[table])} columns, not {len(values)}")
        self.found[table].append(values)


def _of(problem: Problem) -> tuple[str, str]:
    return problem.unit_kind, problem.response.name
