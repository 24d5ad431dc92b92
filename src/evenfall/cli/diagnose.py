"""`evenfall diagnose`: what is wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from evenfall.cli.desk import Desk, from_archive_option
from evenfall.cli.door import path_argument, sheet_options
from evenfall.cli.neck_options import neck_options, source_of
from evenfall.cli.results import Result, result_options

if TYPE_CHECKING:
    from pathlib import Path

    from evenfall.workshop import NeckReadings


@click.command(name="diagnose")
@path_argument("measurement", help="Measurement file, or a hand sheet with --spec.")
@sheet_options
@neck_options
@from_archive_option
@result_options
def command(
    *,
    measurement: Path,
    spec: Path | None,
    serial: str,
    neck: NeckReadings,
    desk: Desk,
    result: Result,
) -> int:
    """Find what is wrong with an instrument and what adjusting alone would cure.

    Exit status 1 if something has to be read again before metal may come off.
    """
    from evenfall import workshop
    from evenfall.cli.reports import show_diagnosis

    given = desk.source(measurement, "measurement")
    request = workshop.DiagnoseRequest(given, source_of(spec), serial, neck)
    made = result.of(workshop.diagnose, request, show_diagnosis)
    return 1 if made.read_again else 0
