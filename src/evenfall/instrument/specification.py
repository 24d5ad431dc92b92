"""The setup specification as plain, validated data; every length in mm.

`specification_file` makes one from TOML text; the meaning of each key stands in
`specification_keys`. What follows from the data alone (tension, bending stiffness) is a property.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from evenfall.instrument.families import AttackWord, Plucked
from evenfall.units import LengthUnit
from evenfall.wording import Sentence, sentence

STEEL_DENSITY_KG_PER_M3 = 7850.0
"""Plain music wire; from memory, as in the handbook values listed with the checks."""

STEEL_MODULUS_N_PER_MM2 = 200_000.0
"""Young's modulus of music wire, 200-210 GPa; from memory."""

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

DecisionRule = Literal["guard band", "probability"]  # ISO 14253-1; JCGM 106
Tool = Literal["file", "beam", "machine"]  # what takes metal off a crown
Hand = Literal["right", "left"]
Grain = Literal["quarter", "flat"]  # growth rings upright: the board's width is radial; or lying


@dataclass(frozen=True, slots=True)
class Scale:
    """Scale lengths, measured along the centre line."""

    treble_mm: float  # of the outer strings; equal for straight frets
    bass_mm: float
    square_fret: float  # stands square to the centre line; 0 = nut
    reference_fret: int  # over which action is measured

    @property
    def fanned(self) -> bool:
        """Whether the frets fan out."""
        return self.treble_mm != self.bass_mm


@dataclass(frozen=True, slots=True)
class Board:
    """The fingerboard."""

    radius_nut_mm: float  # across the board; infinity for a flat one
    radius_last_mm: float
    width_nut_mm: float
    width_last_mm: float
    string_spread_nut_mm: float  # between the centres of the outer strings
    string_spread_saddle_mm: float
    joint_fret: float  # where the neck joins the body: it bends up to there
    zero_fret: bool = False  # in the nut's place; it has no slots

    @property
    def string_rest(self) -> Sentence:
        """What an open string lies on before the first fret, without an article."""
        return sentence("top of the zero fret" if self.zero_fret else "nut slot")


@dataclass(frozen=True, slots=True)
class Fretwire:
    """Fret wire as supplied."""

    crown_height_mm: float  # of a new crown, over the board
    crown_width_mm: float  # at the board
    least_crown_height_mm: float  # to leave after work
    new: bool = False  # no fret has been worked on or worn: what was not read stands as supplied


@dataclass(frozen=True, slots=True)
class InstrumentString:
    """One string."""

    number: int  # 1 = treble
    frequency_hz: float  # open
    pitch: str  # the name that the frequency was given by, or empty
    gauge_mm: float  # outer diameter
    core_mm: float  # of what bends: the core of a wound string, the gauge of a plain one
    linear_density_kg_per_m: float
    modulus_n_per_mm2: float  # Young's modulus of the core
    wound: bool
    scale_mm: float
    saddle_setback_mm: float  # compensation, away from the nut
    nut_setback_mm: float = 0.0  # away from the saddle; negative for a nut moved forward
    modulus_u_share: float = 0.0  # relative standard uncertainty of the modulus
    mass_u_share: float = 0.0  # the same of the mass per length, where it is computed
    setback_stated: bool = True  # else a usual one of the family is taken, or none

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
    """A wanted value with the limits that it must lie in."""

    value_mm: float
    minimum_mm: float
    maximum_mm: float


@dataclass(frozen=True, slots=True)
class Target:
    """What the setup must reach."""

    action: tuple[Limit, ...]  # gap of the open string over the reference fret, for each string
    first_fret_gap: tuple[Limit, ...]  # gap of the open string over fret 1, for each string
    relief: Limit  # under a straight line over fret 1 and the last fret
    saddle_down_mm: float  # how far each may move from where it stands
    saddle_up_mm: float
    nut_down_mm: float
    nut_up_mm: float
    across_mm: float | None  # largest second difference of a crown line about the board's radius
    along_mm: float | None  # largest step of removal between neighbouring frets
    one_piece_saddle: bool = False  # one height and a slope; otherwise each string has its own
    relief_from_fret: int = 1  # that a straightedge for the relief lies over
    relief_to_fret: int = 0

    @property
    def relief_over(self) -> tuple[int, int]:
        """The two frets that a straightedge for the relief lies over."""
        return self.relief_from_fret, self.relief_to_fret


@dataclass(frozen=True, slots=True)
class Player:
    """How the instrument is played."""

    attack_n: tuple[float, ...]  # normal to the board, for each string
    pluck_distance_mm: float  # from the saddle
    pluck_width_mm: float  # of the finger or pick at release
    plucked_with: Plucked | None = None  # None where the specification does not say
    attack_word: AttackWord | None = None  # that the forces were given by

    @property
    def said(self) -> Sentence:
        """The attack in words and newtons."""
        return self.saying(self.attack_n)

    def saying(self, attack_n: Sequence[float]) -> Sentence:
        """Return an attack in newtons, and in words where it is this player's."""
        least, most = float(min(attack_n)), float(max(attack_n))
        text = "{least:force}" if most - least < 0.005 else "{least:.2f} to {most:force}"
        newtons = sentence(text, least=least, most=most)
        if not self.attack_word or tuple(attack_n) != self.attack_n:
            return newtons
        text = "{word} with a {plucked}, {newtons}"
        return sentence(text, word=self.attack_word, plucked=self.plucked_with, newtons=newtons)


@dataclass(frozen=True, slots=True)
class Rule:
    """How results are judged."""

    extra_clearance_mm: float  # asked for on top of the string's excursion
    working_allowance_mm: float  # room that a plan keeps from every limit; no proof asks for it
    coverage: float  # one-sided probability for the margins of a plan
    decision: DecisionRule
    false_acceptance: float = 0.05  # largest chance that an instrument off its limits is accepted
    false_refusal: float = 0.05  # largest chance that one within all its limits is refused


@dataclass(frozen=True, slots=True)
class Judgement:
    """What counts as level and as clear in practice; common practice or ours, no source."""

    attack_tolerance: float = 0.05  # share of the swing that a position may fall short by
    smallest_cut_file_mm: float = 0.02  # what comes off at least where anything is taken off
    smallest_cut_beam_mm: float = 0.01
    smallest_cut_machine_mm: float = 0.005
    allowance_rod_mm: float = 0.05  # what the bench may miss: relief, saddle, slot, crown
    allowance_saddle_mm: float = 0.05
    allowance_nut_mm: float = 0.03
    allowance_file_mm: float = 0.02
    allowance_beam_mm: float = 0.015
    allowance_machine_mm: float = 0.005

    def smallest_cut_mm(self, tool: Tool) -> float:
        """Return the least that a tool takes off where it takes off anything [mm]."""
        return float(getattr(self, f"smallest_cut_{tool}_mm"))

    def allowance_mm(self, tool: Tool) -> float:
        """Return what a crown may be missed by with a tool [mm]."""
        return float(getattr(self, f"allowance_{tool}_mm"))


@dataclass(frozen=True, slots=True)
class CompensationLimits:
    """What may be done about pitch, along the strings; infinity for no limit."""

    straight_saddle: bool = False  # one straight line; otherwise each string has its own place
    saddle_forward_mm: float = math.inf  # towards the nut
    saddle_back_mm: float = math.inf
    nut_forward_mm: float = math.inf  # towards the saddle
    nut_back_mm: float = math.inf
    finger_mm: float = 0.0  # how far behind the crown the player presses
    last_fret: int = 12  # whose pitch counts


@dataclass(frozen=True, slots=True)
class NeckBuild:
    """What is known of the neck itself; None where the specification does not say."""

    depth_nut_mm: float | None = None  # of the whole neck, board included
    depth_joint_mm: float | None = None
    board_thickness_mm: float | None = None
    board_wood: str | None = None  # a key of `evenfall.instrument.wood.WOODS`
    shaft_wood: str | None = None
    board_grain: Grain | None = None
    stiffness_n_mm2: float | None = None  # bending stiffness E I as measured
    relief_mm_per_n: float | None = None  # added per newton of string tension, as measured
    relief_mm_per_percent: float | None = None  # added per percent of wood moisture, as measured
    turn_mm: float | None = None  # relief taken out by one turn of the truss rod, as measured
    truss_rod: bool = True  # without one the relief stays as it is


@dataclass(frozen=True, slots=True)
class Specification:
    """Everything that the setup of one model is judged by; equal and hashed by content.

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
    compensation, neck, judgement
        What the optional tables say; empty ones, or the defaults, where they are left out.
    courses
        How many groups of neighbouring strings are played as one each; None: each string alone.
    reentrant
        Whether pitch may rise from the treble side to the bass side.
    handed
        Which hand plucks: seen from the front with the headstock up, string 1 lies right for a
        right-handed neck, left for a left-handed one.
    family
        A key of `evenfall.instrument.families.FAMILIES`; None where the specification names none.
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
    judgement: Judgement = Judgement()
    courses: int | None = None
    reentrant: bool = False
    handed: Hand = "right"
    family: str | None = None

    @property
    def content_hash(self) -> str:
        """SHA-256 of the text, line ends aside."""
        return hashlib.sha256(self.text.replace("\r\n", "\n").encode()).hexdigest()

    @property
    def setbacks_said(self) -> Sentence | None:
        """What is taken for setbacks where the specification states none at all."""
        if any(string.setback_stated for string in self.strings):
            return None
        if self.family is None:
            return sentence("No setback is given, so none is taken: pitch says little yet.")
        text = (
            "No setback is given, so those usual for the family are taken: pitch says little yet."
        )
        return sentence(text)

    @property
    def string_count(self) -> int:
        """Number of strings."""
        return len(self.strings)

    @property
    def strings_per_course(self) -> int:
        """How many neighbouring strings are played as one."""
        return len(self.strings) // (self.courses or len(self.strings))
