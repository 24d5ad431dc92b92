"""How the neck bows under strings, rod and seasons, and the line that level crowns lie on."""

from evenfall.neck.bow import Bow, default_bow
from evenfall.neck.forecast import NeckForecast, forecast
from evenfall.neck.level_line import LevelLine, level_line
from evenfall.neck.stiffness import NeckModel, neck_model

__all__ = [
    "Bow",
    "LevelLine",
    "NeckForecast",
    "NeckModel",
    "default_bow",
    "forecast",
    "level_line",
    "neck_model",
]
