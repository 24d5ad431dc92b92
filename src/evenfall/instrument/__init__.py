"""What is worked on: scale and fret places, board, strings, fret wire, setup specification."""

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
