"""What every public science function promises: shapes, NaN, ranges, units in the docstring, a source."""

import inspect
import itertools
import math
import re
from collections.abc import Callable
from dataclasses import FrozenInstanceError

import numpy as np
import pytest

from pipeline import science
from pipeline.science.terms import CHUNK_ROWS

FUNCTIONS: dict[str, Callable[..., object]] = {
    name: getattr(science, name) for name in science.__all__ if inspect.isfunction(getattr(science, name))
}
#: One point inside the range of every function that goes element by element.
INSIDE: dict[str, tuple[float, ...]] = {
    "abv_from_boiling_temperature": (86.5, 100.0),
    "abv_from_mass_fraction": (0.333,),
    "abv_from_mole_fraction": (0.1,),
    "abv_from_proof": (114.3,),
    "abv_from_proof_reading": (120.0, 25.0),
    "abv_from_reading": (60.0, 25.0),
    "aged_abv": (63.5, 0.02, 0.005, 3.0),
    "alcohol_pct_mass": (15.9, 3.0),
    "annual_loss_frac": (31.75, 28.9, 1.5),
    "attenuation_frac": (15.9, 3.0),
    "boiling_temperature_c": (28.0, 95.0),
    "density_kg_per_m3": (0.5, 10.0),
    "distillate_volume_l": (40.0, 28.0, 0.5, 0.4),
    "ethanol_kg_from_lpa": (11.2,),
    "extract_kg": (100.0, 1.065),
    "lpa": (40.0, 28.0),
    "lpa_frac_at_spout": (28.0, 0.5, 60.0),
    "lpa_frac_at_volume": (40.0, 28.0, 0.5, 5.0),
    "mass_fraction_from_abv": (40.0,),
    "mass_fraction_from_density": (913.0, 20.0),
    "mass_kg_from_volume_l": (10.0, 40.0),
    "mass_kg_from_weighing": (10.0, 948.0),
    "mixing_rise_c": (75.0, 60.0),
    "mole_fraction_from_abv": (28.0,),
    "obscuration_proof": (0.2,),
    "original_extract": (3.83, 5.06),
    "plato_from_sg": (1.065,),
    "predicted_spirit_yield": (77.0, 87.0),
    "proof_from_abv": (40.0,),
    "reading_from_abv": (60.0, 25.0),
    "reading_from_sg": (1.065, 25.0, 15.56),
    "real_extract": (15.9, -0.1),
    "run_curve": (40.0, 28.0, 0.5, 0.4),
    "scaled_loss_frac": (0.02, 200.0, 20.0),
    "sg_from_plato": (15.9,),
    "sg_from_reading": (1.060, 25.0, 15.56),
    "sucrose_density_kg_per_m3": (0.15, 25.0),
    "temperature_from_vapour_abv": (74.3, 95.0),
    "vapour_abv": (28.0, 0.5, 95.0),
    "vapour_abv_from_temperature": (86.5, 100.0),
    "vapour_mole_fraction": (0.1, 0.5, 95.0),
    "volume_at_20c": (0.75, 60.0, 25.0),
    "volume_l_from_mass_kg": (10.0, 40.0),
    "wash_abv": (1.065, 1.000),
    "wash_lpa": (298.0, 1.065, 1.000),
    "water_density_kg_per_m3": (25.0,),
    "wort_volume_at_20c": (100.0, 1.065, 75.0),
}
#: Public functions of another shape, tested by name elsewhere.
OTHERS = {"blend", "jar_strengths", "sources_of", "strip_run", "water_to_dilute"}


def test_all_lists_exactly_what_can_be_imported() -> None:
    public = {
        name
        for name, value in vars(science).items()
        if not name.startswith("_") and not inspect.ismodule(value)
    }
    assert sorted(science.__all__) == sorted(public)


def test_every_function_is_in_one_of_the_two_lists() -> None:
    assert set(FUNCTIONS) == set(INSIDE) | OTHERS


@pytest.mark.parametrize("name", INSIDE)
def test_floats_give_a_float(name: str) -> None:
    answer = FUNCTIONS[name](*INSIDE[name])
    assert type(answer) is float
    assert math.isfinite(answer)


@pytest.mark.parametrize("name", INSIDE)
def test_arrays_agree_with_floats_in_every_shape(name: str) -> None:
    point = INSIDE[name]
    scalar = FUNCTIONS[name](*point)
    for shape in ((0,), (1,), (7,), (2, 3), (2, 1, 2)):
        answer = FUNCTIONS[name](*(np.full(shape, value) for value in point))
        assert answer.shape == shape
        np.testing.assert_allclose(answer, scalar, rtol=1e-12)
    # One array among floats, and arrays that broadcast against one another.
    assert FUNCTIONS[name](np.full(3, point[0]), *point[1:]).shape == (3,)
    if len(point) > 1:
        broadcast = FUNCTIONS[name](np.full((2, 1), point[0]), np.full(3, point[1]), *point[2:])
        assert broadcast.shape == (2, 3)
        np.testing.assert_allclose(broadcast, scalar, rtol=1e-12)


@pytest.mark.parametrize("name", INSIDE)
def test_nan_gives_nan_and_only_there(name: str) -> None:
    point = INSIDE[name]
    for position in range(len(point)):
        columns = [np.full(3, value) for value in point]
        columns[position][1] = np.nan
        answer = FUNCTIONS[name](*columns)
        assert np.isnan(answer).tolist() == [False, True, False], f"{name}, argument {position}"


@pytest.mark.parametrize("name", INSIDE)
def test_far_outside_the_range_gives_nan(name: str) -> None:
    """Every argument has a side on which there is no answer: nothing is extrapolated in silence."""
    for position in range(len(INSIDE[name])):
        answers = []
        for wrong in (-1e6, 1e6):
            point = list(INSIDE[name])
            point[position] = wrong
            answers.append(FUNCTIONS[name](*point))
        assert any(math.isnan(answer) for answer in answers), f"{name}, argument {position}"


@pytest.mark.parametrize("name", ["abv_from_reading", "volume_at_20c", "wash_lpa", "vapour_abv"])
def test_chunks_leave_no_seam(name: str) -> None:
    """Rows around the edge of a chunk are what they are alone."""
    rows = 2 * CHUNK_ROWS + 5
    point = INSIDE[name]
    first = point[0] * (1.0 - 0.01 * np.linspace(0.0, 1.0, rows))
    whole = FUNCTIONS[name](first, *point[1:])
    for row in (0, CHUNK_ROWS - 1, CHUNK_ROWS, 2 * CHUNK_ROWS, rows - 1):
        assert whole[row] == pytest.approx(FUNCTIONS[name](first[row], *point[1:]), rel=1e-13)


def test_integers_lists_and_short_floats_are_widened() -> None:
    assert science.density_kg_per_m3(1, 20) == science.density_kg_per_m3(1.0, 20.0)
    assert science.lpa(np.array([40], dtype=np.float32), np.array([28], dtype=np.int8)).dtype == np.float64


def test_shapes_that_do_not_fit_are_an_error() -> None:
    with pytest.raises(ValueError, match="shape"):
        science.lpa(np.ones(2), np.ones(3))


def test_blend_of_unlike_lists_or_of_nothing_is_nan() -> None:
    for volumes, strengths in (([1.0], [40.0, 50.0]), ([0.0], [40.0]), ([-1.0], [40.0]), ([1.0], [math.nan])):
        assert all(math.isnan(value) for value in science.blend(volumes, strengths))


def test_strip_that_cannot_stop_there_is_nan() -> None:
    for arguments in ((8.0, 0.0, 60.0), (0.0, 0.0, 5.0), (8.0, 9.0, 5.0), (math.nan, 0.0, 5.0)):
        assert all(math.isnan(value) for value in science.strip_run(*arguments))


def test_an_empty_jar_has_no_strength_and_does_not_disturb_the_next() -> None:
    with_empty = science.jar_strengths(40.0, 28.0, 0.5, [0.75, 0.0, 0.75])
    without = science.jar_strengths(40.0, 28.0, 0.5, [0.75, 0.75])
    assert math.isnan(with_empty[1])
    np.testing.assert_allclose(with_empty[[0, 2]], without)


@pytest.mark.parametrize("name", FUNCTIONS)
def test_docstring_names_every_argument_with_its_unit_and_a_source(name: str) -> None:
    if name == "sources_of":
        return
    text = inspect.getdoc(FUNCTIONS[name]) or ""
    for parameter in [*inspect.signature(FUNCTIONS[name]).parameters, "returns", "source"]:
        line = re.search(rf"^{parameter} *: (.+?)(?=^\S|\Z)", text, re.MULTILINE | re.DOTALL)
        assert line, f"{name} says nothing of {parameter}"
        needs_unit = parameter not in ("source",) and "sg" not in parameter
        assert not needs_unit or "[" in line[1] or "gravity" in line[1], f"{name}: {parameter} has no unit"
    assert ">>>" in text, f"{name} has no example"


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_formula_cites_its_sources(name: str) -> None:
    if name == "sources_of":
        return
    sources = science.sources_of(name)
    assert sources
    assert all(science.SOURCES[source.key] is source for source in sources)


def test_sources_are_records_that_nobody_alters_and_all_are_used() -> None:
    source = science.SOURCES["OIML_R_22"]
    with pytest.raises(FrozenInstanceError):
        source.title = "another"
    cited = itertools.chain.from_iterable(
        science.sources_of(name) for name in FUNCTIONS if name != "sources_of"
    )
    constants_only = {"STOICHIOMETRY"}  # behind LPA_PER_KG_HEXOSE and its fellows
    assert {source.key for source in cited} == set(science.SOURCES) - constants_only
