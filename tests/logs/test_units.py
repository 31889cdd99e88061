"""Units against the documents that define them, and against scipy's constants."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from scipy import constants

from pipeline.logs import LogFrames
from pipeline.logs.units import QUANTITIES, Quantity, unit_key

Read = Callable[..., LogFrames]

# What one unit is worth, and the document that says so. Exact values, so compared to the last bits.
PUBLISHED = [
    # NIST Handbook 44 (2024), appendix C, "General tables of units of measurement":
    ("mass", "lb", 0.45359237),
    ("mass", "oz", 0.028349523125),
    ("volume", "gal", 3.785411784),
    ("volume", "qt", 0.946352946),
    # Weights and Measures Act 1985 (United Kingdom), schedule 1, part IV: the gallon is 4.54609 dm3.
    ("volume", "impgal", 4.54609),
    # SI brochure, 9th edition (2019), table 8: tonne, litre, minute, hour, day.
    ("mass", "t", 1000.0),
    ("mass", "g", 0.001),
    ("volume", "mL", 0.001),
    ("volume", "hL", 100.0),
    ("volume", "m3", 1000.0),
    ("duration", "h", 60.0),
    ("duration", "d", 1440.0),
    ("duration", "s", 1 / 60),
]

# scipy.constants gives SI base units: kg, m3, s.
IN_SCIPY = [
    ("mass", "lb", constants.lb),
    ("mass", "oz", constants.oz),
    ("mass", "t", constants.metric_ton),
    ("mass", "g", constants.gram),
    ("volume", "gal", constants.gallon / constants.liter),
    ("volume", "impgal", constants.gallon_imp / constants.liter),
    ("volume", "L", 1.0),
    ("duration", "h", constants.hour / constants.minute),
    ("duration", "d", constants.day / constants.minute),
]


def _worth(quantity: str, symbol: str, number: float) -> float:
    unit = QUANTITIES[quantity].by_key()[unit_key(symbol)]
    return (number - unit.zero) * unit.factor


@pytest.mark.parametrize(("quantity", "symbol", "worth"), PUBLISHED)
def test_unit_is_worth_what_its_definition_says(quantity: str, symbol: str, worth: float) -> None:
    assert _worth(quantity, symbol, 1.0) == pytest.approx(worth, rel=1e-15)


@pytest.mark.parametrize(("quantity", "symbol", "worth"), IN_SCIPY)
def test_unit_agrees_with_scipy(quantity: str, symbol: str, worth: float) -> None:
    assert _worth(quantity, symbol, 1.0) == pytest.approx(worth, rel=1e-12)


@pytest.mark.parametrize("number", [-40.0, 0.0, 32.0, 60.0, 68.0, 98.6, 212.0])
def test_fahrenheit_agrees_with_scipy(number: float) -> None:
    expected = constants.convert_temperature(number, "Fahrenheit", "Celsius")
    assert _worth("temperature", "F", number) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("number", [250.0, 273.15, 293.15, 373.15])
def test_kelvin_agrees_with_scipy(number: float) -> None:
    expected = constants.convert_temperature(number, "Kelvin", "Celsius")
    assert _worth("temperature", "K", number) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("quantity", QUANTITIES.values(), ids=lambda each: each.name)
def test_no_spelling_means_two_units(quantity: Quantity) -> None:
    spellings = [unit_key(name) for unit in quantity.units for name in (unit.symbol, *unit.also)]
    assert len(quantity.by_key()) == len(set(spellings))


@pytest.mark.parametrize(
    ("cell", "litres"),
    [
        ("5", 5.0),
        ("5 L", 5.0),
        ("5l", 5.0),
        ("5 gal", 18.92705892),
        ("5 US gal", 18.92705892),
        ("1 impgal", 4.54609),
        ("2 hL", 200.0),
        ("250 mL", 0.25),
        ("0.3 m³", 300.0),
        ("4 qt", 3.785411784),
        (".5", 0.5),
        ("5.", 5.0),
        ("+5", 5.0),
        ("1e2", 100.0),
        ("0", 0.0),
    ],
)
def test_volume_in_a_cell(read: Read, cell: str, litres: float) -> None:
    frames = read(f"batch,step,volume\nB1,sparge,{cell}\n")
    assert frames.problems.is_empty()
    assert frames.values["batch_value"]["volume_l"].to_list() == [pytest.approx(litres, rel=1e-15)]


@pytest.mark.parametrize(
    ("cell", "reading", "unit"),
    [
        ("62.5", 62.5, "pct_vol"),
        ("62.5 %", 62.5, "pct_vol"),
        ("62.5%vol", 62.5, "pct_vol"),
        ("62.5 % vol", 62.5, "pct_vol"),
        ("125 proof", 125.0, "proof"),
        ("55 %mass", 55.0, "pct_mass"),
    ],
)
def test_strength_keeps_the_unit_it_was_read_in(read: Read, cell: str, reading: float, unit: str) -> None:
    frames = read(f"batch,step,run,cut,volume,strength\nB1,collect,spirit,hearts,2,{cell}\n")
    row = frames.values["batch_value"].row(0, named=True)
    assert (row["strength_reading"], row["strength_unit"]) == (reading, unit)


@pytest.mark.parametrize(
    ("cell", "reading", "unit"),
    [
        ("1.062", 1.062, "sg"),
        ("1.062 SG", 1.062, "sg"),
        ("15.2 P", 15.2, "plato"),
        ("15.2 °P", 15.2, "plato"),
        ("15.2degP", 15.2, "plato"),
        ("15.4 Bx", 15.4, "brix"),
        ("-0.5 P", -0.5, "plato"),
        ("−0.5 P", -0.5, "plato"),
    ],
)
def test_gravity_keeps_the_unit_it_was_read_in(read: Read, cell: str, reading: float, unit: str) -> None:
    frames = read(f"batch,step,gravity\nB1,wash,{cell}\n")
    row = frames.values["batch_value"].row(0, named=True)
    assert (row["gravity_reading"], row["gravity_unit"]) == (reading, unit)


def test_unit_in_the_header_is_for_the_whole_column_and_a_cell_wins(read: Read) -> None:
    frames = read(
        "Batch,STEP,Volume [gal],temperature [F],gravity [degP],minutes [h]\n"
        "B1,sparge,10,168,,\n"
        "B1,sparge,10 L,75 C,,\n"
        "B1,wash,,,15.2,\n"
        "B1,wash,,,1.062 SG,\n"
        "B1,mash,,148,,1.5\n"
    )
    assert frames.problems.is_empty()
    values = frames.values["batch_value"]
    assert values["volume_l"].to_list()[:2] == [pytest.approx(37.85411784), 10.0]
    assert values["temperature_c"].to_list() == [
        pytest.approx((168 - 32) / 1.8),
        75.0,
        None,
        None,
        pytest.approx((148 - 32) / 1.8),
    ]
    assert values["gravity_unit"].to_list() == [None, None, "plato", "sg", None]
    assert values["minutes_min"].to_list()[4] == 90.0


def test_two_files_may_have_different_units_in_their_headers(read: Read, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("batch,step,mass [lb],item\nB1,grain,100,rye malt\n")
    frames = read("batch,step,mass,item\nB2,grain,100,rye malt\n", "b.csv")
    assert frames.values["batch_value"]["mass_kg"].to_list() == [pytest.approx(45.359237), 100.0]


def test_price_takes_the_season_s_currency_and_no_other(read: Read) -> None:
    log = "batch,step,item,mass,price\nB1,grain,rye malt,5,4.20 EUR\nB1,grain,rye malt,5,4.20\n"
    assert read(log, currency="EUR").values["batch_value"]["price"].to_list() == [4.2, 4.2]
    assert read(log, currency="GBP").problems["kind"].to_list() == ["unknown_unit"]


def test_empty_is_not_measured_and_zero_is_a_measurement(read: Read) -> None:
    frames = read("batch,step,run,volume,strength\nB1,residue,strip,250,0\nB1,residue,strip,250,\n")
    assert frames.values["batch_value"]["strength_reading"].to_list() == [0.0, None]
