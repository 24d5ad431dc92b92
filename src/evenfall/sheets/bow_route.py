"""Crown tops from relief and the three-fret rocking test, without a datum.

Every string is taken by itself. Its crowns lie on the neck's bow, whose size the relief readings
give; frets on which a short straightedge rocked stand off it by amounts that the gaps give. The
straight datum is the line over fret 1 and the last fret (any straight line serves as well).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.errors import Finding
from evenfall.measurement import Origin
from evenfall.neck import default_bow
from evenfall.sheets.crown_tops import CrownTops
from evenfall.sheets.gaps import line_gap_weights, rocking_gap_weights
from evenfall.sheets.repeats import COVERAGE_FACTOR, Key, Mean, label, listed
from evenfall.sheets.rows import rows_text
from evenfall.units import length_text

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from evenfall.instrument import Specification, StringLines

    FloatArray = NDArray[np.float64]

DETECTION_LIMIT_MM = 0.02
"""Smallest gap [mm] that a rocking straightedge shows (common practice, no source)."""

DETECTION_U_MM = DETECTION_LIMIT_MM / 3.0**0.5
"""Standard uncertainty [mm] of a fret that did not rock: rectangular, ± the detection limit."""

LEAST_GAIN = 0.1
"""A place where 1 mm of relief opens less than this [mm] says nothing of the relief."""


@dataclass(frozen=True, slots=True)
class _Gap:
    """One observed gap on one string's line."""

    weights: FloatArray
    value_mm: float
    u_mm: float
    mean: Mean


def crown_tops_from_bow(
    means: Mapping[Key, Mean], specification: Specification, lines: StringLines
) -> tuple[CrownTops, list[Finding]]:
    """Return crown tops worked out from relief and rocking readings, with their covariance.

    With z = g t + d + e (g the bow's shape for 1 mm of relief, t the relief, d the deviations of
    the frets that rocked, e those that escaped the test, each with `DETECTION_U_MM`), every gap is
    y = w z + r. Least squares for t and d, and the covariance of the errors W(B e + r) - E e of
    the estimated heights, follow exactly (JCGM 100:2008, 5.1.2, linear model).

    Parameters
    ----------
    means
        The readings; at least one relief.
    specification, lines
        The instrument and its string lines.
    """
    count, frets = specification.string_count, specification.frets
    shape = _shape_over_end_frets(specification, lines)
    findings: list[Finding] = []
    height = np.full((count, frets), np.nan)
    covariance = np.zeros((count, frets, frets))
    relief = _relief_readings(means, shape, lines)
    if not any(relief):
        rows = rows_text(
            p for key, mean in means.items() if key[0] == "relief" for p in mean.places
        )
        sentence = (
            f"Relief was read where the neck hardly bows ({rows}); read it near the middle of "
            "frets 1 and the last."
        )
        missing = np.full((count, frets), Origin.MISSING, dtype=np.int8)
        fault = Finding("missing", sentence, rows, "error")
        return CrownTops(height, covariance, missing, ()), [fault]
    general = _relief_elsewhere(relief, shape, lines)
    for k in range(count):
        station = lines.station_mm[k, 1:]
        gaps = [
            _Gap(line_gap_weights(station, *mean.key[2]), mean.value_mm, mean.u_mm, mean)
            for mean in relief[k]
        ]
        gaps += [
            _Gap(rocking_gap_weights(station, *key[2]), mean.value_mm, mean.u_mm, mean)
            for key, mean in sorted(means.items())
            if key[0] == "rocking" and key[1] == k + 1
        ]
        result = _solve(gaps, shape[k], None if relief[k] else general)
        if result is None:
            middles = {gap.mean.key[2][0] for gap in gaps if gap.mean.key[0] == "rocking"}
            findings.append(
                Finding(
                    "missing",
                    f"The gaps on string {k + 1} do not settle the heights of frets "
                    f"{listed(middles)}; read the gap at the other end of each as well.",
                    f"string {k + 1}",
                    "error",
                )
            )
            continue
        height[k], covariance[k] = result
        findings += _residuals(gaps, height[k])
    origin = np.where(np.isfinite(height), Origin.DERIVED, Origin.MISSING).astype(np.int8)
    route = (
        "Crown tops were worked out from relief and the three-fret rocking test: frets that did "
        "not rock lie on the neck's default bow scaled by the relief, frets that rocked stand off "
        "it by the gaps read."
    )
    findings.append(
        Finding(
            "route",
            "The crown tops come from relief and rocking only, which shows a fret against its two "
            f"neighbours and misses less than {length_text(DETECTION_LIMIT_MM)}; read crown_top "
            "where more is wanted.",
            "crown_top",
            "note",
        )
    )
    return CrownTops(height, covariance, origin, (route,)), findings


def _shape_over_end_frets(specification: Specification, lines: StringLines) -> FloatArray:
    """Return the height of each crown per mm of relief, over the line on fret 1 and the last."""
    station = lines.station_mm[:, 1:]
    bow = default_bow(specification, lines).frets
    share = (station - station[:, :1]) / (station[:, -1:] - station[:, :1])
    return bow - (1.0 - share) * bow[:, :1] - share * bow[:, -1:]


def _gain(mean: Mean, station: FloatArray, shape: FloatArray) -> float:
    """Return the gap that 1 mm of relief opens where a reading was taken."""
    return float(line_gap_weights(station, *mean.key[2]) @ shape)


def _relief_readings(
    means: Mapping[Key, Mean], shape: FloatArray, lines: StringLines
) -> list[list[Mean]]:
    """Return the relief readings of each string: its own, else those for all strings."""
    readings: list[list[Mean]] = []
    for k, bow in enumerate(shape):
        telling = [
            mean
            for key, mean in sorted(means.items())
            if key[0] == "relief"
            and key[1] in (0, k + 1)
            and _gain(mean, lines.station_mm[k, 1:], bow) > LEAST_GAIN
        ]
        readings.append([mean for mean in telling if mean.key[1]] or telling)
    return readings


def _relief_elsewhere(
    relief: list[list[Mean]], shape: FloatArray, lines: StringLines
) -> tuple[float, float]:
    """Return relief and uncertainty [mm] for strings without a reading: mean of the others."""
    estimates: list[float] = []
    variances: list[float] = []
    for k, readings in enumerate(relief):
        for mean in readings:
            gain = _gain(mean, lines.station_mm[k, 1:], shape[k])
            estimates.append(mean.value_mm / gain)
            variances.append((mean.u_mm / gain) ** 2)
    spread = float(np.var(estimates, ddof=1)) if len(estimates) > 1 else 0.0
    return float(np.mean(estimates)), float(np.sqrt(spread + np.mean(variances)))


def _solve(
    gaps: list[_Gap], shape: FloatArray, stated_relief: tuple[float, float] | None
) -> tuple[FloatArray, FloatArray] | None:
    """Return the crown heights of one string and their covariance; None if not settled."""
    frets = len(shape)
    named = sorted({gap.mean.key[2][0] - 1 for gap in gaps if gap.mean.key[0] == "rocking"})
    silent = np.setdiff1d(np.arange(frets), named)
    weights = np.array([gap.weights for gap in gaps]).reshape(len(gaps), frets)
    design = np.column_stack([weights @ shape, weights[:, named]])
    escaped = weights[:, silent]
    observed = np.array([gap.value_mm for gap in gaps])
    u = np.array([gap.u_mm for gap in gaps])
    if stated_relief is not None:
        design = np.vstack([np.eye(1, design.shape[1]), design])
        escaped = np.vstack([np.zeros((1, len(silent))), escaped])
        observed = np.concatenate([[stated_relief[0]], observed])
        u = np.concatenate([[stated_relief[1]], u])
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return None
    solver = np.linalg.pinv(design)
    heights_of = np.column_stack([shape, np.eye(frets)[:, named]])
    carried = heights_of @ solver
    height = carried @ observed
    unseen = carried @ escaped - np.eye(frets)[:, silent]
    covariance = unseen @ unseen.T * DETECTION_U_MM**2 + (carried * u**2) @ carried.T
    return height, covariance


def _residuals(gaps: list[_Gap], height: FloatArray) -> list[Finding]:
    """Return a finding for each gap that the heights found do not reproduce."""
    findings = []
    for gap in gaps:
        expected = float(gap.weights @ height)
        difference = abs(expected - gap.value_mm)
        noise = np.hypot(gap.u_mm, DETECTION_U_MM * float(np.linalg.norm(gap.weights)))
        if difference > max(0.05, COVERAGE_FACTOR * noise):
            rows = rows_text(gap.mean.places)
            findings.append(
                Finding(
                    "disagree",
                    f"The {label(gap.mean.key)} is {length_text(gap.value_mm)}, but the "
                    f"other gaps on that string give {length_text(expected)} ({rows}); read it "
                    "again.",
                    rows,
                    "warning",
                )
            )
    return findings
