"""All drawings of one scan."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from evenfall.instrument import Specification
from evenfall.measurement import Measurement
from evenfall.pictures.board_map import board_map
from evenfall.pictures.crown_views import crown_lines, crown_section, widest_flat
from evenfall.pictures.inks import LIGHT, Theme
from evenfall.pictures.neck import neck_curve
from evenfall.pictures.scan_frets import board_along, crown_kinds_chart, fret_places_chart
from evenfall.scans import CrownSurvey
from evenfall.units import LengthUnit


def scan_drawings(
    specification: Specification,
    survey: CrownSurvey,
    measurement: Measurement,
    *,
    sheet: Measurement | None = None,
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
) -> dict[str, Callable[[], str]]:
    """Return what draws each picture of a scan, by name.

    What hand sheets alone give is drawn under the scan's neck curve.
    """
    at = specification.scale.reference_fret
    looks: dict[str, Any] = {"serial": measurement.serial, "unit": unit, "theme": theme}

    def section() -> str:
        string, fret = widest_flat(survey, reference_fret=at)
        return crown_section(specification, survey, string=string, fret=fret, **looks)

    states = (measurement, None) if sheet is None else (sheet, measurement)
    names = None if sheet is None else ("by the hand sheet", "by the scan")
    scanned = survey.scanned
    drawings: dict[str, Callable[[], str]] = {
        "board": partial(board_map, specification, survey, **looks),
        "crown lines": partial(crown_lines, specification, survey, **looks),
        "crown section": section,
        "kinds of crown": partial(crown_kinds_chart, specification, survey, **looks),
        "fret places": partial(fret_places_chart, specification, scanned, **looks),
        "board along the neck": partial(board_along, specification, survey, **looks),
        "neck": partial(neck_curve, specification, *states, unit=unit, names=names, theme=theme),
    }
    if not any(section is not None for row in survey.sections for section in row):
        del drawings["crown section"]
    return drawings
