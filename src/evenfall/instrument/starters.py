"""Starter specifications: one of each kind, complete and commented, to put one's own values into.

Names are invented and every number is common practice, no source, unless its comment names one.
What a string weighs follows from its wires (`evenfall.instrument.construction`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from evenfall.errors import At, RequestError
from evenfall.instrument.families import Ends
from evenfall.instrument.geometry import fret_distance_mm
from evenfall.instrument.specification import Hand
from evenfall.instrument.specification_keys import FEWEST_FRETS, MOST_FRETS
from evenfall.instrument.specification_template import Given, specification_template
from evenfall.units import MM_PER_INCH, LengthUnit

_MARGIN_MM = 3.5
"""From the middle of an outer string to the edge of the board."""

_NICKEL, _BRONZE, _SILVERED = "nickel-plated steel", "phosphor bronze", "silver-plated copper"
_NYLON, _FLUOROCARBON = {"material": "nylon"}, {"material": "fluorocarbon"}

Wires = tuple[str, float, float, str]  # pitch, gauge, core and wrap; 0 and "" for a plain string


@dataclass(frozen=True, slots=True)
class Starter:
    """What a starter of one kind is made of; lengths in mm."""

    name: str
    kind: str
    family: str
    frets: int
    joint_fret: int
    scale: Given
    radius_mm: Ends  # at the nut and at the last fret
    spread_mm: Ends  # of the strings, at nut and saddle
    action_mm: tuple[float, float, float]  # first and last string, tolerance
    first_fret_gap_mm: tuple[float, float, float]
    relief_mm: tuple[float, float, float]  # value, least, most
    pluck_mm: float  # from the saddle
    setback_mm: tuple[float, ...]  # of each string: stopped notes of level frets are in tune
    sets: Mapping[str, tuple[Wires, ...]]
    wire_mm: tuple[float, float, float] = (1.2, 2.4, 0.8)  # crown height, its width, least height
    saddle: Given = field(default_factory=lambda: {"saddle_travel": {"down": 0.8, "up": 0.8}})
    more: Mapping[str, Given] = field(default_factory=dict)  # further keys, by table
    string: Given = field(default_factory=dict)  # further keys of every string


def _plain(*strings: tuple[str, float]) -> tuple[Wires, ...]:
    return tuple((pitch, gauge, 0.0, "") for pitch, gauge in strings)


def _wound(wrap: str, *strings: tuple[str, float, float]) -> tuple[Wires, ...]:
    return tuple((*string, wrap) for string in strings)


def _doubled(*wires: Wires) -> tuple[Wires, ...]:
    return tuple(wire for one in wires for wire in (one, one))


_ONE_PIECE: Given = {
    "saddle_travel": {"down": 1.0, "up": 0.5},
    "one_piece_saddle": True,
}

_OF_SET: Mapping[str, Given] = {"re-entrant": {"reentrant": True}}
"""What a set of strings says of the model."""

STARTERS: Final[Mapping[str, Starter]] = {
    "electric": Starter(
        "Ostrequil",
        "six-string electric guitar",
        "electric guitar",
        22,
        17,
        {"length": 648.0},
        (254.0, 305.0),
        (36.0, 52.0),
        (1.7, 2.1, 0.15),
        (0.30, 0.45, 0.10),
        (0.20, 0.10, 0.30),
        130.0,
        (1.4, 2.6, 4.5, 2.5, 3.4, 4.3),
        {
            "medium": (
                *_plain(("E4", 0.254), ("B3", 0.330), ("G3", 0.432)),
                *_wound(_NICKEL, ("D3", 0.660, 0.330), ("A2", 0.914, 0.381), ("E2", 1.168, 0.406)),
            ),
            "light": (
                *_plain(("E4", 0.229), ("B3", 0.279), ("G3", 0.406)),
                *_wound(_NICKEL, ("D3", 0.610, 0.305), ("A2", 0.813, 0.356), ("E2", 1.067, 0.381)),
            ),
            "heavy": (
                *_plain(("E4", 0.279), ("B3", 0.356), ("G3", 0.457)),
                *_wound(_NICKEL, ("D3", 0.711, 0.356), ("A2", 0.965, 0.406), ("E2", 1.245, 0.432)),
            ),
        },
    ),
    "acoustic": Starter(
        "Ombreld",
        "six-string acoustic guitar, steel strings",
        "steel-string guitar",
        20,
        14,
        {"length": 645.0},
        (406.0, 406.0),
        (37.0, 54.0),
        (2.0, 2.5, 0.20),
        (0.35, 0.50, 0.12),
        (0.20, 0.10, 0.30),
        150.0,
        (1.9, 3.5, 1.3, 2.1, 3.0, 4.2),
        {
            "medium": (
                *_plain(("E4", 0.305), ("B3", 0.406)),
                *_wound(_BRONZE, ("G3", 0.610, 0.270), ("D3", 0.813, 0.330)),
                *_wound(_BRONZE, ("A2", 1.067, 0.380), ("E2", 1.346, 0.420)),
            ),
            "light": (
                *_plain(("E4", 0.279), ("B3", 0.381)),
                *_wound(_BRONZE, ("G3", 0.584, 0.260), ("D3", 0.762, 0.320)),
                *_wound(_BRONZE, ("A2", 0.991, 0.360), ("E2", 1.321, 0.410)),
            ),
        },
        (1.1, 2.3, 0.75),
        _ONE_PIECE,
    ),
    "classical": Starter(
        "Velquorin",
        "classical guitar, nylon strings",
        "classical guitar",
        19,
        12,
        {"length": 650.0},
        (0.0, 0.0),
        (43.0, 58.0),
        (3.0, 4.0, 0.25),
        (0.50, 0.70, 0.15),
        (0.15, 0.05, 0.28),
        120.0,
        (1.2, 2.0, 3.5, 0.8, 0.7, 0.4),
        # so that the masses are those of a set that J. Woodhouse measured: Acta Acust. 90 (2004)
        # 945-965, table I (some of the masses from memory)
        {
            "medium": (
                *_plain(("E4", 0.65), ("B3", 0.76), ("G3", 1.00)),
                *_wound(_SILVERED, ("D3", 0.762, 0.52), ("A2", 0.920, 0.48), ("E2", 1.118, 0.38)),
            ),
        },
        (1.1, 2.3, 0.7),
        _ONE_PIECE,
        {"neck": {"truss_rod": False}},
        _NYLON,
    ),
    "bass": Starter(
        "Grumoldane",
        "four-string electric bass",
        "bass",
        20,
        16,
        {"length": 864.0},
        (254.0, 356.0),
        (33.0, 57.0),
        (2.1, 2.6, 0.20),
        (0.45, 0.60, 0.12),
        (0.28, 0.15, 0.40),
        140.0,
        (2.6, 3.2, 4.0, 5.0),
        {
            "medium": _wound(
                _NICKEL,
                *(("G2", 1.143, 0.45), ("D2", 1.651, 0.50)),
                *(("A1", 2.159, 0.56), ("E1", 2.667, 0.61)),
            ),
            "light": _wound(
                _NICKEL,
                *(("G2", 1.016, 0.42), ("D2", 1.524, 0.48)),
                *(("A1", 2.032, 0.53), ("E1", 2.540, 0.59)),
            ),
        },
        (1.3, 2.7, 0.85),
    ),
    "ukulele": Starter(
        "Piquelno",
        "concert ukulele",
        "ukulele",
        16,
        14,
        {"length": 380.0},
        (0.0, 0.0),
        (28.5, 41.0),
        (2.5, 2.5, 0.25),
        (0.45, 0.45, 0.15),
        (0.06, 0.0, 0.15),
        110.0,
        (1.6, 2.9, 4.7, 2.1),
        {
            "re-entrant": _plain(("A4", 0.56), ("E4", 0.74), ("C4", 0.91), ("G4", 0.64)),
            "low": (
                *_plain(("A4", 0.56), ("E4", 0.74), ("C4", 0.91)),
                *_wound(_SILVERED, ("G3", 0.76, 0.60)),
            ),
        },
        (0.95, 1.9, 0.60),
        _ONE_PIECE,
        {"neck": {"truss_rod": False}},
        _NYLON,
    ),
    "mandolin": Starter(
        "Pelquavo",
        "mandolin, four courses of two strings",
        "mandolin",
        20,
        15,
        {"length": 352.0},
        (305.0, 305.0),
        (24.0, 38.0),
        (1.4, 1.8, 0.15),
        (0.25, 0.35, 0.10),
        (0.08, 0.02, 0.15),
        70.0,
        (1.4, 1.5, 3.3, 3.4, 2.0, 2.0, 3.2, 3.3),
        {
            "medium": _doubled(
                *_plain(("E5", 0.270), ("A4", 0.360)),
                *_wound(_BRONZE, ("D4", 0.600, 0.280), ("G3", 0.860, 0.330)),
            ),
        },
        (1.0, 2.0, 0.65),
        _ONE_PIECE,
        {"model": {"courses": 4}},
    ),
    "twelve-string": Starter(
        "Yulmerande",
        "twelve-string acoustic guitar, six courses",
        "twelve-string guitar",
        20,
        14,
        {"length": 645.0},
        (406.0, 508.0),
        (41.0, 58.0),
        (2.0, 2.4, 0.20),
        (0.33, 0.45, 0.12),
        (0.20, 0.10, 0.30),
        150.0,
        (1.7, 1.7, 3.2, 3.3, 1.4, 1.3, 2.2, 2.5, 2.7, 1.3, 3.9, 1.9),
        {
            "medium": (
                *_doubled(*_plain(("E4", 0.254), ("B3", 0.356))),
                *(*_wound(_BRONZE, ("G3", 0.584, 0.270)), *_plain(("G4", 0.216))),
                *(*_wound(_BRONZE, ("D3", 0.762, 0.330)), *_plain(("D4", 0.305))),
                *_wound(_BRONZE, ("A2", 1.016, 0.360), ("A3", 0.533, 0.254)),
                *_wound(_BRONZE, ("E2", 1.270, 0.400), ("E3", 0.711, 0.305)),
            ),
        },
        (1.1, 2.3, 0.75),
        _ONE_PIECE,
        {"model": {"courses": 6}},
    ),
    "seven-string": Starter(
        "Dolquerane",
        "seven-string electric guitar, fanned frets",
        "electric guitar",
        24,
        18,
        {"treble": 648.0, "bass": 686.0, "square_fret": 7},
        (406.0, 406.0),
        (41.0, 63.0),
        (1.8, 2.3, 0.15),
        (0.30, 0.50, 0.10),
        (0.15, 0.05, 0.25),
        130.0,
        (1.5, 2.7, 4.5, 2.5, 3.3, 4.1, 5.2),
        {
            "medium": (
                *_plain(("E4", 0.254), ("B3", 0.330), ("G3", 0.432)),
                *_wound(_NICKEL, ("D3", 0.660, 0.330), ("A2", 0.914, 0.381)),
                *_wound(_NICKEL, ("E2", 1.168, 0.406), ("B1", 1.575, 0.457)),
            ),
        },
    ),
    "banjo": Starter(
        "Tembraquil",
        "four-string banjo with a long neck; a short fifth string is not covered",
        "banjo",
        22,
        22,
        {"length": 667.0},
        (0.0, 0.0),
        (23.0, 31.0),
        (2.2, 2.5, 0.20),
        (0.30, 0.42, 0.10),
        (0.18, 0.08, 0.28),
        110.0,
        (2.1, 3.1, 5.2, 2.9),
        {
            "medium": (
                *_plain(("D4", 0.254), ("B3", 0.305), ("G3", 0.381)),
                *_wound(_NICKEL, ("C3", 0.610, 0.270)),
            ),
        },
        (1.1, 2.0, 0.7),
        {"saddle_travel": {"down": 0.8, "up": 0.8}, "one_piece_saddle": True},
    ),
}
"""Starters by kind."""

KINDS: Final = tuple(STARTERS)


def starter(
    kind: str,
    *,
    strings: str | None = None,
    scale_mm: float | None = None,
    frets: int | None = None,
    handed: Hand = "right",
    unit: LengthUnit = "mm",
    name: str | None = None,
) -> str:
    """Return a starter as TOML, complete and commented.

    Parameters
    ----------
    kind
        A key of `STARTERS`.
    strings
        One of its sets; the first if left out.
    scale_mm
        Scale length, with fanned frets that of the treble string [mm].
    frets
        Number of frets.
    handed, unit, name
        As in the specification.

    Raises
    ------
    RequestError
        There is no such kind or set, or no instrument of it has such a scale or number of frets.

    Examples
    --------
    >>> print(starter("bass", frets=24)[:58])
    # Starter: four-string electric bass; strings: medium. Put
    """
    made = _known(kind, STARTERS, "kind")
    label = next(iter(made.sets)) if strings is None else strings
    wires = _known(label, made.sets, "strings")
    count = made.frets if frets is None else frets
    usual = float(made.scale.get("length", made.scale.get("treble", 0.0)))
    least = max(FEWEST_FRETS, made.joint_fret - 6)
    most = min(MOST_FRETS, int(12.0 * math.log2(usual / made.pluck_mm)))  # none under the pluck
    if not least <= count <= most:
        text = "A starter of this kind has {least} to {most} frets, not {given}."
        raise RequestError(text, at=At(field="frets"), least=least, most=most, given=count)
    factor = 1.0 if scale_mm is None else scale_mm / usual
    if not _SHORTEST < factor < _LONGEST:
        text = "A starter of this kind has a scale of {low:size} to {high:size}, not {given:size}."
        ends = {"low": _SHORTEST * usual, "high": _LONGEST * usual, "given": scale_mm}
        raise RequestError(text, at=At(field="scale"), **ends)
    along = float(fret_distance_mm(1.0, count))
    nut, saddle = made.spread_mm
    last = nut + (saddle - nut) * along
    height, width, least_height = made.wire_mm
    reference = min(12, count)
    of_kind: LengthUnit = unit if scale_mm is None else "mm"  # a scale of one's own stays as it is
    given: dict[str, Given] = {
        "model": {
            "name": f"{made.name} (invented)" if name is None else name,
            "kind": made.kind,
            "family": made.family,
            "frets": count,
            "handed": handed,
            **_OF_SET.get(label, {}),
            **made.more.get("model", {}),
        },
        "scale": {
            **{
                key: v if key == "square_fret" else round(_usual(v * factor, of_kind), 2)
                for key, v in made.scale.items()
            },
            "reference_fret": reference,
        },
        "board": {
            "radius_nut": _usual(made.radius_mm[0], unit),
            "radius_last": _usual(made.radius_mm[1], unit),
            "width_nut": round(nut + 2 * _MARGIN_MM, 1),
            "width_last": round(last + 2 * _MARGIN_MM, 1),
            "string_spread_nut": nut,
            "string_spread_saddle": saddle,
            "joint_fret": float(min(made.joint_fret, count)),
        },
        "fretwire": {
            "crown_height": height,
            "crown_width": width,
            "least_crown_height": least_height,
        },
        "target": {
            "action": _ends(made.action_mm),
            "first_fret_gap": _ends(made.first_fret_gap_mm),
            "relief": dict(zip(("value", "minimum", "maximum"), made.relief_mm, strict=True)),
            "nut_travel": {"down": 0.25},
            **made.saddle,
        },
        "player": {
            "attack": "light" if label == "light" else "medium",
            "pluck_distance": round(made.pluck_mm * factor, 1),
        },
        "rule": {"extra_clearance": 0.02, "working_allowance": 0.02},
        "neck": made.more.get("neck", {}),
    }
    each = [
        _string(wire, setback, made.string)
        for wire, setback in zip(wires, made.setback_mm, strict=True)
    ]
    return specification_template(given, each, unit, short=_opening(made, label))


def _usual(long_mm: float, unit: LengthUnit) -> float:
    """Return a long length as is usual in a unit: 25.5 in where it is 648 mm, not 25.512 in."""
    return long_mm if unit == "mm" else round(long_mm / MM_PER_INCH, 1) * MM_PER_INCH


_SHORTEST, _LONGEST = 0.7, 1.4
"""Of the kind's usual scale: another is another instrument."""


def _known(given: str, known: Mapping[str, object], field_name: str) -> Any:
    """Return what stands under a name."""
    if given in known:
        return known[given]
    text = "{given:quoted} is not known here; it must be {known:or}."
    raise RequestError(text, at=At(field=field_name), given=given, known=tuple(known))


def _ends(of: tuple[float, float, float]) -> dict[str, float]:
    return dict(zip(("treble", "bass", "tolerance"), of, strict=True))


def _string(wire: Wires, setback_mm: float, more: Given) -> Given:
    pitch, gauge, core, wrap = wire
    wound: Given = {"core": core, "wrap": wrap} if wrap else {}
    return {"pitch": pitch, "gauge": gauge, **wound, **more, "saddle_setback": setback_mm}


def _opening(made: Starter, label: str) -> Sequence[str]:
    lines = [
        f"Starter: {made.kind}; strings: {label}. Put your own values in place of these.",
        "The name is invented. Every number is common practice, no source: measure yours.",
    ]
    if "material" in made.string:
        lines.append("Gauges are of strings at pitch: a polymer gets thinner as it is tuned up.")
    return lines
