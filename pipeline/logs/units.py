"""Units of the logs: every quantity, its default unit, the others and what they are worth.

Conversions here are linear (kg, L, degC, min). Gravity and strength keep the unit they were read in:
what they are worth is physics, and that is done after loading.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

__all__ = ["QUANTITIES", "Quantity", "Unit", "unit_key"]


@dataclass(frozen=True)
class Unit:
    """One unit of a quantity.

    A number in this unit is worth `(number - zero) * factor` in the quantity's default unit.
    `label` is how the unit is called in the tables where a reading keeps its own unit.
    `low` and `high` bound a plausible number in this unit where the quantity's own bounds do not
    carry over (gravity and strength).
    """

    symbol: str
    label: str
    factor: float = 1.0
    zero: float = 0.0
    also: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Quantity:
    """A measurable quantity: its units (default first) and the plausible range in the default unit."""

    name: str
    units: tuple[Unit, ...]
    low: float
    high: float
    keeps_unit: bool = False

    @property
    def default(self) -> Unit:
        """The unit of a number that names none."""
        return self.units[0]

    def by_key(self) -> Mapping[str, Unit]:
        """Every accepted spelling (see `unit_key`) to its unit."""
        return self._by_key

    @cached_property
    def _by_key(self) -> Mapping[str, Unit]:
        return {unit_key(name): unit for unit in self.units for name in (unit.symbol, *unit.also)}

    @property
    def has_units(self) -> bool:
        """Whether a number of this quantity may name a unit that matters."""
        return len(self.units) > 1

    def choices(self) -> str:
        """The units as a person writes them, for a message."""
        names = ", ".join(unit.symbol for unit in self.units)
        return f"one of {names}" if self.has_units else names


def unit_key(text: str) -> str:
    """A unit without case, spaces and ways to write a degree or a cube: `° Plato` is `degplato`."""
    lowered = text.lower().replace("°", "deg").replace("º", "deg").replace("³", "3")
    return re.sub(r"[\s._]+", "", lowered)


# Exact by definition: NIST Handbook 44 (2024), appendix C: avoirdupois pound 0.453 592 37 kg, ounce 1/16 of
# it; gallon 231 cubic inches = 3.785 411 784 L; liquid quart a quarter of it. Imperial gallon 4.546 09 L:
# Weights and Measures Act 1985 (United Kingdom), schedule 1, part IV.
_LB_KG = 0.45359237
_US_GALLON_L = 3.785411784
_IMPERIAL_GALLON_L = 4.54609

# The ranges are ours: wide enough for any still and mash (common practice, no source), narrow enough to
# catch a slipped decimal point or a wrong unit by orders of magnitude.
_MASS = Quantity(
    "mass",
    (
        Unit("kg", "kg", also=("kilo", "kilos", "kilogram", "kilograms")),
        Unit("g", "g", 1e-3, also=("gram", "grams")),
        Unit("t", "t", 1e3, also=("tonne", "tonnes")),
        Unit("lb", "lb", _LB_KG, also=("lbs", "pound", "pounds")),
        Unit("oz", "oz", _LB_KG / 16, also=("ounce", "ounces")),
    ),
    0.0,
    1e5,
)
_VOLUME = Quantity(
    "volume",
    (
        Unit("L", "L", also=("litre", "litres", "liter", "liters", "ltr")),
        Unit("mL", "mL", 1e-3, also=("millilitre", "millilitres", "milliliter", "milliliters")),
        Unit("hL", "hL", 100.0, also=("hectolitre", "hectolitres", "hectoliter", "hectoliters")),
        Unit("m3", "m3", 1e3),
        Unit("gal", "gal", _US_GALLON_L, also=("gallon", "gallons", "usgal", "galus", "gal(us)")),
        Unit("impgal", "impgal", _IMPERIAL_GALLON_L, also=("imperialgallon", "imperialgallons", "galimp")),
        Unit("qt", "qt", _US_GALLON_L / 4, also=("quart", "quarts")),
    ),
    0.0,
    1e6,
)
_GRAVITY = Quantity(
    "gravity",
    (
        Unit("SG", "sg", low=0.78, high=1.55),
        Unit("P", "plato", also=("degP", "Plato", "degPlato"), low=-10.0, high=95.0),
        Unit("Bx", "brix", also=("degBx", "Brix", "degBrix"), low=-10.0, high=95.0),
    ),
    0.78,
    1.55,
    keeps_unit=True,
)
_STRENGTH = Quantity(
    "strength",
    (
        Unit("%vol", "pct_vol", also=("%", "vol%", "%v/v", "%abv", "abv", "%byvol"), low=0.0, high=100.0),
        Unit("proof", "proof", also=("usproof", "proof(us)"), low=0.0, high=200.0),
        Unit("%mass", "pct_mass", also=("mass%", "%m/m", "%w/w", "%wt", "wt%"), low=0.0, high=100.0),
    ),
    0.0,
    100.0,
    keeps_unit=True,
)
_TEMPERATURE = Quantity(
    "temperature",
    (
        Unit("C", "C", also=("degC", "celsius")),
        Unit("F", "F", 5 / 9, 32.0, also=("degF", "fahrenheit")),
        Unit("K", "K", 1.0, 273.15, also=("kelvin",)),
    ),
    -40.0,
    150.0,
)
# Exact by definition: conventional millimetre of mercury 133.322 387 415 Pa, inch 25.4 mm of it (NIST Special
# Publication 811, 2008, appendix B.8). The range: the lowest village still to a deep high at the sea.
_PRESSURE = Quantity(
    "pressure",
    (
        Unit("hPa", "hPa", also=("hectopascal", "hectopascals")),
        Unit("mbar", "mbar", also=("millibar", "millibars", "mb")),
        Unit("kPa", "kPa", 10.0, also=("kilopascal", "kilopascals")),
        Unit("mmHg", "mmHg", 1.33322387415, also=("torr", "mmofmercury")),
        Unit("inHg", "inHg", 1.33322387415 * 25.4, also=("inchesofmercury", '"hg')),
    ),
    600.0,
    1100.0,
)
_POWER = Quantity(
    "power",
    (
        Unit("kW", "kW", also=("kilowatt", "kilowatts")),
        Unit("W", "W", 1e-3, also=("watt", "watts")),
    ),
    0.0,
    5000.0,
)
_RATE = Quantity(
    "take-off rate",
    (
        Unit("L/min", "L/min", also=("lpm", "L/minute", "litres/min")),
        Unit("L/h", "L/h", 1 / 60, also=("lph", "L/hour", "L/hr", "litres/h")),
        Unit("mL/min", "mL/min", 1e-3, also=("ml/minute",)),
        Unit("gal/h", "gal/h", _US_GALLON_L / 60, also=("gph", "gal/hour", "gal/hr")),
    ),
    0.0,
    1000.0,
)
_DURATION = Quantity(
    "duration",
    (
        Unit("min", "min", also=("mins", "minute", "minutes")),
        Unit("h", "h", 60.0, also=("hr", "hrs", "hour", "hours")),
        Unit("d", "d", 1440.0, also=("day", "days")),
        Unit("s", "s", 1 / 60, also=("sec", "secs", "second", "seconds")),
    ),
    0.0,
    525_600.0,
)
_PERCENT = Quantity("percentage", (Unit("%", "%", also=("percent", "pct")),), 0.0, 100.0)
_EXTRACT = Quantity("extract", (Unit("%", "%", also=("percent", "pct")),), 0.0, 115.0)
_PH = Quantity("pH", (Unit("pH", "pH"),), 0.0, 14.0)
_PRICE = Quantity("price", (Unit("the season's currency", "currency"),), 0.0, 1e9)
_ORDER = Quantity("serving order", (Unit("(a whole number)", "count"),), 1.0, 10_000.0)

QUANTITIES: Mapping[str, Quantity] = {
    quantity.name: quantity
    for quantity in (
        _MASS,
        _VOLUME,
        _GRAVITY,
        _STRENGTH,
        _TEMPERATURE,
        _PRESSURE,
        _POWER,
        _RATE,
        _DURATION,
        _PH,
        _PERCENT,
        _EXTRACT,
        _PRICE,
        _ORDER,
    )
}
"""Every quantity that a log can hold, by name."""
