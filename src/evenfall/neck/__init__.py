"""How the neck bows: under its strings, by its rod, and with the seasons."""

from evenfall.neck.bow import Bow, default_bow
from evenfall.neck.forecast import NeckForecast, forecast
from evenfall.neck.stiffness import NeckModel, neck_model

__all__ = ["Bow", "NeckForecast", "NeckModel", "default_bow", "forecast", "neck_model"]
