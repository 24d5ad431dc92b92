"""One scan of an instrument, and hand sheets beside it, to one measurement.

The scan gives the crowns. What it cannot show, nut slots and saddle, comes from the sheets: as
actions, which need no datum, or as heights, which are brought over to the scan's datum by crown
tops that were read on both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from evenfall.arrays import FloatArray, numbered
from evenfall.errors import (
    At,
    EvenfallError,
    Finding,
    Progress,
    ReadingsError,
    RequestError,
    silent,
)
from evenfall.instrument import Specification, string_lines
from evenfall.measurement import Measurement, Origin
from evenfall.measurement.causes import Causes
from evenfall.measurement.missing import first_of, missing_places
from evenfall.scans import CrownSurvey, measure_crowns, to_measurement
from evenfall.scans.formats import Scan, ScanOptions, read_scan
from evenfall.scans.joined import crowns_seen, drawn_together, join_scans
from evenfall.scans.refused import UNIT_WORDS
from evenfall.sheets import SheetFile
from evenfall.sheets.crown_tops import add_reading, fill_across
from evenfall.sheets.hand import read_readings, readings_error
from evenfall.sheets.means import COVERAGE_FACTOR, Mean, at_key, combine
from evenfall.sheets.readings import Reading, at_places, rows_by_file
from evenfall.sheets.reduction import CHECK_MM, reduce_readings
from evenfall.wording import Sentence, sentence

LEAST_SHARED_FRETS = 2
"""Two crowns at least bring a straight datum over."""

LEAST_SHARED_SPAN_SHARE = 0.2
"""And they lie at least this share of the string apart."""

MOST_SCAN_UNCERTAINTY_MM = 1.0
"""A scanner that is worse than this [mm] shows nothing about frets."""


@dataclass(frozen=True, slots=True)
class ScanSetting:
    """What the caller knows about how the instrument was scanned."""

    strung: bool | None = None  # whether the strings were at pitch; None if not said
    mirrored: bool | None = None  # whether the file's axes swap treble and bass; None if not known
    # standard uncertainty of the scanner's heights within one scan [mm], which its points do not
    # show
    scan_uncertainty_mm: float = 0.0

    def __post_init__(self) -> None:
        if not 0.0 <= self.scan_uncertainty_mm <= MOST_SCAN_UNCERTAINTY_MM:
            raise RequestError(
                "{door_scan_uncertainty} must lie from 0 to {most:length}.",
                most=MOST_SCAN_UNCERTAINTY_MM,
            )


@dataclass(frozen=True, slots=True)
class InstrumentReadings:
    """One measurement and what it came from.

    Parameters
    ----------
    measurement
        The measurement.
    findings
        What is worth knowing about the readings.
    recognised
        What a scan was taken for and why; None for hand sheets.
    survey
        Crowns and board of a scan; None for hand sheets.
    sheet
        What the sheets beside a scan would have given alone; None where they do not suffice.
    """

    measurement: Measurement
    findings: tuple[Finding, ...]
    recognised: Sentence | None = None
    survey: CrownSurvey | None = None
    sheet: Measurement | None = None


def read_scanned(
    path: Path,
    specification: Specification,
    *,
    more: Sequence[Path] = (),
    sheets: Sequence[SheetFile] = (),
    options: ScanOptions | None = None,
    setting: ScanSetting | None = None,
    serial: str = "",
    progress: Progress = silent,
) -> InstrumentReadings:
    """Return the measurement in a scan of a fretboard; hand sheets add what it does not show.

    `more` are further scans of the same neck, whole or in parts that overlap.
    """
    known = setting or ScanSetting()
    # sheets are quick to read and often wrong: tell that first
    readings, findings = read_readings(sheets, specification) if sheets else ([], [])
    source = (*(one.name for one in (path, *more)), *(sheet.name for sheet in sheets))
    each = []
    told: list[Finding] = []
    for one in (path, *more):
        scan = read_scan(one, options, progress)
        survey, found = _survey(scan, specification, known, progress)
        at = At(file=scan.file)
        recognised = scan.summary()
        told += [Finding("recognised", "{what}", at, "note", what=recognised), *scan.findings]
        told += [f.placed(f.at.in_file(scan.file)) if more else f for f in found]
        told += [Finding("unused", "{what}", at, "note", what=text) for text in scan.left_out]
        own = to_measurement(
            survey,
            specification,
            serial=serial,
            source=(one.name,),
            strung=known.strung is not False,
        )
        each.append((own, survey, recognised))
        del scan  # its points are not needed any longer
    findings = [*told, *findings]
    found_crowns, survey, recognised = max(each, key=lambda one: crowns_seen(one[0]))
    if more:
        progress("Joining the scans", 0.0)
        found_crowns, joined = join_scans([own for own, _, _ in each], specification)
        findings = [f for f in findings if not _answered(f, found_crowns)]
        findings += joined
        survey = drawn_together([one for _, one, _ in each], found_crowns)
    found_crowns = replace(found_crowns, source=source)
    findings += _scanner(known)
    if not sheets:
        crowns = _Crowns(found_crowns)
        findings += [*_without_gaps(crowns, specification), *_state(known)]
        findings += _ends_missing(found_crowns, specification)
        return InstrumentReadings(crowns.measurement(), tuple(findings), recognised, survey)
    errors = [f for f in findings if f.severity == "error"]
    measurement, others = join_sheets(
        found_crowns, readings, specification, serial=serial, source=source
    )
    findings += others
    errors += [f for f in others if f.severity == "error"]
    if measurement is not None:
        errors += _clash_of_states(known, readings)
    if errors or measurement is None:
        raise readings_error(errors, At(file=sheets[0].name) if len(sheets) == 1 else At())
    if known.strung is not None:
        measurement = replace(measurement, strung=known.strung)
    alone = _sheet_alone(readings, specification)
    return InstrumentReadings(measurement, tuple(findings), recognised, survey, alone)


def _answered(finding: Finding, joined: Measurement) -> bool:
    """Say whether one scan lacks what another of the same neck shows: frets, or their numbers."""
    if finding.code == "numbering":
        return joined.scanned is not None and not joined.scanned.numbering_open
    shown = np.asarray(np.isfinite(joined.crown_top_mm).any(axis=0))
    named = finding.code == "scan" and bool(finding.at.frets)
    return named and bool(shown[[fret - 1 for fret in finding.at.frets]].all())


def join_sheets(
    crowns: Measurement,
    readings: Sequence[Reading],
    specification: Specification,
    *,
    serial: str = "",
    source: tuple[str, ...] = (),
) -> tuple[Measurement | None, list[Finding]]:
    """Return what the crowns of a scan and the readings of hand sheets beside it give together."""
    joined = _Crowns(crowns)
    usable, findings = _over_scan(readings, joined, specification)
    findings += _without_gaps(joined, specification)
    measurement, more = reduce_readings(
        usable, specification, serial=serial, source=source, crowns=joined.measurement()
    )
    return measurement, [*findings, *more]


def _survey(
    scan: Scan, specification: Specification, setting: ScanSetting, progress: Progress
) -> tuple[CrownSurvey, list[Finding]]:
    """Return the crowns in a scan; a unit that the frets contradict gives way, and is reported."""
    progress("Finding the frets", 0.0)

    def measured(unit: str | None) -> tuple[CrownSurvey, tuple[Finding, ...]]:
        return measure_crowns(
            scan.content,
            specification,
            unit_hint=unit,
            mirrored=setting.mirrored,
            scan_uncertainty_mm=setting.scan_uncertainty_mm,
            progress=progress,
        )

    try:
        survey, findings = measured(scan.unit)
    except ReadingsError as error:
        error.at = error.at.in_file(scan.file)
        told = scan.unit is not None and scan.unit_from != "option"
        if not told or any(f.code == "slots-only" for f in error.findings):
            raise
        try:
            survey, findings = measured(None)
        except ReadingsError:
            raise error from None
        slip = Finding(
            "unit-slip",
            "The file is in {said}, as the {unit_from} says, but its frets fit the specification "
            "only if the numbers are {unit}; they were taken as {unit}. Give the unit "
            "({door_scan_unit}) to settle it.",
            At(file=scan.file),
            said=UNIT_WORDS.get(scan.unit or "", scan.unit),
            unit_from=scan.unit_from,
            unit=UNIT_WORDS.get(survey.orientation.unit, survey.orientation.unit),
        )
        findings = (slip, *(f for f in findings if f.code != "unit-slip"))
    progress("Finding the frets", 1.0)
    if not np.isfinite(survey.crown_top_mm).any():
        seen = int(np.isfinite(survey.orientation.fret_x_mm).sum())
        text = (
            "Something stands where {seen} of {frets} frets should be, but no crown of them can be "
            "measured; check that the scan shows this instrument's fretboard, and that it is finer "
            "than the crowns."
        )
        fault = Finding("scan", text, severity="error", seen=seen, frets=specification.frets)
        raise ReadingsError([fault], at=At(file=scan.file))
    return survey, list(findings)


def _scanner(setting: ScanSetting) -> list[Finding]:
    if setting.scan_uncertainty_mm:
        return []
    text = (
        "The uncertainty is that of the points' scatter alone; add the scanner's own, from its "
        "calibration, with {door_scan_uncertainty}."
    )
    return [Finding("no-uncertainty", text, At(field="scan_uncertainty"), "note")]


def _state(setting: ScanSetting) -> list[Finding]:
    if setting.strung is None:
        text = "No state is given; the strings are taken to have been at pitch."
        return [Finding("state", text, At(field="state"), "note")]
    if setting.strung:
        return []
    text = (
        "The scan was taken without string tension; the strings will bow the neck, so measure "
        "again strung to pitch before you cut."
    )
    return [Finding("state", text, At(field="state"))]


def _clash_of_states(setting: ScanSetting, readings: Sequence[Reading]) -> list[Finding]:
    other = [r.place for r in readings if r.strung is not None and r.strung is not setting.strung]
    if setting.strung is None or not other:
        return []
    scanned, read = ("strung", "unstrung") if setting.strung else ("unstrung", "strung")
    return [
        Finding(
            "state",
            "The scan was taken {scanned} and the sheet read {read}{rows}, and the neck bows in "
            "between; take both in one state.",
            at_places(other, field="state"),
            "error",
            scanned=sentence(scanned),
            read=sentence(read),
            rows=rows_by_file(other),
        )
    ]


def _ends_missing(found: Measurement, specification: Specification) -> list[Finding]:
    """Return what a scan lacks besides its crowns: the ends of strings that it does not show."""
    ends = found.heights.missing[:, [0, -1]].any(axis=1)
    strings = numbered(ends)
    if not strings:
        return []
    return [
        Finding(
            "missing",
            "The scan shows neither nut slots nor saddle{of}, and no string at pitch over them; "
            "name a hand sheet beside it with the action of each string over frets 1 and "
            "{reference}, so that the job can go on.",
            At(field="nut_slot, saddle", strings=() if ends.all() else strings),
            of=sentence("" if ends.all() else " of {strings:strings}", strings=strings),
            reference=specification.scale.reference_fret,
        )
    ]


def _sheet_alone(readings: Sequence[Reading], specification: Specification) -> Measurement | None:
    """Return what the sheets give without the scan, if they give all crowns."""
    try:
        measurement, findings = reduce_readings(readings, specification)
    except EvenfallError:
        return None
    if measurement is None or any(f.severity == "error" for f in findings):
        return None
    return measurement if np.isfinite(measurement.heights.crown_top_mm).all() else None


# ---- heights over another datum ----------------------------------------------------------------


class _Crowns:
    """Crowns of a scan while a sheet adds to them; in the end with what they have in common."""

    def __init__(self, found: Measurement) -> None:
        heights = found.heights
        self.found = found
        self.height_mm = heights.height_mm.copy()
        self.origin = heights.origin.copy()
        self.causes = Causes.of(heights)

    @property
    def top_mm(self) -> FloatArray:
        """Crown tops, shape (K, F) [mm]; writes go through."""
        return self.height_mm[:, 1:-1]

    def measurement(self) -> Measurement:
        """Return the crowns with what was added."""
        return replace(self.found, heights=self.causes.heights(self.height_mm, self.origin))


def _over_scan(
    readings: Sequence[Reading], crowns: _Crowns, specification: Specification
) -> tuple[list[Reading], list[Finding]]:
    """Bring the datum of a sheet over to that of the scan; return the readings still to be used.

    The line between the two goes through crown tops that both have. What it adds to readings of nut
    and saddle stands in those columns of the crowns. Crowns that the scan does not show are taken
    from the sheet; those that it shows are compared.
    """
    lines = string_lines(specification)
    tops, _ = combine(r for r in readings if r.quantity == "crown_top")
    usable = [r for r in readings if r.quantity not in _REPLACED | _ENDS]
    findings: list[Finding] = []
    added: list[Sentence] = []
    lost: list[Reading] = []
    worst: tuple[float, float, Mean] | None = None
    for k in range(specification.string_count):
        own = {key[2][0]: mean for key, mean in tops.items() if key[1] == k + 1}
        shared = {fret: m for fret, m in own.items() if np.isfinite(crowns.height_mm[k, fret])}
        ends = [r for r in readings if r.quantity in _ENDS and r.string == k + 1]
        frets = sorted(shared)
        x = lines.station_mm[k, frets]
        least_span = LEAST_SHARED_SPAN_SHARE * lines.saddle_station_mm[k]
        if len(frets) < LEAST_SHARED_FRETS or np.ptp(x) < least_span:
            lost += ends
            continue
        more = crowns.height_mm[k, frets] - [shared[fret].value_mm for fret in frets]
        solver = np.linalg.pinv(np.column_stack([np.ones_like(x), x]))
        line = solver @ more
        off = more - line[0] - line[1] * x
        u = [np.hypot(shared[fret].u_mm, crowns.causes.u_mm((k, fret))) for fret in frets]
        for fret, difference, spread in zip(frets, off.tolist(), u, strict=True):
            if worst is None or abs(difference) > abs(worst[0]):
                worst = (difference, float(spread), shared[fret])
        # a worse fit than the readings explain is an uncertainty of its own
        excess = np.sqrt(np.maximum(0.0, np.var(off) - np.square(u)))
        read = {r.quantity for r in ends}  # what the scan shows itself stays
        places = {0: 0.0} if "nut_slot" in read else {}
        if "saddle" in read:
            places[crowns.height_mm.shape[1] - 1] = float(lines.saddle_station_mm[k])
        gone = [fret for fret in own if fret not in shared]
        places |= {fret: float(lines.station_mm[k, fret]) for fret in gone}
        for column, place in places.items():
            shares = np.array([1.0, place]) @ solver
            weights = np.zeros_like(crowns.height_mm)
            weights[k, frets] = shares
            crowns.causes.derive((k, column), weights)
            for fret, share, extra in zip(frets, shares.tolist(), excess.tolist(), strict=True):
                add_reading(crowns.causes, shared[fret], (k, column), -share)
                crowns.causes.add(("datum", k, fret), "datum", (k, column), share * extra)
            crowns.height_mm[k, column] = line @ [1.0, place]
            crowns.origin[k, column] = Origin.DERIVED
        for fret in gone:
            crowns.height_mm[k, fret] += own[fret].value_mm
            crowns.origin[k, fret] = Origin.READ
            add_reading(crowns.causes, own[fret], (k, fret), 1.0)
            added.append(sentence("fret {fret} string {string}", fret=fret, string=k + 1))
        usable += ends
    if lost:
        at_rows = [r.place for r in lost]
        findings.append(
            Finding(
                "missing",
                "Heights of nut or saddle{rows} stand over another datum than the scan; read "
                "the action over two frets instead, or crown_top at two frets far apart over the "
                "same datum.",
                at_places(at_rows, strings=tuple(sorted({r.string for r in lost}))),
                "error",
                rows=rows_by_file(at_rows),
            )
        )
    if added:
        findings.append(
            Finding(
                "route",
                "Crown tops that the scan does not show were taken from the sheet and put on "
                "the scan's datum: {places}.",
                At(field="crown_top"),
                "note",
                places=first_of(added, "place"),
            )
        )
    crowns.found = _with_crown_heights(readings, crowns.found)
    return usable, [*findings, *_comparison(worst, readings)]


def _with_crown_heights(readings: Sequence[Reading], crowns: Measurement) -> Measurement:
    """Return the crowns with the heights over the board that only the sheet has."""
    means, _ = combine(r for r in readings if r.quantity == "crown_height")
    height, u = crowns.crown_height_mm.copy(), crowns.crown_height_u_mm.copy()
    freedom = crowns.crown_height_degrees_of_freedom.copy()
    origin = crowns.crown_height_origin.copy()
    for k, j in np.argwhere(~np.isfinite(height)).tolist():
        keys = (("crown_height", string, (j + 1,)) for string in (k + 1, 0))
        mean = next((means[key] for key in keys if key in means), None)
        if mean is not None:
            height[k, j], u[k, j], origin[k, j] = mean.value_mm, mean.u_mm, Origin.READ
            freedom[k, j] = mean.degrees_of_freedom
    return replace(
        crowns,
        crown_height_mm=height,
        crown_height_u_mm=u,
        crown_height_origin=origin,
        crown_height_degrees_of_freedom=freedom,
    )


def _without_gaps(crowns: _Crowns, specification: Specification) -> list[Finding]:
    """Interpolate single gaps across the strings, as in a hand sheet; say what is still missing."""
    station = string_lines(specification).station_mm[:, 1:]
    top, filled, findings = fill_across(crowns.top_mm, crowns.causes, station)
    crowns.top_mm[:] = top
    crowns.origin[:, 1:-1][filled] = Origin.INTERPOLATED
    found = crowns.found
    height, height_u = found.crown_height_mm.copy(), found.crown_height_u_mm.copy()
    height_origin = found.crown_height_origin.copy()
    for j in np.flatnonzero(np.isnan(height).any(axis=0)).tolist():
        gap, seen = np.isnan(height[:, j]), np.isfinite(height[:, j])
        usable = gap & np.isfinite(top[:, j])
        if not seen.any() or not usable.any():
            continue
        spread = float(np.var(height[seen, j], ddof=1)) if seen.sum() > 1 else 0.0
        height_u[usable, j] = np.sqrt(spread + np.mean(height_u[seen, j] ** 2))
        height[usable, j] = height[seen, j].mean()
        height_origin[usable, j] = Origin.INTERPOLATED
    crowns.found = replace(
        found,
        crown_height_mm=height,
        crown_height_u_mm=height_u,
        crown_height_origin=height_origin,
    )
    absent = ~np.isfinite(top)
    if not absent.any():
        return findings
    text = (
        "The crown tops of {places} are missing, and a plan needs every one: scan there again, "
        "finer or unstrung, or read crown_top there and at two frets far apart of each such string."
    )
    places = missing_places(absent)
    return [*findings, Finding("missing", text, At(field="crown_top"), places=places)]


_REPLACED = frozenset({"crown_top", "crown_again", "crown_height", "board"})
_ENDS = frozenset({"nut_slot", "saddle"})


def _comparison(
    worst: tuple[float, float, Mean] | None, readings: Sequence[Reading]
) -> list[Finding]:
    """Return what the sheet's own heights say about the scan's."""
    replaced = [r.place for r in readings if r.quantity in _REPLACED]
    if not replaced:
        return []
    if worst is None:
        text = "The scan's crowns are used instead of those of the sheet{rows}."
        return [Finding("unused", text, at_places(replaced), "note", rows=rows_by_file(replaced))]
    difference, u, mean = worst
    clash = abs(difference) > max(CHECK_MM, COVERAGE_FACTOR * u)
    return [
        Finding(
            "disagree" if clash else "unused",
            "The crown tops of sheet and scan differ by at most {difference:length} (string "
            "{string}, fret {fret}) once a straight line per string is taken off; the scan's are "
            "used{advice}.",
            at_key(mean.key, mean.places) if clash else at_places(replaced),
            "warning" if clash else "note",
            difference=abs(difference),
            string=mean.key[1],
            fret=mean.key[2][0],
            advice=sentence(", so check both") if clash else "",
        )
    ]
