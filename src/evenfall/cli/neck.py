"""`evenfall neck`: what becomes of the relief."""

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
from evenfall.cli.neck_options import NeckReadings, neck_options

if TYPE_CHECKING:
    from pathlib import Path

    from evenfall.neck import NeckForecast
    from evenfall.units import LengthUnit


@click.command(name="neck")
@path_argument("source", help="Measurement file, plan, or a hand sheet with --spec.")
@path_option("--spec", help="Specification, if SOURCE is a hand sheet.")
@click.option("--serial", default="", help="What a hand sheet's instrument is called on its label.")
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
    help="Write readings that were taken without strings, carried to playing tension.",
)
@path_option("--pictures", metavar="FOLDER", help="Write the picture into this folder.")
@json_option
@unit_option
def command(
    *,
    source: Path,
    spec: Path | None,
    serial: str,
    neck_readings: NeckReadings,
    humidity_percent: tuple[float, float] | None,
    convert: Path | None,
    pictures: Path | None,
    as_json: bool,
    unit: str | None,
) -> None:
    """Say what becomes of the relief of SOURCE: other strings, the rod, the seasons.

    Of a plan, from the relief after it. What was not measured of the neck is taken from its size
    and wood, or from a usual neck, with the uncertainty that comes with that.
    """
    from evenfall import workshop
    from evenfall.files import keep_apart

    if convert is not None:
        keep_apart([convert], [p for p in (source, spec, *neck_readings.files) if p is not None])
    specification, readings, plan, findings = workshop.open_measurement_or_plan(
        source, spec, serial=serial
    )

    made = workshop.neck(
        specification,
        readings,
        plan,
        other=neck_readings.other(),
        humidity_percent=humidity_percent,
        **neck_readings.known(spec),
    )
    shown = shown_unit(unit, specification.unit)
    if convert is not None:
        workshop.write_converted(made, convert)
    if pictures is not None:
        drawings = workshop.neck_pictures(specification, made, unit=shown)
        written = workshop.write_pictures(drawings, pictures)
    if as_json:
        values = made.as_dict()
        values["findings"] = [f.as_dict() for f in (*findings, *made.findings)]
        show_json(values)
        return
    click.echo(f"{readings.serial or 'Instrument'}: {readings.model}")
    _show(made, shown)
    show_findings((*(f for f in findings if f.severity != "note"), *made.findings))
    if convert is not None:
        click.echo(f"Wrote {convert}")
    if pictures is not None:
        for path in written:
            click.echo(f"Picture {path}")


def _show(made: NeckForecast, unit: LengthUnit) -> None:
    import math

    from evenfall.cli.tables import table
    from evenfall.units import length_text

    def figure(length_mm: float, *, signed: bool = False) -> str:
        return length_text(length_mm, unit, signed=signed).split()[0]

    def row(name: str, relief_mm: float, u_mm: float) -> list[str]:
        return [name, figure(relief_mm), figure(2.0 * u_mm), made.standing(relief_mm, u_mm)]

    rows = [row("at playing tension", made.relief_mm, made.relief_u_mm)]
    if (swap := made.strings) is not None:
        rows.append(row(f"with {swap.name}", swap.relief_after_mm, swap.relief_after_u_mm))
    if (season := made.season) is not None:
        name = f"at {season.humidity_to_percent:g} % humidity"
        rows.append(row(name, season.relief_after_mm, season.relief_after_u_mm))
    limits = f"{figure(made.minimum_mm)} to {length_text(made.maximum_mm, unit)}"
    table(f"Relief [{unit}]; allowed {limits}", ["what", f"relief {unit}", "± 2 u", "limits"], rows)
    model = made.model
    click.echo(
        f"Strings pull {model.tension_n:.0f} N; 100 N more add "
        f"{length_text(100.0 * model.relief_mm_per_n, unit)} ± "
        f"{length_text(200.0 * model.relief_u_mm_per_n, unit)} of relief ({_ORIGINS[model.origin]})"
    )
    rod = made.rod
    if rod is None:
        return
    wanted = length_text(abs(rod.relief_change_mm), unit)
    word = "more" if rod.relief_change_mm > 0.0 else "less"
    goal = f"{wanted} {word} relief brings it to {length_text(made.value_mm, unit)}"
    if abs(rod.relief_change_mm) < 5e-4:
        click.echo("Truss rod: leave")
    elif math.isfinite(rod.turns_count):
        method = "tighten" if rod.turns_count > 0.0 else "loosen"
        click.echo(
            f"Truss rod: {goal}: {method} by {abs(rod.turns_count):.2f} ± "
            f"{2.0 * rod.turns_u_count:.2f} turns"
        )
    else:
        click.echo(f"Truss rod: {goal}; measure one turn to have it in turns (--relief-per-turn)")


_ORIGINS = {
    "default": "a usual neck, not measured",
    "section": "from depths and woods",
    "stiffness": "from the stiffness in the specification",
    "specification": "as measured, from the specification",
    "pair": "from the pair of profiles",
}
