"""The few inks that every picture shares: ink on paper, one warm hue for risk, grey for metal.

A drawing names its inks by what they are for (`@ink`, `@risk-3`); `evenfall.pictures.svg.document`
turns the names into the colours of a theme: `LIGHT` and `DARK` for the screen, `PRINT` for paper.

Every ramp changes in lightness only, so that a black-and-white print and a colour-blind reader see
the same order. Lightness below is CIE L* (CIE 15:2018), worked out from the sRGB values.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TypeAlias

Theme: TypeAlias = Mapping[str, str]
"""A colour for each name."""

PAPER = "@paper"
INK = "@ink"
QUIET = "@quiet"
"""Second voice: labels and what was before."""
RULE = "@rule"
"""Grid lines, which carry no meaning of their own."""
WASH = "@wash"
"""The neck's wood and other large, silent areas."""
BAND = "@band"
"""Where a result may lie; stands out from `WASH`."""
RISK = "@risk"
"""Where strings touch, and what lies outside its limits."""
RISK_WASH = "@risk-wash"

_RISK = tuple(f"@risk-{n}" for n in range(6))
_METAL = tuple(f"@metal-{n}" for n in range(5))
BODY = _METAL[3]
"""Parts that a picture is not about, such as a board in section; stands out from `BAND`."""
ON_RISK, _ON_METAL_3, ON_METAL_4 = "@on-risk", "@on-metal-3", "@on-metal-4"


def _theme(plain: str, risk: str, metal: str, on: str) -> Theme:
    names = (
        *(PAPER, INK, QUIET, RULE, WASH, BAND, RISK, RISK_WASH),
        *(*_RISK, *_METAL, ON_RISK, _ON_METAL_3, ON_METAL_4),
    )
    colours = (f"#{colour}" for colour in f"{plain} {risk} {metal} {on}".split())
    return MappingProxyType(dict(zip(names, colours, strict=True)))


#: Lightness of the risk ramp 100, 90, 77, 43, 25, 9; of the metal ramp 100, 91, 78, 61, 33.
LIGHT = _theme(
    "ffffff 1d1a1c 5c565a c3bec1 efedee d9d5d7 8a2a4a f2dde3",
    "ffffff f3dee4 dfb2bf 9f4a66 6b213c 2c1019",
    "ffffff e7e5e6 c4c0c2 969194 524c50",
    "ffffff 141213 ffffff",
)
#: The ramps run the other way, so that risk always stands out from the ground.
DARK = _theme(
    "1e1b1d efeaec b5acb1 4b4549 2a2628 453f43 f09db5 42222c",
    "1e1b1d 38252c 5b3542 cb7792 f3bccb fff4f6",
    "1e1b1d 353033 524c50 8f878c d3ccd0",
    "1b0d12 141213 1d1a1c",
)
#: Blacker ink and firmer rules than on a screen, where toner and paper soften both.
PRINT = MappingProxyType(
    {**LIGHT, INK: "#000000", QUIET: "#453f43", RULE: "#a8a2a5", WASH: "#ebe8ea", BAND: "#d0cbce"}
)
#: In a page that gives each ink as a property of CSS, a drawing follows it from light to dark.
PAGE: Theme = MappingProxyType({name: f"var(--{name[1:]})" for name in LIGHT})


@dataclass(frozen=True, slots=True)
class Shade:
    """One class of a ramp."""

    fill: str  # ink of the cell
    ink: str  # ink of the text on it
    name: str  # what the class means, for the legend

    @property
    def code(self) -> str:
        """The class as data, after the ramp and the place on it: `risk-3`."""
        return self.fill.removeprefix("@")


#: Margin, from safe to touching at rest.
RISK_RAMP = (
    Shade(_RISK[0], INK, "150 % and more"),
    Shade(_RISK[1], INK, "120 to 150 %"),
    Shade(_RISK[2], INK, "100 to 120 %"),
    Shade(_RISK[3], ON_RISK, "80 to 100 %"),
    Shade(_RISK[4], ON_RISK, "under 80 %"),
    Shade(_RISK[5], ON_RISK, "touches at rest"),
)
RISK_SHARES = (1.5, 1.2, 1.0, 0.8, 0.0)
"""Lower bound of each class of `RISK_RAMP` but the last, as share of the attack."""

#: What a note does, from clean to rattling: the lightness of three classes of `RISK_RAMP`.
PLAY_SHADES = (
    Shade(_RISK[0], QUIET, "clean"),
    Shade(_RISK[2], INK, "touches"),
    Shade(_RISK[4], ON_RISK, "rattles"),
)

#: From nothing to most.
METAL_RAMP = (
    Shade(_METAL[0], QUIET, "nothing"),
    Shade(_METAL[1], INK, "to 10 %"),
    Shade(_METAL[2], INK, "to 25 %"),
    Shade(_METAL[3], _ON_METAL_3, "to 50 %"),
    Shade(_METAL[4], ON_METAL_4, "over 50 %"),
)
METAL_SHARES = (0.10, 0.25, 0.50)
"""Upper bound of the middle classes of `METAL_RAMP`, as share of the metal that may come off."""

#: From lowest over nothing to highest: grey below, the warm hue above; lightness 33, 61, 78, 100,
#: 77, 43, 25.
DEVIATION_RAMP = (
    Shade(_METAL[4], ON_METAL_4, "lowest"),
    Shade(_METAL[3], _ON_METAL_3, "lower"),
    Shade(_METAL[2], INK, "low"),
    Shade(PAPER, INK, "on the shape"),
    Shade(_RISK[2], INK, "high"),
    Shade(_RISK[3], ON_RISK, "higher"),
    Shade(_RISK[4], ON_RISK, "highest"),
)
DEVIATION_STEPS = (0.5, 1.0, 2.0)
"""Upper bounds of the classes of `DEVIATION_RAMP` about the middle one, in steps."""
