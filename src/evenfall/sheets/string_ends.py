"""Nut slots and saddle: as read, or where the open strings point to over the crowns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import CodeArray, FloatArray, numbered
from evenfall.errors import At, Finding
from evenfall.instrument import Specification, StringLines
from evenfall.measurement import Heights, Origin
from evenfall.sheets.crown_tops import add_reading, robust_line
from evenfall.sheets.means import COVERAGE_FACTOR, Key, Mean
from evenfall.sheets.quantities import NUT_LINE_LIMIT_MM, SADDLE_LINE_LIMIT_MM
from evenfall.sheets.readings import Place, at_places, rows_by_file
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from evenfall.sheets.crown_tops import CrownTops

LEAST_SPAN_SHARE = 0.2
"""Points closer together than this share of the string point to nut and saddle too loosely."""

STRAIGHT_MM = 0.05
"""Least departure [mm] of action readings from a straight string that is called one."""

_ENDS = (("nut_slot", 0), ("saddle", -1))
"""What is read at each end of a string, and its column in `Heights`."""


def string_ends(
    means: Mapping[Key, Mean],
    tops: CrownTops,
    specification: Specification,
    lines: StringLines,
) -> tuple[Heights, tuple[Sentence, ...], list[Finding]]:
    """Return the crown tops with nut and saddle, how these were obtained, and findings.

    What was read stays as read. The rest lies on the open string: the straight line through what
    is known of it (the end that was read, and crown top plus action at two frets or more), by
    least squares; so each end has causes of uncertainty in common with the crowns it comes from.
    """
    count, frets = specification.string_count, specification.frets
    height = np.full((count, frets + 2), np.nan)
    origin = np.full((count, frets + 2), Origin.MISSING, dtype=np.int8)
    height[:, 1:-1], origin[:, 1:-1] = tops.height_mm, tops.origin
    findings: list[Finding] = []
    close: list[int] = []
    for k in range(count):
        for name, column in _ENDS:
            if (mean := means.get((name, k + 1, ()))) is not None:
                datum = 0.0 if tops.datum_mm is None else tops.datum_mm[k, column]
                height[k, column], origin[k, column] = mean.value_mm + datum, Origin.READ
                add_reading(tops.causes, mean, (k, column % (frets + 2)), 1.0)
            elif tops.ends_mm is not None and np.isfinite(tops.ends_mm[k, column]):
                height[k, column], origin[k, column] = tops.ends_mm[k, column], Origin.READ
        missing = [column for _, column in _ENDS if origin[k, column] == Origin.MISSING]
        points = _known_points(k, means, height[k], lines)
        if not missing or len(points) < 2:
            continue
        reach = float(lines.saddle_station_mm[k])
        x = np.array([point.x_mm for point in points])
        y = np.array([point.height_mm for point in points])
        design = np.column_stack([np.ones_like(x), x])
        solver = np.linalg.pinv(design)
        bend = float(np.max(np.abs(design @ solver @ y - y)))
        noise = max(
            np.hypot(tops.causes.u_mm((k, p.column)), 0.0 if p.action is None else p.action.u_mm)
            for p in points
        )
        if bend > max(STRAIGHT_MM, COVERAGE_FACTOR * float(noise)):
            read = [place for p in points if p.action is not None for place in p.action.places]
            findings.append(_bent(k, bend, read))
        for column in missing:
            shares = np.array([1.0, reach if column else 0.0]) @ solver
            at = (k, column % (frets + 2))
            height[k, column], origin[k, column] = shares @ y, Origin.DERIVED
            weights = np.zeros_like(height)
            for point, share in zip(points, shares.tolist(), strict=True):
                weights[k, point.column] += share
            tops.causes.derive(at, weights)
            for point, share in zip(points, shares.tolist(), strict=True):
                if point.action is not None:
                    add_reading(tops.causes, point.action, at, share)
        if np.ptp(x) < LEAST_SPAN_SHARE * reach:
            close.append(k + 1)
    if close:
        findings.append(
            Finding(
                "route",
                "Nut and saddle of {on:strings} are extrapolated from actions close together; read "
                "one over fret 1 and one over fret {reference} or higher.",
                At(field="action", strings=tuple(close)),
                on=close,
                reference=specification.scale.reference_fret,
            )
        )
    findings += _missing(origin, means, specification)
    findings += _off_line(height, origin, means, lines)
    return tops.causes.heights(height, origin), _routes(origin, means), findings


@dataclass(frozen=True, slots=True)
class _Point:
    """A point of an open string: a height, and the action over it where it is a crown."""

    x_mm: float
    height_mm: float
    column: int
    action: Mean | None = None


def _known_points(
    k: int, means: Mapping[Key, Mean], height: FloatArray, lines: StringLines
) -> list[_Point]:
    """Return what is known of the open string: crowns plus action, and the ends that were read."""
    points = [
        _Point(float(lines.station_mm[k, fret]), float(height[fret]) + mean.value_mm, fret, mean)
        for (quantity, string, frets), mean in sorted(means.items())
        for fret in frets[:1]
        if quantity == "action" and string == k + 1 and np.isfinite(height[fret])
    ]
    reach = (0.0, float(lines.saddle_station_mm[k]))
    for x, column in zip(reach, (0, len(height) - 1), strict=True):
        if np.isfinite(height[column]):
            points.append(_Point(x, float(height[column]), column))
    return points


def _bent(k: int, bend_mm: float, places: list[Place]) -> Finding:
    return Finding(
        "disagree",
        "The actions read on string {string} miss a straight string by {bend:length}{rows}; "
        "read them again, and the crowns under them.",
        at_places(places, field="action", strings=(k + 1,)),
        string=k + 1,
        bend=bend_mm,
        rows=rows_by_file(places),
    )


def _missing(
    origin: CodeArray, means: Mapping[Key, Mean], specification: Specification
) -> list[Finding]:
    """Return one error for each end that is still missing.

    Two actions give both ends. Where they were read it is the crowns under them that are missing,
    and that is said about the crowns.
    """
    actions = np.zeros(len(origin), dtype=int)
    for quantity, string, _ in means:
        if quantity == "action":
            actions[string - 1] += 1
    findings = []
    for name, column in _ENDS:
        strings = numbered((origin[:, column] == Origin.MISSING) & (actions < 2))
        if strings:
            findings.append(
                Finding(
                    "missing",
                    "The {name} is missing on {on:strings}; read it, or the action over frets 1 "
                    "and {reference} instead.",
                    At(field=name, strings=strings),
                    "error",
                    name=name,
                    on=strings,
                    reference=specification.scale.reference_fret,
                )
            )
    return findings


def _off_line(
    height: FloatArray, origin: CodeArray, means: Mapping[Key, Mean], lines: StringLines
) -> list[Finding]:
    """Return errors for ends that were read far off the line of the crowns."""
    findings = []
    for (name, column), limit in zip(_ENDS, (NUT_LINE_LIMIT_MM, SADDLE_LINE_LIMIT_MM), strict=True):
        for k in np.flatnonzero(origin[:, column] == Origin.READ).tolist():
            known = np.isfinite(height[k, 1:-1])
            if known.sum() < 3:
                continue
            x = lines.station_mm[k, 1:][known]
            intercept, slope = robust_line(x, height[k, 1:-1][known])
            reach = lines.saddle_station_mm[k] if column else 0.0
            off = float(height[k, column] - intercept - slope * reach)
            mean = means.get((name, k + 1, ()))
            if abs(off) > limit and mean is not None:
                places = mean.places
                findings.append(
                    Finding(
                        "implausible",
                        "The {name} of string {string} lies {off:length} {side} the line of the "
                        "crowns{rows}, which cannot be; check the decimal point, the unit and "
                        "the datum.",
                        at_places(places, strings=(k + 1,)),
                        "error",
                        name=name,
                        string=k + 1,
                        off=abs(off),
                        side=sentence("over") if off > 0 else sentence("under"),
                        rows=rows_by_file(places),
                    )
                )
    return findings


def _routes(origin: CodeArray, means: Mapping[Key, Mean]) -> tuple[Sentence, ...]:
    routes = []
    for what, (name, column) in zip(("Nut slots", "Saddle heights"), _ENDS, strict=True):
        derived = origin[:, column] == Origin.DERIVED
        if all((name, k + 1, ()) in means for k in range(len(origin))):
            routes.append(sentence("{what} were read over the datum.", what=sentence(what)))
        elif derived.any():
            on = numbered(derived)
            routes.append(
                sentence(
                    "{what}{which} were worked out from the open string's line through crown tops "
                    "plus action.",
                    what=sentence(what),
                    which="" if derived.all() else sentence(" of {on:strings}", on=on),
                )
            )
    return tuple(routes)
