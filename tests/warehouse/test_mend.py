"""A build that mends makes the very tables that a build from nothing makes, and works out no more than it has to."""

from __future__ import annotations

import random
import re
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

import pipeline.account.partition
import pipeline.mend.season
import pipeline.warehouse
from pipeline.flow import Flow
from pipeline.settings import Settings
from pipeline.warehouse import build_season

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
from many_logs import sets_of_logs

SETS = 4
BATCHES = 5

Change = Callable[[bytes], bytes]


@pytest.fixture(scope="module")
def logs_of_sets(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """A few batches of each of several seasons that share no lot: log by name."""
    place = tmp_path_factory.mktemp("seasons")
    found = dict(sets_of_logs(place, 16 * SETS))
    sets: dict[str, dict[str, bytes]] = {}
    for name, text in found.items():
        sets.setdefault(name[:4], {})[name] = text
    return {name: text for logs in sets.values() for name, text in list(logs.items())[:BATCHES]}


@pytest.fixture
def small_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every set of batches a part of its own, however small the season."""
    monkeypatch.setattr(pipeline.kept_parts, "_WHOLE_UP_TO", 1)
    monkeypatch.setattr(pipeline.kept_parts, "_FEWEST", 1)


@pytest.fixture
def built(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """How each database was made, in order: 'mended' or 'anew'."""
    ways: list[str] = []
    mend, anew = pipeline.mend.season._mend, pipeline.warehouse._make_anew

    def noted_mend(*arguments: object) -> object:
        found = mend(*arguments)
        ways.append("mended" if found is not None else "given up")
        return found

    def noted_anew(*arguments: object) -> object:
        ways.append("anew")
        return anew(*arguments)

    monkeypatch.setattr(pipeline.mend.season, "_mend", noted_mend)
    monkeypatch.setattr(pipeline.warehouse, "_make_anew", noted_anew)
    return ways
