"""What a scan says of all its frets together: their kind of crown, and where they stand."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import BoolArray
from evenfall.errors import At, Finding
from evenfall.wording import sentence

if TYPE_CHECKING:
    from evenfall.instrument import Specification
    from evenfall.measurement import Scanned
    from evenfall.scans.crown_kind import Kind
    from evenfall.scans.crown_survey import CrownSurvey
    from evenfall.scans.faults import FretHeights

PLACE_MM, PLACE_U = 0.15, 4.0
"""A fret further off its place, and off by so many standard uncertainties, is reported: 0.15 mm are
1 cent at the twelfth fret of a guitar (common practice, no source)."""

LEAST_FRETS = 6
"""Fewer frets do not tell their wire."""

SIGMA = 4.0
"""What is reported is off by so many standard uncertainties at least."""

END_MM = 0.10
"""A fret end further past the edge than this is felt (common practice, no source)."""

WIRE_MM, WIDTH_MM = 0.05, 0.20
"""Wire differs by this from its maker's figure (tolerances of a published table of fret wire)."""

BOARD_MM = 0.8
"""A board differs by this from its specified width (common practice, no source)."""


def crown_kinds(survey: CrownSurvey) -> list[Finding]:
    """Return which crowns are not round, and how their tops are taken."""
    frets: dict[Kind, list[int]] = {}
    widths: dict[Kind, list[float]] = {}
    count = 0
    for line in survey.crown_lines:
        count += line is not None
        if line is not None and line.section is not None:
            frets.setdefault(line.section.kind, []).append(line.fret)
            widths.setdefault(line.section.kind, []).append(line.section.width_mm)
    how: dict[Kind, str] = {
        "pointed": "pointed, {width:length} wide a tenth of their height under the top; the tops "
        "are taken at the point",
        "one-sided": "one-sided, a slope with an upright side; the tops are taken at its edge",
        "flat": "flat, {width:length} wide; the tops are taken on the flat",
        "blunt": "blunter than an arc, {width:length} wide a tenth of their height under the top; "
        "the tops are taken from their mean section, and wear does not show in it",
        "round": "round, but no circle fits them; the tops are taken from their mean section",
    }
    return [
        Finding(
            "crown-kind",
            "Crowns of this neck are not round: {all} are {how}."
            if len(numbers) == count
            else "Crowns of this neck are not round: those of {frets:frets} are {how}.",
            At(frets=tuple(numbers)),
            "note",
            all=sentence("all of them"),
            frets=tuple(numbers),
            how=sentence(how[kind], width=float(np.median(widths[kind]))),
        )
        for kind, numbers in frets.items()
    ]


def off_place(scanned: Scanned) -> BoolArray:
    """Return which frets stand off their places by so much that it is reported, shape (F,)."""
    least = np.maximum(PLACE_MM, PLACE_U * scanned.fret_place_u_mm)
    return np.asarray(np.abs(scanned.fret_place_mm) > least)


def fret_places(scanned: Scanned) -> list[Finding]:
    """Return the frets that stand off their places."""
    miss, u, cents = scanned.fret_place_mm, scanned.fret_place_u_mm, scanned.cents_off
    return [
        Finding(
            "fret-place",
            "Fret {fret} stands {off:length} too near the {side} (± {u:uncertainty}): it plays "
            "{cents:.1f} cents {pitch}.",
            At(frets=(j + 1,)),
            fret=j + 1,
            off=abs(float(miss[j])),
            side="bridge" if miss[j] > 0 else "nut",
            u=2.0 * float(u[j]),
            cents=abs(float(cents[j])),
            pitch="sharp" if miss[j] > 0 else "flat",
        )
        for j in np.flatnonzero(off_place(scanned)).tolist()
    ]


def fret_ends(scanned: Scanned) -> list[Finding]:
    """Return the frets whose ends stand past the board's edge."""
    found = []
    limit = np.maximum(END_MM, SIGMA * scanned.fret_end_u_mm)
    sides = ("bass", scanned.fret_end_bass_mm), ("treble", scanned.fret_end_treble_mm)
    for side, past in sides:
        frets = np.flatnonzero(past > limit)
        if not len(frets):
            continue
        worst = int(frets[np.argmax(past[frets])])
        found.append(
            Finding(
                "fret-end",
                "The ends of {frets:frets} stand past the board's edge on the {side} side, most at "
                "fret {fret}: {past:length} (± {u:uncertainty}). They can cut a hand.",
                At(frets=tuple((frets + 1).tolist())),
                frets=tuple((frets + 1).tolist()),
                side=side,
                fret=worst + 1,
                past=float(past[worst]),
                u=2.0 * float(scanned.fret_end_u_mm[worst]),
            )
        )
    return found


def wire_found(
    scanned: Scanned, heights: Sequence[FretHeights], specification: Specification
) -> list[Finding]:
    """Return that the wire is of another height or width than specified, once for the neck."""
    wire = specification.fretwire
    own = [
        float(np.median(fret.height_mm[sound]))
        for fret in heights
        if (sound := np.isfinite(fret.height_mm) & ~fret.worn).sum() > 2
    ]
    if len(own) < LEAST_FRETS:
        return []
    height = float(np.median(own))
    width = (
        float(np.nanmedian(scanned.crown_width_mm))
        if np.isfinite(scanned.crown_width_mm).any()
        else float("nan")
    )
    found = []
    if abs(height - wire.crown_height_mm) > WIRE_MM:
        found.append(
            Finding(
                "wire",
                "The wire is {found:length} high, not {said:length} as specified."
                if height > wire.crown_height_mm
                else "The crowns are {found:length} high, not {said:length} as specified: other "
                "wire, or a neck that was levelled before.",
                At(field="crown_height"),
                found=height,
                said=wire.crown_height_mm,
            )
        )
    if abs(width - wire.crown_width_mm) > WIDTH_MM:
        found.append(
            Finding(
                "wire",
                "The wire is {found:size} wide at the board, not {said:size} as specified.",
                At(field="crown_width"),
                "note",
                found=width,
                said=wire.crown_width_mm,
            )
        )
    return found


def board_widths(scanned: Scanned, specification: Specification) -> list[Finding]:
    """Return that the board is of another width than specified, or the strings wider than it."""
    board = specification.board
    nut, last, u = scanned.board_width_nut_mm, scanned.board_width_last_mm, scanned.board_width_u_mm
    if not np.isfinite(nut):
        return []
    found = []
    off = max(abs(nut - board.width_nut_mm), abs(last - board.width_last_mm))
    if off > max(BOARD_MM, SIGMA * u):
        found.append(
            Finding(
                "board-width",
                "The board is {nut:size} wide at the nut and {last:size} at the last fret, not "
                "{said_nut:size} and {said_last:size} as specified; the string lines were laid "
                "about its middle all the same.",
                At(field="width_nut"),
                nut=nut,
                last=last,
                said_nut=board.width_nut_mm,
                said_last=board.width_last_mm,
            )
        )
    if board.string_spread_nut_mm > nut:
        found.append(
            Finding(
                "board-width",
                "The specified string spread at the nut, {spread:size}, is wider than the board, "
                "{nut:size}: correct the specification, the outer strings lie off the board.",
                At(field="string_spread_nut"),
                spread=board.string_spread_nut_mm,
                nut=nut,
            )
        )
    return found
