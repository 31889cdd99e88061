"""Dates and times: what is read, what is a problem, and never a guess."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.logs import LogFrames
from pipeline.logs.values import parse_when

Read = Callable[..., LogFrames]


def _when(text: str, date_order: str = "") -> tuple[datetime | None, bool | None]:
    moment, has_time, _ = parse_when(pl.Series([text], dtype=pl.String), date_order)
    return moment[0], has_time[0]


# RFC 3339 (2002), section 5.8, the examples of this profile of ISO 8601; logs keep the clock on the wall, so
# the offset does not move it. The leap second of 1990 is no moment of a log (see below).
@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520_000)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 19, 16, 39, 57)),
        ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 12, 0, 27, 870_000)),
    ],
)
def test_examples_of_rfc_3339(text: str, moment: datetime) -> None:
    assert _when(text) == (moment, True)


@pytest.mark.parametrize(
    ("text", "moment", "has_time"),
    [
        ("2025-09-14", datetime(2025, 9, 14), False),
        ("2025-09-14 08:30", datetime(2025, 9, 14, 8, 30), True),
        ("2025-09-14T08:30", datetime(2025, 9, 14, 8, 30), True),
        ("2025-09-14 08:30:15", datetime(2025, 9, 14, 8, 30, 15), True),
        ("2025-09-14 8:30", datetime(2025, 9, 14, 8, 30), True),
        ("2025-09-14 08:30+02", datetime(2025, 9, 14, 8, 30), True),
        ("2025-09-14T00:00", datetime(2025, 9, 14), True),
        ("2024-02-29", datetime(2024, 2, 29), False),
    ],
)
def test_iso_8601_extended_form(text: str, moment: datetime, has_time: bool) -> None:
    assert _when(text) == (moment, has_time)


@pytest.mark.parametrize(
    "text",
    [
        "2025-02-29",
        "2025-13-01",
        "2025-09-14 24:01",
        "1990-12-31T23:59:60Z",
        "2025-9-14",
        "20250914",
        "2025-W37-7",
        "2025-257",
        "14/09/2025",
        "09/14/2025",
        "14.9.2025",
        "45914",
        "14 September 2025",
        "2025-09-14 morning",
    ],
)
def test_anything_else_is_no_date_unless_the_settings_say(text: str) -> None:
    assert _when(text) == (None, None)


@pytest.mark.parametrize(
    ("text", "date_order", "moment"),
    [
        ("14/09/2025", "dmy", datetime(2025, 9, 14)),
        ("5.9.2025", "dmy", datetime(2025, 9, 5)),
        ("05-09-2025 08:30", "dmy", datetime(2025, 9, 5, 8, 30)),
        ("5/9/2025", "mdy", datetime(2025, 5, 9)),
        ("09/14/2025 17:05", "mdy", datetime(2025, 9, 14, 17, 5)),
        ("2025-09-14", "mdy", datetime(2025, 9, 14)),
        ("14/09/2025", "mdy", None),
        ("09/14/2025", "dmy", None),
        ("14/09/25", "dmy", None),
        ("31/02/2025", "dmy", None),
    ],
)
def test_date_order_of_the_settings(text: str, date_order: str, moment: datetime | None) -> None:
    assert _when(text, date_order)[0] == moment


def test_a_wrong_order_in_the_settings_is_told(read: Read) -> None:
    frames = read("batch,when,step,item\nB1,14/09/2025,yeast,ale\n", date_order="mdy")
    assert "the settings say month, day, year" in frames.problems["message"][0]


@given(st.datetimes(min_value=datetime(1900, 1, 1), max_value=datetime(2100, 12, 31)))
def test_what_python_writes_as_iso_is_read_back(moment: datetime) -> None:
    assert _when(moment.isoformat(timespec="microseconds"))[0] == moment
    assert _when(moment.isoformat(sep=" ", timespec="minutes"))[0] == moment.replace(second=0, microsecond=0)
    assert _when(moment.date().isoformat()) == (datetime(moment.year, moment.month, moment.day), False)


def test_a_blank_when_stays_blank(read: Read) -> None:
    frames = read("batch,when,step,item\nB1,2025-09-14,yeast,ale\nB1,,yeast,lager\n")
    assert frames.values["batch_value"].select("logged_at", "has_time").rows() == [
        (datetime(2025, 9, 14), False),
        (None, None),
    ]
