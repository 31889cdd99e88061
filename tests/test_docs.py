"""Nothing is undocumented, nothing documented is out of date, and the checkout holds what it should."""

from __future__ import annotations

import fnmatch
import json
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from typer.main import get_command

from pipeline.cli import app
from pipeline.documentation import DOCUMENTS, PARTS, fill, markdown_table
from pipeline.logs import write_templates
from pipeline.logs.fields import ALL_KINDS
from pipeline.problems import KINDS
from pipeline.settings import Settings
from pipeline.warehouse import build_season, open_season

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
MAKEFILE = (ROOT / "Makefile").read_text(encoding="utf-8")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def part(document: str, name: str) -> str:
    """What stands in a document between the marks of a generated part."""
    found = re.search(rf"(?ms)^<!-- generated: {re.escape(name)} -->\n(.*?)^<!-- end -->$", document)
    assert found, f"the generated part {name!r} is missing"
    return found[1]


def heading(document: str, title: str) -> str:
    """The text under a heading, up to the next one of its level or above."""
    found = re.search(rf"(?ms)^(#+) {re.escape(title)}\n(.*?)(?=^#{{1,2}} |\Z)", document)
    assert found, f"there is no heading {title!r}"
    return found[2]


# --- generated parts


@pytest.mark.parametrize("name", DOCUMENTS)
def test_generated_parts_are_current(name: str) -> None:
    document = (ROOT / name).read_text(encoding="utf-8")
    assert fill(document) == document, f"{name} is out of date: make docs"


def test_every_generated_part_stands_in_one_document() -> None:
    shown = re.findall(r"(?m)^<!-- generated: (.+?) -->$", README + DEVELOPERS)
    assert sorted(shown) == sorted(PARTS)


def test_a_part_without_a_writer_is_named() -> None:
    with pytest.raises(KeyError, match="no generated part is called 'colours of the sky'"):
        fill("<!-- generated: colours of the sky -->\n<!-- end -->\n")


def test_only_the_part_between_the_marks_is_rewritten() -> None:
    document = "before\n<!-- generated: settings -->\nold\n<!-- end -->\nafter\n"
    filled = fill(document)
    assert filled.startswith("before\n<!-- generated: settings -->\n| setting |")
    assert filled.endswith("|\n<!-- end -->\nafter\n")
    assert fill(filled) == filled


def test_a_bar_and_a_line_break_cannot_break_a_table() -> None:
    assert markdown_table(("a",), [("x | y\nz",)]) == "| a |\n| --- |\n| x \\| y z |\n"


# --- what must be documented


@pytest.mark.parametrize("kind", ALL_KINDS.values(), ids=lambda kind: kind.name)
def test_every_log_column_and_step_is_in_the_readme(kind) -> None:
    shown = part(README, f"columns {kind.name}")
    assert [name for name in kind.fields if f"| `{name}` |" not in shown] == []
    if kind.steps:
        shown = part(README, f"steps {kind.name}")
        assert [step.name for step in kind.steps if f"| `{step.name}` |" not in shown] == []


def test_every_problem_kind_is_in_the_readme() -> None:
    shown = heading(README, "Problems")
    assert [code for code in KINDS if f"| `{code}` |" not in shown] == []


def test_every_command_and_option_is_in_the_readme() -> None:
    shown = heading(README, "Commands")
    for name, command in get_command(app).commands.items():
        usage = re.search(rf"(?m)^\| `stillseason {name}\b(.*?)` \| (.+?) \|$", shown)
        assert usage, f"the command {name} is not in README.md"
        assert len(usage[2]) > 15
        options = {option for each in command.params for option in each.opts if option.startswith("--")}
        assert [option for option in sorted(options) if option not in usage[1]] == [], name


def test_every_command_has_an_example_in_its_help() -> None:
    for name, command in get_command(app).commands.items():
        assert f"stillseason {name}" in command.help, name


def test_every_table_and_column_is_in_the_guide(tmp_path: Path) -> None:
    write_templates(tmp_path / "logs")
    build_season(tmp_path / "logs", tmp_path / "season.duckdb", Settings())
    with open_season(tmp_path / "season.duckdb") as con:
        found = con.execute(
            "select schema_name || '.' || table_name, column_name from duckdb_columns() "
            "where schema_name in ('account', 'metric')"
        ).fetchall()
    shown = heading(DEVELOPERS, "Tables and columns")
    tables = dict(re.findall(r"(?ms)^\*\*`([\w.]+)`\*\*: (.+?)(?=^\*\*`|\Z)", shown))
    assert len(found) > 100
    missing = [
        f"{table}.{name}"
        for table, name in found
        # A column without a meaning in pipeline/columns.csv has an empty cell beside it.
        if not re.search(rf"(?m)^\| `{name}` \| .+ \|$", tables.get(table, ""))
    ]
    assert missing == []


def test_every_dependency_has_its_reason() -> None:
    shown = heading(DEVELOPERS, "Dependencies")
    wanted = [*PROJECT["project"]["dependencies"], *PROJECT["project"]["optional-dependencies"]["dev"]]
    reasons = dict(re.findall(r"(?m)^\| (`.+?`) \| (.+?) \|$", shown))
    argued = {name for names in reasons for name in re.findall(r"`(.+?)`", names)}
    assert {Requirement(line).name for line in wanted} == argued
    assert all(len(reason) > 10 for reason in reasons.values())


def test_every_dependency_is_used() -> None:
    code = "\n".join(
        path.read_text(encoding="utf-8")
        for folder in ("pipeline", "tests")
        for path in sorted((ROOT / folder).rglob("*.py"))
    )
    modules = {"vl-convert-python": "vl_convert", "coolprop": "CoolProp", "scikit-learn": "sklearn"}
    tools = {"hatchling", "mypy", "pytest-benchmark", "pytest-xdist", "ruff"}
    wanted = [*PROJECT["project"]["dependencies"], *PROJECT["project"]["optional-dependencies"]["dev"]]
    names = {Requirement(line).name for line in wanted} - tools
    unused = [
        name
        for name in sorted(names)
        if not re.search(rf"(?m)^\s*(?:import|from) {modules.get(name, name)}\b", code)
        and f'importorskip("{modules.get(name, name)}")' not in code
    ]
    assert unused == []


# --- the committed example


def test_the_committed_report_is_what_a_review_of_the_sample_writes(tmp_path: Path) -> None:
    command = [
        sys.executable,
        "-m",
        "pipeline.cli",
        "review",
        "sample_logs",
        "--out",
        str(tmp_path / "reports"),
    ]
    done = subprocess.run(
        [*command, "--db", str(tmp_path / "season.duckdb")],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    written = {
        path.relative_to(tmp_path).as_posix(): path.read_text("utf-8")
        for path in (tmp_path / "reports").rglob("*")
        if path.is_file()
    }
    assert written, done.stderr
    committed = {
        path.relative_to(ROOT).as_posix(): path.read_text("utf-8")
        for path in project_files(ROOT / "reports")
        if path.suffix != ".png"
    }
    assert sorted(written) == sorted(committed), "make sample"
    for name, page in written.items():
        words, drawn = apart(page)
        words_then, drawn_then = apart(committed[name])
        assert words == words_then, f"{name} is out of date: make sample"
        assert drawn == within_a_millionth(drawn_then), f"a chart of {name} is out of date: make sample"


_DRAWN = re.compile(r'<script type="application/json" id="([^"]*)">(.*?)</script>', re.DOTALL)


def apart(page: str) -> tuple[str, dict[str, object]]:
    """A page without its charts' data, and that data.

    The last digits of a fit hang on the processor, of those near nothing more than of others: numbers of
    charts are told to a millionth. What the page says in words and tables is the same everywhere.
    """
    drawn = {name: json.loads(text) for name, text in _DRAWN.findall(page)}
    return _DRAWN.sub("", page), drawn


def within_a_millionth(value: object) -> object:
    """The same with numbers that equal any number so near."""
    if isinstance(value, float):
        return pytest.approx(value, rel=1e-6, abs=1e-9)
    if isinstance(value, dict):
        return {key: within_a_millionth(one) for key, one in value.items()}
    if isinstance(value, list):
        return [within_a_millionth(one) for one in value]
    return value


# --- what the documents tell a reader to type


def targets() -> set[str]:
    """The targets of the Makefile."""
    return set(re.findall(r"(?m)^([a-z][a-z-]*):", MAKEFILE))


@pytest.mark.parametrize("name", [*DOCUMENTS, "CHANGELOG.md", "sample_logs/README.md", "tests/test_docs.py"])
def test_make_targets_that_are_named_exist(name: str) -> None:
    document = (ROOT / name).read_text(encoding="utf-8")
    named = set(re.findall(r"(?m)(?:`|^)make ([a-z][a-z-]*)", document))
    assert named - targets() == set()


def test_make_help_lists_every_target_for_people() -> None:
    listed = set(re.findall(r"(?m)^([a-z-]+):.*## ", MAKEFILE))
    assert listed == targets()


def test_readme_shows_the_two_commands() -> None:
    assert re.search(r"(?m)^make review$", README)
    assert "`make test`" in README
    assert {"review", "test"} <= targets()


def test_local_links_and_pictures_lead_somewhere() -> None:
    for name in DOCUMENTS:
        document = (ROOT / name).read_text(encoding="utf-8")
        links = [link for link in re.findall(r"\]\(([^)#\s]+)\)", document) if "://" not in link]
        assert [link for link in links if not (ROOT / link).exists()] == [], name


def test_every_place_in_the_guide_exists() -> None:
    shown = heading(DEVELOPERS, "Where things live")
    cells = re.findall(r"(?m)^\| (`.+?`) \|", shown.split("### ")[0])
    places = [place for cell in cells for place in re.findall(r"`([\w./]+)`", cell)]
    assert len(places) > 15
    assert [place for place in places if not (ROOT / place).exists()] == []


def test_every_module_folder_is_in_the_guide() -> None:
    shown = heading(DEVELOPERS, "Where things live")
    package = ROOT / "pipeline"
    parts = [
        path.name + ("/" if path.is_dir() else "")
        for path in package.iterdir()
        if (path.suffix == ".py" or path.is_dir()) and not path.name.startswith("__")
    ]
    assert [name for name in sorted(parts) if f"`pipeline/{name}`" not in shown] == []


# --- the checkout


def ignored(name: str) -> bool:
    """Whether .gitignore (names and patterns of names only) keeps a file or folder out of the repository."""
    lines = (ROOT / ".gitignore").read_text(encoding="utf-8").split()
    return any(fnmatch.fnmatch(name, line.rstrip("/")) for line in lines) or name == ".git"


def project_files(folder: Path = ROOT) -> Iterator[Path]:
    """Every file of the checkout that the repository may hold."""
    for path in sorted(folder.iterdir()):
        if ignored(path.name):
            continue
        if path.is_dir():
            yield from project_files(path)
        else:
            yield path


def project_texts() -> Iterator[tuple[str, str]]:
    """Name and text of every file but pictures, pages (they carry scripts of others) and the lock."""
    for path in project_files():
        if path.suffix not in {".png", ".html", ".lock"}:
            # Some logs are kept in other encodings on purpose; what is looked for is plain ASCII.
            yield path.relative_to(ROOT).as_posix(), path.read_text(encoding="utf-8", errors="replace")


def test_top_level_holds_only_what_belongs_there() -> None:
    allowed = {
        *(
            "README.md",
            "DEVELOPERS.md",
            "pyproject.toml",
            "pipeline",
            "sql",
            "tests",
            "sample_logs",
            "reports",
        ),
        *(
            "Makefile",
            "LICENSE",
            "CHANGELOG.md",
            ".gitignore",
            ".ci",
            "requirements.lock",
            "requirements-dev.lock",
        ),
    }
    found = {path.name for path in ROOT.iterdir() if not ignored(path.name)}
    assert found - allowed == set(), "not among what the top level holds"
    assert allowed - found == set(), "missing"


def test_no_host_of_a_package_registry_is_named() -> None:
    hosts = [
        ".".join(parts)
        for parts in (
            ("pypi", "org"),
            ("pythonhosted", "org"),
            ("npmjs", "com"),
            ("npmjs", "org"),
            ("debian", "org"),
            ("crates", "io"),
            ("golang", "org"),
        )
    ]
    named = [(name, host) for name, text in project_texts() for host in hosts if host in text]
    assert named == []


@pytest.mark.parametrize(
    ("what", "pattern"),
    [
        ("a path of somebody's machine", r"(?<![\w.])/(?:work|tmp|root|home|Users)/\w"),
        ("a mark of something left open", r"\b(?:TO" r"DO|FIX" r"ME|XX" r"X)\b"),
        ("a swallowed exception", r"except (?:Base)?Exce" r"ption\b|except\s*:"),
        ("a silenced checker", r"#\s*(?:type:\s*igno" r"re|no" r"qa)"),
        ("a test that never runs", r"pytest\.mark\.(?:skip|xfail)\b|pytest\.xfail"),
    ],
)
def test_nothing_stands_in_the_texts_that_should_not(what: str, pattern: str) -> None:
    found = [
        f"{name} line {number}: {line.strip()[:80]}"
        for name, text in project_texts()
        if name != "tests/test_docs.py"
        for number, line in enumerate(text.splitlines(), start=1)
        if re.search(pattern, line)
    ]
    assert found == [], what


def test_no_file_of_code_is_longer_than_450_lines() -> None:
    long = {
        name: len(text.splitlines())
        for name, text in project_texts()
        if name.endswith((".py", ".sql")) and len(text.splitlines()) > 450
    }
    assert long == {}
