"""What is worked on: scale and fret places, board, strings, fret wire, setup specification.

Examples
--------
>>> import evenfall as ef
>>> spec_file = ef.Source.invented("tesquil.spec.toml")
>>> spec, remarks = read_specification(spec_file.text(), source=spec_file.name)
>>> isinstance(spec, Specification), spec.string_count, spec.frets
(True, 6, 22)
>>> lines = string_lines(spec)
>>> isinstance(lines, StringLines), lines.station_mm.shape
(True, (6, 23))
>>> float(fret_distance_mm(648.0, 12))
324.0
"""

from evenfall.instrument.geometry import StringLines, fret_distance_mm, string_lines
from evenfall.instrument.specification import Specification
from evenfall.instrument.specification_file import read_specification

__all__ = [
    "Specification",
    "StringLines",
    "fret_distance_mm",
    "read_specification",
    "string_lines",
]
