"""`evenfall machine`: machines, cutters and fixtures."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from evenfall.cli.door import (
    WORDS,
    Commands,
    json_option,
    path_argument,
    show_json,
    shown_unit,
    unit_option,
)
from evenfall.cli.neck_options import source_of

if TYPE_CHECKING:
    from pathlib import Path


@click.group(name="machine", cls=Commands)
def command() -> None:
    """Check the description of a machine, of its cutters or of a fixture."""


@command.command()
@path_argument("description", help="Description of a machine, of cutters or of a fixture (TOML).")
@json_option
@unit_option
def check(*, description: Path, as_json: bool, unit: str | None) -> None:
    """Read DESCRIPTION, list its faults, and print what it says."""
    from evenfall import workshop
    from evenfall.cli.program_report import description_lines
    from evenfall.wording import say

    outcome = workshop.check_machine(workshop.MachineCheckRequest(source_of(description)))
    if as_json:
        show_json(outcome.as_dict())
        return
    shown = shown_unit(unit, outcome.unit)
    for line in description_lines(outcome.description):
        click.echo(say(line, shown, WORDS))
    click.echo("The description is complete and consistent.")
