"""Every key of a specification file, once: what it is, what it may be, and where its value goes.

The reader, the template, the reference page and the JSON Schema of the file come from this table.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias, get_args

from evenfall.codec.forms import SIZES
from evenfall.instrument.construction import WINDINGS, WRAPS_KG_PER_M3
from evenfall.instrument.families import ATTACK_WORDS, FAMILIES, Plucked
from evenfall.instrument.specification import (
    MATERIALS,
    Board,
    CompensationLimits,
    DecisionRule,
    Fretwire,
    Grain,
    Hand,
    InstrumentString,
    Judgement,
    NeckBuild,
    Player,
    Rule,
    Scale,
    Specification,
    Target,
)
from evenfall.instrument.wood import WOODS

SCHEMA = "evenfall/spec@1"

STRING_COUNT = SIZES["K"]
FEWEST_FRETS, MOST_FRETS = SIZES["F"]
"""How many strings and frets are supported: as many as the files hold that are made from it."""

LAST_FRET: Final = -1.0
"""As the end of a range or as a value left out: the number of the last fret."""

NEEDED: Final = "needed"
"""As a value left out: there has to be one."""

ALTERNATIVE: Final = "alternative"
"""As a value left out: whether there has to be one depends on other keys."""

PLAYED_HZ = (15.0, 2000.0)
"""Range of open pitches [Hz]."""

Kind = Literal[
    "text",  # one line
    "choice",  # one of a few words
    "truth",
    "count",  # a whole number
    "number",  # in the unit of its row
    "length",  # in the unit of the file
    "radius",  # a length, or 0 for flat
    "limit",  # { value, minimum, maximum }, lengths
    "per string",  # lengths with a tolerance, in one of three forms
    "travel",  # lengths in two directions, each 0 or a default
    "forces",  # a word of `choices`, one number, or one for each string
    "string number",
    "pitch",
]
Toml: TypeAlias = "str | bool | int | float | list[float] | dict[str, float]"

LENGTHS = ("length", "radius", "limit", "per string", "travel")
"""Kinds that are in the unit of the file."""

PER_STRING = (("treble", "bass"), ("value",), ("each",))
"""The forms in which limits per string are written, each with a `tolerance`."""

TOLERANCE_MM = (0.0, 5.0)


@dataclass(frozen=True, slots=True)
class Key:
    """One key."""

    name: str
    kind: Kind
    help: str  # one sentence
    low: float = 0.0  # range: mm for lengths, else in `unit`
    high: float = 0.0
    example: Toml = ""  # mm for lengths
    default: Toml | None = NEEDED  # in internal units; None where nothing holds
    left_out: str = ""  # the same in words, where they say more
    to: tuple[str, ...] = ()  # field of the dataclass, if not the name; two for a travel
    unit: str = ""  # of what is no length
    scale: tuple[float, float] = (1.0, 1.0)  # internal units: times the first, over the second
    choices: tuple[str, ...] = ()  # the words of a choice, the directions of a travel

    @property
    def fields(self) -> tuple[str, ...]:
        """Fields that the value goes to."""
        return self.to or (f"{self.name}_mm" if self.kind in ("length", "radius") else self.name,)

    @property
    def parts(self) -> tuple[str, ...]:
        """Keys of the inline table that stands at this key; none where it is no table."""
        if self.kind == "limit":
            return ("value", "minimum", "maximum")
        if self.kind == "per string":
            return (*(name for form in PER_STRING for name in form), "tolerance")
        return self.choices if self.kind == "travel" else ()


@dataclass(frozen=True, slots=True)
class Table:
    """One table: its keys, what it is made into, and whether a file has to have it.

    Of `alternatives`, a file gives all keys of one and none of another.
    """

    name: str
    help: str
    made: type
    keys: tuple[Key, ...]
    needed: bool = True
    alternatives: tuple[tuple[str, ...], ...] = ()


_WOODS = tuple(WOODS)
_USUAL = "a usual one, which results report"

# A table reads best as a table:
# fmt: off
TABLES: Mapping[str, Table] = {table.name: table for table in (
    Table("model", "What the instrument is.", Specification, (
        Key("name", "text", "What the model is called.", example="Name of the model"),
        Key("kind", "text", "What it is.", example="six-string electric guitar",
            default="fretted instrument"),
        Key("family", "choice", "What kind of instrument it is, as far as usual values differ: of "
            "the attack, the setbacks and the neck.", example="electric guitar", default=None,
            left_out="no usual values of a family are taken", choices=tuple(FAMILIES)),
        Key("units", "choice", "Unit of every length in the file.", example="mm",
            default="mm", choices=("mm", "in")),
        Key("frets", "count", "Number of frets.", FEWEST_FRETS, MOST_FRETS, 22),
        Key("courses", "count", "Number of courses, where strings lie in pairs or threes.",
            1, STRING_COUNT[1], 3, None, "each string is a course"),
        Key("reentrant", "truth", "Whether a string on the bass side is tuned over its neighbour "
            "towards the treble.", example=True, default=False),
        Key("handed", "choice", "Whether the neck is for a right-handed or a left-handed player: "
            "sheets show the strings as they then lie.", example="right", default="right",
            choices=get_args(Hand)),
    )),
    Table("scale", "Scale length: length, or for fanned frets bass, treble, square_fret.", Scale, (
        Key("length", "length", "Scale length of straight frets.", 200, 1500, 648.0,
            ALTERNATIVE, "bass, treble and square_fret are needed"),
        Key("bass", "length", "Scale length of the bass string, with fanned frets.", 200, 1500,
            685.8, ALTERNATIVE, "length is needed"),
        Key("treble", "length", "Scale length of the treble string, with fanned frets.", 200, 1500,
            660.4, ALTERNATIVE, "length is needed"),
        Key("square_fret", "number", "Fret that stands square to the centre line; 0 is the nut.",
            0, LAST_FRET, 7.0, ALTERNATIVE, "length is needed"),
        Key("reference_fret", "count", "Fret over which action is measured.", 1, LAST_FRET, 12, 12),
    ), alternatives=(("length",), ("bass", "treble", "square_fret"))),
    Table("board", "The fingerboard, and where the strings run over it.", Board, (
        Key("radius_nut", "radius", "Radius across the board at the nut; 0 is flat.",
            50, 1e5, 254.0),
        Key("radius_last", "radius", "Radius across the board at the last fret; 0 is flat.",
            50, 1e5, 305.0),
        Key("width_nut", "length", "Width of the board at the nut.", 10, 250, 43.0),
        Key("width_last", "length", "Width of the board at the last fret.", 10, 300, 56.0),
        Key("string_spread_nut", "length",
            "From outer string to outer string at the nut, centre to centre.", 5, 200, 36.0),
        Key("string_spread_saddle", "length",
            "From outer string to outer string at the saddle, centre to centre.", 5, 300, 52.0),
        Key("joint_fret", "number", "Fret at which the neck joins the body; it bends up to there.",
            3, LAST_FRET, 17.0, LAST_FRET, "the last fret"),
        Key("zero_fret", "truth", "Whether the strings start from a fret at the nut's place: it is "
            "then what is read as the nut, and has no slots to be filed.", example=True,
            default=False),
    )),
    Table("fretwire", "Fret wire as supplied.", Fretwire, (
        Key("crown_height", "length", "Height of a new crown over the board.", 0.3, 3, 1.2),
        Key("crown_width", "length", "Width of the crown at the board.", 0.5, 6, 2.4),
        Key("least_crown_height", "length", "Crown height to leave after work.", 0, 3, 0.8),
        Key("new", "truth", "Whether the frets are new, neither worn nor filed: a crown whose "
            "height was not read then has crown_height.", example=True, default=False,
            left_out="a height that was not read is asked for before metal comes off"),
    )),
    Table("string", "One table for each string, 3 to 12 of them.", InstrumentString, (
        Key("number", "string number", "Number of the string; 1 is the treble string.",
            1, STRING_COUNT[1], 1),
        Key("pitch", "pitch", "Open pitch by name (ISO 16, A4 = 440 Hz).", example="E4",
            default=ALTERNATIVE, left_out="frequency is needed"),
        Key("frequency", "number", "Open pitch as a frequency.", *PLAYED_HZ, 329.628,
            ALTERNATIVE, "pitch is needed", unit="Hz"),
        Key("gauge", "length", "Outer diameter.", 0.1, 6, 0.254),
        Key("mass_per_length", "number", "Mass per length, where it was weighed.", 0.02, 200,
            0.4, None, "computed from gauge, core and wrap", unit="g/m", scale=(1.0, 1000.0)),
        Key("tension", "number", "Tension at pitch, where it was measured, in place of the mass.",
            5, 1500, 70.0, None, "computed from mass, length and pitch", unit="N"),
        Key("core", "length", "Core diameter of a wound string.", 0.05, 6, 0.2,
            None, "a usual one, or the string is plain"),
        Key("wrap", "choice", "What a wound string is wrapped with.",
            example="nickel-plated steel", default=None, left_out="the string is plain, or its "
            "mass is given", choices=tuple(WRAPS_KG_PER_M3)),
        Key("winding", "choice", "Whether the wrap is of round or of flat wire.", example="round",
            default="round", choices=WINDINGS),
        Key("material", "choice", "What bends: for a wound string, its core.", example="steel",
            default="steel", choices=tuple(MATERIALS)),
        Key("saddle_setback", "length", "Compensation at the saddle, positive away from the nut.",
            -10, 30, 2.0, None, "a usual one of the family, else 0"),
        Key("nut_setback", "length", "Compensation at the nut, positive away from the saddle.",
            -5, 5, -0.4, 0.0),
        Key("modulus", "number", "Young's modulus of what stretches.", 0.5, 400, 200.0,
            None, "that of the material", unit="GPa", scale=(1000.0, 1.0)),
    ), alternatives=(("pitch",), ("frequency",))),
    Table("target", "What the setup must reach.", Target, (
        Key("action", "per string", "Gap of the open string over the reference fret.", 0.1, 10,
            {"treble": 1.5, "bass": 1.9, "tolerance": 0.15}),
        Key("first_fret_gap", "per string", "Gap of the open string over fret 1.", 0.02, 4,
            {"treble": 0.3, "bass": 0.45, "tolerance": 0.1}),
        Key("relief", "limit", "Relief under a straight line over two frets: relief_from and "
            "relief_to.", -0.5, 2, {"value": 0.2, "minimum": 0.1, "maximum": 0.3}),
        Key("relief_from", "count", "First of the two frets that the relief is stated between.",
            1, LAST_FRET, 1, 1, to=("relief_from_fret",)),
        Key("relief_to", "count", "Second of them; the same bow reads less between frets 1 and 14 "
            "than between fret 1 and the last.", 2, LAST_FRET, 14, LAST_FRET, "the last fret",
            to=("relief_to_fret",)),
        Key("saddle_travel", "travel", "How far each saddle may move from where it stands.", 0, 20,
            {"down": 0.8, "up": 0.8}, 0.0, "no travel", ("saddle_down_mm", "saddle_up_mm"),
            choices=("down", "up")),
        Key("one_piece_saddle", "truth", "Whether the saddle is one piece, set by its height and "
            "a slope; otherwise each string has a height of its own.", example=False,
            default=False),
        Key("nut_travel", "travel", "How far the floor of each nut slot may move.", 0, 20,
            {"down": 0.25}, 0.0, "no travel", ("nut_down_mm", "nut_up_mm"), choices=("down", "up")),
        Key("across", "length", "Largest second difference of a crown line, string to string.",
            1e-4, 2, 0.06, None, "no bound"),
        Key("along", "length", "Largest step of removal from fret to fret.", 1e-4, 2, 0.05,
            None, "no bound"),
    )),
    Table("player", "How the instrument is played.", Player, (
        Key("attack", "forces", "How hard the strings are plucked: a word for the usual force of "
            "the family, or the force normal to the board, one number or one per string.",
            0, 50, 0.45, to=("attack_n",), unit="N", choices=ATTACK_WORDS),
        Key("plucked_with", "choice", "What the strings are plucked with.", example="pick",
            default=None, left_out="what is usual in the family", choices=get_args(Plucked)),
        Key("pluck_distance", "length", "From saddle to pluck; half the string if that is shorter.",
            1, 1000, 130.0),
        Key("pluck_width", "length", "Width of the finger or pick at release.", 0, 20, 2.0, None,
            "2 mm, or 8 mm with a finger"),
    )),
    Table("rule", "How results are judged.", Rule, (
        Key("extra_clearance", "length", "Clearance asked for on top of the swing.",
            0, 1, 0.02, 0.0),
        Key("working_allowance", "length", "What the bench may miss a height by: the plan keeps "
            "this much more room, the proof does not ask for it.", 0, 1, 0.02, 0.0),
        Key("coverage", "number", "One-sided probability for the margins of a plan; an expanded "
            "uncertainty covers with the same.", 0.5, 0.9999, 0.95, 0.95),
        Key("false_acceptance", "number", "Largest chance that an instrument which is off a limit "
            "is accepted (consumer's risk).", 0.0001, 0.5, 0.05, 0.05),
        Key("false_refusal", "number", "Largest chance that an instrument which meets every limit "
            "is refused (producer's risk).", 0.0001, 0.5, 0.05, 0.05),
        Key("decision", "choice", "Decision rule of verdicts.", example="guard band",
            default="guard band", choices=get_args(DecisionRule)),
    ), needed=False),
    Table("judgement", "What counts as level and as clear, and what the bench may miss.",
          Judgement, (
        Key("attack_tolerance", "number", "Share of the swing by which a position may fall short "
            "before it fails.", 0, 0.5, 0.05, 0.05),
        Key("smallest_cut_file", "length", "Least that is filed off a crown; a crown that stands "
            "out by less is taken as level.", 0, 0.2, 0.02, 0.02),
        Key("smallest_cut_beam", "length", "The same for a levelling beam.", 0, 0.2, 0.01, 0.01),
        Key("smallest_cut_machine", "length", "The same for a machine.", 0, 0.2, 0.005, 0.005),
        Key("allowance_rod", "length", "What the relief may be missed by when the rod is set.",
            0, 0.5, 0.05, 0.05),
        Key("allowance_saddle", "length", "What a saddle height may be missed by.",
            0, 0.5, 0.05, 0.05),
        Key("allowance_nut", "length", "What the floor of a nut slot may be missed by.",
            0, 0.5, 0.03, 0.03),
        Key("allowance_file", "length", "What a crown may be missed by with a file.",
            0, 0.5, 0.02, 0.02),
        Key("allowance_beam", "length", "What a crown may be missed by with a levelling beam.",
            0, 0.5, 0.015, 0.015),
        Key("allowance_machine", "length", "What a crown may be missed by with a machine.",
            0, 0.5, 0.005, 0.005),
    ), needed=False),
    Table("compensation", "What may be done about pitch.", CompensationLimits, (
        Key("saddle", "choice", "Each string has its own saddle place, or all one straight line.",
            example="straight", default="each", to=("straight_saddle",),
            choices=("each", "straight")),
        Key("saddle_along", "travel", "How far each saddle may move along the string; forward is "
            "towards the nut.", 0, 20, {"forward": 1.5, "back": 2.5}, math.inf, "no limit",
            ("saddle_forward_mm", "saddle_back_mm"), choices=("forward", "back")),
        Key("nut_along", "travel", "How far each nut edge may move along the string; forward is "
            "towards the saddle.", 0, 20, {"forward": 0.5, "back": 0.0}, math.inf, "no limit",
            ("nut_forward_mm", "nut_back_mm"), choices=("forward", "back")),
        Key("finger", "length", "How far behind the fret the string is pressed down.",
            0, 30, 6.0, 0.0),
        Key("last_fret", "count", "Last fret whose pitch counts.", 2, LAST_FRET, 12, 12),
    ), needed=False),
    Table("neck", "What is known of the neck.", NeckBuild, (
        Key("depth_nut", "length", "Depth of the neck with its board, at the nut.", 1, 80, 20.0,
            None, _USUAL),
        Key("depth_joint", "length", "Depth of the neck with its board, at the joint.", 1, 80, 22.0,
            None, _USUAL),
        Key("board_thickness", "length", "Thickness of the board.", 1, 80, 5.5, None, _USUAL),
        Key("board_wood", "choice", "Wood of the board.", example="rosewood", default=None,
            left_out=_USUAL, choices=_WOODS),
        Key("shaft_wood", "choice", "Wood of the neck under the board.", example="maple",
            default=None, left_out=_USUAL, choices=_WOODS),
        Key("board_grain", "choice", "How the board was sawn.", example="quarter", default=None,
            left_out=_USUAL, choices=get_args(Grain)),
        Key("stiffness", "number", "Bending stiffness E I as measured.", 1, 5000, 350.0,
            None, "from depth and wood", ("stiffness_n_mm2",), unit="N m²", scale=(1e6, 1.0)),
        Key("relief_per_100n", "length", "Relief that 100 N of string tension adds, as measured.",
            0.001, 2, 0.08, None, "from the stiffness", ("relief_mm_per_n",), scale=(1.0, 100.0)),
        Key("relief_per_moisture", "length", "Relief that 1 % of wood moisture adds, as measured.",
            -1, 1, 0.03, None, "from the woods", ("relief_mm_per_percent",)),
        Key("turn", "length", "Relief that one turn of the truss rod takes out, as measured.",
            0.01, 5, 0.22, None, "turns are not given"),
        Key("truss_rod", "truth", "Whether the neck has a truss rod; without one its relief stays "
            "as it is, and its limits are only reported.", example=True, default=True),
    ), needed=False),
)}
# fmt: on
