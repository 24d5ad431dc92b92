"""`evenfall diagnose`: what is wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from evenfall.cli.door import (
    WORDS,
    json_option,
    path_argument,
    pictures_option,
    sheet_options,
    show_findings,
    show_json,
    show_written,
    unit_option,
)
from evenfall.cli.neck_options import neck_options, source_of
from evenfall.cli.waiting import Waiting

if TYPE_CHECKING:
    from pathlib import Path

    from evenfall.workshop import NeckReadings


@click.command(name="diagnose")
@path_argument("measurement", help="Measurement file, or a hand sheet with --spec.")
@sheet_options
@neck_options
@pictures_option
@json_option
@unit_option
def command(
    *,
    measurement: Path,
    spec: Path | None,
    serial: str,
    neck: NeckReadings,
    pictures: Path | None,
    as_json: bool,
    unit: str | None,
) -> None:
    """Find what is wrong with an instrument, and what adjusting alone would cure."""
    from evenfall import workshop
    from evenfall.cli.reports import Lengths, show_diagnosis
    from evenfall.files import keep_apart, write_together
    from evenfall.workshop.outputs import pictures_of

    keep_apart([], [], folders=[pictures])
    request = workshop.DiagnoseRequest(source_of(measurement), source_of(spec), serial, neck)
    with Waiting() as waiting:
        outcome = workshop.diagnose(request, waiting)
        lengths = Lengths.asked(unit, outcome.specification.unit)
        files = pictures_of(outcome, pictures, lengths.unit, waiting)
        write_together(files, folders=[pictures])
    if as_json:
        show_json(outcome.as_dict(lengths.unit, WORDS))
        return
    show_diagnosis(outcome.diagnosis, lengths)
    show_findings(outcome.findings, lengths.unit)
    show_written(files)
