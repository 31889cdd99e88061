"""The page in a browser with the network off: every chart drawn, nothing refused, no name left behind."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pytest

from pipeline.logs import read_logs
from pipeline.report import write_reports
from pipeline.settings import Settings
from pipeline.simulate import simulate_season, write_season
from pipeline.warehouse import fill_database

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")

pytestmark = pytest.mark.skipif(BROWSER is None, reason="no Chromium on this machine to open the page with")

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-extensions",
    "--host-resolver-rules=MAP * ~NOTFOUND",
    "--enable-logging=stderr",
    "--virtual-time-budget=30000",
)


@dataclass(frozen=True)
class Opened:
    """A page after its scripts ran: the document and what the console said."""

    document: str
    console: list[str]


def open_page(page: Path, profile: Path, *flags: str) -> Opened:
    """Open a page from disk in a fresh, headless browser and give back its document."""
    assert BROWSER is not None
    done = subprocess.run(
        [BROWSER, *FLAGS, f"--user-data-dir={profile}", *flags, "--dump-dom", page.as_uri()],
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=240,
        check=True,
        env=os.environ | {"TZ": "America/Los_Angeles"},
    )
    return Opened(done.stdout, [line for line in done.stderr.splitlines() if ":CONSOLE" in line])


POLICY = re.compile(r'<meta http-equiv="Content-Security-Policy"[^>]*>')

FIND_LEAKS = """
<script>
addEventListener("load", () => {
  const known = (name) => eval("typeof " + name) !== "undefined";
  const seen = ["vega", "vegaEmbed", "vegaLite", "draw", "start", "OPTIONS"].filter(known);
  document.body.dataset.leaked = seen.join(" ") || "none";
});
</script>
"""

MEASURE_WIDTH = """
<script>
const look = () => {
  if (document.documentElement.dataset.charts !== "done") { setTimeout(look, 50); return; }
  document.querySelectorAll("details").forEach((part) => { part.open = true; });
  parent.document.body.dataset.wide = document.documentElement.scrollWidth;
};
look();
</script>
"""


def with_script(page: Path, script: str, keep_policy: bool = False) -> str:
    """A copy of the page's text with one more script at its end, and no policy unless it is kept."""
    html = page.read_text(encoding="utf-8")
    if not keep_policy:
        html = POLICY.sub("", html, count=1)
    # The bundle holds the words </body> too, so it is the last one that ends the page.
    before, end, after = html.rpartition("</body>")
    return before + script + end + after


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("season")
    write_season(simulate_season(12, 5), place / "logs")
    settings = Settings.find(place / "logs")
    with duckdb.connect(":memory:") as con:
        fill_database(con, read_logs(place / "logs", settings), settings)
        (path,) = write_reports(con, place / "reports")
    return path


@pytest.fixture(scope="module")
def opened(page: Path, tmp_path_factory: pytest.TempPathFactory) -> Opened:
    return open_page(page, tmp_path_factory.mktemp("profile"))


def drawings(opened: Opened) -> list[str]:
    """Each chart as drawn."""
    return re.findall(r'<svg[^>]*class="marks".*?</svg>', opened.document, re.DOTALL)


def test_every_chart_is_drawn(opened):
    states = re.findall(r'<figure data-state="([a-z]+)"', opened.document)
    assert len(states) >= 8
    assert set(states) == {"drawn"}
    assert len(drawings(opened)) == len(states)


def test_the_console_stays_silent(opened):
    assert opened.console == []


def test_charts_hold_marks_and_words(opened):
    assert [drawing[:200] for drawing in drawings(opened) if "<path" not in drawing] == []
    assert [drawing[:200] for drawing in drawings(opened) if "<text" not in drawing] == []
    assert "Yield (LPA/kg)" in "".join(drawings(opened))


def test_no_mark_says_null_or_nan(opened):
    words = re.findall(r"<text[^>]*>([^<]*)</text>", "".join(drawings(opened)))
    assert words
    assert [word for word in words if word.lower() in {"null", "nan", "undefined", "invalid date"}] == []


def test_no_name_leaks_into_the_page(page, tmp_path):
    """A second script, in a copy without the policy, looks for what the first one left."""
    copy = tmp_path / "copy.html"
    copy.write_text(with_script(page, FIND_LEAKS), encoding="utf-8")
    opened = open_page(copy, tmp_path / "profile")
    assert 'data-charts="done"' in opened.document
    assert 'data-leaked="none"' in opened.document


def test_a_foreign_script_is_refused(page, tmp_path):
    copy = tmp_path / "copy.html"
    foreign = "<script>document.body.dataset.foreign = 'ran'</script>"
    copy.write_text(with_script(page, foreign, keep_policy=True), encoding="utf-8")
    opened = open_page(copy, tmp_path / "profile")
    assert "<body data-foreign" not in opened.document
    assert any("Content Security Policy" in line for line in opened.console)
    assert 'data-charts="done"' in opened.document, "and the page's own script still runs"


@pytest.mark.parametrize("width", [360, 390, 1200])
def test_no_page_is_wider_than_its_window(page, tmp_path, width):
    """Wide tables scroll in their own box; the page itself never does.

    A frame has the width it is given; the window of a headless browser has a least width of its own.
    """
    (tmp_path / "inner.html").write_text(with_script(page, MEASURE_WIDTH), encoding="utf-8")
    outer = tmp_path / "outer.html"
    frame = f'<iframe src="inner.html" width="{width}" height="800"></iframe>'
    outer.write_text(f"<!doctype html><body>{frame}</body>", encoding="utf-8")
    opened = open_page(outer, tmp_path / "profile", "--allow-file-access-from-files")
    found = re.search(r'<body data-wide="(\d+)"', opened.document)
    assert found, "the page in the frame was measured"
    assert int(found[1]) <= width
