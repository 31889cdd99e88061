"""The [next] table of season.toml: what may be proposed for the batches to run next."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class NextSettings:
    """Limits on the batches proposed; see `MEANINGS`. Shares [%] and stocks [kg] by ingredient name."""

    yeasts: tuple[str, ...] = ()
    batch_kg: float = 0.0
    least_enzymes_pct: float = 30.0
    share_pct: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    stock_kg: Mapping[str, float] = field(default_factory=dict)

    def rows(self) -> Iterator[tuple[str, str | None, float | None]]:
        """The limits as rows of `raw.setting`: name, text, number."""
        for number, yeast in enumerate(self.yeasts, start=1):
            yield f"next.yeasts.{number:03d}", yeast, None
        yield "next.batch_kg", None, self.batch_kg
        yield "next.least_enzymes_pct", None, self.least_enzymes_pct
        for name, (low, high) in self.share_pct.items():
            yield f"next.share_pct.{name}", f"{low!r}..{high!r}", None
        for name, mass in self.stock_kg.items():
            yield f"next.stock_kg.{name}", None, mass


MEANINGS: Mapping[str, str] = {
    "next.yeasts": "yeasts that may be proposed for a next batch; [] for all used so far",
    "next.batch_kg": "fermentables of a next batch, kg; 0 for the usual mass",
    "next.least_enzymes_pct": "least share of malt with enzymes in a proposed bill, %; lower it only where "
    "the mash gets enzymes from elsewhere",
    "next.share_pct": 'least and greatest share of an ingredient, %, as { "rye malt" = [0, 40] }; {} for up '
    "to 20 points beyond its highest share so far",
    "next.stock_kg": 'what is left of an ingredient, kg, as { "rye malt" = 25 }; {} for enough of all',
}


def next_settings(table: Mapping[str, object]) -> NextSettings:
    """Read the table. Raises `ValueError` with a sentence that names the setting."""
    for name in table:
        if f"next.{name}" not in MEANINGS:
            raise ValueError(f"`next.{name}` is not a setting. Known: {', '.join(MEANINGS)}.")
    yeasts = table.get("yeasts", [])
    if not isinstance(yeasts, list) or not all(isinstance(yeast, str) for yeast in yeasts):
        raise ValueError(f'`next.yeasts` is {yeasts!r}; write names in quotes, like ["ale yeast"].')
    return NextSettings(
        tuple(yeast.strip() for yeast in yeasts),
        _number(table.get("batch_kg", 0.0), "batch_kg", 0.0, 1e6),
        _number(table.get("least_enzymes_pct", 30.0), "least_enzymes_pct", 0.0, 100.0),
        {name: _share(value, name) for name, value in _names(table, "share_pct")},
        {name: _number(value, f"stock_kg.{name}", 0.0, 1e9) for name, value in _names(table, "stock_kg")},
    )


def _names(table: Mapping[str, object], name: str) -> list[tuple[str, object]]:
    values = table.get(name, {})
    if not isinstance(values, dict):
        raise ValueError(f'`next.{name}` is {values!r}; write ingredients in quotes: {{ "rye malt" = ... }}.')
    return [(str(ingredient), value) for ingredient, value in values.items()]


def _number(value: object, name: str, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise ValueError(f"`next.{name}` is {value!r}; it should be a number from {low:g} to {high:g}.")
    return float(value)


def _share(value: object, name: str) -> tuple[float, float]:
    numbers = [float(each) for each in value if type(each) in (int, float)] if isinstance(value, list) else []
    is_range = isinstance(value, list) and len(value) == len(numbers) == 2
    if not is_range or not 0 <= numbers[0] <= numbers[1] <= 100:
        raise ValueError(
            f"`next.share_pct.{name}` is {value!r}; it should be least and greatest share in %, like [0, 40]."
        )
    return numbers[0], numbers[1]
