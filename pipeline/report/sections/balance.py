"""What was logged beside what must have been for every balance to close, and what keeps one from closing."""

from __future__ import annotations

import polars as pl

from pipeline.report.blocks import Block, Heading3, Paragraphs, Points, Section, folded, table_of
from pipeline.report.data import SeasonData
from pipeline.report.text import counted

TITLE = "Do the litres add up?"

SWITCHED_OFF = (
    "Reconciliation is switched off (reconcile = false in season.toml): figures stand as logged, and nobody "
    "checked whether the alcohol balances close."
)
_NOTHING = "No balance could be drawn up: no run has both its charge and what was collected."

# A figure that closing the balances moves by more standard deviations than this differs.
DIFFERS_Z = 2.0
_LEVEL = 0.05

_COLUMNS = [
    "batch",
    "alcohol_of",
    "logged_lpa",
    "logged_lpa_u",
    "reconciled_lpa",
    "reconciled_lpa_u",
    "change_z",
]
_SETS = ["component_no", "batches", "balances", "measurements", "degrees_of_freedom", "chi2", "p_value"]


def balances(data: SeasonData) -> Section:
    """The test of all balances in words, each finding as a sentence, figures as logged and as reconciled."""
    if not data.is_reconciled:
        return Section("balances", TITLE, [SWITCHED_OFF])
    if data.components.is_empty():
        return Section("balances", TITLE, [_NOTHING])
    found = data.suspects.filter(pl.col("sentence").is_not_null())
    blocks: list[Block] = []
    if found.height:
        blocks += [Heading3("Readings to look up"), Points(found["sentence"].to_list())]
    named = found["batch"].drop_nulls().to_list()
    own = data.reconciled_batches
    differs = own.filter((pl.col("change_z").abs() > DIFFERS_Z) | pl.col("batch").is_in(named))
    blocks.append(Heading3("As logged and as it must have been"))
    if differs.height:
        blocks.append(
            table_of(differs, _COLUMNS, "Batches whose figures move, or whose balance does not close")
        )
    else:
        blocks.append(
            Paragraphs(["Closing the balances moves no batch's figures by more than their errors."])
        )
    blocks.append(folded(table_of(own, _COLUMNS, "Every batch as logged and as reconciled")))
    columns = [*_SETS, "suspects", "chi2_after", "p_value_after"]
    blocks.append(folded(table_of(data.components, columns, "Sets of balances that share readings")))
    blocks.append(Paragraphs([_HOW]))
    return Section("balances", TITLE, _answer(data.components, found.height), blocks)


_HOW = (
    "Every run and every lot must hold as much alcohol and mass as went in and came out. Reconciled figures "
    "are the logged ones changed as little as possible, each by its own uncertainty, until all that is so; "
    "readings named above are left out of it. Nothing in the logs or in the other figures of this page is "
    "changed. To switch it off, write reconcile = false into season.toml."
)


def _answer(components: pl.DataFrame, findings: int) -> list[str]:
    judged = components.filter(pl.col("p_value").is_not_null())
    sets, balances_ = counted(judged.height, "set"), int(components["balances"].sum())
    first = f"{balances_:,} balances of alcohol and mass in {sets} that share readings."
    is_open = judged.filter(pl.col("p_value") < _LEVEL)
    if is_open.is_empty():
        verdict = "All close within the errors of the instruments (chi-square test at 5 %)."
    else:
        one_set = "One set does not" if is_open.height == 1 else f"{is_open.height} sets do not"
        verdict = f"{one_set} close within the errors of the instruments (chi-square test at 5 %)."
        after = is_open.filter(pl.col("p_value_after") < _LEVEL)
        if findings and after.is_empty():
            verdict += " Without the readings named below everything does."
        elif not findings:
            verdict += " No single reading stands out as the cause."
    named = f"{counted(findings, 'reading')} to look up." if findings else "No reading is named as wrong."
    return [first, verdict, named]
