"""Gates about the shape of all crowns together: arch, twist, a string's row, a step on the way.

Thresholds are our judgement, set on invented necks; no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.errors import At, Finding
from evenfall.gates.checks import cross_checks
from evenfall.gates.seen import Seen
from evenfall.instrument import fret_distance_mm
from evenfall.instrument.geometry import board_drop_mm
from evenfall.neck import default_bow

ARCH_MM, ARCH_SHARE = 0.12, 0.35
"""The arch across the strings may differ from the board's by this, or this share of it."""
FLAT_MM = 0.10
"""No more arch than this is none: the datum followed the arch."""
ARCH_STRINGS = 4

ROW_MM, ROW_U = 0.12, 1.3
ROW_STRINGS = 5
ROW_ALONE = 0.5
"""The other strings' rows fit among themselves within this share of what one is off."""
ROW_SLOT_MM = 0.10
"""A nut slot that is off by as much as its row, to within this, explains the row."""
TWIST_MM = 1.0

STEP_MM, STEP_U = 0.06, 3.0
"""A step is larger than this and so many standard uncertainties of a fret's mean."""
STEP_GAIN = 0.45
"""With the step the frets' sum of misfits falls to less than this share."""
STEP_CLEAR = 0.25
"""The median misfit left is under this share of the step."""
STEP_FROM, STEP_TO = 3, 2
"""A step is looked for after so many frets, and before the last so many."""
STEP_JOINT = 4
"""Frets on either side of the joint where a step may be the neck's own."""


def arch(seen: Seen) -> Iterator[Finding]:
    """Yield what is wrong with the crowns across the strings, over one common datum."""
    if len(seen.top_mm) < ARCH_STRINGS or not seen.mostly_read:
        return
    board = -board_drop_mm(seen.specification, seen.lines)[:, 1:]
    shapes = _across(seen, board)
    if not len(shapes):
        return
    _, own, asked, slope = shapes.T
    sagitta, specified = float(np.median(own)), float(np.median(asked))
    noise = 3.0 * seen.usual_u_mm / math.sqrt(len(shapes))
    tolerance = max(ARCH_MM, ARCH_SHARE * abs(specified)) + noise
    if abs(sagitta - specified) > tolerance:
        if abs(sagitta) > FLAT_MM + noise:
            yield Finding(
                "arch",
                "Across the strings the crowns arch by {found:length+}, but the board's radius "
                "gives {asked:length+}. Check sign, unit and radius, and read again; a datum that "
                "follows the arch shows none at all.",
                found=sagitta,
                asked=specified,
            )
            return
        board = np.zeros_like(board)
    yield from _row(seen, board)
    twist = float(np.polyfit(shapes[:, 0], slope, 1)[0] * (shapes[-1, 0] - shapes[0, 0]))
    if abs(twist) > TWIST_MM:
        yield Finding(
            "arch",
            "By the readings the neck is twisted by {twist:length} from the first fret to the "
            "last. Check that the datum lay still and level across the strings, and read again.",
            twist=abs(twist),
        )


def _across(seen: Seen, board: FloatArray) -> FloatArray:
    """Return for each fret: its station, sagitta of crowns and of board, rise across; (n, 4)."""
    enough = seen.known.sum(axis=0) >= ARCH_STRINGS
    known, y = seen.known[:, enough].T, seen.lines.y_mm[:, 1:][:, enough].T
    # rows of crowns that are not known are left out by weight 0
    solver = np.linalg.pinv(np.where(known[..., None], y[..., None] ** [2, 1, 0], 0.0))
    crowns, wood = (
        (solver @ np.where(known, of[:, enough].T, 0.0)[..., None])[..., 0]
        for of in (seen.top_mm, board)
    )
    reach, width = np.square(y).max(axis=1), np.ptp(y, axis=1)
    x = seen.lines.station_mm[0, 1:][enough]
    return np.stack([x, -crowns[:, 0] * reach, -wood[:, 0] * reach, crowns[:, 1] * width], axis=1)


def _row(seen: Seen, board: FloatArray) -> Iterator[Finding]:
    """Yield the string whose whole row of crowns stands off the other strings'."""
    if len(seen.top_mm) < ROW_STRINGS:
        return
    lines, nut = seen.lines, seen.measurement.nut_mm
    flat = np.where(seen.known, seen.top_mm - board, np.nan)
    if np.isnan(flat).all(axis=1).any():
        return
    row = np.array([np.median(of[~np.isnan(of)]) for of in flat])
    y, y_nut = np.median(lines.y_mm[:, 1:], axis=1), lines.y_mm[:, 0]
    for k in range(1, len(row) - 1):
        others = np.arange(len(row)) != k
        curve = np.polyfit(y[others], row[others], 2)
        off = float(row[k] - np.polyval(curve, y[k]))
        if abs(off) <= ROW_MM + ROW_U * seen.usual_u_mm:
            continue
        rest = float(np.abs(row[others] - np.polyval(curve, y[others])).max())
        slot = float(nut[k] - np.polyval(np.polyfit(y_nut[others], nut[others], 2), y_nut[k]))
        if rest < ROW_ALONE * abs(off) and not abs(slot - off) <= ROW_SLOT_MM:
            yield Finding(
                "arch",
                "All crowns under string {string} stand {off:length+} off those under the other "
                "strings, but the {nut} under that string does not. Read its crowns again.",
                At(strings=(k + 1,)),
                nut=seen.specification.board.string_rest,
                string=k + 1,
                off=off,
            )
            return


def step(seen: Seen) -> Iterator[Finding]:
    """Yield the fret from which on all stand higher or lower by one amount.

    Several frets that are off together look the same, so nothing is asked where the first crown,
    read again, shows that the datum lay still.
    """
    if any(check.still for check in cross_checks(seen)):
        return
    rise = _fret_medians(seen)
    known = np.isfinite(rise)
    frets, strings = len(rise), len(seen.top_mm)
    if known.sum() < STEP_FROM + STEP_TO + 5:
        return
    joint = seen.specification.board.joint_fret
    tries = [
        j
        for j in range(STEP_FROM, frets - STEP_TO)
        if not joint - STEP_JOINT <= j <= joint + STEP_JOINT - 1
    ]
    x = np.median(seen.lines.station_mm[:, 1:], axis=0)
    scale = float(np.median([string.scale_mm for string in seen.specification.strings]))
    kink = np.maximum(0.0, x - fret_distance_mm(1.0, joint) * scale)
    bow = np.median(default_bow(seen.specification, seen.lines).frets, axis=0)
    smooth = np.column_stack([np.ones(frets), x / x[-1], bow, kink / x[-1]])[known]
    after = np.array([np.arange(frets) >= j for j in tries], dtype=float)[:, known]
    if not tries:
        return
    without, _ = _least_absolute(smooth[None], rise[known])
    designs = np.concatenate(
        [np.broadcast_to(smooth, (len(tries), *smooth.shape)), after[:, :, None]], axis=2
    )
    misfit, size = _least_absolute(designs, rise[known])
    best = int(misfit.sum(axis=1).argmin())
    least = STEP_MM + STEP_U * seen.usual_u_mm / math.sqrt(strings)
    if (
        misfit[best].sum() < STEP_GAIN * without.sum()
        and abs(size[best]) > least
        and np.median(misfit[best]) < STEP_CLEAR * abs(size[best])
    ):
        yield Finding(
            "step",
            "From fret {fret} on all frets stand {size:length+} against the ones before, as if "
            "the datum had moved on the way. Fix the datum and read all crowns in one go.",
            At(frets=(tries[best] + 1,)),
            fret=tries[best] + 1,
            size=float(size[best]),
        )


def _fret_medians(seen: Seen) -> FloatArray:
    """Return each fret's median over the strings' own straight lines, wear put back, (F,)."""
    known = seen.known & (seen.known.sum(axis=1, keepdims=True) > 2)
    top, x = np.where(known, seen.top_mm + seen.worn_mm, 0.0), seen.lines.station_mm[:, 1:]
    weight = known / np.maximum(known.sum(axis=1, keepdims=True), 1)
    x = x - (weight * x).sum(axis=1, keepdims=True)
    top = top - (weight * top).sum(axis=1, keepdims=True)
    square = (weight * x**2).sum(axis=1, keepdims=True)
    slope = (weight * x * top).sum(axis=1, keepdims=True) / np.where(square > 0.0, square, 1.0)
    over = top - slope * x
    return np.array(
        [np.median(of[on]) if on.any() else np.nan for of, on in zip(over.T, known.T, strict=True)]
    )


def _least_absolute(designs: FloatArray, value: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the misfits of least-absolute fits and their last coefficient, for many designs.

    By least squares weighted again and again with one over the misfit; designs (n, F, c).
    """
    weight = np.ones(designs.shape[:2])
    for _ in range(12):
        weighted = designs * weight[:, :, None]
        normal = np.einsum("nfc,nfd->ncd", weighted, designs) + 1e-12 * np.eye(designs.shape[2])
        fitted = np.linalg.solve(normal, np.einsum("nfc,f->nc", weighted, value)[..., None])[..., 0]
        misfit = np.abs(value - np.einsum("nfc,nc->nf", designs, fitted))
        weight = 1.0 / np.maximum(misfit, 2e-3)
    return misfit, fitted[:, -1]
