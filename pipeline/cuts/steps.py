"""The steps of the account that make the tables of the cuts: what each reads, what it makes, and by what."""

from __future__ import annotations

from pipeline.account.partition import PARTS
from pipeline.cuts import boiling, jar_scores, runs, steadiness, stills, tradeoff
from pipeline.python_step import PythonStep

CUT_STEPS = (
    *(
        PythonStep(run, (module.READS, PARTS), module.MAKES, has_parts=True, of_parts=module.OF_PARTS)
        for module, run in ((runs, runs.fit_season), (boiling, boiling.read_thermometers))
    ),
    PythonStep(stills.pool_stills, stills.READS, stills.MAKES),
    *(
        PythonStep(run, (module.READS,), dict(zip(module.MAKES, module.WHAT, strict=True)))
        for module, run in (
            (steadiness, steadiness.chart_cuts),
            (tradeoff, tradeoff.weigh_cuts),
            (jar_scores, jar_scores.weigh_jars),
        )
    ),
)
