"""`evenfall diagnose`: what is wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from evenfall.cli.door import (
    json_option,
    path_argument,
    path_option,
    show_findings,
    show_json,
    shown_unit,
    unit_option,
)
from evenfall.cli.neck_options import NeckReadings, neck_options

if TYPE_CHECKING:
    from pathlib import Path


@click.command(name="diagnose")
@path_argument("measurement", help="Measurement file, or a hand sheet with --spec.")
@path_option("--spec", help="Specification, if MEASUREMENT is a hand sheet.")
@click.option("--serial", default="", help="What a hand sheet's instrument is called on its label.")
@neck_options
@path_option("--pictures", metavar="FOLDER", help="Write the pictures into this folder.")
@json_option
@unit_option
def command(
    *,
    measurement: Path,
    spec: Path | None,
    serial: str,
    neck_readings: NeckReadings,
    pictures: Path | None,
    as_json: bool,
    unit: str | None,
) -> None:
    """Say what is wrong with the instrument of MEASUREMENT, and what adjusting would cure."""
    from evenfall import workshop

    specification, readings, findings = workshop.open_measurement(measurement, spec, serial=serial)
    specification, readings, neck, told = neck_readings.at_pitch(specification, readings, spec)
    diagnosis = workshop.diagnose(specification, readings, neck=neck)
    shown = shown_unit(unit, specification.unit)
    if pictures is not None:
        drawings = workshop.diagnosis_pictures(specification, diagnosis, unit=shown)
        written = workshop.write_pictures(drawings, pictures)
    if as_json:
        values = diagnosis.as_dict()
        values["findings"] = [f.as_dict() for f in (*findings, *told, *diagnosis.findings)]
        show_json(values)
        return
    from evenfall.cli.reports import show_diagnosis

    show_diagnosis(diagnosis, shown)
    show_findings((*findings, *told, *diagnosis.findings))
    if pictures is not None:
        for path in written:
            click.echo(f"Picture {path}")
