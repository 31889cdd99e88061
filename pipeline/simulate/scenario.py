"""The invented place: Six Gates, a farm co-operative of five smallholdings sharing one still.

Holds typical figures, recipes, people's habits and names, all invented; nothing is drawn at random
here (`world.py` does that) and nobody and no place in it is real. Extract figures are typical trade
values from memory, as `pipeline/logs/catalogue.csv` flags them too; the rest is common practice, no
source, unless a line says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass

TITLE = "Six Gates grain co-operative (invented)"
CURRENCY = "EUR"
ATTRIBUTES = ("fruit", "spice", "cream", "grain", "wood", "overall")


@dataclass(frozen=True)
class Typical:
    """Typical figures of an ingredient: extract on dry matter [%], moisture [%], fermentable share of the
    extract [%]; `mash_loss_frac` is what a mash of it alone would lose to stickiness and slow running."""

    name: str
    kind: str
    extract_pct: float
    moisture_pct: float
    fermentable_pct: float
    has_enzymes: bool
    mash_loss_frac: float
    price_per_kg: float


INGREDIENTS = (
    Typical("distilling malt", "malt", 82.0, 4.5, 87.0, True, 0.00, 0.92),
    Typical("wheat malt", "malt", 84.5, 5.0, 83.0, True, 0.02, 1.05),
    Typical("rye malt", "malt", 85.0, 5.0, 82.0, True, 0.05, 1.18),
    Typical("oat malt", "malt", 65.0, 5.5, 78.0, True, 0.06, 1.35),
    Typical("spelt malt", "malt", 82.0, 5.0, 82.0, True, 0.03, 1.60),
    Typical("raw barley", "unmalted grain", 72.0, 13.0, 82.0, False, 0.04, 0.34),
    Typical("raw rye", "unmalted grain", 74.0, 13.0, 83.0, False, 0.09, 0.31),
    Typical("ground maize", "unmalted grain", 78.0, 13.0, 88.0, False, 0.03, 0.42),
    Typical("flaked oats", "flaked", 70.0, 9.0, 80.0, False, 0.10, 1.10),
    Typical("flaked maize", "flaked", 85.0, 9.0, 87.0, False, 0.02, 1.02),
    Typical("maltose syrup", "syrup", 100.0, 20.0, 80.0, False, 0.00, 1.45),
)

# Grain shares of the mashed mass; `syrup` is kg of syrup per kg of grain added in the fermenter.
RECIPES: dict[str, dict[str, float]] = {
    "Gate barley": {"distilling malt": 1.0},
    "Barley two ways": {"distilling malt": 0.64, "raw barley": 0.36},
    "Bottom field rye": {"raw rye": 0.40, "distilling malt": 0.40, "rye malt": 0.20},
    "Soft wheat": {"wheat malt": 0.45, "distilling malt": 0.40, "flaked maize": 0.15},
    "Oat and barley": {"distilling malt": 0.68, "flaked oats": 0.20, "oat malt": 0.12},
    "Maize and rye": {"ground maize": 0.44, "distilling malt": 0.36, "rye malt": 0.20},
    "Old spelt": {"distilling malt": 0.60, "spelt malt": 0.40},
    "Barley with syrup": {"distilling malt": 1.0},
}
SYRUP = "maltose syrup"
SYRUP_PER_GRAIN = {"Barley with syrup": 0.16}
# Which shared receiver the feints of a recipe go to: pale grains to A, rye and the like to B.
RECEIVER = {"Bottom field rye": "B", "Maize and rye": "B", "Old spelt": "B", "Oat and barley": "B"}


@dataclass(frozen=True)
class YeastKind:
    """A yeast: share of the fermentable extract it reaches at its best temperature [degC]."""

    name: str
    reach_frac: float
    best_c: float
    price_per_pitch: float


YEASTS = (
    YeastKind("distilling yeast", 0.985, 28.0, 9.5),
    YeastKind("wine yeast", 0.985, 28.0, 11.0),
    YeastKind("ale yeast", 0.955, 23.0, 14.0),
    YeastKind("farmhouse yeast", 0.970, 31.0, 12.0),
)
# The tie: this yeast was only ever used with this grain, and the grain only with this yeast.
TIED_YEAST, TIED_GRAIN, TIED_RECIPE = "farmhouse yeast", "spelt malt", "Old spelt"
NULL_YEAST, REFERENCE_YEAST = "wine yeast", "distilling yeast"


@dataclass(frozen=True)
class Habit:
    """How one person keeps the log: units, marks, encoding, and what is not written down."""

    delimiter: str = ","
    decimal_mark: str = "."
    encoding: str = "utf-8"
    newline: str = "\n"
    mass_unit: str = "kg"
    volume_unit: str = "L"
    gravity_unit: str = "SG"
    strength_unit: str = "%vol"
    temperature_unit: str = "C"
    units_in: str = "none"
    reads_warm: bool = True
    is_grain_per_mash: bool = True
    has_batch_column: bool = True
    hearts_vessel_l: float = 0.8
    logs_sludge: bool = False
    logs_residue_strength: bool = False
    logs_spout: bool = True
    logs_boiling: bool = False
    title_case: bool = False


@dataclass(frozen=True)
class Operator:
    """A person at the still: nose and stops (means; the world adds scatter) and log-keeping."""

    name: str
    heads_end_lpa_frac: float
    hearts_end_pct_vol: float
    strip_stop_pct_vol: float
    tails_end_pct_vol: float
    mash_c: float
    habit: Habit


OPERATORS = (
    Operator(
        "Ines",
        0.178,
        62.0,
        6.0,
        12.0,
        65.0,
        Habit(reads_warm=True, logs_residue_strength=True, logs_boiling=True),
    ),
    Operator(
        "Tobin",
        0.165,
        60.0,
        8.0,
        15.0,
        66.0,
        Habit(
            mass_unit="lb",
            volume_unit="gal",
            strength_unit="proof",
            temperature_unit="F",
            units_in="header",
            reads_warm=False,
            newline="\r\n",
            is_grain_per_mash=False,
            title_case=True,
        ),
    ),
    Operator(
        "Marit",
        0.190,
        63.5,
        5.0,
        10.0,
        64.5,
        Habit(
            delimiter=";",
            decimal_mark=",",
            gravity_unit="P",
            has_batch_column=False,
            hearts_vessel_l=12.0,
            logs_sludge=True,
            newline="\r\n",
        ),
    ),
    Operator(
        "Bram",
        0.182,
        61.0,
        7.0,
        14.0,
        65.5,
        Habit(units_in="cell", encoding="utf-8-sig", reads_warm=False, logs_spout=False, logs_sludge=True),
    ),
)
# How often each takes the still, in the order of OPERATORS.
TURNS = (0.4, 0.2, 0.2, 0.2)


@dataclass(frozen=True)
class CaskKind:
    """A sort of cask: loss against oak of the same size, and what the wood drinks in [share of the fill]."""

    wood: str
    toast: str
    char: str
    previous: str
    sizes_l: tuple[float, ...]
    loss_factor: float
    indrink_frac: float


CASK_KINDS = (
    CaskKind("oak", "medium", "", "new", (10.0, 20.0, 30.0, 50.0), 1.00, 0.022),
    CaskKind("chestnut", "light", "", "new", (10.0, 20.0), 1.25, 0.026),
    CaskKind("oak", "", "heavy", "fortified wine", (30.0, 50.0), 0.95, 0.012),
    CaskKind("acacia", "medium", "", "new", (15.0, 20.0), 1.05, 0.018),
)
JAR_WOOD = "glass jar with oak staves"
JAR_SIZE_L = 5.0

PLACES = ("barn loft", "cellar")
ASSESSORS = ("P1", "P2", "P3", "P4", "P5", "P6")
WORDS = {
    "fruit": ("apple", "pear", "plum", "citrus peel"),
    "spice": ("pepper", "clove", "ginger", "caraway"),
    "cream": ("cream", "butter", "soft", "oatmeal"),
    "grain": ("bread crust", "straw", "porridge", "wet grain"),
    "wood": ("vanilla", "new wood", "toast", "tannin"),
}
