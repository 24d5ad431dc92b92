"""`evenfall measure`: readings in, a measurement out."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from evenfall.cli.desk import Desk, archive_option
from evenfall.cli.door import derived_name, output_option, path_argument, path_option, show_json
from evenfall.cli.neck_options import source_of
from evenfall.cli.results import Result, result_options

if TYPE_CHECKING:
    from evenfall.sheets import KnownGauge


@click.command(name="measure")
@path_argument(
    "files",
    nargs=-1,
    help="Hand sheets of one instrument (CSV, XLSX), or scans, alone or with hand sheets.",
)
@path_option("--spec", help="Specification of the instrument.")
@path_option("--template", help="Write an empty sheet for this specification instead.")
@click.option("--serial", default="", help="Serial number of the instrument.")
@output_option("input")
@click.option(
    "--length-unit",
    type=click.Choice(["mm", "um", "cm", "m", "in"]),
    default=None,
    help="Unit of a scan's coordinates; overrides what the file says.",
)
@click.option(
    "--step",
    nargs=2,
    type=float,
    default=None,
    metavar="X Y",
    help="Distance between columns and between rows, for a height map that does not state them.",
)
@click.option(
    "--strung/--unstrung",
    default=None,
    help="Whether the strings were on and at pitch during the scan (default: strung).",
)
@click.option(
    "--mirrored/--not-mirrored",
    default=None,
    help="Whether the scan's axes swap treble and bass (default: recognised where possible).",
)
@click.option(
    "--scan-uncertainty",
    "scan_uncertainty_mm",
    type=float,
    default=0.0,
    metavar="MM",
    help="Standard uncertainty of the scanner's heights [mm], which its points alone do not show.",
)
@click.option(
    "--gauge",
    "gauge_names",
    multiple=True,
    metavar="NAME",
    help="Gauge whose filed study gives the uncertainty of readings that state none; needs an "
    "archive; repeatable.",
)
@archive_option
@result_options
def command(
    *,
    files: tuple[Path, ...],
    spec: Path | None,
    template: Path | None,
    output: Path | None,
    length_unit: str | None,
    gauge_names: tuple[str, ...],
    desk: Desk,
    result: Result,
    **known: Any,
) -> int:
    """Read FILES, show what they hold and what is missing, and write a measurement file.

    The file type is recognised by content, not by name: a hand sheet, or a scan as text with x, y
    and z, Parquet, PLY, STL, OBJ, E57, X3P, TIFF or NumPy.

    Exit status 1 if a reading must be taken again before metal may come off.

    With --template SPEC, write an empty sheet for that instrument instead: XLSX with drop-down
    lists, or CSV if the name of the output ends in .csv.
    """
    if template is not None:
        if files:
            raise click.UsageError("--template writes an empty sheet; name no readings with it.")
        _empty_sheet(template, output, as_json=result.as_json)
        return 0
    if not files:
        raise click.UsageError("Name at least one file with readings.")
    if spec is None:
        raise click.UsageError("Name the specification with --spec.")
    from evenfall import workshop
    from evenfall.cli.reports import show_measurement
    from evenfall.workshop.outputs import json_file

    derived = None if result.as_json or desk.address else derived_name(files[0], "measurement")
    path = output or derived
    request = workshop.MeasureRequest(
        tuple(map(source_of, files)),
        source_of(spec),
        unit=length_unit,
        gauges=_known(gauge_names, desk),
        **known,
    )
    logging.getLogger("tifffile").setLevel(logging.CRITICAL)  # damage is told in our own words
    made = result.of(
        workshop.measure,
        request,
        show_measurement,
        files=lambda made, _told: (
            {} if path is None else {path: json_file(made.measurement.as_dict())}
        ),
        filed=lambda made, _written: desk.file(
            made.measurement, given=files[0], files=request.files
        ),
        outputs=[path],
        inputs=[*files, spec],
    )
    return 1 if made.gates.unmet else 0


def _known(names: tuple[str, ...], desk: Desk) -> tuple[KnownGauge, ...]:
    """Return what an archive knows of the gauges that were named."""
    if not names:
        return ()
    if not desk.address:
        raise click.UsageError("Name the archive that knows the gauge with --archive.")
    from evenfall import workshop
    from evenfall.workshop.gauges import known_gauges

    with workshop.archive(desk.address) as dossiers:
        return tuple(known for name in names for known in known_gauges(dossiers, name))


def _empty_sheet(template: Path, output: Path | None, *, as_json: bool) -> None:
    """Write an empty sheet for a specification."""
    from evenfall import workshop
    from evenfall.errors import At, RequestError
    from evenfall.files import write_together

    if output is not None and output.suffix.lower() not in (".csv", ".xlsx"):
        raise click.UsageError("The empty sheet must end in .csv or .xlsx.")
    as_csv = output is not None and output.suffix.lower() == ".csv"
    request = workshop.TemplateRequest(source_of(template), "csv" if as_csv else "xlsx")
    outcome = workshop.template(request)
    empty = output or Path(outcome.file_name)
    if empty.exists():
        raise RequestError(
            "This file is there already and may hold readings; name another with -o, or remove it "
            "first.",
            at=At(file=str(empty)),
        )
    write_together({empty: outcome.content})
    if as_json:
        show_json({"file": str(empty)})
    else:
        click.echo(f"Wrote {empty}, an empty sheet")
