"""Between which values the lengths, forces and pitches of a plan lie."""

from __future__ import annotations

LEAST_SHOWN_MM = 5e-4
"""Less than this is not called work on a fret: it shows as zero in every table [mm]."""

HEIGHT = (-1000.0, 1000.0)
GAP = (-100.0, 100.0)
FORCE = (-1e6, 1e6)
CROWN = (-1e-6, 20.0)
METAL = (0.0, 5000.0)
CENTS = (-2400.0, 2400.0)
