"""Judges what a simulated cut leaves: every fret and part against the plan, and dry runs."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import IntArray
from evenfall.errors import At, Finding
from evenfall.instrument.geometry import arc_drop_mm
from evenfall.units import MM_PER_INCH
from evenfall.wording import Value
from evenfall.work.descriptions import WHEELS
from evenfall.work.part_check import (
    SHAPE_MM,
    TOUCHED_MM,
    UNDER_MM,
    end_faults,
    fault,
    part_faults,
)
from evenfall.work.trace import Traced, noted

if TYPE_CHECKING:
    from evenfall.work.crown_lines import CrownLine, Workpiece
    from evenfall.work.program_check import Setting
    from evenfall.work.simulation import Patch

_LIFT = re.compile(r"(\d+(?:\.\d+)?) (mm|in)\b")
_WHEEL_BITES = 1.3  # times its depth of cut that a wheel may take off at once; our judgement
_LANE_BITES = 3.0  # the same of a cutter that goes in lanes, some of which are left out before
_FLANK_SHARE = 0.9  # of half the wire: further out a crown is as low as the board
_LIFT_OFF_MM = 0.05  # a stated lift and the path's may differ by this


def cut_faults(
    patches: Sequence[Patch], piece: Workpiece, setting: Setting, *, lifted: bool
) -> Iterator[Finding]:
    """Yield where what is left differs from the plan, or what had to stay was touched."""
    for patch in patches:
        if lifted:
            yield from _nothing_cut(patch, setting)
            continue
        yield from _bite_faults(patch, setting)
        if patch.part is not None:
            yield from part_faults(patch, patch.part, setting)
        else:
            crown = piece.crowns[patch.fret - 1]
            yield from _fret_faults(patch, crown, setting)
            yield from end_faults(patch, crown, setting)


def _bite_faults(patch: Patch, setting: Setting) -> Iterator[Finding]:
    """Yield the first pass that takes off more at once than its cutter may."""
    for bite in patch.bites:
        cutter = setting.cutters[bite.tool]
        times = _WHEEL_BITES if cutter.shape in WHEELS else _LANE_BITES
        if bite.deep_mm > times * cutter.depth_of_cut_mm + setting.machine.digit_mm:
            yield fault(
                setting,
                "program-limit",
                bite.line,
                "Cutter {n} takes {deep:length} off at once, and its deepest cut is {most:length}.",
                n=bite.tool,
                deep=bite.deep_mm,
                most=cutter.depth_of_cut_mm,
            )
            return


def stated_lift_mm(traced: Traced) -> float | None:
    """Return the lift that a program states [mm]: None for no word of it, NaN for no one height."""
    told = {said for said, _ in noted(traced, "lift")}
    if not told:
        return None
    found = _LIFT.match(told.pop())
    if found is None or told:
        return math.nan
    return float(found[1]) * (MM_PER_INCH if found[2] == "in" else 1.0)


def lift_findings(
    traced: Traced,
    piece: Workpiece,
    setting: Setting,
    cut: Callable[[Traced], Sequence[Patch]],
) -> Iterator[Finding]:
    """Yield that a program is a dry run, and whether its path is lifted as it states."""
    lift = stated_lift_mm(traced)
    if lift is None:
        return
    line = next(line for _, line in noted(traced, "lift"))
    if not 0.0 < lift < math.inf:
        text = "The program states a lift without one clear height; write the dry run again."
        yield fault(setting, "program-lift", line, text)
        return
    yield Finding(
        "program-lift",
        "A dry run, lifted by {lift:length}: it cuts nothing; the work is not judged.",
        At(setting.file, lines=(line,)),
        "warning",
        lift=lift,
    )
    down = np.array([0.0, 0.0, lift + _LIFT_OFF_MM])
    lowered = replace(traced, start_mm=traced.start_mm - down, end_mm=traced.end_mm - down)
    deepest, touched = 0.0, False
    for patch in cut(lowered):
        middle = patch.middle
        here = patch.cut[:, middle]
        touched = touched or bool(here.any())
        if patch.part is not None:
            planned = patch.part.after(patch.at_mm, patch.across_mm)[:, middle]
        else:
            planned = piece.crowns[patch.fret - 1].finished(patch.at_mm)
        under = (planned - patch.height_mm[:, middle])[here]
        deepest = max(deepest, float(under.max(initial=0.0)))
    if not touched or deepest > 2.0 * _LIFT_OFF_MM:
        text = (
            "The path is not lifted by the {lift:length} that the program states; write the dry "
            "run again."
        )
        yield fault(setting, "program-lift", line, text, lift=lift)


def _nothing_cut(patch: Patch, setting: Setting) -> Iterator[Finding]:
    if patch.cut.any():
        text = "The lifted program still cuts fret {fret}; lift it higher."
        named: dict[str, Value] = {"fret": patch.fret}
        if patch.part is not None:
            text = "The lifted program still cuts the {part}; lift it higher."
            named = {"part": patch.part.part}
        yield fault(setting, "program-cut", int(patch.line[patch.cut].min()), text, **named)


def _fret_faults(patch: Patch, crown: CrownLine, setting: Setting) -> Iterator[Finding]:
    cut = partial(fault, setting, "program-cut", fret=patch.fret)
    middle = patch.middle
    planned = crown.planned(patch.at_mm)
    cut_here = crown.is_cut_at(patch.at_mm)
    bevel = crown.bevel(patch.at_mm) - SHAPE_MM
    wanted = np.minimum(np.where(cut_here, planned, patch.before_mm.max(axis=1)), bevel)
    under = wanted - patch.height_mm[:, middle]
    worst = int(under.argmax())
    allowed = UNDER_MM if crown.is_cut else TOUCHED_MM
    if under[worst] > allowed:
        text = "It cuts fret {fret} {under:amount} too deep."
        if not crown.is_cut:
            text = "It cuts fret {fret}, which is not to be cut, {under:amount} deep."
        yield cut(int(patch.line[worst, middle]), text, under=float(under[worst]))
    yield from _flank_faults(patch, crown, setting)
    lowered = patch.before_mm - patch.height_mm
    board = np.abs(patch.across_mm) >= crown.wire_half_mm
    stays = np.broadcast_to(board, lowered.shape) if crown.is_cut else np.ones_like(lowered, bool)
    ends = crown.bevel(patch.at_mm[:, None], patch.across_mm[None, :]) - 2.0 * SHAPE_MM
    bevelled = ~board & (patch.height_mm >= ends) & np.isfinite(ends)
    touched = np.where(stays & ~bevelled, lowered, 0.0)
    if touched.max() > TOUCHED_MM and not (not crown.is_cut and under[worst] > allowed):
        place = np.unravel_index(int(touched.argmax()), touched.shape)
        text = "It cuts {deep:amount} into the board at fret {fret}."
        if not board[place[1]]:
            text = "It touches fret {fret}, which is not to be cut, by {deep:amount}."
        yield cut(int(patch.line[place]), text, deep=float(touched[place]))
    if not crown.is_cut:
        return
    at = np.searchsorted(patch.at_mm, crown.at_mm)
    asked = crown.removal_mm > TOUCHED_MM
    over = np.where(asked, patch.height_mm[at].max(axis=1) - planned[at], 0.0)
    allowance = setting.machine.working_allowance_mm + setting.machine.digit_mm
    if over.max() > allowance:
        k = int(over.argmax())
        text = "It leaves fret {fret} {over:length} too high under {on:strings}."
        line = int(patch.line[at[k], middle])
        yield cut(line, text, over=float(over[k]), on=crown.strings[k] + 1)
    yield from _shape_faults(patch, crown, setting, at[asked])


def _flank_faults(patch: Patch, crown: CrownLine, setting: Setting) -> Iterator[Finding]:
    """Yield a crown that is cut, anywhere along it, deeper beside its middle than any round."""
    if not crown.is_cut:
        return
    wide = np.abs(patch.across_mm)
    flank = (wide > TOUCHED_MM) & (wide < _FLANK_SHARE * crown.wire_half_mm)
    s = wide[flank]
    rounds = [(crown.wire_radius_mm, crown.wire_half_mm)] + [
        (one.groove_radius_mm, 0.5 * one.width_mm)
        for one in setting.cutters.values()
        if one.shape == "concave wheel"
    ]
    drop = np.zeros(len(s))
    for r, half in rounds:
        drop = np.maximum(drop, arc_drop_mm(r, np.minimum(s, half)))
    top = np.minimum(crown.planned(patch.at_mm), crown.bevel(patch.at_mm) - SHAPE_MM)
    floor = np.minimum(top[:, None] - drop, patch.before_mm[:, flank])
    floor = np.minimum(
        floor, crown.bevel(patch.at_mm[:, None], patch.across_mm[None, flank]) - SHAPE_MM
    )
    under = np.where(patch.cut[:, flank], floor - patch.height_mm[:, flank], 0.0)
    place = np.unravel_index(int(under.argmax()), under.shape)
    if under[place] > SHAPE_MM:
        line, by = int(patch.line[:, flank][place]), float(under[place])
        text = "It cuts {under:amount} into the side of fret {fret}."
        yield fault(setting, "program-cut", line, text, fret=patch.fret, under=by)


def _shape_faults(
    patch: Patch, crown: CrownLine, setting: Setting, at: IntArray
) -> Iterator[Finding]:
    """Yield a crown that is off its round where it was cut, over the width that was formed."""
    for n in at.tolist():
        lines = patch.line[n]
        formed = lines > 0
        if formed.sum() < 5:
            continue
        s, z = patch.across_mm[formed], patch.height_mm[n][formed]
        top = float(z.max())
        radii = [crown.wire_radius_mm] + [
            c.groove_radius_mm for c in setting.cutters.values() if c.shape == "concave wheel"
        ]
        inside = np.abs(s) < 0.8 * crown.wire_half_mm
        off = min(float(np.abs(top - z - arc_drop_mm(r, s))[inside].max()) for r in radii)
        if off > SHAPE_MM:
            text = "The crown of fret {fret} ends {off:length} off its round."
            line = int(lines[formed].max())
            yield fault(setting, "program-cut", line, text, fret=patch.fret, off=off)
            return
