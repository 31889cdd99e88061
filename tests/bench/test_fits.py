"""How long one response of 60 batches and of 5,000 takes, its gate, and what is left out of it to judge it.

Measured, asserted nowhere.
"""

import numpy as np
import pytest

from pipeline.fits.aliases import find_ties
from pipeline.fits.design import fit_problem
from pipeline.fits.effects import answer, questions
from pipeline.fits.quality import judge
from pipeline.fits.season_fit import gate_of
from pipeline.fits.worlds import invent_season


def yield_problem(batches):
    """The yield of an invented season."""
    return invent_season(batches, "as simulated", np.random.default_rng(1)).problems[0]


@pytest.mark.parametrize("batches", [60, 5000])
def test_one_fit(benchmark, batches):
    problem = yield_problem(batches)
    fit = benchmark(fit_problem, problem)
    assert fit.residual_sd > 0


@pytest.mark.parametrize("batches", [60, 5000])
def test_one_gate(benchmark, batches):
    problem = yield_problem(batches)
    ties = find_ties(problem)
    assert benchmark(gate_of, problem, problem.families[0], ties) is not None


@pytest.mark.parametrize("batches", [60, 1000])
def test_one_fit_and_its_judgement(benchmark, batches):
    problem = yield_problem(batches)
    # A fit keeps what it has worked out: each round fits anew.
    quality, _ = benchmark(lambda: judge(fit_problem(problem), problem))
    assert quality.units == batches


def test_every_question_of_60_batches(benchmark):
    problem = yield_problem(60)
    fit, asked = fit_problem(problem), questions(problem, [])
    assert len(benchmark(answer, fit, problem, asked, ["grain"], True)) == len(asked)
