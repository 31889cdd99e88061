"""The season's settings: `season.toml`, read and checked.

Holds what a distiller sets once a season: how dates are written, where a season starts, which
temperature the hydrometer was made for, how good the instruments are. Every setting has a
default, so that the file is optional. Knows no logs and no tables.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from datetime import date
from pathlib import Path
from typing import Any

from pipeline.next_settings import MEANINGS as NEXT_MEANINGS
from pipeline.next_settings import NextSettings, next_settings

SETTINGS_FILE_NAME = "season.toml"

_DATE_ORDERS = ("", "dmy", "mdy")


class SettingsError(ValueError):
    """A season.toml that cannot be used; the message says where and how to mend it."""


@dataclass(frozen=True)
class InstrumentUncertainty:
    """Standard uncertainties (one standard deviation) of the distiller's instruments.

    The defaults are common practice, no source: a good brewing-trade hydrometer, a glass
    alcoholometer, a kitchen-grade thermometer, marked vessels, a platform scale.
    """

    gravity_sg: float = 0.0005
    strength_pct_vol: float = 0.3
    temperature_c: float = 0.5
    volume_frac: float = 0.01
    mass_frac: float = 0.005
    # How far Balling's balance is off for one wash, however well it is read (common practice, no source).
    wash_model_pct_vol: float = 0.1
    # How far a jar that nobody measured is from the others of its cut (common practice, no source).
    unread_frac: float = 0.3


@dataclass(frozen=True)
class CutSettings:
    """What the distiller means the cuts to be, and how they are judged; an empty range is no target."""

    hearts_start_pct_vol: tuple[float, ...] = ()
    hearts_end_pct_vol: tuple[float, ...] = ()
    hearts_frac: tuple[float, ...] = ()
    baseline_runs: float = 0.0
    rules: str = "one"


@dataclass(frozen=True)
class Settings:
    """What a distiller sets once a season; see `describe_settings` for each meaning."""

    title: str = ""
    currency: str = ""
    date_order: str = ""
    season_starts: str = "01-01"
    hydrometer_reference_c: float = 20.0
    bottle_l: float = 0.7
    bottle_pct_vol: float = 43.0
    cask_loss_200l_frac: float = 0.02
    forecast_on: str = ""
    reconcile: bool = True
    uncertainty: InstrumentUncertainty = field(default_factory=InstrumentUncertainty)
    cuts: CutSettings = field(default_factory=CutSettings)
    next: NextSettings = field(default_factory=NextSettings)
    words: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def load(cls, path: Path | None) -> Settings:
        """Read the settings file at `path`; the defaults when `path` is None.

        Raises `SettingsError` with a sentence when the file cannot be read, is not TOML, or
        holds a name or a value that no setting takes.
        """
        if path is None:
            return cls()
        try:
            document = tomllib.loads(path.read_text(encoding="utf-8-sig"))
        except FileNotFoundError as error:
            raise SettingsError(f"{path}: there is no such settings file.") from error
        except (OSError, UnicodeDecodeError) as error:
            raise SettingsError(f"{path}: the settings cannot be read ({error}).") from error
        except tomllib.TOMLDecodeError as error:
            raise SettingsError(
                f'{path}: this is not TOML ({error}). A setting is written like: currency = "EUR"'
            ) from error
        return _settings_from_document(document, path)

    @classmethod
    def find(cls, folder: Path) -> Settings:
        """The settings in `folder`/season.toml, or the defaults when there is no such file.

        Raises `SettingsError` when it is a link: nothing outside the folder is read unless it is named.
        """
        path = folder / SETTINGS_FILE_NAME
        if path.is_symlink():
            raise SettingsError(
                f"{path} is a symbolic link and is not followed. Put the file itself there, or name it with "
                "--settings."
            )
        return cls.load(path if path.is_file() else None)


MEANINGS: Mapping[str, str] = {
    "title": "heading of the report",
    "currency": "the word or code printed beside prices",
    "date_order": "'dmy' or 'mdy' where dates are written like 14/09/2025; empty: such dates are a problem",
    "season_starts": "month and day a season begins, 'MM-DD'; '01-01' means calendar years",
    "hydrometer_reference_c": "temperature the hydrometer is made for, °C",
    "bottle_l": "size of a bottle in 'bottles' worth', litres",
    "bottle_pct_vol": "strength of a bottle in 'bottles' worth', %vol",
    "reconcile": "whether the alcohol account is closed within the instruments' errors, and what hinders "
    "it named; false leaves those tables empty",
    "cask_loss_200l_frac": "share of its alcohol that a 200 L cask loses a year in your store, to compare "
    "others with by their size",
    "forecast_on": "day that the casks are forecast for, 'YYYY-MM-DD'; empty: a year after the last entry of "
    "the logs",
    "uncertainty.gravity_sg": "standard uncertainty of a hydrometer reading, SG",
    "uncertainty.strength_pct_vol": "standard uncertainty of an alcoholometer reading, %vol",
    "uncertainty.temperature_c": "standard uncertainty of a temperature, °C",
    "uncertainty.volume_frac": "standard uncertainty of a volume, as a fraction of it",
    "uncertainty.mass_frac": "standard uncertainty of a weighing, as a fraction of it",
    "uncertainty.wash_model_pct_vol": "standard uncertainty of a wash's strength from its gravities, %vol, "
    "however well they are read",
    "uncertainty.unread_frac": "standard uncertainty of a jar that nobody measured and that is taken to be "
    "like the others of its cut, as a fraction of it; it counts in the yields of batches whose feints went "
    "into it",
    "cuts.hearts_start_pct_vol": "where hearts should begin, as two strengths at the spout, %vol; [] for no "
    "target",
    "cuts.hearts_end_pct_vol": "where hearts should end, as two strengths at the spout, %vol; [] for no "
    "target",
    "cuts.hearts_frac": "share of the alcohol charged that hearts should be, as two fractions; [] for no "
    "target",
    "cuts.baseline_runs": "how many of the first runs set the limits of the control charts; 0: the first "
    "stretch without a signal is found",
    "cuts.rules": "run rules on the control charts: 'one' (beyond the limits), 'western electric' (four) or "
    "'nelson' (eight); more rules give more false signals",
    **NEXT_MEANINGS,
    "words": "a table of your own words for flavour, written = meant: [words] and below it, say, "
    'kerosene = "nail varnish"; it goes before the built-in list',
}

_RULE_SETS = ("one", "western electric", "nelson")
_TABLES = ("uncertainty", "cuts", "next", "words")
_POSITIVE = ("bottle_l", "bottle_pct_vol", "cask_loss_200l_frac")


def describe_settings() -> list[tuple[str, str, str]]:
    """Every setting as (name, default as TOML, meaning), in the order of the dataclass."""
    defaults = Settings()
    rows = []
    for name, meaning in MEANINGS.items():
        value: object = defaults
        for part in name.split("."):
            value = getattr(value, part)
        rows.append((name, _as_toml(value), meaning))
    return rows


def _as_toml(value: object) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, bool):
        return "true" if value else "false"
    return repr(list(value)) if isinstance(value, tuple) else repr(value)


def _settings_from_document(document: Mapping[str, object], path: Path) -> Settings:
    plain = {name: value for name, value in document.items() if name not in _TABLES}
    settings = replace(Settings(), **_checked(plain, Settings(), path, prefix=""))
    settings = replace(
        settings,
        words=_words(document, path),
        uncertainty=replace(
            settings.uncertainty, **_table(document, "uncertainty", settings.uncertainty, path)
        ),
        cuts=replace(settings.cuts, **_table(document, "cuts", settings.cuts, path)),
        next=_next_settings(document, path),
    )
    return _check_meaning(settings, path)


def _next_settings(document: Mapping[str, object], path: Path) -> NextSettings:
    table = document.get("next", {})
    if not isinstance(table, dict):
        raise SettingsError(f"{path}: `next` is a table: write [next] and its values below.")
    try:
        return next_settings(table)
    except ValueError as error:
        raise SettingsError(f"{path}: {error}") from error


def _table(
    document: Mapping[str, object], name: str, defaults: InstrumentUncertainty | CutSettings, path: Path
) -> dict[str, Any]:
    table = document.get(name, {})
    if not isinstance(table, dict):
        raise SettingsError(f"{path}: `{name}` is a table: write [{name}] and its values below.")
    return _checked(table, defaults, path, prefix=f"{name}.")


def _words(document: Mapping[str, object], path: Path) -> dict[str, str]:
    """The distiller's own words, each standing for a word of the list or a new one."""
    table = document.get("words", {})
    if not isinstance(table, dict) or not all(isinstance(word, str) and word for word in table.values()):
        raise SettingsError(
            f"{path}: `words` is a table of words: write [words] and below it lines like "
            'kerosene = "nail varnish".'
        )
    return {written.strip(): str(meant).strip() for written, meant in table.items()}


def _checked(
    values: Mapping[str, object],
    defaults: Settings | InstrumentUncertainty | CutSettings,
    path: Path,
    prefix: str,
) -> dict[str, Any]:
    known = {item.name: getattr(defaults, item.name) for item in fields(defaults)}
    checked: dict[str, Any] = {}
    for name, value in values.items():
        if name not in known or name in _TABLES:
            raise SettingsError(
                f"{path}: `{prefix}{name}` is not a setting. Known: {', '.join(sorted(MEANINGS))}."
            )
        checked[name] = _checked_value(value, known[name], f"{prefix}{name}", path)
    return checked


def _checked_value(value: object, default: object, name: str, path: Path) -> object:
    if isinstance(default, str):
        if name == "forecast_on" and type(value) is date:
            # TOML has dates of its own: 2031-06-01 without quotes is one.
            return value.isoformat()
        if not isinstance(value, str):
            raise SettingsError(f"{path}: `{name}` is {value!r}; it should be text in quotes.")
        return value.strip()
    if isinstance(default, tuple):
        return _checked_range(value, name, path)
    if isinstance(default, bool):
        if not isinstance(value, bool):
            raise SettingsError(f"{path}: `{name}` is {value!r}; it should be true or false.")
        return value
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < float("inf"):
        raise SettingsError(f"{path}: `{name}` is {value!r}; it should be a number.")
    return float(value)


def _checked_range(value: object, name: str, path: Path) -> tuple[float, ...]:
    numbers = [float(each) for each in value if type(each) in (int, float)] if isinstance(value, list) else []
    is_range = len(numbers) == 2 and 0 < numbers[0] < numbers[1] <= 100
    if value != [] and not (is_range and isinstance(value, list) and len(value) == 2):
        raise SettingsError(
            f"{path}: `{name}` is {value!r}; it should be two numbers, the lower first, like [60, 63]; "
            "[] for none."
        )
    return tuple(numbers)


def _is_day(text: str) -> bool:
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def _check_meaning(settings: Settings, path: Path) -> Settings:
    if settings.forecast_on and not _is_day(settings.forecast_on):
        raise SettingsError(
            f'{path}: `forecast_on` is {settings.forecast_on!r}; write a day like "2031-06-01", or "" for a '
            "year after the last entry of the logs."
        )
    if settings.date_order not in _DATE_ORDERS:
        raise SettingsError(
            f'{path}: `date_order` is {settings.date_order!r}; write "dmy" (day first) or "mdy" (month).'
        )
    if not re.fullmatch(r"(0[1-9]|1[0-2])-(0[1-9]|1\d|2[0-8])", settings.season_starts):
        raise SettingsError(
            f'{path}: `season_starts` is {settings.season_starts!r}; write month and day like "09-01" '
            "(days 29 to 31 are not in every month and are not taken)."
        )
    if not 0 <= settings.hydrometer_reference_c <= 40:
        raise SettingsError(
            f"{path}: `hydrometer_reference_c` is {settings.hydrometer_reference_c}; expected 0 to 40."
        )
    for name in _POSITIVE:
        if not getattr(settings, name) > 0:
            raise SettingsError(f"{path}: `{name}` is {getattr(settings, name)}; it should be above zero.")
    if settings.cuts.rules not in _RULE_SETS:
        raise SettingsError(
            f"{path}: `cuts.rules` is {settings.cuts.rules!r}; write one of: {', '.join(_RULE_SETS)}."
        )
    if settings.cuts.baseline_runs != 0 and not 8 <= settings.cuts.baseline_runs <= 1000:
        raise SettingsError(
            f"{path}: `cuts.baseline_runs` is {settings.cuts.baseline_runs:g}; write 8 or more, or 0."
        )
    for item in fields(settings.uncertainty):
        if not getattr(settings.uncertainty, item.name) > 0:
            raise SettingsError(
                f"{path}: `uncertainty.{item.name}` is {getattr(settings.uncertainty, item.name)}; "
                "no instrument is without error: it should be above zero."
            )
    return settings
