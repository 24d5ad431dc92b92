"""Which fret is the first: what a scan shows at the nut's place and after the last fret.

Places of frets fit as well with every number moved by one on a scale 2^(1/12) longer or shorter
(see `places`). So the numbers rest on what stands where no fret should, and on what does not.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import BoolArray, FloatArray
from evenfall.errors import Finding, ReadingsError
from evenfall.instrument import Specification
from evenfall.instrument.geometry import SEMITONE
from evenfall.measurement.scanned import unsettled_numbers
from evenfall.scans.laid_flat import BIN_MM
from evenfall.scans.surface import unusable
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from evenfall.scans.laid_flat import StripMap

AROUND = 2
"""So many places in step are looked at on either side of the specified frets."""

BESIDE_MM = (0.6, 2.0)
"""A fret has board on its nut side, so far from its foot."""

BOARD_SHARE = 0.35
"""What is lower than this share of a crown is board."""

OFF_MM = 0.6
"""A fret stands within this of its place in step: a nut's front edge does, its middle does not."""

CROWN_SHARE = (0.4, 1.8)
"""What is as high as the usual crown, within these shares, may be one."""

LEDGE_MM = (-6.0, 0.6)
"""The nut stands here."""

NEAR_NUT_MM = (-12.0, 5.0)
"""A scan that starts here starts at the nut."""


@dataclass(frozen=True, slots=True)
class Steps:
    """What stands at each place in step, from `AROUND` before the first fret's to after the last's.

    The nut's place is number 0.
    """

    number: tuple[int, ...]
    crown: BoolArray  # whether a crown stands there
    seen: BoolArray  # whether the scan shows the place
    ledge: bool  # whether something that is no crown stands in the nut's place
    start_mm: float  # where the scan starts, from the nut's place [mm]

    def at(self, number: int) -> bool:
        """Say whether a crown stands at a place."""
        return bool(self.crown[self.number.index(number)])

    def empty(self, number: int) -> bool:
        """Say whether the scan shows that no crown stands at a place."""
        index = self.number.index(number)
        return bool(self.seen[index] and not self.crown[index])


def numbers_looked_at(frets: int) -> tuple[int, ...]:
    """Return the numbers of the places in step that are looked at."""
    return tuple(range(1 - AROUND, frets + AROUND + 1))


def steps_seen(
    strips: StripMap,
    place_mm: FloatArray,
    *,
    frets: int,
    along_order: int,
    up_order: int,
    crown_width_mm: float,
    start_mm: float,
) -> Steps:
    """Return what stands at places of the map, shape (strips of the board, places).

    A row of NaN is a strip beside the board.
    """
    half, reach = 0.5 * crown_width_mm, 0.5 * crown_width_mm + BESIDE_MM[1]
    reach = max(reach, -LEDGE_MM[0])
    along = np.arange(-reach, reach + 0.5 * BIN_MM, BIN_MM)
    rows = np.flatnonzero(np.isfinite(place_mm).all(axis=1))
    index = (place_mm[rows, :, None] + along_order * along - strips.x_mm[0]) / BIN_MM
    column = np.round(index).astype(np.intp)
    inside = (column >= 0) & (column < len(strips.x_mm))
    cell = rows[:, None, None], np.where(inside, column, 0)
    heights = np.where(inside, up_order * strips.relative_mm[cell], np.nan)
    level = np.where(inside, up_order * strips.board_mm[cell], np.nan) + heights
    there = np.isfinite(heights).mean(axis=0) > 0.25
    profile = np.full(there.shape, np.nan)
    profile[there] = np.nanmedian(heights[:, there], axis=0)
    numbers = numbers_looked_at(frets)
    on = np.abs(along) <= half + BIN_MM
    seen = np.isfinite(profile[:, np.abs(along) <= half]).mean(axis=1) > 0.7
    filled = np.where(np.isfinite(profile), profile, 0.0)
    top = filled[:, on].max(axis=1)
    own = [i for i, n in enumerate(numbers) if 1 <= n <= frets and seen[i]]
    usual = float(np.median(top[own])) if own else 0.0
    weight = np.clip(filled - 0.5 * top[:, None], 0.0, None) * (np.abs(along) <= half + 1.0)
    middle = (weight * along).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-12)
    before, after = (
        (sign * along > half + BESIDE_MM[0]) & (sign * along <= half + BESIDE_MM[1])
        for sign in (-1, 1)
    )
    board = np.isfinite(profile[:, before]).mean(axis=1) > 0.5
    board &= np.median(filled[:, before], axis=1) < BOARD_SHARE * usual
    # wide enough, a ledge is its own board: it stands over the board on its other side
    ground = np.full(there.shape, np.nan)
    ground[there] = np.nanmedian(level[:, there], axis=0)
    known = [np.isfinite(ground[:, side]) for side in (before, after)]
    mean = [
        np.where(there, ground[:, side], 0.0).sum(axis=1) / np.maximum(there.sum(axis=1), 1)
        for side, there in zip((before, after), known, strict=True)
    ]
    both = known[0].any(axis=1) & known[1].any(axis=1)
    board &= ~both | (mean[0] - mean[1] < BOARD_SHARE * usual)
    low, high = CROWN_SHARE
    # the places of all frets may be off together, as the sections of a one-sided crown are
    off = np.abs(middle - (float(np.median(middle[own])) if own else 0.0))
    crown = seen & board & (off < OFF_MM) & (top > low * usual) & (top < high * usual)
    nut = numbers.index(0)
    at_nut = (along >= LEDGE_MM[0]) & (along <= LEDGE_MM[1])
    raised = bool(filled[nut, at_nut].max() > BOARD_SHARE * usual > 0.0)
    return Steps(numbers, crown, seen, raised and not crown[nut], start_mm)


def check_numbering(
    steps: Steps, specification: Specification, scale_mm: float
) -> Iterable[Finding]:
    """Return what stays open about the numbers of the frets; raise what they contradict.

    `scale_mm` is the scale that the frets fit as they are numbered.
    """
    frets, zero = specification.frets, specification.board.zero_fret
    start, last = steps.start_mm, steps.at(frets)
    first = next((n for n in steps.number if steps.at(n)), 1)
    lowest = 0 if zero else 1
    near = NEAR_NUT_MM[0] < start < NEAR_NUT_MM[1]
    nut = first >= lowest and (
        (steps.at(0) and zero) or (not zero and (steps.ledge or (near and steps.at(1) and last)))
    )
    if nut:
        return ()
    moved = partial(_moved, scale_mm, first, lowest)
    if first < lowest and not last:
        text = (
            "A fret stands where the specification has the nut, and none where it has the last one"
        )
        raise moved(sentence(text))
    if steps.at(frets + 1):
        text = (
            "{more:count fret} {more:plural stands|stand} after the last one specified, and no nut "
            "where the specification has it"
        )
        raise moved(sentence(text, more=1 + int(steps.at(frets + 2))))
    if first < lowest or (steps.at(1) and last and steps.empty(frets + 1)):
        return ()  # the count of the frets tells, or a fret in the nut's place, which is told of
    return (unsettled_numbers(scale_mm),)


def _moved(scale_mm: float, first: int, lowest: int, why: Sentence) -> ReadingsError:
    """Return the error that names both scales which the frets fit."""
    other = scale_mm * SEMITONE ** (lowest - first) if first != lowest else scale_mm * SEMITONE
    taken = sentence("a fret in the nut's place") if first < 1 else sentence("fret {n}", n=first)
    return unusable(
        "{why}. The frets of this scan fit a scale of {one:size} with {a} seen first, or of "
        "{two:size} with {b} first. Take the specification of this neck, or scan the nut as well.",
        why=why,
        one=other,
        a=sentence("fret {n}", n=lowest if first != lowest else first + 1),
        two=scale_mm,
        b=taken,
    )
