"""The commands as a newcomer runs them: what they print, where they write, how they leave."""

import csv
import io
import json
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import duckdb
import polars as pl
import pytest

SAMPLE = Path(__file__).parents[2] / "sample_logs"

GOOD = """batch,when,step,run,item,cut,mass,volume,gravity,strength
{name},2031-02-01 09:00,grain,,pale malt,,40,,,
{name},2031-02-01 12:00,wort,,,,,140,1.062,
{name},2031-02-01 16:10,wash,,,,,140,1.062,
{name},2031-02-08 16:00,wash,,,,,,1.000,
{name},2031-02-09 08:00,charge,strip,wash,,,136,,
{name},2031-02-09 11:00,collect,strip,,low wines,,40,,27
{name},2031-02-10 08:00,charge,spirit,low wines,,,40,,
{name},2031-02-10 09:00,collect,spirit,jar 1,heads,,1.4,,80
{name},2031-02-10 10:00,collect,spirit,jar 2,hearts,,10,,70
{name},2031-02-10 11:00,collect,spirit,jar 3,tails,,5,,43
"""


def run(*arguments: str | Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run the installed command as a user would, in a folder of its own."""
    command = [sys.executable, "-m", "pipeline.cli", *map(str, arguments)]
    return subprocess.run(command, cwd=cwd, capture_output=True, text=True, timeout=300, check=False)


@pytest.fixture
def two_batches(tmp_path: Path) -> Path:
    logs = tmp_path / "logs"
    logs.mkdir()
    for name, month in (("first", "2031-02"), ("second", "2031-03")):
        (logs / f"{name}.csv").write_text(GOOD.format(name=name).replace("2031-02", month))
    return logs


@pytest.fixture(scope="module")
def sample_database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("built")
    done = run("build", SAMPLE, "--db", "season.duckdb", cwd=folder)
    assert done.returncode == 0, done.stderr
    assert done.stdout == "Database: season.duckdb\n"
    return folder / "season.duckdb"


def test_review_makes_a_report_of_two_batches(two_batches, tmp_path):
    done = run("review", two_batches, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == "Report: reports/2031/index.html\n"
    page = (tmp_path / "reports" / "2031" / "index.html").read_text()
    assert "first" in page
    assert "second" in page


def test_the_same_logs_make_the_same_bytes(two_batches, tmp_path):
    for name in ("a", "b"):
        assert (
            run("review", two_batches, "--out", name, "--db", f"{name}.duckdb", cwd=tmp_path).returncode == 0
        )
    assert (tmp_path / "a/2031/index.html").read_bytes() == (tmp_path / "b/2031/index.html").read_bytes()


def test_review_of_an_empty_folder_says_what_to_do(tmp_path):
    (tmp_path / "logs").mkdir()
    done = run("review", "logs", cwd=tmp_path)
    assert done.returncode == 1
    assert "no logs" in done.stderr
    assert "stillseason template" in done.stderr
    assert not (tmp_path / "season.duckdb").exists()


def test_review_of_a_folder_without_logs_says_so(tmp_path):
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "shopping.txt").write_text("eggs\n")
    done = run("review", "logs", cwd=tmp_path)
    assert done.returncode == 1
    assert "no logs" in done.stderr


def test_review_of_one_bad_file_names_it_and_makes_no_season_of_it(tmp_path):
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "stock.csv").write_text("colour,size\nred,3\n")
    done = run("review", "logs", cwd=tmp_path)
    assert done.returncode == 1
    assert "stock.csv" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_bad_file_beside_good_ones_is_reported_and_the_rest_is_done(two_batches, tmp_path):
    (two_batches / "stock.csv").write_text("colour,size\nred,3\n")
    done = run("review", two_batches, cwd=tmp_path)
    assert done.returncode == 0
    assert "1 unreadable" in done.stderr
    assert "stock.csv" in (tmp_path / "reports/2031/index.html").read_text()


def test_a_folder_that_is_not_there_is_wrong_use(tmp_path):
    done = run("review", "nowhere", cwd=tmp_path)
    assert done.returncode == 2
    assert done.stderr == "nowhere: there is no such folder. Give the folder that holds the logs.\n"


def test_check_prints_sentences_and_leaves_with_one(two_batches, tmp_path):
    clean = run("check", two_batches, cwd=tmp_path)
    assert (clean.returncode, clean.stdout) == (0, "No problems.\n")
    bad = two_batches / "first.csv"
    bad.write_text(bad.read_text().replace("1.062", "l.062", 1))
    done = run("check", two_batches, cwd=tmp_path)
    assert done.returncode == 1
    assert 'first.csv line 3, column gravity: "l.062" is not a number' in done.stdout


def test_check_prints_csv_and_json(two_batches, tmp_path):
    bad = two_batches / "first.csv"
    bad.write_text(bad.read_text().replace("1.062", "l.062", 1))
    rows = list(
        csv.DictReader(io.StringIO(run("check", two_batches, "--format", "csv", cwd=tmp_path).stdout))
    )
    records = json.loads(run("check", two_batches, "--format", "json", cwd=tmp_path).stdout)
    assert [row["line"] for row in rows if row["kind"] == "not_a_number"] == ["3"]
    assert len(rows) == len(records)


def test_settings_that_cannot_be_used_are_wrong_use(two_batches, tmp_path):
    (two_batches / "season.toml").write_text("colour = 3\n")
    done = run("check", two_batches, cwd=tmp_path)
    assert done.returncode == 2
    assert "`colour` is not a setting" in done.stderr


def test_tables_are_listed_printed_and_written(sample_database):
    folder = sample_database.parent
    names = run("table", cwd=folder).stdout.split()
    assert {"raw.file", "log.batch_step", "account.move", "metric.batch", "problem.row"} <= set(names)
    text = run("table", "metric.yeast", cwd=folder).stdout
    assert "yield_mean_lpa_per_kg [LPA/kg]" in text.splitlines()[0]
    assert run("table", "metric.batch", "--format", "csv", "--out", "b.csv", cwd=folder).returncode == 0
    assert pl.read_csv(folder / "b.csv").height == 48
    assert len(json.loads(run("table", "metric.batch", "--format", "json", cwd=folder).stdout)) == 48


@pytest.mark.parametrize("file_format", ["parquet", "xlsx"])
def test_a_table_for_other_programs_needs_a_file(sample_database, file_format):
    folder = sample_database.parent
    refused = run("table", "metric.batch", "--format", file_format, cwd=folder)
    assert refused.returncode == 2
    assert "--out" in refused.stderr
    done = run("table", "metric.batch", "--format", file_format, "--out", f"b.{file_format}", cwd=folder)
    assert done.returncode == 0, done.stderr
    assert (folder / f"b.{file_format}").stat().st_size > 1000
    if file_format == "parquet":
        assert pl.read_parquet(folder / "b.parquet").height == 48


def test_a_table_is_never_written_over_a_log(sample_database, tmp_path):
    log = tmp_path / "G01.csv"
    log.write_bytes((SAMPLE / "batches" / "G01.csv").read_bytes())
    before = log.read_bytes()
    args = ("metric.yeast", "--format", "csv", "--db", str(sample_database), "--out", str(log))
    refused = run("table", *args, cwd=tmp_path)
    assert refused.returncode == 2
    assert "one of the season's logs" in refused.stderr
    assert log.read_bytes() == before


def test_a_table_that_is_not_there_offers_the_nearest(sample_database):
    done = run("table", "metric.bacth", cwd=sample_database.parent)
    assert done.returncode == 2
    assert "Did you mean metric.batch?" in done.stderr


def test_a_missing_database_says_how_to_make_one(tmp_path):
    done = run("table", "metric.batch", cwd=tmp_path)
    assert done.returncode == 3
    assert "stillseason build" in done.stderr


def test_a_foreign_database_is_left_alone(two_batches, tmp_path):
    foreign = tmp_path / "season.duckdb"
    with duckdb.connect(str(foreign)) as con:
        con.execute("create table recipes (name text)")
    for arguments in (("build", two_batches), ("table", "metric.batch")):
        done = run(*arguments, cwd=tmp_path)
        assert done.returncode == 3
        assert "was not made by stillseason" in done.stderr
    # The engine would look on the network for what reads such a file.
    foreign.unlink()
    other = sqlite3.connect(foreign)
    other.execute("create table recipes (name text)")
    other.commit()
    other.close()
    for text in (foreign.read_bytes(), b"not a database at all"):
        foreign.write_bytes(text)
        for arguments in (("build", two_batches), ("table", "metric.batch")):
            done = run(*arguments, cwd=tmp_path)
            assert done.returncode == 3
            assert "this file is no DuckDB database and is left alone" in done.stderr
        assert foreign.read_bytes() == text


def test_a_database_that_another_program_holds_is_left_alone(two_batches, tmp_path):
    assert run("build", two_batches, cwd=tmp_path).returncode == 0
    with duckdb.connect(str(tmp_path / "season.duckdb")):
        done = run("build", two_batches, cwd=tmp_path)
    assert done.returncode == 3
    assert "another program has this database open" in done.stderr


def test_a_spreadsheet_formula_in_a_note_is_neutralised_and_said_so(two_batches, tmp_path):
    log = two_batches / "first.csv"
    lines = log.read_text().splitlines()
    log.write_text(
        "\n".join([lines[0] + ",note", lines[1] + ",=1+1", *(line + "," for line in lines[2:])]) + "\n"
    )
    assert run("build", two_batches, cwd=tmp_path).returncode == 0
    done = run("table", "log.batch_step", "--format", "csv", cwd=tmp_path)
    assert "'=1+1" in done.stdout
    assert "begin like a formula" in done.stderr


def test_simulate_makes_the_sample_season_byte_for_byte(tmp_path):
    done = run("simulate", "--batches", "48", "--seed", "2025", "--out", "again", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    made = {
        path.relative_to(tmp_path / "again") for path in (tmp_path / "again").rglob("*") if path.is_file()
    }
    kept = {path.relative_to(SAMPLE) for path in SAMPLE.rglob("*") if path.is_file()} - {Path("README.md")}
    assert made == kept
    for name in sorted(kept):
        assert (tmp_path / "again" / name).read_bytes() == (SAMPLE / name).read_bytes(), name


def test_simulate_refuses_a_folder_that_holds_something(tmp_path):
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "mine.csv").write_text("x\n")
    done = run("simulate", "--out", "logs", cwd=tmp_path)
    assert done.returncode == 2
    assert (tmp_path / "logs" / "mine.csv").read_text() == "x\n"


def test_template_makes_empty_logs_that_check_cleanly_and_overwrites_none(tmp_path):
    done = run("template", "my_logs", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    made = [tmp_path / line for line in done.stdout.splitlines()]
    assert made
    assert all(path.is_file() for path in made)
    again = run("template", "my_logs", cwd=tmp_path)
    assert again.returncode == 2
    assert "Traceback" not in again.stderr


def test_logs_are_never_written_to(tmp_path):
    logs = tmp_path / "logs"
    # Nine batches with the casks, sheets and lists of them all: every kind of log is there.
    shutil.copytree(SAMPLE, logs, ignore=shutil.ignore_patterns("G[1-4]?.csv"))
    before = {
        path: (path.read_bytes(), path.stat().st_mtime_ns) for path in logs.rglob("*") if path.is_file()
    }
    assert run("review", "logs", cwd=tmp_path).returncode == 0
    after = {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in logs.rglob("*") if path.is_file()}
    assert before == after


def test_no_command_prints_progress_into_a_pipe(two_batches, tmp_path):
    assert "\r" not in run("build", two_batches, cwd=tmp_path).stderr


@pytest.mark.parametrize("command", ["review", "check", "build", "table", "simulate", "template"])
def test_every_help_has_an_example(command, tmp_path):
    done = run(command, "--help", cwd=tmp_path)
    assert done.returncode == 0
    assert f"Example: stillseason {command}" in done.stdout
