"""A logger's file: told by its header, reduced minute by minute, and nothing lost uncounted."""

from __future__ import annotations

import gzip
import random
import re
from datetime import datetime, timedelta
from pathlib import Path

import duckdb
import polars as pl
import pytest

import pipeline.logs.read as logs_reading
import pipeline.logs.telemetry.read as reading
from pipeline.logs import read_logs
from pipeline.logs.telemetry import told_as_telemetry
from pipeline.settings import Settings
from pipeline.warehouse import build_season, make_tables, open_season, read_table

STARTS = datetime(2031, 2, 11, 8, 0)
HEADER = "batch,run,when,vapour,kettle,power,takeoff,strength"
STRENGTHS = (80.5, 80.0, 79.4, 78.8, 78.1, 77.2, 76.2, 75.0, 73.5, 71.7, 69.3, 66.2, 61.8, 55.4)


def row(second: int, run: str = "spirit", batch: str = "7") -> str:
    """A run that is heated from 18 degC, gives its first drop after 40 minutes and then weakens evenly."""
    minute = second / 60.0
    runs = minute >= 40.0
    vapour = 80.0 + 0.02 * (minute - 40.0) if runs else 19.0
    kettle = 85.0 + 0.03 * (minute - 40.0) if runs else 18.0 + 67.0 * minute / 40.0
    takeoff, strength = ("0.05", f"{80.0 - 0.06 * (minute - 40.0):.2f}") if runs else ("0", "")
    moment = STARTS + timedelta(seconds=second)
    return f"{batch},{run},{moment},{vapour:.2f},{kettle:.2f},5.5,{takeoff},{strength}"


def rows(seconds: int, step: int = 1, run: str = "spirit") -> list[str]:
    return [row(second, run) for second in range(0, seconds, step)]


def log() -> str:
    lines = ["batch,when,step,run,item,cut,volume,strength,minutes"]
    lines.append("7,2031-02-11 08:00,charge,spirit,low wines,,40,28,")
    for jar, strength in enumerate(STRENGTHS):
        at = STARTS + timedelta(minutes=60 + 20 * jar)
        lines.append(f"7,{at:%Y-%m-%d %H:%M},collect,spirit,jar {jar + 1},hearts,1,{strength},20")
    return "\n".join(lines) + "\n"


def read(folder: Path, text: str | bytes, name: str = "logger.csv"):
    data = text.encode() if isinstance(text, str) else text
    (folder / name).write_bytes(data)
    return read_logs(folder, Settings())


def minutes(frames) -> pl.DataFrame:
    return frames.values["telemetry_minute"]


def test_a_minute_is_the_median_of_its_rows(tmp_path):
    frames = read(tmp_path, "\n".join([HEADER, *rows(7200)]) + "\n")
    assert frames.problems.is_empty()
    assert frames.files.row(0, named=True)["kind"] == "telemetry"
    assert (frames.rows_in, frames.rows_set_aside) == (7200, 0)
    found = minutes(frames)
    assert found.height == 120
    assert found["rows"].sum() == 7200
    # Seconds 3000 to 3059: the middle is 3029.5 s, 10.49 minutes after the first drop.
    fifty = found.row(50, named=True)
    assert fifty["line"] == 3002
    assert fifty["minute_at"] == STARTS + timedelta(minutes=50)
    assert fifty["strength_reading"] == pytest.approx(80.0 - 0.06 * 10.4917, abs=0.006)
    assert (fifty["takeoff_per_min_l"], fifty["power_kw"], fifty["kettle_rows"]) == (0.05, 5.5, 60)
    assert found["strength_rows"].to_list()[:40] == [0] * 40


def test_pieces_leave_no_seam(tmp_path, monkeypatch):
    """Two stills written in turns, read in pieces of a few hundred bytes or in one: the same minutes."""
    both = [line for second in range(900) for line in (row(second), row(second, "other"))]
    text = "\r\n".join([HEADER, "# a comment", *both[:500], "", *both[500:]]) + "\r\n"
    whole = read(tmp_path, text)
    monkeypatch.setattr(reading, "PIECE_BYTES", 333)
    parts = read(tmp_path, text)
    assert minutes(whole).height == 30
    assert minutes(parts).equals(minutes(whole))
    assert parts.files.equals(whole.files)
    assert parts.rows_in == 1800


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("is_packed", [False, True])
def test_every_encoding_of_the_format_is_read(tmp_path, encoding, is_packed):
    lines = [HEADER.replace(",", ";")] + [each.replace(",", ";").replace(".", ",") for each in rows(240)]
    data = "\n".join(lines).replace(";spirit;", ";größer;").encode(encoding)
    name = "logger.csv.gz" if is_packed else "logger.csv"
    frames = read(tmp_path, gzip.compress(data) if is_packed else data, name)
    assert frames.rows_in == 240
    assert set(minutes(frames)["run"]) == {"größer"}
    assert minutes(frames)["kettle_c"][0] == pytest.approx(18.82, abs=0.02)


@pytest.mark.parametrize("piece_bytes", [reading.PIECE_BYTES, 333], ids=["in one piece", "in two pieces"])
def test_a_file_that_writes_decimals_both_ways_is_refused(tmp_path, monkeypatch, piece_bytes):
    """A logger whose settings were changed half way: with commas up to line 101, with points after it."""
    points = [each.replace(",", ";") for each in rows(1200, 6)]
    lines = [each.replace(".", ",") for each in points[:100]] + points[100:]
    monkeypatch.setattr(reading, "PIECE_BYTES", piece_bytes)
    frames = read(tmp_path, "\n".join([HEADER.replace(",", ";"), *lines]) + "\n")
    assert (frames.rows_in, frames.rows_set_aside, minutes(frames).height) == (200, 200, 0)
    assert frames.problems.select("kind", "line", "found").rows() == [
        ("mixed_decimals", 102, '"19.00" in line 102 and "19,00" in line 2')
    ]
    assert frames.files["decimal_mark"].to_list() == [None]


@pytest.mark.parametrize(("mark", "delimiter"), [(",", ";"), (".", ";"), (".", ",")])
def test_one_decimal_mark_is_no_problem_and_is_told(tmp_path, mark, delimiter):
    """Whole numbers and words beside it say nothing."""
    text = "\n".join([HEADER, *rows(1200, 6), "7,spirit,2031-02-11 08:20:00,OFF,20,5,0,78"])
    text = text.replace(",", delimiter).replace(".", mark)
    frames = read(tmp_path, text + "\n")
    assert frames.problems["kind"].to_list() == ["telemetry_cells"]
    assert frames.files["decimal_mark"].to_list() == [mark]
    assert minutes(frames).height == 21


def test_units_in_the_header_are_converted(tmp_path):
    header = "Batch;Run;When;Vapour [°F];Take-off [L/h];Takeoff note;Power [W];barometer [inHg]"
    text = f"{header.replace('Take-off', 'takeoff')}\n7;a;2031-02-11T08:00:00Z;185;3;x;5500;29.53\n"
    first = minutes(read(tmp_path, text)).row(0, named=True)
    assert first["vapour_c"] == pytest.approx(85.0)
    assert first["takeoff_per_min_l"] == pytest.approx(0.05)
    assert first["power_kw"] == pytest.approx(5.5)
    assert first["barometer_hpa"] == pytest.approx(1000.0, abs=0.05)


def test_other_headers_are_not_taken_for_telemetry(tmp_path):
    path = tmp_path / "log.csv"
    for header in (
        "batch,run,when,note",
        "batch,run,when,step,strength",
        "run,when,vapour",
        "",
        "batch,run,when,vapour,vapour",
    ):
        path.write_text(header + "\n7,a,2031-02-11,1,2\n")
        assert told_as_telemetry(path) is None, header


def test_rows_in_are_rows_used_and_rows_set_aside_whatever_stands_there(tmp_path, monkeypatch):
    """Cells, lines and bytes spoilt at random: nothing crashes and every row is counted once."""
    # As a large file is read: by its first line, without being held whole.
    monkeypatch.setattr(logs_reading, "_LARGE_BYTES", 0)
    random.seed(4)
    for trial in range(12):
        lines = rows(400)
        for _ in range(60):
            at = random.randrange(len(lines))
            cells = lines[at].split(",")
            cells[random.randrange(len(cells))] = random.choice(
                ["", "x", "1e999", "-", "NaN", "a,b", "\x00", "é"]
            )
            lines[at] = ",".join(cells)
        data = ("\n".join([HEADER, *lines])).encode("utf-8" if trial % 2 else "cp1252")
        frames = read(tmp_path, data)
        used = minutes(frames)["rows"].sum()
        assert frames.rows_in == 400
        assert used + frames.rows_set_aside == 400
        told = frames.problems.filter(pl.col("kind") == "telemetry_rows")
        assert bool(frames.rows_set_aside) == bool(told.height)


def test_a_stuck_sensor_is_not_measured_while_it_is_stuck(tmp_path):
    lines = [
        ",".join([*line.split(",")[:3], "81.40", *line.split(",")[4:]]) if at > 300 else line
        for at, line in enumerate(rows(9000, 10))
    ]
    frames = read(tmp_path, "\n".join([HEADER, *lines]) + "\n")
    assert frames.problems["kind"].to_list() == ["sensor_stuck"]
    found = minutes(frames)
    assert found["vapour_c"][45] is not None
    assert found["vapour_c"][60:].is_null().all()
    # A head at the warmth of the room while the kettle heats is not stuck.
    assert found["vapour_c"][:40].is_not_null().all()


@pytest.fixture(scope="module", name="season")
def _season(tmp_path_factory):
    folder = tmp_path_factory.mktemp("season")
    (folder / "batch.csv").write_text(log())
    text = "\n".join([HEADER, *rows(20_400, 10)]) + "\n"
    (folder / "logger.csv").write_text(text)
    # The same run by a logger whose clock is a day off, and one of a run nobody logged.
    other = text.replace(",spirit,", ",strip 1,")
    (folder / "unknown.csv").write_text("\n".join(other.splitlines()[:9]) + "\n")
    wanted = [
        *("metric.telemetry_run", "metric.telemetry_jar", "problem.telemetry_unknown_run"),
        "problem.telemetry_outside_run",
    ]
    with duckdb.connect(":memory:") as con:
        make_tables(con, read_logs(folder, Settings()), Settings(), wanted=wanted)
        yield con


def test_heating_and_take_off_come_from_the_sensors(season):
    run = pl.DataFrame(season.sql("select * from metric.telemetry_run")).row(0, named=True)
    assert (run["heating_min"], run["telemetry_minutes"], run["minutes_without"]) == (40, 340, 0)
    assert run["heat_up_c_per_minute"] == pytest.approx(67.0 / 40.0, rel=0.02)
    assert run["takeoff_per_min_l"] == pytest.approx(0.05)
    assert run["takeoff_drift_frac"] == pytest.approx(0.0, abs=1e-9)
    # 300 minutes at 0.05 L; fourteen jars of a litre were logged.
    assert (run["takeoff_volume_l"], run["collected_volume_l"]) == pytest.approx((15.0, 14.0))


def test_the_sensors_stand_beside_each_jar(season):
    jars = pl.DataFrame(season.sql("select * from metric.telemetry_jar order by jar_no"))
    assert jars["telemetry_minutes"].to_list() == [20] * 14
    # Jar 1: minutes 40 to 60, on average 10 minutes after the first drop.
    assert jars["inline_abv_pct_vol"][0] == pytest.approx(80.0 - 0.06 * 10.0, abs=0.02)
    assert jars["inline_difference_pct_vol"][0] == pytest.approx(79.4 - 80.5, abs=0.02)
    assert jars["vapour_c"][13] == pytest.approx(80.0 + 0.02 * 270.0, abs=0.02)


def test_a_run_that_no_log_knows_is_named(season):
    found = season.execute("select batch, found, expected from problem.telemetry_unknown_run").fetchall()
    assert found == [("7", "7 strip 1", "a run of the logs; of batch 7 they know spirit")]


@pytest.mark.parametrize(
    ("is_timed", "hours"),
    [(True, "2031-02-11 08:00 to 2031-02-11 13:20"), (False, "2031-02-11 00:00 to 2031-02-12 00:00")],
    ids=["timed log", "log with dates alone"],
)
def test_telemetry_of_another_day_is_two_clocks(tmp_path, is_timed, hours):
    written = log() if is_timed else re.sub(r"(2031-\d\d-\d\d) \d\d:\d\d", r"\1", log())
    (tmp_path / "batch.csv").write_text(written)
    text = "\n".join([HEADER, *rows(1200, 60)]).replace("2031-02-11", "2031-02-12")
    with duckdb.connect(":memory:") as con:
        frames = read(tmp_path, text + "\n")
        make_tables(con, frames, Settings(), wanted=["problem.telemetry_outside_run"])
        ((found, expected),) = con.execute(
            "select found, expected from problem.telemetry_outside_run"
        ).fetchall()
    assert found == "20 min of 7 spirit outside its hours, from 2031-02-12 08:00 to 2031-02-12 08:19"
    assert expected.startswith(f"times within three hours of {hours}")


def test_a_build_takes_over_telemetry_that_has_not_changed(tmp_path, monkeypatch):
    logs, database = tmp_path / "logs", tmp_path / "season.duckdb"
    logs.mkdir()
    (logs / "batch.csv").write_text(log())
    (logs / "logger.csv").write_text("\n".join([HEADER, *rows(1200, 30)]) + "\n")
    build_season(logs, database, Settings())
    with open_season(database) as con:
        before = read_table(con, "raw.telemetry_minute")
    (logs / "batch.csv").write_text(log().replace("80.5", "80.4"))
    monkeypatch.setattr(reading, "_pieces", lambda *_: pytest.fail("telemetry was read again"))
    build_season(logs, database, Settings())
    with open_season(database) as con:
        assert read_table(con, "raw.telemetry_minute").equals(before)
        assert read_table(con, "raw.file")["rows_in"].to_list() == [15, 40]
    assert before.height == 20


def test_memory_is_that_of_a_piece_and_not_of_the_file(tmp_path, monkeypatch):
    """What waits between pieces is a minute of each run, however many rows have gone by."""
    waits = []
    take = reading._Reducer.take

    def watched(self, piece):
        take(self, piece)
        waits.append(self._waiting.height)

    monkeypatch.setattr(reading._Reducer, "take", watched)
    monkeypatch.setattr(reading, "PIECE_BYTES", 1 << 20)
    block = "\n".join(rows(3600)) + "\n"
    text = "".join([HEADER + "\n", *(block.replace(",spirit,", f",run {n},") for n in range(60))])
    frames = read(tmp_path, text)
    assert frames.rows_in == 216_000
    assert minutes(frames).height == 3600
    assert len(waits) >= 10
    assert max(waits) <= 60 * 60


@pytest.mark.parametrize(
    ("written", "date_order"),
    [
        ("2031-02-11 08:00", ""),
        ("2031-02-11T08:00:00.250Z", ""),
        ("11/02/2031 08:00", "dmy"),
        ("11.2.2031 8:00:00", "dmy"),
        ("02/11/2031 08:00:00", "mdy"),
    ],
)
def test_dates_are_those_of_any_other_log(tmp_path, written, date_order):
    (tmp_path / "logger.csv").write_text(f"{HEADER}\n7,spirit,{written},80,85,5,0.05,78\n")
    (tmp_path / "log.csv").write_text(f"batch,when,step,item\n7,{written},yeast,ale\n")
    frames = read_logs(tmp_path, Settings(date_order=date_order))
    assert frames.problems.is_empty()
    assert minutes(frames)["minute_at"].to_list() == [STARTS]
    assert frames.values["batch_value"]["logged_at"].dt.truncate("1m").to_list() == [STARTS]


def test_a_row_whose_moment_cannot_be_told_says_why(tmp_path):
    whens = ["11/02/2031 08:00", "12/02/2031 08:00", "2031-02-11", "31-02-11 08:00", "2031-02-30 08:00", ""]
    lines = [f"7,spirit,{when},80,85,5,0.05,78" for when in whens]
    frames = read(tmp_path, "\n".join([HEADER, row(0), *lines, "7,,2031-02-11 08:00,80,85,5,0.05,78"]) + "\n")
    assert (frames.rows_in, frames.rows_set_aside) == (8, 7)
    told = dict(frames.problems.select("line", "message").rows())
    assert sorted(told) == [3, 5, 6, 7, 8, 9]
    assert "(how many: 2)" in told[3]
    assert (
        '(its date does not say which is the day: set date_order = "dmy" or "mdy" in season.toml)' in told[3]
    )
    for line, why in {
        5: "a date without a time",
        6: "no date (the year has two digits)",
        7: "no date (no such day or time)",
        8: "no date",
        9: "no batch or no run",
    }.items():
        assert f"({why}). Expected" in told[line]
