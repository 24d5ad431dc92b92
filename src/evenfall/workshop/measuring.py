"""The use case "measure": readings in, a measurement out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

from evenfall.errors import Finding, Progress, silent
from evenfall.gates import Gates, next_readings, open_gates
from evenfall.instrument import Specification, string_lines
from evenfall.measurement import Measurement
from evenfall.neck import default_bow
from evenfall.neck.level_line import LevelLine, level_line, standing_findings
from evenfall.pictures.inks import Theme
from evenfall.readings import InstrumentReadings, read_files
from evenfall.readings.scanned import ScanSetting
from evenfall.scans.formats import ScanOptions
from evenfall.sheets import KnownGauge
from evenfall.units import LengthUnit
from evenfall.workshop.opening import Source, on_disk, open_specification
from evenfall.workshop.outputs import Outcome


@dataclass(frozen=True, slots=True)
class MeasureRequest:
    """The files of one set of readings, and what is known about them.

    Parameters
    ----------
    files
        Hand sheets of one instrument (CSV or XLSX), or scans, alone or with sheets.
    specification
        What they are read against.
    serial
        Serial number of the instrument; may be empty.
    unit
        Unit of a scan's coordinates: mm, um, cm, m or in; None to go by the file.
    step
        Distance between the columns and between the rows of a bare height map, in that unit.
    strung
        Whether the strings were at pitch during the scan; None if not said.
    mirrored
        Whether the scan's axes swap treble and bass; None if not known.
    scan_uncertainty_mm
        Standard uncertainty of the scanner's heights [mm], which its points do not show.
    gauges
        Gauges whose uncertainty holds for hand readings that state none, see
        `evenfall.workshop.gauges.known_gauges`.
    """

    files: tuple[Source, ...]
    specification: Source
    serial: str = ""
    unit: str | None = None
    step: tuple[float, float] | None = None
    strung: bool | None = None
    mirrored: bool | None = None
    scan_uncertainty_mm: float = 0.0
    gauges: tuple[KnownGauge, ...] = ()


@dataclass(frozen=True, slots=True)
class MeasureOutcome(Outcome):
    """A measurement and what it came from."""

    readings: InstrumentReadings  # the measurement, and the crowns and board of a scan
    gates: Gates  # what of it has to be read again before metal comes off, and what checks it
    line: LevelLine  # the line that level crowns would lie on

    @property
    def measurement(self) -> Measurement:
        """The measurement."""
        return self.readings.measurement

    @property
    def findings_of_result(self) -> tuple[Finding, ...]:
        """What has to be read again, and what is worth reading yet."""
        return (*self.off_level, *self.gates.unmet, *self.next_readings)

    @property
    def off_level(self) -> tuple[Finding, ...]:
        """Which frets of a scan stand out from the level line; of sheets a diagnosis tells."""
        if self.readings.survey is None:
            return ()
        return standing_findings(self.line)

    @property
    def next_readings(self) -> tuple[Finding, ...]:
        """What is worth reading yet; the crowns of a scan are not read again one by one."""
        hand = self.readings.survey is None
        found = next_readings(self.specification, self.measurement)
        return tuple(f for f in found if hand or f.at.field != "crown_again")

    def values(self) -> dict[str, Any]:
        """Return the measurement as plain values."""
        return self.measurement.as_dict()

    def drawings(self, unit: LengthUnit, theme: Theme) -> dict[str, Callable[[], str]]:
        """Return what draws the readings."""
        from evenfall.pictures.neck import neck_curve
        from evenfall.pictures.scans import scan_drawings

        spec, taken = self.specification, self.readings
        if taken.survey is None:
            draw = partial(neck_curve, spec, taken.measurement, unit=unit, theme=theme)
            return {"neck": draw}
        return scan_drawings(
            spec, taken.survey, taken.measurement, sheet=taken.sheet, unit=unit, theme=theme
        )


def measure(request: MeasureRequest, progress: Progress = silent) -> MeasureOutcome:
    """Read one set of readings.

    Parameters
    ----------
    request
        The files.
    progress
        Told what is being done; it may stop the work.

    Raises
    ------
    EvenfallError
        A file cannot be used; see `evenfall.readings.read_files`.

    Examples
    --------
    >>> import evenfall as ef
    >>> before = ef.Source.invented("tesquil-before.csv")
    >>> spec = ef.Source.invented("tesquil.spec.toml")
    >>> outcome = ef.measure(ef.MeasureRequest((before,), spec, serial="UY-0417"))
    >>> outcome.measurement.serial, outcome.measurement.crown_top_mm.shape
    ('UY-0417', (6, 22))
    """
    specification, remarks = open_specification(request.specification)
    options = setting = None
    if request.unit is not None or request.step is not None:
        options = ScanOptions(request.unit, request.step)
    known = (request.strung, request.mirrored, request.scan_uncertainty_mm)
    if known != (None, None, 0.0):
        setting = ScanSetting(*known)
    with on_disk(request.files) as paths:
        taken = read_files(
            paths,
            specification,
            serial=request.serial,
            options=options,
            setting=setting,
            gauges=request.gauges,
            progress=progress,
        )
    progress("Looking at the readings", 0.0)
    line = line_of(specification, taken.measurement)
    gates = open_gates(specification, taken.measurement, line)
    asked = {(finding.code, finding.said.text) for finding in gates.unmet}  # said there, and once
    told = [one for one in taken.findings if (one.code, one.said.text) not in asked]
    return MeasureOutcome(specification, (*remarks, *told), taken, gates, line)


def line_of(specification: Specification, measurement: Measurement) -> LevelLine:
    """Return the line that level crowns would lie on, before any bow of the neck is known."""
    lines = string_lines(specification)
    smallest_mm = specification.judgement.smallest_cut_mm("file")
    bow = default_bow(specification, lines)
    return level_line(specification, measurement, lines, bow, smallest_mm)
