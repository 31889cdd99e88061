"""Reading a log given as text, as the tests of the logs do all the time."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.logs import LogFrames, read_logs
from pipeline.settings import Settings

Read = Callable[..., LogFrames]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Write one log and read it: `read(text_or_bytes, name="log.csv", **settings)`."""

    def read_one(content: str | bytes, name: str = "log.csv", **settings: str) -> LogFrames:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return read_logs(tmp_path, Settings(**settings))

    return read_one
