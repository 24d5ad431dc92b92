"""Dense surfaces: where the frets of a scan are, and how high each crown stands.

`find_surface` says how a scan lies, `measure_crowns` what it holds, `to_measurement` makes of it
what a hand sheet would give. `find_slots` reads a board before fretting, `fit_circle` fits a
circle. A scan is an array of points, a `HeightMap` or a `Mesh`.
"""

from evenfall.scans.arcs import fit_circle
from evenfall.scans.crown_survey import CrownSurvey
from evenfall.scans.orientation import find_surface
from evenfall.scans.slots import find_slots
from evenfall.scans.surface import HeightMap, Mesh
from evenfall.scans.survey import measure_crowns, to_measurement

__all__ = [
    "CrownSurvey",
    "HeightMap",
    "Mesh",
    "find_slots",
    "find_surface",
    "fit_circle",
    "measure_crowns",
    "to_measurement",
]
