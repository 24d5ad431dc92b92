"""How the neck bows under strings, rod and seasons, and the line that level crowns lie on.

Examples
--------
>>> import evenfall as ef
>>> from evenfall.instrument import string_lines
>>> readings = ef.Source.invented("tesquil-before.csv")
>>> spec_file = ef.Source.invented("tesquil.spec.toml")
>>> taken = ef.measure(ef.MeasureRequest((readings,), spec_file))
>>> spec, lines = taken.specification, string_lines(taken.specification)
>>> model = neck_model(spec, lines)
>>> type(model).__name__, type(forecast(spec, model, taken.measurement)).__name__
('NeckModel', 'NeckForecast')
>>> bow = default_bow(spec, lines)
>>> isinstance(bow, Bow), bow.frets.shape, round(bow.relief_mm(0.2 * bow.frets), 6)
(True, (6, 22), 0.2)
>>> line = level_line(spec, taken.measurement, lines, bow, 0.02)
>>> isinstance(line, LevelLine), line.level_mm.shape, 11 in [one.fret for one in line.standing]
(True, (6, 22), True)
"""

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
