"""Why a scan is refused: what it shows instead of the specified frets, at which scale."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import BoolArray, runs
from evenfall.errors import Progress, ReadingsError
from evenfall.instrument import Specification
from evenfall.instrument.geometry import SEMITONE
from evenfall.scans.fret_comb import collapsed
from evenfall.scans.laid_flat import lay_level, principal_axes, strip_map
from evenfall.scans.places import LEAST_PLACES, fit_scale
from evenfall.scans.slots import LEAST_DEPTH_MM, find_slots, slots_only
from evenfall.scans.surface import UNITS_MM, Points, Surface, unusable
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from evenfall.scans.candidates import Candidate
    from evenfall.scans.fret_comb import Match
    from evenfall.scans.laid_flat import StripMap
    from evenfall.scans.places import ScaleFit

UNIT_WORDS = {"in": "inches", "um": "µm"}
"""Units whose sign does not read well in a sentence."""

TRIED_MM = 450.0
"""Whatever its unit, a scan is looked at as if it were so long."""

RIDGE_SHARE = 0.4
"""A ridge is what stands over this share of the highest ones."""

LEAST_RIDGES = 7
"""Fewer ridges or grooves make no scale worth naming: a few fit one by chance."""

MOST_PLACES = 60
"""And more are no frets: with many places something fits every scale."""

SHIFTS = (0, -1, 1, 2)
"""What may stand first: fret 1, the nut, fret 2 or 3."""

SAME_SHARE = 0.012
"""Scales that differ by less are the same: a semitone is 5.9 %."""

SLIPS_MM: dict[float, str] = {
    304.8: "feet",
    0.0254: "thousandths of an inch",
    100.0: "dm",
    0.1: "tenths of a millimetre",
    1.0 / 25.4: "mm that were taken for inches and converted to mm",
    2.0: "half of mm: drawn at half its size",
    0.5: "twice as many as mm: drawn at twice its size",
}
"""Units that no reader takes by itself [mm], and what their numbers then are."""


def not_this_neck(
    surface: Surface,
    specification: Specification,
    ranked: Sequence[tuple[Match, Candidate]],
    samples: Points,
    *,
    unit_hint: str | None,
    progress: Progress,
) -> ReadingsError:
    """Return the error that says what the scan shows instead of the specified frets."""
    progress("Looking for another scale", 0.0)
    slots = None
    if any(_grooved(candidate) for candidate in {id(one): one for _, one in ranked}.values()):
        try:
            factor = UNITS_MM[unit_hint or "mm"]
            slots = find_slots(surface, factor_mm=factor, progress=progress)
        except ReadingsError:
            slots = None
    if instead := _fits_instead(samples, specification, unit_hint):
        return instead
    if slots is not None:
        return slots_only(slots)
    return unusable(
        "The frets of a {scale} scale are not in this scan (at best {share:share} of the crowns), "
        "nor are those of any other scale; check that this is the scan of a neck, that its x, y "
        "and z are in one unit, and the specification.",
        scale=scale_said(specification),
        share=max(0.0, ranked[0][0].score_share),
    )


def no_board(samples: Points, specification: Specification, unit_hint: str | None) -> ReadingsError:
    """Return the error for a scan that is of no instrument's size, in whatever unit."""
    if instead := _fits_instead(samples, specification, unit_hint):
        return instead
    _, _, extent = principal_axes(samples)
    long, wide, deep = np.sort(np.where(extent < 1e-6 * extent[0], 0.0, extent))[::-1].tolist()
    units = (unit_hint,) if unit_hint else tuple(UNITS_MM)
    return unusable(
        "The scan is {long:.4g} long, {wide:.4g} wide and {deep:.4g} deep in its own unit; in "
        "{units:or} that is neither a fretboard of a {scale} scale nor an instrument with one. "
        "Check that x, y and z are in one unit, that little but the neck is in the scan, and that "
        "the specification is that of this neck.",
        long=long,
        wide=wide,
        deep=deep,
        units=tuple(UNIT_WORDS.get(unit, unit) for unit in units),
        scale=scale_said(specification),
    )


def scale_said(specification: Specification) -> Sentence:
    """Return the scale length, or the two of fanned frets."""
    scale = specification.scale
    if scale.fanned:
        return sentence("{bass:size} to {treble:size}", bass=scale.bass_mm, treble=scale.treble_mm)
    return sentence("{treble:size}", treble=scale.treble_mm)


def _grooved(candidate: Candidate) -> bool:
    """Say whether a candidate's map shows grooves across in step, from either side."""
    return any(
        _in_step(candidate.strips, np.nan_to_num(collapsed(candidate.strips, up)) > LEAST_DEPTH_MM)
        for up in (1, -1)
    )


def _in_step(strips: StripMap, stands: BoolArray) -> ScaleFit | None:
    """Return the scale that runs of a flag along the neck fit, None if they fit none."""
    x = strips.x_mm
    places = [0.5 * (x[a] + x[b - 1]) for a, b in runs(stands)]
    if not LEAST_PLACES <= len(places) <= MOST_PLACES:
        return None
    try:
        fit = fit_scale(np.array(places))
    except ReadingsError:
        return None
    return fit if int((fit.fret_number > 0).sum()) >= LEAST_RIDGES else None


def _fits_instead(
    samples: Points, specification: Specification, unit_hint: str | None
) -> ReadingsError | None:
    """Return the error that names the scale which the ridges in a scan fit, if they fit any."""
    found = _scale_in_numbers(samples)
    if found is None:
        return None
    numbers, wide, count = found
    specified = 0.5 * (specification.scale.treble_mm + specification.scale.bass_mm)
    scale = scale_said(specification)
    firsts = [numbers * SEMITONE**shift for shift in SHIFTS]

    def fits(factor: float) -> bool:
        return any(abs(n * factor / specified - 1.0) < SAME_SHARE for n in firsts)

    hinted = UNITS_MM[unit_hint or "mm"]
    units = {factor: UNIT_WORDS.get(unit, unit) for unit, factor in UNITS_MM.items()}
    for factor, unit in {**units, **SLIPS_MM}.items():
        if not fits(factor) or factor == hinted:
            continue
        board = wide * factor
        if not 0.5 < board / specification.board.width_last_mm < 2.0:
            return unusable(
                "{count} frets in this scan fit the specified scale of {scale} if the numbers "
                "along the neck are {unit}, but then the board is {board:size} wide: x, y and z "
                "are not in one unit; write them in one and try again.",
                count=count,
                scale=scale,
                unit=unit,
                board=board,
            )
        return unusable(
            "{count} frets in this scan fit a scale of {numbers:.4g} in the numbers of the file. "
            "That is the specified scale of {scale} if its numbers are {unit}; give that unit "
            "({door_scan_unit}), or bring the file into mm."
            if factor in units
            else "{count} frets in this scan fit a scale of {numbers:.4g} in the numbers of the "
            "file. That is the specified scale of {scale} if its numbers are {unit}; bring the "
            "file into mm: {factor:.6g} mm are one of them.",
            count=count,
            numbers=numbers,
            scale=scale,
            unit=unit,
            factor=factor,
        )
    return unusable(
        "What stands across this scan in {count} places fits a scale of {fits:size} if the first "
        "one is fret 1, {nut:size} if it is the nut, and no unit makes that the specified {scale}; "
        "take the specification of this neck.",
        count=count,
        scale=scale,
        fits=numbers * hinted,
        nut=numbers * hinted / SEMITONE,
    )


def _scale_in_numbers(samples: Points) -> tuple[float, float, int] | None:
    """Return the scale that the ridges of a scan fit in its own numbers, its width, and how many.

    The first ridge is taken as fret 1.
    """
    middle, axes, extent = principal_axes(samples)
    factor = TRIED_MM / float(extent[0]) if extent[0] > 0.0 else 0.0
    if not np.isfinite(factor) or factor == 0.0:
        return None
    best: tuple[float, float, int] | None = None
    for up in (axes[2], -axes[2]):
        turned = np.stack([axes[0], np.cross(up, axes[0]), up])
        level = lay_level(samples * factor, middle * factor, turned, solid=False)
        if level is None:
            continue
        x_mm = level.points_mm[:, 0]  # wild points would make the map of strips a long one
        strips = strip_map(level.points_mm[np.abs(x_mm - np.median(x_mm)) < TRIED_MM])
        ridge = np.nan_to_num(collapsed(strips, 1))
        fit = _in_step(strips, ridge > RIDGE_SHARE * float(np.quantile(ridge, 0.98)))
        if fit is None:
            continue
        count = int((fit.fret_number > 0).sum())
        if best is None or count > best[2]:
            best = fit.scale_mm / factor, float(extent[1]), count
    return best
