"""The setup specification as plain, validated data; every length in mm.

`evenfall.instrument.reading` makes one from TOML text. The quantities that follow from the
data alone (tension, bending stiffness, limits per string) are properties here.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from typing import Literal

from evenfall.units import LengthUnit

STEEL_DENSITY_KG_PER_M3 = 7850.0
"""Plain music wire; from memory, as in the handbook values listed with the checks."""

STEEL_MODULUS_N_PER_MM2 = 200_000.0
"""Young's modulus of music wire, 200-210 GPa; from memory."""

Material = Literal["steel", "nylon", "fluorocarbon"]

#: Density [kg/m³] and effective modulus in tension [N/mm²] of plain strings. Polymer moduli are
#: those of the stretched string (nylon 3.9-9.6 GPa by string in Anderson & Beausoleil, JASA 156
#: (2024) 683; middle value taken; fluorocarbon density from memory).
MATERIALS: dict[str, tuple[float, float]] = {
    "steel": (STEEL_DENSITY_KG_PER_M3, STEEL_MODULUS_N_PER_MM2),
    "nylon": (1140.0, 5_500.0),
    "fluorocarbon": (1780.0, 5_500.0),
}

#: Relative standard uncertainty of those moduli: music wire 200-210 GPa, polymers 3.9-9.6 GPa, each
#: taken as evenly spread (half width / sqrt 3; JCGM 100, 4.3.7).
MODULUS_U_SHARE: dict[str, float] = {"steel": 0.015, "nylon": 0.30, "fluorocarbon": 0.30}

DecisionRule = Literal["guard band", "probability"]


@dataclass(frozen=True, slots=True)
class Scale:
    """Scale lengths, measured along the centre line.

    Parameters
    ----------
    treble_mm, bass_mm
        Scale length [mm] of the two outer strings; equal for straight frets.
    square_fret
        Fret that stands square to the centre line (0 = nut).
    reference_fret
        Fret over which action is measured.
    """

    treble_mm: float
    bass_mm: float
    square_fret: float
    reference_fret: int

    @property
    def fanned(self) -> bool:
        """Whether the frets fan out."""
        return self.treble_mm != self.bass_mm


@dataclass(frozen=True, slots=True)
class Board:
    """The fingerboard.

    Parameters
    ----------
    radius_nut_mm, radius_last_mm
        Radius [mm] across the board at the nut and at the last fret; infinity for a flat board.
    width_nut_mm, width_last_mm
        Board width [mm] at the nut and at the last fret.
    string_spread_nut_mm, string_spread_saddle_mm
        Distance [mm] between the centres of the outer strings.
    joint_fret
        Fret at which the neck joins the body: the rod bends the neck up to there.
    """

    radius_nut_mm: float
    radius_last_mm: float
    width_nut_mm: float
    width_last_mm: float
    string_spread_nut_mm: float
    string_spread_saddle_mm: float
    joint_fret: float


@dataclass(frozen=True, slots=True)
class Fretwire:
    """Fret wire as supplied.

    Parameters
    ----------
    crown_height_mm
        Height [mm] of a new crown over the board.
    crown_width_mm
        Width [mm] of the crown at the board.
    least_crown_height_mm
        Crown height [mm] to leave after work.
    """

    crown_height_mm: float
    crown_width_mm: float
    least_crown_height_mm: float


@dataclass(frozen=True, slots=True)
class InstrumentString:
    """One string.

    Parameters
    ----------
    number
        1 = treble.
    frequency_hz
        Open pitch [Hz].
    pitch
        The name the pitch was given by, or empty.
    gauge_mm
        Outer diameter [mm].
    core_mm
        Diameter [mm] of what bends: the core of a wound string, the gauge of a plain one.
    linear_density_kg_per_m
        Mass per length [kg/m].
    modulus_n_per_mm2
        Young's modulus of the core [N/mm²].
    wound
        Whether the string is wound.
    scale_mm, saddle_setback_mm
        Scale length of this string [mm] and its compensation [mm].
    nut_setback_mm
        How far the nut's edge stands behind its place, away from the saddle [mm]; negative for
        a nut moved forward.
    modulus_u_share
        Relative standard uncertainty of the modulus.
    """

    number: int
    frequency_hz: float
    pitch: str
    gauge_mm: float
    core_mm: float
    linear_density_kg_per_m: float
    modulus_n_per_mm2: float
    wound: bool
    scale_mm: float
    saddle_setback_mm: float
    nut_setback_mm: float = 0.0
    modulus_u_share: float = 0.0

    @property
    def speaking_length_mm(self) -> float:
        """Open speaking length [mm]: scale length plus setbacks."""
        return self.scale_mm + self.saddle_setback_mm + self.nut_setback_mm

    @property
    def tension_n(self) -> float:
        """Tension at pitch [N]: T = 4 µ L² f² (ideal string; Fletcher & Rossing, ch. 2)."""
        length_m = self.speaking_length_mm / 1000.0
        return 4.0 * self.linear_density_kg_per_m * (length_m * self.frequency_hz) ** 2

    @property
    def bending_stiffness_n_mm2(self) -> float:
        """Bending stiffness E I of the core [N mm²], I = π d⁴ / 64."""
        return self.modulus_n_per_mm2 * math.pi * self.core_mm**4 / 64.0

    @property
    def stretch_ratio(self) -> float:
        """Relative change of tension over that of length, kappa = E A / T of the core.

        Anderson & Beausoleil, J. Acoust. Soc. Am. 156 (2024) 683.
        """
        return self.modulus_n_per_mm2 * math.pi * self.core_mm**2 / 4.0 / self.tension_n

    @property
    def inharmonicity(self) -> float:
        """Inharmonicity of the open string, B = π² E I / (T L²) (Fletcher & Rossing, § 2.18)."""
        return (
            math.pi**2
            * self.bending_stiffness_n_mm2
            / (self.tension_n * self.speaking_length_mm**2)
        )


@dataclass(frozen=True, slots=True)
class Limit:
    """A wanted value with its limits.

    Parameters
    ----------
    value_mm, minimum_mm, maximum_mm
        Wanted value and the limits it must lie in [mm].
    """

    value_mm: float
    minimum_mm: float
    maximum_mm: float


@dataclass(frozen=True, slots=True)
class Target:
    """What the setup must reach.

    Parameters
    ----------
    action, first_fret_gap
        Gap of the open string over the reference fret and over fret 1, one per string.
    relief
        Relief under a straight line over fret 1 and the last fret.
    saddle_down_mm, saddle_up_mm, nut_down_mm, nut_up_mm
        How far [mm] each saddle and nut slot may be moved from where it stands.
    across_mm
        Largest second difference [mm] of the finished crown line from string to string, about
        the board's radius; None for no bound.
    along_mm
        Largest step [mm] of removal between neighbouring frets; None for no bound.
    fall_away_from_fret
        Fret past which a levelling beam may fall away; None for none.
    """

    action: tuple[Limit, ...]
    first_fret_gap: tuple[Limit, ...]
    relief: Limit
    saddle_down_mm: float
    saddle_up_mm: float
    nut_down_mm: float
    nut_up_mm: float
    across_mm: float | None
    along_mm: float | None
    fall_away_from_fret: int | None


@dataclass(frozen=True, slots=True)
class Player:
    """How the instrument will be played.

    Parameters
    ----------
    attack_n
        Force [N] normal to the board, one per string.
    pluck_distance_mm
        Distance [mm] of the pluck from the saddle.
    pluck_width_mm
        Width [mm] of the finger or pick at release.
    """

    attack_n: tuple[float, ...]
    pluck_distance_mm: float
    pluck_width_mm: float


@dataclass(frozen=True, slots=True)
class Rule:
    """How results are judged.

    Parameters
    ----------
    extra_clearance_mm
        Clearance [mm] asked for on top of the string's excursion.
    working_allowance_mm
        What the bench may miss a planned height by [mm]: the plan keeps this much further from
        every limit; the proof does not ask for it.
    coverage
        One-sided coverage probability for margins and verdicts, e.g. 0.95.
    decision
        "guard band" (ISO 14253-1) or "probability" (JCGM 106).
    """

    extra_clearance_mm: float
    working_allowance_mm: float
    coverage: float
    decision: DecisionRule


@dataclass(frozen=True, slots=True)
class CompensationLimits:
    """What may be done about pitch, along the strings.

    Parameters
    ----------
    straight_saddle
        Whether the saddle is one straight line; otherwise every string has its own.
    saddle_forward_mm, saddle_back_mm
        How far [mm] each saddle may move towards the nut and away from it; infinity for no limit.
    nut_forward_mm, nut_back_mm
        How far [mm] each nut edge may move towards the saddle and away from it.
    finger_mm
        How far [mm] behind the crown the player presses.
    last_fret
        Last fret whose pitch counts.
    """

    straight_saddle: bool = False
    saddle_forward_mm: float = math.inf
    saddle_back_mm: float = math.inf
    nut_forward_mm: float = math.inf
    nut_back_mm: float = math.inf
    finger_mm: float = 0.0
    last_fret: int = 12


Grain = Literal["quarter", "flat"]


@dataclass(frozen=True, slots=True)
class NeckBuild:
    """What is known of the neck itself; None where the specification does not say.

    Parameters
    ----------
    depth_nut_mm, depth_joint_mm
        Depth [mm] of the whole neck, board included, at the nut and at the joint.
    board_thickness_mm
        Thickness [mm] of the board.
    board_wood, shaft_wood
        Keys of `evenfall.instrument.wood.WOODS`.
    board_grain
        "quarter": the growth rings stand upright, the board's width is radial; "flat": they lie.
    stiffness_n_mm2
        Bending stiffness E I as measured [N mm²].
    relief_mm_per_n
        Relief [mm] added per newton of string tension, as measured.
    relief_mm_per_percent
        Relief [mm] added per percent of wood moisture, as measured.
    turn_mm
        Relief [mm] taken out by one turn of the truss rod, as measured.
    truss_rod
        Whether the neck has a truss rod; without one its relief stays as it is.
    """

    depth_nut_mm: float | None = None
    depth_joint_mm: float | None = None
    board_thickness_mm: float | None = None
    board_wood: str | None = None
    shaft_wood: str | None = None
    board_grain: Grain | None = None
    stiffness_n_mm2: float | None = None
    relief_mm_per_n: float | None = None
    relief_mm_per_percent: float | None = None
    turn_mm: float | None = None
    truss_rod: bool = True


@dataclass(frozen=True, slots=True)
class Specification:
    """Everything that the setup of one model is judged by.

    Parameters
    ----------
    name, kind
        What the instrument is called and what it is.
    unit
        The unit people read and write for this instrument.
    frets
        Number of frets, 5 to 36.
    scale, board, fretwire, strings, target, player, rule
        The parts; `strings` from 1 (treble) up.
    text
        The TOML text it was read from, so that a file made from it stands on its own.
    compensation, neck
        What the optional tables say; empty ones where they are left out.
    """

    name: str
    kind: str
    unit: LengthUnit
    frets: int
    scale: Scale
    board: Board
    fretwire: Fretwire
    strings: tuple[InstrumentString, ...]
    target: Target
    player: Player
    rule: Rule
    text: str
    compensation: CompensationLimits = CompensationLimits()
    neck: NeckBuild = NeckBuild()

    @property
    def content_hash(self) -> str:
        """SHA-256 of the text, line ends aside."""
        return hashlib.sha256(self.text.replace("\r\n", "\n").encode()).hexdigest()

    @property
    def string_count(self) -> int:
        """Number of strings."""
        return len(self.strings)
