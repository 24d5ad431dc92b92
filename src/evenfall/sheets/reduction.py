"""From readings to a measurement: means, routes, cross-checks; what is missing is named."""

from __future__ import annotations

import math
import statistics
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from evenfall.errors import Finding
from evenfall.instrument import string_lines
from evenfall.measurement import Direct, Heights, Measurement, Origin
from evenfall.sheets.bow_route import crown_tops_from_bow
from evenfall.sheets.crown_tops import (
    CrownHeights,
    CrownTops,
    crown_heights,
    crown_tops_from_heights,
    missing_crowns,
)
from evenfall.sheets.gaps import line_gap_weights, rocking_gap_weights
from evenfall.sheets.plausibility import implausible
from evenfall.sheets.repeats import (
    COVERAGE_FACTOR,
    Key,
    Mean,
    combine,
    label,
    unit_slips,
    without_uncertainty,
)
from evenfall.sheets.rows import rows_text
from evenfall.sheets.string_ends import StringEnds, string_ends
from evenfall.units import length_text

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from evenfall.instrument import Specification, StringLines
    from evenfall.sheets.rows import Reading

    FloatArray = NDArray[np.float64]

CHECK_MM = 0.05
"""Gaps read by feeler or rule are good to this [mm] at best (common practice, no source)."""

SPACING_MM = 1.0
"""String spacing further than this [mm] from the specification's is worth a word."""

HUMIDITY_STEP_PERCENT = 10.0
"""Humidities noted on one sheet further apart than this [%] are worth a word."""


def reduce_readings(
    readings: Sequence[Reading],
    specification: Specification,
    *,
    serial: str = "",
    source: tuple[str, ...] = (),
    crowns: Measurement | None = None,
) -> tuple[Measurement | None, list[Finding]]:
    """Return the measurement in a set of readings, and everything worth saying about them.

    The order of the readings makes no difference. The measurement is None where there are no
    readings at all; with an error among the findings it must not be used.

    Parameters
    ----------
    readings
        The readings.
    specification
        The instrument.
    serial
        What the instrument is called.
    source
        Names of the files read.
    crowns
        What a scan says of the crowns; then the readings add the ends of the strings, over the
        same datum, and only check the crowns.
    """
    if not readings:
        sentence = "No row has a value yet; fill in the column value and try again."
        return None, [Finding("missing", sentence, "value", "error")]
    strung, humidity_percent, findings = _state(readings)
    slips = unit_slips(readings)
    findings += slips.values()
    usable = []
    for reading in readings:
        if (finding := implausible(reading, specification)) is None:
            usable.append(reading)
        elif reading.key not in slips:  # a slip says more
            findings.append(finding)
    if not usable:
        return None, findings
    means, more = combine(r for r in usable if r.key not in slips)
    findings += more
    measurement, more = _measurement(means, specification, serial, source, crowns)
    if slips or len(usable) < len(readings):
        more = [f for f in more if f.code != "missing"]  # what is set aside leaves gaps behind
    findings += more
    return replace(measurement, strung=strung, humidity_percent=humidity_percent), findings


def _measurement(
    means: Mapping[Key, Mean],
    specification: Specification,
    serial: str,
    source: tuple[str, ...],
    crowns: Measurement | None,
) -> tuple[Measurement, list[Finding]]:
    """Return the measurement in the means, as if the strings were at pitch, and findings."""
    lines = string_lines(specification)
    findings: list[Finding] = []
    if crowns is not None:
        heights, tops, by_bow = *_scanned_crowns(crowns), False
    else:
        heights, more = crown_heights(means, specification, lines)
        findings += more
        tops, by_bow, more = _crown_tops(means, heights, specification, lines)
        findings += more
    ends, more = string_ends(means, tops, specification, lines)
    if not by_bow and not np.isfinite(tops.height_mm).any():
        more = [f for f in more if f.code != "missing"]  # follows from the crowns
    findings += more
    findings += _cross_checks(
        means, tops, ends, by_bow=by_bow, specification=specification, lines=lines
    )
    findings += _spacing(means, specification, lines)
    findings += _sheet_in_inches(means, specification)
    findings += without_uncertainty(means)
    measurement = Measurement(
        serial=serial,
        model=specification.name,
        specification_hash=specification.content_hash,
        specification_text=specification.text,
        source=source,
        strung=True,
        humidity_percent=math.nan,
        heights=replace(
            Heights.independent(
                nut_mm=ends.nut_mm,
                crown_top_mm=tops.height_mm,
                saddle_mm=ends.saddle_mm,
                nut_u_mm=ends.nut_u_mm,
                crown_top_u_mm=tops.u_mm,
                saddle_u_mm=ends.saddle_u_mm,
            ),
            origin=np.column_stack([ends.nut_origin, tops.origin, ends.saddle_origin]),
        ),
        crown_height_mm=heights.height_mm,
        crown_height_u_mm=heights.u_mm,
        crown_height_origin=heights.origin,
        crown_height_degrees_of_freedom=np.full(tops.height_mm.shape, math.inf),
        direct=_direct(means, specification),
        routes=tops.routes
        + ends.routes
        + (() if crowns is not None else _height_route(heights.origin)),
    )
    return measurement, findings


def _state(readings: Sequence[Reading]) -> tuple[bool, float, list[Finding]]:
    """Return whether the strings were at pitch, the humidity [%], and what is odd about them."""
    rows: dict[bool, list[Reading]] = defaultdict(list)
    for reading in readings:
        if reading.strung is not None:
            rows[reading.strung].append(reading)
    findings: list[Finding] = []
    strung = True
    if len(rows) > 1:
        fewer = min(rows.values(), key=lambda group: (len(group), group[0].strung))
        places = rows_text(reading.place for reading in fewer)
        word = "strung" if fewer[0].strung else "unstrung"
        sentence = (
            f"Readings with and without string tension are mixed ({word} in {places}), and the "
            "neck bows in between; put each state in a sheet of its own."
        )
        findings.append(Finding("state", sentence, places, "error"))
    elif False in rows:
        strung = False
        sentence = (
            "The readings were taken without string tension; the strings will bow the neck, so "
            "measure again strung to pitch before you cut."
        )
        findings.append(Finding("state", sentence, "state", "warning"))
        impossible = [reading.place for reading in readings if reading.quantity == "action"]
        if impossible:
            places = rows_text(impossible)
            sentence = (
                f"Action cannot be read on an unstrung instrument ({places}); correct the state "
                "or remove the action."
            )
            findings.append(Finding("state", sentence, places, "error"))
    elif not rows:
        sentence = "No state is given; the strings are taken to have been at pitch."
        findings.append(Finding("state", sentence, "state", "note"))
    noted = sorted(r.humidity_percent for r in readings if not math.isnan(r.humidity_percent))
    if not noted:
        return strung, math.nan, findings
    if noted[-1] - noted[0] > HUMIDITY_STEP_PERCENT:
        sentence = (
            f"The humidity noted runs from {noted[0]:g} % to {noted[-1]:g} %; the wood "
            "moves with it, so let the instrument settle and measure again."
        )
        findings.append(Finding("state", sentence, "state", "warning"))
    return strung, math.fsum(noted) / len(noted), findings


def _scanned_crowns(crowns: Measurement) -> tuple[CrownHeights, CrownTops]:
    """Return the crowns of a scan in the form that the rest of the reduction uses."""
    variance = np.nan_to_num(crowns.crown_top_u_mm) ** 2
    covariance = variance[:, :, None] * np.eye(variance.shape[1])
    tops = CrownTops(crowns.crown_top_mm, covariance, crowns.crown_top_origin, crowns.routes)
    heights = CrownHeights(
        crowns.crown_height_mm, crowns.crown_height_u_mm, crowns.crown_height_origin
    )
    return heights, tops


def _crown_tops(
    means: Mapping[Key, Mean],
    heights: CrownHeights,
    specification: Specification,
    lines: StringLines,
) -> tuple[CrownTops, bool, list[Finding]]:
    """Return the crown tops, whether they come from the bow, and findings."""
    quantities = {key[0] for key in means}
    tops, findings = crown_tops_from_heights(means, heights, specification, lines)
    if np.isfinite(tops.height_mm).any():
        return tops, False, [*findings, *missing_crowns(tops)]
    if "relief" in quantities:
        tops, findings = crown_tops_from_bow(means, specification, lines)
        if "board" in quantities:
            sentence = "Board readings without crown_height at the same frets are not used."
            findings.append(Finding("unused", sentence, "board", "note"))
        return tops, True, findings
    if "board" in quantities:
        sentence = (
            "Board readings without crown_height at the same frets do not give crown tops; read "
            "crown_height there, or crown_top."
        )
    else:
        reference = specification.scale.reference_fret
        sentence = (
            "Nothing says how high the crowns are; read crown_top, or board and crown_height, or "
            f"relief with the action over frets 1 and {reference}."
        )
    return tops, False, [*findings, Finding("missing", sentence, "crown_top", "error")]


def _direct(means: Mapping[Key, Mean], specification: Specification) -> tuple[Direct, ...]:
    """Return the actions, and the reliefs over the first and the last fret, as they were read."""
    kept = []
    for key, mean in sorted(means.items()):
        quantity, string, frets = key
        if quantity == "action":
            kept.append(Direct("action", string, frets[0], mean.value_mm, mean.u_mm))
        elif quantity == "relief" and frets[1:] == (1, specification.frets):
            kept.append(Direct("relief", string, frets[0], mean.value_mm, mean.u_mm))
    return tuple(kept)


def _height_route(origin: NDArray[np.int8]) -> tuple[str, ...]:
    read, nominal = int((origin == Origin.READ).sum()), int((origin == Origin.NOMINAL).sum())
    if nominal == origin.size:
        return ("Crown heights are the new wire's.",)
    parts = [f"{read} read"]
    if derived := int((origin == Origin.DERIVED).sum()):
        parts.append(f"{derived} worked out")
    if nominal:
        parts.append(f"{nominal} the new wire's")
    return (f"Crown heights: {', '.join(parts)}.",)


def _cross_checks(
    means: Mapping[Key, Mean],
    tops: CrownTops,
    ends: StringEnds,
    *,
    by_bow: bool,
    specification: Specification,
    lines: StringLines,
) -> list[Finding]:
    """Compare gaps that the heights did not come from with what the heights give."""
    checked: dict[str, list[Mean]] = defaultdict(list)
    off: dict[str, list[tuple[float, float, Mean]]] = defaultdict(list)
    for key, mean in sorted(means.items()):
        for string in [key[1]] if key[1] else range(1, specification.string_count + 1):
            expected = _expected_gap(key, string - 1, tops, ends, by_bow=by_bow, lines=lines)
            if expected is None:
                continue
            if mean not in checked[key[0]]:
                checked[key[0]].append(mean)
            gap, u = expected
            difference = mean.value_mm - gap
            if abs(difference) > max(CHECK_MM, COVERAGE_FACTOR * math.hypot(u, mean.u_mm)):
                off[key[0]].append((difference, gap, mean))
    findings = []
    for cases in off.values():
        _, gap, mean = max(cases, key=lambda case: (abs(case[0]), case[2].key))
        count = len({case[2].key for case in cases})
        others = f", and {count - 1} more differ" if count > 1 else ""
        rows = rows_text(mean.places)
        sentence = (
            f"The {label(mean.key)} was read as "
            f"{length_text(mean.value_mm, specification.unit)}, but the heights give "
            f"{length_text(gap, specification.unit)} ({rows}){others}; the heights are used, so "
            "check both."
        )
        findings.append(Finding("disagree", sentence, rows, "warning"))
    if checked:
        names = " and ".join(sorted(checked))
        rows = rows_text(place for group in checked.values() for m in group for place in m.places)
        sentence = f"Readings of {names} only check the heights, which were read themselves."
        findings.append(Finding("unused", sentence, rows, "note"))
    return findings


def _expected_gap(
    key: Key,
    k: int,
    tops: CrownTops,
    ends: StringEnds,
    *,
    by_bow: bool,
    lines: StringLines,
) -> tuple[float, float] | None:
    """Return the gap [mm] that the heights give and its uncertainty; None if it made them."""
    quantity, _, frets = key
    crowns, covariance = tops.height_mm[k], tops.covariance_mm2[k]
    station = lines.station_mm[k, 1:]
    if quantity == "action":
        if Origin.DERIVED in (ends.nut_origin[k], ends.saddle_origin[k]):
            return None
        share = station[frets[0] - 1] / lines.saddle_station_mm[k]
        gap = (1.0 - share) * ends.nut_mm[k] + share * ends.saddle_mm[k] - crowns[frets[0] - 1]
        variance = (
            ((1.0 - share) * ends.nut_u_mm[k]) ** 2
            + (share * ends.saddle_u_mm[k]) ** 2
            + covariance[frets[0] - 1, frets[0] - 1]
        )
    elif quantity in ("relief", "rocking") and not by_bow:
        fret_gap = line_gap_weights if quantity == "relief" else rocking_gap_weights
        weights = fret_gap(station, *frets)
        used = weights != 0.0
        gap = weights[used] @ crowns[used]
        variance = weights @ covariance @ weights
    else:
        return None
    return (float(gap), math.sqrt(variance)) if math.isfinite(gap) else None


def _spacing(
    means: Mapping[Key, Mean], specification: Specification, lines: StringLines
) -> list[Finding]:
    """Compare string spacing with the specification's."""
    findings = []
    for key, mean in sorted(means.items()):
        quantity, string, frets = key
        if quantity != "string_spacing":
            continue
        y = lines.y_mm[:, frets[0]]
        rows = rows_text(mean.places)
        if string == specification.string_count:
            sentence = (
                f"There is no string next to string {string} towards the bass ({rows}); name the "
                "string on the treble side of the gap, or none for the outer strings."
            )
            findings.append(Finding("row", sentence, rows, "error"))
            continue
        expected = float(abs(y[0] - y[-1]) if string == 0 else abs(y[string - 1] - y[string]))
        if abs(mean.value_mm - expected) > max(SPACING_MM, COVERAGE_FACTOR * mean.u_mm):
            sentence = (
                f"The {label(key)} is {length_text(mean.value_mm, specification.unit)}, "
                f"but the specification gives {length_text(expected, specification.unit)} "
                f"({rows}); check which instrument this is."
            )
            findings.append(Finding("disagree", sentence, rows, "warning"))
    return findings


def _sheet_in_inches(means: Mapping[Key, Mean], specification: Specification) -> list[Finding]:
    """Warn if the actions all look like inches written as mm."""
    wanted = {s.number: specification.target.action[s.number - 1] for s in specification.strings}
    actions = [
        (mean, mean.value_mm / wanted[key[1]].value_mm)
        for key, mean in sorted(means.items())
        if key[0] == "action" and key[2][0] > 2
    ]
    if not actions:
        return []
    share = statistics.median(share for _, share in actions)
    if not 0.4 <= share * 25.4 <= 2.5:
        return []
    rows = rows_text(place for mean, _ in actions for place in mean.places)
    sentence = (
        f"The actions read are about 1/{1.0 / share:.0f} of what is wanted ({rows}); if they were "
        "read in inches, write in in the column unit."
    )
    return [Finding("implausible", sentence, rows, "warning")]
