"""What a pair of profiles of one neck shows: how far it bowed between them, in which shape."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.codec import plain
from evenfall.errors import RequestError
from evenfall.instrument import Specification, StringLines
from evenfall.instrument.geometry import fret_distance_mm
from evenfall.measurement import Measurement
from evenfall.neck.bow import Bow, crown_shift_mm, default_bow

_LEAN_SIGNIFICANT = 2.0
"""A lean of the curvature counts if it is this many standard uncertainties from zero."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """How a neck bowed between two profiles, K strings over F frets."""

    relief_change_mm: float  # second profile less first
    relief_change_u_mm: float
    tension_n: float  # change of the strings' pull; 0 where only the rod was turned
    bow: Bow  # its size by the relief that the default bow reads
    residual_mm: float  # root mean square of what the shape leaves unexplained
    residual_ratio: float  # the same over the readings' u: about 1 if right, NaN without u
    leaning: bool  # whether the curvature was found to change along the neck

    @property
    def relief_mm_per_n(self) -> float:
        """Relief per newton of tension [mm/N]."""
        return self.relief_change_mm / self.tension_n

    @property
    def relief_u_mm_per_n(self) -> float:
        """Its standard uncertainty [mm/N], from the readings."""
        return self.relief_change_u_mm / abs(self.tension_n)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {name: value for name, value in plain(self).items() if name != "bow"}


def calibrate(
    specification: Specification,
    lines: StringLines,
    first: Measurement,
    second: Measurement,
    *,
    tension_n: float = 0.0,
) -> Calibration:
    """Return how a neck bowed between two profiles of the same frets.

    The difference of the crown tops is fitted, by weighted least squares, with a straight line
    under each string (the two datums) and the bow of a curvature that is the same all along the
    neck, or leans from nut to joint where the readings show that it does. The profiles were read
    unstrung and strung, with that change of tension [N], or before and after a turn of the rod; no
    fret may have been worked on between them.
    """
    shape = (specification.string_count, specification.frets)
    for profile in (first, second):
        if profile.crown_top_mm.shape != shape:
            raise RequestError(
                "Both profiles must be of this instrument: {strings:count string} and "
                "{frets:count fret}.",
                strings=shape[0],
                frets=shape[1],
            )
    change = second.crown_top_mm - first.crown_top_mm
    uncertainty = np.hypot(first.heights.crown_top_u_mm, second.heights.crown_top_u_mm)
    known = np.isfinite(change).all(axis=0)
    if int(known.sum()) < 5:
        raise RequestError("The two profiles share fewer than five frets; read more frets.")
    uncertainty = np.where(np.isfinite(uncertainty) & (uncertainty > 0.0), uncertainty, np.nan)
    stated = bool(np.isfinite(uncertainty).all())
    weight = 1.0 / uncertainty if stated else np.ones(shape)

    joint = float(fret_distance_mm(1.0, specification.board.joint_fret))
    place = np.linspace(0.0, joint, 65)
    usual = default_bow(specification, lines)
    even = crown_shift_mm(specification, lines, place, np.ones_like(place))
    even /= usual.relief_mm(even)
    lean = crown_shift_mm(specification, lines, place, place / joint - 0.5)
    lean -= usual.relief_mm(lean) * even  # the lean alone shows no relief
    lean /= np.abs(lean).max()
    station = lines.station_mm[:, 1:]

    def fitted(shapes: list[FloatArray]) -> tuple[FloatArray, FloatArray, FloatArray, float]:
        count = shape[0]
        design = np.zeros((*shape, 2 * count + len(shapes)))
        for k in range(count):
            design[k, :, 2 * k] = 1.0
            design[k, :, 2 * k + 1] = station[k] / station[k, -1]
        for column, bow in enumerate(shapes, start=2 * count):
            design[:, :, column] = bow
        matrix = (design * weight[:, :, None])[:, known].reshape(-1, design.shape[2])
        target = (change * weight)[:, known].ravel()
        answer = np.linalg.lstsq(matrix, target, rcond=None)[0]
        left = target - matrix @ answer
        freedom = max(len(target) - len(answer), 1)
        covariance = np.linalg.pinv(matrix.T @ matrix)
        scatter = float((left**2).sum()) / freedom
        if not stated or scatter > 1.0:  # what the shape does not explain, the uncertainty shows
            covariance *= scatter
        spread = np.asarray(np.sqrt(np.diag(covariance))[2 * count :], dtype=float)
        return (
            np.asarray(answer[2 * count :], dtype=float),
            spread,
            left / weight[:, known].ravel(),
            scatter,
        )

    amount, spread, left, scatter = fitted([even, lean])
    leaning = bool(abs(amount[1]) > _LEAN_SIGNIFICANT * spread[1])
    if not leaning:
        amount, spread, left, scatter = fitted([even])
    frets = even + (amount[1] / amount[0] * lean if leaning and amount[0] else 0.0)
    return Calibration(
        relief_change_mm=float(amount[0]),
        relief_change_u_mm=float(spread[0]),
        tension_n=tension_n,
        bow=Bow(frets=frets, weights=usual.weights),
        residual_mm=float(np.sqrt((left**2).mean())),
        residual_ratio=float(np.sqrt(scatter)) if stated else float("nan"),
        leaning=leaning,
    )
