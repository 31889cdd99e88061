"""Where a lot's alcohol came from, in shares and in words, and the running account of alcohol, by hand."""

import duckdb
import pytest

from pipeline.resources import sql_dir

# Batch 1 leaves 2 LPA of tails in a receiver; batch 2 charges them beside its own 8 LPA of low wines.
TWO_BATCHES = """
    1, 2031-02-01 07:00, grain,  , pale malt, , , , 30, , , , , , ,
    1, 2031-02-01 07:00, grain,  , rye malt,  , , , 10, , , , , , ,
    1, 2031-02-01 08:00, yeast,  , dried one, , , , , , , , , , ,
    1, 2031-02-09 08:00, collect, strip, , low wines, , , , 40, , 25, , , ,
    1, 2031-02-10 08:00, charge, spirit, low wines, , , , , 40, , 25, , , ,
    1, 2031-02-10 09:00, collect, spirit, one, hearts, , , , 10, , 70, , , ,
    1, 2031-02-10 10:00, collect, spirit, two, tails, , feints a, , 4, , 50, , , ,
    2, 2031-02-11 07:00, grain,  , pale malt, , , , 40, , , , , , ,
    2, 2031-02-19 08:00, collect, strip, , low wines, , , , 32, , 25, , , ,
    2, 2031-02-20 08:00, charge, spirit, low wines, , , , , 32, , 25, , , ,
    2, 2031-02-20 08:00, charge, spirit, feints, , feints a, , , 4, , 50, , , ,
    2, 2031-02-20 09:00, collect, spirit, one, hearts, , , , 10, , 72, , , ,
"""
CASKS = """
    C1, 2031-03-01, fill, 2 hearts, 10, 72, , oak, 10
    C1, 2031-09-01, gauge, , 9.5, 72, , ,
    C1, 2031-10-01, draw, , 1, 72, , ,
"""


@pytest.fixture
def season(make_season):
    return make_season(TWO_BATCHES, CASKS)


def shares(season, lot: str, kind: str) -> dict[str, float]:
    query = f"select * from metric.lot_origin where lot = '{lot}' and origin_kind = '{kind}'"
    return {row["origin"]: row["share_frac"] for row in season.rows(query)}


def test_a_casks_alcohol_is_shared_by_batch_yeast_and_ingredient(season):
    assert shares(season, "cask C1", "batch") == pytest.approx({"2": 0.8, "1": 0.2})
    assert shares(season, "cask C1", "yeast") == pytest.approx({"not logged": 0.8, "dried one": 0.2})
    grain = {
        row["ingredient"]: row["potential_extract_kg"]
        for row in season.rows("select * from metric.batch_ingredient where batch = '1'")
    }
    of_rye = 0.2 * grain["rye malt"] / sum(grain.values())
    found = shares(season, "cask C1", "ingredient")
    assert found.pop("rye malt") == pytest.approx(of_rye)
    assert list(found.values()) == pytest.approx([1.0 - of_rye])


def test_the_cask_and_the_run_say_it_in_words(season):
    words = "80 % batch 2, 20 % feints of batch 1"
    assert season.one("metric.cask", cask="C1")["origin"] == words
    assert season.one("metric.run", batch="2", run="spirit")["origin"] == words
    assert season.one("metric.run", batch="1", run="spirit")["origin"] == "100 % batch 1"


def test_traces_are_counted_and_what_is_not_known_or_together_is_called_so():
    statement = (sql_dir() / "00_macro" / "origin_words.sql").read_text(encoding="utf-8")
    with duckdb.connect(":memory:") as con:
        con.execute(statement)
        said = con.sql(
            "select origin_words(batch, by_feints, pooled, share) from (values ('12', false, false, 0.62), "
            "('11', true, false, 0.2), (null, false, false, 0.1), (null, false, true, 0.074), "
            "('3', true, false, 0.004), ('4', true, false, 0.002)) as t(batch, by_feints, pooled, share)"
        ).fetchall()[0]
    assert said == (
        "62 % batch 12, 20 % feints of batch 11, 10 % not known, 7 % many other batches, "
        "the rest in traces of 2",
    )


def test_the_register_runs_from_the_still_to_the_last_draw(season):
    rows = season.rows("select * from account.register")
    told = [
        (
            row["kind"],
            row["made_lpa"],
            row["returned_lpa"],
            row["moved_lpa"],
            row["drawn_lpa"],
            row["lost_lpa"],
        )
        for row in rows
    ]
    # Litres x %vol of each row above; a regauge of 9.5 L for 10 L at 72 %vol is a loss of 0.36 LPA.
    expected = [
        ("collect", 10.0, 0, 0, 0, 0),
        ("charge", 0, 10.0, 0, 0, 0),
        ("collect", 7.0, 0, 0, 0, 0),
        ("collect", 2.0, 0, 0, 0, 0),
        ("collect", 8.0, 0, 0, 0, 0),
        ("charge", 0, 8.0, 0, 0, 0),
        ("charge", 0, 2.0, 0, 0, 0),
        ("collect", 7.2, 0, 0, 0, 0),
        ("cask fill", 0, 0, 7.2, 0, 0),
        ("cask gauge", 0, 0, 0, 0, 0.36),
        ("cask draw", 0, 0, 0, 0.72, 0),
    ]
    for found, row in zip(told, expected, strict=True):
        assert found[0] == row[0]
        assert found[1:] == pytest.approx(row[1:], abs=1e-9)
    stock = [10.0, 0, 7.0, 9.0, 17.0, 9.0, 7.0, 14.2, 14.2, 13.84, 13.12]
    assert [row["stock_lpa"] for row in rows] == pytest.approx(stock, abs=1e-9)
    assert [row["happened_at"] for row in rows] == sorted(row["happened_at"] for row in rows)


def test_the_registers_stock_is_made_less_returned_drawn_and_lost(season):
    balance = season.rows(
        "select fsum(made_lpa - returned_lpa - drawn_lpa - lost_lpa) as balance, "
        "last(stock_lpa) as stock from account.register"
    )[0]
    assert balance["balance"] == pytest.approx(balance["stock"], abs=1e-9)
    held = season.rows("select fsum(lpa) as lpa from account.lot where lot_kind != 'wash'")[0]["lpa"]
    assert balance["stock"] == pytest.approx(held, abs=1e-9)
