"""Hand sheets of one instrument, read together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from evenfall.errors import (
    At,
    Finding,
    FormatMismatchError,
    ReadingsError,
    RequestError,
    UnsupportedError,
)
from evenfall.instrument import Specification
from evenfall.measurement import Measurement
from evenfall.sheets.cells import FILE_LIMIT_BYTES, HAND_READINGS, Layout, SheetFile, Table
from evenfall.sheets.readings import KnownGauge, by_gauges, read_rows
from evenfall.sheets.reduction import reduce_readings
from evenfall.sheets.text_rows import read_text_table
from evenfall.wording import sentence

if TYPE_CHECKING:
    from evenfall.sheets.readings import Reading

MOST_FINDINGS = 20
"""So many faults are shown at once; the rest are counted."""

_ZIP = b"PK\x03\x04"
_COMPOUND = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_ENCRYPTED = "EncryptedPackage".encode("utf-16-le")


def read_measurement(
    files: Sequence[SheetFile],
    specification: Specification,
    *,
    serial: str = "",
    gauges: Sequence[KnownGauge] = (),
) -> tuple[Measurement, tuple[Finding, ...]]:
    """Return the measurement in one or more hand sheets of one instrument, and what to know of it.

    CSV and XLSX may be mixed; the rows of all files count as one sheet.

    Parameters
    ----------
    files
        The sheets: name and bytes of each.
    specification
        The instrument, K strings over F frets.
    serial
        Serial number of the instrument; may be empty.
    gauges
        Gauges whose uncertainty holds for readings that state none.

    Returns
    -------
    measurement
        Heights [mm] of nut, crowns and saddle with their standard uncertainties [mm].
    findings
        Warnings and notes only.

    Raises
    ------
    RequestError
        No file is named, or the same one twice.
    FormatMismatchError, BrokenFileError, UnsupportedError
        A file is no sheet of readings, is damaged, or is of a kind that is not read.
    ReadingsError
        Readings cannot be used: every fault found, with its row.

    Examples
    --------
    >>> from importlib import resources
    >>> from evenfall.instrument import read_specification
    >>> invented = resources.files("evenfall") / "invented"
    >>> text = (invented / "tesquil.spec.toml").read_text(encoding="utf-8")
    >>> specification, _ = read_specification(text)
    >>> name = "tesquil-before.csv"
    >>> file = SheetFile(name, (invented / name).read_bytes())
    >>> measurement, findings = read_measurement([file], specification, serial="UY-0417")
    >>> measurement.complete
    True
    """
    if not files:
        text = "No sheet is named; name at least one CSV or XLSX file."
        raise RequestError(text, at=At(field="files"))
    readings, findings = read_readings(files, specification)
    readings, known = by_gauges(readings, gauges)
    if gauges and readings and not known:
        raise RequestError(
            "No reading takes the uncertainty of gauge {name}: each states its own, or is of "
            "another quantity than the gauge was studied on ({quantity}).",
            at=At(field="gauge"),
            name=gauges[0].name,
            quantity=gauges[0].quantity or sentence("any"),
        )
    unread = [finding for finding in findings if finding.severity == "error"]
    where = At(file=files[0].name) if len(files) == 1 else At()
    if unread and not readings:
        raise readings_error(unread, where)
    measurement, more = reduce_readings(
        readings, specification, serial=serial, source=tuple(file.name for file in files)
    )
    # a row that cannot be read leaves a gap behind, which is not worth a sentence of its own
    errors = unread + [
        f for f in more if f.severity == "error" and not (unread and f.code == "missing")
    ]
    if errors or measurement is None:
        raise readings_error(errors, where)
    if known:
        measurement = replace(measurement, routes=(*measurement.routes, *known))
    return measurement, (*findings, *more)


def read_readings(
    files: Sequence[SheetFile], specification: Specification
) -> tuple[list[Reading], list[Finding]]:
    """Return the readings in hand sheets as they stand, and what is wrong with their rows."""
    readings: list[Reading] = []
    findings: list[Finding] = []
    for number, file in enumerate(files):
        for earlier in files[:number]:
            if earlier.content == file.content and file.content.strip():
                raise RequestError(
                    "This sheet is there twice, here and as {earlier}; name it once.",
                    at=At(file=file.name),
                    earlier=earlier.name,
                )
        table = read_table(file)
        found, faults = read_rows(table.rows, specification, file=file.name)
        readings += found
        findings += [f.placed(f.at.in_file(file.name)) for f in table.findings]
        findings += faults
    return readings, findings


def read_table(file: SheetFile, layout: Layout = HAND_READINGS) -> Table:
    """Return the rows of a sheet, CSV or XLSX, recognised by its content."""
    name, content = file
    at = At(file=name)
    if len(content) > FILE_LIMIT_BYTES:
        raise UnsupportedError(
            "The sheet is larger than {limit} MB, more than is read at once; check that it is the "
            "right file.",
            at=at,
            limit=FILE_LIMIT_BYTES // 1_000_000,
        )
    if not content.strip():
        raise FormatMismatchError(
            "The file is empty; start from a template for this instrument.", at=at
        )
    if content.startswith(_COMPOUND):
        if _ENCRYPTED in content:
            from evenfall.sheets.workbook import LOCKED

            raise UnsupportedError(LOCKED, at=at)
        text = "This is a workbook in the old XLS format; save it as XLSX or CSV."
        raise UnsupportedError(text, at=at)
    if content.startswith(_ZIP):
        from evenfall.sheets.workbook import read_workbook  # loads a large library

        return read_workbook(file, layout)
    return read_text_table(file, layout)


def readings_error(errors: Sequence[Finding], at: At) -> ReadingsError:
    """Return one error for all findings, the first ones in full and the rest counted."""
    more = len(errors) - MOST_FINDINGS
    if more <= 0:
        return ReadingsError(errors, at=at)
    last = Finding(
        "row",
        "There {more:plural is|are} {more} more like {more:plural this|these}; correct the rows "
        "named above and read the sheet again.",
        At(field="the rest of the sheet"),
        "error",
        more=more,
    )
    return ReadingsError([*errors[:MOST_FINDINGS], last], at=at)
