"""Files of readings of one instrument, each read by what it is: hand sheets, or a scan."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from evenfall.errors import At, Progress, RequestError, silent
from evenfall.files import read_bytes, same_content
from evenfall.instrument import Specification
from evenfall.readings.scanned import InstrumentReadings, ScanSetting, read_scanned
from evenfall.scans.formats import ScanOptions, is_scan
from evenfall.sheets import KnownGauge, SheetFile, read_measurement
from evenfall.sheets.cells import FILE_LIMIT_BYTES

LONGEST_SERIAL = 80
"""Characters of a serial: as many as fit on a label, a bench sheet and a certificate."""


def read_files(
    files: Sequence[Path],
    specification: Specification,
    *,
    serial: str = "",
    options: ScanOptions | None = None,
    setting: ScanSetting | None = None,
    gauges: Sequence[KnownGauge] = (),
    progress: Progress = silent,
) -> InstrumentReadings:
    """Return the measurement in one or more files of one instrument, each read by its content.

    Parameters
    ----------
    files
        Hand sheets; or scans, whole or in parts that overlap, alone or with hand sheets that add
        what they do not show.
    specification
        The instrument.
    serial
        Serial number of the instrument.
    options, setting
        What the caller knows about the scan; None if there is nothing to say.
    gauges
        Gauges whose uncertainty holds for hand readings that state none.
    progress
        Told what is being done and how far it is.

    Raises
    ------
    RequestError
        A file is not there or is named twice, something was said about a scan and none is
        among the files, or the serial is no short line of text.
    FormatMismatchError, BrokenFileError, UnsupportedError, ReadingsError
        As `evenfall.sheets.read_measurement` and `evenfall.readings.scanned.read_scanned`.
    """
    if len(serial) > LONGEST_SERIAL or not (serial.isprintable() or not serial):
        raise RequestError(
            "A serial is one line of at most {most} characters; shorten it.",
            at=At(field="serial"),
            most=LONGEST_SERIAL,
        )
    paths = [Path(file) for file in files]
    if twice := same_content(paths):
        raise RequestError(
            "{first} and {second} are the same file: a copy is not a second reading; name it once.",
            at=At(file=twice[1].name),
            first=twice[0].name,
            second=twice[1].name,
        )
    scans = [path for path in paths if is_scan(path, options)]
    if not scans and (options is not None or setting is not None):
        raise RequestError(
            "Length unit, step, state, mirroring and scanner's uncertainty belong to a scan, "
            "but the files are hand sheets; state them in the sheet, or name a scan.",
            at=At(file=", ".join(path.name for path in paths)),
        )
    if scans and gauges:
        raise RequestError(
            "A gauge is named for readings by hand, but a scan is among the files; state its "
            "uncertainty with {door_scan_uncertainty}, and that of a sheet beside it in the sheet.",
            at=At(field="gauge"),
        )
    sheets = [
        SheetFile(path.name, read_bytes(path, limit_bytes=FILE_LIMIT_BYTES))
        for path in paths
        if path not in scans
    ]
    if not scans:
        measurement, findings = read_measurement(
            sheets, specification, serial=serial, gauges=gauges
        )
        return InstrumentReadings(measurement, findings)
    return read_scanned(
        scans[0],
        specification,
        more=scans[1:],
        sheets=sheets,
        options=options,
        setting=setting,
        serial=serial,
        progress=progress,
    )
