"""Crown tops from relief and the three-fret rocking test, without a datum.

Every string is taken by itself. Its crowns lie on the neck's bow, whose size its relief readings
give, or those of the others where it has none; frets on which a short straightedge rocked stand off
it by amounts that the gaps give. A relief reading that names no string is taken to lie under the
string that work sheets ask for: over a fret that is high under one side, it is off by more under
another. The straight datum is the line over fret 1 and the last fret (any straight line serves).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.errors import At, Finding
from evenfall.instrument import Specification, StringLines
from evenfall.measurement import Origin
from evenfall.measurement.causes import Causes
from evenfall.neck import default_bow
from evenfall.neck.bow import relief_point
from evenfall.neck.gaps import line_gap_weights, rocking_gap_weights
from evenfall.sheets.crown_tops import CrownTops, add_reading
from evenfall.sheets.means import COVERAGE_FACTOR, Key, Mean, at_key, named
from evenfall.sheets.readings import at_places, rows_by_file
from evenfall.wording import sentence

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
class _Solved:
    """What the gaps on one string's line say."""

    gaps: tuple[_Gap, ...]
    silent: tuple[int, ...]  # frets that did not rock
    relief_of: FloatArray  # weights of the gaps in its relief, after that of the relief elsewhere
    height_of: FloatArray  # and in its crown tops, (F, as many)

    @property
    def observed_mm(self) -> list[float]:
        """What was read."""
        return [gap.mean.value_mm for gap in self.gaps]


@dataclass(frozen=True, slots=True)
class _Elsewhere:
    """Relief for strings without a reading: the mean of the others [mm], as their weighted sum."""

    value_mm: float
    shares: tuple[tuple[_Solved, float], ...]
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
    middle = relief_point(specification, lines)[1] - 1
    relief = _relief_readings(means, shape, lines, middle)
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
    solved: list[_Solved | None] = []
    for k in range(count):
        station = lines.station_mm[k, 1:]
        gaps = [_Gap(line_gap_weights(station, *mean.key[2]), mean) for mean in relief[k]]
        gaps += [
            _Gap(rocking_gap_weights(station, *key[2]), mean)
            for key, mean in sorted(means.items())
            if key[0] == "rocking" and key[1] == k + 1
        ]
        solved.append(_solve(gaps, shape[k], own_relief=bool(relief[k])))
        if solved[k] is None:
            findings.append(_unsettled(k, gaps))
    own = [one for one, readings in zip(solved, relief, strict=True) if one and readings]
    general = _relief_elsewhere(own) if own else None
    for k, one in enumerate(solved):
        if one is not None and (relief[k] or general):
            before = [] if relief[k] or general is None else [general.value_mm]
            height[k] = one.height_of @ [*before, *one.observed_mm]
            findings += _residuals(one.gaps, height[k])
    line_u_mm = _line_u_mm(solved, height, middle)
    for k, one in enumerate(solved):
        if one is not None and np.isfinite(height[k]).all():
            _add_causes(causes, k, one, None if relief[k] else general, line_u_mm)
    origin = np.where(np.isfinite(height), Origin.DERIVED, Origin.MISSING).astype(np.int8)
    route = sentence(
        "Crown tops were worked out from relief and the three-fret rocking test: frets that did "
        "not rock lie on the neck's default bow scaled by the relief, frets that rocked stand off "
        "it by the gaps read."
    )
    text = (
        "The crown tops come from relief and rocking only, which shows a fret against its two "
        "neighbours and misses less than {limit:length}; read crown_top where more is wanted."
    )
    if not any(key[0] == "rocking" for key in means):
        text = (
            "No rocking was read, so no fret is taken to be high: lay a short straightedge over "
            "every three frets and write down where it rocks by {limit:length} or more, or read "
            "crown_top."
        )
    findings.append(
        Finding(
            "route",
            text,
            At(field="crown_top"),
            "note",
            limit=DETECTION_LIMIT_MM,
        )
    )
    return CrownTops(height, origin, causes, (route,)), findings


def _add_causes(
    causes: Causes, k: int, own: _Solved, general: _Elsewhere | None, line_u_mm: Mapping[Key, float]
) -> None:
    """Add what each reading, and each fret that escaped the test, does to the crowns of a string.

    A relief reading that names no string was taken on a line of its own: its error, and what
    escaped on that line, are one for all strings that go by it.
    """

    def add(one: _Solved, gap: _Gap, at: tuple[int, int], weight: float) -> None:
        add_reading(causes, gap.mean, at, weight)
        key = gap.mean.key
        if key in line_u_mm:
            causes.add(("line", key), "relief-elsewhere", at, weight * line_u_mm[key])
        for fret in one.silent:
            effect = weight * float(gap.weights[fret]) * DETECTION_U_MM
            if effect:
                causes.add(("escaped", key[1], fret), "detection-limit", at, effect)

    first = 0 if general is None else 1
    for j, row in enumerate(own.height_of.tolist()):
        at = (k, j + 1)
        if general is not None:
            for other, share in general.shares:
                for gap, weight in zip(other.gaps, other.relief_of.tolist(), strict=True):
                    add(other, gap, at, row[0] * share * weight)
            causes.add(
                ("relief elsewhere", k),
                "relief-elsewhere",
                at,
                row[0] * general.spread_u_mm,
                general.spread_degrees_of_freedom,
            )
        for gap, weight in zip(own.gaps, row[first:], strict=True):
            add(own, gap, at, weight)
        if j in own.silent:
            causes.add(("escaped", k + 1, j), "detection-limit", at, -DETECTION_U_MM)


def _line_u_mm(
    solved: Sequence[_Solved | None], height_mm: FloatArray, middle: int
) -> dict[Key, float]:
    """Return what is open of relief readings that name no string, by reading [mm].

    They may have been taken under another string than the middle one: where a fret that rocked was
    among their three, there they would have shown another gap.
    """
    found: dict[Key, float] = {}
    if (one := solved[middle]) is None:
        return found
    known = [other for other in solved if other is not None]
    rocked = ~np.all([np.isin(np.arange(height_mm.shape[1]), o.silent) for o in known], axis=0)
    for gap in one.gaps:
        if gap.mean.key[:2] == ("relief", 0) and gap.weights[rocked].any():
            seen = height_mm @ gap.weights
            apart = seen[np.isfinite(seen)] - seen[middle]
            found[gap.mean.key] = float(np.sqrt(np.square(apart).mean()))
    return found


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
    means: Mapping[Key, Mean], shape: FloatArray, lines: StringLines, middle: int
) -> list[list[Mean]]:
    """Return the relief readings of each string; one that names none is of the middle string."""
    return [
        [
            mean
            for key, mean in sorted(means.items())
            if key[0] == "relief"
            and (key[1] - 1 if key[1] else middle) == k
            and _gain(mean, lines.station_mm[k, 1:], bow) > LEAST_GAIN
        ]
        for k, bow in enumerate(shape)
    ]


def _relief_elsewhere(found: list[_Solved]) -> _Elsewhere:
    """Return the relief for strings without a reading: the mean of the others, with its spread."""
    count = len(found)
    estimates = [float(one.relief_of @ one.observed_mm) for one in found]
    spread = float(np.var(estimates, ddof=1)) if count > 1 else 0.0
    # what another string may differ by: as much as those that were read, and their uncertainty
    reading = sum(
        (weight * gap.mean.u_mm) ** 2
        for one in found
        for gap, weight in zip(one.gaps, one.relief_of.tolist(), strict=True)
    )
    other_u_mm = math.sqrt(spread + reading / count - reading / count**2)
    return _Elsewhere(
        value_mm=float(np.mean(estimates)),
        shares=tuple((one, 1.0 / count) for one in found),
        spread_u_mm=other_u_mm,
        spread_degrees_of_freedom=count - 1.0 if spread > 0.0 else math.inf,
    )


def _solve(gaps: list[_Gap], shape: FloatArray, *, own_relief: bool) -> _Solved | None:
    """Return what the gaps on one string's line say; None if they do not settle its heights.

    Where the string has no relief reading, the first weight is that of the relief of the others.
    """
    frets = len(shape)
    rocked = sorted({gap.mean.key[2][0] - 1 for gap in gaps if gap.mean.key[0] == "rocking"})
    silent = tuple(fret for fret in range(frets) if fret not in rocked)
    weights = np.array([gap.weights for gap in gaps]).reshape(len(gaps), frets)
    design = np.column_stack([weights @ shape, weights[:, rocked]])
    if not own_relief:
        design = np.vstack([np.eye(1, design.shape[1]), design])
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return None
    solver = np.linalg.pinv(design)
    height_of = np.column_stack([shape, np.eye(frets)[:, rocked]]) @ solver
    return _Solved(tuple(gaps), silent, solver[0], height_of)


def _unsettled(k: int, gaps: list[_Gap]) -> Finding:
    middles = sorted({gap.mean.key[2][0] for gap in gaps if gap.mean.key[0] == "rocking"})
    return Finding(
        "missing",
        "The gaps on {on:strings} do not settle the heights of {middles:frets}; read the gap at "
        "the other end of each as well.",
        At(field="rocking", strings=(k + 1,), frets=tuple(middles)),
        "error",
        on=k + 1,
        middles=middles,
    )


def _residuals(gaps: Sequence[_Gap], height: FloatArray) -> list[Finding]:
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
