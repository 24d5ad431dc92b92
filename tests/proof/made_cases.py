"""Made-up instruments for the tests of the proof: specification, plan, readings after the work.

The neck is made so that every limit holds with the room asked for; tests then spoil one thing.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from evenfall.instrument import read_specification, string_lines
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
from evenfall.strings.excursion import excursion_table
from evenfall.wording import sentence
from made_heights import changed
from made_outlook import said_of_the_neck

PITCHES = ("E4", "B3", "G3", "D3", "A2", "E2")
GAUGES_MM = (0.254, 0.330, 0.432, 0.508, 0.610, 0.711)


@cache
def specification(strings=3, frets=14, *, rule="guard band", risk=0.05, unit="mm"):
    """Return a specification of an invented instrument."""
    per = 25.4 if unit == "in" else 1.0
    text = f"""
schema = "evenfall/spec@1"
[model]
name = "Three-quarter trial neck (invented)"
kind = "electric guitar"
units = "{unit}"
frets = {frets}
[scale]
length = {580.0 / per}
reference_fret = {min(12, frets)}
[board]
radius_nut = {254.0 / per}
radius_last = {305.0 / per}
width_nut = {40.0 / per}
width_last = {52.0 / per}
string_spread_nut = {33.0 / per}
string_spread_saddle = {48.0 / per}
[fretwire]
crown_height = {1.2 / per}
crown_width = {2.4 / per}
least_crown_height = {0.75 / per}
[target]
action = {{ treble = {1.5 / per}, bass = {1.8 / per}, tolerance = {0.15 / per} }}
relief = {{ value = {0.20 / per}, minimum = {0.10 / per}, maximum = {0.30 / per} }}
first_fret_gap = {{ treble = {0.35 / per}, bass = {0.45 / per}, tolerance = {0.10 / per} }}
saddle_travel = {{ down = {0.8 / per}, up = {0.8 / per} }}
nut_travel = {{ down = {0.25 / per} }}
[player]
attack = 0.15
pluck_distance = {120.0 / per}
[rule]
extra_clearance = {0.01 / per}
false_acceptance = {risk}
decision = "{rule}"
"""
    for number in range(1, strings + 1):
        text += f"""
[[string]]
number = {number}
pitch = "{PITCHES[number - 1]}"
gauge = {GAUGES_MM[number - 1] / per}
saddle_setback = {(1.5 + 0.2 * number) / per}
"""
    return read_specification(text)[0]


@cache
def geometry(spec):
    """Return string lines, bow and excursion table."""
    lines = string_lines(spec)
    return lines, default_bow(spec, lines), excursion_table(spec, lines)


def measurement(
    spec, *, nut_mm, top_mm, saddle_mm, crown_mm=None, u_mm=0.002, crown_u_mm=0.01, **other
):
    """Return readings of heights with one uncertainty."""
    shape = np.shape(top_mm)
    read = Origin.READ if crown_mm is not None else Origin.NOMINAL
    height = crown_mm if crown_mm is not None else np.full(shape, spec.fretwire.crown_height_mm)

    def origin(size, kind=Origin.READ):
        return np.full(size, kind, dtype=np.int8)

    values = {
        "serial": "UY-0007 (invented)",
        "model": spec.name,
        "specification_hash": spec.content_hash,
        "source": ("after.csv",),
        "strung": True,
        "humidity_percent": float("nan"),
        "crown_height_mm": np.array(height, dtype=float),
        "crown_height_u_mm": np.full(shape, crown_u_mm),
        "crown_height_origin": origin(shape, read),
        "crown_height_degrees_of_freedom": np.full(shape, np.inf),
        "specification_text": spec.text,
    }
    heights = {
        "nut_mm": nut_mm,
        "crown_top_mm": top_mm,
        "saddle_mm": saddle_mm,
        "nut_u_mm": u_mm,
        "crown_top_u_mm": u_mm,
        "saddle_u_mm": u_mm,
    }
    made = Measurement(**{"heights": Heights.independent(**heights), **values})
    return changed(made, **other)


def ideal_heights(spec, relief_mm=0.2, action_off_mm=0.0, first_off_mm=0.0):
    """Return nut, crown tops and saddle of a smooth neck at its target values."""
    lines, bow, _ = geometry(spec)
    top = relief_mm * bow.frets
    ref = spec.scale.reference_fret
    rows = []
    for k in range(spec.string_count):
        share = np.array([lines.station_mm[k, j] / lines.saddle_station_mm[k] for j in (1, ref)])
        gaps = np.array(
            [
                spec.target.first_fret_gap[k].value_mm + first_off_mm + top[k, 0],
                spec.target.action[k].value_mm + action_off_mm + top[k, ref - 1],
            ]
        )
        rows.append(np.linalg.solve(np.stack([1.0 - share, share], axis=1), gaps))
    nut, saddle = np.array(rows).T
    return nut, top, saddle


def made_plan(spec, *, u_mm=0.002, crown_read=True, rough_mm=0.03, seed=3):
    """Return a plan that takes a rough neck down to the ideal one."""
    lines, bow, table = geometry(spec)
    nut, top, saddle = ideal_heights(spec)
    chance = np.random.default_rng(seed)
    removal = np.abs(chance.normal(0.0, rough_mm, top.shape))
    high = np.full(top.shape, 1.1)
    before = measurement(
        spec,
        nut_mm=nut,
        top_mm=top + removal,
        saddle_mm=saddle,
        crown_mm=high if crown_read else None,
        u_mm=u_mm,
        source=("before.csv",),
    )
    if not crown_read:
        high = before.crown_height_mm
    ref = spec.scale.reference_fret

    def force(kind, heights):
        return kind(rest_clearance_mm(lines, nut, heights, saddle), table).force_n

    return Plan(
        status="cut",
        method="profile",
        metal_mm=float(removal.sum()),
        duality_gap_mm=0.0,
        largest_violation_mm=0.0,
        measurement=before,
        attack_n=np.array(spec.player.attack_n),
        removal_mm=removal,
        crown_top_after_mm=top,
        crown_height_after_mm=high - removal,
        replaced_frets=(),
        nut_after_mm=nut,
        saddle_after_mm=saddle,
        relief_before_mm=bow.relief_mm(top + removal),
        relief_change_mm=0.0,
        relief_after_mm=bow.relief_mm(top),
        action_before_mm=open_gap_mm(lines, nut, top + removal, saddle, ref),
        action_after_mm=open_gap_mm(lines, nut, top, saddle, ref),
        first_fret_gap_before_mm=open_gap_mm(lines, nut, top + removal, saddle, 1),
        first_fret_gap_after_mm=open_gap_mm(lines, nut, top, saddle, 1),
        buzz_force_before_n=force(buzz_force, top + removal),
        buzz_force_after_n=force(buzz_force, top),
        touch_force_before_n=force(touch_force, top + removal),
        touch_force_after_n=force(touch_force, top),
        life_used=0.2,
        binding=(),
        prices=(),
        methods=(),
        **said_of_the_neck(bow.frets)
        | {"smallest_cut_mm": spec.judgement.smallest_cut_mm("machine")},
        recommended="profile",
        reason=sentence("made up for a test"),
    )


def after_work(spec, plan, *, u_mm=0.002, crowns=True, **changes):
    """Return readings that find exactly what was planned, but for the changes given."""
    heights = {
        "nut_mm": plan.nut_after_mm,
        "top_mm": plan.crown_top_after_mm,
        "saddle_mm": plan.saddle_after_mm,
        "crown_mm": plan.crown_height_after_mm if crowns else None,
    }
    heights |= {name: changes.pop(name) for name in list(changes) if name in heights}
    return measurement(spec, **heights, u_mm=u_mm, **changes)


def moved(readings, *, lift_mm, tilt_mm_per_mm):
    """Return the same readings over another datum: a + b x added per string."""
    spec = read_specification(readings.specification_text)[0]
    lines, _, _ = geometry(spec)
    return changed(
        readings,
        nut_mm=readings.nut_mm + lift_mm,
        crown_top_mm=readings.crown_top_mm
        + lift_mm[:, None]
        + tilt_mm_per_mm[:, None] * lines.station_mm[:, 1:],
        saddle_mm=readings.saddle_mm + lift_mm + tilt_mm_per_mm * lines.saddle_station_mm,
    )


def share_over(spec, string, stop, fret):
    """Return the saddle's share in the chord of a stopped string over a fret."""
    return float(chord_share(geometry(spec)[0])[string - 1, stop, fret])
