"""`evenfall pitch`: what stopped notes sound like."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from evenfall.cli.door import (
    Number,
    json_option,
    path_argument,
    path_option,
    show_findings,
    show_json,
    shown_unit,
    unit_option,
)

if TYPE_CHECKING:
    from pathlib import Path

    from evenfall.instrument import Specification
    from evenfall.units import LengthUnit
    from evenfall.workshop import PitchReport


@click.command(name="pitch")
@path_argument("source", help="Measurement file, plan, or a hand sheet with --spec.")
@path_option("--spec", help="Specification, if SOURCE is a hand sheet.")
@click.option("--serial", default="", help="What a hand sheet's instrument is called on its label.")
@click.option(
    "--finger",
    "finger_mm",
    type=Number(high=30.0),
    default=None,
    metavar="MM",
    help="How far behind the fret the string is pressed [mm]; by default the specification's.",
)
@path_option("--pictures", metavar="FOLDER", help="Write the pictures into this folder.")
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
    """Say how far every stopped note of SOURCE stands from equal temperament, and what would help.

    Of a plan, the notes before and after it. Best places of nut and saddle along the strings come
    with it, within the travel that the specification allows.
    """
    from evenfall import workshop

    specification, readings, plan, findings = workshop.open_measurement_or_plan(
        source, spec, serial=serial
    )
    report = workshop.pitch(specification, readings, plan, finger_mm=finger_mm)
    if pictures is not None:
        drawings = workshop.pitch_pictures(specification, report)
        written = workshop.write_pictures(drawings, pictures)
    if as_json:
        values = report.as_dict()
        values["findings"] = [f.as_dict() for f in (*findings, *report.findings)]
        show_json(values)
        return
    click.echo(f"{readings.serial or 'Instrument'}: {readings.model}")
    _show(specification, report, shown_unit(unit, specification.unit))
    show_findings((*(f for f in findings if f.severity != "note"), *report.findings))
    if pictures is not None:
        for path in written:
            click.echo(f"Picture {path}")


def _show(specification: Specification, report: PitchReport, unit: LengthUnit) -> None:
    from evenfall.cli.tables import table
    from evenfall.units import length_text

    now, best = report.now, report.compensation
    frets = [
        fret for fret in (1, 3, 5, 7, 9, 12, 15, 17, 19, 22, 24) if fret <= specification.frets
    ]
    rows = [
        [
            str(s.number),
            s.pitch,
            *(f"{now.deviation_cents[k, fret]:+.1f}" for fret in frets),
        ]
        for k, s in enumerate(specification.strings)
    ]
    when = "" if report.planned is None else " after the plan"
    table(
        f"Cents from equal temperament{when}, by fret (+ is sharp)",
        ["string", "pitch", *map(str, frets)],
        rows,
    )

    def figure(length_mm: float) -> str:
        return length_text(length_mm, unit, signed=True).split()[0]

    alone = report.saddle_alone
    rows = [
        [
            str(k + 1),
            f"{best.rms_before_cents[k]:.2f}",
            figure(alone.saddle_setback_change_mm[k]),
            figure(alone.saddle_setback_mm[k]),
            f"{alone.rms_after_cents[k]:.2f}",
            figure(best.saddle_setback_change_mm[k]),
            figure(best.nut_setback_change_mm[k]),
            f"{best.rms_after_cents[k]:.2f}",
        ]
        for k in range(specification.string_count)
    ]
    line = ", one straight saddle" if best.straight else ""
    table(
        f"Best places along the strings{line} [{unit}]; + is longer; rms over frets 1 to "
        f"{specification.compensation.last_fret}",
        [
            "string",
            "rms cents",
            "saddle alone",
            "setback",
            "rms",
            "saddle",
            "with nut",
            "rms",
        ],
        rows,
    )
    if best.at_limit:
        click.echo(
            "At the end of the travel: string"
            f"{'' if len(best.at_limit) == 1 else 's'} {', '.join(map(str, best.at_limit))}"
        )
