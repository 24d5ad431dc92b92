"""Crown tops from relief and the three-fret rocking test, without a datum.

Every string is taken by itself. Its crowns lie on the neck's bow, whose size the relief readings
give; frets on which a short straightedge rocked stand off it by amounts that the gaps give. The
straight datum is the line over fret 1 and the last fret (any straight line serves as well).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.errors import At, Finding
from evenfall.measurement import Origin
from evenfall.measurement.causes import Causes
from evenfall.neck import default_bow
from evenfall.neck.gaps import line_gap_weights, rocking_gap_weights
from evenfall.sheets.crown_tops import CrownTops, add_reading
from evenfall.sheets.means import COVERAGE_FACTOR, Key, Mean, at_key, named
from evenfall.sheets.readings import at_places, rows_by_file
from evenfall.wording import sentence

if TYPE_CHECKING:
    from evenfall.arrays import FloatArray
    from evenfall.instrument import Specification, StringLines

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
    mean: Mean


@dataclass(frozen=True, slots=True)
class _Elsewhere:
    """Relief for strings without a reading: the mean of the others [mm], as their weighted sum."""

    value_mm: float
    shares: tuple[tuple[_Gap, float], ...]
    spread_u_mm: float
    spread_degrees_of_freedom: float


def crown_tops_from_bow(
    means: Mapping[Key, Mean], specification: Specification, lines: StringLines
) -> tuple[CrownTops, list[Finding]]:
    """Return crown tops worked out from relief and rocking readings, one relief at least.

    With z = g t + d + e (g the bow's shape for 1 mm of relief, t the relief, d the deviations of
    the frets that rocked, e those that escaped the test, each with `DETECTION_U_MM`), every gap is
    y = w z + r. Least squares for t and d gives heights B y, whose errors B(W e + r) - E e follow
    exactly (JCGM 100:2008, 5.1.2, linear model); E picks the frets that did not rock.
    """
    count, frets = specification.string_count, specification.frets
    shape = _shape_over_end_frets(specification, lines)
    findings: list[Finding] = []
    height = np.full((count, frets), np.nan)
    causes = Causes(count, frets)
    relief = _relief_readings(means, shape, lines)
    if not any(relief):
        places = [p for key, mean in means.items() if key[0] == "relief" for p in mean.places]
        text = (
            "Relief was read where the neck hardly bows{rows}; read it near the middle between "
            "fret 1 and fret {last}."
        )
        at = at_places(places, field="relief")
        fault = Finding("missing", text, at, "error", rows=rows_by_file(places), last=frets)
        missing = np.full((count, frets), Origin.MISSING, dtype=np.int8)
        return CrownTops(height, missing, causes, ()), [fault]
    general = _relief_elsewhere(relief, shape, lines)
    for k in range(count):
        station = lines.station_mm[k, 1:]
        gaps = [_Gap(line_gap_weights(station, *mean.key[2]), mean) for mean in relief[k]]
        gaps += [
            _Gap(rocking_gap_weights(station, *key[2]), mean)
            for key, mean in sorted(means.items())
            if key[0] == "rocking" and key[1] == k + 1
        ]
        height_of, silent = _solve(gaps, shape[k], own_relief=bool(relief[k]))
        if height_of is None:
            middles = sorted({gap.mean.key[2][0] for gap in gaps if gap.mean.key[0] == "rocking"})
            findings.append(
                Finding(
                    "missing",
                    "The gaps on {on:strings} do not settle the heights of {middles:frets}; read "
                    "the gap at the other end of each as well.",
                    At(field="rocking", strings=(k + 1,), frets=tuple(middles)),
                    "error",
                    on=k + 1,
                    middles=middles,
                )
            )
            continue
        observed = [gap.mean.value_mm for gap in gaps]
        if not relief[k]:
            observed.insert(0, general.value_mm)
        height[k] = height_of @ observed
        elsewhere = None if relief[k] else general
        _add_causes(causes, k, height_of, silent, gaps=gaps, general=elsewhere)
        findings += _residuals(gaps, height[k])
    origin = np.where(np.isfinite(height), Origin.DERIVED, Origin.MISSING).astype(np.int8)
    route = sentence(
        "Crown tops were worked out from relief and the three-fret rocking test: frets that did "
        "not rock lie on the neck's default bow scaled by the relief, frets that rocked stand off "
        "it by the gaps read."
    )
    findings.append(
        Finding(
            "route",
            "The crown tops come from relief and rocking only, which shows a fret against its two "
            "neighbours and misses less than {limit:length}; read crown_top where more is wanted.",
            At(field="crown_top"),
            "note",
            limit=DETECTION_LIMIT_MM,
        )
    )
    return CrownTops(height, origin, causes, (route,)), findings


def _add_causes(
    causes: Causes,
    k: int,
    height_of: FloatArray,
    silent: list[int],
    *,
    gaps: list[_Gap],
    general: _Elsewhere | None,
) -> None:
    """Add what each reading, and each fret that escaped the test, does to the crowns of a string.

    A relief reading that names no string was taken on a line of its own: its error, and what
    escaped on that line, are one for all strings that go by it.
    """

    def add(gap: _Gap, at: tuple[int, int], weight: float, frets: list[int]) -> None:
        add_reading(causes, gap.mean, at, weight)
        for fret in frets:
            effect = weight * float(gap.weights[fret]) * DETECTION_U_MM
            if effect:
                line = ("escaped", gap.mean.key[1], fret)
                causes.add(line, "detection-limit", at, effect)

    first = 0 if general is None else 1
    for j, row in enumerate(height_of.tolist()):
        at = (k, j + 1)
        if general is not None:
            for gap, share in general.shares:
                add(gap, at, row[0] * share, list(range(len(gap.weights))))
            causes.add(
                ("relief elsewhere", k),
                "relief-elsewhere",
                at,
                row[0] * general.spread_u_mm,
                general.spread_degrees_of_freedom,
            )
        for gap, weight in zip(gaps, row[first:], strict=True):
            add(gap, at, weight, silent)
        if j in silent:
            causes.add(("escaped", k + 1, j), "detection-limit", at, -DETECTION_U_MM)


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
) -> _Elsewhere:
    """Return the relief for strings without a reading: the mean of the others, with its spread."""
    found = []
    for k, readings in enumerate(relief):
        station = lines.station_mm[k, 1:]
        for mean in readings:
            gap = _Gap(line_gap_weights(station, *mean.key[2]), mean)
            found.append((gap, _gain(mean, station, shape[k])))
    count = len(found)
    estimates = [gap.mean.value_mm / gain for gap, gain in found]
    spread = float(np.var(estimates, ddof=1)) if count > 1 else 0.0
    # what another string may differ by: as much as those that were read, and their uncertainty
    reading = sum((gap.mean.u_mm / gain) ** 2 for gap, gain in found)
    other_u_mm = math.sqrt(spread + reading / count - reading / count**2)
    return _Elsewhere(
        value_mm=float(np.mean(estimates)),
        shares=tuple((gap, 1.0 / (gain * count)) for gap, gain in found),
        spread_u_mm=other_u_mm,
        spread_degrees_of_freedom=count - 1.0 if spread > 0.0 else math.inf,
    )


def _solve(
    gaps: list[_Gap], shape: FloatArray, *, own_relief: bool
) -> tuple[FloatArray | None, list[int]]:
    """Return the weights of the gaps in the crowns of one string, and the frets that did not rock.

    Where the string has no relief reading, the first weight is that of the relief of the others.
    None if the gaps do not settle the heights.
    """
    frets = len(shape)
    rocked = sorted({gap.mean.key[2][0] - 1 for gap in gaps if gap.mean.key[0] == "rocking"})
    silent = [fret for fret in range(frets) if fret not in rocked]
    weights = np.array([gap.weights for gap in gaps]).reshape(len(gaps), frets)
    design = np.column_stack([weights @ shape, weights[:, rocked]])
    if not own_relief:
        design = np.vstack([np.eye(1, design.shape[1]), design])
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return None, silent
    return np.column_stack([shape, np.eye(frets)[:, rocked]]) @ np.linalg.pinv(design), silent


def _residuals(gaps: list[_Gap], height: FloatArray) -> list[Finding]:
    """Return a finding for each gap that the heights found do not reproduce."""
    findings = []
    for gap in gaps:
        mean = gap.mean
        expected = float(gap.weights @ height)
        noise = np.hypot(mean.u_mm, DETECTION_U_MM * float(np.linalg.norm(gap.weights)))
        if abs(expected - mean.value_mm) > max(0.05, COVERAGE_FACTOR * noise):
            findings.append(
                Finding(
                    "disagree",
                    "The {what} is {value:length}, but the other gaps on that string give "
                    "{expected:length}{rows}; read it again.",
                    at_key(mean.key, mean.places),
                    what=named(mean.key),
                    value=mean.value_mm,
                    expected=expected,
                    rows=rows_by_file(mean.places),
                )
            )
    return findings
