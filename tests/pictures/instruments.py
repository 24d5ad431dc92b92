"""Invented instruments with uneven frets, and their plans, for the tests of the pictures."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np

from evenfall.instrument import Specification, StringLines, read_specification, string_lines
from evenfall.instrument.geometry import board_drop_mm
from evenfall.measurement import Heights, Measurement, Origin
from evenfall.neck import default_bow
from evenfall.plan import Plan
from evenfall.strings.clearance import (
    buzz_force,
    chord_share,
    open_gap_mm,
    rest_clearance_mm,
    touch_force,
)
from evenfall.strings.excursion import ExcursionTable
from evenfall.units import pitch_frequency_hz
from evenfall.wording import sentence
from made_outlook import said_of_the_neck

PITCHES = ("E4", "B3", "G3", "D3", "A2", "E2", "B1", "F#1", "C#1", "G#0", "D#0", "A#0")


def specification(
    strings: int = 6,
    frets: int = 22,
    *,
    name: str = "Six-string electric (invented)",
    units: str = "mm",
    scale: str = "length = 648.0",
    pitches: tuple[str, ...] = PITCHES,
    tension_n: float = 72.0,
) -> Specification:
    """Return an invented instrument."""
    factor = 1.0 if units == "mm" else 1.0 / 25.4

    def mm(length: float) -> str:
        return f"{length * factor:.6f}"

    text = f"""
schema = "evenfall/spec@1"
[model]
name = "{name}"
units = "{units}"
frets = {frets}
[scale]
{scale}
reference_fret = {min(12, frets)}
[board]
radius_nut = {mm(254.0)}
radius_last = {mm(305.0)}
width_nut = {mm(8.0 + 7.2 * (strings - 1))}
width_last = {mm(10.0 + 9.5 * (strings - 1))}
string_spread_nut = {mm(7.2 * (strings - 1))}
string_spread_saddle = {mm(10.4 * (strings - 1))}
[fretwire]
crown_height = {mm(1.2)}
crown_width = {mm(2.4)}
least_crown_height = {mm(0.75)}
[target]
action = {{ treble = {mm(1.5)}, bass = {mm(1.9)}, tolerance = {mm(0.15)} }}
relief = {{ value = {mm(0.2)}, minimum = {mm(0.1)}, maximum = {mm(0.3)} }}
first_fret_gap = {{ treble = {mm(0.3)}, bass = {mm(0.45)}, tolerance = {mm(0.1)} }}
[player]
attack = {[round(0.35 + 0.02 * k, 2) for k in range(strings)]}
pluck_distance = {mm(100.0)}
[rule]
decision = "guard band"
"""
    length_mm = float(re.findall(r"[\d.]+", scale)[0]) * (1.0 if units == "mm" else 25.4)
    for number in range(1, strings + 1):
        hz = pitch_frequency_hz(pitches[number - 1])
        text += f"""
[[string]]
number = {number}
pitch = "{pitches[number - 1]}"
gauge = {mm(0.254 + 0.08 * number)}
mass_per_length = {1000.0 * tension_n / (4.0 * (length_mm / 1000.0 * hz) ** 2):.5f}
core = {mm(0.25)}
saddle_setback = {mm(2.0)}
"""
    return read_specification(text, source="invented.toml")[0]


def parallelogram(spec: Specification, lines: StringLines) -> ExcursionTable:
    """Return the excursion of ideal strings, the closed form for no stiffness (theory, section 2).

    Shape as in `ExcursionTable`; enough for pictures, and independent of the motion model.
    """
    station = lines.station_mm
    count, places = station.shape
    excursion = np.zeros((count, places, places))
    compliance = np.zeros((count, places))
    for k, string in enumerate(spec.strings):
        length = lines.saddle_station_mm[k] - station[k]
        pluck = np.minimum(spec.player.pluck_distance_mm, 0.5 * length)
        compliance[k] = pluck * (length - pluck) / (string.tension_n * length)
        for i in range(places):
            d = station[k] - station[k, i]
            rise = [
                np.minimum(d / q, (length[i] - d) / (length[i] - q))
                for q in (pluck[i], length[i] - pluck[i])
            ]
            excursion[k, i] = np.where(d > 0.0, compliance[k, i] * np.maximum(*rise), 0.0)
    both = np.stack([excursion, excursion])
    return ExcursionTable(1.1 * both, both, compliance)


def measurement(spec: Specification, *, seed: int = 1, uneven_mm: float = 0.03) -> Measurement:
    """Return readings of an uneven neck with too much relief."""
    rng = np.random.default_rng(seed)
    lines = string_lines(spec)
    bow = default_bow(spec, lines)
    count, frets = spec.string_count, spec.frets
    drop = board_drop_mm(spec, lines)
    height = np.full((count, frets), 1.15) + rng.normal(0.0, 0.01, (count, frets))
    top = height - drop[:, 1:] + 0.28 * bow.frets + rng.normal(0.0, uneven_mm, frets)
    reference = spec.scale.reference_fret
    share = lines.station_mm[:, reference] / lines.saddle_station_mm
    nut = top[:, 0] + 0.42
    action = np.array([limit.value_mm for limit in spec.target.action])
    saddle = (top[:, reference - 1] + action - (1.0 - share) * nut) / share
    u = np.full((count, frets), 0.008)
    read = np.full((count, frets), int(Origin.READ), dtype=np.int8)
    return Measurement(
        serial="UY-0117",
        model=spec.name,
        specification_hash=spec.content_hash,
        source=("readings.csv",),
        strung=True,
        humidity_percent=46.0,
        heights=Heights.independent(
            nut_mm=nut,
            crown_top_mm=top,
            saddle_mm=saddle,
            nut_u_mm=0.01,
            crown_top_u_mm=u,
            saddle_u_mm=0.01,
        ),
        crown_height_mm=height,
        crown_height_u_mm=u,
        crown_height_origin=read,
        crown_height_degrees_of_freedom=np.full((count, frets), np.inf),
        specification_text=spec.text,
    )


def plan(
    spec: Specification, before: Measurement | None = None, **changes: Any
) -> tuple[Plan, ExcursionTable]:
    """Return the one-pass greatest solution of theory section 3 with a little less relief."""
    before = before or measurement(spec)
    lines = string_lines(spec)
    bow = default_bow(spec, lines)
    swing = parallelogram(spec, lines)
    attack = np.array(spec.player.attack_n)
    change = -0.08
    nut, saddle = before.nut_mm, before.saddle_mm + 0.05
    raised = before.crown_top_mm + change * bow.frets
    share = chord_share(lines)
    height = np.concatenate([nut[:, None], raised], axis=1)
    for j in range(1, spec.frets + 1):
        bound = (
            (1.0 - share[:, :j, j]) * height[:, :j]
            + share[:, :j, j] * saddle[:, None]
            - 0.02
            - attack[:, None] * swing.buzz_mm_per_n[:, :j, j]
        )
        height[:, j] = np.minimum(height[:, j], bound.min(axis=1))
    after = height[:, 1:]
    removal = raised - after
    was = (before.nut_mm, before.crown_top_mm, before.saddle_mm)
    now = (nut, after, saddle)
    reference = spec.scale.reference_fret
    left = before.crown_height_mm - removal
    made = Plan(
        status="cut",
        method="profile",
        metal_mm=float(removal.sum()),
        duality_gap_mm=0.0,
        largest_violation_mm=0.0,
        measurement=before,
        attack_n=attack,
        removal_mm=removal,
        crown_top_after_mm=after,
        crown_height_after_mm=left,
        replaced_frets=(),
        nut_after_mm=nut,
        saddle_after_mm=saddle,
        relief_before_mm=bow.relief_mm(before.crown_top_mm),
        relief_change_mm=change,
        relief_after_mm=bow.relief_mm(after),
        action_before_mm=open_gap_mm(lines, *was, reference),
        action_after_mm=open_gap_mm(lines, *now, reference),
        first_fret_gap_before_mm=open_gap_mm(lines, *was, 1),
        first_fret_gap_after_mm=open_gap_mm(lines, *now, 1),
        buzz_force_before_n=buzz_force(rest_clearance_mm(lines, *was), swing).force_n,
        buzz_force_after_n=buzz_force(rest_clearance_mm(lines, *now), swing).force_n,
        touch_force_before_n=touch_force(rest_clearance_mm(lines, *was), swing).force_n,
        touch_force_after_n=touch_force(rest_clearance_mm(lines, *now), swing).force_n,
        life_used=0.3,
        binding=(),
        prices=(),
        methods=(),
        **said_of_the_neck(bow.frets),
        recommended="profile",
        reason=sentence("made up for a test"),
    )
    return replace(made, **changes), swing
