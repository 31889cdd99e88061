"""The SQL macros against the Python functions they are traced from."""

import itertools
import math
from collections.abc import Iterator
from inspect import signature

import duckdb
import numpy as np
import polars as pl
import pytest

from pipeline import science
from pipeline.sql_functions import KERNELS, Tracer, macro, sql_macros

# For every argument name: values inside its range, both ends, both sides out of range, NaN and NULL.
STRENGTHS = [-0.1, 0.0, 0.3, 5.0, 28.0, 40.0, 63.5, 95.6, 100.0, 100.1]
TEMPERATURES = [-20.1, -20.0, -3.0, 0.0, 15.5, 20.0, 33.3, 40.0, 40.1, 61.0, 80.0, 100.0, 100.1]
GRAVITIES = [0.979, 0.980, 0.996, 1.0, 1.008, 1.065, 1.150, 1.151]
PLATOS = [-5.3, -2.0, 0.0, 3.2, 12.0, 20.0, 34.2, 34.3]
AMOUNTS = [-1.0, 0.0, 0.75, 298.0, 1e6]
VALUES = {
    "mass_fraction": [-0.01, 0.0, 0.05, 0.333, 0.5, 0.9244, 1.0, 1.01],
    "temperature_c": TEMPERATURES,
    "reference_c": [-1.0, 0.0, 15.56, 20.0, 40.0, 41.0],
    "density_kg_per_m3": [700.0, 771.92, 800.0, 913.771, 990.0, 998.0, 998.20123, 1005.0],
    "abv_20c_pct_vol": STRENGTHS,
    "abv_from_pct_vol": STRENGTHS,
    "abv_to_pct_vol": STRENGTHS,
    "reading_pct_vol": STRENGTHS,
    "proof": [-1.0, 0.0, 80.0, 114.3, 200.0, 201.0],
    "reading_proof": [-1.0, 0.0, 80.0, 114.3, 193.0, 200.0, 201.0],
    "sg": GRAVITIES,
    "reading_sg": GRAVITIES,
    "original_sg": GRAVITIES,
    "final_sg": GRAVITIES,
    "plato": PLATOS,
    "original_plato": PLATOS,
    "apparent_plato": PLATOS,
    "real_extract_plato": PLATOS,
    "later_plato": PLATOS,
    "volume": AMOUNTS,
    "volume_l": AMOUNTS,
    "mass_kg": AMOUNTS,
    "lpa": AMOUNTS,
}


@pytest.fixture(scope="module")
def con() -> Iterator[duckdb.DuckDBPyConnection]:
    """A database that knows the macros."""
    with duckdb.connect() as connection:
        for statement in sql_macros():
            connection.execute(statement)
        yield connection


def grid(name: str) -> pl.DataFrame:
    """Every combination of the values of a function's arguments, with NaN and NULL among them."""
    parameters = list(signature(getattr(science, name)).parameters)
    columns = [[*VALUES[parameter], math.nan, None] for parameter in parameters]
    rows = list(itertools.product(*columns))
    schema = dict.fromkeys(parameters, pl.Float64)
    return pl.DataFrame(rows, schema=schema, orient="row")


@pytest.mark.parametrize("name", KERNELS)
def test_macro_equals_the_function_on_a_grid(con: duckdb.DuckDBPyConnection, name: str) -> None:
    points = grid(name)
    arguments = points.columns
    unnested = ", ".join(f"unnest(?::double[]) as {argument}" for argument in arguments)
    got = con.execute(
        f"select {name}({', '.join(arguments)}) from (select {unnested})",
        [points[argument].to_list() for argument in arguments],
    ).fetchall()
    expected = getattr(science, name)(*(points[column].to_numpy() for column in arguments))
    assert np.isfinite(expected).any(), "a grid on which nothing is computed shows nothing"
    answers = [answer for (answer,) in got]
    assert not any(answer is not None and math.isnan(answer) for answer in answers), "NaN instead of NULL"
    computed = np.array(answers, dtype=np.float64)
    differs = ~np.isclose(computed, expected, rtol=1e-9, atol=1e-9, equal_nan=True)
    first = points.with_columns(sql=computed, python=expected).filter(differs).head(1).to_dicts()
    assert not differs.any(), f"{name}: {differs.sum()} of {differs.size} points differ, the first is {first}"


def test_every_range_has_points_on_both_sides(con: duckdb.DuckDBPyConnection) -> None:
    """The grid test says something only if each function answers somewhere and refuses somewhere."""
    for name in KERNELS:
        points = grid(name).drop_nulls().drop_nans()
        answers = getattr(science, name)(*(points[column].to_numpy() for column in points.columns))
        assert np.isfinite(answers).any(), name
        assert np.isnan(answers).any(), name


def test_macros_nest_in_one_another(con: duckdb.DuckDBPyConnection) -> None:
    con.execute("create table jar as select 0.75 as v, 60.0 as r, 28.0 as t, 1.060 as og, 1.001 as fg")
    got = con.execute(
        """
        select
            volume_at_20c(v, abv_from_reading(r, t), t),
            lpa(volume_at_20c(v, abv_from_reading(r, t), t), abv_from_reading(r, t)),
            proof_from_abv(abv_from_proof(proof_from_abv(abv_from_reading(r, t)))),
            extract_kg(
                wort_volume_at_20c(v, sg_from_reading(og, t, 20.0), t),
                sg_from_plato(plato_from_sg(og))
            ),
            wash_abv(sg_from_reading(og, t, 20.0), sg_from_reading(fg, t, 20.0))
        from jar
        """
    ).fetchone()
    abv = science.abv_from_reading(60.0, 28.0)
    volume = science.volume_at_20c(0.75, abv, 28.0)
    og, fg = (science.sg_from_reading(sg, 28.0, 20.0) for sg in (1.060, 1.001))
    expected = (
        volume,
        science.lpa(volume, abv),
        science.proof_from_abv(abv),
        science.extract_kg(science.wort_volume_at_20c(0.75, og, 28.0), 1.060),
        science.wash_abv(og, fg),
    )
    assert got == pytest.approx(expected, rel=1e-9)


def test_macros_take_columns_in_joins_and_aggregates(con: duckdb.DuckDBPyConnection) -> None:
    """Columns named like the macros' own inner names must not be taken for them."""
    con.execute("create table let1(id integer, let2 double, step1 double)")
    con.execute("insert into let1 values (1, 60.0, 25.0), (1, 40.0, 15.0), (2, 70.0, null)")
    con.execute("create table volume(id integer, temperature_c double)")
    con.execute("insert into volume values (1, 10.0), (2, 20.0)")
    got = con.execute(
        """
        select volume.id, sum(lpa(volume.temperature_c, abv_from_reading(let1.let2, let1.step1))), count(*)
        from let1 join volume on volume.id = let1.id
        where lpa(1, let2) > 0.1
        group by volume.id
        having count(mass_fraction_from_abv(let2)) > 0
        order by 1
        """
    ).fetchall()
    strengths = science.abv_from_reading(np.array([60.0, 40.0]), np.array([25.0, 15.0]))
    assert got[0] == pytest.approx((1, science.lpa(10.0, strengths).sum(), 2))
    assert got[1] == (2, None, 1)


def test_integers_and_decimals_are_taken_as_doubles(con: duckdb.DuckDBPyConnection) -> None:
    got = con.execute("select abv_from_reading(60, 30), abv_from_reading(60.0::decimal(6, 2), 30)").fetchone()
    assert got == pytest.approx((science.abv_from_reading(60.0, 30.0),) * 2)


def test_macros_stay_in_the_database_file(tmp_path) -> None:
    """Any DuckDB client that opens the file has the physics: nothing of Python is needed again."""
    path = tmp_path / "season.duckdb"
    with duckdb.connect(str(path)) as writing:
        for statement in sql_macros():
            writing.execute(statement)
    with duckdb.connect(str(path), read_only=True) as reading:
        assert reading.execute("select proof_from_abv(40)").fetchone() == pytest.approx((79.863,), abs=5e-4)


def test_nested_macro_text_does_not_explode() -> None:
    """The text of a macro grows with its formula, not with how often a part is used."""
    assert max(len(statement) for statement in sql_macros()) < 12_000


def test_traced_kernels_may_not_decide_by_a_value() -> None:
    symbol = Tracer().argument("x")
    with pytest.raises(TypeError, match=r"np\.where"):
        bool(symbol > 1.0)


def test_a_kernel_doing_what_sql_cannot_is_refused_by_name() -> None:
    with pytest.raises(KeyError):
        macro("lpa", lambda volume_l, abv: np.sin(volume_l) + abv)
