"""Where results may go: never over a log, never where the next build would read them as one."""

from __future__ import annotations

import gzip
import os
import sys
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

import pipeline.cli
from pipeline.logs import read_logs
from pipeline.logs.find import LOG_SUFFIXES
from pipeline.logs.header import HeaderError, header_of_cells
from pipeline.outputs import OutputError, folder_of_logs, refuse_output, refuse_output_among, write_whole
from pipeline.panel.sheets import SheetError, plan_tasting, write_plan
from pipeline.report.page import _write as write_page
from pipeline.settings import Settings, SettingsError
from pipeline.warehouse import build_season, logs_of, open_season, read_table, table_names

LOG = "batch,when,step,item\nB1,2031-02-01,yeast,ale\n"
TABLE = "batch,season,yield_lpa_per_kg\nB1,2031,0.4\n"

Known = dict[str, tuple[int, str]]


@pytest.fixture
def season(tmp_path: Path) -> tuple[Path, Known]:
    """A folder with one log two folders down, and what a database would know of it."""
    logs = tmp_path / "logs"
    (logs / "batches").mkdir(parents=True)
    (logs / "batches" / "B1.csv").write_text(LOG)
    files = read_logs(logs, Settings()).files
    return logs, {
        path: (size, sha) for path, size, sha in files.select("path", "size_bytes", "sha256").rows()
    }


def command(monkeypatch: pytest.MonkeyPatch, *words: str | Path) -> int:
    """Run a command in this process; its exit status."""
    monkeypatch.setattr(sys, "argv", ["stillseason", *map(str, words)])
    with pytest.raises(SystemExit) as left:
        pipeline.cli.main()
    code = left.value.code
    assert isinstance(code, int)
    return code


def _same(log: Path, out: Path) -> Path:
    return log


def _soft(log: Path, out: Path) -> Path:
    out.symlink_to(log)
    return out


def _hard(log: Path, out: Path) -> Path:
    out.hardlink_to(log)
    return out


def _copy(log: Path, out: Path) -> Path:
    out.write_bytes(log.read_bytes())
    return out


@pytest.mark.parametrize("name", ["out.csv", "out.json", "out"])
@pytest.mark.parametrize("way", [_same, _soft, _hard, _copy])
def test_a_log_is_not_written_over_by_any_of_its_names(
    season: tuple[Path, Known], tmp_path: Path, way: Callable[[Path, Path], Path], name: str
) -> None:
    logs, known = season
    out = way(logs / "batches" / "B1.csv", tmp_path / name)
    with pytest.raises(OutputError, match="is one of the season's logs and is left alone"):
        refuse_output(out, known)


@pytest.mark.parametrize("name", ["other.csv", "other.CSV.gz", "other.tsv"])
def test_a_log_that_the_database_does_not_know_is_not_written_over(
    season: tuple[Path, Known], tmp_path: Path, name: str
) -> None:
    _, known = season
    out = tmp_path / name
    text = LOG.replace("ale", "lager").replace(",", "\t" if "tsv" in name else ",").encode()
    out.write_bytes(gzip.compress(text) if name.endswith("gz") else text)
    with pytest.raises(OutputError, match="reads like a batch log"):
        refuse_output(out, known)


@pytest.mark.parametrize("suffix", LOG_SUFFIXES)
@pytest.mark.parametrize("place", [".", "batches", "exports/of/mine"])
def test_a_table_is_not_put_where_it_would_be_read_as_a_log(
    season: tuple[Path, Known], suffix: str, place: str
) -> None:
    logs, known = season
    out = logs / place / f"yields{suffix.upper()}"
    with pytest.raises(OutputError, match="would lie in the folder of the season's logs") as refused:
        refuse_output(out, known)
    assert str(logs) in str(refused.value)


def test_a_table_may_lie_anywhere_else_and_among_the_logs_under_another_name(
    season: tuple[Path, Known], tmp_path: Path
) -> None:
    logs, known = season
    earlier = tmp_path / "yields.csv"
    earlier.write_text(TABLE)
    # A folder with a file that has a log's name, and not what a log holds, is no folder of logs.
    (tmp_path / "batches").mkdir()
    (tmp_path / "batches" / "B1.csv").write_text(TABLE)
    assert folder_of_logs(tmp_path / "yields.csv", known) is None
    for out in (earlier, tmp_path / "new.csv", tmp_path / "batches" / "B1.csv"):
        refuse_output(out, known)
    for name in ("yields.json", "yields.parquet", "yields.txt", ".yields.csv"):
        refuse_output(logs / name, known)
    assert folder_of_logs(logs / "deep" / "er" / "yields.csv", known) == logs


def test_a_database_named_like_a_log_is_refused_among_the_logs(
    season: tuple[Path, Known],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    logs, _ = season
    for words in (("build", logs), ("review", logs, "--out", tmp_path / "reports")):
        assert command(monkeypatch, *words, "--db", logs / "season.csv") == 2
        assert "lies among the logs and is named like one" in capsys.readouterr().err
    assert not (logs / "season.csv").exists()
    link = tmp_path / "link"
    link.symlink_to(logs, target_is_directory=True)
    with pytest.raises(OutputError):
        refuse_output_among(link / "season.xlsx", logs, "--db")
    refuse_output_among(logs / "season.duckdb", logs, "--db")
    refuse_output_among(tmp_path / "season.csv", logs, "--db")


def test_a_database_and_a_report_among_the_logs_are_never_read_as_logs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """As it happens when somebody works in the folder of the logs; and no table is read back as a log."""
    logs = tmp_path / "logs"
    logs.mkdir()
    (logs / "B1.csv").write_text(LOG)
    before = (logs / "B1.csv").read_bytes()
    database = logs / "season.duckdb"
    build_season(logs, database, Settings())
    (logs / "reports" / "2031").mkdir(parents=True)
    write_page(logs / "reports" / "2031" / "index.html", "<p>batch,step,item</p>")
    build_season(logs, database, Settings())
    with open_season(database) as con:
        assert read_table(con, "raw.file")["path"].to_list() == ["B1.csv"]
        assert logs_of(con)["B1.csv"][0] == len(before)
        for name in table_names(con):
            columns = read_table(con, name).columns
            with pytest.raises(HeaderError):
                header_of_cells(",", columns, ",".join(columns))
    assert (logs / "B1.csv").read_bytes() == before
    words = ("table", "metric.batch", "--db", database, "--format", "csv", "--out")
    assert command(monkeypatch, *words, logs / "B1.csv") == 2
    assert command(monkeypatch, *words, logs / "yields.csv") == 2
    assert "Traceback" not in capsys.readouterr().err
    assert sorted(path.name for path in logs.iterdir()) == ["B1.csv", "reports", "season.duckdb"]


def test_a_table_that_lies_among_the_logs_all_the_same_is_named(tmp_path: Path) -> None:
    header = "session,sample,batch,run,jar_no,cut,label,jars,volume_l,abv_pct_vol,lpa_frac_start,lpa_frac_end"
    (tmp_path / "metric.tasted_jar.csv").write_text(header + "\n" + "1,2,3,4,5,6,7,8,9,10,11,12\n")
    frames = read_logs(tmp_path, Settings())
    assert frames.problems["kind"].to_list() == ["own_table"]
    assert (frames.rows_in, frames.rows_set_aside) == (1, 1)


def test_what_is_written_takes_a_name_and_changes_no_other(tmp_path: Path) -> None:
    old = tmp_path / "old"
    old.write_bytes(b"what it held")
    (tmp_path / "hard").hardlink_to(old)
    write_whole(tmp_path / "hard", b"new")
    assert (old.read_bytes(), (tmp_path / "hard").read_bytes()) == (b"what it held", b"new")
    (tmp_path / "soft").symlink_to(old)
    write_whole(tmp_path / "soft", b"newer")
    assert old.read_bytes() == b"newer"
    assert (tmp_path / "soft").is_symlink()
    write_whole(Path(os.devnull), b"nowhere")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["hard", "old", "soft"]


@pytest.mark.parametrize("link", [Path.symlink_to, Path.hardlink_to])
@pytest.mark.parametrize("name", ["index.html", "index.html.tmp"])
def test_a_page_is_not_written_through_a_link_to_a_log(
    tmp_path: Path, link: Callable[[Path, Path], None], name: str
) -> None:
    log = tmp_path / "B1.csv"
    log.write_text(LOG)
    (tmp_path / "2031").mkdir()
    link(tmp_path / "2031" / name, log)
    write_page(tmp_path / "2031" / "index.html", "page")
    assert log.read_text() == LOG
    assert (tmp_path / "2031" / "index.html").read_text() == "page"


@pytest.mark.parametrize("is_there", [True, False])
def test_score_sheets_are_not_written_through_a_link(tmp_path: Path, is_there: bool) -> None:
    log = tmp_path / "B1.csv"
    if is_there:
        log.write_text(LOG)
    (tmp_path / "tasting").mkdir()
    (tmp_path / "tasting" / "sheet.csv").symlink_to(log)
    plan = plan_tasting("march", ["B1", "B2"], ["P1", "P2"], ["fruit"])
    with pytest.raises(SheetError, match=r"sheet\.csv is there already"):
        write_plan(plan, tmp_path / "tasting")
    assert log.exists() is is_there
    assert [path.name for path in (tmp_path / "tasting").iterdir()] == ["sheet.csv"]


@pytest.mark.parametrize("place", ["logs/batches/B1.csv", "logs/batches/B1.csv/deeper"])
def test_a_folder_that_is_a_log_is_a_sentence(
    season: tuple[Path, Known],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    place: str,
) -> None:
    for words in (("template",), ("simulate", "--batches", "1", "--out"), ("panel", "B1", "B2", "--out")):
        assert command(monkeypatch, *words, tmp_path / place) in (2, 3)
        said = capsys.readouterr().err
        assert "B1.csv" in said
        assert "Traceback" not in said
    assert (tmp_path / "logs/batches/B1.csv").read_text() == LOG


def test_settings_are_not_read_through_a_link(tmp_path: Path) -> None:
    (tmp_path / "outside.toml").write_text('title = "secret"\n')
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "season.toml").symlink_to(tmp_path / "outside.toml")
    with pytest.raises(SettingsError, match="is a symbolic link and is not followed"):
        Settings.find(tmp_path / "logs")
    assert Settings.load(tmp_path / "logs" / "season.toml").title == "secret", "named, it is read"


def test_an_exported_table_is_whole_or_not_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    out = tmp_path / "yields.csv"
    out.write_text(TABLE)
    monkeypatch.setattr("pipeline.outputs.os.replace", full)
    with pytest.raises(OSError, match="No space"):
        write_whole(out, pl.DataFrame({"a": [1]}).write_csv().encode())
    assert out.read_text() == TABLE
    assert [path.name for path in tmp_path.iterdir()] == ["yields.csv"]
