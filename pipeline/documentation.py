"""The generated parts of README.md and DEVELOPERS.md, so that they cannot go stale.

A part stands between a line `<!-- generated: NAME -->` and a line `<!-- end -->`; `PARTS` names what writes
each of them. `make docs` fills them all, and a test fails when one is out of date. This module writes tables
of what the code says about itself and holds no fact of its own.
"""

from __future__ import annotations

import csv
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from enum import Enum
from functools import partial
from pathlib import Path
from typing import Any

from typer.main import get_command

from pipeline.cli import EXIT_PROBLEMS, app
from pipeline.logs import write_templates
from pipeline.logs.decode import decode_text
from pipeline.logs.fields import ALL_KINDS, Field, Step
from pipeline.problems import KINDS, visible
from pipeline.resources import sql_dir
from pipeline.science.sources import SOURCES
from pipeline.settings import Settings, describe_settings
from pipeline.sql_models import read_models
from pipeline.warehouse import build_season, open_season

__all__ = ["DOCUMENTS", "PARTS", "fill", "main", "markdown_table"]

DOCUMENTS = ("README.md", "DEVELOPERS.md")

_PART = re.compile(r"(?ms)^<!-- generated: (?P<name>[^\n]+?) -->\n(?P<body>.*?)^<!-- end -->$")


def fill(document: str) -> str:
    """The text of a document with every generated part written anew."""
    return _PART.sub(lambda part: _filled(part["name"]), document)


def markdown_table(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A Markdown table; a bar in a cell is escaped, a line break becomes a space."""
    lines = [header, ["---"] * len(header), *rows]
    return "".join(f"| {' | '.join(_cell(text) for text in line)} |\n" for line in lines)


def main(folder: Path) -> int:
    """Write the generated parts of the documents in `folder`; returns the exit status."""
    for name in DOCUMENTS:
        path = folder / name
        written = path.read_text(encoding="utf-8")
        filled = fill(written)
        if filled != written:
            path.write_text(filled, encoding="utf-8")
            print(f"{name} rewritten")
        else:
            print(f"{name} is current")
    return 0


def _filled(name: str) -> str:
    if name not in PARTS:
        raise KeyError(f"no generated part is called {name!r}; there are: {', '.join(PARTS)}")
    return f"<!-- generated: {name} -->\n{PARTS[name]()}<!-- end -->"


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")


def _code(text: str) -> str:
    return f"`{text}`" if text else ""


# --- the logs


def _columns(kind: str) -> str:
    rows = [
        (_code(field.name), field.meaning, _what_is_written(field), _code(field.example))
        for field in ALL_KINDS[kind].fields.values()
    ]
    return markdown_table(("column", "meaning", "written as", "for instance"), rows)


def _what_is_written(field: Field) -> str:
    measure = field.measure
    if measure is not None:
        first, *others = (unit.symbol for unit in measure.units)
        # Some defaults are words already: "in the season's currency", "(a whole number)".
        number = f"number {first}" if first.startswith(("in ", "(")) else f"number in {first}"
        return number + (f" (or {', '.join(others)})" if others else "")
    if field.words and field.name != "step":
        return ", ".join(field.words)
    return {"text": "text", "when": "date or date and time", "word": "a word of the list below"}.get(
        field.type, "number"
    )


def _steps(kind: str) -> str:
    rows = [
        (_code(step.name), step.says, _needs(step), _columns_of(step.expects), _columns_of(step.may_have))
        for step in ALL_KINDS[kind].steps
    ]
    table = markdown_table(("step", "says", "needs", "usually has", "may have"), rows)
    return f"{table}\nAny row may also have: {_columns_of(ALL_KINDS[kind].any_row)}.\n"


def _needs(step: Step) -> str:
    choices = (" or ".join(" and ".join(option) for option in need) for need in step.needs)
    return ", ".join(choices)


def _columns_of(names: Sequence[str]) -> str:
    return ", ".join(names)


def _settings() -> str:
    return markdown_table(
        ("setting", "unless said", "meaning"),
        [(_code(name), _code(default), meaning) for name, default, meaning in describe_settings()],
    )


def _problem_kinds() -> str:
    rows = [
        (_code(kind.code), kind.severity, kind.title, kind.effect, _without_details(kind.mend))
        for kind in KINDS.values()
    ]
    return markdown_table(("kind", "severity", "what", "then", "how to mend"), rows)


_BAD_LOGS = sql_dir().parent / "tests" / "data" / "bad_logs"
_MOST_LINES, _LONGEST_LINE = 14, 110


def _problem_examples() -> str:
    """For each kind the shortest of its broken logs, which is its test as well, and what is said of it."""
    with (_BAD_LOGS / "expected.tsv").open(encoding="utf-8", newline="") as file:
        expected = list(csv.DictReader(file, delimiter="\t"))
    return "\n".join(_example_of(kind.code, kind.title, expected) for kind in KINDS.values())


def _example_of(code: str, title: str, expected: list[dict[str, str]]) -> str:
    paths = {path.name: path for path in _BAD_LOGS.glob(f"{code}*.csv*") if _shows(path, code)}
    said = [row for row in expected if row["file"] in paths and row["kind"] == code]
    if not said:
        return f"**`{code}`**: {title}. No single text file can hold an example; its test makes one.\n"
    row = min(said, key=lambda each: (paths[each["file"]].stat().st_size, each["file"]))
    log = _fenced("\n".join(_lines_shown(paths[row["file"]])))
    return f"**`{code}`**: {title}, as in `{row['file']}`\n\n{log}\n> {_cell(row['message'])}\n"


def _shows(path: Path, code: str) -> bool:
    return path.name.split(".")[0].split("-")[0] == code


def _lines_shown(path: Path) -> list[str]:
    """The first lines of a log as an editor would show them, what cannot be seen as escapes."""
    lines = [visible(line) for line in decode_text(path.read_bytes()).text.rstrip("\n").split("\n")]
    most = _LONGEST_LINE
    cut = [line if len(line) <= most else f"{line[:most]}..." for line in lines[:_MOST_LINES]]
    return cut if len(lines) <= _MOST_LINES else [*cut, f"... ({len(lines)} lines)"]


def _without_details(clause: str) -> str:
    return re.sub(r"\{[^}]*\}", "…", clause)


# --- the commands


def _commands() -> str:
    # Any: a group of commands is a mapping of names to commands, whatever library is beneath.
    group: Any = get_command(app)
    rows = [
        (_code(_usage(name, command.params)), _first_sentence(command.help))
        for name, command in group.commands.items()
    ]
    return markdown_table(("command", "does"), rows)


def _usage(name: str, parameters: Sequence[Any]) -> str:
    return " ".join([f"stillseason {name}", *(_parameter(each) for each in parameters)])


def _parameter(parameter: Any) -> str:
    option = next((name for name in parameter.opts if name.startswith("--")), None)
    kind = parameter.type_descriptor.annotation
    if isinstance(kind, type) and issubclass(kind, Enum):
        value = ",".join(str(choice.value) for choice in kind)
    else:
        value = parameter.metavar or parameter.name.upper()
    if option is None:
        return str(value)
    if parameter.is_flag:
        return f"[{'/'.join([option, *parameter.secondary_opts])}]"
    return f"{option} {value}" if parameter.required else f"[{option} {value}]"


def _review_of_the_sample() -> str:
    return _fenced(_printed("review", str(_SAMPLE), "--out", "reports"))


def _check_of_the_sample() -> str:
    """What cannot be read and what cannot be so; what is merely unusual is left to the reader to try."""
    said = _printed("check", str(_SAMPLE)).split("\nUnusual")[0].strip()
    return _fenced(f"$ stillseason check sample_logs\n{said}\n...")


def _printed(*arguments: str) -> str:
    """What a command prints, run in a folder of its own."""
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "pipeline.cli", *arguments]
        environment = {**os.environ, "PYTHONPATH": str(_SAMPLE.parent)}
        done = subprocess.run(
            command,
            cwd=folder,
            env=environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
        )
    # A traceback leaves with the same status as problems in the logs do.
    if done.returncode not in (0, EXIT_PROBLEMS) or "Traceback (most recent call last)" in done.stdout:
        raise RuntimeError(f"stillseason {' '.join(arguments)} failed:\n{done.stdout}")
    return done.stdout


def _fenced(text: str) -> str:
    return f"```\n{text.strip()}\n```\n"


_SAMPLE = sql_dir().parent / "sample_logs"


def _first_sentence(text: str) -> str:
    return text.split("\n\n")[0].strip()


# --- the SQL and its tables


def _sql_files() -> str:
    rows = [
        (_code(f"{model.layer}/{model.name.split('.')[-1]}.sql"), model.what, model.grain)
        for model in read_models(sql_dir())
    ]
    return markdown_table(("file", "what", "grain"), rows)


def _tables() -> str:
    with tempfile.TemporaryDirectory() as folder:
        database = Path(folder, "empty.duckdb")
        logs = Path(folder, "logs")
        write_templates(logs)
        build_season(logs, database, Settings())
        with open_season(database) as con:
            tables = con.execute(_TABLES).fetchall()
            columns = con.execute(_COLUMNS).fetchall()
    parts = []
    for table, meaning in tables:
        rows = [(_code(name), comment or "") for owner, name, comment in columns if owner == table]
        parts.append(f"**`{table}`**: {meaning or ''}\n\n{markdown_table(('column', 'meaning'), rows)}")
    return "\n".join(parts)


# What people rely on. The tables of `log`, and those of `problem` that hold one check each, are on the way.
_SHOWN = (
    "(schema_name in ('account', 'metric') "
    "or schema_name || '.' || table_name in "
    "('problem.row', 'problem.figure', 'problem.figure_of_run', 'problem.figure_of_jar', "
    "'problem.figure_of_thermometer', 'problem.figure_of_cask'))"
)
_TABLES = (
    f"select schema_name || '.' || table_name, comment from duckdb_tables() where {_SHOWN} "
    "order by schema_name, table_name"
)
_COLUMNS = (
    f"select schema_name || '.' || table_name, column_name, comment from duckdb_columns() where {_SHOWN} "
    "order by schema_name, table_name, column_index"
)


# --- the sources of the science


def _sources() -> str:
    rows = [(source.title, source.where, source.standing) for source in SOURCES.values()]
    return markdown_table(("source", "where in it", "how it was read"), rows)


PARTS: Mapping[str, Callable[[], str]] = {
    **{f"columns {name}": partial(_columns, name) for name in ALL_KINDS},
    **{f"steps {name}": partial(_steps, name) for name, kind in ALL_KINDS.items() if kind.steps},
    "review of the sample": _review_of_the_sample,
    "check of the sample": _check_of_the_sample,
    "commands": _commands,
    "settings": _settings,
    "problem kinds": _problem_kinds,
    "problem examples": _problem_examples,
    "sql files": _sql_files,
    "tables": _tables,
    "sources": _sources,
}
"""Every generated part by its name."""


if __name__ == "__main__":
    sys.exit(main(Path.cwd()))
