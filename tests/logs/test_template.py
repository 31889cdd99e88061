"""Empty logs to start from, and the description of a folder of logs."""

from __future__ import annotations

import gzip
import json
import re
from pathlib import Path

import pytest
import xlsxwriter

from pipeline.logs import datapackage, read_logs, write_templates
from pipeline.logs.fields import ALL_KINDS
from pipeline.logs.template import EXAMPLE_MARK, template_text
from pipeline.settings import Settings


def test_templates_are_empty_logs_of_every_kind(tmp_path: Path) -> None:
    paths = write_templates(tmp_path / "new" / "logs")
    frames = read_logs(tmp_path / "new" / "logs", Settings())
    assert sorted(frames.files["kind"]) == sorted(ALL_KINDS)
    assert len(paths) == len(ALL_KINDS)
    assert set(frames.problems["kind"]) == {"no_rows"}


def test_the_example_in_the_templates_is_a_season_without_a_problem(tmp_path: Path) -> None:
    for path in write_templates(tmp_path):
        head, example = path.read_text(encoding="utf-8").split(EXAMPLE_MARK + "\n")
        rows = [line.removeprefix("# ") for line in example.splitlines()]
        path.write_text(head + "\n".join(rows) + "\n", encoding="utf-8")
    frames = read_logs(tmp_path, Settings())
    assert frames.problems.is_empty(), frames.problems["message"].to_list()
    assert [name for name, frame in frames.values.items() if frame.is_empty()] == ["batch_text"]
    assert frames.rows_set_aside == 0


def test_templates_do_not_overwrite(tmp_path: Path) -> None:
    (tmp_path / "cask_log.csv").write_text("mine")
    with pytest.raises(FileExistsError, match="not overwritten"):
        write_templates(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["cask_log.csv"]
    assert (tmp_path / "cask_log.csv").read_text() == "mine"


def test_template_tells_every_step() -> None:
    for kind in ALL_KINDS.values():
        text = template_text(kind)
        for step in kind.steps:
            assert f"#   {step.name}: " in text


def test_datapackage_describes_every_readable_log(tmp_path: Path) -> None:
    (tmp_path / "Deep Down").mkdir()
    (tmp_path / "Deep Down" / "R-7.csv").write_text("batch;Step;Volume [gal]\nR-7;sparge;10\n")
    (tmp_path / "deep-down").mkdir()
    (tmp_path / "deep-down" / "r-7.csv").write_text("step,item\nyeast,ale\n")
    (tmp_path / "panel.csv").write_text("session,assessor,sample,fruit [0-15]\n")
    (tmp_path / "diary.csv").write_text("dear diary\n")
    package = datapackage(tmp_path)
    assert json.loads(json.dumps(package)) == package
    assert package["profile"] == "tabular-data-package"
    by_path = {resource["path"]: resource for resource in package["resources"]}
    assert set(by_path) == {"Deep Down/R-7.csv", "deep-down/r-7.csv", "panel.csv"}
    log = by_path["Deep Down/R-7.csv"]
    assert log["dialect"]["delimiter"] == ";"
    assert [field["name"] for field in log["schema"]["fields"]] == ["batch", "Step", "Volume [gal]"]
    assert "a number in gal" in log["schema"]["fields"][2]["description"]
    assert log["schema"]["fields"][1]["constraints"] == {"required": True}
    assert "from 0 to 15" in by_path["panel.csv"]["schema"]["fields"][3]["description"]


def test_datapackage_describes_telemetry_packed_logs_and_sheets(tmp_path: Path) -> None:
    (tmp_path / "logger.csv").write_text("batch;run;when;vapour [F];lamp\n7;a;2031-02-11 08:00:00;180;on\n")
    (tmp_path / "R-7.csv.gz").write_bytes(gzip.compress(b"step,item\nyeast,ale\n"))
    package = datapackage(tmp_path)
    assert package["profile"] == "tabular-data-package"
    packed, logger = package["resources"]
    assert (packed["path"], packed["format"], packed["compression"]) == ("R-7.csv.gz", "csv", "gz")
    assert (logger["path"], logger["title"], logger["bytes"]) == ("logger.csv", "telemetry", 62)
    assert (logger["encoding"], logger["dialect"]["delimiter"]) == ("utf-8", ";")
    fields = {field["name"]: field for field in logger["schema"]["fields"]}
    assert list(fields) == ["batch", "run", "when", "vapour [F]", "lamp"]
    assert [name for name, field in fields.items() if "constraints" in field] == ["batch", "run", "when"]
    assert "a number in F" in fields["vapour [F]"]["description"]
    assert "does not know" in fields["lamp"]["description"]
    with xlsxwriter.Workbook(tmp_path / "season.xlsx") as book:
        book.add_worksheet("My log").write_row(0, 0, ["batch", "step", "item"])
    package = datapackage(tmp_path)
    assert package["profile"] == "data-package", "the standard's tables are text"
    (sheet,) = [each for each in package["resources"] if each["path"] == "season.xlsx"]
    assert (sheet["profile"], sheet["format"]) == ("data-resource", "xlsx")
    assert sheet["dialect"] == {"header": True, "sheetName": "My log"}


def test_datapackage_keeps_to_the_standard(tmp_path: Path) -> None:
    """Rules of "Data Resource" and "Table Schema", version 1, https://specs.frictionlessdata.io/."""
    write_templates(tmp_path)
    package = datapackage(tmp_path)
    names = [resource["name"] for resource in package["resources"]]
    assert len(set(names)) == len(names), "resource names are unique"
    assert all(re.fullmatch(r"[a-z0-9._/-]+", name) for name in [*names, package["name"]])
    for resource in package["resources"]:
        assert not resource["path"].startswith(("/", "..")), "paths are relative, and stay within"
        assert re.fullmatch(r"sha256:[0-9a-f]{64}", resource["hash"])
        for field in resource["schema"]["fields"]:
            assert field["type"] == "string"
            assert field["description"]
