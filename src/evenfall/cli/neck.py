"""`evenfall neck`: what becomes of the relief."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from evenfall.cli.desk import Desk, from_archive_option
from evenfall.cli.door import Number, path_argument, path_option, sheet_options
from evenfall.cli.neck_options import neck_options, source_of
from evenfall.cli.results import Result, result_options

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
    help="Relative humidity of the air, now and later [%].",
)
@path_option(
    "--convert",
    metavar="FILE",
    help="Convert readings taken without strings to playing tension, and write them to FILE.",
)
@from_archive_option
@result_options
def command(
    *,
    source: Path,
    spec: Path | None,
    serial: str,
    neck: NeckReadings,
    humidity_percent: tuple[float, float] | None,
    convert: Path | None,
    desk: Desk,
    result: Result,
) -> None:
    """Predict the relief with other strings, a turned truss rod or other humidity.

    For a plan, it starts from the relief after the work. What was not measured of the neck is
    estimated from its size and wood, or from a typical neck; the uncertainty grows accordingly.
    """
    from pathlib import Path

    from evenfall import workshop
    from evenfall.cli.reports import show_neck
    from evenfall.workshop.outputs import json_file

    read = [source, spec, *(Path(one.name) for one in neck.sources)]
    request = workshop.NeckRequest(
        desk.source(source, "measurement"), source_of(spec), serial, neck, humidity_percent
    )
    result.of(
        workshop.neck,
        request,
        show_neck,
        files=lambda made, _told: (
            {} if convert is None else {convert: json_file(made.converted().as_dict())}
        ),
        outputs=[convert],
        inputs=read,
    )
