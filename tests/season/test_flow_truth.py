"""The account's flow of alcohol against what really became of it in a simulated season.

With perfect instruments every line is exact but for what its note says; with ordinary ones each lies within
its own uncertainty of the truth.
"""

from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb
import numpy as np
import pytest

from pipeline.logs import read_logs
from pipeline.settings import Settings
from pipeline.simulate import PERFECT, make_world, season_truth, simulate_season, write_season
from pipeline.warehouse import make_tables

BATCHES, SEED, HELD_UP_FRAC = 6, 41, 0.006

TOLERANCE_LPA = 1e-6
"""Of a season of 100 LPA: logs carry nine or more figures, and each line is a difference of two sums."""

WIDER_LPA = {
    # A cask's last gauge is up to nine hours before the season ends, and it goes on losing.
    "cask loss": 5e-3,
    "in cask": 5e-3,
    # The account takes all of a mash's ingredients to be extracted alike; some of these leave more behind.
    "unfermentable": 0.02,
    "unfermented": 0.02,
}


def simulated(**how):
    """A season whose batches are measured at every step, and in whose stills and worms something stays."""
    world = replace(make_world(np.random.default_rng(SEED)), held_up_frac=HELD_UP_FRAC)
    return simulate_season(BATCHES, SEED, world=world, careless_frac=0.0, **how)


def analyse_everything(season, folder: Path) -> None:
    """Add the analyses that the co-operative never made: what it bought flaked or as a syrup."""
    with (folder / "ingredients.csv").open("a", encoding="utf-8") as listed:
        for name in ("flaked maize", "maltose syrup"):
            found = season.world.ingredients[name]
            figures = (found.extract_pct, found.moisture_pct, found.fermentable_pct)
            listed.write(
                f"{name},{found.kind},{','.join(f'{figure:.10f}' for figure in figures)},1.00,invented\n"
            )


def flow_of(season, is_analysed: bool = False) -> dict[str, tuple[float, float]]:
    """Each line of metric.flow of a season's logs, with its standard uncertainty."""
    with TemporaryDirectory() as folder, duckdb.connect(":memory:") as con:
        write_season(season, Path(folder))
        if is_analysed:
            analyse_everything(season, Path(folder))
        settings = Settings.find(Path(folder))
        make_tables(con, read_logs(Path(folder), settings), settings, wanted=("metric.flow",))
        rows = con.sql("select node, lpa, lpa_u, batches from metric.flow order by position").fetchall()
    assert {batches for *_, batches in rows} == {BATCHES}, "every batch was measured at every step"
    return {node: (lpa, lpa_u) for node, lpa, lpa_u, _ in rows}


def true_lines(season) -> dict[str, float]:
    """The truth under the names of the account's lines.

    Who logs the strength of his pot ale has it named, and what the still held up left over; of the others
    both are one line.
    """
    of = {name.removesuffix("_lpa"): lpa for name, lpa in season_truth(season)["flow"].items()}
    is_logged = {run.plan.batch: run.plan.operator.habit.logs_residue_strength for run in season.runs}

    def total(name: str, logged: bool) -> float:
        return sum(
            part.lpa
            for run in season.runs
            if is_logged[run.plan.batch] is logged
            for part in getattr(run, name)
        )

    return {
        "potential": of["potential"],
        "not extracted": of["not_extracted"],
        "extract": of["extract"],
        "unfermentable": of["unfermentable"],
        "unfermented": of["unfermented"],
        "wash": of["wash"],
        # What stays with the yeast is thrown out without an amount: nobody measures it.
        "wash unexplained": of["left_with_yeast"],
        "pot ale": total("pot_ale", True),
        "pot ale not measured": total("pot_ale", False) + total("strip_held_up", False),
        "stripping unexplained": total("strip_held_up", True),
        "low wines": of["low_wines"],
        "low wines unexplained": 0.0,
        "spirit charge": of["low_wines"],
        "foreshots": of["foreshots"],
        "feints": of["feints_added"],
        "spent lees": total("spent_lees", True),
        "spent lees not measured": total("spent_lees", False) + total("spirit_held_up", False),
        "spirit unexplained": total("spirit_held_up", True),
        "hearts": of["hearts"],
        "all hearts": of["hearts"],
        "not in cask": of["on_the_shelf"],
        "hearts held up": of["poured_for_tasting"],
        "hearts unexplained": 0.0,
        "filled": of["filled"],
        "cask loss": of["cask_loss"],
        "drawn": of["drawn"],
        "in cask": of["in_casks"],
    }


@cache
def measured_again(number: int) -> dict[str, tuple[float, float]]:
    return flow_of(simulated(instrument_seed=number))


def test_the_truth_closes_in_both_parts():
    of = season_truth(simulated())["flow"]
    ways_out = (
        "not_extracted unfermentable unfermented left_with_yeast pot_ale strip_held_up foreshots "
        "feints_added spent_lees spirit_held_up hearts"
    )
    assert sum(of[f"{name}_lpa"] for name in ways_out.split()) == pytest.approx(of["potential_lpa"], abs=1e-9)
    ends = ("poured_for_tasting", "on_the_shelf", "cask_loss", "drawn", "in_casks")
    assert sum(of[f"{name}_lpa"] for name in ends) == pytest.approx(of["hearts_lpa"], abs=1e-9)
    # No receiver held anything at the start.
    assert of["feints_added_lpa"] == pytest.approx(of["feints_in_stock_lpa"], abs=1e-9)
    assert of["strip_held_up_lpa"] > 0.0
    assert of["spirit_held_up_lpa"] > 0.0


def test_with_perfect_instruments_every_line_is_exact():
    season = simulated(instruments=PERFECT)
    found, truth = flow_of(season, is_analysed=True), true_lines(season)
    assert set(found) == set(truth)
    for node, (lpa, _) in found.items():
        assert lpa == pytest.approx(truth[node], abs=WIDER_LPA.get(node, TOLERANCE_LPA)), node


def test_with_ordinary_instruments_every_line_lies_within_its_uncertainty():
    truth = true_lines(simulated())
    z = np.array(
        [
            [(lpa - truth[node]) / lpa_u for node, (lpa, lpa_u) in measured_again(number).items()]
            for number in (1, 2)
        ]
    )
    assert np.abs(z).max() < 4.0
    # Lines share readings, so that the spread of all of them is known less well than their number says.
    assert 0.4 < np.sqrt(np.mean(z**2)) < 1.4
    assert np.mean(np.abs(z) < 2.0) > 0.9
