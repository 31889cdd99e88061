"""The walk over lots: what is filled, drawn, diluted, gauged and overdrawn, on a few entries each."""

import datetime as dt
import math
import sys
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.account import LOT_SCHEMA, walk_entries
from pipeline.account.content import volume_from_content
from pipeline.account.lots import lot_key
from pipeline.science import density_kg_per_m3, mass_fraction_from_abv

sys.path.insert(0, str(Path(__file__).parent))
from account_entries import entries as entries_of


def entries(*rows: dict) -> pl.DataFrame:
    """Entries of one batch, a day apart."""
    return entries_of(*({"batch": "7", **row} for row in rows), apart=dt.timedelta(days=1))


def collect(lot: str, litres: float | None, abv: float | None, cut: str = "hearts") -> dict:
    return {"kind": "collect", "cut": cut, "to_lot": lot, "volume_20c_l": litres, "abv_20c_pct_vol": abv}


def charge(lot: str | None, litres: float | None, abv: float | None = None) -> dict:
    return {
        "kind": "charge",
        "cut": "feints",
        "from_lot": lot,
        "volume_20c_l": litres,
        "abv_20c_pct_vol": abv,
    }


def lot(lots: pl.DataFrame, name: str) -> dict:
    return lots.row(by_predicate=pl.col("lot") == name, named=True)


def test_two_jars_in_one_lot_add_in_alcohol_and_shrink_in_volume():
    _, lots = walk_entries(entries(collect("7 hearts", 10.0, 80.0), collect("7 hearts", 10.0, 20.0)))
    held = lot(lots, "7 hearts")
    assert held["lpa"] == pytest.approx(10.0)
    # Contraction: 20 L of parts become about 19.6 L (density of the mixture by OIML R 22).
    assert 19.4 < held["volume_l"] < 19.8
    assert held["abv_pct_vol"] > 50.0


def test_a_charge_without_a_strength_takes_the_mixture_its_lot_holds():
    moves, _ = walk_entries(
        entries(collect("feints a", 6.0, 70.0), collect("feints a", 6.0, 30.0), charge("feints a", 4.0))
    )
    drawn = moves.row(2, named=True)
    mixture_l = volume_from_content(
        6.0 * _kg_per_l(70.0) + 6.0 * _kg_per_l(30.0),
        6.0,
    )
    assert drawn["lpa"] == pytest.approx(4.0 * 6.0 / mixture_l)
    assert drawn["adjustment_lpa"] == pytest.approx(0.0, abs=1e-12)


def test_a_measured_charge_counts_as_measured_and_the_difference_is_written_down():
    moves, lots = walk_entries(entries(collect("feints a", 10.0, 50.0), charge("feints a", 5.0, 52.0)))
    drawn = moves.row(1, named=True)
    assert drawn["lpa"] == pytest.approx(2.6)
    assert drawn["adjustment_lpa"] == pytest.approx(0.1)
    held = lot(lots, "feints a")
    assert held["abv_pct_vol"] == pytest.approx(50.0)
    assert held["lpa"] == pytest.approx(2.5)


def test_a_lot_drawn_beyond_what_it_held_ends_at_nothing_and_says_by_how_much():
    moves, lots = walk_entries(entries(collect("feints a", 10.0, 50.0), charge("feints a", 12.0, 50.0)))
    assert moves["overdrawn_l"][1] == pytest.approx(2.0)
    assert lot(lots, "feints a")["lpa"] == 0.0


def test_an_unmeasured_jar_makes_its_lot_unknown_until_it_is_gauged():
    gauge = {"kind": "gauge", "from_lot": "7 hearts", "volume_20c_l": 19.0, "abv_20c_pct_vol": 68.0}
    jars = (collect("7 hearts", 10.0, 70.0), collect("7 hearts", 10.0, None))
    _, unknown = walk_entries(entries(*jars))
    _, known = walk_entries(entries(*jars, gauge))
    assert lot(unknown, "7 hearts")["lpa"] is None
    assert lot(known, "7 hearts")["lpa"] == pytest.approx(19.0 * 0.68)


def test_water_changes_strength_and_not_alcohol():
    dilute = {"kind": "dilute", "from_lot": "7 hearts", "mass_kg": 3.0, "abv_20c_pct_vol": 0.0}
    _, lots = walk_entries(entries(collect("7 hearts", 10.0, 70.0), dilute))
    held = lot(lots, "7 hearts")
    assert held["lpa"] == pytest.approx(7.0)
    assert held["mass_kg"] == pytest.approx(10.0 * _kg_per_l(70.0) + 3.0)


def test_a_dilution_into_a_named_lot_carries_the_whole_of_the_old_one():
    dilute = {"kind": "dilute", "from_lot": "7 hearts", "to_lot": "7 proofed", "volume_20c_l": 3.0}
    _, lots = walk_entries(entries(collect("7 hearts", 10.0, 70.0), dilute))
    assert lot(lots, "7 hearts")["lpa"] == 0.0
    assert lot(lots, "7 proofed")["lpa"] == pytest.approx(7.0)


def test_a_cask_may_be_filled_from_several_lots_and_emptied_with_a_loss():
    fill = {"kind": "cask fill", "to_lot": "cask 3", "batch": None}
    _, lots = walk_entries(
        entries(
            collect("7 hearts", 10.0, 60.0),
            collect("8 hearts", 10.0, 64.0),
            {**fill, "from_lot": "7 hearts", "volume_20c_l": 10.0},
            {**fill, "from_lot": "8 hearts", "volume_20c_l": 10.0},
            {"kind": "cask gauge", "from_lot": "cask 3", "volume_20c_l": 19.0, "abv_20c_pct_vol": 61.0},
            {"kind": "cask empty", "from_lot": "cask 3"},
        )
    )
    held = lot(lots, "cask 3")
    assert held["filled_lpa"] == pytest.approx(12.4)
    assert held["lpa"] == 0.0
    assert held["adjustment_lpa"] == pytest.approx(-12.4)


def test_a_draw_from_no_known_lot_keeps_what_was_measured():
    moves, lots = walk_entries(entries(charge("feints z", 5.0, 40.0)))
    assert moves["lpa"][0] == pytest.approx(2.0)
    assert moves["from_lot"][0] == "feints z"
    assert lots.is_empty()


def test_no_entries_give_empty_frames_with_their_columns():
    moves, lots = walk_entries(entries())
    assert moves.is_empty()
    assert lots.schema == LOT_SCHEMA


def test_two_spellings_of_a_lot_are_one():
    _, lots = walk_entries(entries(collect("Feints A", 5.0, 50.0), collect("feints  a", 5.0, 50.0)))
    assert lots.height == 1
    assert lot_key(" Feints  A") == "feints a"


AMOUNTS = st.lists(
    st.tuples(st.floats(0.1, 200.0), st.floats(1.0, 90.0), st.sampled_from(["collect", "charge"])),
    min_size=1,
    max_size=25,
)


@given(AMOUNTS)
def test_every_lot_holds_what_was_filled_less_drawn_plus_adjusted(steps):
    rows = [
        collect("a", litres, abv) if kind == "collect" else charge("a", litres, abv)
        for litres, abv, kind in steps
    ]
    _, lots = walk_entries(entries(*rows))
    for held in lots.iter_rows(named=True):
        balance = held["filled_lpa"] - held["drawn_lpa"] + held["adjustment_lpa"]
        assert math.isclose(held["lpa"], balance, abs_tol=1e-9 * max(1.0, held["filled_lpa"]))
        assert held["lpa"] >= 0.0


def _kg_per_l(abv: float) -> float:
    return float(density_kg_per_m3(mass_fraction_from_abv(abv), 20.0)) / 1000.0
