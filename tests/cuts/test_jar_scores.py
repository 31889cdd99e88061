"""Jars tasted by themselves: which jar a sheet means, and what the spirit at the cut is like."""

import duckdb
import numpy as np
import polars as pl
import pytest
from scipy.stats import linregress, ttest_1samp
from scipy.stats import t as student_t

from pipeline.cuts.jar_scores import at_cut, weigh_jars
from pipeline.logs import read_logs
from pipeline.settings import Settings
from pipeline.warehouse import make_tables

STRENGTHS = (80.5, 80.0, 79.4, 78.8, 78.1, 77.2, 76.2, 75.0, 73.5, 71.7, 69.3, 66.2, 61.8, 55.4)


def _log() -> str:
    rows = ["batch,when,step,run,item,cut,volume,strength,lot"]
    for batch in ("7", "8"):
        rows.append(f"{batch},2031-02-11 08:00,charge,spirit,low wines,,40,28,")
        for i, strength in enumerate(STRENGTHS):
            cut = "heads" if i < 3 else "hearts" if i < 12 else "tails"
            lot = "T13" if (batch, i) == ("7", 12) else ""
            rows.append(
                f"{batch},2031-02-11 {9 + i:02}:00,collect,spirit,jar {i + 1},{cut},1,{strength},{lot}"
            )
    return "\n".join(rows) + "\n"


POURED = {
    # what the sheet says of the sample (batch, lot), and the jar it must be: batch, jar, cut
    "a": (("7", "jar 2"), ("7", 2, "heads")),
    "b": (("", "T13"), ("7", 13, "tails")),
    "c": (("", "7 jar 14"), ("7", 14, "tails")),
    "d": (("", "8 tails"), ("8", None, "tails")),
    "e": (("8", "8 spirit jar 12"), ("8", 12, "hearts")),
    # Hearts as a whole are the batch's own spirit, and two batches have a jar 2.
    "f": (("", "8 hearts"), None),
    "g": (("", "jar 2"), None),
    "h": (("7", ""), None),
}


def test_a_sheet_names_a_jar_by_its_lot_or_its_item(tmp_path):
    (tmp_path / "batches.csv").write_text(_log())
    pours = [
        f"evening,2031-03-01,P{taster},{code},{batch},{lot},{5 + taster}"
        for taster in range(2)
        for code, ((batch, lot), _) in POURED.items()
    ]
    (tmp_path / "sheet.csv").write_text("\n".join(["session,when,assessor,sample,batch,lot,overall", *pours]))
    wanted = ["metric.tasted_jar", "metric.sample_score", "fit.jar_score", "problem.sample_unknown"]
    with duckdb.connect(":memory:") as con:
        make_tables(con, read_logs(tmp_path, Settings()), Settings(), wanted=wanted)
        jars = con.execute("select sample, batch, jar_no, cut from metric.tasted_jar").fetchall()
        batches = dict(con.execute("select sample, batch from metric.sample_score").fetchall())
        scored = con.execute("select count(*), count(from_cut_lpa_frac) from fit.jar_score").fetchone()
        unknown = con.execute("select found from problem.sample_unknown").fetchall()
    assert {code: tuple(rest) for code, *rest in jars} == {
        code: jar for code, (_, jar) in POURED.items() if jar is not None
    }
    # A jar is no batch's spirit: nothing of it goes into the batch's own score.
    assert {code for code, batch in batches.items() if batch is not None} == {"f", "h"}
    assert scored == (5, 4)
    assert unknown == [("jar 2",)]


def test_few_jars_are_a_mean_and_more_a_line_back_to_the_cut():
    rng = np.random.default_rng(5)
    difference, distance = rng.normal(-1.0, 0.5, 12), rng.uniform(0.0, 9.0, 12)
    few = at_cut(difference[:5], distance[:5])
    assert few.value == pytest.approx(difference[:5].mean())
    # Student's test of one mean, and the intercept of a straight line: scipy.
    assert few.p_value == pytest.approx(ttest_1samp(difference[:5], 0.0).pvalue)
    line = linregress(distance, difference)
    many = at_cut(difference, distance)
    assert many.value == pytest.approx(line.intercept)
    assert many.half_width == pytest.approx(student_t.ppf(0.975, 10) * line.intercept_stderr)
    assert at_cut(difference[:3], distance[:3]) is None


def _scored(rng, worse: float, attributes=("overall", "fruit", "grain")) -> pl.DataFrame:
    """Tails jars of twelve runs over three evenings, the spirit at the cut so much worse than hearts."""
    rows = []
    for attribute in attributes:
        for jar in range(24):
            distance = 0.01 + 0.06 * (jar % 2) + 0.002 * (jar // 2)
            off = worse - 8.0 * distance * (worse != 0.0) + 0.4 * rng.standard_normal()
            stern = (-0.7, 0.0, 0.9)[jar % 3]
            rows.append(
                {
                    "season": "2031",
                    "session": f"s{jar % 3}",
                    "attribute": attribute,
                    "label": f"jar {jar}",
                    "batch": f"B{jar // 2}",
                    "run": "spirit",
                    "jar_no": 13 + jar % 2,
                    "cut": "tails",
                    "abv_pct_vol": 60.0 - 8.0 * (jar % 2),
                    "lpa_frac_start": 0.8,
                    "lpa_frac_end": 0.85,
                    "score_mean": 6.0 + stern + off,
                    "score_low": None,
                    "score_high": None,
                    "score_beside_hearts": off,
                    "from_cut_lpa_frac": distance,
                    "hearts_end_fall_lpa": 0.25,
                    "hearts_lpa": 7.25,
                }
            )
    return pl.DataFrame(rows, infer_schema_length=None)


def test_a_planted_fault_at_the_cut_is_told_and_thinned_by_mixing():
    _, table = weigh_jars(_scored(np.random.default_rng(6), worse=-1.0))
    row = table.filter(pl.col("attribute") == "overall").row(0, named=True)
    assert (row["cut_side"], row["jars"]) == ("tails", 24)
    assert row["is_told"]
    assert row["score_at_cut_low"] < -1.0 < row["score_at_cut_high"]
    assert row["score_slope_low"] < -0.08 < row["score_slope_high"]
    # 0.25 LPA of it in 7.5.
    assert row["mixed_score_change"] == pytest.approx(row["score_at_cut"] / 30.0)


def test_where_heads_and_tails_taste_like_hearts_nothing_is_told():
    told = 0
    for seed in range(40):
        _, table = weigh_jars(_scored(np.random.default_rng(seed), worse=0.0))
        told += bool(table["is_told"].any())
    # 5 % of seasons over all attributes together, three binomial standard deviations.
    assert told <= 40 * 0.05 + 3 * np.sqrt(40 * 0.05 * 0.95)
