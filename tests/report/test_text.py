"""Numbers, names and other people's text as a page prints them."""

from __future__ import annotations

import datetime as dt
import math
import unicodedata

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.report.text import (
    ACTING_CHARACTERS,
    NOT_MEASURED,
    column_decimals,
    counted,
    day,
    listed,
    number,
    prose,
    slug,
    unique_slugs,
    value_text,
    visible,
    with_unit,
)


@pytest.mark.parametrize("missing", [None, math.nan, math.inf])
def test_what_was_not_measured_is_never_a_number(missing):
    assert value_text(missing, "wash_lpa") == NOT_MEASURED
    assert with_unit(missing, "wash_lpa") == NOT_MEASURED


def test_zero_is_a_measurement():
    assert value_text(0.0, "foreshots_lpa") == "0.00"


@pytest.mark.parametrize(
    ("value", "name", "text"),
    [
        (0.3456, "yield_lpa_per_kg", "0.346"),
        (1.0624, "original_gravity_sg", "1.0624"),
        (0.6181, "hearts_frac", "61.8"),
        (1608.4, "wash_lpa", "1,608"),
        (28.94, "wash_lpa", "28.9"),
        (0.412, "foreshots_lpa", "0.41"),
        (-1.14, "balance_gap_lpa", "−1.14"),
        (0.0002, "p_value", "below 0.001"),
        (12, "batches", "12"),
        (True, "is_correct", "yes"),
        (dt.date(2025, 3, 1), "mashed_on", "2025-03-01"),
        (dt.datetime(2025, 3, 1, 8, 30), "started_at", "2025-03-01 08:30"),
        (dt.datetime(2025, 3, 1), "started_at", "2025-03-01"),
    ],
)
def test_a_value_prints_with_the_decimals_its_instrument_gives(value, name, text):
    assert value_text(value, name) == text


def test_a_small_value_in_a_column_of_large_ones_does_not_print_as_zero():
    decimals = column_decimals([250.0, 0.4, 300.0], "wash_lpa")
    assert decimals == 0
    assert value_text(0.4, "wash_lpa", decimals) == "0.40"
    assert value_text(250.4, "wash_lpa", decimals) == "250"


@given(st.floats(-1e9, 1e9), st.integers(0, 4))
def test_a_printed_number_reads_back_within_half_its_last_digit(value, decimals):
    text = number(value, decimals)
    assert abs(float(text.replace(",", "").replace("−", "-")) - value) <= 0.5 * 10**-decimals + 1e-6
    assert text.strip("−0.,") or not text.startswith("−"), "no negative zero"


def test_counts_and_lists_read_as_english():
    assert [counted(n, "batch", "batches") for n in (0, 1, 2500)] == [
        "no batches",
        "1 batch",
        "2,500 batches",
    ]
    assert listed(["a"]) == "a"
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert listed(["a", "b", "c"], limit=2) == "a, b and 1 more"
    assert day(dt.date(2025, 3, 1)) == "1\u00a0March\u00a02025"


def test_control_and_direction_marks_are_shown_and_do_not_act():
    shown = visible("a\x1b[31mb\x00c\u202ed\u2066e\x7f\x85")
    assert shown == "a␛[31mb␀c\\u202ed\\u2066e␡\\u0085"


@pytest.mark.parametrize("code", [0xAD, 0x200B, 0x200D, 0x2028, 0x2060, 0xFEFF, 0xE0041])
def test_characters_that_nobody_sees_are_shown(code):
    assert unicodedata.category(chr(code)) in ("Cf", "Zl", "Zp")
    shown = visible(f"B{chr(code)}1")
    assert shown in (f"B\\u{code:04x}1", f"B\\U{code:08x}1")


@given(st.text())
def test_visible_text_holds_no_control_character(text):
    assert not any(ord(c) < 0x20 or 0x7F <= ord(c) < 0xA0 for c in visible(text))


@given(st.characters(exclude_categories=["Cs"]))
def test_the_pattern_finds_just_what_is_shown_otherwise(character):
    found = bool(pl.Series([character]).str.contains(ACTING_CHARACTERS).item())
    assert found == (visible(character) != character)


@given(st.text(max_size=300))
def test_a_season_s_folder_name_is_one_plain_name(text):
    name = slug(text)
    assert 1 <= len(name) <= 80
    assert set(name) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")
    assert not name.startswith("-")


def test_two_seasons_never_share_a_folder():
    names = ["2024/25", "2024-25", "2024 25", "Été", "ete"]
    slugs = unique_slugs(names)
    assert sorted(slugs) == sorted(names)
    assert len(set(slugs.values())) == len(names)
    assert unique_slugs(list(reversed(names))) == slugs


def test_a_number_stays_with_its_percent_sign_and_its_uncertainty():
    assert prose("149 ± 2 LPA, 12 % of it") == "149\u00a0±\u00a02 LPA, 12\u00a0% of it"
