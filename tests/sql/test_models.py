"""The rules of sql/: one statement a file, headers that tell the truth, one direction, one order."""

import re
from pathlib import Path

import pytest

from pipeline.resources import sql_dir
from pipeline.sql_models import LAYERS, ModelError, order_tables, read_model, read_models
from pipeline.steps import STEPS

GOOD = """-- What:  a thing.
-- Grain: one row a thing.
-- From:  log.batch_step
create or replace table account.thing as
select * from log.batch_step
"""


def write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "thing.sql"
    path.write_text(text)
    return path


def test_a_model_is_read_with_its_header(tmp_path):
    model = read_model(write(tmp_path, GOOD), "20_account")
    assert model.name == "account.thing"
    assert model.what == "a thing."
    assert model.depends == {"log.batch_step"}


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        (GOOD.replace("From:  log.batch_step", "From:  log.score"), "the header says From"),
        (GOOD.replace("account.thing", "account.other"), "makes account.other"),
        (GOOD + ";\nselect 1", "one `create or replace"),
        (GOOD.replace("log.batch_step", "metric.batch"), "comes later in the flow"),
        ("select 1", "one `create or replace"),
    ],
)
def test_a_model_that_breaks_a_rule_is_refused(tmp_path, text, complaint):
    with pytest.raises(ModelError, match=complaint):
        read_model(write(tmp_path, text), "20_account")


def test_semicolons_in_texts_do_not_end_a_statement(tmp_path):
    text = GOOD.replace("select *", "select 'never drunk; kept' as note, 'from raw.nothing' as where_from")
    assert read_model(write(tmp_path, text), "20_account").depends == {"log.batch_step"}


def test_tables_come_after_what_they_are_made_from():
    depends = {"c": {"b"}, "b": {"a"}, "a": {"given"}, "z": set()}
    assert (
        order_tables(depends, {"given"}) == ["a", "b", "c", "z"]
        or order_tables(depends, {"given"})[0] in "az"
    )
    order = order_tables(depends, {"given"})
    assert order.index("a") < order.index("b") < order.index("c")


def test_a_circle_and_an_unknown_table_are_named():
    with pytest.raises(ModelError, match="circle"):
        order_tables({"a": {"b"}, "b": {"a"}}, set())
    with pytest.raises(ModelError, match="nothing makes"):
        order_tables({"a": {"nowhere.at_all"}}, set())


def test_every_file_under_sql_is_a_model_with_what_and_grain():
    models = read_models(sql_dir())
    files = [path for layer in LAYERS for path in (sql_dir() / layer).iterdir()]
    assert len(models) == len(files)
    for model in models:
        assert model.what, model.name
        assert model.is_macro or model.grain, model.name


def test_no_model_makes_what_a_step_in_python_makes():
    made = {name for step in STEPS for name in step.makes}
    assert not made & {model.name for model in read_models(sql_dir())}


def test_every_division_is_guarded():
    """Dividing by nothing gives infinity in this engine, not an error: only constants stand bare."""
    bare = re.compile(r"/\s*(?!nullif\()([^\s,()]+)")
    allowed = re.compile(r"^(\d+e\d+|\d\.\d+e\d+|sqrt|'.*)$")
    for path in sorted(sql_dir().rglob("*.sql")):
        code = "\n".join(line.split("--")[0] for line in path.read_text().splitlines())
        code = re.sub(r"'(?:[^']|'')*'", "''", code)
        for match in bare.finditer(code):
            assert allowed.match(match[1]), f"{path.name}: / {match[1]}"
