"""Readings in: hand sheets, or a scan with what is known about it; and their drawings."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from evenfall.workshop.job import check_specification

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from evenfall.instrument import Specification
    from evenfall.readings.of_instrument import Taken
    from evenfall.readings.scanned import Setting
    from evenfall.scans.formats import Options, Progress
    from evenfall.units import LengthUnit


def take_readings(
    files: Sequence[Path],
    specification: Path,
    *,
    serial: str = "",
    options: Options | None = None,
    setting: Setting | None = None,
    progress: Progress | None = None,
) -> tuple[Specification, Taken]:
    """Read one set of readings, and say what a scan was taken for.

    Parameters
    ----------
    files
        Hand sheets of one instrument; or one scan, alone or with sheets.
    specification
        The specification file it is read against.
    serial
        What the instrument is called; may be empty.
    options, setting
        What is known about the scan; None if there is nothing to say.
    progress
        Told what is being done and how far it is.

    Raises
    ------
    EvenfallError
        A file cannot be used; see `evenfall.readings.of_instrument.read_files`.
    """
    from evenfall.readings.of_instrument import read_files
    from evenfall.scans.formats.scan import silent

    spec, remarks = check_specification(specification)
    taken = read_files(
        files, spec, serial=serial, options=options, setting=setting, progress=progress or silent
    )
    return spec, replace(taken, findings=(*remarks, *taken.findings))


def measure_pictures(
    specification: Specification, taken: Taken, *, unit: LengthUnit | None = None
) -> dict[str, str]:
    """Draw a measurement; SVG text by name.

    Parameters
    ----------
    specification
        The instrument.
    taken
        Its readings.
    unit
        Unit of the numbers; the specification's if left out.
    """
    from evenfall.pictures.neck import neck_curve
    from evenfall.pictures.scans import scan_drawings

    shown = unit or specification.unit
    if taken.survey is None:
        return {"neck": neck_curve(specification, taken.measurement, unit=shown)}
    return scan_drawings(
        specification, taken.survey, taken.measurement, sheet=taken.sheet, unit=shown
    )
