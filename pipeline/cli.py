"""The commands: each parses its options, calls one function and prints.

Exit: 0 done, 1 problems in the data, 2 wrong use, 3 nothing to do it with (a locked or
foreign database, a full disk). Results go to stdout, everything else to stderr.
"""

from __future__ import annotations

import json
import os
import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated, NoReturn

import polars as pl
import typer

from pipeline import __version__
from pipeline.panel.command import panel
from pipeline.problems import count_sentence, problems_as_csv, problems_as_json, problems_as_text
from pipeline.progress import terminal_progress
from pipeline.settings import Settings, SettingsError

EXIT_PROBLEMS = 1
EXIT_WRONG_USE = 2
EXIT_NO_MEANS = 3

app = typer.Typer(
    name="stillseason",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    help=(
        "From a small distiller's CSV batch logs to one account of the season.\n\n"
        "Start with: stillseason template my_logs, fill in a batch, then stillseason review my_logs."
    ),
)


class ProblemFormat(StrEnum):
    """How problems are printed."""

    text = "text"
    csv = "csv"
    json = "json"


class Aim(StrEnum):
    """What a next batch is for."""

    yield_ = "yield"
    score = "score"
    both = "both"


class TableFormat(StrEnum):
    """How a table is printed or written."""

    text = "text"
    csv = "csv"
    json = "json"
    parquet = "parquet"
    xlsx = "xlsx"


Logs = Annotated[
    Path, typer.Argument(metavar="LOGS", help="Folder of logs, read at any depth; never written to.")
]
Database = Annotated[Path, typer.Option("--db", metavar="FILE", help="The season's database.")]
SettingsFile = Annotated[
    Path | None,
    typer.Option(
        "--settings", metavar="FILE", help="Settings; season.toml in LOGS is taken when there is one."
    ),
]

DEFAULT_DATABASE = Path("season.duckdb")

REGISTER_NOTE = (
    "This running account is no statutory record and replaces none. Check one against it; where the two "
    "differ, the authority's own method of measuring and booking goes first."
)


@app.callback(invoke_without_command=True)
def stillseason(
    context: typer.Context,
    version: Annotated[bool, typer.Option("--version", help="Print the version and leave.")] = False,
) -> None:
    """From a small distiller's CSV batch logs to one account of the season."""
    if version:
        typer.echo(f"stillseason {__version__}")
        raise typer.Exit
    if context.invoked_subcommand is None:
        typer.echo(context.get_help())
        raise typer.Exit(EXIT_WRONG_USE)


@app.command()
def review(
    logs: Logs,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where the reports go.")] = Path(
        "reports"
    ),
    db: Database = DEFAULT_DATABASE,
    settings: SettingsFile = None,
) -> None:
    """The whole job: logs to reports.

    Example: stillseason review sample_logs --out reports
    """
    from pipeline.report import write_reports
    from pipeline.warehouse import open_season, read_table

    progress = terminal_progress()
    problems = _build(logs, db, settings)
    with open_season(db) as con:
        pages = write_reports(con, out, progress)
        rows_used = read_table(con, "raw.file")["rows_used"].sum()
    _say(count_sentence(problems))
    for page in pages:
        typer.echo(f"Report: {page}")
    _say("Open it in any browser; it needs no network.")
    if not rows_used:
        _say("No row of the logs could be used:\n\n" + problems_as_text(problems))
        raise typer.Exit(EXIT_PROBLEMS)


@app.command()
def check(
    logs: Logs,
    file_format: Annotated[
        ProblemFormat, typer.Option("--format", metavar="text|csv|json", help="How to print.")
    ] = ProblemFormat.text,
    settings: SettingsFile = None,
) -> None:
    """Problems only: what cannot be read, cannot be true, or is worth a look. Exit 0 none, 1 some.

    Example: stillseason check sample_logs --format csv
    """
    from pipeline.warehouse import check_season

    problems = check_season(logs, _settings(logs, settings), terminal_progress())
    if file_format is ProblemFormat.csv:
        typer.echo(problems_as_csv(problems), nl=False)
    elif file_format is ProblemFormat.json:
        typer.echo(problems_as_json(problems))
    elif problems.is_empty():
        typer.echo("No problems.")
    else:
        typer.echo(problems_as_text(problems))
    if not problems.is_empty():
        raise typer.Exit(EXIT_PROBLEMS)


@app.command()
def build(logs: Logs, db: Database = DEFAULT_DATABASE, settings: SettingsFile = None) -> None:
    """Logs to the season's database, no pages.

    Example: stillseason build sample_logs --db season.duckdb
    """
    problems = _build(logs, db, settings)
    _say(count_sentence(problems))
    typer.echo(f"Database: {db}")


@app.command()
def table(
    name: Annotated[
        str | None, typer.Argument(metavar="[NAME]", help="schema.table; without it, all names.")
    ] = None,
    db: Database = DEFAULT_DATABASE,
    file_format: Annotated[
        TableFormat,
        typer.Option("--format", metavar="text|csv|json|parquet|xlsx", help="How to print or write."),
    ] = TableFormat.text,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Write here instead of printing.")
    ] = None,
) -> None:
    """Any table of the season, printed or written; without a name, the names of all tables.

    Example: stillseason table metric.batch --format csv --out batches.csv
    """
    from pipeline.outputs import refuse_output
    from pipeline.warehouse import logs_of, open_season, read_table, table_names

    with open_season(db) as con:
        if name is None:
            typer.echo("\n".join(table_names(con)))
            return
        try:
            frame = read_table(con, name)
        except KeyError:
            _wrong_use(f"There is no table {name}. {_nearest(name, table_names(con))}")
        if out is not None:
            refuse_output(out, logs_of(con))
    _put_table(frame, file_format, out)
    if name == "account.register":
        _say(REGISTER_NOTE)


@app.command()
def simulate(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder to make; must be new or empty.")],
    batches: Annotated[int, typer.Option("--batches", min=1, max=100_000, help="How many batches.")] = 48,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Same seed, same season.")] = 1,
    mistakes: Annotated[
        bool,
        typer.Option("--mistakes/--no-mistakes", help="With a few honest mistakes in the logs, or without."),
    ] = True,
    telemetry: Annotated[
        int,
        typer.Option("--telemetry", min=0, help="So many spirit runs with a logger's file, a row a second."),
    ] = 0,
) -> None:
    """An invented season from physics: logs as a person keeps them, and the truth beside them in truth.json.

    Example: stillseason simulate --batches 48 --seed 1 --out my_invented_season
    """
    from pipeline.logs import datapackage
    from pipeline.simulate import HONEST_MISTAKES, simulate_season, write_season, write_telemetry

    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        _wrong_use(f"{out} is there already and not empty. Give a new folder with --out.")
    progress = terminal_progress()
    ordered = HONEST_MISTAKES if mistakes else ()
    season = simulate_season(batches, seed, mistakes=ordered, progress=progress)
    write_season(season, out)
    if telemetry:
        write_telemetry(season, out, every_s=1, runs=telemetry)
    package = json.dumps(datapackage(out), indent=2, ensure_ascii=False) + "\n"
    (out / "datapackage.json").write_text(package, encoding="utf-8", newline="")
    typer.echo(f"Logs: {out}")
    _say("All of it is invented; what is true of it stands in truth.json.")


@app.command(name="next")
def next_command(
    aim: Annotated[
        Aim, typer.Option("--for", help="What the batches are for: yield, score or both.")
    ] = Aim.both,
    db: Database = DEFAULT_DATABASE,
) -> None:
    """The batches worth running next, and why: two that promise most, two that teach most.

    Proposed from what [next] in season.toml allows; every try stays an experiment.

    Example: stillseason next --for yield --db season.duckdb
    """
    from pipeline.fits.cards import next_cards
    from pipeline.warehouse import open_season, read_table

    with open_season(db) as con:
        cards = next_cards(read_table(con, "fit.next_batch"), aim.value)
    typer.echo("\n".join(cards))
    _say("A try is an experiment, not a promise: licence, local law and your own eyes come first.")


@app.command()
def template(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to put the empty logs in.")],
) -> None:
    """Empty logs to start from, with the steps explained in comment lines.

    Example: stillseason template my_logs
    """
    from pipeline.logs import write_templates

    for path in write_templates(folder):
        typer.echo(str(path))


app.command()(panel)


def main() -> None:
    """Run the command line; every expected failure is a sentence on stderr and an exit code."""
    from pipeline.database_file import WarehouseError
    from pipeline.logs.large_text import LogChangedError
    from pipeline.outputs import OutputError
    from pipeline.warehouse import NoLogsError

    try:
        app()
    except (NoLogsError, LogChangedError) as error:
        _fail(str(error), EXIT_PROBLEMS)
    except FileExistsError as error:
        _fail(f"{error.filename}: {error.strerror}.", EXIT_WRONG_USE)
    except (OutputError, SettingsError) as error:
        _fail(str(error), EXIT_WRONG_USE)
    except WarehouseError as error:
        _fail(str(error), EXIT_NO_MEANS)
    except BrokenPipeError:
        # The reader of a pipe went away (head, less): that is no error of ours.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except OSError as error:
        _fail(f"{error.filename or 'The disk'}: {error.strerror or error}.", EXIT_NO_MEANS)


def _build(logs: Path, db: Path, settings: Path | None) -> pl.DataFrame:
    from pipeline.outputs import refuse_output_among
    from pipeline.warehouse import build_season

    found = _settings(logs, settings)
    refuse_output_among(db, logs, "--db")
    return build_season(logs, db, found, terminal_progress())


def _settings(logs: Path, settings: Path | None) -> Settings:
    if not logs.is_dir():
        _wrong_use(f"{logs}: there is no such folder. Give the folder that holds the logs.")
    return Settings.load(settings) if settings is not None else Settings.find(logs)


def _put_table(frame: pl.DataFrame, file_format: TableFormat, out: Path | None) -> None:
    from pipeline import export
    from pipeline.outputs import write_whole

    if file_format in export.BINARY_FORMATS:
        if out is None:
            _wrong_use(f"A {file_format} table is not for the screen: name a file with --out.")
        write_whole(out, export.frame_as_bytes(frame, file_format))
        typer.echo(f"Table: {out}")
        return
    neutralised = 0
    if file_format is TableFormat.csv:
        text, neutralised = export.frame_as_csv(frame)
    else:
        text = export.frame_as_text(frame) if file_format is TableFormat.text else export.frame_as_json(frame)
    if out is None:
        typer.echo(export.lines_shown(text), nl=False)
    else:
        write_whole(out, text.encode())
        typer.echo(f"Table: {out}")
    if neutralised:
        _say(f"{neutralised} cells begin like a formula; an apostrophe before each keeps it text.")


def _nearest(name: str, known: list[str]) -> str:
    from difflib import get_close_matches

    close = get_close_matches(name, known, n=1, cutoff=0.5)
    return f"Did you mean {close[0]}?" if close else "All names: stillseason table"


def _say(sentence: str) -> None:
    typer.echo(sentence, err=True)


def _wrong_use(sentence: str) -> NoReturn:
    _say(sentence)
    raise typer.Exit(EXIT_WRONG_USE)


def _fail(sentence: str, code: int) -> NoReturn:
    print(sentence, file=sys.stderr)
    sys.exit(code)


if __name__ == "__main__":
    main()
