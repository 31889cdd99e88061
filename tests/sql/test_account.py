"""The account on a few rows each: expected figures by hand, or by the science functions."""

import math

import pytest

from pipeline import science

WASH_ROWS = """
    7, 2031-02-01 09:00, grain,  , pale malt,  , , , 40,    ,      , , , , ,
    7, 2031-02-01 12:00, wort,   , ,           , , ,   , 70, 1.060, , , , ,
    7, 2031-02-01 15:00, wort,   , ,           , , ,   , 70, 1.064, , , , ,
    7, 2031-02-01 16:00, yeast,  , house yeast,, , ,   ,    ,      , , , , ,
    7, 2031-02-01 16:10, wash,   , ,           , , ,   , 140, 1.062, , , , ,
    7, 2031-02-06 16:00, wash,   , ,           , , ,   ,    , 1.001, , , , ,
    7, 2031-02-08 16:00, wash,   , ,           , , ,   ,    , 1.000, , , , ,
"""

STRIP_ROWS = """
    7, 2031-02-09 08:00, charge, strip 1, wash,, , ,   , 68,      , , , , ,
    7, 2031-02-09 11:00, collect,strip 1, , low wines, , , , 20,  , 26, 8, , 180,
    7, 2031-02-09 12:00, charge, strip 2, wash,, , ,   , 68,      , , , , ,
    7, 2031-02-09 15:00, collect,strip 2, , low wines, , , , 20,  , 27, 7, , 185,
"""

SPIRIT_ROWS = """
    7, 2031-02-10 08:00, charge, spirit, low wines,, , , , 40,    , , , , ,
    7, 2031-02-10 09:00, collect,spirit, jar 1, foreshots,,, , 0.4, , 82, 81, , 20,
    7, 2031-02-10 09:20, collect,spirit, jar 2, heads, ,feints a, , 1.0, , 80, 79, , 20,
    7, 2031-02-10 09:40, collect,spirit, jar 3, hearts,,, , 4.5, , 76, 73, , 60,
    7, 2031-02-10 10:40, collect,spirit, jar 4, hearts,,, , 4.5, , 68, 61, , 60,
    7, 2031-02-10 11:40, collect,spirit, jar 5, tails, ,feints a, , 5.5, , 45, 20, , 80,
    7, 2031-02-10 13:10, residue,spirit, ,, , ,   , 25,     , 0.5, , , ,
"""


@pytest.fixture
def one_batch(make_season):
    return make_season(WASH_ROWS + STRIP_ROWS.lstrip("\n") + SPIRIT_ROWS.lstrip("\n"))


def test_a_clean_batch_raises_no_problem(one_batch):
    assert one_batch.kinds() == []


def test_extract_is_summed_over_the_worts_and_set_against_the_grain(one_batch):
    batch = one_batch.one("metric.batch", batch="7")
    extract = float(science.extract_kg(70.0, 1.060) + science.extract_kg(70.0, 1.064))
    assert batch["grain_extract_kg"] == pytest.approx(extract, rel=1e-9)
    malt = one_batch.one("account.fermentable", batch="7")
    assert batch["mash_efficiency_frac"] == pytest.approx(
        extract / (40.0 * malt["extract_as_is_frac"]), rel=1e-9
    )


def test_wash_alcohol_is_ballings_with_the_shrinking_volume(one_batch):
    batch = one_batch.one("metric.batch", batch="7")
    assert batch["wash_lpa"] == pytest.approx(float(science.wash_lpa(140.0, 1.062, 1.000)), rel=1e-9)
    assert batch["wash_abv_pct_vol"] == pytest.approx(float(science.wash_abv(1.062, 1.000)), rel=1e-9)
    assert batch["apparent_attenuation_frac"] == pytest.approx(1.0, abs=0.01)
    assert batch["real_attenuation_frac"] == pytest.approx(0.81, abs=0.02)


def test_ferment_and_rest_are_counted_from_pitching_and_from_dryness(one_batch):
    batch = one_batch.one("metric.batch", batch="7")
    # Pitched on the 1st at 16:00, dry (within 0.001) on the 6th at 16:00, charged on the 9th at 8:00.
    assert batch["ferment_days"] == pytest.approx(5.0)
    assert batch["rest_days"] == pytest.approx(2.0 + 16.0 / 24.0)


def test_stripping_recovery_is_low_wines_over_the_wash_charged(one_batch):
    batch = one_batch.one("metric.batch", batch="7")
    charged = 136.0 * float(science.wash_abv(1.062, 1.000)) / 100.0
    assert batch["low_wines_lpa"] == pytest.approx(20 * 0.26 + 20 * 0.27)
    assert batch["strip_recovery_frac"] == pytest.approx(10.6 / charged, rel=1e-9)


def test_cuts_are_fractions_of_the_alcohol_charged_and_the_run_closes(one_batch):
    batch = one_batch.one("metric.batch", batch="7")
    # 40 L of low wines: their mixture's strength is 10.6 LPA in the volume the two parts make together.
    mixture_l = _volume_l(20.0, 26.0, 20.0, 27.0)
    charged = min(40.0 / mixture_l, 1.0) * 10.6 if mixture_l > 40.0 else 40.0 * 10.6 / mixture_l
    assert batch["spirit_charge_lpa"] == pytest.approx(charged, rel=1e-6)
    assert batch["hearts_lpa"] == pytest.approx(4.5 * 0.76 + 4.5 * 0.68)
    assert batch["hearts_frac"] == pytest.approx(6.48 / charged, rel=1e-6)
    run = one_batch.one("metric.run", batch="7", run="spirit")
    collected = 0.328 + 0.8 + 6.48 + 2.475
    assert run["gap_lpa"] == pytest.approx(charged - collected - 0.125, rel=1e-6)
    assert run["residue_lpa"] == pytest.approx(0.125)


def test_hearts_begin_and_end_at_the_spout(one_batch):
    run = one_batch.one("metric.run", batch="7", run="spirit")
    assert run["hearts_start_pct_vol"] == pytest.approx(79.0)
    assert run["hearts_end_pct_vol"] == pytest.approx(61.0)


def test_feints_kept_are_yield_and_foreshots_are_not(one_batch):
    batch = one_batch.one("metric.batch", batch="7")
    assert batch["feints_out_lpa"] == pytest.approx(0.8 + 2.475)
    assert batch["feints_in_lpa"] == 0.0
    assert batch["net_spirit_lpa"] == pytest.approx(6.48 + 3.275)
    assert batch["yield_lpa_per_kg"] == pytest.approx(9.755 / 40.0)


def test_feints_charged_in_another_batch_are_that_batchs_debt(make_season):
    second = (
        SPIRIT_ROWS.replace("7,", "8,", 1).replace("    7, ", "    8, ").replace("2031-02-10", "2031-02-20")
    )
    carried = "    8, 2031-02-20 08:10, charge, spirit, feints,, feints a, , , 4.0, , , , , ,\n"
    season = make_season(
        WASH_ROWS + STRIP_ROWS.lstrip("\n") + SPIRIT_ROWS.lstrip("\n") + second.lstrip("\n") + carried
    )
    mixture = 100.0 * 3.275 / _volume_l(1.0, 80.0, 5.5, 45.0)
    batch = season.one("metric.batch", batch="8")
    assert batch["feints_in_lpa"] == pytest.approx(4.0 * mixture / 100.0, rel=1e-6)


def test_what_was_not_measured_is_null_all_the_way_and_never_zero(make_season):
    season = make_season(
        """
        9, 2031-03-01 09:00, grain,  , pale malt,  , , , 40,    ,      , , , , ,
        9, 2031-03-09 08:00, charge, spirit, wash, , , ,   , 40,       , 25, , , ,
        9, 2031-03-09 09:00, collect,spirit, jar 1, heads,,, , 1.0,    , 80, , , ,
        9, 2031-03-09 10:00, collect,spirit, jar 2, hearts,,, , 6.0,   ,   , , , ,
        """
    )
    batch = season.one("metric.batch", batch="9")
    for name in (
        "wash_lpa",
        "mash_efficiency_frac",
        "hearts_lpa",
        "net_spirit_lpa",
        "yield_lpa_per_kg",
        "tails_lpa",
    ):
        assert batch[name] is None, name
    assert "not_measured" in season.kinds()
    left_out = {row["column_name"] for row in season.rows("select * from metric.left_out where batch = '9'")}
    assert {"wash_lpa", "mash_efficiency_frac", "hearts_lpa", "net_spirit_lpa"} <= left_out


def test_a_small_jar_without_a_strength_is_taken_between_its_neighbours_and_said_so(make_season):
    jars = "\n".join(
        f"9, 2031-03-09 {9 + n}:00, collect,spirit, jar {n}, hearts,,, , 0.5, , {abv}, , , ,"
        for n, abv in enumerate((78, 76, "", 72, 70, 68, 66), start=1)
    )
    season = make_season("9, 2031-03-09 08:00, charge, spirit, low wines, , , , , 20, , 25, , , ,\n" + jars)
    jar = season.one("metric.jar", batch="9", jar_no="3")
    assert jar["strength_basis"] == "between neighbours"
    assert jar["abv_20c_pct_vol"] == pytest.approx(74.0)
    assert "strength_between_neighbours" in season.kinds()


def test_sugar_stirred_in_after_the_first_reading_is_added_to_it(make_season):
    rows = WASH_ROWS.replace(
        "7, 2031-02-06 16:00, wash,",
        "7, 2031-02-02 16:00, sugar, , sugar, , , , 5, , , , , , ,\n    7, 2031-02-06 16:00, wash,",
    )
    season = make_season(rows)
    batch = season.one("metric.batch", batch="7")
    sugar_kg = season.one("account.fermentable", step="sugar")["potential_extract_kg"]
    extract = float(science.extract_kg(140.0, 1.062)) + sugar_kg
    mass = 140.0 * 1.062 * 0.998203 + 5.0
    assert batch["original_extract_plato"] == pytest.approx(100.0 * extract / mass, rel=1e-5)
    assert batch["wash_extract_kg"] == pytest.approx(extract, rel=1e-5)


def test_a_reading_with_a_temperature_is_corrected_and_one_without_is_not(make_season):
    season = make_season(
        """
        9, 2031-03-09 08:00, charge, spirit, low wines, , , , , 20, , 25,   , , ,
        9, 2031-03-09 09:00, collect,spirit, jar 1, hearts,,, , 5,  , 60.0, , 10, ,
        9, 2031-03-09 10:00, collect,spirit, jar 2, hearts,,, , 5,  , 60.0, ,   , ,
        """
    )
    warm, plain = (season.one("metric.jar", batch="9", jar_no=n) for n in ("1", "2"))
    # Computed in the alcoholometry reference: a glass alcoholometer's 60.0 at 10 degC is 63.42 %vol.
    assert warm["abv_20c_pct_vol"] == pytest.approx(63.42, abs=0.01)
    assert plain["abv_20c_pct_vol"] == 60.0
    assert warm["volume_l"] > 5.0
    assert plain["volume_l"] == 5.0


def test_us_proof_goes_through_the_mass_fraction(make_season):
    season = make_season("9, 2031-03-09 08:00, charge, spirit, low wines, , , , , 10, , 100 proof, , , ,")
    # 27 CFR 30: proof is twice the %vol at 60 degF; the same spirit is 50.061 %vol at 20 degC.
    assert season.one("metric.run", batch="9")["charge_abv_pct_vol"] == pytest.approx(50.061, abs=0.001)


def _volume_l(litres_a: float, abv_a: float, litres_b: float, abv_b: float) -> float:
    """Volume at 20 degC of two spirits together."""
    blend = science.blend([litres_a, litres_b], [abv_a, abv_b])
    assert not math.isnan(blend.volume_l)
    return blend.volume_l


def test_the_spout_is_corrected_with_the_row_s_temperature_as_the_jar_is(make_season):
    season = make_season(
        """
        9, 2031-03-09 08:00, charge, spirit, low wines, , , , , 20, , 25,     ,   , ,
        9, 2031-03-09 09:00, collect,spirit, jar 1, hearts,,, , 5,  , 60.0, 60.0, 10, ,
        """
    )
    jar = season.one("metric.jar", batch="9", jar_no="1")
    assert jar["spout_abv_20c_pct_vol"] == pytest.approx(jar["abv_20c_pct_vol"], abs=1e-12)


@pytest.mark.parametrize(("volume", "held"), [("", 0.0), ("2", 3.6), ("2x", None)])
def test_a_discard_that_cannot_be_read_leaves_its_lot_unknown_and_an_empty_one_takes_all(
    make_season, volume, held
):
    season = make_season(
        f"""
        9, 2031-03-09 08:00, collect, one, a, heads, , feints a, , 8, , 60, , , ,
        9, 2031-03-10 08:00, discard, , , , feints a, , , {volume}, , , , , ,
        """
    )
    found = season.one("account.lot", lot="feints a")["lpa"]
    assert found == (None if held is None else pytest.approx(held))
