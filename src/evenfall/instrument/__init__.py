"""What is worked on: scale and fret places, board, strings, fret wire, setup specification."""

from evenfall.instrument.geometry import StringLines, fret_distance_mm, string_lines
from evenfall.instrument.reading import read_specification
from evenfall.instrument.specification import Specification

__all__ = [
    "Specification",
    "StringLines",
    "fret_distance_mm",
    "read_specification",
    "string_lines",
]
