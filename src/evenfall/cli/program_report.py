"""What the commands about machines and their programs show."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from evenfall.wording import Sentence, sentence
from evenfall.work.descriptions import Cutter, Description, Fixture, Machine, Parts

if TYPE_CHECKING:
    from evenfall.workshop.programs import ProgramOutcome


def description_lines(described: Description) -> Iterator[Sentence]:
    """Yield what a description says, a line each."""
    if isinstance(described, Machine):
        yield from _machine_lines(described)
    elif isinstance(described, Fixture):
        yield sentence(
            "{name}: work zero at X {x:size}, Y {y:size}, Z {z:size} on the machine.",
            name=described.name,
            x=described.zero_x_mm,
            y=described.zero_y_mm,
            z=described.zero_z_mm,
        )
        for box in described.boxes:
            yield sentence(
                "Stay out of {name}: X {x0:size} to {x1:size}, Y {y0:size} to {y1:size}, up to Z "
                "{top:size}.",
                name=box.name,
                x0=box.x_least_mm,
                x1=box.x_most_mm,
                y0=box.y_least_mm,
                y1=box.y_most_mm,
                top=box.z_most_mm,
            )
    elif isinstance(described, Parts):
        yield from _parts_lines(described)
    else:
        for cutter in described:
            yield from _cutter_lines(cutter)


def _machine_lines(machine: Machine) -> Iterator[Sentence]:
    yield sentence(
        "{name}: {unit}, {decimals:count decimal}, work offset {offset}, cutters changed {change}.",
        name=machine.name,
        unit=machine.unit,
        decimals=machine.decimals,
        offset=machine.work_offset,
        change=machine.tool_change if machine.tool_change == "by hand" else "by a changer",
    )
    for axis, (least, most) in zip("XYZ", machine.travel_mm, strict=True):
        text = "{axis}: {least:size} to {most:size} on the machine."
        yield sentence(text, axis=axis, least=least, most=most)
    yield sentence(
        "Rapids stay {safe:size} over the highest crown; feed up to {feed:size} a minute, "
        "downwards {plunge:size}.",
        safe=machine.safe_height_mm,
        feed=60.0 * machine.most_feed_mm_per_s,
        plunge=60.0 * machine.plunge_feed_mm_per_s,
    )
    yield sentence(
        "Spindle {spindle}, {least:.0f} to {most:.0f} rev/min.",
        spindle={
            "upright": "upright",
            "level": "level along the neck",
            "both": "upright, or level along the neck",
        }[machine.spindle],
        least=60.0 * machine.least_speed_hz,
        most=60.0 * machine.most_speed_hz,
    )
    yield sentence(
        "One last digit of a coordinate is {digit:size}; the smallest cut is {cut:length}.",
        digit=machine.digit_mm,
        cut=machine.smallest_cut_mm,
    )


def _parts_lines(parts: Parts) -> Iterator[Sentence]:
    if parts.nut is not None:
        yield sentence(
            "{name}: nut of {material}, {thick:size} thick; slots by {spacing}, {more:length} "
            "wider than their strings, falling {angle:.1f} degrees towards the tuners.",
            name=parts.name,
            material=parts.nut.material,
            thick=parts.nut.thickness_mm,
            spacing=parts.nut.spacing,
            more=parts.nut.clearance_mm,
            angle=math.degrees(parts.nut.floor_rad),
        )
    if parts.saddle is not None:
        yield sentence(
            "{name}: saddle of {material}, {thick:size} thick, its top round to {radius:size}.",
            name=parts.name,
            material=parts.saddle.material,
            thick=parts.saddle.thickness_mm,
            radius=parts.saddle.round_mm,
        )
    if parts.ends is not None:
        yield sentence(
            "{name}: fret ends at {angle:.1f} degrees to upright, from {clear:length} over the "
            "board.",
            name=parts.name,
            angle=math.degrees(parts.ends.angle_rad),
            clear=parts.ends.clear_mm,
        )


def _cutter_lines(cutter: Cutter) -> Iterator[Sentence]:
    text = "T{number} {name}: {shape}, diameter {diameter:length}"
    if not math.isnan(cutter.groove_radius_mm):
        text += ", groove radius {groove:length}, {width:length} wide"
    yield sentence(
        text + ", for {materials:list}.",
        number=cutter.number,
        name=cutter.name,
        shape=cutter.shape,
        diameter=cutter.diameter_mm,
        groove=cutter.groove_radius_mm,
        width=cutter.width_mm,
        materials=tuple(cutter.uses),
    )


def program_lines(outcome: ProgramOutcome) -> Iterator[Sentence]:
    """Yield what a program is for and what can hurt, a line each."""
    yield outcome.piece.said
    if outcome.passes:
        text = "{passes:count pass}, about {minutes:.0f} min."
        if len(outcome.passes) != 1:
            text = "{passes} passes, about {minutes:.0f} min."
        minutes = math.ceil(outcome.seconds / 60.0)
        yield sentence(text, passes=len(outcome.passes), minutes=minutes)
    if not outcome.faults and not outcome.lifted:
        yield sentence("The simulated cut shows no fault.")
    yield sentence("Cautions")
    for one in outcome.cautions:
        yield sentence("  {topic}. {said}", topic=one.topic, said=one.sentence)
