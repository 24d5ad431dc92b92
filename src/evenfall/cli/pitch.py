"""`evenfall pitch`: what stopped notes sound like."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from evenfall.cli.door import (
    WORDS,
    Number,
    json_option,
    path_argument,
    pictures_option,
    sheet_options,
    show_findings,
    show_json,
    show_written,
    unit_option,
)
from evenfall.cli.neck_options import source_of
from evenfall.cli.waiting import Waiting

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
@pictures_option
@json_option
@unit_option
def command(
    *,
    source: Path,
    spec: Path | None,
    serial: str,
    finger_mm: float | None,
    pictures: Path | None,
    as_json: bool,
    unit: str | None,
) -> None:
    """Find how far every stopped note is from equal temperament, and what would help.

    Of a plan, the notes before and after it. Best places of nut and saddle along the strings come
    with it, within the travel that the specification allows.
    """
    from evenfall import workshop
    from evenfall.cli.reports import Lengths, show_pitch
    from evenfall.files import keep_apart, write_together
    from evenfall.workshop.outputs import pictures_of

    keep_apart([], [], folders=[pictures])
    request = workshop.PitchRequest(source_of(source), source_of(spec), serial, finger_mm)
    with Waiting() as waiting:
        outcome = workshop.pitch(request, waiting)
        lengths = Lengths.asked(unit, outcome.specification.unit)
        files = pictures_of(outcome, pictures, lengths.unit, waiting)
        write_together(files, folders=[pictures])
    if as_json:
        show_json(outcome.as_dict(lengths.unit, WORDS))
        return
    show_pitch(outcome, lengths)
    show_findings((f for f in outcome.findings_of_readings if f.severity != "note"), lengths.unit)
    show_findings(outcome.findings_of_result, lengths.unit)
    show_written(files)
