"""Independent general-purpose libraries: water, ethanol, the boiling mixture, a root finder."""

import warnings
from collections.abc import Callable

import numpy as np
import pytest
from scipy.optimize import brentq

from pipeline import science as s

ATMOSPHERE_PA = 101_325.0


@pytest.fixture(scope="module")
def coolprop() -> Callable[..., float]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from CoolProp.CoolProp import PropsSI
    return PropsSI


@pytest.fixture(scope="module")
def unifac_boiling() -> Callable[[float], tuple[float, float]]:
    """Boiling point [degC] and vapour by thermo's modified UNIFAC (Dortmund): no parameter shared."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from thermo import ChemicalConstantsPackage
        from thermo.unifac import DOUFIP2016, DOUFSG, UNIFAC

        _, properties = ChemicalConstantsPackage.from_IDs(["ethanol", "water"])
        # Dortmund's groups: CH3, CH2 and a primary OH in ethanol; water is a group of its own.
        groups = [{1: 1, 2: 1, 14: 1}, {16: 1}]
        model = UNIFAC.from_subgroups(
            T=350.0,
            xs=[0.5, 0.5],
            chemgroups=groups,
            version=1,
            subgroups=DOUFSG,
            interaction_data=DOUFIP2016,
        )

    def partial_pressures(t_k: float, x: float) -> list[float]:
        gammas = model.to_T_xs(t_k, [x, 1.0 - x]).gammas()
        shares = zip((x, 1.0 - x), gammas, properties.VaporPressures, strict=True)
        return [share * gamma * vapour(t_k) for share, gamma, vapour in shares]

    def boiling(x: float) -> tuple[float, float]:
        t_k = brentq(lambda t: sum(partial_pressures(t, x)) - ATMOSPHERE_PA, 345.0, 375.0)
        return t_k - 273.15, partial_pressures(t_k, x)[0] / ATMOSPHERE_PA

    return boiling


@pytest.mark.parametrize("t_c", np.linspace(0.0, 40.0, 9))
def test_pure_water_agrees_with_iapws(t_c: float) -> None:
    """The formula's water is 0.007 kg/m3 light at most: IPTS-68 water of the 1970s against IAPWS-95."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from iapws import IAPWS95

        expected = IAPWS95(T=t_c + 273.15, P=0.101325).rho
    assert s.density_kg_per_m3(0.0, t_c) == pytest.approx(expected, abs=0.009)
    assert s.water_density_kg_per_m3(t_c) == pytest.approx(expected, abs=0.006)


@pytest.mark.parametrize("t_c", [1.0, 20.0, 40.0, 60.0, 80.0, 95.0])
def test_hot_water_agrees_with_coolprop(coolprop: Callable[..., float], t_c: float) -> None:
    expected = coolprop("D", "T", t_c + 273.15, "P", ATMOSPHERE_PA, "Water")
    assert s.water_density_kg_per_m3(t_c) == pytest.approx(expected, abs=0.009)


@pytest.mark.parametrize("t_c", np.linspace(-20.0, 40.0, 13))
def test_pure_ethanol_agrees_with_coolprop(coolprop: Callable[..., float], t_c: float) -> None:
    """Another equation of state, 0.16 to 0.23 kg/m3 heavier; the legal formula stays 789.239 at 20 degC."""
    expected = coolprop("D", "T", t_c + 273.15, "P", ATMOSPHERE_PA, "Ethanol")
    assert s.density_kg_per_m3(1.0, t_c) == pytest.approx(expected, abs=0.25)


@pytest.mark.parametrize("x", [0.02, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8])
def test_boiling_mixture_agrees_with_modified_unifac(
    unifac_boiling: Callable[[float], tuple[float, float]], x: float
) -> None:
    t_c, y = unifac_boiling(x)
    assert s.boiling_temperature_c(s.abv_from_mole_fraction(x)) == pytest.approx(t_c, abs=0.5)
    assert s.vapour_mole_fraction(x) == pytest.approx(y, abs=0.015)


@pytest.mark.parametrize("t_c", [-20.0, -5.0, 0.0, 20.0, 40.0])
def test_inverse_density_agrees_with_a_bracketing_root_finder(t_c: float) -> None:
    for p in (0.0005, 0.02, 0.11, 0.333, 0.5, 0.77, 0.95, 0.9999):
        rho = s.density_kg_per_m3(p, t_c)
        found = brentq(lambda q, rho=rho: s.density_kg_per_m3(q, t_c) - rho, 0.0, 1.0, xtol=1e-15, rtol=1e-14)
        assert s.mass_fraction_from_density(rho, t_c) == pytest.approx(found, abs=2e-10)


def test_corrected_reading_agrees_with_a_bracketing_root_finder() -> None:
    """Step by step as OIML R 22 defines it, each inverse by brentq."""
    for reading in (0.5, 12.0, 43.0, 63.5, 94.0):
        for t_c in (4.0, 15.0, 26.0, 38.0):
            read = brentq(lambda p, q=reading: s.abv_from_mass_fraction(p) - q, 0.0, 1.0, xtol=1e-15)
            rho = s.density_kg_per_m3(read, 20.0) * (1.0 - 25e-6 * (t_c - 20.0))
            if not s.density_kg_per_m3(1.0, t_c) <= rho <= s.density_kg_per_m3(0.0, t_c):
                assert np.isnan(s.abv_from_reading(reading, t_c))
                continue
            true = brentq(lambda p, rho=rho, t=t_c: s.density_kg_per_m3(p, t) - rho, 0.0, 1.0, xtol=1e-15)
            assert s.abv_from_reading(reading, t_c) == pytest.approx(s.abv_from_mass_fraction(true), abs=1e-9)
