"""Dense surfaces: where the frets of a scan are, and how high each crown stands.

`measure_crowns` says how a scan lies and what it holds, `to_measurement` makes of it what a hand
sheet would give. `find_slots` reads a board before fretting. A scan is an array of points, a
`HeightMap` or a `Mesh`.

Examples
--------
A scan of straight frets, made up over an even grid:

>>> import numpy as np
>>> import evenfall as ef
>>> from evenfall.instrument import fret_distance_mm, read_specification
>>> spec_file = ef.Source.invented("tesquil.spec.toml")
>>> spec, remarks = read_specification(spec_file.text(), source=spec_file.name)
>>> x, y = np.arange(0.0, 500.0, 0.2), np.arange(-22.0, 22.5, 0.5)
>>> frets = [fret_distance_mm(648.0, fret) for fret in range(1, 23)]
>>> away = np.abs(x[:, None] - frets).min(axis=1)
>>> arc = y[:, None] ** 2 / 600.0
>>> crowns = HeightMap(np.where(away < 1.2, 1.2 - away**2 / 2.4, 0.0) - arc, 0.2, 0.5)
>>> survey, findings = measure_crowns(crowns, spec, unit_hint="mm", mirrored=False)
>>> type(survey).__name__, round(float(survey.orientation.fret_x_mm[0]), 1)
('CrownSurvey', 36.4)
>>> to_measurement(survey, spec, serial="UY-0417").crown_top_mm.shape
(6, 22)

The slots of a board without frets, and a mesh of one triangle:

>>> slots = find_slots(HeightMap(np.where(away < 0.3, -1.5, 0.0) - arc, 0.2, 0.5))
>>> len(slots.place_mm), round(slots.depth_mm, 2)
(22, 1.5)
>>> Mesh(np.array([[[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]])).triangles.shape
(1, 3, 3)
"""

from evenfall.scans.crown_survey import CrownSurvey
from evenfall.scans.slots import find_slots
from evenfall.scans.surface import HeightMap, Mesh
from evenfall.scans.survey import measure_crowns, to_measurement

__all__ = [
    "CrownSurvey",
    "HeightMap",
    "Mesh",
    "find_slots",
    "measure_crowns",
    "to_measurement",
]
