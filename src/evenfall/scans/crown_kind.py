"""What kind of crown a fret has, by its mean section; and the tops of crowns that are not round.

The mean section of a whole fret is drawn from all its points. Where a circle fits its top the crown
is round, and the slices are fitted by circles. Where none does, the section itself is fitted to the
slices: it is known far better than any of them, and asks for no formula of its kind.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, IntArray
from evenfall.scans.arcs import NORMAL_MAD, group_middles
from evenfall.scans.laid_flat import cell_medians

Kind = Literal["round", "pointed", "one-sided", "flat", "blunt"]

BINS = 96
"""Bins across a crown's width in which its mean section is taken."""

LEAST_IN_BIN = 4
"""A bin with fewer points says nothing."""

UPPER_SHARE = 0.5
"""The kind is told above this share of the crown's height: below lie glue, dirt and shadow."""

MISFIT_MM = 0.006
"""A narrow section that a circle misses by less is round."""

ARC_SHARE, UNLIKE_MM, WORN_TRIES = 0.40, 0.003, 32
"""Over this share of its width on each side a crown is an arc, or one worn flat, if one of so many
flats in one misses its mean section by less. An ellipse is missed by up to 0.0016, a crown flat
between two arcs by 0.001, a superellipse of exponent 2.2 by 0.004, of 2.5 by 0.005 to 0.008."""

NARROW, WIDE, ASIDE = 0.40, 0.75, 0.35
"""Width at a tenth of the height over that at half of it: 0.45 of a parabola, 0.2 of a triangle,
0.9 of a bar. Under the first a crown is pointed, over the second flat; and one-sided where the top
lies by more than the third share of its width off its middle."""

STEEP = 2.5
SLOPE_REACH_MM = 0.08
"""A wall steeper than this tells no height."""

TOP_SHARE = 0.02
"""The top of a section is what lies within this share of the crown's height under its highest."""

LEFT_OPEN = 0.038
"""Share of gap times turn of the slopes that stays open at an edge, as standard uncertainty. The
higher of two places lies under an edge between them by up to a quarter of that, evenly spread:
0.072 of it; on necks of known truth the parabola finds about half
(`tests/studies/scans.py`)."""

FLAT_SHARE = 0.7
"""Middle part of a flat top that tells its height."""

DOMED_SHARE = 0.12
"""A wide top that falls by a larger share of itself over that part is no bar's, but a dome."""

DOME_U = 1.4
"""Standard uncertainty of a dome's height over that of a mean of its places: 1.9 of places that
err alone, less of those of a raster, on necks of known truth (`tests/studies/scans.py`)."""

DOME_PLACE_U = 3.5
"""The same of its slope's over half its width: 1.7 of places that err alone, twice that of those of
a raster."""

DOME_FORM = 0.01
"""And what its form leaves open, as a share of its fall: 0.008 for a superellipse of exponent 3.5.
"""

ENDS_SHARE = 0.8
"""What the places of its two ends leave of a step's standard uncertainty in that of a flat top."""

SHIFT_MM = 0.03
"""How far (1 sigma) the top may wander across from its straight line along the fret."""

SLOPE = 0.05
"""How far (1 sigma) the slope along the fret may wander from the guessed crown line's."""

FLATTEST_MM = 50.0
"""A top with a larger radius is flat."""


ROOF_SHARE, STRAIGHT_MM, EDGE_SLOPE = 0.12, 0.003, 0.6
"""On a drawing two flanks are looked at so far from the top, as a share of the crown's width; they
are straight to this, and meet at an edge if their slopes differ by more."""

EDGE_U_MM = 0.001
"""Standard uncertainty of the edge's height: what the raster of a drawing leaves [mm]."""


@dataclass(frozen=True, slots=True)
class CrownSection:
    """The mean section of one crown, N places across it."""

    across_mm: FloatArray  # from the fret's line, towards the bridge, shape (N,)
    height_mm: FloatArray  # over the section's own top, shape (N,)
    kind: Kind
    # where its top lies across, and what stays open of that: of a flat top by the rows that it ends
    # between, of any other by how well the places about it fit
    top_across_mm: float
    top_across_u_mm: float
    top_u_mm: float  # of its top: what the points about it leave open
    radius_mm: float  # at the top
    width_mm: float  # a tenth of the crown's height under the top


def mean_section(
    across_mm: FloatArray,
    over_mm: FloatArray,
    *,
    crown_height_mm: float,
    crown_width_mm: float,
    sharp: bool = False,
) -> CrownSection | None:
    """Return the mean section of points over a guess of the crown line; None if they show none.

    Of a drawing with a `sharp` edge the flanks are straight, and its edge is where they meet.
    """
    low, step = -0.5 * crown_width_mm, crown_width_mm / BINS
    place = np.floor((across_mm - low) / step).astype(np.intp)
    inside = (place >= 0) & (place < BINS)
    place = np.clip(place, 0, BINS - 1)
    # the guess of the crown line stands for the height of each slice: a raster shows each slice at
    # other places across, and heights of slices and of places could not be told apart
    middle = np.zeros(BINS)
    first, counted = cell_medians((np.zeros_like(place), place), (1, BINS), over_mm)
    height = np.where(counted[0] >= LEAST_IN_BIN, first[0], -np.inf)
    height[[0, -1]] = -np.inf  # what lies outside was counted there
    for limit in (0.1, 0.05, 0.05):
        known = np.where(np.isfinite(height), height, 1e6)
        near = inside & (np.abs(over_mm - known[place]) < limit)
        count = np.bincount(place[near], minlength=BINS)
        share = np.maximum(count, 1)
        mean = np.bincount(place[near], over_mm[near], BINS) / share
        height = np.where(count >= LEAST_IN_BIN, mean, -np.inf)
        middle = np.bincount(place[near], across_mm[near], BINS) / share
    filled = np.isfinite(height)
    if int(filled.sum()) < 8:
        return None
    x, z = middle[filled], height[filled]
    top, across, across_u, top_u, radius = _top(x, z, step, crown_height_mm)
    if sharp and (edge := _edge(x, z, across, ROOF_SHARE * crown_width_mm)):
        top, across, top_u = edge
    z = z - top
    tenth = _width(x, z, across, -0.1 * crown_height_mm)
    half = _width(x, z, across, -UPPER_SHARE * crown_height_mm)
    if tenth is None or half is None:
        return None
    narrow, wide = tenth[1] - tenth[0], half[1] - half[0]
    aside = abs(tenth[0] + tenth[1] - half[0] - half[1]) / wide
    kind: Kind = "round"
    if aside > ASIDE:
        kind = "one-sided"
    elif narrow > WIDE * wide:
        kind = "flat"
    elif narrow < NARROW * wide and _circle_misfit(x, z, across, 0.3 * crown_width_mm) > MISFIT_MM:
        kind = "pointed"
    return CrownSection(x, z, kind, across, across_u, top_u, radius, narrow)


def _top(
    x: FloatArray, z: FloatArray, step: float, height: float
) -> tuple[float, float, float, float, float]:
    """Return height and place of the top, the place's u and its own, and its radius.

    They are those of a parabola about it; height and place of a wide top are its dome's or bar's.
    """
    peak = int(np.argmax(z))
    near = (np.abs(x - x[peak]) < 3.5 * step) | _run(z > z[peak] - TOP_SHARE * height, peak)
    near |= np.abs(np.arange(len(x)) - peak) <= 2
    near &= z > z[peak] - 5.0 * TOP_SHARE * height  # an upright side is no top
    fit = np.polynomial.Polynomial.fit(x[near], z[near], min(2, int(near.sum()) - 1))
    dense = np.linspace(float(x[near].min()), float(x[near].max()), 201)
    values = fit(dense)
    best = int(np.argmax(values))
    # what a parabola of three numbers through these places misses
    rough = float(np.sqrt(3.0 * np.mean((z[near] - fit(x[near])) ** 2) / near.sum()))
    # between two places that are seen the top may stand up by what their slopes leave open
    around = np.abs(x - dense[best]) < 4.5 * step
    gap = max(0.0, float(np.max(np.diff(x[around]), initial=0.0)) - step)
    slopes = np.clip(np.diff(z[around]) / np.diff(x[around]), -STEEP, STEEP)
    turn = float(np.ptp(slopes)) if len(slopes) > 1 else 0.0
    bend = -float(fit.convert().coef[2]) if len(fit.convert().coef) > 2 else 0.0
    radius = min(FLATTEST_MM, 0.5 / bend) if bend > 0.0 else FLATTEST_MM
    level = x[near][z[near] >= z[near].max() - TOP_SHARE * height]
    u = float(np.hypot(rough, LEFT_OPEN * gap * turn))
    if float(np.ptp(level)) <= 0.3 * float(np.ptp(x)):
        steep = bend * float(np.ptp(x[near]))
        across_u = rough / steep if steep > 0.0 else 0.0
        return float(values[best]), float(dense[best]), across_u, u, radius
    if domed := _domed(x, z, level):
        return *domed, radius
    # a flat top: its rounded edges would bend the parabola over it
    place = float(0.5 * (level.min() + level.max()))
    inner = z[np.abs(x - place) < FLAT_SHARE * 0.5 * float(np.ptp(level))]
    spread = float(np.std(inner)) / np.sqrt(len(inner))
    u = float(np.hypot(spread, LEFT_OPEN * gap * turn))
    between = float(np.median(np.diff(x)))  # rows may lie further apart than bins
    return float(np.mean(inner)), place, ENDS_SHARE * between / np.sqrt(12.0), u, radius


def _domed(
    x: FloatArray, z: FloatArray, level: FloatArray
) -> tuple[float, float, float, float] | None:
    """Return height, place and their u of a wide top that bends all over; None of a bar's."""
    near = (x >= level.min()) & (x <= level.max())
    middle, half = 0.5 * float(level.min() + level.max()), 0.5 * float(np.ptp(level))
    t, top = (x[near] - middle) / half, z[near]
    inner = np.abs(t) < FLAT_SHARE
    if int(inner.sum()) < 8:
        return None
    bent = np.polynomial.Polynomial.fit(t[inner], top[inner], 2)
    fall = -float(bent.convert().coef[-1]) * FLAT_SHARE**2
    terms = np.column_stack([np.ones_like(t), t, t**2, t**4])
    fit = np.linalg.lstsq(terms, top, rcond=None)[0]
    off = top - terms @ fit
    if fall < DOMED_SHARE * float(np.ptp(top)) or np.std(off[inner]) > 0.8 * np.std(top[inner]):
        return None
    # about its place the dome is as high on one side as on the other
    steep = 2.0 * float(fit[2]) + 4.0 * float(fit[3])
    if abs(fit[1]) > -FLAT_SHARE * steep:  # its top lies beside what is level: it slopes
        return None
    aside = -float(fit[1]) / steep
    height = float(fit @ [1.0, aside, aside**2, aside**4])
    u = float(np.sqrt(np.mean(off**2) / len(off)))
    top_u = float(np.hypot(DOME_U * u, DOME_FORM * np.ptp(top)))
    return height, middle + half * aside, half * abs(DOME_PLACE_U * u / steep), top_u


def _edge(
    x: FloatArray, z: FloatArray, across: float, reach: float
) -> tuple[float, float, float] | None:
    """Return height, place and uncertainty of the edge where two straight flanks meet."""
    flanks = []
    for side in (-1.0, 1.0):
        off = side * (x - across)
        near = (off > 0.25 * reach) & (off < reach)
        kept = near
        for _ in range(3):  # a place that both flanks share lies under its own
            if int(kept.sum()) < max(4, 0.6 * float(near.sum())):
                return None
            flank = np.polynomial.Polynomial.fit(x[kept], z[kept], 1)
            far = np.abs(z - flank(x))
            kept = near & (far <= max(STRAIGHT_MM, 2.0 * float(np.median(far[kept]))))
        if float(far[kept].max()) > STRAIGHT_MM:
            return None
        flanks.append(flank.convert().coef)
    (a, b), (c, d) = ((*map(float, flank), 0.0)[:2] for flank in flanks)
    if b - d < EDGE_SLOPE:
        return None
    place = (c - a) / (b - d)
    return (a + b * place, place, EDGE_U_MM) if abs(place - across) < reach else None


def _run(flag: BoolArray, at: int) -> BoolArray:
    """Return the run of a flag that holds one place."""
    number = np.cumsum(np.diff(flag, prepend=flag[:1]) != 0)
    return np.asarray(flag & (number == number[at]))


def _width(x: FloatArray, z: FloatArray, across: float, level: float) -> tuple[float, float] | None:
    """Return the two places at which a section falls below a level, from its top outwards."""
    left, right = np.flatnonzero(x <= across), np.flatnonzero(x > across)
    low_left, low_right = left[z[left] < level], right[z[right] < level]
    # where nothing lower is seen the crown ends: in an upright side
    ends = []
    for low, far in ((low_left[-1:], 0), (low_right[:1], len(x) - 1)):
        if not len(low):
            ends.append(float(x[far]))
            continue
        i = int(low[0])
        j = min(i + 1, len(x) - 1) if far == 0 else i - 1
        share = (level - z[i]) / (z[j] - z[i]) if z[j] != z[i] else 0.0
        ends.append(float(x[i] + share * (x[j] - x[i])) if z[i] > 4.0 * level else float(x[j]))
    return (ends[0], ends[1]) if ends[1] > ends[0] else None


def _circle_misfit(x: FloatArray, z: FloatArray, across: float, reach: float) -> float:
    """Return how far a section's top is from a circle: root mean square [mm]."""
    near = (np.abs(x - across) < reach) & (z > -0.6)
    if int(near.sum()) < 6:
        return np.inf
    a, b, square = _circle(x[near] - across, z[near])
    off = np.hypot(x[near] - across - a, z[near] - b) - np.sqrt(max(square, 1e-12))
    return float(np.sqrt(np.mean(off**2)))


def _circle(x: FloatArray, z: FloatArray) -> tuple[float, float, float]:
    """Return centre (a, b) and squared radius of a circle: x² + z² = 2 a x + 2 b z + c."""
    design = np.column_stack([2.0 * x, 2.0 * z, np.ones(len(x))])
    a, b, c = np.linalg.lstsq(design, x**2 + z**2, rcond=None)[0]
    return float(a), float(b), float(c + a * a + b * b)


def unlike_arc(section: CrownSection, crown_width_mm: float) -> Kind | None:
    """Return of which other kind a crown is that no arc fits, whole or worn; None if one does."""
    x, z = section.across_mm - section.top_across_mm, section.height_mm
    reach = ARC_SHARE * crown_width_mm
    near = np.abs(x) < reach
    x, z = x[near], z[near]
    least, whole = np.inf, 0.0
    for half in np.linspace(0.0, 0.9 * reach, WORN_TRIES).tolist():
        arc = np.abs(x) >= half
        if int(arc.sum()) < 8 or np.ptp(x[arc]) < reach:
            break
        a, b, square = _circle(x[arc], z[arc])
        lower = np.where(arc, np.abs(x - a), half)
        off = z - b - np.sqrt(np.maximum(square - lower**2, 0.0))
        if half == 0.0:
            whole = float(np.mean(off[np.abs(x) < 0.25 * reach]))
        least = min(least, float(np.sqrt(np.mean(off**2))))
    if least < UNLIKE_MM or not np.isfinite(least):
        return None
    return "blunt" if whole < 0.0 else "pointed"


def _steepness(x: FloatArray, z: FloatArray) -> FloatArray:
    """Return the slope of a section at each place, from the places about it."""
    # two places may be a hundredth of a millimetre apart and from other slices: their own
    # difference in height says nothing of the slope
    near = np.abs(x[:, None] - x) < SLOPE_REACH_MM
    near |= np.abs(np.subtract.outer(np.arange(len(x)), np.arange(len(x)))) <= 1
    many = near.sum(axis=1)
    across = np.where(near, x - ((near @ x) / many)[:, None], 0.0)
    return np.asarray((across @ z) / (across**2).sum(axis=1))


def fit_section(
    section: CrownSection,
    across_mm: FloatArray,
    over_mm: FloatArray,
    local_mm: FloatArray,
    starts: IntArray,
    *,
    crown_height_mm: float,
    least_points: int,
    rough: bool = False,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, float]:
    """Return height, its variance, shift across and slope of a section in each slice, and noise.

    Least squares over the points within four sigma, found from the median outwards; NaN where a
    slice has too few. Slopes of a rough section are taken over some places, not between two.
    """
    x, z = section.across_mm, section.height_mm
    steep = _steepness(x, z) if rough else np.gradient(z, x)
    used = np.abs(steep) < STEEP
    used &= z > -UPPER_SHARE * crown_height_mm
    level = np.interp(across_mm, x, z)
    tilt = np.interp(across_mm, x, np.where(used, steep, 0.0))
    tells = np.interp(across_mm, x, used.astype(float)) > 0.99
    tells &= (across_mm >= x[0]) & (across_mm <= x[-1])
    group = np.repeat(np.arange(len(starts)), np.diff(np.append(starts, len(across_mm))))
    count = len(starts)
    found = np.zeros((count, 3))
    found[:, 0] = group_middles(np.where(tells, over_mm - level, 1e6), starts)
    columns = np.stack([np.ones_like(level), -tilt, local_mm])
    noise = 0.15 / 4.0
    normal = np.zeros((count, 3, 3))
    many = np.zeros(count)
    for attempt in range(4):
        off = over_mm - level - np.einsum("pn,np->n", columns, found[group])
        if attempt:
            sound = tells & (np.abs(off) < 0.15)
            if sound.any():
                noise = max(NORMAL_MAD * float(np.median(np.abs(off[sound]))), 1e-6)
        weight = (tells & (np.abs(off) < 4.0 * noise)).astype(float)
        many = np.add.reduceat(weight, starts)
        right = np.zeros((count, 3))
        for p in range(3):
            right[:, p] = np.add.reduceat(weight * columns[p] * off, starts)
            for q in range(3):
                normal[:, p, q] = np.add.reduceat(weight * columns[p] * columns[q], starts)
        hold = noise**2 / np.array([np.inf, SHIFT_MM**2, SLOPE**2])
        normal[:, [1, 2], [1, 2]] += hold[1:]
        right -= hold * found
        normal[:, 0, 0] += 1e-9
        found = found + np.linalg.solve(normal, right[..., None])[..., 0]
    off = over_mm - level - np.einsum("pn,np->n", columns, found[group])
    weight = (tells & (np.abs(off) < 4.0 * noise)).astype(float)
    freedom = max(1.0, float(weight.sum()) - 2.0 * count)
    noise = float(np.sqrt(np.sum(weight * off**2) / freedom))
    enough = many >= least_points
    variance = noise**2 * np.linalg.inv(normal)[:, 0, 0]
    height = np.where(enough, found[:, 0], np.nan)
    return height, np.where(enough, variance, np.nan), found[:, 1], found[:, 2], noise
