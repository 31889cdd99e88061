"""The steps of the account that make the tables of the cuts: what each reads, what it makes, and by what."""

from __future__ import annotations

from pipeline.cuts import boiling, jar_scores, runs, steadiness, tradeoff
from pipeline.python_step import PythonStep

CUT_STEPS = tuple(
    PythonStep(run, (module.READS,), dict(zip(module.MAKES, module.WHAT, strict=True)), has_parts)
    for module, run, has_parts in (
        (runs, runs.fit_season, True),
        (boiling, boiling.read_thermometers, True),
        (steadiness, steadiness.chart_cuts, False),
        (tradeoff, tradeoff.weigh_cuts, False),
        (jar_scores, jar_scores.weigh_jars, False),
    )
)
