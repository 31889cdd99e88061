"""Headers: kinds, delimiters, units and scales, and what cannot be used of them."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.logs import LogFrames
from pipeline.logs.header import Header, HeaderError, read_header

Read = Callable[..., LogFrames]


def _header_or_refusal(line: str) -> Header | HeaderError:
    try:
        return read_header(line)
    except HeaderError as error:
        return error


@given(st.text(alphabet='abst ,;"\t[]-_0159', max_size=40))
def test_any_header_is_read_or_refused_with_a_sentence(line: str) -> None:
    header = _header_or_refusal(line)
    if isinstance(header, HeaderError):
        assert header.as_problem("a.csv", 1).message.endswith(".")
    else:
        assert len(header.positions) + len(header.extras) == len(header.names)


@given(st.lists(st.sampled_from(["", " ", "-", "__", "---", "a", "column 2", "step"]), max_size=8))
def test_columns_without_a_name_are_kept_apart(names: list[str]) -> None:
    header = _header_or_refusal(",".join(["step", "batch", *names, "item"]))
    if isinstance(header, HeaderError):
        assert header.code == "duplicate_column"
    else:
        kept = [extra.name for extra in header.extras]
        assert len(set(kept)) == len(kept)


def test_text_in_a_column_without_a_name_is_kept_and_said(read: Read) -> None:
    frames = read("batch,step,,item\nB1,yeast,odd,ale\n")
    assert frames.cells["batch_log"]["other"].to_list() == ['{"column 3":"odd"}']
    assert frames.problems["kind"].to_list() == ["unknown_column"]
    assert "(it has no name)" in frames.problems["message"][0]


def test_numbers_in_a_column_without_a_name_are_no_scores(read: Read) -> None:
    frames = read("session,assessor,sample,,fruit\ns1,Ana,417,99,6\n")
    assert frames.values["score_value"]["attribute"].to_list() == ["fruit"]
    assert frames.problems["kind"].to_list() == ["unknown_column"]


@pytest.mark.parametrize(
    ("header", "scale"),
    [
        ("fruit", (0.0, 10.0)),
        ("fruit [0-15]", (0.0, 15.0)),
        ("fruit [1 to 9]", (1.0, 9.0)),
        ("fruit [-5-5]", (-5.0, 5.0)),
        ("fruit[0-100]", (0.0, 100.0)),
    ],
)
def test_scale_of_an_attribute(header: str, scale: tuple[float, float]) -> None:
    extra = read_header(f"session,assessor,sample,{header}").extras[0]
    assert (extra.attribute, (extra.low, extra.high)) == ("fruit", scale)


@pytest.mark.parametrize("header", ["fruit [points]", "fruit [10-0]", "fruit []"])
def test_brackets_that_hold_no_scale_are_said(header: str) -> None:
    known = read_header(f"session,assessor,sample,{header}")
    assert [code for code, _, _ in known.notices] == ["unit_ignored"]


def test_a_price_in_a_currency_the_settings_do_not_name(read: Read) -> None:
    log = "batch,step,item,mass,price [EUR]\nB1,grain,rye malt,5,4.20\n"
    assert 'set currency = "EUR" in season.toml' in read(log).problems["message"][0]
    assert read(log, currency="EUR").problems.is_empty()


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("Volume (gal)", "volume [gal]"),
        ("gravity °P", "gravity [°P]"),
        ("Mass, lb", "mass [lb]"),
        ("Temp.", "temperature"),
        ("strenght", "strength"),
        ("min", "minutes"),
        ("Date", "when"),
        ("ABV", "strength"),
        ("barrel", "cask"),
    ],
)
def test_a_column_nobody_knows_is_offered_the_one_it_was_meant_for(written: str, meant: str) -> None:
    header = read_header(f'batch;step;"{written}"')
    ((code, _, details),) = header.notices
    assert (code, details["hint"]) == ("unknown_column", f" (is it meant to be {meant}?)")


@pytest.mark.parametrize("written", ["moon", "my own remark", "no", "x (y)"])
def test_a_column_that_is_like_none_is_offered_nothing(written: str) -> None:
    ((_, _, details),) = read_header(f"batch,step,{written}").notices
    assert details["hint"] == ""
