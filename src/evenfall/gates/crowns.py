"""Gates about crowns: figures that were copied, and crowns where none can stand.

Thresholds are our judgement, set on invented necks; no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import combinations

import numpy as np
from scipy import special

from evenfall.arrays import BoolArray, FloatArray, numbered
from evenfall.errors import At, Finding
from evenfall.gates.seen import MOSTLY, Seen
from evenfall.measurement import Origin
from evenfall.neck.drawn_line import LEAST_U_MM
from evenfall.wording import sentence

THROUGH_MM, THROUGH_U = 0.02, 4.0
"""An open string lies under a crown by more than this, or this many standard uncertainties."""

MOST_PLACES = 3
"""Crowns or frets named one by one; more are named together, for one slip made them all."""

COPIED_CHANCE = 1e-4
"""Chance under which repeated figures are no chance."""
COPIED_SHARE, COPIED_FRETS = 0.9, 10
"""Two strings alike on this share of the frets that both were read on, so many at least."""
COPIED_STRINGS = 4
"""Two frets alike under so many strings at least, and all that were read."""
COPIED_RUN = 5
"""So many equal crowns in a row."""
FEW_FIGURES = 3
"""So few different figures on a whole sheet."""
LEAST_STEP_MM, STEP_PLAY = 2e-4, 0.02
"""No gauge shows finer steps; figures off them by a larger share of one were worked out."""
MOST_PARTS = 5
"""Two figures that are next to each other are at most so many steps apart."""
MOST_TIES = 0.9
"""The chance of a tie is never taken higher than this."""
AGAIN_TIES = 0.35
"""Where figures tie more easily, a gauge may scatter less than it states, and they tie yet more
easily: when a neck is read again, MOST_TIES is taken then."""

SCATTER_MM, SCATTER_U = 0.12, 6.0
LONE_UP_MM, LONE_UP_U = 0.12, 6.0
LONE_OUTER_MM, LONE_OUTER_U = 0.20, 6.0
LONE_DOWN_MM, LONE_DOWN_U = 0.30, 4.5
NEXT_SHARE = 0.75
"""Where the next crown is off its own neighbours by this share, an outer crown is not to blame."""
SEATED_MM, SEATED_END_MM = 0.25, 0.30
"""A fret that stands higher in its middle, or at one end, is not seated: or a slip."""
DIP_MM, DIP_WORN_MM = 0.30, 0.15
"""A fret that lies lower is worn to within the second, or a slip."""
OVER_WIRE_MM, OVER_WIRE_U = 0.05, 4.0


def string_through_crown(seen: Seen) -> Iterator[Finding]:
    """Yield crowns over which the open string would have to pass through the metal."""
    with np.errstate(invalid="ignore"):
        through = np.asarray(seen.gap_mm < -np.maximum(THROUGH_MM, THROUGH_U * seen.gap_u_mm))
    places = np.argwhere(through.T).tolist()
    if len(places) > MOST_PLACES:
        frets = numbered(through.any(axis=0))
        yield Finding(
            "string-through-crown",
            "By the readings the open strings run through {n} crowns ({on:frets}), up to "
            "{size:length} deep, which cannot be. Check sign, unit and datum of the heights, and "
            "the order of strings and frets; then read again.",
            At(frets=frets, strings=numbered(through.any(axis=1))),
            n=len(places),
            on=frets,
            size=float(-seen.gap_mm[through].min()),
        )
        return
    for j, k in places:
        yield Finding(
            "string-through-crown",
            "By the readings the open string {string} runs {size:length} deep through the crown "
            "of fret {fret}, which cannot be. Read the {nut}, the crown and the saddle under that "
            "string again.",
            At(frets=(j + 1,), strings=(k + 1,)),
            nut=seen.specification.board.string_rest,
            string=k + 1,
            fret=j + 1,
            size=float(-seen.gap_mm[k, j]),
        )


def copied_figures(seen: Seen) -> Iterator[Finding]:
    """Yield strings, frets and runs of crowns whose figures are alike beyond chance."""
    flat = seen.known & (np.abs(np.nan_to_num(seen.gap_mm, nan=1.0)) < 1e-6)
    if seen.known.any() and (flat == seen.known).all():
        yield Finding(
            "copied-figures",
            "Every gap between open strings and crowns comes out as zero. These are not "
            "readings of a strung instrument; read all heights again.",
        )
        return
    if not seen.mostly_read:
        return
    read, figure = seen.read, np.round(seen.top_mm, 9)
    figures = np.unique(figure[read])
    if len(figures) <= FEW_FIGURES:
        yield Finding(
            "copied-figures",
            "{all} crown tops have only {n:count different figure}. Read every crown again.",
            all=int(read.sum()),
            n=len(figures),
        )
        return
    step_mm = _gauge_step_mm(figures)
    if step_mm is None:
        return  # worked out, not read off a gauge: what is alike may be alike
    tie = _tie(step_mm, seen)
    yield from _like_strings(figure, read, tie)
    yield from _like_frets(figure, read, tie)
    yield from _runs(figure, read, tie)


def copied_from(first: Seen, second: Seen) -> tuple[int, int] | None:
    """Return on how many crowns, of how many, a second reading has the first one's very figures.

    None where that may be chance. A gauge whose figures tie easily may scatter less than it states,
    and one board reading may stand in several crowns that were worked out: of these, only a copy of
    nearly all is told from a reading.
    """
    both, figure = first.known & second.known, np.round(second.top_mm, 9)
    figures = np.unique(figure[both])
    n, same = int(both.sum()), int((figure == np.round(first.top_mm, 9))[both].sum())
    if n < COPIED_FRETS or len(figures) <= FEW_FIGURES or same < COPIED_SHARE * n:
        return None
    step_mm = _gauge_step_mm(figures)
    # a mean of readings does not come out twice; of a sum the gauge is not known
    unknown = 0.0 if (first.read & second.read)[both].all() else MOST_TIES
    tie = unknown if step_mm is None else _tie(step_mm, second)
    tie = MOST_TIES if tie > AGAIN_TIES else tie
    return (same, n) if special.bdtrc(same - 1, n, tie) < COPIED_CHANCE else None


def _tie(step_mm: float, seen: Seen) -> float:
    """Return the chance that two readings of one height come out as the same figure."""
    return min(MOST_TIES, step_mm / (2.0 * math.sqrt(math.pi) * seen.usual_u_mm))


def _gauge_step_mm(figures: FloatArray) -> float | None:
    """Return the step that all figures are multiples of, apart from an offset; None if none.

    The difference of two readings is normal with u sqrt(2); within half a step q on either side of
    zero it lies with a chance near q / (2 sqrt(pi) u), and then the figures are the same.
    """
    least = float(np.diff(figures).min())
    for parts in range(1, MOST_PARTS + 1):
        step_mm = least / parts
        counted = (figures - figures[0]) / step_mm
        if step_mm >= LEAST_STEP_MM and (np.abs(counted - np.round(counted)) < STEP_PLAY).all():
            return step_mm
    return None


def _like_strings(figure: FloatArray, read: BoolArray, tie: float) -> Iterator[Finding]:
    pairs = list(combinations(range(len(figure)), 2))
    for one, two in pairs:
        both = read[one] & read[two]
        n, same = int(both.sum()), int((figure[one] == figure[two])[both].sum())
        chance = len(pairs) * math.comb(n, same) * tie**same
        if n >= COPIED_FRETS and same >= COPIED_SHARE * n and chance < COPIED_CHANCE:
            yield Finding(
                "copied-figures",
                "Strings {one} and {two} have the same figure on {same} of {n} frets, which "
                "readings of two strings do not. Read the crowns of both again.",
                At(strings=(one + 1, two + 1)),
                one=one + 1,
                two=two + 1,
                same=same,
                n=n,
            )
            return


def _like_frets(figure: FloatArray, read: BoolArray, tie: float) -> Iterator[Finding]:
    frets = figure.shape[1]
    for j in range(frets - 1):
        both = read[:, j] & read[:, j + 1]
        n = int(both.sum())
        alike = bool((figure[:, j] == figure[:, j + 1])[both].all())
        if n >= COPIED_STRINGS and alike and (frets - 1) * tie**n < COPIED_CHANCE:
            yield Finding(
                "copied-figures",
                "Frets {one} and {two} have the same figure under every string, as if one row had "
                "been copied. Read the crowns of both again.",
                At(frets=(j + 1, j + 2)),
                one=j + 1,
                two=j + 2,
            )


def _runs(figure: FloatArray, read: BoolArray, tie: float) -> Iterator[Finding]:
    for k, row in enumerate(figure):
        start = 0
        for j in range(1, len(row) + 1):
            if j < len(row) and read[k, j] and read[k, start] and row[j] == row[start]:
                continue
            n = j - start
            if n >= COPIED_RUN and read.size * tie ** (n - 1) < COPIED_CHANCE:
                yield Finding(
                    "copied-figures",
                    "String {string} has the same figure on {on:frets}, as if it had been copied "
                    "down. Read these crowns again.",
                    At(strings=(k + 1,), frets=tuple(range(start + 1, j + 1))),
                    string=k + 1,
                    on=tuple(range(start + 1, j + 1)),
                )
            start = j


def scatter(seen: Seen) -> Iterator[Finding]:
    """Yield a finding where the crowns scatter about the neck's line as no neck's do."""
    if seen.level is None:
        return
    spread = seen.level.scatter_mm
    if spread > max(SCATTER_MM, SCATTER_U * seen.usual_u_mm):
        yield Finding(
            "scatter",
            "The crowns scatter by {spread:length} about the line of the neck (robust standard "
            "deviation), more than frets do. Check that all heights are over one datum and in one "
            "unit, and read again.",
            spread=spread,
        )


def lone_crown(seen: Seen) -> Iterator[Finding]:
    """Yield crowns that stand off the other strings' crowns of their own fret.

    Beside a crown that is far off, the next ones look off the other way: so the one that is
    furthest off is taken first, and then left out.
    """
    if seen.level is None:
        return
    for j in range(seen.off_mm.shape[1]):
        off = seen.off_mm[:, j].copy()
        while tried := {k: alone for k in range(len(off)) if (alone := _alone(off, k))}:
            k = max(tried, key=lambda one: abs(tried[one][0]))
            size, weights = tried[k]
            if abs(size) <= LONE_UP_MM:
                break
            off[k] = np.nan
            outer = k in (0, len(off) - 1)
            up_mm, up_u = (LONE_OUTER_MM, LONE_OUTER_U) if outer else (LONE_UP_MM, LONE_UP_U)
            u = seen.between_u_mm(j, weights)
            if size > max(up_mm, up_u * u):
                text = (
                    "Fret {fret}, string {string} stands {size:length} over its own fret. Read it "
                    "again; if it reads the same, look for a burr, or press the fret home there "
                    "first."
                )
            elif size < -max(LONE_DOWN_MM, LONE_DOWN_U * u):
                text = (
                    "Fret {fret}, string {string} lies {size:length} under its own fret, and no "
                    "wear was read there. Read crown top and crown height again."
                )
            else:
                continue
            at = At(frets=(j + 1,), strings=(k + 1,))
            yield Finding("lone-crown", text, at, fret=j + 1, string=k + 1, size=abs(size))


def _alone(off: FloatArray, k: int) -> tuple[float, dict[int, float]] | None:
    """Return how far crown k of a fret stands off the others, and by which weights of theirs.

    Of an outer one the smaller of the step to the next string and the misfit from the line of the
    next two counts: a fret that is tilted stands off neither.
    """
    if 0 < k < len(off) - 1:
        weights = {k: 1.0, k - 1: -0.5, k + 1: -0.5}
        size = float(off[k] - 0.5 * (off[k - 1] + off[k + 1]))
        return (size, weights) if math.isfinite(size) else None
    inward = 1 if k == 0 else -1
    near, next_but_one = off[k + inward], off[k + 2 * inward]
    step, misfit = float(off[k] - near), float(off[k] - 2.0 * near + next_but_one)
    if not math.isfinite(misfit) or step * misfit <= 0.0:
        return None
    size = step if abs(step) < abs(misfit) else misfit
    if 0.5 * abs(misfit) > NEXT_SHARE * abs(size):
        return None  # the next string's crown is off, not this one
    return size, {k: 1.0, k + inward: -2.0, k + 2 * inward: 1.0}


def not_seated(seen: Seen) -> Iterator[Finding]:
    """Yield frets that stand, or lie, further off the line than a seated fret can.

    A crown that stands off its own fret has been named, and makes no end of it high.
    """
    if seen.level is None:
        return
    alone = {(*one.at.strings, *one.at.frets) for one in lone_crown(seen)}
    found, wire = seen.measurement, seen.specification.fretwire.crown_height_mm
    for j in range(seen.off_mm.shape[1]):
        off = seen.off_mm[:, j]
        known = np.isfinite(off)
        if known.sum() < 2:
            continue
        middle = float(np.median(off[known]))
        ends = [k for k in np.flatnonzero(known).tolist() if (k + 1, j + 1) not in alone]
        highest = max(ends, key=lambda k: float(off[k]), default=0)
        at = At(frets=(j + 1,))
        if middle > SEATED_MM:
            text = (
                "Fret {fret} stands {size:length} over the line of the neck. Press it home, and "
                "read it again; a slip of the reading looks the same."
            )
            yield Finding("not-seated", text, at, fret=j + 1, size=middle)
        elif ends and off[highest] > SEATED_END_MM:
            text = (
                "Fret {fret} stands {size:length} over the line of the neck at string {string}. "
                "Press that end home, and read it again; a slip of the reading looks the same."
            )
            size = float(off[highest])
            yield Finding("not-seated", text, at, fret=j + 1, size=size, string=highest + 1)
        elif middle < -DIP_MM:
            crown = float(np.mean(found.crown_height_mm[known, j]))
            if not crown < wire + middle + DIP_WORN_MM:
                text = (
                    "Fret {fret} lies {size:length} under the line of the neck, and its crown is "
                    "not worn by as much. Read crown tops and crown height there again."
                )
                yield Finding("not-seated", text, at, fret=j + 1, size=-middle)


def over_new_wire(seen: Seen) -> Iterator[Finding]:
    """Yield frets whose crown was read higher than the wire is when new."""
    found, wire = seen.measurement, seen.specification.fretwire.crown_height_mm
    read = found.crown_height_origin == Origin.READ
    least = np.maximum(OVER_WIRE_MM, OVER_WIRE_U * np.fmax(found.crown_height_u_mm, LEAST_U_MM))
    over = read & (found.crown_height_mm - wire > least)
    frets = numbered(over.any(axis=0))
    if not frets:
        return
    more = (
        sentence(" All of them: perhaps the specification names another wire.")
        if over.sum() > MOSTLY * read.sum()
        else ""
    )
    yield Finding(
        "over-new-wire",
        "The crowns of {on:frets} were read as up to {height:length} high, but new wire has "
        "{wire:length}. Measure from the board beside the fret again; if it reads the same, press "
        "the fret home first.{more}",
        At(frets=frets),
        on=frets,
        height=float(found.crown_height_mm[over].max()),
        wire=wire,
        more=more,
    )
