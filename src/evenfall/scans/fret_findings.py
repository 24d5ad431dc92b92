"""What a scan says of all its frets together: their kind of crown, and where they stand."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenfall.errors import At, Finding
from evenfall.instrument import string_lines
from evenfall.scans.fret_comb import nominal_lines
from evenfall.wording import sentence

if TYPE_CHECKING:
    from evenfall.arrays import FloatArray
    from evenfall.instrument import Specification
    from evenfall.scans.crown_kind import Kind
    from evenfall.scans.crown_survey import CrownSurvey

PLACE_MM, PLACE_U = 0.15, 4.0
"""A fret further off its place, and off by so many standard uncertainties, is reported: 0.15 mm are
1 cent at the twelfth fret of a guitar (common practice, no source)."""

LEAST_FRETS = 6
"""Fewer frets make no scale that one of them could be off."""

CENTS = 1200.0
"""Cents of an octave."""

ROUND_MM = 0.002
"""Standard uncertainty of a crown's place across, beside what its scatter shows."""


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


def places_off(
    survey: CrownSurvey, specification: Specification
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return how far each fret stands off its place towards the bridge [mm], its u, and in cents.

    The scale is that which the frets themselves fit, and the nut lies where they put it; NaN for a
    fret that is not there.
    """
    nominal = nominal_lines(string_lines(specification)).base_mm
    place, own_u = np.full(len(nominal), np.nan), np.full(len(nominal), np.nan)
    for j, line in enumerate(survey.crown_lines):
        if line is None or len(line.along_mm) < 4:
            continue
        # where the crown's top crosses the centre line
        fit = np.polynomial.Polynomial.fit(line.y_mm, line.x_mm, 1)
        off = line.x_mm - fit(line.y_mm)
        spread = 1.4826 * float(np.median(np.abs(off)))
        near = np.abs(off) <= max(4.0 * spread, 1e-6)
        fit = np.polynomial.Polynomial.fit(line.y_mm[near], line.x_mm[near], 1)
        place[j] = float(fit(0.0))
        own_u[j] = np.hypot(spread / np.sqrt(near.sum()), ROUND_MM)
    known = np.isfinite(place)
    miss, u, cents = (np.full(len(nominal), np.nan) for _ in range(3))
    if int(known.sum()) < LEAST_FRETS:
        return miss, u, cents
    design = np.column_stack([np.ones_like(nominal), nominal])
    kept = known.copy()
    for _ in range(4):
        solved = np.linalg.lstsq(design[kept], place[kept], rcond=None)[0]
        gap = np.abs(place - design @ solved)
        kept = known & (gap <= max(0.05, 3.0 * 1.4826 * float(np.median(gap[kept]))))
    inverse = np.linalg.inv(design[kept].T @ design[kept])
    scatter = float(np.sqrt(np.sum(gap[kept] ** 2) / max(1, int(kept.sum()) - 2)))
    miss = place - design @ solved
    line_u = scatter * np.sqrt(np.einsum("np,pq,nq->n", design, inverse, design))
    u = np.hypot(own_u, line_u)
    scale = 0.5 * (specification.scale.treble_mm + specification.scale.bass_mm) * solved[1]
    left = scale - solved[1] * nominal
    cents = CENTS * np.log2(left / (left - miss))
    return np.asarray(miss), np.asarray(u), np.asarray(cents)


def fret_places(survey: CrownSurvey, specification: Specification) -> list[Finding]:
    """Return the frets that stand off their places."""
    miss, u, cents = places_off(survey, specification)
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
        for j in np.flatnonzero(np.abs(miss) > np.maximum(PLACE_MM, PLACE_U * u)).tolist()
    ]
