"""The section on the alcohol balances: findings as sentences, logged beside reconciled, and switched off."""

from types import SimpleNamespace

import polars as pl

from pipeline.reconcile.step import SCHEMAS
from pipeline.report.blocks import Points, Table
from pipeline.report.sections.balance import DIFFERS_Z, SWITCHED_OFF, balances

SENTENCE = "Batch 14, spirit 1: 1.90 LPA more came out than went in. Most likely the hearts volume."


def season(p_value: float = 1e-9, after: float = 0.4, findings: int = 1, is_reconciled: bool = True):
    """What the section reads: one set of two batches, one of which moves."""
    sets = {"component_no": [1], "batches": [2], "balances": [30], "measurements": [90]}
    sets |= {"degrees_of_freedom": [20], "chi2": [99.0], "p_value": [p_value], "suspects": [findings]}
    sets |= {"chi2_after": [20.0], "p_value_after": [after]}
    suspects = {"sentence": [SENTENCE] * findings, "batch": ["14"] * findings}
    batches = {
        "batch": ["13", "14", "15"],
        "alcohol_of": ["hearts"] * 3,
        "logged_lpa": [7.0, 9.9, 8.0],
        "logged_lpa_u": [0.1, 0.1, 0.1],
        "reconciled_lpa": [7.01, 8.0, 8.3],
        "reconciled_lpa_u": [0.05, 0.06, 0.05],
        "change_z": [-0.2, 1.0, -DIFFERS_Z - 0.5],
    }
    return SimpleNamespace(
        is_reconciled=is_reconciled,
        components=pl.DataFrame(sets),
        suspects=pl.DataFrame(suspects, schema={"sentence": pl.String, "batch": pl.String}),
        reconciled_batches=pl.DataFrame(batches, schema=SCHEMAS["account.reconciled_batch"]),
    )


def test_a_finding_is_said_and_its_batch_shown_with_those_that_move():
    section = balances(season())
    (said,) = [block for block in section.blocks if isinstance(block, Points)]
    assert said.texts == [SENTENCE]
    (table,) = [block for block in section.blocks if isinstance(block, Table)]
    assert [row[0].text for row in table.rows] == ["14", "15"]
    assert [heading.label for heading in table.headings][2:6] == [
        "Logged",
        "Logged ±",
        "Reconciled",
        "Reconciled ±",
    ]
    answer = " ".join(section.answer)
    assert "One set does not close" in answer
    assert "Without the readings named below" in answer


def test_a_season_that_closes_says_so():
    section = balances(season(p_value=0.5, findings=0))
    assert "All close within the errors of the instruments" in " ".join(section.answer)
    assert not any(isinstance(block, Points) for block in section.blocks)


def test_a_set_that_does_not_close_with_nothing_to_blame_says_that():
    assert "No single reading stands out" in " ".join(balances(season(p_value=0.01, findings=0)).answer)


def test_switched_off_it_says_so_and_shows_nothing():
    section = balances(season(is_reconciled=False))
    assert (section.answer, section.blocks) == ([SWITCHED_OFF], [])
