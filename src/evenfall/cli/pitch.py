"""`evenfall pitch`: what stopped notes sound like."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from evenfall.cli.desk import Desk, from_archive_option
from evenfall.cli.door import Number, path_argument, sheet_options
from evenfall.cli.neck_options import source_of
from evenfall.cli.results import Result, result_options

if TYPE_CHECKING:
    from pathlib import Path


@click.command(name="pitch")
@path_argument("source", help="Measurement file, plan, or a hand sheet.")
@sheet_options
@click.option(
    "--finger",
    "finger_mm",
    type=Number(high=30.0),
    default=None,
    metavar="MM",
    help="How far behind the fret the string is pressed [mm] (default: the specification's).",
)
@from_archive_option
@result_options
def command(
    *,
    source: Path,
    spec: Path | None,
    serial: str,
    finger_mm: float | None,
    desk: Desk,
    result: Result,
) -> None:
    """Find how far every stopped note is from equal temperament and what would help.

    For a plan, the notes before and after the work. The best places of nut and saddle along the
    strings are shown as well, within the travel that the specification allows.
    """
    from evenfall import workshop
    from evenfall.cli.reports import show_pitch

    given = desk.source(source, "measurement")
    request = workshop.PitchRequest(given, source_of(spec), serial, finger_mm)
    result.of(workshop.pitch, request, show_pitch)
