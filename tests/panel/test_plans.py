"""Planning: Williams squares, codes, how many assessors; sheets that come back as logs; the word list."""

from __future__ import annotations

import csv
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.logs import read_logs
from pipeline.panel.lexicon import Lexicon, built_in_words, plain
from pipeline.panel.orders import blind_codes, is_balanced, serving_orders, williams_square
from pipeline.panel.planning import assessors_needed, difference_power, smallest_difference
from pipeline.panel.sheets import CAUTIONS, SheetError, key_csv, plan_tasting, render_sheets, write_plan
from pipeline.settings import Settings


@pytest.mark.parametrize("samples", range(2, 13))
def test_williams_squares_are_balanced(samples):
    square = williams_square(samples)
    assert len(square) == (samples if samples % 2 == 0 else 2 * samples)
    assert is_balanced(square)


@pytest.mark.parametrize("samples", [3, 4, 7])
def test_a_whole_plan_is_balanced_and_a_partial_one_nearly(samples):
    rng = np.random.default_rng(samples)
    assert is_balanced(serving_orders(2 * samples, samples, rng))
    part = serving_orders(samples, samples, rng)
    first = Counter(part[:, 0].tolist())
    assert max(first.values()) - min(first.values()) <= 1
    assert all(sorted(row) == list(range(samples)) for row in part.tolist())


def test_an_unbalanced_plan_is_not_called_balanced():
    assert not is_balanced(np.array([[0, 1, 2], [1, 2, 0], [2, 0, 1]]))


def test_codes_have_three_digits_are_never_twice_and_tell_nothing():
    codes = blind_codes(800, np.random.default_rng(1))
    assert len(set(codes)) == 800
    assert all(len(code) == 3 and code.isdecimal() for code in codes)
    assert not {"111", "123", "321", "400"} & set(codes)
    with pytest.raises(ValueError, match="only"):
        blind_codes(1000, np.random.default_rng(1))


@pytest.mark.parametrize(("effect", "people"), [(0.5, 34), (0.8, 15), (1.0, 10)])
def test_assessors_needed_agree_with_the_printed_sizes_of_the_paired_test(effect, people):
    """Cohen 1988 style tables, paired t test, two-sided 5 %, power 80 %: 34, 15, 10 (from memory)."""
    assert assessors_needed(effect, 0.0, 1.0 / np.sqrt(2.0), samples=2) == people


def test_power_is_the_share_of_simulated_panels_that_show_the_difference():
    rng = np.random.default_rng(2)
    people, samples, apart = 6, 4, 1.2
    shown = 0
    for _ in range(2000):
        table = rng.normal(0.0, 1.0, (people, samples)) + np.array([apart, 0.0, 0.0, 0.0])
        rest = table - table.mean(axis=0) - table.mean(axis=1, keepdims=True) + table.mean()
        df = (people - 1) * (samples - 1)
        se = np.sqrt(2.0 * np.sum(rest**2) / df / people)
        gap = table[:, 0].mean() - table[:, 1].mean()
        shown += abs(gap / se) > 2.1314495  # Student's t, 15 degrees of freedom, 97.5 %
    # 2,000 panels: a standard error of 1.1 %, four of them.
    assert difference_power(people, samples, apart, 0.0, 1.0) == pytest.approx(shown / 2000, abs=0.045)


def test_the_smallest_difference_is_the_one_that_needs_that_many():
    least = smallest_difference(8, 6, 0.4, 0.9)
    assert assessors_needed(least * 1.001, 0.4, 0.9, 6) == 8
    assert assessors_needed(least * 0.97, 0.4, 0.9, 6) == 9
    assert assessors_needed(0.001, 1.0, 1.0, 6) is None
    assert smallest_difference(1, 6, 0.4, 0.9) is None


def plan(**over):
    given = {
        "session": "march",
        "samples": ["G12", "cask C03", "lot 12 hearts"],
        "assessors": ["Ada", "Bo", "<b>Cy</b>"],
        "attributes": ["fruit", "overall"],
        "when": "2031-03-14",
    }
    return plan_tasting(**(given | over))


def test_a_plan_is_the_same_when_asked_for_again_and_another_for_another_session():
    assert plan() == plan()
    assert plan().glasses != plan(session="april").glasses
    assert plan(seed=1).glasses != plan(seed=2).glasses


def test_sheets_show_no_identity_carry_the_cautions_and_escape_names():
    page = render_sheets(plan())
    assert "G12" not in page
    assert "C03" not in page
    assert "<b>Cy</b>" not in page
    assert "&lt;b&gt;Cy" in page
    above = page.split("<table>")[0]
    assert all(caution.split(";")[0] in above for caution in CAUTIONS), "read before the first glass"
    assert "://" not in page


def test_the_key_says_batch_cask_or_lot():
    rows = list(csv.DictReader(key_csv(plan(repeats=0)).splitlines()))
    assert sorted((row["batch"], row["cask"], row["lot"]) for row in rows) == [
        ("", "", "12 hearts"),
        ("", "C03", ""),
        ("G12", "", ""),
    ]


def test_filled_sheets_come_back_as_logs(tmp_path: Path):
    write_plan(plan(), tmp_path)
    sheet = tmp_path / "sheet.csv"
    rows = list(csv.reader(sheet.read_text(encoding="utf-8").splitlines()))
    scored = [rows[0]] + [
        [*row[:6], str(3 + place % 5), "6", "plum; toast", ""] for place, row in enumerate(rows[1:])
    ]
    sheet.write_text("\n".join(",".join(row) for row in scored) + "\n", encoding="utf-8")
    frames = read_logs(tmp_path, Settings())
    assert frames.problems.is_empty()
    assert frames.values["tasting_value"].height == 12
    assert frames.values["tasting_key_value"].height == 4
    assert frames.values["tasting_value"]["serving_order"].to_list() == [1, 2, 3, 4] * 3


def test_an_empty_sheet_is_no_problem(tmp_path: Path):
    write_plan(plan(), tmp_path)
    assert read_logs(tmp_path, Settings()).problems.is_empty()


def test_a_filled_sheet_is_never_written_over(tmp_path: Path):
    write_plan(plan(), tmp_path)
    with pytest.raises(SheetError, match="left alone"):
        write_plan(plan(), tmp_path)


@pytest.mark.parametrize(
    ("over", "sentence"),
    [
        ({"samples": ["G12"]}, "two or more"),
        ({"samples": ["G12", "G12"]}, "named twice"),
        ({"assessors": []}, "Name the assessors"),
        ({"attributes": []}, "at least one attribute"),
        ({"repeats": 4}, "--repeats is 4"),
        ({"samples": [f"G{n}" for n in range(13)]}, "too many for one sitting"),
        ({"samples": ["G12", "=cmd"]}, "cannot be the name"),
        ({"session": "=cmd"}, "cannot be the name of a session"),
        ({"session": "march\u202e"}, "cannot be the name of a session"),
        ({"when": "14.3."}, "is not a day"),
    ],
)
def test_a_tasting_that_cannot_be_planned_says_why(over, sentence):
    with pytest.raises(SheetError, match=sentence):
        plan(**over)


def test_the_command_writes_the_four_files(tmp_path: Path):
    done = CliRunner().invoke(app, ["panel", "G1", "G2", "--assessors", "4", "--out", str(tmp_path / "a")])
    assert done.exit_code == 0
    assert sorted(path.name for path in (tmp_path / "a").iterdir()) == [
        "key.csv",
        "pouring_plan.html",
        "sheet.csv",
        "sheets.html",
    ]
    wrong = CliRunner().invoke(app, ["panel", "G1", "--out", str(tmp_path / "b")])
    assert wrong.exit_code == 2
    assert not (tmp_path / "b").exists()


def test_no_two_words_of_the_list_claim_the_same_writing():
    written = Counter(name for each in built_in_words() for name in (plain(each.word), *each.also))
    assert [name for name, count in written.items() if count > 1] == []
    assert all(each.word == plain(each.word) and each.family for each in built_in_words())


def test_words_are_brought_together_and_unknown_ones_kept():
    lexicon = Lexicon({"Omas Kuchen": "gingerbread", "butter": "butter"})
    assert lexicon.word("Pear-Drops ") == "pear"
    assert lexicon.word("omas kuchen") == "warm spice"
    assert lexicon.word("butter") == "butter"
    assert lexicon.word("wet dog") == "wet dog"
    assert lexicon.family("pear") == "fruit"
    assert lexicon.family("wet dog") == ""
