"""Hand sheets of one instrument, read together."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from evenfall.errors import Finding, ReadingsError, RequestError
from evenfall.files import read_bytes
from evenfall.sheets.reduction import reduce_readings
from evenfall.sheets.rows import read_rows
from evenfall.sheets.text_rows import FILE_LIMIT_BYTES, read_sheet

if TYPE_CHECKING:
    from evenfall.instrument import Specification
    from evenfall.measurement import Measurement
    from evenfall.sheets.rows import Reading

MOST_FINDINGS = 20
"""So many faults are shown at once; the rest are counted."""


def read_measurement(
    files: Sequence[Path], specification: Specification, *, serial: str = ""
) -> tuple[Measurement, tuple[Finding, ...]]:
    """Return the measurement in one or more hand sheets of one instrument.

    CSV and XLSX may be mixed; the rows of all files count as one sheet.

    Parameters
    ----------
    files
        The sheets.
    specification
        The instrument.
    serial
        What the instrument is called on its label or job ticket.

    Returns
    -------
    tuple of Measurement and findings
        The findings are warnings and notes only.

    Raises
    ------
    RequestError
        No file is named, one is named twice, or one cannot be read.
    FormatMismatchError, BrokenFileError, UnsupportedError
        A file is no sheet of readings, is damaged, or is of a kind that is not read.
    ReadingsError
        Readings cannot be used: every fault found, with its row.
    """
    paths = [Path(file) for file in files]
    if not paths:
        raise RequestError("No sheet is named; name at least one CSV or XLSX file.", where="files")
    readings, findings = read_readings(paths, specification)
    where = paths[0].name if len(paths) == 1 else ""
    unread = [finding for finding in findings if finding.severity == "error"]
    if unread and not readings:
        raise readings_error(unread, where)
    measurement, more = reduce_readings(
        readings, specification, serial=serial, source=tuple(path.name for path in paths)
    )
    # a row that cannot be read leaves a gap behind, which is not worth a sentence of its own
    errors = unread + [
        f for f in more if f.severity == "error" and not (unread and f.code == "missing")
    ]
    if errors or measurement is None:
        raise readings_error(errors, where)
    return measurement, (*findings, *more)


def read_readings(
    paths: Sequence[Path], specification: Specification
) -> tuple[list[Reading], list[Finding]]:
    """Return the readings in hand sheets as they stand, and what is wrong with their rows.

    Parameters
    ----------
    paths
        The sheets.
    specification
        The instrument.

    Raises
    ------
    RequestError, FormatMismatchError, BrokenFileError, UnsupportedError
        As `read_measurement`.
    """
    real = [os.path.realpath(path) for path in paths]
    for path in paths:
        if real.count(os.path.realpath(path)) > 1:
            raise RequestError("The file is named twice; name it once.", where=path.name)
    readings: list[Reading] = []
    findings: list[Finding] = []
    for path in paths:
        sheet = read_sheet(read_bytes(path, limit_bytes=FILE_LIMIT_BYTES), name=path.name)
        file = path.name if len(paths) > 1 else ""
        found, faults = read_rows(sheet.rows, specification, file=file)
        readings += found
        findings += [*_in_file(sheet.findings, file), *faults]
    return readings, findings


def _in_file(findings: Iterable[Finding], file: str) -> list[Finding]:
    return [
        Finding(f.code, f.sentence, f"{file}, {f.where}" if file else f.where, f.severity)
        for f in findings
    ]


def readings_error(errors: Sequence[Finding], where: str) -> ReadingsError:
    """Return one error for all findings, the first ones in full and the rest counted.

    Parameters
    ----------
    errors
        The findings.
    where
        File that they are in.
    """
    more = len(errors) - MOST_FINDINGS
    if more <= 0:
        return ReadingsError(errors, where=where)
    sentence = (
        f"There {'are' if more > 1 else 'is'} {more} more like these; mend the rows named above "
        "and run again."
    )
    last = Finding("row", sentence, "the rest of the sheet", "error")
    return ReadingsError([*errors[:MOST_FINDINGS], last], where=where)
