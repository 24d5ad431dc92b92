"""How the neck bows: under its strings, by its rod, and with the seasons."""

from evenfall.neck.bow import Bow, crown_shift_mm, default_bow
from evenfall.neck.calibration import Calibration, calibrate
from evenfall.neck.forecast import (
    Converted,
    NeckForecast,
    RodMove,
    StringChange,
    converted_to_tension,
    forecast,
    restrung,
)
from evenfall.neck.season import (
    COVERAGE_FACTOR,
    Season,
    equilibrium_moisture_percent,
    humidity_range,
)
from evenfall.neck.stiffness import NeckModel, StiffnessOrigin, neck_model

__all__ = [
    "COVERAGE_FACTOR",
    "Bow",
    "Calibration",
    "Converted",
    "NeckForecast",
    "NeckModel",
    "RodMove",
    "Season",
    "StiffnessOrigin",
    "StringChange",
    "calibrate",
    "converted_to_tension",
    "crown_shift_mm",
    "default_bow",
    "equilibrium_moisture_percent",
    "forecast",
    "humidity_range",
    "neck_model",
    "restrung",
]
