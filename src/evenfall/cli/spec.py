"""`evenfall spec`: specifications."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from evenfall.cli.door import (
    WORDS,
    json_option,
    path_argument,
    show_findings,
    show_json,
    unit_option,
)
from evenfall.cli.neck_options import source_of

if TYPE_CHECKING:
    from pathlib import Path


@click.group(name="spec")
def command() -> None:
    """Check a specification file."""


@command.command()
@path_argument("spec", help="Specification file (TOML).")
@json_option
@unit_option
def check(*, spec: Path, as_json: bool, unit: str | None) -> None:
    """Read SPEC, list its faults, and print string tensions and fret places."""
    from evenfall import workshop
    from evenfall.cli.reports import Lengths, show_specification

    outcome = workshop.check_specification(workshop.CheckRequest(source_of(spec)))
    lengths = Lengths.asked(unit, outcome.specification.unit)
    values = outcome.as_dict(lengths.unit, WORDS)
    if as_json:
        show_json(values)
        return
    show_specification(outcome.specification, values, lengths)
    show_findings(outcome.findings, lengths.unit)
    if not outcome.findings:
        click.echo("The specification is complete and consistent.")
