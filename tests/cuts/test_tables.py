"""The tables of the cuts from logs, and what settings do to them."""

import duckdb
import polars as pl
import pytest

from pipeline import science
from pipeline.cuts.strip import strip_table
from pipeline.logs import read_logs
from pipeline.settings import CutSettings, Settings, SettingsError
from pipeline.simulate import simulate_season, write_season
from pipeline.warehouse import fill_database, make_tables

HEADER = "batch,when,step,run,item,cut,vessel,by,volume,strength,spout,minutes"


def spirit_run(batch, day, ends_after=11, spouts=True, charge="40,28", stages=0.45):
    """Fourteen jars of a litre as the exact curve has them: two of heads, hearts up to a jar, then tails."""
    strengths = science.jar_strengths(40.0, 28.0, stages, [1.0] * 14)
    over = science.lpa_frac_at_volume(40.0, 28.0, stages, [float(jar) for jar in range(1, 15)])
    at_spout = science.run_curve(40.0, 28.0, stages, over)
    rows = [f"{batch},{day} 08:00,charge,spirit,low wines,,still,Ines,{charge},,"]
    for jar in range(14):
        cut = "heads" if jar < 2 else "hearts" if jar <= ends_after else "tails"
        spout = f"{at_spout[jar]:.2f}" if spouts else ""
        rows.append(
            f"{batch},{day} {9 + jar // 3:02}:{20 * (jar % 3):02},collect,spirit,jar {jar + 1},{cut},,Ines,1,"
            f"{strengths[jar]:.2f},{spout},20"
        )
    return rows


@pytest.fixture
def build(tmp_path):
    connections = []

    def make(rows, settings=None):
        (tmp_path / "log.csv").write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
        con = duckdb.connect(":memory:")
        connections.append(con)
        frames = read_logs(tmp_path, settings or Settings())
        make_tables(con, frames, settings or Settings(), wanted=["fit.run_curve", "fit.control_chart"])
        return con

    yield make
    for con in connections:
        con.close()


def one(con, query):
    cursor = con.execute(query)
    names = [column[0] for column in cursor.description]
    return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def test_hearts_end_as_read_and_by_the_curve_where_it_was_not(build):
    con = build([*spirit_run("A", "2031-02-01"), *spirit_run("B", "2031-02-02", spouts=False)])
    read, curve = one(con, "select * from fit.run_curve order by batch")
    assert (read["hearts_end_basis"], curve["hearts_end_basis"]) == ("read", "curve")
    # The twelfth jar is the last of hearts: what the exact curve has at the spout after twelve litres.
    truth = science.run_curve(40.0, 28.0, 0.45, science.lpa_frac_at_volume(40.0, 28.0, 0.45, 12.0))
    assert read["hearts_end_spout_pct_vol"] == pytest.approx(truth, abs=0.01)
    assert curve["hearts_end_spout_pct_vol"] == pytest.approx(truth, abs=0.05)
    assert 0.05 < curve["hearts_end_spout_pct_vol_u"] < 1.0
    assert read["hearts_end_lpa_frac"] == pytest.approx(
        science.lpa_frac_at_volume(40.0, 28.0, 0.45, 12.0), abs=1e-3
    )
    for row in (read, curve):
        assert row["stages"] == pytest.approx(0.45, abs=0.005)
        assert row["takeoff_per_min_l"] == pytest.approx(0.05)
        assert row["takeoff_drift_frac"] == pytest.approx(0.0, abs=1e-9)
        assert row["residual_shape"] == "as expected"


def test_every_jar_stands_beside_what_the_curve_expects(build):
    jars = one(build(spirit_run("A", "2031-02-01")), "select * from fit.jar_expected order by jar_no")
    assert len(jars) == 14
    for jar in jars:
        assert jar["expected_abv_pct_vol"] == pytest.approx(jar["abv_20c_pct_vol"], abs=0.05)
        assert jar["suspect_column"] is None
    assert jars[0]["curve_lpa_frac_start"] == 0.0


def test_a_volume_ten_times_too_large_does_not_thin_what_its_jar_should_hold(build):
    rows = spirit_run("A", "2031-02-01")
    rows[8] = rows[8].replace(",,Ines,1,", ",,Ines,10,")
    expected = [
        row["expected_abv_pct_vol"]
        for row in one(build(rows), "select * from fit.jar_expected order by jar_no")
    ]
    assert expected == sorted(expected, reverse=True)


def test_a_run_that_cannot_be_fitted_says_why(build):
    rows = [
        *spirit_run("A", "2031-02-01", charge=",28"),
        "B,2031-02-02 08:00,charge,spirit,low wines,,still,Ines,40,28,,",
        "B,2031-02-02 09:00,collect,spirit,jar 1,hearts,,Ines,5,,,20",
    ]
    reasons = {row["batch"]: row["reason"] for row in one(build(rows), "select * from fit.run_curve")}
    assert reasons == {"A": "the charge was not measured", "B": "no jar's strength was measured"}


def test_a_steady_season_has_limits_and_a_target_gives_an_index(build):
    rows = [
        row for day in range(1, 13) for row in spirit_run(f"B{day:02}", f"2031-02-{day:02}", 10 + day % 3)
    ]
    settings = Settings(cuts=CutSettings(hearts_end_pct_vol=(55.0, 70.0), baseline_runs=10.0))
    con = build(rows, settings)
    (row,) = one(
        con,
        "select * from fit.cut_steadiness where figure = 'hearts_end_spout_pct_vol' and grouping = 'still'",
    )
    assert (row["runs"], row["baseline_runs"], row["limits_standing"]) == (12, 10, "provisional")
    assert row["ppk_low"] < row["ppk"] < row["ppk_high"]
    assert (row["target_low"], row["target_high"]) == (55.0, 70.0)
    assert row["next_run_low"] < row["figure_mean"] < row["next_run_high"]
    phases = one(
        con,
        "select phase, count(*) as n from fit.control_chart where figure = "
        "'hearts_end_spout_pct_vol' and grouping = 'still' group by phase order by n",
    )
    assert phases == [{"phase": "after", "n": 2}, {"phase": "baseline", "n": 10}]


def test_a_cut_far_from_all_others_stands_out(build):
    late = {9: 13}
    rows = [
        row
        for day in range(1, 15)
        for row in spirit_run(f"B{day:02}", f"2031-02-{day:02}", late.get(day, 10 + day % 2))
    ]
    signals = one(
        build(rows, Settings(cuts=CutSettings(baseline_runs=8.0))),
        "select * from fit.control_signal where figure = 'hearts_end_spout_pct_vol' and grouping = 'still'",
    )
    out = [row for row in signals if row["rule"] == "beyond limits"]
    assert {(row["batch"], row["direction"]) for row in out} == {("B09", "low")}
    assert out[0]["rule_source"].startswith("Nelson 1")


def test_few_runs_give_no_limits(build):
    rows = [row for day in range(1, 5) for row in spirit_run(f"B{day}", f"2031-02-0{day}", 10 + day % 2)]
    (row,) = one(
        build(rows),
        "select * from fit.cut_steadiness where figure = 'hearts_end_spout_pct_vol' and grouping = 'still'",
    )
    assert row["limits_standing"] == "none"
    assert row["baseline_runs"] is None


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    """Sixteen simulated batches; the true spirit still has 0.45 stages, the stripping 0.03."""
    place = tmp_path_factory.mktemp("season")
    write_season(simulate_season(16, 31), place)
    with duckdb.connect(":memory:") as con:
        fill_database(con, read_logs(place, Settings.find(place)), Settings.find(place))
        yield con


def test_the_stills_true_numbers_are_found_from_a_seasons_logs(season):
    stills = {row["run_kind"]: row for row in one(season, "select * from fit.still")}
    assert stills["spirit"]["stages_mean"] == pytest.approx(0.45, abs=0.015)
    assert stills["spirit"]["stages_between_sd"] == pytest.approx(0.015, abs=0.01)
    assert stills["stripping"]["stages_mean"] == pytest.approx(0.03, abs=0.015)


def test_strips_recover_what_their_still_should_bring_over(season):
    rows = one(season, "select * from fit.strip_stop where recovery_difference_frac is not null")
    assert len(rows) > 30
    off = [abs(row["recovery_difference_frac"]) / row["recovery_frac_u"] for row in rows]
    assert sum(each < 2 for each in off) / len(off) > 0.85
    for row in rows:
        assert row["earlier_lpa"] < 0.0 < (row["later_lpa"] or 1.0)
        assert row["earlier_min"] < 0.0 < (row["later_min"] or 1.0)


def test_a_strip_of_8_to_5_pct_vol_is_expected_to_recover_what_was_published():
    """On a bare pot 3.8 % of the alcohol stays behind (tests/data/check_values/distillation.csv)."""
    head = dict.fromkeys(("batch", "run", "season", "started_at", "recovery_frac_u"))
    head |= {"still": "pot", "charge_lpa": 6.4, "charge_abv_pct_vol": 8.0, "charge_volume_l": 80.0}
    head |= {
        "last_spout_pct_vol": 5.0,
        "recovery_frac": 0.95,
        "run_minutes_min": 160.0,
        "collected_volume_l": 24.2,
    }
    (row,) = strip_table(pl.DataFrame([head]), {"pot": 0.0}).to_dicts()
    assert row["expected_recovery_frac"] == pytest.approx(0.9615, abs=0.003)
    assert row["recovery_difference_frac"] == pytest.approx(0.95 - 0.9615, abs=0.003)


def test_a_strip_is_asked_of_its_still_as_any_run_is():
    """Strengths that repeat, that no run starts at, that no run is computed for, or that nobody measured."""
    stops = [5.0, 5.0, 3.2, 5.0, 60.0, 100.5, 0.4, None, 5.0, 5.0, 5.0]
    charges = [8.0, 8.0, 8.0, 9.5, 8.0, 8.0, 8.0, 8.0, None, 0.0, 91.0]
    heads = pl.DataFrame(
        {"last_spout_pct_vol": stops, "charge_abv_pct_vol": charges},
        schema={"last_spout_pct_vol": pl.Float64, "charge_abv_pct_vol": pl.Float64},
    ).with_columns(
        *(pl.lit(None).alias(name) for name in ("batch", "run", "season", "started_at", "recovery_frac_u")),
        still=pl.lit("pot"),
        charge_lpa=6.4,
        charge_volume_l=80.0,
        recovery_frac=0.95,
        run_minutes_min=160.0,
        collected_volume_l=24.2,
    )
    expected = strip_table(heads, {"pot": 0.1})["expected_recovery_frac"]
    asked = [
        science.lpa_frac_at_spout(charge or float("nan"), 0.1, stop or float("nan"))
        for charge, stop in zip(charges, stops, strict=True)
    ]
    assert expected.fill_null(float("nan")).to_list() == pytest.approx(asked, rel=1e-13, nan_ok=True)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[cuts]\nhearts_end_pct_vol = 61", "two numbers, the lower first"),
        ("[cuts]\nhearts_end_pct_vol = [63, 60]", "two numbers, the lower first"),
        ("[cuts]\nhearts_end_pct_vol = [60, 'x']", "two numbers, the lower first"),
        ("[cuts]\nrules = 'all'", "one, western electric, nelson"),
        ("[cuts]\nbaseline_runs = 3", "8 or more, or 0"),
        ("cuts = 3", "[cuts]"),
        ("[cuts]\nhearts = [60, 63]", "`cuts.hearts` is not a setting"),
    ],
)
def test_a_setting_that_makes_no_sense_is_refused_in_a_sentence(tmp_path, text, says):
    path = tmp_path / "season.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=says.replace("[", r"\[").replace("]", r"\]")):
        Settings.load(path)


def test_targets_and_rules_are_read(tmp_path):
    path = tmp_path / "season.toml"
    path.write_text('[cuts]\nhearts_end_pct_vol = [60, 63]\nrules = "nelson"\n', encoding="utf-8")
    cuts = Settings.load(path).cuts
    assert cuts == CutSettings(hearts_end_pct_vol=(60.0, 63.0), rules="nelson")
