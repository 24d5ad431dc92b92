"""One scan of an instrument, and hand sheets beside it, to one measurement.

The scan gives the crowns. What it cannot show, nut slots and saddle, comes from the sheets: as
actions, which need no datum, or as heights, which are carried over to the scan's datum by crown
tops that were read on both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from evenfall.errors import At, EvenfallError, Finding, ReadingsError, RequestError
from evenfall.instrument import string_lines
from evenfall.measurement import Heights, Origin
from evenfall.scans import measure_crowns, to_measurement
from evenfall.scans.formats import Options, Progress, Scan, read_scan
from evenfall.scans.formats.scan import silent
from evenfall.scans.orientation import UNIT_WORDS
from evenfall.sheets.crown_tops import fill_across, missing_places
from evenfall.sheets.hand import read_readings, readings_error
from evenfall.sheets.reduction import CHECK_MM, reduce_readings
from evenfall.sheets.repeats import COVERAGE_FACTOR
from evenfall.sheets.rows import rows_text
from evenfall.units import length_text

if TYPE_CHECKING:
    from evenfall.arrays import CodeArray, FloatArray
    from evenfall.instrument import Specification
    from evenfall.measurement import Measurement
    from evenfall.scans import CrownSurvey
    from evenfall.sheets import SheetFile
    from evenfall.sheets.rows import Reading


LEAST_SHARED_FRETS = 2
"""A straight datum is carried over by two crowns at least."""

LEAST_SHARED_SPAN_SHARE = 0.2
"""And they lie at least this share of the string apart."""


@dataclass(frozen=True, slots=True)
class Setting:
    """What the caller knows about how the instrument was scanned.

    Parameters
    ----------
    strung
        Whether the strings were at pitch; None if not said.
    mirrored
        Whether the file's axes swap treble and bass; None if not known.
    gauge_u_mm
        Standard uncertainty of the scanner's heights within one scan [mm], which its points do
        not show.
    """

    strung: bool | None = None
    mirrored: bool | None = None
    gauge_u_mm: float = 0.0

    def __post_init__(self) -> None:
        if not (np.isfinite(self.gauge_u_mm) and 0.0 <= self.gauge_u_mm <= 1.0):
            raise RequestError(
                "The scanner's uncertainty must lie between 0 and 1 mm.", where="--scan-uncertainty"
            )


@dataclass(frozen=True, slots=True)
class Scanned:
    """What one scan, and the sheets beside it, amount to.

    Parameters
    ----------
    recognised
        What the file was taken for and why, in one sentence.
    survey
        The crowns and the board.
    measurement
        The measurement.
    sheet
        What the sheets alone would have given; None where they do not suffice for that.
    findings
        What is worth knowing.
    """

    recognised: str
    survey: CrownSurvey
    measurement: Measurement
    sheet: Measurement | None
    findings: tuple[Finding, ...]


def read_scanned(
    path: Path,
    specification: Specification,
    *,
    sheets: Sequence[SheetFile] = (),
    options: Options | None = None,
    setting: Setting | None = None,
    serial: str = "",
    progress: Progress = silent,
) -> Scanned:
    """Return the measurement in a scan of a fretboard."""
    known = setting or Setting()
    # sheets are quick to read and often wrong: tell that first
    readings, findings = read_readings(sheets, specification) if sheets else ([], [])
    scan = read_scan(path, options, progress)
    survey, found = _survey(scan, specification, known, progress)
    what = Finding("recognised", scan.summary(), scan.file, "note")
    findings = [what, *scan.findings, *found, *findings]
    findings += [Finding("unused", text, scan.file, "note") for text in scan.left_out]
    source = (path.name, *(sheet.name for sheet in sheets))
    crowns = to_measurement(
        survey, specification, serial=serial, source=source, strung=known.strung is not False
    )
    recognised = what.sentence
    del scan  # its points are not needed any longer
    findings += _scanner(known)
    if not sheets:
        crowns, more = _without_gaps(crowns, specification)
        findings += [*more, *_state(known)]
        findings.append(_ends_missing(specification))
        return Scanned(recognised, survey, crowns, None, tuple(findings))
    errors = [f for f in findings if f.severity == "error"]
    usable, crowns, more = _over_scan(readings, crowns, specification)
    crowns, even_more = _without_gaps(crowns, specification)
    more += even_more
    measurement, most = reduce_readings(
        usable, specification, serial=serial, source=source, crowns=crowns
    )
    findings += [*more, *most]
    errors += [f for f in (*more, *most) if f.severity == "error"]
    if measurement is not None:
        errors += _clash_of_states(known, readings)
    if errors or measurement is None:
        raise readings_error(errors, At(file=sheets[0].name) if len(sheets) == 1 else At())
    if known.strung is not None:
        measurement = replace(measurement, strung=known.strung)
    return Scanned(
        recognised, survey, measurement, _sheet_alone(readings, specification), tuple(findings)
    )


def _survey(
    scan: Scan, specification: Specification, setting: Setting, progress: Progress
) -> tuple[CrownSurvey, list[Finding]]:
    """Return the crowns in a scan; a unit that the frets contradict gives way, and is reported."""
    progress("finding the frets", 0.0)

    def measured(unit: str | None) -> tuple[CrownSurvey, tuple[Finding, ...]]:
        return measure_crowns(
            scan.content,
            specification,
            unit_hint=unit,
            mirrored=setting.mirrored,
            scan_uncertainty_mm=setting.gauge_u_mm,
        )

    try:
        survey, findings = measured(scan.unit)
    except ReadingsError as error:
        error.where = error.where or scan.file
        told = scan.unit is not None and scan.unit_from != "the option"
        if not told or any(f.code == "slots-only" for f in error.findings):
            raise
        try:
            survey, findings = measured(None)
        except ReadingsError:
            raise error from None
        unit = survey.orientation.unit
        said = UNIT_WORDS.get(scan.unit or "", scan.unit)
        slip = Finding(
            "unit-slip",
            f"The file is in {said}, as {scan.unit_from} says, but its frets fit the "
            f"specification only if the numbers are {unit}; they were taken as {unit}. Name "
            f"--length-unit {unit} to settle it.",
            scan.file,
        )
        findings = (slip, *(f for f in findings if f.code != "unit-slip"))
    progress("finding the frets", 1.0)
    if not np.isfinite(survey.crown_top_mm).any():
        best = f"{int(np.isfinite(survey.orientation.fret_x_mm).sum())} of {specification.frets}"
        raise ReadingsError(
            [
                Finding(
                    "scan",
                    f"Something stands where {best} frets should be, but no crown of them can be "
                    "measured; check that the scan shows this instrument's fretboard, and leave "
                    "out what is not fretboard.",
                    severity="error",
                )
            ],
            where=scan.file,
        )
    return survey, list(findings)


def _scanner(setting: Setting) -> list[Finding]:
    if setting.gauge_u_mm:
        return []
    sentence = (
        "The uncertainty is that of the points' scatter alone; add the scanner's own, from its "
        "calibration, with --scan-uncertainty."
    )
    return [Finding("no-uncertainty", sentence, "--scan-uncertainty", "note")]


def _state(setting: Setting) -> list[Finding]:
    if setting.strung is None:
        sentence = "No state is given; the strings are taken to have been at pitch."
        return [Finding("state", sentence, "state", "note")]
    if setting.strung:
        return []
    sentence = (
        "The scan was taken without string tension; the strings will bow the neck, so measure "
        "again strung to pitch before you cut."
    )
    return [Finding("state", sentence, "state", "warning")]


def _clash_of_states(setting: Setting, readings: Sequence[Reading]) -> list[Finding]:
    other = [r.place for r in readings if r.strung is not None and r.strung is not setting.strung]
    if setting.strung is None or not other:
        return []
    scanned, read = ("strung", "unstrung") if setting.strung else ("unstrung", "strung")
    return [
        Finding(
            "state",
            f"The scan was taken {scanned} and the sheet read {read} ({rows_text(other)}), and the "
            "neck bows in between; take both in one state.",
            rows_text(other),
            "error",
        )
    ]


def _ends_missing(specification: Specification) -> Finding:
    return Finding(
        "missing",
        "A scan of the board shows neither nut slots nor saddle; name a hand sheet beside it with "
        f"the action of each string over frets 1 and {specification.scale.reference_fret}, so that "
        "the job can go on.",
        "nut_slot, saddle",
    )


def _sheet_alone(readings: Sequence[Reading], specification: Specification) -> Measurement | None:
    """Return what the sheets give without the scan, if they give all crowns."""
    try:
        measurement, findings = reduce_readings(readings, specification)
    except EvenfallError:
        return None
    if measurement is None or any(f.severity == "error" for f in findings):
        return None
    return measurement if np.isfinite(measurement.crown_top_mm).all() else None


# ---- heights over another datum ----------------------------------------------------------------


def _over_scan(
    readings: Sequence[Reading], crowns: Measurement, specification: Specification
) -> tuple[list[Reading], Measurement, list[Finding]]:
    """Return the readings over the scan's datum, those that the scan replaces left out.

    Crowns that the scan does not show are taken from the sheet's, carried over the same way.
    """
    top, top_u = crowns.crown_top_mm.copy(), crowns.crown_top_u_mm.copy()
    origin, added = crowns.crown_top_origin.copy(), []
    station = string_lines(specification).station_mm
    saddle = string_lines(specification).saddle_station_mm
    usable = [r for r in readings if r.quantity not in _REPLACED | _ENDS]
    findings: list[Finding] = []
    worst: tuple[float, float, Reading] | None = None
    lost: list[Reading] = []
    for k in range(specification.string_count):
        shared = [
            r
            for r in readings
            if r.quantity == "crown_top"
            and r.string == k + 1
            and np.isfinite(crowns.crown_top_mm[k, r.frets[0] - 1])
        ]
        ends = [r for r in readings if r.quantity in _ENDS and r.string == k + 1]
        at = np.array([r.frets[0] - 1 for r in shared], dtype=np.intp)
        x = station[k, 1:][at]
        if len(set(at)) < LEAST_SHARED_FRETS or np.ptp(x) < LEAST_SHARED_SPAN_SHARE * saddle[k]:
            lost += ends
            continue
        value = np.array([r.value_mm for r in shared])
        u = np.hypot([np.nan_to_num(r.u_mm) for r in shared], crowns.crown_top_u_mm[k, at])
        solver = np.linalg.pinv(np.column_stack([np.ones_like(x), x]))
        line = solver @ (crowns.crown_top_mm[k, at] - value)
        off = crowns.crown_top_mm[k, at] - value - line[0] - line[1] * x
        for reading, difference, spread in zip(shared, off, u, strict=True):
            if worst is None or abs(difference) > abs(worst[0]):
                worst = (float(difference), float(spread), reading)
        for j in np.flatnonzero(~np.isfinite(crowns.crown_top_mm[k])).tolist():
            own = [
                r
                for r in readings
                if (r.quantity, r.string, r.frets) == ("crown_top", k + 1, (j + 1,))
            ]
            if not own:
                continue
            weights = np.array([1.0, station[k, j + 1]]) @ solver
            carried = np.sqrt(np.sum((weights * np.maximum(u, np.std(off))) ** 2))
            own_u = max(float(np.nan_to_num(r.u_mm)) for r in own)
            top[k, j] = np.mean([r.value_mm for r in own]) + line @ [1.0, station[k, j + 1]]
            top_u[k, j], origin[k, j] = np.hypot(own_u, carried), Origin.READ
            added.append(f"fret {j + 1} string {k + 1}")
        for reading in ends:
            place = 0.0 if reading.quantity == "nut_slot" else float(saddle[k])
            weights = np.array([1.0, place]) @ solver
            carried_u = float(np.sqrt(np.sum((weights * np.maximum(u, np.std(off))) ** 2)))
            usable.append(
                replace(
                    reading,
                    value_mm=reading.value_mm + float(line @ [1.0, place]),
                    u_mm=float(np.hypot(np.nan_to_num(reading.u_mm), carried_u)),
                )
            )
    if lost:
        places = rows_text(r.place for r in lost)
        sentence = (
            f"Heights of nut or saddle ({places}) stand over another datum than the scan; read the "
            "action over two frets instead, or crown_top at two frets far apart over the same "
            "datum."
        )
        findings.append(Finding("missing", sentence, places, "error"))
    if added:
        more = f" and {len(added) - 8} more" if len(added) > 8 else ""
        sentence = (
            "Crown tops that the scan does not show were taken from the sheet, carried over to "
            f"the scan's datum: {', '.join(added[:8])}{more}."
        )
        findings.append(Finding("route", sentence, "crown_top", "note"))
    heights = replace(crowns, heights=_crowns_alone(top, top_u, origin))
    heights = _with_crown_heights(readings, heights)
    return usable, heights, [*findings, *_comparison(worst, readings)]


def _with_crown_heights(readings: Sequence[Reading], crowns: Measurement) -> Measurement:
    """Return the crowns with the heights over the board that only the sheet has."""
    height, u = crowns.crown_height_mm.copy(), crowns.crown_height_u_mm.copy()
    origin = crowns.crown_height_origin.copy()
    for k, j in np.argwhere(~np.isfinite(height)).tolist():
        own = [
            r
            for r in readings
            if r.quantity == "crown_height" and r.string in (0, k + 1) and r.frets == (j + 1,)
        ]
        own = [r for r in own if r.string] or own
        if own:
            height[k, j] = float(np.mean([r.value_mm for r in own]))
            u[k, j] = max(float(np.nan_to_num(r.u_mm)) for r in own)
            origin[k, j] = Origin.READ
    return replace(crowns, crown_height_mm=height, crown_height_u_mm=u, crown_height_origin=origin)


def _without_gaps(
    crowns: Measurement, specification: Specification
) -> tuple[Measurement, list[Finding]]:
    """Return the crowns with single gaps filled in across the strings, as in a hand sheet.

    What is still missing stays so, without an uncertainty, and a finding says where.
    """
    top, top_u = crowns.crown_top_mm.copy(), np.nan_to_num(crowns.crown_top_u_mm)
    filled, found = fill_across(top, top_u, string_lines(specification).station_mm[:, 1:])
    findings = list(found)
    top_u[~np.isfinite(top)] = np.nan
    height, height_u = crowns.crown_height_mm.copy(), crowns.crown_height_u_mm.copy()
    height_origin = crowns.crown_height_origin.copy()
    for j in np.flatnonzero(np.isnan(height).any(axis=0)).tolist():
        gap, seen = np.isnan(height[:, j]), np.isfinite(height[:, j])
        usable = gap & np.isfinite(top[:, j])
        if not seen.any() or not usable.any():
            continue
        spread = float(np.var(height[seen, j], ddof=1)) if seen.sum() > 1 else 0.0
        height_u[usable, j] = np.sqrt(spread + np.mean(height_u[seen, j] ** 2))
        height[usable, j] = height[seen, j].mean()
        height_origin[usable, j] = Origin.INTERPOLATED
    if places := missing_places(top):
        sentence = (
            f"The crown tops of {places} are missing, and a plan needs every one: scan there "
            "again, finer or without strings, or read crown_top there and at two frets far apart "
            "of each such string."
        )
        findings.append(Finding("missing", sentence, "crown_top"))
    origin = np.where(filled, np.int8(Origin.INTERPOLATED), crowns.crown_top_origin)
    whole = replace(
        crowns,
        heights=_crowns_alone(top, top_u, origin),
        crown_height_mm=height,
        crown_height_u_mm=height_u,
        crown_height_origin=height_origin,
    )
    return whole, findings


def _crowns_alone(top_mm: FloatArray, u_mm: FloatArray, origin: CodeArray) -> Heights:
    """Return heights of crowns without nut and saddle."""
    return Heights.independent(
        nut_mm=np.nan,
        crown_top_mm=top_mm,
        saddle_mm=np.nan,
        crown_top_u_mm=u_mm,
        origin=np.pad(origin, ((0, 0), (1, 1))),
    )


_REPLACED = frozenset({"crown_top", "crown_height", "board"})
_ENDS = frozenset({"nut_slot", "saddle"})


def _comparison(
    worst: tuple[float, float, Reading] | None, readings: Sequence[Reading]
) -> list[Finding]:
    """Return what the sheet's own heights say about the scan's."""
    replaced = [r.place for r in readings if r.quantity in _REPLACED]
    if not replaced:
        return []
    places = rows_text(replaced)
    if worst is None:
        sentence = f"The scan's crowns are used instead of those of the sheet ({places})."
        return [Finding("unused", sentence, places, "note")]
    difference, u, reading = worst
    sentence = (
        "The crown tops of sheet and scan differ by at most "
        f"{length_text(abs(difference))} (string {reading.string}, fret {reading.frets[0]}) once a "
        "straight line per string is taken off; the scan's are used"
    )
    if abs(difference) > max(CHECK_MM, COVERAGE_FACTOR * u):
        return [Finding("disagree", f"{sentence}, so check both.", str(reading.place), "warning")]
    return [Finding("unused", f"{sentence}.", places, "note")]
