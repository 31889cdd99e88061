"""The command `stillseason panel`: parses its options, calls one function, prints.

Imports little until it runs, so that the other commands start as fast as before.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

WRONG_USE = 2


def panel(
    samples: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[SAMPLES]", help="What to taste: batches by name, 'cask C03', 'lot 12 hearts'."
        ),
    ] = None,
    assessors: Annotated[
        str, typer.Option("--assessors", metavar="N|NAMES", help="How many, or their names with commas.")
    ] = "6",
    attributes: Annotated[
        str, typer.Option("--attributes", metavar="NAMES", help="What to score, with commas.")
    ] = "fruit,spice,cream,grain,wood,overall",
    session: Annotated[
        str, typer.Option("--session", metavar="NAME", help="Name of the session.")
    ] = "tasting",
    when: Annotated[str, typer.Option("--when", metavar="DAY", help="Day of the session, 2026-03-14.")] = "",
    repeats: Annotated[int, typer.Option("--repeats", help="How many samples are poured twice.")] = 1,
    strength: Annotated[
        float, typer.Option("--strength", min=10, max=45, help="Strength poured at, %vol.")
    ] = 23.0,
    seed: Annotated[
        int | None, typer.Option("--seed", min=0, help="Other codes and orders for the same session.")
    ] = None,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the sheets.")] = Path(
        "tasting"
    ),
    points: Annotated[
        float | None,
        typer.Option(
            "--points", min=0.01, help="Say how many assessors show a difference of so many points."
        ),
    ] = None,
    people: Annotated[
        bool, typer.Option("--people", help="Print each assessor's own figures, which no report shows.")
    ] = False,
    db: Annotated[Path, typer.Option("--db", metavar="FILE", help="The season's database.")] = Path(
        "season.duckdb"
    ),
) -> None:
    """Plan a tasting: blind codes, serving orders, score sheets to print, empty logs to fill in.

    Example: stillseason panel G12 G15 "cask C03" --assessors 6 --session "march new spirit" --out march

    How many assessors a difference takes: stillseason panel --points 1 --db season.duckdb
    """
    from pipeline.panel.say import say_how_many, say_people
    from pipeline.panel.sheets import SheetError, plan_tasting, write_plan
    from pipeline.warehouse import open_season

    if points is not None or people:
        with open_season(db) as con:
            lines = say_how_many(con, points) if points is not None else []
            typer.echo("\n".join([*lines, *(say_people(con) if people else [])]))
        return
    names = [f"P{n}" for n in range(1, int(assessors) + 1)] if assessors.isdecimal() else _listed(assessors)
    try:
        plan = plan_tasting(
            session,
            samples or [],
            names,
            _listed(attributes),
            when=when,
            repeats=repeats,
            strength_pct_vol=strength,
            seed=seed,
        )
        files = write_plan(plan, out)
    except SheetError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(WRONG_USE) from error
    for what, file in zip(
        ("Sheets to print", "Log to fill in", "Key", "For whoever pours"), files, strict=True
    ):
        typer.echo(f"{what}: {file}")
    typer.echo(
        "Keep the key and the pouring plan from everyone who tastes. Put sheet.csv and key.csv among the "
        "logs.",
        err=True,
    )


def _listed(names: str) -> list[str]:
    return [name.strip() for name in names.split(",") if name.strip()]
