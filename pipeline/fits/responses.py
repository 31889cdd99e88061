"""What the fits explain, and which choices may explain it: the one list of responses and factors.

A choice made after a figure was settled cannot explain it: yeast is no reason for a mash efficiency.
Knows no data.
"""

from __future__ import annotations

from dataclasses import dataclass

SCORE = "score: "
"""What a flavour attribute's response begins with in the tables: `score: overall`."""


@dataclass(frozen=True)
class Factor:
    """A measured choice: the step it is reported by, and the words for that step."""

    column: str
    step: float
    words: str
    short: str


FACTORS = {
    factor.column: factor
    for factor in (
        Factor("mash_temperature_c", 1.0, "mashing 1 °C warmer", "mash temperature"),
        Factor("ferment_temperature_c", 1.0, "fermenting 1 °C warmer", "fermentation temperature"),
        Factor("pitch_g_per_kg", 0.5, "pitching 0.5 g more yeast per kg of grain", "pitch"),
        Factor("rest_days", 1.0, "resting the wash 1 day longer", "rest"),
        Factor("spirit_charge_abv_pct_vol", 1.0, "charging 1 %vol stronger", "charge strength"),
        Factor("feints_share_frac", 0.1, "10 points more feints in the charge", "feints in the charge"),
        Factor("hearts_start_pct_vol", -1.0, "beginning hearts 1 %vol lower (later)", "start of hearts"),
        Factor("hearts_end_pct_vol", -1.0, "ending hearts 1 %vol lower (later)", "end of hearts"),
        Factor("age_years", 1.0, "a year more in the cask", "age"),
        Factor("capacity_l", 10.0, "a cask 10 L larger", "cask size"),
    )
}


@dataclass(frozen=True)
class Response:
    """A figure to explain. Factors stand in the order in which they are given up when batches are few.

    about_frac, about : two values nearer than this are "about the same": a share of the mean, or a size
    is_more_better    : for ranking; None where neither is
    """

    name: str
    words: str
    unit: str
    families: tuple[str, ...]
    factors: tuple[str, ...]
    about_frac: float | None = 0.02
    about: float | None = None
    is_more_better: bool | None = None
    decimals: int = 3


_WORT = ("mash_temperature_c",)
_FERMENT = ("ferment_temperature_c", "pitch_g_per_kg", *_WORT)
_STILL = ("feints_share_frac", "spirit_charge_abv_pct_vol")
_CUTS = ("hearts_end_pct_vol", "hearts_start_pct_vol")
_GRAIN_YEAST = ("grain", "yeast")

RESPONSES = (
    Response("mash_efficiency_frac", "mash efficiency", "%", ("grain",), _WORT, None, 0.01, True, 1),
    Response("real_attenuation_frac", "real attenuation", "%", _GRAIN_YEAST, _FERMENT, None, 0.01, True, 1),
    Response(
        "ferment_efficiency_frac", "ferment efficiency", "%", _GRAIN_YEAST, _FERMENT, None, 0.01, True, 1
    ),
    Response(
        "yield_lpa_per_kg",
        "yield",
        "LPA per kg",
        _GRAIN_YEAST,
        ("ferment_temperature_c", "mash_temperature_c", "rest_days", "pitch_g_per_kg", *_STILL),
        is_more_better=True,
    ),
    Response(
        "hearts_lpa_per_kg",
        "hearts",
        "LPA per kg",
        _GRAIN_YEAST,
        (*_CUTS, *_STILL, *_FERMENT),
        is_more_better=True,
    ),
    Response(
        "hearts_frac",
        "share of the charge in hearts",
        "%",
        _GRAIN_YEAST,
        (*_CUTS, *_STILL),
        None,
        0.01,
        None,
        1,
    ),
    Response("cost_per_lpa", "cost", "per LPA", _GRAIN_YEAST, (), is_more_better=False, decimals=2),
)

_BY_NAME = {response.name: response for response in RESPONSES}


def response_of(name: str, unit_kind: str = "batch") -> Response:
    """The response of that name; a score's families depend on whether a batch or a cask was tasted."""
    if not name.startswith(SCORE):
        return _BY_NAME[name]
    attribute = name.removeprefix(SCORE)
    better = True if attribute == "overall" else None
    families: tuple[str, ...] = _GRAIN_YEAST
    factors: tuple[str, ...] = (
        "hearts_end_pct_vol",
        "rest_days",
        "hearts_start_pct_vol",
        *_STILL,
        "ferment_temperature_c",
    )
    if unit_kind == "cask":
        # The grain comes last: it is asked of casks only where there are enough of them.
        families, factors = ("wood", "yeast", "grain"), ("age_years", "capacity_l")
    words = f"{attribute} (casks)" if unit_kind == "cask" else f"{attribute} (new spirit)"
    return Response(name, words, "points", families, factors, None, 0.5, better, 1)


def is_known(name: str) -> bool:
    """Whether a row of fit.response is one the fits take."""
    return name.startswith(SCORE) or name in _BY_NAME


_FAMILY_WORDS = {
    "grain": "grain bill",
    "yeast": "yeast",
    "process": "process (temperatures, rests, cuts)",
    "wood": "cask wood",
    "setting": "session, still and season",
    "grain with yeast": "grain and yeast working on each other",
}
_CASK_WORDS = {"process": "time in the cask and its size", "setting": "session and season"}


def family_words(family: str, unit_kind: str) -> str:
    """A family of choices in words: what varies of a cask is not what varies of a batch."""
    own = _CASK_WORDS if unit_kind == "cask" else {}
    return own.get(family, _FAMILY_WORDS.get(family, family))
