"""Where the formulas and numbers of `pipeline.science` come from.

One frozen record a source; a function names its own with `@cites(...)`, and `sources_of` gives them back,
so that a page or a test can list them. How well each is established is said in `standing`: an original
read, a transcription, common practice, or from memory. It holds no formula.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

Function = TypeVar("Function", bound=Callable[..., object])


@dataclass(frozen=True)
class Source:
    """A publication or a convention, and how it was read."""

    key: str
    title: str
    where: str
    standing: str


OIML_R_22 = Source(
    "OIML_R_22",
    "OIML R 22, International alcoholometric tables (1973/75); as Council Directive 76/766/EEC",
    "general formula; Annex point 4 of the directive; Annex 1 part A of Czech decree 141/1997 Sb.",
    "A_k, B_k, C_1,k, C_2,k and the first two of C_3,k, C_4,k, C_5,k read in law texts; "
    "C_3,3-9 and C_4,3-4 are transcriptions that agree",
)
ISO_1768 = Source(
    "ISO_1768",
    "ISO 1768:1975, Glass hydrometers: conventional value for the thermal cubic expansion coefficient",
    "25e-6 per kelvin",
    "value read; its use (true density = density read x (1 - alpha (t - 20))) is from memory, and "
    "borne out by the examples of 27 CFR part 30, Table 1",
)
CFR_27_30 = Source(
    "CFR_27_30",
    "27 CFR part 30, Gauging manual (USA)",
    "30.11 (proof, proof gallon), 30.23, 30.32 (obscuration), Tables 1 and 4 to 7",
    "definitions and printed examples read",
)
EU_ALCOHOLIC_STRENGTH = Source(
    "EU_ALCOHOLIC_STRENGTH",
    "Council Directive 76/766/EEC, Annex: definition of alcoholic strength by volume and by mass",
    "points 1 and 2: both volumes at 20 °C",
    "read",
)
ASBC_TABLE_CUBIC = Source(
    "ASBC_TABLE_CUBIC",
    "Cubic fitted to the ASBC extract table: P = -616.868 + 1111.14 SG - 630.272 SG^2 + 135.997 SG^3",
    "quoted in encyclopaedic articles on the Brix and Plato scales",
    "secondary copy; the table itself was not opened",
)
ICUMSA_SUCROSE = Source(
    "ICUMSA_SUCROSE",
    "ICUMSA density of sucrose solutions, SPS-4 (coefficients as in two public transcriptions)",
    "polynomial in mass fraction and temperature",
    "transcription; the nominal range 0 to 80 °C is from memory",
)
KELL_1975 = Source(
    "KELL_1975",
    "Density of air-free water, rational formula in temperature, as used with the ICUMSA sucrose densities",
    "0 to 150 °C at 101.325 kPa",
    "transcription; attribution to G. S. Kell (1975) and the range are from memory",
)
BALLING = Source(
    "BALLING",
    "C. J. N. Balling, Die Gaehrungschemie (19th century), brewing volume and volume 3",
    "p. 370 of volume 3 (the balance), p. 483 (alcohol equation), Tables A and B",
    "scan read; the constant 206.65 and the rule q = 1.220 + 0.001 OE are read off his Tables A and B",
)
STOICHIOMETRY = Source(
    "STOICHIOMETRY",
    "Sugar to two ethanol and two carbon dioxide; molar masses of the elements",
    "C 12.011, H 1.008, O 15.999 g/mol",
    "computed",
)
BRINGHURST_1996 = Source(
    "BRINGHURST_1996",
    "Bringhurst, Brosnan, McInnes, Steele, J. Inst. Brew. 102 (1996) 433-437",
    "doi 10.1002/j.2050-0416.1996.tb00927.x: factor 6.06 LPA per tonne per % fermentable extract",
    "abstract read",
)
VAN_LAAR_FIT = Source(
    "VAN_LAAR_FIT",
    "van Laar equation with A = 1.670, B = 0.9025, fitted to 49 published isobaric ethanol-water points",
    "Carey & Lewis, Ind. Eng. Chem. 24 (1932) 882, and Hala et al., VLE Data at Normal Pressures (1968)",
    "fit computed for this project; data read in public transcriptions",
)
DE_NEVERS = Source(
    "DE_NEVERS",
    "N. de Nevers, Physical and Chemical Equilibrium for Chemical Engineers, Example 8.12",
    "Antoine constants of ethanol and water, mmHg and °C",
    "transcription",
)
RAYLEIGH = Source(
    "RAYLEIGH",
    "Simple batch distillation, ln(F/W) = integral of dx/(y - x); textbook equation (Lord Rayleigh, 1902)",
    "worked example of Perry's Handbook section 13 recomputed",
    "attribution from memory, numbers of the example read",
)
LARKIN_1975 = Source(
    "LARKIN_1975",
    "J. A. Larkin, J. Chem. Thermodynamics 7 (1975) 137-148, excess enthalpy of water + ethanol",
    "correlation H^E(x, T), 298 to 383 K",
    "form read, coefficients a public transcription; about 5 % uncertain",
)
MASS_CONSERVED = Source(
    "MASS_CONSERVED",
    "Conservation of mass: masses and litres of pure alcohol add, volumes do not",
    "with the densities of OIML R 22",
    "computed",
)

#: Every source, by key.
SOURCES: dict[str, Source] = {
    value.key: value for value in list(globals().values()) if isinstance(value, Source)
}

_SOURCES_OF: dict[str, tuple[Source, ...]] = {}


def cites(*sources: Source) -> Callable[[Function], Function]:
    """Record which sources a function rests on; the function itself is returned unchanged."""

    def mark(function: Function) -> Function:
        _SOURCES_OF[function.__name__] = sources
        return function

    return mark


def sources_of(function_name: str) -> tuple[Source, ...]:
    """Sources of a public science function, by its name; an unknown name is a KeyError.

    >>> [source.key for source in sources_of("density_kg_per_m3")]
    ['OIML_R_22']
    """
    return _SOURCES_OF[function_name]
