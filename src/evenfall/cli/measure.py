"""`evenfall measure`: readings in, a measurement out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from evenfall.cli.door import (
    derived_name,
    json_option,
    path_argument,
    path_option,
    show_findings,
    show_json,
    shown_unit,
    unit_option,
)

if TYPE_CHECKING:
    from evenfall.readings.scanned import Setting
    from evenfall.scans.formats import Options


@click.command(name="measure")
@path_argument(
    "files",
    nargs=-1,
    help="Hand sheets of one instrument (CSV, XLSX); or one scan, alone or with sheets.",
)
@path_option("--spec", help="Specification that the readings are of.")
@path_option("--template", help="Write an empty sheet for this specification instead.")
@click.option("--serial", default="", help="What the instrument is called on its label.")
@path_option(
    "-o", "--output", help="File to write; by default named after the input, in this folder."
)
@path_option("--pictures", help="Folder to write drawings of the readings to, SVG and PNG.")
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
    help="Distance between columns and between rows of a bare height map.",
)
@click.option(
    "--strung/--unstrung",
    default=None,
    help="Whether the strings were at pitch during the scan; by default they were.",
)
@click.option(
    "--mirrored/--not-mirrored",
    default=None,
    help="Whether the scan's axes swap treble and bass; by default told where it can be.",
)
@click.option(
    "--scan-uncertainty",
    "gauge_u_mm",
    type=float,
    default=0.0,
    metavar="MM",
    help="Standard uncertainty of the scanner's heights [mm], which its points do not show.",
)
@json_option
@unit_option
def command(
    *,
    files: tuple[Path, ...],
    spec: Path | None,
    template: Path | None,
    serial: str,
    output: Path | None,
    pictures: Path | None,
    length_unit: str | None,
    step: tuple[float, float] | None,
    strung: bool | None,
    mirrored: bool | None,
    gauge_u_mm: float,
    as_json: bool,
    unit: str | None,
) -> None:
    """Read FILES, say what was found and what is missing, write a measurement.

    What a file is, is told by its content: a hand sheet, or a scan as text with x, y and z,
    Parquet, PLY, STL, OBJ, E57, X3P, TIFF or NumPy.

    With --template SPEC an empty sheet for that instrument is written, ready to fill: XLSX with
    drop-down lists by default, CSV if the output is named so.
    """
    from evenfall import workshop
    from evenfall.files import keep_apart

    if template is not None:
        if files:
            raise click.UsageError("--template writes an empty sheet; name no readings with it.")
        _empty_sheet(template, output, as_json=as_json)
        return
    if not files:
        raise click.UsageError("Name at least one file with readings.")
    if spec is None:
        raise click.UsageError("Name the specification with --spec.")
    path = None if as_json and output is None else output or derived_name(files[0], "measurement")
    if path is not None:
        keep_apart([path], [*files, spec])
    from evenfall.cli.waiting import Waiting

    with Waiting() as waiting:
        specification, taken = workshop.take_readings(
            files,
            spec,
            serial=serial,
            options=_options(length_unit, step),
            setting=_setting(strung, mirrored, gauge_u_mm),
            progress=waiting,
        )
    measurement, findings = taken.measurement, taken.findings
    values = {
        **measurement.as_dict(),
        "findings": [f.as_dict() for f in findings],
    }
    shown = shown_unit(unit, specification.unit)
    drawn = []
    if pictures is not None:
        drawings = workshop.measure_pictures(specification, taken, unit=shown)
        drawn = workshop.write_pictures(drawings, pictures)
    # last, so that a command that fails leaves no measurement behind
    if path is not None:
        workshop.write_json(path, measurement.as_dict())
    if as_json:
        show_json(values)
        return
    from evenfall.cli.reports import show_measurement

    if taken.recognised:
        click.echo(taken.recognised)
    show_measurement(measurement, shown)
    show_findings(f for f in findings if f.code != "recognised")
    for picture in drawn:
        click.echo(f"Picture {picture}")
    click.echo(f"Wrote {path}")


def _empty_sheet(template: Path, output: Path | None, *, as_json: bool) -> None:
    """Write an empty sheet for a specification."""
    from evenfall import workshop
    from evenfall.errors import RequestError
    from evenfall.workshop.template import write_template

    specification, _ = workshop.check_specification(template)
    stem = template.name.removesuffix(".toml").removesuffix(".spec")
    empty = output or Path(f"{stem}.readings.xlsx")
    if empty.exists():
        raise RequestError(
            "This file is there already and may hold readings; name another with -o, or "
            "remove it first.",
            where=empty.name,
        )
    write_template(specification, empty)
    if as_json:
        show_json({"file": str(empty)})
    else:
        click.echo(f"Wrote the empty sheet {empty}")


def _options(length_unit: str | None, step: tuple[float, float] | None) -> Options | None:
    """Return what was said about the file of a scan; None if nothing was."""
    if length_unit is None and step is None:
        return None
    from evenfall.scans.formats import Options

    return Options(length_unit, step)


def _setting(strung: bool | None, mirrored: bool | None, gauge_u_mm: float) -> Setting | None:
    """Return what was said about how an instrument was scanned; None if nothing was."""
    if strung is None and mirrored is None and gauge_u_mm == 0.0:
        return None
    from evenfall.readings.scanned import Setting

    return Setting(strung, mirrored, gauge_u_mm)
