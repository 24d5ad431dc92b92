"""Judges what a simulated cut leaves of nut, saddle and fret ends."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, IntArray
from evenfall.errors import At, Finding
from evenfall.wording import Sentence, Value, sentence

if TYPE_CHECKING:
    from evenfall.work.crown_lines import CrownLine
    from evenfall.work.part_lines import PartLine
    from evenfall.work.program_check import Setting
    from evenfall.work.simulation import Patch

UNDER_MM = 0.0005
"""What is cut may end up under the plan by no more than this [mm]."""

TOUCHED_MM = 1e-6
"""What is lowered by less is not touched [mm]."""

SHAPE_MM = 0.03
"""How far a crown, a floor, a saddle's top or a bevel may be off its shape [mm]; our judgement."""

_FORMED_SHARE = 0.85  # of the half width of a floor, or of the round of a top, that is judged


def fault(setting: Setting, code: str, line: int, text: str, **values: Value) -> Finding:
    """Return what is wrong with a program, at its line; 0 where it stands on none."""
    return Finding(code, text, At(setting.file, lines=(line,) if line else ()), "error", **values)


def part_faults(patch: Patch, part: PartLine, setting: Setting) -> Iterator[Finding]:
    """Yield where what is left of a slot or saddle differs from the plan."""
    what = _name(part)

    def off_plan(line: int, text: str, **values: Value) -> Finding:
        return fault(setting, "program-cut", line, text, what=what, **values)

    wanted = part.after(patch.at_mm, patch.across_mm)
    under = wanted - patch.height_mm
    place = np.unravel_index(int(under.argmax()), under.shape)
    if under[place] > (UNDER_MM if part.is_cut else TOUCHED_MM):
        text = "It cuts the {what} {under:amount} too deep."
        if not part.is_cut:
            text = "It cuts the {what}, which is not to be cut, {under:amount} deep."
        yield off_plan(int(patch.line[place]), text, under=float(under[place]))
    if not part.is_cut:
        return
    machine = setting.machine
    left = contacts(patch, part)
    over = left - planned_contacts(part)
    if over.max() > machine.working_allowance_mm + machine.digit_mm:
        n = int(over.argmax())
        yield off_plan(
            int(patch.line[_cells(patch, part)][n]),
            "It leaves the {what} {over:length} too high under {on:strings}.",
            over=float(over[n]),
            on=part.strings[n] + 1,
        )
        return
    off = np.where(_formed(patch, part), -under, 0.0)
    place = np.unravel_index(int(off.argmax()), off.shape)
    if off[place] > SHAPE_MM:
        text = "The {what} ends {off:length} off its round."
        yield off_plan(int(patch.line[place]), text, off=float(off[place]))


def _name(part: PartLine) -> Sentence:
    if part.part == "nut":
        return sentence("nut slot of string {string}", string=part.string)
    return sentence("saddle")


def _formed(patch: Patch, part: PartLine) -> BoolArray:
    """Return which columns have to show the finished round."""
    s = patch.across_mm[None, :] - part.along(part.aside_mm, patch.at_mm)[:, None]
    wide = np.abs(s) <= _FORMED_SHARE * part.round_mm
    return np.asarray(wide & (np.abs(patch.across_mm)[None, :] <= part.half_mm))


def contacts(patch: Patch, part: PartLine) -> FloatArray:
    """Return the heights that a simulated cut leaves at the contacts of the strings [mm]."""
    return np.asarray(patch.height_mm[_cells(patch, part)])


def _cells(patch: Patch, part: PartLine) -> tuple[IntArray, IntArray]:
    """Return the columns that stand at the contacts, by place along and across."""
    rows = np.searchsorted(patch.at_mm, part.at_mm - 1e-9)
    columns = np.searchsorted(patch.across_mm, part.aside_mm - 1e-9)
    return rows, columns


def planned_contacts(part: PartLine) -> FloatArray:
    """Return the heights that are planned there, as it lies [mm]."""
    return np.asarray(part.planned_mm + part.leant(part.at_mm, part.aside_mm))


def end_faults(patch: Patch, crown: CrownLine, setting: Setting) -> Iterator[Finding]:
    """Yield fret ends whose bevel is left standing; what is cut too deep is named with the fret."""
    bevel = crown.bevel(patch.at_mm)
    # along the middle: aside of it the board's edge, and so the bevel, lies a little elsewhere
    over = patch.height_mm[:, patch.middle] - bevel
    over[~np.isfinite(bevel)] = 0.0
    n = int(over.argmax())
    if over[n] > SHAPE_MM:
        yield fault(
            setting,
            "program-cut",
            int(patch.line[n].max()),
            "The end of fret {fret} stands {over:length} over its bevel.",
            fret=crown.fret,
            over=float(over[n]),
        )
