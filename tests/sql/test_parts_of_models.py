"""The rules of models made part by part: what their headers may say, and what they may be made from."""

from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.resources import sql_dir
from pipeline.sql_models import ModelError, SqlModel, check_parts, read_model, read_models, tables_of_season

GOOD = """-- What:  a thing.
-- Grain: one row a thing.
-- Part:  batch
-- From:  log.batch_step
create or replace table account.thing as
with counted as (
    select batch, row_number() over (partition by batch order by line) as thing_no from log.batch_step
)

select counted.batch, counted.thing_no,
from counted
order by counted.batch, replace(counted.thing_no, 'order by (', 'counted.x') desc
"""


def read(tmp_path: Path, text: str) -> SqlModel:
    path = tmp_path / "thing.sql"
    path.write_text(text)
    return read_model(path, "20_account")


def made(name: str, *depends: str, part: str | None = None) -> SqlModel:
    return SqlModel(name, "30_metric", False, "", "", frozenset(depends), "", part, "batch" if part else None)


def test_the_header_says_whose_a_row_is_and_the_statement_in_which_order(tmp_path):
    model = read(tmp_path, GOOD)
    assert model.part == "batch"
    assert model.order == "batch, replace(thing_no, 'order by (', 'counted.x') desc"


def test_a_table_of_the_whole_season_says_nothing(tmp_path):
    model = read(tmp_path, GOOD.replace("-- Part:  batch\n", ""))
    assert model.part is None


def test_an_order_inside_parentheses_is_not_that_of_the_statement(tmp_path):
    text = GOOD[: GOOD.rindex("order by counted.batch")].replace("-- Part:  batch\n", "")
    assert read(tmp_path, text).order is None


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        (GOOD.replace("Part:  batch", "Part:  season"), "says Part 'season'"),
        (GOOD[: GOOD.rindex("order by counted.batch")], "ends with an `order by`"),
    ],
)
def test_a_header_that_breaks_a_rule_is_refused(tmp_path, text, complaint):
    with pytest.raises(ModelError, match=complaint):
        read(tmp_path, text)


def test_what_is_made_part_by_part_is_made_from_parts_raw_tables_and_what_no_log_goes_into():
    models = [
        made("log.batch_step", "raw.batch_value", "raw.setting", part="batch"),
        made("log.ingredient", "raw.catalogue"),
        made("metric.thing", "log.batch_step", "log.ingredient", "account.move", part="batch"),
    ]
    check_parts(models, {"account.move"}, {"account.move": {"log.batch_step"}})


@pytest.mark.parametrize("between", [(), ("metric.between",)])
def test_what_is_made_part_by_part_is_not_made_from_the_whole_season(between):
    models = [
        made("log.batch_step", "raw.batch_value", part="batch"),
        made("metric.middle", "log.batch_step"),
        *(made(name, "metric.middle") for name in between),
        made("metric.thing", *(between or ("metric.middle",)), part="batch"),
    ]
    with pytest.raises(ModelError, match=r"metric.thing: is made part by part, but from"):
        check_parts(models, (), {})


def test_a_step_outside_sql_is_held_to_the_same_rule():
    models = [made("metric.middle", "raw.cask_value")]
    with pytest.raises(ModelError, match=r"fit.curve: is made part by part, but from \['metric.middle'\]"):
        check_parts(models, {"fit.curve"}, {"fit.curve": {"metric.middle"}})
    check_parts(models, (), {"fit.curve": {"metric.middle"}})


def test_tables_of_the_season_are_those_with_logs_behind_them_that_are_in_no_parts():
    models = [
        made("log.batch_step", "raw.batch_value", part="batch"),
        made("log.score", "raw.score_value"),
        made("metric.choice", "log.batch_step", "log.score"),
    ]
    assert tables_of_season(models, {"log.batch_step"}, {"fit.gate": {"metric.choice"}}) == {
        "metric.choice",
        "fit.gate",
    }


def test_a_changed_model_is_caught():
    """The models as they are pass only as long as what they are made from is made part by part, too."""
    models = read_models(sql_dir())
    steps = {"account.move": {"account.entry"}}
    whole = [replace(model, part=None) if model.name == "account.entry" else model for model in models]
    check_parts([model for model in models if model.layer <= "20_account"], {"account.move"}, steps)
    with pytest.raises(ModelError, match=r"is made part by part, but from \['account.entry'\]"):
        check_parts([model for model in whole if model.layer <= "20_account"], {"account.move"}, steps)
