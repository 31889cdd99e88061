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
from pathlib import Path
from typing import Any

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
    uncertainty: InstrumentUncertainty = field(default_factory=InstrumentUncertainty)

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
        """The settings in `folder`/season.toml, or the defaults when there is no such file."""
        path = folder / SETTINGS_FILE_NAME
        return cls.load(path if path.is_file() else None)


MEANINGS: Mapping[str, str] = {
    "title": "heading of the report",
    "currency": "the word or code printed beside prices",
    "date_order": "'dmy' or 'mdy' where dates are written like 14/09/2025; empty: such dates are a problem",
    "season_starts": "month and day a season begins, 'MM-DD'; '01-01' means calendar years",
    "hydrometer_reference_c": "temperature the hydrometer is made for, degC",
    "bottle_l": "size of a bottle in 'bottles' worth', litres",
    "bottle_pct_vol": "strength of a bottle in 'bottles' worth', %vol",
    "uncertainty.gravity_sg": "standard uncertainty of a hydrometer reading, SG",
    "uncertainty.strength_pct_vol": "standard uncertainty of an alcoholometer reading, %vol",
    "uncertainty.temperature_c": "standard uncertainty of a temperature, degC",
    "uncertainty.volume_frac": "standard uncertainty of a volume, as a fraction of it",
    "uncertainty.mass_frac": "standard uncertainty of a weighing, as a fraction of it",
    "uncertainty.wash_model_pct_vol": "standard uncertainty of a wash's strength from its gravities, %vol, "
    "however well they are read",
}

_POSITIVE = ("bottle_l", "bottle_pct_vol")


def describe_settings() -> list[tuple[str, str, str]]:
    """Every setting as (name, default as TOML, meaning), in the order of the dataclass."""
    defaults = Settings()
    rows = []
    for name, meaning in MEANINGS.items():
        value: object = defaults
        for part in name.split("."):
            value = getattr(value, part)
        rows.append((name, f'"{value}"' if isinstance(value, str) else repr(value), meaning))
    return rows


def _settings_from_document(document: Mapping[str, object], path: Path) -> Settings:
    plain = {name: value for name, value in document.items() if name != "uncertainty"}
    table = document.get("uncertainty", {})
    if not isinstance(table, dict):
        raise SettingsError(f"{path}: `uncertainty` is a table: write [uncertainty] and its values below.")
    settings = replace(Settings(), **_checked(plain, Settings(), path, prefix=""))
    uncertainty = replace(
        InstrumentUncertainty(), **_checked(table, InstrumentUncertainty(), path, prefix="uncertainty.")
    )
    return _check_meaning(replace(settings, uncertainty=uncertainty), path)


def _checked(
    values: Mapping[str, object], defaults: Settings | InstrumentUncertainty, path: Path, prefix: str
) -> dict[str, Any]:
    known = {item.name: getattr(defaults, item.name) for item in fields(defaults)}
    checked: dict[str, Any] = {}
    for name, value in values.items():
        if name not in known or name == "uncertainty":
            raise SettingsError(
                f"{path}: `{prefix}{name}` is not a setting. Known: {', '.join(sorted(MEANINGS))}."
            )
        checked[name] = _checked_value(value, known[name], f"{prefix}{name}", path)
    return checked


def _checked_value(value: object, default: object, name: str, path: Path) -> object:
    if isinstance(default, str):
        if not isinstance(value, str):
            raise SettingsError(f"{path}: `{name}` is {value!r}; it should be text in quotes.")
        return value.strip()
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < float("inf"):
        raise SettingsError(f"{path}: `{name}` is {value!r}; it should be a number.")
    return float(value)


def _check_meaning(settings: Settings, path: Path) -> Settings:
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
    for item in fields(settings.uncertainty):
        if not getattr(settings.uncertainty, item.name) > 0:
            raise SettingsError(
                f"{path}: `uncertainty.{item.name}` is {getattr(settings.uncertainty, item.name)}; "
                "no instrument is without error: it should be above zero."
            )
    return settings
