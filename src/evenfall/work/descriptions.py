"""What a program is made for: machine, cutters, what holds the instrument, and what else is cut.

Each is a TOML file of its own, read by one table of keys as the specification is; every fault in a
file is reported at once. Feeds and speeds stand in the words of the trade (a length per minute,
revolutions per minute) and are kept in mm/s and Hz.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, TypeAlias, get_args

from evenfall.errors import DescriptionError
from evenfall.instrument.specification_file import KeyReader, toml_document
from evenfall.instrument.specification_keys import NEEDED, Key, Table
from evenfall.instrument.specification_template import file_schema
from evenfall.units import LengthUnit

CutterShape = Literal["concave wheel", "ball end", "flat end", "tapered ball", "slitting saw"]
"""A grooved wheel that crowns and levels in one, turning about the neck's long axis; a ball end or
a flat end on an upright spindle; a tapered cutter with a ball at its tip; a saw turning about the
axis across the neck."""

WHEELS: tuple[CutterShape, ...] = ("concave wheel", "slitting saw")

Material = Literal["nickel silver", "stainless", "brass", "bone", "synthetic"]
MATERIALS: tuple[Material, ...] = get_args(Material)
"""What frets, nut and saddle are made of."""

ToolChange = Literal["by hand", "changer"]
Spindle = Literal["upright", "level", "both"]
_AIR = ("M7", "M8", "M9")
#: Words that a block of a description may hold: they move nothing, and change no zero or unit.
_RESTFUL = (
    *("G4", "G17", "G40", "G49", "G61", "G64", "G80", "G90", "G91.1", "G94"),
    *("M5", "M48", *_AIR),
)
WORK_OFFSETS = ("G54", "G55", "G56", "G57", "G58", "G59")
"""Work offsets by their words (ISO 6983-1)."""


@dataclass(frozen=True, slots=True)
class Machine:
    """A three-axis machine and what its controller takes."""

    name: str
    unit: LengthUnit
    decimals: int  # of a coordinate, at most
    arcs: bool
    line_numbers: bool
    most_lines: int | None
    start: str  # one block each, as the controller needs it; may be empty
    end: str
    tool_change: ToolChange
    work_offset: str
    path_tolerance_mm: float
    smallest_cut_mm: float
    working_allowance_mm: float
    x_least_mm: float  # travel, in machine coordinates
    x_most_mm: float
    y_least_mm: float
    y_most_mm: float
    z_least_mm: float
    z_most_mm: float
    safe_height_mm: float  # over the highest crown: rapids over the instrument stay above
    rapid_mm_per_s: float
    most_feed_mm_per_s: float
    plunge_feed_mm_per_s: float
    acceleration_mm_per_s2: float
    spindle: Spindle
    least_speed_hz: float
    most_speed_hz: float
    spin_up_s: float
    coolant_on: str
    coolant_off: str
    dust_on: str
    dust_off: str

    @property
    def digit_mm(self) -> float:
        """One last digit of a coordinate [mm]."""
        return (25.4 if self.unit == "in" else 1.0) * 10.0**-self.decimals

    @property
    def travel_mm(self) -> tuple[tuple[float, float], ...]:
        """Least and most of each axis, in machine coordinates [mm]."""
        return (
            (self.x_least_mm, self.x_most_mm),
            (self.y_least_mm, self.y_most_mm),
            (self.z_least_mm, self.z_most_mm),
        )

    def takes(self, cutter: Cutter) -> bool:
        """Say whether the spindle can turn a cutter."""
        return self.spindle in ("both", "level" if cutter.shape in WHEELS else "upright")


@dataclass(frozen=True, slots=True)
class Use:
    """How a cutter is used in one material."""

    surface_speed_mm_per_s: float
    chip_mm: float  # for each tooth
    life_mm: float  # of cut; infinite where not stated


@dataclass(frozen=True, slots=True)
class Cutter:
    """One cutter, with the number that the program calls it by."""

    number: int
    name: str
    shape: CutterShape
    diameter_mm: float  # of a wheel at the bottom of its groove; of a ball or flat end; of a tip
    groove_radius_mm: float  # of a concave wheel; NaN for others
    width_mm: float  # of the groove; of a saw's blade; NaN for others
    body_width_mm: float  # of a wheel or saw, all of it that turns; NaN for others
    length_mm: float  # that may go below the work's top
    taper_rad: float  # of one flank to the axis
    teeth: int
    depth_of_cut_mm: float  # of one pass
    uses: Mapping[str, Use] = field(hash=False)  # by material

    @property
    def radius_mm(self) -> float:
        """Half the diameter [mm]."""
        return 0.5 * self.diameter_mm

    @property
    def groove_depth_mm(self) -> float:
        """How deep the groove of a concave wheel is [mm]; 0 for others."""
        if self.shape != "concave wheel":
            return 0.0
        r = self.groove_radius_mm
        return r - math.sqrt(r * r - 0.25 * self.width_mm**2)


@dataclass(frozen=True, slots=True)
class Box:
    """A clamp, or a place to stay out of: a box in work coordinates, from the table up."""

    name: str
    x_least_mm: float
    x_most_mm: float
    y_least_mm: float
    y_most_mm: float
    z_most_mm: float


@dataclass(frozen=True, slots=True)
class Fixture:
    """What holds the instrument, and where its zero lies on the machine."""

    name: str
    unit: LengthUnit
    zero_x_mm: float  # work zero in machine coordinates
    zero_y_mm: float
    zero_z_mm: float
    boxes: tuple[Box, ...] = ()


Spacing = Literal["equal centres", "equal gaps"]


@dataclass(frozen=True, slots=True)
class NutWork:
    """A nut whose slots a machine cuts."""

    material: Material
    spacing: Spacing  # of the slots: by their centres, or by the gaps between the strings
    thickness_mm: float  # along the strings
    clearance_mm: float  # that a slot is wider than its string
    floor_rad: float  # how steeply a floor falls from the playing edge to the tuners
    flare_rad: float  # how far the flanks of a slot may lean
    stock_mm: float  # how high a new nut stands over its highest floor; 0: its slots are there


@dataclass(frozen=True, slots=True)
class SaddleWork:
    """A one-piece saddle whose top a machine cuts."""

    material: Material
    thickness_mm: float
    round_mm: float  # radius of its top
    beyond_mm: float  # how far it goes on beyond the outer strings
    over_bridge_mm: float  # how high the lowest contact planned stands over the bridge
    stock_mm: float  # how high a new saddle stands over its highest contact; 0: it is there


@dataclass(frozen=True, slots=True)
class EndWork:
    """Bevels that a machine cuts on the ends of all frets."""

    angle_rad: float  # from upright
    clear_mm: float  # that they stay over the board's edge


@dataclass(frozen=True, slots=True)
class Parts:
    """What besides the crowns a machine cuts; None where it does not."""

    name: str
    unit: LengthUnit
    nut: NutWork | None = None
    saddle: SaddleWork | None = None
    ends: EndWork | None = None


Description: TypeAlias = "Machine | tuple[Cutter, ...] | Fixture | Parts"

_PER_MIN = (1.0, 60.0)


# Keys and tables read best as tables:
# fmt: off
_UNITS = Key("units", "choice", "Unit of every length in the file.", example="mm", default="mm",
             to=("unit",), choices=("mm", "in"))


def _axis(name: str, told: str, least: float, most: float) -> Key:
    return Key(name, "travel", told, -5000, 5000, {"least": least, "most": most}, NEEDED, "",
               (f"{name}_least_mm", f"{name}_most_mm"), choices=("least", "most"))


def _word(name: str, told: str, example: str) -> Key:
    return Key(name, "text", told, example=example, default="", left_out="none is written")


def _use_keys(material: str) -> tuple[Key, ...]:
    stem = material.replace(" ", "_")
    return (
        Key(f"{stem}_speed", "number", f"Surface speed in {material}; without it the cutter is not "
            "used for that.", 1, 600, 30.0, None, "not for it", unit="m/min", scale=(1000.0, 60.0)),
        Key(f"{stem}_chip", "length", f"Chip load of each tooth in {material}.", 0.0005, 0.5, 0.01,
            None, "not for it"),
        Key(f"{stem}_life", "number", f"Metres of {material} that the cutter lasts.", 0.1, 1e5,
            60.0, None, "not stated", unit="m", scale=(1000.0, 1.0)),
    )


MACHINE_TABLES: Mapping[str, Table] = {table.name: table for table in (
    Table("machine", "The machine, and what its controller takes.", Machine, (
        Key("name", "text", "What the machine is called.", example="Name of the machine"),
        _UNITS,
        Key("decimals", "count", "Decimal places of a coordinate, at most.", 2, 6, 3),
        Key("arcs", "truth", "Whether the controller takes circular arcs (G2, G3).",
            example=True, default=True),
        Key("line_numbers", "truth", "Whether every block is to have its number (N).",
            example=False, default=False),
        Key("most_lines", "count", "Lines that the controller takes at most.", 10, 10_000_000,
            500_000, None, "no limit"),
        _word("start", "A block to write first.", "G80"),
        _word("end", "A block to write last, before the end of the program.", "G80"),
        Key("tool_change", "choice", "Whether a person or a changer changes cutters.",
            example="by hand", choices=get_args(ToolChange)),
        Key("work_offset", "choice", "Word of the work offset that the programs use.",
            example="G54", default="G54", choices=WORK_OFFSETS),
        Key("path_tolerance", "length", "How far the controller may round a corner (G64 P).",
            0.0005, 0.1, 0.01, 0.01),
        Key("smallest_cut", "length", "The least that the machine takes off where it cuts.",
            0, 0.2, 0.005, 0.005),
        Key("working_allowance", "length", "What a crown may be missed by.", 0, 0.5, 0.005, 0.005),
    )),
    Table("axes", "How far each axis goes.", Machine, (
        *(_axis(name, f"Travel of the {name.upper()} axis in machine coordinates.", *example)
          for name, *example in (("x", 0.0, 900.0), ("y", -150.0, 150.0), ("z", -20.0, 120.0))),
        Key("safe_height", "length", "Height over the highest crown above which rapids over the "
            "instrument stay.", 1, 500, 25.0),
        Key("rapid", "length", "Speed of a rapid, per minute.", 50, 60_000, 3000.0,
            to=("rapid_mm_per_s",), scale=_PER_MIN),
        Key("most_feed", "length", "Fastest feed, per minute.", 10, 60_000, 2000.0,
            to=("most_feed_mm_per_s",), scale=_PER_MIN),
        Key("plunge_feed", "length", "Feed downwards, per minute.", 5, 10_000, 300.0,
            to=("plunge_feed_mm_per_s",), scale=_PER_MIN),
        Key("acceleration", "length", "Acceleration of the slowest axis, per second squared.",
            1, 50_000, 200.0, to=("acceleration_mm_per_s2",)),
    )),
    Table("spindle", "What turns the cutter.", Machine, (
        Key("axis", "choice", "How it stands: upright, level along the neck, or both by an angle "
            "head.", example="upright", default="upright", to=("spindle",),
            choices=get_args(Spindle)),
        Key("least_speed", "number", "Slowest speed.", 1, 100_000, 1000.0,
            to=("least_speed_hz",), unit="rev/min", scale=_PER_MIN),
        Key("most_speed", "number", "Fastest speed.", 1, 100_000, 18_000.0,
            to=("most_speed_hz",), unit="rev/min", scale=_PER_MIN),
        Key("spin_up", "number", "Time that it needs to come to speed.", 0, 120, 3.0, 3.0,
            to=("spin_up_s",), unit="s"),
        _word("coolant_on", "Word that starts coolant or an air blast.", "M7"),
        _word("coolant_off", "Word that stops it.", "M9"),
        _word("dust_on", "Word that starts dust extraction.", "M8"),
        _word("dust_off", "Word that stops it.", "M9"),
    )),
)}
CUTTER_TABLES: Mapping[str, Table] = {table.name: table for table in (
    Table("cutters", "What holds for all of them.", Cutter, (_UNITS,)),
    Table("cutter", "One table for each cutter.", Cutter, (
        Key("number", "count", "Number that the program calls it by (T).", 1, 999, 1),
        Key("name", "text", "What it is called.", example="crowning wheel, medium wire"),
        Key("shape", "choice", "Its shape.", example="ball end", choices=get_args(CutterShape)),
        Key("diameter", "length", "Diameter; of a wheel at the bottom of its groove, of a tapered "
            "cutter at its tip.", 0.1, 200, 3.0),
        Key("groove_radius", "length", "Radius of a wheel's groove, which is that of the crown.",
            0.3, 5, 1.2, None, "no groove"),
        Key("width", "length", "Width of a wheel's groove, or of a saw's blade.", 0.1, 10, 1.8,
            None, "none"),
        Key("body_width", "length", "Width of everything that turns, of a wheel or saw.", 0.1, 50,
            4.0, None, "the width"),
        Key("length", "length", "How far it may reach below the top of the work.", 0.5, 100, 10.0,
            10.0),
        Key("taper", "number", "Angle of one flank to the axis.", 0, 45, 5.0, 0.0,
            to=("taper_rad",), unit="degrees", scale=(math.pi, 180.0)),
        Key("teeth", "count", "Number of teeth.", 1, 400, 2),
        Key("depth_of_cut", "length", "Deepest cut of one pass.", 0.005, 5, 0.05),
        *(key for material in MATERIALS for key in _use_keys(material)),
    )),
)}
_BOX_KEYS = (
    Key("name", "text", "What it is.", example="clamp at the heel"),
    *(_axis(name, f"Where it lies along {name.upper()}, in work coordinates.", 0.0, 20.0)
      for name in "xy"),
    Key("top", "length", "How high it stands over work zero.", -200, 500, 12.0, to=("z_most_mm",)),
)
FIXTURE_TABLES: Mapping[str, Table] = {table.name: table for table in (
    Table("fixture", "What holds the instrument.", Fixture, (
        Key("name", "text", "What it is called.", example="cradle, long neck"),
        _UNITS,
        *(Key(f"zero_{axis}", "length", f"Work zero along {axis.upper()}, in machine coordinates.",
              -5000, 5000, 100.0) for axis in "xyz"),
    )),
    Table("clamp", "One table for each clamp.", Box, _BOX_KEYS, needed=False),
    Table("keep_out", "One table for each other place to stay out of.", Box, _BOX_KEYS,
          needed=False),
)}
_DEGREES = (math.pi, 180.0)
_OF = Key("material", "choice", "What it is made of.", example="bone", default="bone",
          choices=("bone", "synthetic", "brass"))


def _stock(what: str) -> Key:
    return Key("stock", "length", f"How high a new {what} stands over the highest place that is "
               f"planned; 0 for a {what} that is there and is cut lower.", 0, 10, 1.5, 0.0)


PARTS_TABLES: Mapping[str, Table] = {table.name: table for table in (
    Table("parts", "What besides the crowns is cut.", Parts, (
        Key("name", "text", "What they are called.", example="nut and saddle, long neck"),
        _UNITS,
    )),
    Table("nut", "A nut whose slots are cut.", NutWork, (
        _OF,
        Key("spacing", "choice", "How the slots are placed between the outer two: by equal steps "
            "from centre to centre, or by equal gaps between the strings.",
            example="equal centres", default="equal centres", choices=get_args(Spacing)),
        Key("thickness", "length", "Its thickness along the strings.", 1, 15, 5.0),
        Key("clearance", "length", "How much wider than its string a slot is.", 0, 0.5, 0.05, 0.05),
        Key("floor_angle", "number", "How steeply a floor falls from the playing edge towards the "
            "tuners.", 0, 30, 8.0, math.radians(8.0), "8 degrees",
            to=("floor_rad",), unit="degrees", scale=_DEGREES),
        Key("flare", "number", "How far the flanks of a slot may lean from upright; no cutter with "
            "more taper cuts it.", 1, 30, 8.0, math.radians(8.0), "8 degrees",
            to=("flare_rad",), unit="degrees", scale=_DEGREES),
        _stock("nut"),
    ), needed=False),
    Table("saddle", "A one-piece saddle whose top is cut.", SaddleWork, (
        _OF,
        Key("thickness", "length", "Its thickness.", 1, 15, 3.0),
        Key("round", "length", "Radius of its top.", 0.5, 20, 2.0, 2.0),
        Key("beyond", "length", "How far it goes on beyond the outer strings.", 0.5, 30, 5.0, 5.0),
        Key("over_bridge", "length", "How high its lowest place that is planned stands over the "
            "bridge.", 0.5, 30, 3.0),
        _stock("saddle"),
    ), needed=False),
    Table("fret_ends", "Bevels on the ends of all frets.", EndWork, (
        Key("angle", "number", "Angle of the bevel to upright.", 10, 60, 35.0,
            math.radians(35.0), "35 degrees", to=("angle_rad",), unit="degrees", scale=_DEGREES),
        Key("board_clear", "length", "How far the bevel stays over the edge of the board.",
            0.02, 0.5, 0.05, 0.05, to=("clear_mm",)),
    ), needed=False),
)}
# fmt: on

KINDS: Mapping[str, Mapping[str, Table]] = {
    "machine": MACHINE_TABLES,
    "cutters": CUTTER_TABLES,
    "fixture": FIXTURE_TABLES,
    "parts": PARTS_TABLES,
}
"""What may be described, by the name in the schema of its file."""


def schema_of(kind: str) -> str:
    """Return the schema that a description names."""
    return f"evenfall/{kind}@1"


SEVERAL: Mapping[str, tuple[int, int]] = {
    "cutter": (1, 999),
    "clamp": (0, 999),
    "keep_out": (0, 999),
}
"""Tables of which there may be several, and how many."""


def description_schema(kind: str) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a description of a kind."""
    told = f"Description, a TOML file: {kind}."
    tables = KINDS[kind]
    several = {name: count for name, count in SEVERAL.items() if name in tables}
    return file_schema(schema_of(kind), told, tables, kind, several)


class _Reader(KeyReader):
    """One pass over a description."""

    lists = tuple(SEVERAL)
    value_code, unknown_code = "description-value", "description-unknown"

    def described(self) -> Description | None:
        """Return what is described, or None where there are faults."""
        schema = self.document.get("schema")
        kind = next((kind for kind in KINDS if schema == schema_of(kind)), None)
        if kind is None:
            wanted = [schema_of(kind) for kind in KINDS]
            text = "schema must be {wanted:or}; write the one that fits as the first line."
            self.fault(("schema",), text, wanted=wanted)
            return None
        self.tables = KINDS[kind]
        self.unknown((), self.document, ["schema", *self.tables])
        head = self.document.get(kind)
        given = head.get("units") if isinstance(head, dict) else None
        self.unit = "in" if given == "in" else "mm"
        made: Description | None = getattr(self, kind)()
        self.faults.sort(key=lambda fault: fault.at.lines)
        return None if self.faults else made

    def several(self, name: str) -> list[tuple[tuple[str | int, ...], dict[str, Any]]]:
        """Return what was taken of each table of a list, with its place."""
        entries = self.document.get(name, [])
        if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
            self.fault((name,), "Write each {table} as its own [[{table}]] table.", table=name)
            return []
        if not entries and self.tables[name].needed:
            self.fault((name,), "There is no [[{table}]]; add one for each.", table=name)
        return [
            ((name, n), self.keys(self.tables[name], values, (name, n)))
            for n, values in enumerate(entries)
        ]

    def fields_of(self, name: str, taken: Mapping[str, Any]) -> dict[str, Any]:
        """Return values by the fields that they go to."""
        found: dict[str, Any] = {}
        for key in self.tables[name].keys:
            value = taken[key.name]
            several = value if key.kind == "travel" and isinstance(value, tuple) else (value,)
            found.update(zip(key.fields, several * len(key.fields), strict=False))
        return found

    def machine(self) -> Machine | None:
        values: dict[str, Any] = {}
        for name in self.tables:
            values |= self.fields_of(name, self.table(name))
        for axis in "xyz":
            if not values[f"{axis}_least_mm"] < values[f"{axis}_most_mm"]:
                self.fault(("axes", axis), "{key} must have least under most.")
        if not values["least_speed_hz"] <= values["most_speed_hz"]:
            self.fault(("spindle", "least_speed"), "{key} must not be over most_speed.")
        if values["plunge_feed_mm_per_s"] > values["most_feed_mm_per_s"]:
            self.fault(("axes", "plunge_feed"), "{key} must not be over most_feed.")
        if not self.faults:
            machine = Machine(**values)
            if machine.digit_mm > 2.0 * machine.working_allowance_mm + 1e-9:
                text = (
                    "{key} are too few: one last digit is over twice the working_allowance; give "
                    "more of them, or the allowance that the machine really needs."
                )
                self.fault(("machine", "decimals"), text)
        for name in ("start", "end"):
            self.readable(("machine", name), values[name], _RESTFUL)
        for name in ("coolant_on", "coolant_off", "dust_on", "dust_off"):
            self.readable(("spindle", name), values[name], _AIR)
        return None if self.faults else Machine(**values)

    def readable(self, path: tuple[str, str], block: str, allowed: tuple[str, ...]) -> None:
        """Refuse a block that cannot be read, or that does more than its key is for."""
        from evenfall.work.trace import block_fault, block_words

        if block and (said := block_fault(block)) is not None:
            self.fault(path, "{key} cannot be used: {why}", why=said)
            return
        words = block_words(block)
        free = "PQ" if {"G4", "G64"} & set(words) else ""
        for word in words:
            if word not in allowed and word[0] not in free:
                text = "{key} may hold only {allowed:list}, and not {word}; remove it."
                self.fault(path, text, allowed=allowed, word=word)
                return

    def cutters(self) -> tuple[Cutter, ...] | None:
        self.table("cutters")
        made: dict[int, Cutter] = {}
        for place, taken in self.several("cutter"):
            values = self.fields_of("cutter", taken)
            self.shape_agrees(place, values)
            uses: dict[str, Use] = {}
            for material in MATERIALS:
                stem = material.replace(" ", "_")
                speed, chip, life = (
                    values.pop(f"{stem}_{name}") for name in ("speed", "chip_mm", "life")
                )
                if (speed is None) != (chip is None):
                    lacking = f"{stem}_{'chip' if chip is None else 'speed'}"
                    self.fault((*place, lacking), "{key} is missing; add it.")
                elif speed is not None:
                    uses[material] = Use(speed, chip, math.inf if life is None else life)
            if not uses:
                text = "{key} is missing, as is every other material; say what it cuts."
                self.fault((*place, "nickel_silver_speed"), text)
            number = values["number"]
            if number in made:
                self.fault((*place, "number"), "Cutter {n} is there twice.", n=number)
            if not self.faults:
                for name in ("groove_radius_mm", "width_mm", "body_width_mm"):
                    values[name] = math.nan if values[name] is None else values[name]
                if math.isnan(values["body_width_mm"]):
                    values["body_width_mm"] = values["width_mm"]
                made[number] = Cutter(**values, uses=uses)
        return None if self.faults else tuple(made[number] for number in sorted(made))

    def shape_agrees(self, place: tuple[str | int, ...], values: Mapping[str, Any]) -> None:
        """Note what a shape needs and lacks."""
        shape = values["shape"]
        needed = {"concave wheel": ("groove_radius", "width"), "slitting saw": ("width",)}
        for name in needed.get(shape, ()):
            if values[f"{name}_mm"] is None:
                text = "{key} is missing; a {shape} needs it."
                self.fault((*place, name), text, shape=shape)
        groove, width, body = (values[f"{n}_mm"] for n in ("groove_radius", "width", "body_width"))
        if groove is not None and width is not None and width >= 2.0 * groove:
            self.fault((*place, "width"), "{key} must be less than twice groove_radius.")
        if width is not None and body is not None and body < width:
            self.fault((*place, "body_width"), "{key} must not be less than width.")

    def fixture(self) -> Fixture | None:
        values = self.fields_of("fixture", self.table("fixture"))
        boxes: list[Box] = []
        for name in ("clamp", "keep_out"):
            for place, taken in self.several(name):
                box = self.fields_of(name, taken)
                for axis in "xy":
                    if not box[f"{axis}_least_mm"] < box[f"{axis}_most_mm"]:
                        self.fault((*place, axis), "{key} must have least under most.")
                boxes.append(Box(**box))
        return None if self.faults else Fixture(**values, boxes=tuple(boxes))

    def parts(self) -> Parts | None:
        values = self.fields_of("parts", self.table("parts"))
        found: dict[str, Any] = {}
        for name, field_name in (("nut", "nut"), ("saddle", "saddle"), ("fret_ends", "ends")):
            if name in self.document:
                taken = self.table(name)
                found[field_name] = None if self.faults else self.made(name, taken)
        if not found:
            text = "There is no [nut], no [saddle] and no [fret_ends]; add what is to be cut."
            self.fault(("parts",), text)
        return None if self.faults else Parts(**values, **found)


def read_description(text: str, *, source: str = "") -> Description:
    """Return what a file describes: a machine, cutters by their numbers, a fixture, or parts.

    DescriptionError with every fault found, each with its line where the file gives one.
    """
    document = toml_document(
        text,
        source,
        refused=DescriptionError,
        code="description-value",
        no_table="This is not a description: no line of it is a [table] or a key with its value; "
        "give a machine, cutters, a fixture or parts (TOML) here.",
    )
    reader = _Reader(document, text, source)
    made = reader.described()
    if made is None:
        raise DescriptionError(reader.faults)
    return made
