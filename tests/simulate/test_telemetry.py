"""A simulated logger against the run it was made of, through the reader."""

import duckdb
import polars as pl
import pytest

from pipeline.logs import read_logs
from pipeline.settings import Settings
from pipeline.simulate import simulate_season, write_season, write_telemetry
from pipeline.warehouse import make_tables


def test_a_simulated_logger_says_what_its_run_did(tmp_path):
    season = simulate_season(2, 3)
    write_season(season, tmp_path)
    without = {path.name: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    (written,) = write_telemetry(season, tmp_path, every_s=20, runs=1)
    assert all(
        (path.read_bytes() == without[path.name]) for path in tmp_path.rglob("*.csv") if path != written
    )
    frames = read_logs(tmp_path, Settings())
    wanted = ["metric.telemetry_run", "metric.telemetry_jar", "problem.telemetry_outside_run"]
    with duckdb.connect(":memory:") as con:
        make_tables(con, frames, Settings(), wanted=wanted)
        run = pl.DataFrame(con.sql("select * from metric.telemetry_run")).row(0, named=True)
        jars = pl.DataFrame(
            con.sql("select * from metric.telemetry_jar where inline_abv_pct_vol is not null")
        )
        assert con.execute("select count(*) from problem.telemetry_outside_run").fetchone() == (0,)
    telemetry = frames.problems.filter(pl.col("kind").str.contains("sensor|telemetry|clocks"))
    assert telemetry.is_empty(), telemetry["message"].to_list()
    assert run["heating_min"] == pytest.approx(50, abs=1)
    # The litres that ran by the rate are those of the jars, as measured to 1 % each.
    assert run["takeoff_volume_l"] == pytest.approx(run["collected_volume_l"], rel=0.02)
    # Inline, the spout between two jar ends; in the jar the mixture of it, read to 0.3 %vol.
    steady = jars.filter(pl.col("cut") == "hearts")
    assert steady.height > 5
    assert abs(steady["inline_difference_pct_vol"].mean()) < 0.5
