"""What crowns have lost to wear, as it was read, and what readings of crowns scatter by."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evenfall.arrays import BoolArray, FloatArray
from evenfall.instrument import Specification
from evenfall.measurement import Heights, Measurement, Origin
from evenfall.neck.drawn_line import HARDLY, LEAST_U_MM, alike

_WORN_MM, _WORN_U = 0.05, 4.0  # wear beyond the neck's usual that counts
_ALSO_WORN_U = 2.0  # where there is some, so is the lighter wear around it


def scatter_u_mm(heights: Heights) -> FloatArray:
    """Return how far crowns may scatter about a line, (K, F): what no line takes up [mm]."""
    square = np.nan_to_num(heights.own_u_mm) ** 2
    for shared in heights.shared:
        if shared.by == "fret":
            square = square + shared.effect_mm**2
    return np.sqrt(square[:, 1:-1])


def wear_read(
    specification: Specification, measurement: Measurement
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Return the wear that the line is drawn above, what is too light to be, and who is worn.

    What is too light is read from whole stretches: several crowns that are worn alike say so more
    surely than one.
    """
    known = measurement.crown_height_origin == Origin.READ
    lost = specification.fretwire.crown_height_mm - measurement.crown_height_mm
    lost = np.where(known, lost - (np.median(lost[known]) if known.any() else 0.0), 0.0)
    u_mm = np.nan_to_num(measurement.crown_height_u_mm)
    worn = lost > np.maximum(_WORN_MM, _WORN_U * u_mm)
    if worn.any():
        return np.where(lost > _ALSO_WORN_U * u_mm, lost, 0.0), np.zeros_like(lost), worn
    stretch, stretch_u = _of_stretch(lost, u_mm, known)
    light = np.where(known & (stretch > _ALSO_WORN_U * stretch_u), stretch, 0.0)
    return np.zeros_like(lost), light, worn


def before_filing(after: Measurement, before: Measurement, removal_mm: FloatArray) -> Measurement:
    """Return readings with crowns as high as before the work: what was filed is no wear.

    As they were read then, on every fret that was filed somewhere: nobody can say that all of the
    plan was filed, and one reading may stand for a whole fret. Else with the metal put back.
    """
    filed = (removal_mm > 0.0).any(axis=0)
    known = filed & (before.crown_height_origin == Origin.READ)
    put_back_mm = after.crown_height_mm + removal_mm
    return replace(
        after,
        crown_height_mm=np.where(known, before.crown_height_mm, put_back_mm),
        crown_height_u_mm=np.where(known, before.crown_height_u_mm, after.crown_height_u_mm),
    )


def _of_stretch(
    lost_mm: FloatArray, u_mm: FloatArray, known: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Return what each crown lost by it and those around that lost the like, its u [mm]."""
    near = np.einsum("kl,fg->kflg", *(alike(size) for size in known.shape))
    apart = lost_mm[:, :, None, None] - lost_mm
    twice = np.maximum(2.0 * u_mm, LEAST_U_MM)
    weight = near * np.exp(-0.5 * (apart / twice) ** 2) * known
    weight = weight / np.maximum(weight.sum(axis=(2, 3), keepdims=True), HARDLY)
    u = np.sqrt(np.einsum("kflg,lg->kf", weight**2, u_mm**2))
    return np.einsum("kflg,lg->kf", weight, lost_mm), u
