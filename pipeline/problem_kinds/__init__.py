"""The catalogue of problem kinds: everything the tool can find wrong, one entry a kind.

Documentation, messages, exports and the report's marks come from `KINDS`. To add a kind, add one
`ProblemKind` to the module of whoever finds it and make problems of it with `pipeline.problems.problem`.
"""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.problem_kinds.kind import SEVERITIES, Effect, ProblemKind, Severity
from pipeline.problem_kinds.of_account import OF_ACCOUNT
from pipeline.problem_kinds.of_logs import OF_LOGS
from pipeline.problem_kinds.of_panel import OF_PANEL
from pipeline.problem_kinds.of_telemetry import OF_TELEMETRY

__all__ = ["KINDS", "SEVERITIES", "Effect", "ProblemKind", "Severity"]

KINDS: Mapping[str, ProblemKind] = {
    kind.code: kind for kind in (*OF_LOGS, *OF_ACCOUNT, *OF_PANEL, *OF_TELEMETRY)
}
