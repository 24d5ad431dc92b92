"""Plans made up for tests: real specifications and readings, cut by the one-pass solution.

The crossings' needs are the rest clearance that a fixed attack asks for by the ideal string's
parallelogram; that is enough to give plans of every size without the optimiser.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evenfall.instrument import read_specification, string_lines
from evenfall.measurement import Heights, Measurement, Origin
from evenfall.neck import default_bow
from evenfall.plan import Plan
from evenfall.plan.limits import LimitReached
from evenfall.strings.clearance import chord_share, open_gap_mm
from evenfall.wording import sentence
from made_outlook import said_of_the_neck

PITCHES = ("E4", "B3", "G3", "D3", "A2", "E2", "B1", "F#1", "C#1", "G#0", "D#0", "A#0")


def specification_text(
    strings=6, frets=22, *, unit="mm", name="Six-string electric, 648 mm (invented)"
):
    """Return a specification as TOML; lengths are given in `unit`."""
    per = 25.4 if unit == "in" else 1.0

    def size(length_mm):
        return repr(round(length_mm / per, 6))

    lines = [
        'schema = "evenfall/spec@1"',
        "[model]",
        f"name = {name!r}".replace("'", '"') if '"' not in name else f"name = '{name}'",
        'kind = "electric guitar"',
        f'units = "{unit}"',
        f"frets = {frets}",
        "[scale]",
        f"length = {size(648.0)}",
        f"reference_fret = {min(12, frets)}",
        "[board]",
        f"radius_nut = {size(254.0)}",
        f"radius_last = {size(305.0)}",
        f"width_nut = {size(7.0 * strings + 3)}",
        f"width_last = {size(9.0 * strings + 3)}",
        f"string_spread_nut = {size(7.0 * (strings - 1))}",
        f"string_spread_saddle = {size(10.0 * (strings - 1))}",
        "[fretwire]",
        f"crown_height = {size(1.2)}",
        f"crown_width = {size(2.4)}",
        f"least_crown_height = {size(0.75)}",
    ]
    for number in range(1, strings + 1):
        lines += [
            "[[string]]",
            f"number = {number}",
            f'pitch = "{PITCHES[number - 1]}"',
            f"gauge = {size(0.254 + 0.12 * (number - 1))}",
            f"core = {size(0.2 + 0.02 * number)}",
            f"mass_per_length = {0.4 * 1.75 ** (number - 1):.4f}",
            f"saddle_setback = {size(1.8)}",
        ]
    lines += [
        "[target]",
        f"action = {{ treble = {size(1.5)}, bass = {size(1.9)}, tolerance = {size(0.15)} }}",
        f"relief = {{ value = {size(0.2)}, minimum = {size(0.1)}, maximum = {size(0.3)} }}",
        f"first_fret_gap = {{ treble = {size(0.3)}, bass = {size(0.45)}, "
        f"tolerance = {size(0.1)} }}",
        f"saddle_travel = {{ down = {size(0.8)}, up = {size(0.8)} }}",
        f"nut_travel = {{ down = {size(0.25)} }}",
        "[player]",
        "attack = 0.35",
        f"pluck_distance = {size(130.0)}",
        "[rule]",
        f"extra_clearance = {size(0.02)}",
        "coverage = 0.95",
        'decision = "guard band"',
    ]
    return "\n".join(lines) + "\n"


def made_plan(
    strings=6,
    frets=22,
    *,
    unit="mm",
    serial="UY-0142 (invented)",
    name="Six-string electric, 648 mm (invented)",
    seed=1,
    roughness_mm=0.035,
    high_frets=(),
    relief_change_mm=0.08,
    saddle_change_mm=0.06,
    nut_change_mm=-0.03,
    method="profile",
    cut=True,
    need_mm=0.1,
    text="",
):
    """Return a specification (that of `text` if given) and a plan for it."""
    text = text or specification_text(strings, frets, unit=unit, name=name)
    spec, _ = read_specification(text)
    lines = string_lines(spec)
    bow = default_bow(spec, lines)
    chance = np.random.default_rng(seed)
    action = np.linspace(1.5, 1.9, strings)
    station, saddle_at = lines.station_mm, lines.saddle_station_mm
    middle = min(12, frets)
    smooth = 0.12 * bow.frets
    bowed = smooth + relief_change_mm * bow.frets
    shares = np.stack([station[:, 1], station[:, middle]]) / saddle_at
    wanted = np.stack([np.linspace(0.32, 0.46, strings), action])
    wanted += np.stack([bowed[:, 0], bowed[:, middle - 1]])
    ends = [
        np.linalg.solve(np.stack([1.0 - shares[:, k], shares[:, k]], axis=1), wanted[:, k])
        for k in range(strings)
    ]
    nut, saddle = np.array(ends).T
    top = smooth + chance.normal(0.0, roughness_mm, (strings, frets))
    top[:, list(np.array(high_frets, dtype=int) - 1)] += 0.08
    high = np.full((strings, frets), 1.15) + chance.normal(0.0, 0.01, (strings, frets))
    shape = (strings, frets)
    before = Measurement(
        serial=serial,
        model=spec.name,
        specification_hash=spec.content_hash,
        source=("readings.csv",),
        strung=True,
        humidity_percent=45.0,
        heights=Heights.independent(
            nut_mm=nut,
            crown_top_mm=top,
            saddle_mm=saddle,
            nut_u_mm=0.005,
            crown_top_u_mm=0.004,
            saddle_u_mm=0.005,
        ),
        crown_height_mm=high,
        crown_height_u_mm=np.full(shape, 0.01),
        crown_height_origin=np.full(shape, Origin.READ, dtype=np.int8),
        crown_height_degrees_of_freedom=np.full(shape, np.inf),
        specification_text=text,
    )
    nut_after = nut + nut_change_mm * np.where(np.arange(strings) % 2, 0.5, 1.0)
    saddle_after = saddle + saddle_change_mm * np.linspace(-1.0, 1.0, strings)
    bent = top + relief_change_mm * bow.frets
    after = one_pass(lines, nut_after, bent, saddle_after, need_mm) if cut else bent
    removal = bent - after
    ref = spec.scale.reference_fret
    attack = np.array(spec.player.attack_n)
    buzz_force = np.full(shape, 0.30) + 0.02 * np.arange(frets)
    moved = relief_change_mm or saddle_change_mm or nut_change_mm
    plan = Plan(
        status="cut" if removal.any() else "settings" if moved else "nothing",
        method=method,
        metal_mm=float(removal.sum()),
        duality_gap_mm=0.0,
        largest_violation_mm=0.0,
        measurement=before,
        attack_n=attack,
        removal_mm=removal,
        crown_top_after_mm=after,
        crown_height_after_mm=high - removal,
        replaced_frets=(),
        nut_after_mm=nut_after,
        saddle_after_mm=saddle_after,
        relief_before_mm=bow.relief_mm(top),
        relief_change_mm=relief_change_mm,
        relief_after_mm=bow.relief_mm(top) + relief_change_mm,
        action_before_mm=open_gap_mm(lines, nut, top, saddle, ref),
        action_after_mm=open_gap_mm(lines, nut_after, after, saddle_after, ref),
        first_fret_gap_before_mm=open_gap_mm(lines, nut, top, saddle, 1),
        first_fret_gap_after_mm=open_gap_mm(lines, nut_after, after, saddle_after, 1),
        buzz_force_before_n=buzz_force - 0.05,
        buzz_force_after_n=buzz_force + 0.06,
        touch_force_before_n=buzz_force - 0.1,
        touch_force_after_n=buzz_force + 0.01,
        life_used=0.2,
        binding=(
            LimitReached("clearance", "", (2,), 4, 5),
            LimitReached("clearance", "", (strings,), 0, min(7, frets)),
        ),
        prices=(),
        methods=(),
        **said_of_the_neck(bow.frets),
        recommended=method,
        reason=sentence("made up for a test"),
    )
    return spec, plan


def one_pass(lines, nut, top, saddle, need_mm):
    """Return the highest crown tops that clear by `need_mm` at every stop (theory of the plan)."""
    share = chord_share(lines)
    height = np.concatenate([nut[:, None], top], axis=1)
    for j in range(1, height.shape[1]):
        a = share[:, :j, j]
        bound = (1.0 - a) * height[:, :j] + a * saddle[:, None] - need_mm
        height[:, j] = np.minimum(height[:, j], bound.min(axis=1))
    return height[:, 1:]


def misfit(plan):
    """Return the plan as one whose attack and targets do not fit each other."""
    said = sentence("Level frets fall short; an action of {action:length} would fit.", action=2.12)
    return replace(plan, status="misfit", misfit=said)
