"""`evenfall spec`: specifications."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from evenfall.cli.door import (
    json_option,
    path_argument,
    show_findings,
    show_json,
    shown_unit,
    unit_option,
)

if TYPE_CHECKING:
    from pathlib import Path

    from evenfall.instrument import Specification


@click.group(name="spec")
def command() -> None:
    """Work with specification files."""


@command.command()
@path_argument("spec", help="Specification file (TOML).")
@json_option
@unit_option
def check(*, spec: Path, as_json: bool, unit: str | None) -> None:
    """Read SPEC, list what is wrong, print tensions and fret places."""
    from evenfall import workshop

    specification, findings = workshop.check_specification(spec)
    numbers = derived_numbers(specification)
    if as_json:
        show_json({**numbers, "findings": [f.as_dict() for f in findings]})
        return
    from evenfall.cli.tables import string_table, table
    from evenfall.units import in_unit

    shown = shown_unit(unit, specification.unit)
    click.echo(f"{specification.name}: {specification.kind}, {specification.frets} frets")
    string_table(numbers["strings"], shown)
    lengths = {True: "from the nut, treble / bass", False: "from the nut"}
    places = numbers["fret_places_mm"]
    rows = []
    for fret in range(1, specification.frets + 1):
        treble, bass = (in_unit(places[side][fret - 1], shown) for side in (0, -1))
        text = f"{treble:.3f}" if shown == "mm" else f"{treble:.4f}"
        if specification.scale.fanned:
            text += f" / {bass:.3f}" if shown == "mm" else f" / {bass:.4f}"
        rows.append([str(fret), text])
    table(f"Fret places [{shown}]", ["fret", lengths[specification.scale.fanned]], rows, columns=3)
    click.echo(f"Sum of tensions {numbers['total_tension_n']:.0f} N")
    show_findings(findings)
    click.echo("The specification is complete and consistent." if not findings else "")


def derived_numbers(specification: Specification) -> dict[str, Any]:
    """Return what follows from a specification alone, as plain values.

    Parameters
    ----------
    specification
        The specification.
    """
    from evenfall.instrument import string_lines

    lines = string_lines(specification)
    strings = [
        {
            "string": s.number,
            "pitch": s.pitch,
            "frequency_hz": s.frequency_hz,
            "gauge_mm": s.gauge_mm,
            "mass_per_length_g_per_m": 1000.0 * s.linear_density_kg_per_m,
            "speaking_length_mm": s.speaking_length_mm,
            "tension_n": s.tension_n,
            "inharmonicity": s.inharmonicity,
            "attack_n": specification.player.attack_n[s.number - 1],
            "action_mm": specification.target.action[s.number - 1].value_mm,
            "first_fret_gap_mm": specification.target.first_fret_gap[s.number - 1].value_mm,
        }
        for s in specification.strings
    ]
    return {
        "name": specification.name,
        "kind": specification.kind,
        "frets": specification.frets,
        "specification_hash": specification.content_hash,
        "total_tension_n": sum(s.tension_n for s in specification.strings),
        "strings": strings,
        "fret_places_mm": [[float(x) for x in row[1:]] for row in lines.station_mm],
    }
