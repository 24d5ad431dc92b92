"""All drawings of one scan."""

from __future__ import annotations

from typing import TYPE_CHECKING

from evenfall.pictures.board_map import board_map
from evenfall.pictures.crown_views import crown_lines, crown_section, widest_flat
from evenfall.pictures.inks import LIGHT
from evenfall.pictures.neck import neck_curve

if TYPE_CHECKING:
    from evenfall.instrument import Specification
    from evenfall.measurement import Measurement
    from evenfall.pictures.inks import Theme
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
) -> dict[str, str]:
    """Return the drawings of a scan, SVG text by name.

    What hand sheets alone give is drawn under the scan's neck curve.
    """
    drawn = {
        "board": board_map(specification, survey, unit=unit),
        "crown lines": crown_lines(
            specification, survey, serial=measurement.serial, unit=unit, theme=theme
        ),
    }
    if any(section is not None for row in survey.sections for section in row):
        string, fret = widest_flat(survey, reference_fret=specification.scale.reference_fret)
        drawn["crown section"] = crown_section(
            specification,
            survey,
            string=string,
            fret=fret,
            serial=measurement.serial,
            unit=unit,
            theme=theme,
        )
    if sheet is None:
        drawn["neck"] = neck_curve(specification, measurement, unit=unit, theme=theme)
    else:
        drawn["neck"] = neck_curve(
            specification,
            sheet,
            measurement,
            unit=unit,
            names=("by the hand sheet", "by the scan"),
            theme=theme,
        )
    return drawn
