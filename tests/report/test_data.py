"""What a page reads from the database."""

from __future__ import annotations

import math

import polars as pl

from pipeline.report.data import read_season, season_names, shown


def test_no_control_character_and_no_infinite_number_reaches_a_page():
    frame = pl.DataFrame(
        {
            "name": ["a\x1bb", None, "plain"],
            "lpa": [math.inf, math.nan, 1.5],
            "count": [1, 2, 3],
            "odd": [None] * 3,
        }
    )
    assert shown(frame).to_dict(as_series=False) == {
        "name": ["a␛b", None, "plain"],
        "lpa": [None, None, 1.5],
        "count": [1, 2, 3],
        "odd": [None] * 3,
    }


def test_a_season_s_rows_come_in_the_order_they_are_shown(simulated):
    (name,) = season_names(simulated.con)
    data = read_season(simulated.con, name)
    dates = [day for day in data.batches["mashed_on"] if day is not None]
    assert dates == sorted(dates)
    worst_first = data.problems["severity"].replace_strict({"unreadable": 0, "implausible": 1, "unusual": 2})
    assert worst_first.is_sorted()
    positions = data.flow["position"]
    assert positions.is_sorted()
    means = [mean for mean in data.grain_bills["yield_mean_lpa_per_kg"] if mean is not None]
    assert means == sorted(means, reverse=True)
