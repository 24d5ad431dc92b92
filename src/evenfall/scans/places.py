"""Fret places as a geometric series: which scale they fit, and what they cannot tell.

Places of an equally tempered scale are x_n = A - D 2^(-n/12), where A is the saddle end of the
scale. Moving every number by one fits as well with a scale 2^(1/12) longer, so places alone give
the scale only once the first of them is known; the answer says which number it rests on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenfall.arrays import FloatArray, IntArray
from evenfall.errors import At, Finding
from evenfall.instrument import fret_distance_mm
from evenfall.instrument.geometry import SEMITONE
from evenfall.scans.surface import unusable

LEAST_PLACES = 4
"""Two numbers are fitted (nut and scale); fewer than four places could fit by chance."""

LEAST_KEPT_SHARE = 0.6
"""If fewer of the places than this follow a series, they are no frets."""

LEAST_STRAY_SHARE = 0.01
"""No place is called stray for less than this share of the fret spacing."""

MOST_MISFIT_SHARE = 0.03
"""Frets cut by hand stand within this share of their spacing (root mean square): 0.2 mm of the 7 mm
between the last frets of a ukulele."""

MOST_RESIDUAL_SHARE = 0.12
"""A place further than this share of the fret spacing from the series belongs to no fret."""


@dataclass(frozen=True, slots=True)
class ScaleFit:
    """The scale that N fret places fit."""

    # scale length and its standard uncertainty [mm], if the first place is `first_fret`
    scale_mm: float
    scale_u_mm: float
    nut_mm: float  # where the nut then is, in the coordinate of the places [mm]
    fret_number: IntArray  # number of each place, 0 where a place belongs to no fret, shape (N,)
    findings: tuple[Finding, ...]  # what the places cannot tell


def fit_scale(place_mm: FloatArray) -> ScaleFit:
    """Return the scale length that fret places or slots fit, with frets missing or extra ones.

    Distances from the saddle end A must be whole semitones apart: 12 log2(A - x) has the same
    fraction for every place. A is searched for the sharpest agreement (length of the mean phasor),
    then nut and scale are fitted by least squares.
    """
    place = np.asarray(place_mm, dtype=float)
    if len(place) < LEAST_PLACES or not np.isfinite(place).all():
        raise unusable(
            "{count:count fret place} {count:plural is|are} too few to fit a scale; four are "
            "needed.",
            "scale",
            count=len(place),
        )
    best: tuple[float, int, IntArray] | None = None
    for direction in (1, -1):
        found = _number_places(direction * place)
        if found is not None and (best is None or found[0] > best[0]):
            best = (found[0], direction, found[1])
    if best is None:
        raise unusable("The places found do not follow the spacing of frets on any scale.", "scale")
    _, direction, number = best
    kept = number > 0
    fraction = fret_distance_mm(1.0, number[kept].astype(float))
    x = direction * place[kept]
    design = np.column_stack([np.ones(len(x)), fraction])
    solution = np.linalg.lstsq(design, x, rcond=None)[0]
    spread = float(np.sqrt(np.sum((x - design @ solution) ** 2) / max(1, len(x) - 2)))
    scale = float(solution[1])
    u = spread * float(np.sqrt(np.linalg.inv(design.T @ design)[1, 1]))
    # numbered from 1; a shift of m would multiply the scale by 2^(m/12)
    still_open = Finding(
        "ambiguous",
        "Fret places alone do not fix the scale: it is {first:length} if the first place found is "
        "fret 1, {second:length} if it is fret 2, {third:length} if it is fret 3.",
        At(field="scale"),
        first=scale,
        second=scale * SEMITONE,
        third=scale * SEMITONE**2,
    )
    return ScaleFit(
        scale_mm=scale,
        scale_u_mm=u,
        nut_mm=direction * float(solution[0]),
        fret_number=np.where(kept, number, 0).astype(np.intp),
        findings=(still_open,),
    )


def _number_places(x: FloatArray) -> tuple[float, IntArray] | None:
    """Return how well places that grow towards the bridge agree, and their numbers from 1."""
    low, span = float(x.min()), float(np.ptp(x))
    if span <= 0.0:
        return None
    # from a bridge just past the last place to one ten spans away
    reach = span * np.geomspace(0.05, 10.0, 2500)
    distance = (low + span + reach)[:, None] - x[None, :]
    semitone = 12.0 * np.log2(distance)
    agreement = np.abs(np.mean(np.exp(2j * np.pi * semitone), axis=1))
    # neighbours must mostly be one fret apart: with a far-off bridge everything agrees
    step = np.median(-np.diff(np.sort(-semitone, axis=1), axis=1), axis=1)
    step = np.abs(step)
    agreement = np.where((step > 0.8) & (step < 1.6), agreement, 0.0)
    best: tuple[float, IntArray] | None = None
    for row in np.argsort(-agreement)[:40]:
        if agreement[row] < 0.5:
            break
        numbered = _settle(x, semitone[row])
        if numbered is not None and (best is None or numbered[0] > best[0]):
            best = numbered
    return best


def _settle(x: FloatArray, semitone: FloatArray) -> tuple[float, IntArray] | None:
    """Return the share of places that fit a series, less its misfit, and their numbers."""
    phase = float(np.angle(np.mean(np.exp(2j * np.pi * semitone)))) / (2.0 * np.pi)
    raw = -(semitone - phase)
    kept = np.ones(len(x), dtype=bool)
    number = np.round(raw)
    for _ in range(6):
        if int(kept.sum()) < LEAST_PLACES or len(np.unique(number[kept])) < LEAST_PLACES:
            return None
        base = number[kept].min()
        fraction = fret_distance_mm(1.0, number - base + 1.0)
        design = np.column_stack([np.ones(int(kept.sum())), fraction[kept]])
        nut, scale = np.linalg.lstsq(design, x[kept], rcond=None)[0]
        if scale <= 0.0:
            return None
        distance = (nut + scale - x) / scale
        exact = np.where(distance > 0.0, -12.0 * np.log2(np.maximum(distance, 1e-9)), np.nan)
        number = np.where(np.isnan(exact), -1e6, np.round(exact)) + base - 1.0
        off = np.abs(exact - np.round(exact))
        now = (off < MOST_RESIDUAL_SHARE) & ~np.isnan(exact)
        if int(now.sum()) < LEAST_PLACES:
            return None
        # among the frets of one saw or jig a stray place shows by its size
        now &= off < max(LEAST_STRAY_SHARE, 6.0 * float(np.median(off[now])))
        # two places on one number: keep the nearer one
        for n in np.unique(number[now]):
            same = np.flatnonzero(now & (number == n))
            now[same] = same == same[np.argmin(off[same])]
        if bool(np.all(now == kept)):
            break
        kept = now
    if int(kept.sum()) < max(LEAST_PLACES, LEAST_KEPT_SHARE * len(x)):
        return None
    misfit = float(np.sqrt(np.mean(off[kept] ** 2)))
    if misfit > MOST_MISFIT_SHARE:
        return None
    base = number[kept].min()
    numbers = np.where(kept, number - base + 1.0, 0.0).astype(np.intp)
    return float(kept.mean()) - misfit, numbers
