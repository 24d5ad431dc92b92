"""`evenfall plan`: what to adjust, cut or replace."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from evenfall.cli.door import (
    Number,
    derived_name,
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


@click.command(name="plan")
@path_argument("measurement", help="Measurement file, or a hand sheet with --spec.")
@path_option("--spec", help="Specification, if MEASUREMENT is a hand sheet.")
@click.option("--serial", default="", help="What a hand sheet's instrument is called on its label.")
@click.option("--method", default=None, help="Method; by default the recommended one.")
@click.option(
    "--attack",
    "attack_n",
    type=Number(high=50.0),
    default=None,
    metavar="N",
    help="Attack to bear [N].",
)
@click.option(
    "--budget",
    "budget_mm",
    type=Number(),
    default=None,
    metavar="MM",
    help="Total metal that may come off [mm]; the attack is then made as large as that allows.",
)
@click.option(
    "--keep",
    multiple=True,
    metavar="WHAT",
    help="Leave relief, saddle or nut as it is; repeatable.",
)
@neck_options
@click.option(
    "--verify-by-motion",
    is_flag=True,
    help="Play the result, and say where its touch force was optimistic or conservative.",
)
@path_option(
    "-o", "--output", help="File to write; by default named after the input, in this folder."
)
@path_option("--pictures", metavar="FOLDER", help="Write the pictures into this folder.")
@json_option
@unit_option
def command(
    *,
    measurement: Path,
    spec: Path | None,
    serial: str,
    method: str | None,
    attack_n: float | None,
    budget_mm: float | None,
    keep: tuple[str, ...],
    neck_readings: NeckReadings,
    verify_by_motion: bool,
    output: Path | None,
    pictures: Path | None,
    as_json: bool,
    unit: str | None,
) -> None:
    """Work out the least to do to the instrument of MEASUREMENT, with its proof.

    The methods are: adjust, spot, profile, beam, partial-refret, refret.
    """
    from evenfall import workshop
    from evenfall.files import keep_apart

    path = None if as_json and output is None else output or derived_name(measurement, "plan")
    if path is not None:
        named = (measurement, spec, *neck_readings.files)
        keep_apart([path], [p for p in named if p is not None])
    if verify_by_motion:
        workshop.require_play_test()
    specification, readings, findings = workshop.open_measurement(measurement, spec, serial=serial)
    specification, readings, neck, told = neck_readings.at_pitch(specification, readings, spec)
    made = workshop.plan(
        specification,
        readings,
        method=method,
        attack_n=attack_n,
        budget_mm=budget_mm,
        keep=keep,
        neck=neck,
    )
    shown = shown_unit(unit, specification.unit)
    if pictures is not None:
        drawings = workshop.plan_pictures(specification, made, unit=shown)
        written = workshop.write_pictures(drawings, pictures)
    ahead = (
        workshop.plan_pitch_finding(made),
        *workshop.outlook_findings(specification, made),
    )
    values = made.as_dict()
    if path is not None:
        workshop.write_json(path, values)
    if verify_by_motion:
        from evenfall.cli.waiting import Waiting

        with Waiting() as waiting:
            moved = workshop.verify_by_motion(specification, made, progress=waiting)
        values["motion"] = moved.as_dict()
        ahead = (*ahead, *moved.findings)
    if as_json:
        show_json({**values, "findings": [f.as_dict() for f in (*findings, *told, *ahead)]})
        return
    from evenfall.cli.reports import show_plan

    show_findings((*(f for f in findings if f.severity != "note"), *told))
    show_plan(made, specification, shown)
    show_findings(ahead)
    if pictures is not None:
        for picture in written:
            click.echo(f"Picture {picture}")
    click.echo(f"Wrote {path}")
