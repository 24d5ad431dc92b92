"""From readings to a measurement: means, routes, cross-checks; what is missing is named."""

from __future__ import annotations

import math
import statistics
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import CodeArray
from evenfall.errors import At, Finding
from evenfall.instrument import Specification, StringLines, string_lines
from evenfall.measurement import Direct, Heights, Measurement, Origin
from evenfall.measurement.causes import Causes
from evenfall.neck.gaps import line_gap_weights, rocking_gap_weights
from evenfall.sheets.bow_route import crown_tops_from_bow
from evenfall.sheets.crown_tops import (
    CrownHeights,
    CrownTops,
    crown_heights,
    crown_tops_from_heights,
    missing_crowns,
)
from evenfall.sheets.means import (
    COVERAGE_FACTOR,
    Key,
    Mean,
    at_key,
    combine,
    named,
    unit_slips,
    without_uncertainty,
)
from evenfall.sheets.plausibility import implausible
from evenfall.sheets.readings import at_places, in_rows, rows_by_file
from evenfall.sheets.string_ends import string_ends
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from evenfall.sheets.readings import Reading

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

    Where a scan gave the crowns (`crowns`), the readings add the ends of the strings, over the same
    datum, and only check the crowns.
    """
    if not readings:
        text = "No row has a value yet; fill in the column value and try again."
        return None, [Finding("missing", text, At(field="value"), "error")]
    strung, findings = _state(readings)
    humidity_percent, more = _humidity(readings)
    findings += more
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
    noted = [r.temperature_celsius for r in readings if not math.isnan(r.temperature_celsius)]
    return (
        replace(
            measurement,
            strung=strung,
            humidity_percent=humidity_percent,
            temperature_celsius=math.fsum(noted) / len(noted) if noted else math.nan,
        ),
        findings,
    )


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
        crown, tops, by_bow = *_scanned_crowns(crowns), False
    else:
        crown, more = crown_heights(means, specification, lines)
        findings += more
        tops, by_bow, more = _crown_tops(means, crown, specification, lines)
        findings += more
    heights, routes, more = string_ends(means, tops, specification, lines)
    if not by_bow and not np.isfinite(tops.height_mm).any():
        more = [f for f in more if f.code != "missing"]  # follows from the crowns
    findings += more
    findings += _cross_checks(means, heights, by_bow=by_bow, specification=specification)
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
        heights=heights,
        crown_height_mm=crown.height_mm,
        crown_height_u_mm=crown.u_mm,
        crown_height_origin=crown.origin,
        crown_height_degrees_of_freedom=crown.degrees_of_freedom,
        direct=_direct(means, heights, specification, by_bow=by_bow),
        routes=(
            *tops.routes,
            *routes,
            *(() if crowns is not None else _height_route(crown.origin)),
        ),
        scanned=None if crowns is None else crowns.scanned,
    )
    return measurement, findings


def _state(readings: Sequence[Reading]) -> tuple[bool, list[Finding]]:
    """Return whether the strings were at pitch, and what is odd about that."""
    rows: dict[bool, list[Reading]] = defaultdict(list)
    for reading in readings:
        if reading.strung is not None:
            rows[reading.strung].append(reading)
    findings: list[Finding] = []
    strung = True
    if len(rows) > 1:
        fewer = min(rows.values(), key=lambda group: (len(group), group[0].strung))
        places = [reading.place for reading in fewer]
        text = (
            "Readings with and without string tension are mixed ({state} in {rows}), and the neck "
            "bows in between; put each state in a sheet of its own."
        )
        state = sentence("strung") if fewer[0].strung else sentence("unstrung")
        at = at_places(places, field="state")
        findings.append(Finding("state", text, at, "error", state=state, rows=in_rows(places)))
    elif False in rows:
        strung = False
        text = (
            "The readings were taken without string tension; the strings will bow the neck, so "
            "measure again strung to pitch before you cut."
        )
        findings.append(Finding("state", text, At(field="state")))
        impossible = [reading.place for reading in readings if reading.quantity == "action"]
        if impossible:
            text = (
                "Action cannot be read on an unstrung instrument{rows}; correct the state or "
                "remove the action."
            )
            at = at_places(impossible, field="state")
            findings.append(Finding("state", text, at, "error", rows=rows_by_file(impossible)))
    elif not rows:
        text = "No state is given; the strings are taken to have been at pitch."
        findings.append(Finding("state", text, At(field="state"), "note"))
    return strung, findings


def _humidity(readings: Sequence[Reading]) -> tuple[float, list[Finding]]:
    """Return the humidity noted [%], NaN for none, and what is odd about it."""
    findings: list[Finding] = []
    noted = sorted(r.humidity_percent for r in readings if not math.isnan(r.humidity_percent))
    if not noted:
        return math.nan, findings
    if noted[-1] - noted[0] > HUMIDITY_STEP_PERCENT:
        text = (
            "The humidity noted runs from {low:g} % to {high:g} %; the wood moves with it, so let "
            "the instrument settle and measure again."
        )
        findings.append(Finding("state", text, At(field="note"), low=noted[0], high=noted[-1]))
    return math.fsum(noted) / len(noted), findings


def _scanned_crowns(crowns: Measurement) -> tuple[CrownHeights, CrownTops]:
    """Return the crowns of a scan in the form that the rest of the reduction uses."""
    heights = crowns.heights
    origin = heights.origin[:, 1:-1].copy()
    ends = heights.height_mm[:, [0, -1]]
    seen = heights.origin[:, [0, -1]] == Origin.READ  # else what a sheet's readings are moved by
    tops = CrownTops(
        heights.crown_top_mm,
        origin,
        Causes.of(heights),
        crowns.routes,
        np.nan_to_num(np.where(seen, 0.0, ends)),
        np.where(seen, ends, np.nan),
    )
    over_board = CrownHeights(
        crowns.crown_height_mm,
        crowns.crown_height_u_mm,
        crowns.crown_height_degrees_of_freedom,
        crowns.crown_height_origin,
        {},
    )
    return over_board, tops


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
            text = "Board readings without crown_height at the same frets are not used."
            findings.append(Finding("unused", text, At(field="board"), "note"))
        return tops, True, findings
    if "board" in quantities:
        text = (
            "Board readings without crown_height at the same frets do not give crown tops; read "
            "crown_height there, or crown_top."
        )
        fault = Finding("missing", text, At(field="crown_top"), "error")
    else:
        text = (
            "Nothing says how high the crowns are; read crown_top, or board and crown_height, or "
            "relief with the action over frets 1 and {reference}."
        )
        reference = specification.scale.reference_fret
        fault = Finding("missing", text, At(field="crown_top"), "error", reference=reference)
    return tops, False, [*findings, fault]


def _direct(
    means: Mapping[Key, Mean],
    heights: Heights,
    specification: Specification,
    *,
    by_bow: bool,
) -> tuple[Direct, ...]:
    """Return actions, reliefs as the specification states them and crowns read again, as read."""
    lines = string_lines(specification)
    kept = []
    for key, mean in sorted(means.items()):
        quantity, string, frets = key
        known = (mean.value_mm, mean.u_mm, mean.degrees_of_freedom)
        checks = any(
            _expected_gap(key, k, heights, by_bow=by_bow, lines=lines) is not None
            for k in ([string - 1] if string else range(heights.strings))
        )
        if quantity == "action":
            kept.append(Direct("action", string, frets[0], *known, checks))
        elif _whole_relief(key, specification):
            kept.append(Direct("relief", string, frets[0], *known, checks))
        elif quantity == "crown_again":
            checks = bool(heights.origin[string - 1, frets[0]] == Origin.READ)
            kept.append(Direct("crown-top", string, frets[0], *known, checks))
    return tuple(kept)


def _whole_relief(key: Key, specification: Specification) -> bool:
    """Say whether a reading is the relief over the frets that it is stated between."""
    return key[0] == "relief" and key[2][1:] == specification.target.relief_over


def _height_route(origin: CodeArray) -> tuple[Sentence, ...]:
    counts = {kind: int((origin == kind).sum()) for kind in Origin}
    if counts[Origin.NOMINAL] == origin.size:
        return (sentence("Crown heights are the new wire's."),)
    parts = [sentence("{n} read", n=counts[Origin.READ])]
    if counts[Origin.DERIVED]:
        parts.append(sentence("{n} worked out", n=counts[Origin.DERIVED]))
    if counts[Origin.NOMINAL]:
        parts.append(sentence("{n} the new wire's", n=counts[Origin.NOMINAL]))
    return (sentence("Crown heights: {parts:phrases}.", parts=parts),)


def _cross_checks(
    means: Mapping[Key, Mean], heights: Heights, *, by_bow: bool, specification: Specification
) -> list[Finding]:
    """Compare gaps that the heights did not come from with what the heights give."""
    checked: dict[str, list[Mean]] = defaultdict(list)
    off: dict[str, list[tuple[float, float, Mean]]] = defaultdict(list)
    lines = string_lines(specification)
    for key, mean in sorted(means.items()):
        for string in [key[1]] if key[1] else range(1, specification.string_count + 1):
            expected = _expected_gap(key, string - 1, heights, by_bow=by_bow, lines=lines)
            if expected is None:
                continue
            if mean not in checked[key[0]]:
                checked[key[0]].append(mean)
            if key[0] == "action" or _whole_relief(key, specification):
                continue  # the gates compare these, see `evenfall.gates`
            gap, u = expected
            difference = mean.value_mm - gap
            if abs(difference) > max(CHECK_MM, COVERAGE_FACTOR * math.hypot(u, mean.u_mm)):
                off[key[0]].append((difference, gap, mean))
    findings = []
    for cases in off.values():
        _, gap, mean = max(cases, key=lambda case: (abs(case[0]), case[2].key))
        count = len({case[2].key for case in cases})
        findings.append(
            Finding(
                "disagree",
                "The {what} was read as {value:length}, but the heights give {gap:length}"
                "{rows}{others}; the heights are used, so check both.",
                at_key(mean.key, mean.places),
                what=named(mean.key),
                value=mean.value_mm,
                gap=gap,
                rows=rows_by_file(mean.places),
                others=sentence(", and {n} more differ", n=count - 1) if count > 1 else "",
            )
        )
    if checked:
        places = [place for group in checked.values() for mean in group for place in mean.places]
        text = "Readings of {names:list} only check the heights, which were read themselves."
        findings.append(Finding("unused", text, at_places(places), "note", names=sorted(checked)))
    return findings


def _expected_gap(
    key: Key, k: int, heights: Heights, *, by_bow: bool, lines: StringLines
) -> tuple[float, float] | None:
    """Return the gap [mm] that the heights give and its uncertainty; None if it made them."""
    quantity, _, frets = key
    weights = np.zeros(heights.frets + 2)
    if quantity == "action":
        if Origin.DERIVED in heights.origin[k, [0, -1]]:
            return None
        share = lines.station_mm[k, frets[0]] / lines.saddle_station_mm[k]
        weights[[0, -1]] = 1.0 - share, share
        weights[frets[0]] = -1.0
    elif quantity in ("relief", "rocking") and not by_bow:
        fret_gap = line_gap_weights if quantity == "relief" else rocking_gap_weights
        weights[1:-1] = fret_gap(lines.station_mm[k, 1:], *frets)
    else:
        return None
    used = weights != 0.0
    gap = float(weights[used] @ heights.height_mm[k, used])
    return (gap, float(heights.u_mm(weights, k))) if math.isfinite(gap) else None


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
        at = at_key(key, mean.places)
        if string == specification.string_count:
            text = (
                "There is no string next to string {string} towards the bass side{rows}; name the "
                "string on the treble side of the gap, or none for the outer strings."
            )
            rows = rows_by_file(mean.places)
            findings.append(Finding("row", text, at, "error", string=string, rows=rows))
            continue
        expected = float(abs(y[0] - y[-1]) if string == 0 else abs(y[string - 1] - y[string]))
        if abs(mean.value_mm - expected) > max(SPACING_MM, COVERAGE_FACTOR * mean.u_mm):
            findings.append(
                Finding(
                    "disagree",
                    "The {what} is {value:length}, but the specification gives {expected:length}"
                    "{rows}; check which instrument this is.",
                    at,
                    what=named(key),
                    value=mean.value_mm,
                    expected=expected,
                    rows=rows_by_file(mean.places),
                )
            )
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
    places = [place for mean, _ in actions for place in mean.places]
    text = (
        "The actions read are about 1/{part:.0f} of what is wanted{rows}; if they were read in "
        "inches, write in in the column unit."
    )
    at = at_places(places, field="action")
    return [Finding("implausible", text, at, part=1.0 / share, rows=rows_by_file(places))]
