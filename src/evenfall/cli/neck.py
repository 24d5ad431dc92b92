"""`evenfall neck`: what becomes of the relief."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from evenfall.cli.door import (
    WORDS,
    Number,
    json_option,
    path_argument,
    path_option,
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


@click.command(name="neck")
@path_argument("source", help="Measurement file, plan, or a hand sheet.")
@sheet_options
@neck_options
@click.option(
    "--humidity",
    "humidity_percent",
    type=Number(high=100.0),
    nargs=2,
    default=None,
    metavar="FROM TO",
    help="Relative humidity of the air now and later [%].",
)
@path_option(
    "--convert",
    metavar="FILE",
    help="Write readings taken without strings, converted to playing tension.",
)
@pictures_option
@json_option
@unit_option
def command(
    *,
    source: Path,
    spec: Path | None,
    serial: str,
    neck: NeckReadings,
    humidity_percent: tuple[float, float] | None,
    convert: Path | None,
    pictures: Path | None,
    as_json: bool,
    unit: str | None,
) -> None:
    """Predict the relief: other strings, truss rod, humidity.

    Of a plan, from the relief after it. What was not measured of the neck is taken from its size
    and wood, or from a usual neck, with the uncertainty that comes with that.
    """
    from pathlib import Path

    from evenfall import workshop
    from evenfall.cli.reports import Lengths, show_neck
    from evenfall.files import keep_apart, write_together
    from evenfall.workshop.outputs import json_file, pictures_of

    read = [source, spec, *(Path(one.name) for one in neck.sources)]
    keep_apart([convert], read, folders=[pictures])
    request = workshop.NeckRequest(
        source_of(source), source_of(spec), serial, neck, humidity_percent
    )
    with Waiting() as waiting:
        outcome = workshop.neck(request, waiting)
        lengths = Lengths.asked(unit, outcome.specification.unit)
        files = pictures_of(outcome, pictures, lengths.unit, waiting)
        if convert is not None:
            files[convert] = json_file(outcome.converted().as_dict())
        write_together(files, folders=[pictures])
    if as_json:
        show_json(outcome.as_dict(lengths.unit, WORDS))
        return
    show_neck(outcome, lengths)
    show_findings((f for f in outcome.findings_of_readings if f.severity != "note"), lengths.unit)
    show_findings(outcome.forecast.findings, lengths.unit)
    show_written(files)
