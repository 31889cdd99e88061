"""Every check value of tests/data/check_values, computed again from the public functions."""

import csv
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from pipeline import science as s
from pipeline.science.still import curve_from_vapour, curve_of_still

DATA = Path(__file__).parents[1] / "data" / "check_values"
SUBJECTS = ("alcoholometry", "extract", "distillation")

# Units of the sources. Water at 4 degC, to which older tables refer: 999.972 kg/m3.
WATER_4C = 999.972
AIR = 1.2
KG_PER_LB = 0.45359237
L_PER_US_GAL = 3.785411784
LB_PER_SHORT_TON = 2000.0


def celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32.0) / 1.8


@dataclass(frozen=True)
class Row:
    """One check value; `inputs` are numbers where they can be."""

    quantity: str
    inputs: dict[str, float]
    value: float
    tolerance: float
    basis: str
    source: str
    name: str


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan


def read_rows(subject: str) -> list[Row]:
    with (DATA / f"{subject}.csv").open(encoding="utf-8", newline="") as file:
        lines = list(csv.DictReader(file))
    rows = []
    for number, line in enumerate(lines, start=2):
        pairs = [pair.split("=", 1) for pair in line["inputs"].split(";") if pair.strip()]
        rows.append(
            Row(
                line["quantity"],
                {key.strip(): _number(text) for key, text in pairs},
                float(line["value"]),
                float(line["tolerance"]),
                line["basis"],
                line["source"],
                f"{subject}:{number}:{line['quantity']}",
            )
        )
    return rows


ROWS = [row for subject in SUBJECTS for row in read_rows(subject)]


# Helpers: what a source calls a quantity, said with the public functions.


def mass_fraction_from_vol(vol_pct: float, basis_c: float) -> float:
    """% vol on another basis than 20 degC: p rho(p, T) / rho(1, T)."""
    if vol_pct in (0.0, 100.0):
        return vol_pct / 100.0
    ethanol = s.density_kg_per_m3(1.0, basis_c)
    return float(
        brentq(
            lambda p: 100.0 * p * s.density_kg_per_m3(p, basis_c) / ethanol - vol_pct, 0.0, 1.0, xtol=1e-13
        )
    )


def vol_from_mass_fraction(p: float, basis_c: float) -> float:
    return 100.0 * p * s.density_kg_per_m3(p, basis_c) / s.density_kg_per_m3(1.0, basis_c)


def mass_fraction_from_proof(proof: float) -> float:
    return s.mass_fraction_from_abv(s.abv_from_proof(proof))


def in_air(density: float) -> float:
    """Apparent density on a scale with conventional weights: what one cubic metre weighs in air."""
    return density / s.mass_kg_from_weighing(1.0, density)


def lb_per_gallon(density: float) -> float:
    return in_air(density) / 1000.0 * L_PER_US_GAL / KG_PER_LB


def density_of_proof(proof: float) -> float:
    return s.density_kg_per_m3(mass_fraction_from_proof(proof), s.SIXTY_F_C)


def dilution_water(from_vol_pct: float, to_vol_pct: float, t_c: float, **volume: float) -> float:
    """Volume of water at the basis temperature, all volumes and strengths on that basis."""
    before, after = (mass_fraction_from_vol(pct, t_c) for pct in (from_vol_pct, to_vol_pct))
    spirit = volume.get("spirit_vol") or volume["final_vol"] * to_vol_pct / from_vol_pct
    spirit_mass = spirit * s.density_kg_per_m3(before, t_c)
    return spirit_mass * (before / after - 1.0) / s.density_kg_per_m3(0.0, t_c)


def apparent_from_difference(oe: float, re_minus_ae: float) -> float:
    """Apparent extract at which real minus apparent extract is as given."""
    return float(brentq(lambda ae: s.real_extract(oe, ae) - ae - re_minus_ae, -5.0, oe, xtol=1e-13))


def alcohol_from_difference(oe: float, re_minus_ae: float) -> float:
    real = s.real_extract(oe, apparent_from_difference(oe, re_minus_ae))
    return s.alcohol_pct_mass(oe, real)


def degrees_per_kg(plato: float) -> float:
    """Litre-degrees, (SG - 1) x 1000 x L, for a kilogram of extract."""
    sg = s.sg_from_plato(plato)
    return (sg - 1.0) * 1000.0 / s.extract_kg(1.0, sg)


def azeotrope() -> float:
    return float(brentq(lambda x: s.vapour_mole_fraction(x) - x, 0.5, 0.99, xtol=1e-10))


def moles_left(curve, x_charge: float, x_residue: float) -> float:
    """Residue as a share of the charge, in moles, from the ethanol left at two points of a run."""
    ethanol = curve.log_ethanol_at(np.array([x_charge, x_residue]))
    return math.exp(ethanol[1] - ethanol[0]) * x_charge / x_residue


def mean_distillate(curve, x_charge: float, x_residue: float) -> float:
    left = moles_left(curve, x_charge, x_residue)
    return (x_charge - left * x_residue) / (1.0 - left)


def constant_volatility(alpha: float):
    return curve_from_vapour(lambda x: alpha * x / (1.0 + (alpha - 1.0) * x))


def larkin_excess_enthalpy(x: float, t_k: float) -> float:
    """J. A. Larkin, J. Chem. Thermodynamics 7 (1975) 137-148, J/mol (coefficients: public transcription)."""
    powers = (0.0, 0.5, 1.5, 2.5, 4.5)
    coefficients = (
        (-3.63868e5, 1.83829e3, -2.32763),
        (9.25982e5, -4.83586e3, 6.37228),
        (-14.04894e5, 7.51661e3, -10.11280),
        (10.91318e5, -5.89498e3, 7.98868),
        (-2.79986e5, 1.50557e3, -2.03127),
    )
    terms = (
        (a + b * t_k + c * t_k**2) * x**power for (a, b, c), power in zip(coefficients, powers, strict=True)
    )
    return x * (1.0 - x) * sum(terms)


def water_mass(volume_l: float, abv: float) -> float:
    return s.mass_kg_from_volume_l(volume_l, abv) - s.ethanol_kg_from_lpa(s.lpa(volume_l, abv))


HEXOSE_G_TO_ETHANOL = s.LPA_PER_KG_HEXOSE * s.ETHANOL_20C_KG_PER_M3 / 1000.0

HANDLERS: dict[str, Callable[..., float]] = {
    # alcoholometry
    "density": lambda mass_pct, t_c: s.density_kg_per_m3(mass_pct / 100.0, t_c),
    "density_relative_to_4c": lambda mass_pct, t_c: s.density_kg_per_m3(mass_pct / 100.0, t_c) / WATER_4C,
    "density_in_air": lambda mass_pct, t_c: in_air(s.density_kg_per_m3(mass_pct / 100.0, t_c)),
    "mass_pct_from_density": lambda density_kg_m3, t_c: (
        100.0 * s.mass_fraction_from_density(density_kg_m3, t_c)
    ),
    "mass_pct_from_density_relative_to_4c": lambda d_20_4: (
        100.0 * s.mass_fraction_from_density(d_20_4 * WATER_4C, 20.0)
    ),
    "mass_pct_from_vol_pct": lambda vol_pct, vol_basis_c: (
        100.0 * mass_fraction_from_vol(vol_pct, vol_basis_c)
    ),
    "vol_pct_from_mass_pct": lambda mass_pct, vol_basis_c: vol_from_mass_fraction(
        mass_pct / 100.0, vol_basis_c
    ),
    "sg_air": lambda mass_pct, t_c, ref_c: (
        (s.density_kg_per_m3(mass_pct / 100.0, t_c) - AIR) / (s.density_kg_per_m3(0.0, ref_c) - AIR)
    ),
    "sg_vacuum": lambda vol_pct, vol_basis_c, t_c, ref_c: (
        s.density_kg_per_m3(mass_fraction_from_vol(vol_pct, vol_basis_c), t_c)
        / s.density_kg_per_m3(0.0, ref_c)
    ),
    "contraction": lambda vol_pct, vol_basis_c: (
        vol_pct
        + 100.0
        * (1.0 - (p := mass_fraction_from_vol(vol_pct, vol_basis_c)))
        * s.density_kg_per_m3(p, vol_basis_c)
        / s.density_kg_per_m3(0.0, vol_basis_c)
        - 100.0
    ),
    "dilution_water_volume": dilution_water,
    "dilution_water_mass": lambda spirit_lb, from_proof, to_proof: (
        spirit_lb * (mass_fraction_from_proof(from_proof) / mass_fraction_from_proof(to_proof) - 1.0)
    ),
    # What an instrument of a 60 degF scale shows: the reading whose correction is the true strength.
    "hydrometer_indication": lambda true_vol_pct, t_f: brentq(
        lambda shown: (
            s.proof_from_abv(s.abv_from_proof_reading(2.0 * shown, celsius(t_f))) / 2.0 - true_vol_pct
        ),
        *sorted((true_vol_pct, true_vol_pct + (9.0 if t_f > 60.0 else -9.0))),
    ),
    "true_proof": lambda hydrometer_proof, t_f: s.proof_from_abv(
        s.abv_from_proof_reading(hydrometer_proof, celsius(t_f))
    ),
    "water_parts": lambda proof: (
        100.0
        * (1.0 - mass_fraction_from_proof(proof))
        * density_of_proof(proof)
        / s.density_kg_per_m3(0.0, s.SIXTY_F_C)
    ),
    "lb_per_wine_gallon": lambda proof: lb_per_gallon(density_of_proof(proof)),
    "wine_gallons_per_lb": lambda proof: 1.0 / lb_per_gallon(density_of_proof(proof)),
    "proof_gallons_per_lb": lambda proof: proof / 100.0 / lb_per_gallon(density_of_proof(proof)),
    "proof_gallons": lambda proof, weight_lb: (
        weight_lb * proof / 100.0 / lb_per_gallon(density_of_proof(proof))
    ),
    "volume_factor_60f": lambda proof, t_f: (
        s.density_kg_per_m3(mass_fraction_from_proof(proof), celsius(t_f)) / density_of_proof(proof)
    ),
    # A fraction of an ounce counts as a whole one (27 CFR 30.44); printed in hundredths of a pound.
    "fill_weight_lb": lambda proof, wine_gallons: (
        math.ceil(lb_per_gallon(density_of_proof(proof)) * wine_gallons * 16.0) / 16.0
    ),
    "obscuration": lambda residue_g, sample_ml: s.obscuration_proof(residue_g * 100.0 / sample_ml),
    "volume_at_20c": lambda volume_cm3, t_c, mass_pct: s.volume_at_20c(
        volume_cm3, s.abv_from_mass_fraction(mass_pct / 100.0), t_c
    ),
    # gravity and extract
    "apparent_sg_from_brix": lambda brix: (
        (s.sucrose_density_kg_per_m3(brix / 100.0, 20.0) - AIR) / (s.water_density_kg_per_m3(20.0) - AIR)
    ),
    "sucrose_solution_lb_per_us_gal": lambda brix: lb_per_gallon(
        s.sucrose_density_kg_per_m3(brix / 100.0, 20.0)
    ),
    "sucrose_lb_per_us_gal": lambda brix: (
        brix / 100.0 * lb_per_gallon(s.sucrose_density_kg_per_m3(brix / 100.0, 20.0))
    ),
    "degrees_per_g_per_100ml": lambda plato: degrees_per_kg(plato) / 100.0,
    "litre_degrees_per_kg_pure_extract": degrees_per_kg,
    "plato_from_sg": s.plato_from_sg,
    "hydrometer_correction_1e3_sg": lambda t_c, reading, reference_c: (
        1000.0 * (s.sg_from_reading(reading, t_c, reference_c) - reading)
    ),
    # fermentation
    "balling_real_attenuation_from_difference": lambda oe, re_minus_ae: (
        oe - s.real_extract(oe, apparent_from_difference(oe, re_minus_ae))
    ),
    "balling_alcohol_from_difference": alcohol_from_difference,
    "balling_alcohol_factor_c": lambda oe: alcohol_from_difference(oe, 0.5) / 0.5,
    # His example reads the table's column for 12 degP, not for the answer's 11.879.
    "balling_original_extract": lambda ae, re, table_oe: (
        re + table_oe - s.real_extract(table_oe, apparent_from_difference(table_oe, re - ae))
    ),
    "balling_slope": lambda: (
        100.0 * (10.0 / s.alcohol_pct_mass(10.0, 0.0) - 20.0 / s.alcohol_pct_mass(20.0, 0.0)) / 10.0
    ),
    "co2_per_g_ethanol": lambda: s.CO2_PER_ETHANOL,
    "co2_from_100_parts_extract": lambda: 100.0 * s.CO2_PER_ETHANOL / s.EXTRACT_PER_ETHANOL,
    "dry_yeast_from_100_parts_extract": lambda: (
        100.0 - 100.0 * (1.0 + s.CO2_PER_ETHANOL) / s.EXTRACT_PER_ETHANOL
    ),
    "ethanol_from_100_parts_hexose": lambda: 100.0 * HEXOSE_G_TO_ETHANOL,
    "co2_from_100_parts_hexose": lambda: 100.0 - 100.0 * HEXOSE_G_TO_ETHANOL,
    "max_alcohol_mass_from_extract": lambda extract_pct, material: (
        extract_pct * s.MAX_LPA_PER_KG_EXTRACT * s.ETHANOL_20C_KG_PER_M3 / 1000.0
    ),
    "disaccharide_to_hexose_factor": lambda: s.LPA_PER_KG_SUCROSE / s.LPA_PER_KG_HEXOSE,
    "alcohol_pct_mass_from_original_and_apparent": lambda oe, ae, data: s.alcohol_pct_mass(
        oe, s.real_extract(oe, ae)
    ),
    "real_extract_from_original_and_apparent": lambda oe, ae, data: s.real_extract(oe, ae),
    "spirit_yield_factor": lambda: s.predicted_spirit_yield(100.0, 1.0),
    "predicted_spirit_yield": lambda se, f: s.predicted_spirit_yield(se, f),
    "starch_us_gal_per_short_ton": lambda: s.LPA_PER_KG_STARCH * LB_PER_SHORT_TON * KG_PER_LB / L_PER_US_GAL,
    "ethanol_from_starch_theoretical": lambda: s.LPA_PER_KG_STARCH,
    "ethanol_from_sucrose_theoretical": lambda: s.LPA_PER_KG_SUCROSE,
    "ethanol_from_hexose_theoretical": lambda: s.LPA_PER_KG_HEXOSE,
    "lpa_per_tonne_per_pct_extract": lambda: 10.0 * s.MAX_LPA_PER_KG_EXTRACT,
    "wash_abv": lambda og, fg: s.wash_abv(og, fg),
    # equilibrium and run
    "vapour_mole_fraction": lambda x, kpa: s.vapour_mole_fraction(x, 0.0, kpa),
    "boiling_temperature": lambda kpa, x=math.nan, abv=math.nan: s.boiling_temperature_c(
        s.abv_from_mole_fraction(x) if math.isnan(abv) else abv, kpa
    ),
    "azeotrope_mole_fraction": lambda kpa: azeotrope(),
    "azeotrope_temperature": lambda kpa: s.boiling_temperature_c(s.abv_from_mole_fraction(azeotrope()), kpa),
    "mole_fraction_from_abv": lambda abv: s.mole_fraction_from_abv(abv),
    "vapour_abv": lambda abv, stages: s.vapour_abv(abv, stages),
    "rayleigh_integral": lambda x_charge, x_residue: (
        -math.log(moles_left(curve_of_still(0.0), x_charge, x_residue))
    ),
    "rayleigh_residue": lambda x_charge, x_residue: (
        100.0 * moles_left(curve_of_still(0.0), x_charge, x_residue)
    ),
    "rayleigh_mean_distillate": lambda x_charge, x_residue: mean_distillate(
        curve_of_still(0.0), x_charge, x_residue
    ),
    "rayleigh_constant_volatility_charge_over_residue": lambda volatility, x_charge, x_residue: (
        1.0 / moles_left(constant_volatility(volatility), x_charge, x_residue)
    ),
    "rayleigh_constant_volatility_mean_distillate": lambda volatility, x_charge, x_residue: mean_distillate(
        constant_volatility(volatility), x_charge, x_residue
    ),
    "spout_abv_first": lambda charge_l, charge_abv, stages, lpa_frac: s.run_curve(
        charge_l, charge_abv, stages, lpa_frac
    ),
    "spout_abv": lambda charge_l, charge_abv, stages, lpa_frac: s.run_curve(
        charge_l, charge_abv, stages, lpa_frac
    ),
    "lpa_frac_at_spout": lambda charge_abv, stages, spout_abv: s.lpa_frac_at_spout(
        charge_abv, stages, spout_abv
    ),
    "jar_abv": lambda charge_l, charge_abv, stages, jar_l, jar: s.jar_strengths(
        charge_l, charge_abv, stages, [jar_l] * int(jar)
    )[-1],
    "strip_recovery": lambda wash_abv, stages, stop_abv: (
        s.strip_run(wash_abv, stages, stop_abv).recovery_frac
    ),
    "strip_low_wines_abv": lambda wash_abv, stages, stop_abv: (
        s.strip_run(wash_abv, stages, stop_abv).low_wines_abv_pct_vol
    ),
    "strip_volume_fraction": lambda wash_abv, stages, stop_abv: (
        s.strip_run(wash_abv, stages, stop_abv).volume_frac
    ),
    "strip_end_temperature": lambda wash_abv, stages, stop_abv: (
        s.strip_run(wash_abv, stages, stop_abv).pot_end_c
    ),
    # proofing
    "excess_enthalpy": larkin_excess_enthalpy,
    "mixing_rise": lambda from_abv, to_abv: s.mixing_rise_c(from_abv, to_abv),
    "water_per_litre": lambda from_abv, to_abv: s.water_to_dilute(1.0, from_abv, to_abv).water_kg,
    "uncorrected_reading_error": lambda from_abv, to_abv: (
        s.reading_from_abv(to_abv, 20.0 + s.mixing_rise_c(from_abv, to_abv)) - to_abv
    ),
    "reading_change_per_k": lambda abv: s.reading_from_abv(abv, 20.5) - s.reading_from_abv(abv, 19.5),
    # casks
    "annual_lpa_loss": lambda from_l, from_abv, to_l, to_abv, years: s.annual_loss_frac(
        s.lpa(from_l, from_abv), s.lpa(to_l, to_abv), years
    ),
    "annual_volume_loss": lambda from_l, from_abv, to_l, to_abv, years: s.annual_loss_frac(
        from_l, to_l, years
    ),
    "annual_water_loss": lambda from_l, from_abv, to_l, to_abv, years: s.annual_loss_frac(
        water_mass(from_l, from_abv), water_mass(to_l, to_abv), years
    ),
    "loss_scaling": lambda loss_pct, from_l, to_l: 100.0 * s.scaled_loss_frac(loss_pct / 100.0, from_l, to_l),
    "strength_drift_1y": lambda abv, ethanol_rate, water_rate: (
        s.aged_abv(abv, ethanol_rate, water_rate, 1.0) - abv
    ),
}


def computed(row: Row) -> float:
    return float(HANDLERS[row.quantity](**row.inputs))


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_check_value_is_met(row: Row) -> None:
    assert computed(row) == pytest.approx(row.value, abs=row.tolerance, rel=0.0), row.source


def test_every_row_is_handled_and_no_handler_is_idle() -> None:
    assert {row.quantity for row in ROWS} == set(HANDLERS)
    assert {row.basis for row in ROWS} == {"published", "computed"}


def test_left_out_quantities_have_a_reason_and_are_not_handled() -> None:
    with (DATA / "left_out.csv").open(encoding="utf-8", newline="") as file:
        left_out = list(csv.DictReader(file))
    assert all(line["why"].strip() and line["subject"] in SUBJECTS for line in left_out)
    assert not {line["quantity"] for line in left_out} & set(HANDLERS)
    # What was read in all: a row that gets lost between the two lists changes this sum.
    assert len(ROWS) + sum(int(line["rows"]) for line in left_out) == 418


def test_summary_by_source() -> None:
    """Prints, under -s, the number of rows and the worst difference by source; all are within tolerance."""
    worst: dict[tuple[str, str], tuple[int, float, str]] = {}
    for row in ROWS:
        difference = abs(computed(row) - row.value)
        count, largest, where = worst.get((row.basis, row.source), (0, -1.0, ""))
        share = difference / row.tolerance
        text = f"{row.quantity} {difference:.2g} of {row.tolerance:g}"
        worst[row.basis, row.source] = (count + 1, max(share, largest), text if share > largest else where)
    print(f"\n{'basis':9} rows  worst of allowed")
    for (basis, source), (count, _, where) in sorted(worst.items()):
        print(f"{basis:9} {count:4}  {where}  [{source[:80]}]")
    assert sum(count for count, _, _ in worst.values()) == len(ROWS)
    assert max(share for _, share, _ in worst.values()) <= 1.0
