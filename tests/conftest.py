"""Settings that every test shares."""

from __future__ import annotations

from collections.abc import Generator
from typing import TypeVar

import pytest
from hypothesis import settings

Report = TypeVar("Report", pytest.TestReport, pytest.CollectReport)

# A property may take as long as the machine needs: time is measured in tests/bench and asserted nowhere.
settings.register_profile("stillseason", deadline=None)
settings.load_profile("stillseason")


def pytest_addoption(parser: pytest.Parser) -> None:
    """Offer --all-parts, for a machine that is meant to have every part (continuous integration)."""
    parser.addoption(
        "--all-parts",
        action="store_true",
        help="every optional part (a browser) is meant to be here: a test skipped for want of one fails",
    )


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Turn a skip into a failure under --all-parts."""
    report = yield
    return _without_skip(report, item.config)


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """The same for a file that skips itself while it is read."""
    report = yield
    return _without_skip(report, collector.config)


def _without_skip(report: Report, config: pytest.Config) -> Report:
    if config.getoption("--all-parts") and report.outcome == "skipped":
        report.outcome = "failed"
        report.longrepr = f"Skipped although --all-parts says that nothing is missing: {report.longrepr}"
    return report
