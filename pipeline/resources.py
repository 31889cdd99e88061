"""Where the files that travel with the code are: the SQL, the page templates, the catalogue of ingredients.

In a checkout `sql/` stands beside `pipeline/`, in an installed copy inside it. The rest is inside in both.
This module knows nothing of what the files mean.
"""

from __future__ import annotations

from pathlib import Path

__all__ = ["MissingResourceError", "catalogue_path", "sql_dir", "templates_dir"]

_PACKAGE = Path(__file__).resolve().parent


class MissingResourceError(RuntimeError):
    """A file that every copy of stillseason carries is not there: the copy is damaged."""


def sql_dir() -> Path:
    """The folder that holds the layers of the SQL, `10_log` to `95_mark`."""
    # The installed place first: someone else's folder called `sql` may stand beside an installed package.
    return _first_folder(_PACKAGE / "sql", _PACKAGE.parent / "sql")


def templates_dir() -> Path:
    """The folder of the report's page templates, style sheet and scripts."""
    return _first_folder(_PACKAGE / "report" / "templates")


def catalogue_path() -> Path:
    """The built-in list of ingredients (extract, moisture, fermentable share), a CSV file."""
    path = _PACKAGE / "logs" / "catalogue.csv"
    if not path.is_file():
        raise _missing(path)
    return path


def _first_folder(*places: Path) -> Path:
    for place in places:
        if place.is_dir():
            return place
    raise _missing(places[0])


def _missing(path: Path) -> MissingResourceError:
    return MissingResourceError(
        f"This copy of stillseason is incomplete: {path} is missing. Install it again."
    )
