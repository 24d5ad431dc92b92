"""The few inks that every picture shares: ink on white, one warm hue for risk, grey for metal.

Both ramps change in lightness only, so that a black-and-white print and a colour-blind reader see
the same order. Lightness below is CIE L* (CIE 15:2018), worked out from the sRGB values.
"""

from __future__ import annotations

from dataclasses import dataclass

PAPER = "#ffffff"
INK = "#1d1a1c"
QUIET = "#625c60"
"""Second voice: labels and what was before; 6.5 : 1 against paper."""
RULE = "#c3bec1"
"""Grid lines, which carry no meaning of their own."""
WASH = "#efedee"
"""The neck's wood and other large, silent areas."""
RISK = "#8a2a4a"
"""Where strings touch."""
RISK_WASH = "#f2dde3"


@dataclass(frozen=True, slots=True)
class Shade:
    """One class of a ramp.

    Parameters
    ----------
    fill
        Colour of the cell.
    ink
        Colour of the text on it.
    teeth
        How many tooth marks the cell carries; -1 for a cross.
    name
        What the class means, for the legend.
    """

    fill: str
    ink: str
    teeth: int
    name: str


#: From safe to touching; lightness 100, 90, 77, 43, 25, 9.
RISK_RAMP = (
    Shade(PAPER, INK, 0, "150 % and more"),
    Shade("#f3dee4", INK, 0, "120 to 150 %"),
    Shade("#dfb2bf", INK, 0, "100 to 120 %"),
    Shade("#9f4a66", PAPER, 1, "80 to 100 %"),
    Shade("#6b213c", PAPER, 2, "under 80 %"),
    Shade("#2c1019", PAPER, -1, "touches at rest"),
)
RISK_SHARES = (1.5, 1.2, 1.0, 0.8, 0.0)
"""Lower bound of each class of `RISK_RAMP` but the last, as share of the attack."""

#: What a note does, from clean to rattling: the lightness of three classes of `RISK_RAMP`.
PLAY_SHADES = (
    Shade(PAPER, QUIET, 0, "clean"),
    Shade("#dfb2bf", INK, 1, "touches"),
    Shade("#6b213c", PAPER, -1, "rattles"),
)

#: From nothing to most; lightness 100, 91, 78, 61, 33.
METAL_RAMP = (
    Shade(PAPER, QUIET, 0, "nothing"),
    Shade("#e7e5e6", INK, 0, "to 10 %"),
    Shade("#c4c0c2", INK, 0, "to 25 %"),
    Shade("#969194", INK, 0, "to 50 %"),
    Shade("#524c50", PAPER, 0, "over 50 %"),
)
METAL_SHARES = (0.10, 0.25, 0.50)
"""Upper bound of the middle classes of `METAL_RAMP`, as share of the metal that may come off."""

#: From lowest over nothing to highest: grey below, the warm hue above; lightness 33, 61, 78, 100,
#: 77, 43, 25.
DEVIATION_RAMP = (
    Shade("#524c50", PAPER, 0, "lowest"),
    Shade("#969194", INK, 0, "lower"),
    Shade("#c4c0c2", INK, 0, "low"),
    Shade(PAPER, INK, 0, "on the shape"),
    Shade("#dfb2bf", INK, 0, "high"),
    Shade("#9f4a66", PAPER, 0, "higher"),
    Shade("#6b213c", PAPER, 0, "highest"),
)
DEVIATION_STEPS = (0.5, 1.0, 2.0)
"""Upper bounds of the classes of `DEVIATION_RAMP` about the middle one, in steps."""
