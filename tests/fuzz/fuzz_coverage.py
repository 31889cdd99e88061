"""Hunt for logs that break the reading, led by which lines of the reader each log makes run.

Not a test that runs by itself: it needs atheris, which is no dependency of the project.
`python tests/fuzz/fuzz_coverage.py -max_total_time=600 FOLDER` begins with the logs of that folder, such as a
copy of tests/data/bad_logs, and adds to it. What must hold is what `fuzz_logs.py` asks.
"""

from __future__ import annotations

import importlib
import sys
import tempfile
from pathlib import Path
from typing import Any


def main() -> None:
    """Instrument the reader while it is imported, then hunt until the time is over."""
    atheris: Any = importlib.import_module("atheris")
    with atheris.instrument_imports(include=["pipeline.logs", "pipeline.problems"]):
        read_logs: Any = importlib.import_module("pipeline.logs").read_logs
        settings: Any = importlib.import_module("pipeline.settings").Settings()
    sys.path.insert(0, str(Path(__file__).parent))
    check: Any = importlib.import_module("fuzz_logs").check
    folder = Path(tempfile.mkdtemp())

    def read_one(content: bytes) -> None:
        """Read one log; fail unless it adds up, was not changed, and nothing was written beside it."""
        path = folder / "log.csv"
        path.write_bytes(content)
        check(read_logs(folder, settings))
        assert path.read_bytes() == content, "the log was changed"
        assert [each.name for each in folder.iterdir()] == ["log.csv"], "a file was made"

    atheris.Setup(sys.argv, read_one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
