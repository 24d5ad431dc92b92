"""`evenfall spec`: specifications."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from evenfall.cli.door import (
    Commands,
    json_option,
    path_argument,
    path_option,
    show_json,
    show_written,
)
from evenfall.cli.neck_options import source_of
from evenfall.cli.results import Result, result_options
from evenfall.units import LengthUnit

if TYPE_CHECKING:
    from evenfall.instrument.specification import Hand


@click.group(name="spec", cls=Commands)
def command() -> None:
    """Begin a specification file from a starter, or check one."""


@command.command()
@click.argument(
    "kind",
    help="Kind of instrument: electric, acoustic, classical, bass, ukulele, mandolin, "
    "twelve-string, seven-string or banjo.",
)
@click.option("--name", help="Name of the model (default: an invented one).")
@click.option(
    "--scale",
    metavar="LENGTH",
    help="Scale length in the unit of the file, or with its own, such as 25.5in; with fanned "
    "frets, that of the treble string.",
)
@click.option(
    "--strings",
    metavar="SET",
    help="Set of strings: medium, light or heavy; for a ukulele re-entrant or low.",
)
@click.option("--frets", type=int, help="Number of frets.")
@click.option(
    "--handed", type=click.Choice(["right", "left"]), default="right", help="Hand of the player."
)
@click.option(
    "--unit", type=click.Choice(["mm", "in"]), default="mm", help="Unit of the lengths in the file."
)
@path_option("-o", "--output", help="File to write (default: KIND.spec.toml, in this folder).")
@json_option
def new(
    *,
    kind: str,
    name: str | None,
    scale: str | None,
    strings: str | None,
    frets: int | None,
    handed: Hand,
    unit: LengthUnit,
    output: Path | None,
    as_json: bool,
) -> None:
    """Write a complete, commented specification for a KIND, to put your own values into.

    A file that is already there is never overwritten.
    """
    from evenfall import workshop
    from evenfall.errors import At, RequestError
    from evenfall.files import write_together
    from evenfall.units import read_length_mm

    try:
        scale_mm = None if scale is None else read_length_mm(scale, unit)
    except ValueError:
        text = "{given:quoted} is not a length; write one such as 648 or 25.5in."
        raise RequestError(text, at=At(field="--scale"), given=scale) from None
    request = workshop.StarterRequest(kind, strings, scale_mm, frets, handed, unit, name)
    made = workshop.starter(request)
    path = output or Path(made.file_name)
    if path.exists():
        text = "{path} is there already and is left as it is; name another file with -o."
        raise RequestError(text, at=At(field="output"), path=str(path))
    write_together({path: made.text.encode()})
    if as_json:
        show_json({"file": str(path), "specification": made.text})
        return
    show_written([path])
    click.echo(f"Put your own values into it, then: evenfall spec check {path}")


@command.command()
@path_argument("spec", help="Specification file (TOML).")
@result_options
def check(*, spec: Path, result: Result) -> None:
    """Read SPEC, list its faults, print tensions and fret positions, and judge its ideal neck.

    The ideal neck has level frets and every setting at its target.
    """
    from evenfall import workshop
    from evenfall.cli.reports import show_specification

    request = workshop.CheckRequest(source_of(spec))
    result.of(workshop.check_specification, request, show_specification, inputs=[spec])
