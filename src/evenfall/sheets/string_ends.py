"""Nut slots and saddle: as read, or where the open strings point to over the crowns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.errors import Finding
from evenfall.measurement import Origin
from evenfall.sheets.crown_tops import robust_line
from evenfall.sheets.quantities import NUT_LINE_LIMIT_MM, SADDLE_LINE_LIMIT_MM
from evenfall.sheets.repeats import COVERAGE_FACTOR, Key, Mean, listed
from evenfall.sheets.rows import rows_text
from evenfall.units import length_text

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from evenfall.instrument import Specification, StringLines
    from evenfall.sheets.crown_tops import CrownTops

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int8]

LEAST_SPAN_SHARE = 0.2
"""Points closer together than this share of the string point to nut and saddle too loosely."""

STRAIGHT_MM = 0.05
"""Least departure [mm] of action readings from a straight string that is called one."""


@dataclass(frozen=True, slots=True)
class StringEnds:
    """Slot floors and saddle tops of K strings over the datum.

    Parameters
    ----------
    nut_mm, nut_u_mm, nut_origin
        Height and standard uncertainty [mm], NaN where missing, and `Origin`; shape (K,).
    saddle_mm, saddle_u_mm, saddle_origin
        The same of the saddle, shape (K,).
    routes
        How they were obtained, in sentences.
    """

    nut_mm: FloatArray
    nut_u_mm: FloatArray
    nut_origin: IntArray
    saddle_mm: FloatArray
    saddle_u_mm: FloatArray
    saddle_origin: IntArray
    routes: tuple[str, ...]


def string_ends(
    means: Mapping[Key, Mean],
    tops: CrownTops,
    specification: Specification,
    lines: StringLines,
) -> tuple[StringEnds, list[Finding]]:
    """Return nut and saddle heights.

    What was read stays as read. The rest lies on the open string: the straight line through what
    is known of it (the end that was read, and crown top plus action at two frets or more), by
    least squares, with the uncertainty carried to the end of the line.

    Parameters
    ----------
    means
        The readings.
    tops
        Crown tops of all strings.
    specification, lines
        The instrument and its string lines.
    """
    count = specification.string_count
    height = np.full((2, count), np.nan)
    u = np.zeros((2, count))
    origin = np.full((2, count), Origin.MISSING, dtype=np.int8)
    findings: list[Finding] = []
    close: list[int] = []
    for k in range(count):
        ends = (means.get(("nut_slot", k + 1, ())), means.get(("saddle", k + 1, ())))
        reach = (0.0, float(lines.saddle_station_mm[k]))
        for end, mean in enumerate(ends):
            if mean is not None:
                height[end, k], u[end, k], origin[end, k] = mean.value_mm, mean.u_mm, Origin.READ
        if all(ends):
            continue
        x, y, covariance, rows = _known_points(
            k, means, tops, ends=ends, station_mm=lines.station_mm[k, 1:], reach=reach
        )
        if len(x) < 2:
            continue
        design = np.column_stack([np.ones_like(x), x])
        solver = np.linalg.pinv(design)
        bend = float(np.max(np.abs(design @ solver @ y - y)))
        noise = float(np.sqrt(np.max(np.diagonal(covariance))))
        if bend > max(STRAIGHT_MM, COVERAGE_FACTOR * noise):
            findings.append(_bent(k, bend, rows))
        for end in range(2):
            if origin[end, k] == Origin.MISSING:
                weights = np.array([1.0, reach[end]]) @ solver
                height[end, k] = weights @ y
                u[end, k] = np.sqrt(weights @ covariance @ weights)
                origin[end, k] = Origin.DERIVED
        if np.ptp(x) < LEAST_SPAN_SHARE * reach[1]:
            close.append(k + 1)
    if close:
        findings.append(
            Finding(
                "route",
                f"Nut and saddle of string{'s' if len(close) > 1 else ''} {listed(close)} are "
                "extrapolated from actions close together; read one over fret 1 and one over fret "
                f"{specification.scale.reference_fret} or higher.",
                "action",
                "warning",
            )
        )
    findings += _missing(origin, means, specification)
    findings += _off_line(height, origin, tops, means, lines)
    routes = _routes(origin)
    return (
        StringEnds(height[0], u[0], origin[0], height[1], u[1], origin[1], routes),
        findings,
    )


def _known_points(
    k: int,
    means: Mapping[Key, Mean],
    tops: CrownTops,
    *,
    ends: tuple[Mean | None, Mean | None],
    station_mm: FloatArray,
    reach: tuple[float, float],
) -> tuple[FloatArray, FloatArray, FloatArray, str]:
    """Return stations and heights of what is known of the open string, covariance and rows."""
    actions = [
        mean
        for key, mean in sorted(means.items())
        if key[0] == "action" and key[1] == k + 1 and np.isfinite(tops.height_mm[k, key[2][0] - 1])
    ]
    at = [mean.key[2][0] - 1 for mean in actions]
    read = [(x, mean) for x, mean in zip(reach, ends, strict=True) if mean is not None]
    x = np.array([station_mm[j] for j in at] + [x for x, _ in read])
    y = np.array(
        [tops.height_mm[k, j] + mean.value_mm for j, mean in zip(at, actions, strict=True)]
        + [mean.value_mm for _, mean in read]
    )
    covariance = np.diag([mean.u_mm**2 for mean in (*actions, *(mean for _, mean in read))])
    covariance = covariance.reshape(len(x), len(x))
    covariance[: len(at), : len(at)] += tops.covariance_mm2[k][np.ix_(at, at)]
    rows = rows_text(place for mean in actions for place in mean.places)
    return x, y, covariance, rows


def _bent(k: int, bend_mm: float, rows: str) -> Finding:
    sentence = (
        f"The actions read on string {k + 1} miss a straight string by {length_text(bend_mm)} "
        f"({rows}); read them again, and the crowns under them."
    )
    return Finding("disagree", sentence, rows, "warning")


def _missing(
    origin: IntArray, means: Mapping[Key, Mean], specification: Specification
) -> list[Finding]:
    """Return one error for each end that is still missing.

    Two actions give both ends. Where they were read it is the crowns under them that are missing,
    and that is said about the crowns.
    """
    actions = np.zeros(origin.shape[1], dtype=int)
    for quantity, string, _ in means:
        if quantity == "action":
            actions[string - 1] += 1
    findings = []
    for end, name in enumerate(("nut_slot", "saddle")):
        strings = np.flatnonzero((origin[end] == Origin.MISSING) & (actions < 2)) + 1
        if len(strings):
            plural = "s" if len(strings) > 1 else ""
            findings.append(
                Finding(
                    "missing",
                    f"The {name} is missing on string{plural} {listed(strings.tolist())}; read it, "
                    f"or the action over frets 1 and {specification.scale.reference_fret} instead.",
                    name,
                    "error",
                )
            )
    return findings


def _off_line(
    height: FloatArray,
    origin: IntArray,
    tops: CrownTops,
    means: Mapping[Key, Mean],
    lines: StringLines,
) -> list[Finding]:
    """Return errors for ends that were read far off the line of the crowns."""
    findings = []
    for end, (name, limit) in enumerate(
        (("nut_slot", NUT_LINE_LIMIT_MM), ("saddle", SADDLE_LINE_LIMIT_MM))
    ):
        for k in np.flatnonzero(origin[end] == Origin.READ):
            crowns = tops.height_mm[k]
            known = np.isfinite(crowns)
            if known.sum() < 3:
                continue
            x = lines.station_mm[k, 1:][known]
            intercept, slope = robust_line(x, crowns[known])
            reach = lines.saddle_station_mm[k] if end else 0.0
            off = float(height[end, k] - intercept - slope * reach)
            if abs(off) > limit:
                rows = rows_text(means[(name, int(k) + 1, ())].places)
                findings.append(
                    Finding(
                        "implausible",
                        f"The {name} of string {k + 1} lies {length_text(abs(off))} "
                        f"{'over' if off > 0 else 'under'} the line of the crowns ({rows}), which "
                        "cannot be; check the decimal point, the unit and the datum.",
                        rows,
                        "error",
                    )
                )
    return findings


def _routes(origin: IntArray) -> tuple[str, ...]:
    sentences = []
    for end, name in enumerate(("Nut slots", "Saddle heights")):
        read, derived = origin[end] == Origin.READ, origin[end] == Origin.DERIVED
        if read.all():
            sentences.append(f"{name} were read over the datum.")
        elif derived.any():
            scope = (
                name
                if derived.all()
                else f"{name} of strings {listed((np.flatnonzero(derived) + 1).tolist())}"
            )
            sentences.append(
                f"{scope} were worked out from the open string's line through crown tops plus "
                "action."
            )
    return tuple(sentences)
