"""Hunt for logs that break the reading, led by which lines of the reader each log makes run.

Not a test that runs by itself: it needs atheris, which is no dependency of the project.
`python tests/fuzz/fuzz_coverage.py -max_total_time=600 FOLDER` begins with the logs of that folder, such as a
copy of tests/data/bad_logs, and what `seeds` makes of them, and adds to it. What begins with "<" is a sheet,
what begins as a packed log does is one. What must hold is what `fuzz_logs.py` asks.
"""

from __future__ import annotations

import importlib
import io
import sys
import tempfile
import zipfile
from pathlib import Path
from typing import Any

import xlsxwriter

SHEET = "xl/worksheets/sheet1.xml"


def book_around(sheet: bytes) -> bytes:
    """A book whose only sheet is `sheet`, in which the hunt can change what it likes."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(_book([["?"]]))) as parts, zipfile.ZipFile(out, "w") as whole:
        for part in parts.infolist():
            whole.writestr(part.filename, sheet if part.filename == SHEET else parts.read(part))
    return out.getvalue()


def seeds(folder: Path) -> None:
    """Sheets to begin with: each broken log of `folder` as one, its texts within the sheet."""
    for path in sorted(folder.glob("*.csv")):
        rows = [line.split(",") for line in path.read_text("utf-8", "replace").split("\n")[:20]]
        with zipfile.ZipFile(io.BytesIO(_book(rows))) as parts:
            (folder / f"{path.stem}.sheet").write_bytes(parts.read(SHEET))


def _book(rows: list[list[str]]) -> bytes:
    out = io.BytesIO()
    # Row by row: its texts then stand in the sheet itself and not in a list apart.
    with xlsxwriter.Workbook(out, {"constant_memory": True}) as book:
        sheet = book.add_worksheet("Log")
        for number, row in enumerate(rows):
            sheet.write_row(number, 0, row)
    return out.getvalue()


def main() -> None:
    """Instrument the reader while it is imported, then hunt until the time is over."""
    atheris: Any = importlib.import_module("atheris")
    with atheris.instrument_imports(include=["pipeline.logs", "pipeline.problems"]):
        read_logs: Any = importlib.import_module("pipeline.logs").read_logs
        settings: Any = importlib.import_module("pipeline.settings").Settings()
    sys.path.insert(0, str(Path(__file__).parent))
    check: Any = importlib.import_module("fuzz_logs").check
    for given in (Path(word) for word in sys.argv[1:] if Path(word).is_dir()):
        seeds(given)
    folder = Path(tempfile.mkdtemp())

    def read_one(content: bytes) -> None:
        """Read one log; fail unless it adds up, was not changed, and nothing was written beside it."""
        kind = {b"<": "xlsx", b"\x1f": "csv.gz"}.get(content[:1], "csv")
        data = book_around(content) if kind == "xlsx" else content
        path = folder / f"log.{kind}"
        path.write_bytes(data)
        check(read_logs(folder, settings))
        assert path.read_bytes() == data, "the log was changed"
        assert [each.name for each in folder.iterdir()] == [path.name], "a file was made"
        path.unlink()

    atheris.Setup(sys.argv, read_one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
