"""Hunt for logs that break the reading: mutated logs, for as long as one likes.

Not a test that runs by itself: `python tests/fuzz/fuzz_logs.py --minutes 10`. It takes the broken examples
and the sample season, changes bytes, cells and lines at random, and reads the result. Whatever stands in one,
reading must not fail, rows in must be rows used plus rows set aside, and no file may be changed or made.
"""

from __future__ import annotations

import argparse
import random
import tempfile
import time
from pathlib import Path

import polars as pl

from pipeline.logs import LogFrames, read_logs
from pipeline.problems import KINDS, problems_as_csv, problems_as_json, problems_as_text
from pipeline.settings import Settings

TESTS = Path(__file__).parents[1]

SCRAPS = [
    *(
        b",",
        b";",
        b"\t",
        b"\n",
        b"\r",
        b"\r\n",
        b'"',
        b'""',
        b"#",
        b"\x00",
        b"\xff",
        b"\xfe\xff",
        b"\xef\xbb\xbf",
    ),
    *("−", "°", "é", "\u202e", "½", "٤", "１", "'", "’", "\u00a0", "😀"),
    *(b"1e999", b"-0", b"nan", b"inf", b"0x10", b"1,5", b"1.5", b"1.400,5", b"62 %", b"5 gal", b"15 P"),
    *(
        b"2025-02-30",
        b"14/09/2025",
        b"2025-09-14T08:30:00+02:00",
        b"9999-12-31",
        b"=1+1",
        b"@x",
        b"<b>",
        b"\x1b[2J",
    ),
    *(
        b"batch",
        b"cask",
        b"step",
        b"assessor",
        b"sample",
        b"score",
        b"attribute",
        b"hearts",
        b"collect",
        b"[gal]",
    ),
]


def corpus() -> list[bytes]:
    """Logs to begin with."""
    paths = [*(TESTS / "data" / "bad_logs").glob("*.csv"), *(TESTS.parent / "sample_logs").rglob("*.csv")]
    return [path.read_bytes()[:6000] for path in sorted(paths)]


def mutated(chance: random.Random, seeds: list[bytes]) -> bytes:
    """A log with a few random changes."""
    data = bytearray(chance.choice(seeds))
    for _ in range(chance.randrange(1, 9)):
        at = chance.randrange(len(data) + 1)
        match chance.randrange(7):
            case 0:
                scrap = chance.choice(SCRAPS)
                data[at:at] = scrap if isinstance(scrap, bytes) else scrap.encode()
            case 1:
                del data[at : at + chance.randrange(1, 40)]
            case 2:
                data[at : at + 1] = bytes([chance.randrange(256)])
            case 3:
                lines = bytes(data).split(b"\n")
                chance.shuffle(lines)
                data = bytearray(b"\n".join(lines))
            case 4:
                cells = bytes(data).split(b",")
                first, second = chance.randrange(len(cells)), chance.randrange(len(cells))
                cells[first] = cells[second]
                data = bytearray(b",".join(cells))
            case 5:
                other = chance.choice(seeds)
                data[at:at] = other[: chance.randrange(200)]
            case _:
                data[at:at] = data[at : at + chance.randrange(1, 60)] * chance.randrange(1, 4)
    if chance.random() < 0.05:
        return bytes(data).decode("utf-8", "replace").encode("utf-16")
    return bytes(data)


def check(frames: LogFrames) -> None:
    """Fail unless the reading adds up and can be shown."""
    for file in frames.files.iter_rows(named=True):
        assert file["rows_in"] == file["rows_used"] + file["rows_set_aside"], file
        assert 0 <= file["rows_used"] <= file["rows_in"], file
    aside = [code for code, kind in KINDS.items() if kind.effect == "row set aside"]
    whole = [code for code, kind in KINDS.items() if kind.effect == "file set aside"]
    found = frames.problems
    # Of sensor readings, a thousand to the quarter of an hour, the rows set aside are told by the file.
    is_telemetry = (frames.files["kind"] == "telemetry").any()
    if not found["kind"].is_in(whole).any() and not is_telemetry:
        lines = found.filter(pl.col("kind").is_in(aside)).select("file", "line").n_unique()
        assert lines == frames.rows_set_aside, "each row set aside has its problem"
    for shown in (problems_as_text, problems_as_csv, problems_as_json):
        assert "\x1b" not in shown(found)


def main() -> None:
    """Read mutated logs until the time is over; say how many."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--minutes", type=float, default=10.0)
    arguments.add_argument("--seed", type=int, default=1)
    chosen = arguments.parse_args()
    chance, seeds = random.Random(chosen.seed), corpus()
    until, logs, rows, problems = time.monotonic() + 60 * chosen.minutes, 0, 0, 0
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "log.csv")
        while time.monotonic() < until:
            content = mutated(chance, seeds)
            path.write_bytes(content)
            try:
                frames = read_logs(Path(folder), Settings(date_order=chance.choice(["", "dmy", "mdy"])))
                check(frames)
                assert path.read_bytes() == content, "the log was changed"
                assert [each.name for each in Path(folder).iterdir()] == ["log.csv"], "a file was made"
            finally:
                # Kept whatever ends the loop, so that the log that failed is there to look at.
                Path("fuzz_last.csv").write_bytes(content)
            logs, rows, problems = logs + 1, rows + frames.rows_in, problems + len(frames.problems)
    print(f"{logs:,} logs with {rows:,} rows, {problems:,} problems found, no failure.")


if __name__ == "__main__":
    main()
