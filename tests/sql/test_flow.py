"""Where the alcohol went: a season small enough to add up by hand, with what was held up and thrown out."""

import pytest

from pipeline import science

MASH = """
    7, 2031-02-01 08:00, grain,  , pale malt, , , , 40, , , , , , ,
    7, 2031-02-01 12:00, wort,   , , , , , , 140, 1.062, , , , ,
    7, 2031-02-01 16:00, yeast,  , house yeast, , , , , , , , , , ,
    7, 2031-02-01 16:10, wash,   , , , , , , 140, 1.062, , , , ,
    7, 2031-02-06 16:00, wash,   , , , , , , , 1.000, , , , ,
    7, 2031-02-09 08:00, charge, strip, wash, , , , , 130, , , , , ,
    7, 2031-02-09 11:00, collect,strip, , low wines, , , , 40, , 26, , , ,
"""
POT_ALE = """
    7, 2031-02-09 11:30, residue,strip, , , , , , 90, , 0.2, , , ,
"""
SPIRIT = """
    7, 2031-02-10 08:00, charge, spirit, low wines, , , , , 37, , 26, , , ,
    7, 2031-02-10 09:00, collect,spirit, jar 1, foreshots, , , , 0.4, , 80, , , ,
    7, 2031-02-10 09:20, collect,spirit, jar 2, heads, , feints a, , 1.0, , 80, , , ,
    7, 2031-02-10 09:40, collect,spirit, jar 3, hearts, , , , 9.0, , 70, , , ,
    7, 2031-02-10 11:40, collect,spirit, jar 4, tails, , feints a, , 4.0, , 40, , , ,
"""
RESTS = """
    7, 2031-02-09 09:00, discard, , , , 7 wash, , , 4, , , , , ,
    7, 2031-02-10 12:00, gauge, , , , 7 low wines, , , 2, , 25, , , ,
    7, 2031-02-11 12:00, discard, , , , 7 hearts, , , 0.5, , , , , ,
"""
WASH_ABV = float(science.wash_abv(1.062, 1.000))
WASH_LPA = float(science.wash_lpa(140.0, 1.062, 1.000))


def lines(season) -> dict[str, dict]:
    return {row["node"]: row for row in season.rows("select * from metric.flow")}


def test_a_measured_rest_is_held_up_and_only_what_is_left_over_is_unexplained(make_season):
    flow = lines(make_season(MASH + POT_ALE.lstrip("\n") + SPIRIT.lstrip("\n") + RESTS.lstrip("\n")))
    amount = {node: row["lpa"] for node, row in flow.items()}
    assert amount["wash held up"] == pytest.approx(0.04 * WASH_ABV)
    # 130 L charged and 4 thrown out of what 140 L of wort shrank to: the rest is not accounted for.
    assert amount["wash unexplained"] == pytest.approx(WASH_LPA - 1.34 * WASH_ABV)
    assert amount["pot ale"] == pytest.approx(0.18)
    assert amount["stripping unexplained"] == pytest.approx(1.30 * WASH_ABV - 40 * 0.26 - 0.18)
    assert "pot ale not measured" not in amount
    assert amount["low wines held up"] == pytest.approx(0.5)
    assert amount["low wines unexplained"] == pytest.approx(40 * 0.26 - 37 * 0.26 - 0.5)
    assert amount["foreshots"] == pytest.approx(0.32)
    assert amount["feints"] == pytest.approx(0.8 + 1.6)
    # Nobody measured the spent lees: what is missing has no better name.
    assert amount["spent lees not measured"] == pytest.approx(37 * 0.26 - 0.32 - 2.4 - 6.3)
    assert {"spent lees", "spirit unexplained"}.isdisjoint(amount)
    assert amount["hearts held up"] == pytest.approx(0.35)
    assert amount["not in cask"] == pytest.approx(5.95)
    assert amount["hearts unexplained"] == pytest.approx(0.0, abs=1e-9)


def test_every_part_of_the_flow_closes(make_season):
    season = make_season(MASH + POT_ALE.lstrip("\n") + SPIRIT.lstrip("\n") + RESTS.lstrip("\n"))
    rows = season.rows("select * from metric.flow order by position")
    level = rows[0]["lpa"]
    for row in rows:
        if row["node"] in ("potential", "all hearts"):
            level = row["lpa"]
        elif row["side"] == "carried":
            assert level == pytest.approx(row["lpa"], abs=1e-9), row["node"]
        else:
            level += row["lpa"] if row["side"] == "added" else -row["lpa"]
        assert row["lpa_u"] is not None


def test_what_no_yeast_ferments_is_apart_by_the_share_of_the_ingredient(make_season):
    season = make_season(MASH + SPIRIT.lstrip("\n"))
    flow, malt = lines(season), season.one("account.fermentable", batch="7")
    extract = float(science.extract_kg(140.0, 1.062)) * science.MAX_LPA_PER_KG_EXTRACT
    unfermentable = extract * (1.0 - malt["fermentable_frac"])
    assert flow["unfermentable"]["lpa"] == pytest.approx(unfermentable)
    assert flow["unfermented"]["lpa"] == pytest.approx(extract - unfermentable - WASH_LPA)
    assert not flow["unfermentable"]["is_avoidable"]
    assert flow["unfermented"]["is_avoidable"]


def test_a_rest_by_subtraction_alone_is_not_held_up(make_season):
    """A vessel emptied without an amount holds what the readings leave, errors and all."""
    emptied = "    7, 2031-02-09 13:00, discard, , , , 7 wash, , , , , , , , ,\n"
    flow = lines(make_season(MASH + SPIRIT.lstrip("\n") + emptied))
    assert "wash held up" not in flow
    assert flow["wash unexplained"]["lpa"] == pytest.approx(WASH_LPA - 1.30 * WASH_ABV)
    assert flow["wash unexplained"]["is_unexplained"]
    assert not flow["wash unexplained"]["is_avoidable"]


def test_the_uncertainty_of_what_is_thrown_out_is_its_own_and_leaves_the_unexplained_wider(make_season):
    rows = MASH + SPIRIT.lstrip("\n")
    without = lines(make_season(rows))["hearts unexplained"]
    flow = lines(make_season(rows + RESTS.lstrip("\n")))
    assert flow["low wines held up"]["lpa_u"] > 0.0
    assert flow["low wines unexplained"]["lpa_u"] > flow["low wines held up"]["lpa_u"]
    assert without["lpa"] == pytest.approx(0.0, abs=1e-9)
