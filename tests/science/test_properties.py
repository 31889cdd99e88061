"""Laws the science functions keep for any input: round trips, order, ends, conservation."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from pipeline import science as s

strengths = st.floats(0.0, 100.0)
fractions = st.floats(0.0, 1.0)
temperatures = st.floats(-20.0, 40.0)
gravities = st.floats(0.980, 1.150)
volumes = st.floats(0.01, 10_000.0)
stages = st.sampled_from([0.0, 0.2, 0.5, 1.0, 1.7])
# A run asks for a whole curve: fewer examples say as much.
a_few = settings(max_examples=40)


def rising(low: float, high: float, gap: float) -> st.SearchStrategy[tuple[float, float]]:
    """Two values of a range, the second larger by the gap at least."""
    room = st.tuples(st.floats(low, high - gap), st.floats(0.0, 1.0))
    # Rounding must not carry the larger one out of the range.
    return room.map(lambda pair: (pair[0], min(high, pair[0] + gap + pair[1] * (high - gap - pair[0]))))


@given(strengths)
def test_strength_to_mass_fraction_and_back(abv: float) -> None:
    assert s.abv_from_mass_fraction(s.mass_fraction_from_abv(abv)) == pytest.approx(abv, abs=1e-9)


@given(fractions, temperatures)
def test_density_to_mass_fraction_and_back(p: float, t_c: float) -> None:
    found = s.mass_fraction_from_density(s.density_kg_per_m3(p, t_c), t_c)
    assert found == pytest.approx(p, abs=2e-10)


@given(strengths)
def test_proof_and_back(abv: float) -> None:
    assert s.abv_from_proof(s.proof_from_abv(abv)) == pytest.approx(abv, abs=1e-9)


@given(strengths, temperatures)
def test_what_the_instrument_shows_is_corrected_to_the_truth(abv: float, t_c: float) -> None:
    shown = s.reading_from_abv(abv, t_c)
    assume(not np.isnan(shown))
    assert s.abv_from_reading(shown, t_c) == pytest.approx(abv, abs=1e-6)


@given(strengths)
def test_a_reading_at_20c_is_the_strength(abv: float) -> None:
    assert s.abv_from_reading(abv, 20.0) == pytest.approx(abv, abs=1e-9)


@given(st.floats(0.0, 200.0))
def test_a_proof_reading_at_60f_is_the_proof(proof: float) -> None:
    found = s.proof_from_abv(s.abv_from_proof_reading(proof, s.SIXTY_F_C))
    assert found == pytest.approx(proof, abs=1e-8)


@given(gravities)
def test_gravity_to_plato_and_back(sg: float) -> None:
    assert s.sg_from_plato(s.plato_from_sg(sg)) == pytest.approx(sg, abs=1e-12)


@given(st.floats(0.985, 1.140), st.floats(0.0, 60.0), st.floats(0.0, 40.0))
def test_hydrometer_reading_and_back(sg: float, t_c: float, reference_c: float) -> None:
    shown = s.reading_from_sg(sg, t_c, reference_c)
    assume(0.980 <= shown <= 1.150)
    assert s.sg_from_reading(shown, t_c, reference_c) == pytest.approx(sg, abs=1e-9)


@given(volumes, strengths)
def test_volume_to_mass_and_back(volume: float, abv: float) -> None:
    mass = s.mass_kg_from_volume_l(volume, abv)
    assert s.volume_l_from_mass_kg(mass, abv) == pytest.approx(volume, rel=1e-12)


@given(rising(0.0, 100.0, 1e-6))
def test_stronger_is_lighter_and_of_more_proof(pair: tuple[float, float]) -> None:
    abv, other = pair
    assert s.mass_fraction_from_abv(other) > s.mass_fraction_from_abv(abv)
    assert s.proof_from_abv(other) > s.proof_from_abv(abv)
    assert s.mass_kg_from_volume_l(1.0, other) < s.mass_kg_from_volume_l(1.0, abv)


@given(temperatures, rising(0.0, 1.0, 1e-6))
def test_density_falls_with_strength_at_every_temperature(t_c: float, pair: tuple[float, float]) -> None:
    p, q = pair
    assert s.density_kg_per_m3(q, t_c) < s.density_kg_per_m3(p, t_c)


@given(st.floats(3.0, 97.0), st.floats(10.0, 29.0))
def test_warm_spirit_reads_too_strong_and_takes_more_room(abv: float, t_c: float) -> None:
    assume(abs(t_c - 20.0) > 1e-3)
    is_warm = t_c > 20.0
    assert (s.abv_from_reading(abv, t_c) < abv) == is_warm
    assert (s.volume_at_20c(1.0, abv, t_c) < 1.0) == is_warm


@given(volumes, st.floats(5.0, 100.0), st.floats(0.05, 1.0))
def test_dilution_conserves_mass_and_alcohol(volume: float, abv: float, share: float) -> None:
    target = max(abv * share, 0.5)
    water_kg, after_l = s.water_to_dilute(volume, abv, target)
    assert s.lpa(after_l, target) == pytest.approx(s.lpa(volume, abv), rel=1e-9)
    before_kg = s.mass_kg_from_volume_l(volume, abv)
    assert s.mass_kg_from_volume_l(after_l, target) == pytest.approx(before_kg + water_kg, rel=1e-9)
    assert water_kg >= -1e-9 * volume


@given(st.lists(st.tuples(volumes, strengths), min_size=1, max_size=6))
def test_blending_conserves_mass_and_alcohol_and_lies_between(parts: list[tuple[float, float]]) -> None:
    litres, abvs = (np.array(column) for column in zip(*parts, strict=True))
    blend = s.blend(litres, abvs)
    assert blend.lpa == pytest.approx(s.lpa(litres, abvs).sum(), rel=1e-9, abs=1e-9)
    assert blend.mass_kg == pytest.approx(s.mass_kg_from_volume_l(litres, abvs).sum(), rel=1e-12)
    assert abvs.min() - 1e-6 <= blend.abv_20c_pct_vol <= abvs.max() + 1e-6


def test_strong_spirit_and_water_make_less_than_their_sum() -> None:
    """Most near 54 % vol; weak spirit and water (20 % and none) make 0.1 % more, which surprises people."""
    for abv in (60.0, 75.0, 96.0):
        assert s.blend([1.0, 1.0], [0.0, abv]).volume_l < 2.0


@given(volumes, st.floats(40.0, 90.0), st.floats(25.0, 39.0))
def test_blend_with_the_water_of_a_dilution_is_the_dilution(v: float, abv: float, target: float) -> None:
    water_kg, after_l = s.water_to_dilute(v, abv, target)
    mixed = s.blend([v, s.volume_l_from_mass_kg(water_kg, 0.0)], [abv, 0.0])
    assert mixed.abv_20c_pct_vol == pytest.approx(target, abs=1e-8)
    assert mixed.volume_l == pytest.approx(after_l, rel=1e-9)


@given(st.floats(1.01, 1.150), st.floats(0.0, 0.9), st.floats(0.01, 1.0))
def test_lower_final_gravity_is_more_alcohol(original: float, fall: float, further: float) -> None:
    one = original - fall * (original - 0.980)
    other = max(one - further * (one - 0.980), 0.980)
    assert s.wash_abv(original, other) > s.wash_abv(original, one) >= -1e-12
    assert s.wash_lpa(100.0, original, other) > s.wash_lpa(100.0, original, one)


@given(st.floats(1.002, 1.150))
def test_full_attenuation_gives_what_the_extract_can(original: float) -> None:
    """Mass balance: real extract gone x 1/2.0665 is the alcohol, whatever the path to it."""
    oe = s.plato_from_sg(original)
    alcohol = s.alcohol_pct_mass(oe, 0.0)
    wash_kg = 1.0 / (1.0 + 0.010665 * alcohol)
    assert wash_kg * alcohol == pytest.approx(oe / s.EXTRACT_PER_ETHANOL, rel=1e-9)


@given(st.floats(0.0, 10.0), st.floats(0.0, 15.0))
def test_original_extract_inverts_the_alcohol_equation(alcohol: float, real: float) -> None:
    original = s.original_extract(alcohol, real)
    assert s.alcohol_pct_mass(original, min(real, original)) == pytest.approx(alcohol, abs=1e-9)


@a_few
@given(st.floats(0.1, 85.0), stages)
def test_vapour_is_richer_than_its_liquid(abv: float, number: float) -> None:
    assert s.vapour_abv(abv, number) > abv
    assert s.vapour_abv(abv, number + 0.3) > s.vapour_abv(abv, number)


@given(rising(0.0, 90.0, 0.01))
def test_stronger_liquid_boils_cooler_below_the_azeotrope(pair: tuple[float, float]) -> None:
    abv, other = pair
    assert s.boiling_temperature_c(other) < s.boiling_temperature_c(abv)


def test_pure_water_and_pure_ethanol_distil_unchanged() -> None:
    for number in (0.0, 0.5, 1.0, 3.0):
        assert s.vapour_abv(0.0, number) == 0.0
        assert s.vapour_abv(100.0, number) == pytest.approx(100.0, abs=1e-9)
    assert s.boiling_temperature_c(0.0) == pytest.approx(100.0, abs=0.01)
    # Boiling point of ethanol in any handbook; from memory.
    assert s.boiling_temperature_c(100.0) == pytest.approx(78.3, abs=0.05)


@a_few
@given(st.floats(1.0, 90.0), stages, st.floats(0.0, 0.98), st.floats(0.001, 0.02))
def test_the_spout_weakens_as_the_run_goes_on(abv: float, number: float, frac: float, more: float) -> None:
    now = s.run_curve(100.0, abv, number, frac)
    assert now > s.run_curve(100.0, abv, number, frac + more)
    assert s.lpa_frac_at_spout(abv, number, now) == pytest.approx(frac, abs=1e-6)


@a_few
@given(st.floats(1.0, 90.0), stages)
def test_the_run_starts_with_the_vapour_of_its_charge(abv: float, number: float) -> None:
    assert s.run_curve(1.0, abv, number, 0.0) == pytest.approx(s.vapour_abv(abv, number), abs=1e-5)


@a_few
@given(st.floats(5.0, 60.0), stages, st.floats(0.01, 0.99))
def test_volume_of_distillate_and_back(abv: float, number: float, frac: float) -> None:
    litres = s.distillate_volume_l(40.0, abv, number, frac)
    assert s.lpa_frac_at_volume(40.0, abv, number, litres) == pytest.approx(frac, abs=1e-6)


@a_few
@given(st.floats(5.0, 60.0), stages, st.integers(1, 25))
def test_jars_hold_the_alcohol_that_came_over(abv: float, number: float, jars: int) -> None:
    jar_l = 0.2 * 40.0 * abv / 100.0 / 25.0
    held = (s.jar_strengths(40.0, abv, number, np.full(jars, jar_l)) * jar_l / 100.0).sum()
    over = s.lpa_frac_at_volume(40.0, abv, number, jar_l * jars) * s.lpa(40.0, abv)
    assert held == pytest.approx(over, rel=1e-9, abs=1e-12)


@a_few
@given(st.floats(4.0, 12.0), st.floats(1.0, 15.0))
def test_stripping_conserves_alcohol(wash: float, stop: float) -> None:
    run = s.strip_run(wash, 0.0, stop)
    low_wines = run.volume_frac * run.low_wines_abv_pct_vol
    assert low_wines == pytest.approx(run.recovery_frac * wash, rel=1e-9)
    # What is left: the rest of the mass, at the pot's strength.
    left_kg = s.mass_kg_from_volume_l(1.0, wash) - s.mass_kg_from_volume_l(
        run.volume_frac, run.low_wines_abv_pct_vol
    )
    left_lpa = s.lpa(s.volume_l_from_mass_kg(left_kg, run.pot_abv_pct_vol), run.pot_abv_pct_vol)
    assert left_lpa == pytest.approx(wash / 100.0 * (1.0 - run.recovery_frac), rel=1e-6)


@given(st.floats(20.0, 80.0), st.floats(0.0, 0.1), st.floats(0.0, 0.1), st.floats(0.1, 20.0))
def test_cask_strength_rises_only_if_water_goes_faster(
    abv: float, ethanol: float, water: float, years: float
) -> None:
    assume(abs(ethanol - water) > 1e-4)
    assert (s.aged_abv(abv, ethanol, water, years) > abv) == (water > ethanol)


@given(volumes, st.floats(0.01, 0.3), st.floats(0.5, 20.0))
def test_annual_loss_compounds(start: float, rate: float, years: float) -> None:
    assert s.annual_loss_frac(start, start * (1.0 - rate) ** years, years) == pytest.approx(rate, rel=1e-9)


def test_heat_of_mixing_is_near_the_laboratory_report() -> None:
    """Equal volumes of water and 95 % spirit: 6.5 K reported in open glass, 7.6 K computed without loss."""
    made = s.blend([1.0, 1.0], [95.0, 0.0]).abv_20c_pct_vol
    assert 6.5 < s.mixing_rise_c(95.0, made) < 8.0


@given(rising(0.5, 100.0, 0.1))
def test_diluting_always_warms(pair: tuple[float, float]) -> None:
    other, abv = pair
    # From 100 % to just below, the fitted polynomial may dip by this.
    assert s.mixing_rise_c(abv, other) > -0.05
