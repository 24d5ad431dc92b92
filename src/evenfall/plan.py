"""Plan: what comes off which crossing, what is adjusted, and why; data only.

`Plan.as_dict` is the contract with other programs; docs/reference/json.md lists its keys.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Literal, get_args

import numpy as np

from evenfall.errors import BrokenFileError, EvenfallError, FormatMismatchError
from evenfall.measurement import (
    Measurement,
    check_range,
    content_hash,
    damage,
    measurement_from_dict,
    number_array,
    plain_numbers,
    wrong_schema,
)
from evenfall.neck import StiffnessOrigin

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

SCHEMA = "evenfall/plan@1"

Status = Literal["optimal", "relaxed", "infeasible"]

#: The methods, in the order of growing effort, with their name for people.
METHODS: dict[str, str] = {
    "adjust": "adjust only, no metal",
    "spot": "work on the fewest frets",
    "profile": "every crossing by its own amount",
    "beam": "levelling beam by hand",
    "partial-refret": "replace the fewest frets",
    "refret": "plane the board, replace every fret",
}


LEAST_SHOWN_MM = 5e-4
"""Less than this is not called work on a fret: it shows as zero in every table [mm]."""


@dataclass(frozen=True, slots=True)
class Binding:
    """One limit that holds the plan where it is.

    Parameters
    ----------
    kind
        "clear", "life", "action", "first-fret", "relief", "saddle", "nut", "across" or "along".
    sentence
        The limit in words.
    strings, stop, fret
        The strings concerned; the stopped position (0 = open) and the fret; -1 where it has none.
    price_mm_per_mm
        How much total metal [mm] one more millimetre of room in this limit would save.
    """

    kind: str
    sentence: str
    strings: tuple[int, ...]
    stop: int
    fret: int
    price_mm_per_mm: float


@dataclass(frozen=True, slots=True)
class Price:
    """What a limit costs in metal: the rate at the optimum (dual value).

    Parameters
    ----------
    limit
        "action", "attack", "relief", "first-fret", "saddle travel", "nut travel".
    metal_mm
        Total metal [mm] saved by easing the limit by `step`.
    step, unit
        The easing that the price is for, such as 0.01 mm or 0.01 N.
    """

    limit: str
    metal_mm: float
    step: float
    unit: str


@dataclass(frozen=True, slots=True)
class Relaxation:
    """The smallest easing of one lever that lets every other limit hold.

    Parameters
    ----------
    lever
        "attack", "action", "first fret", "relief", "crown height", "travel", "frets" (replaced)
        or "together".
    amount
        How much it must be eased, in `unit`; NaN if this lever alone cannot help.
    unit
        "mm", "N", "%" or "frets".
    helps
        Whether easing this lever alone is enough.
    sentence
        The easing in words.
    """

    lever: str
    amount: float
    unit: str
    helps: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class MethodResult:
    """What one method would reach.

    Parameters
    ----------
    method
        Key of `METHODS`.
    holds
        Whether every limit holds.
    metal_mm, frets_touched, frets_replaced
        Total removal over all crossings [mm]; how many frets are cut; how many are replaced.
    lowest_crown_mm
        Lowest crown after work [mm].
    life_used
        Largest share of fret life used at any crossing, 0 to 1.
    lowest_touch_margin_share
        Lowest touch force after work as a share of the player's attack.
    minutes
        Estimated bench time [min].
    risk
        What can go wrong, in words.
    remark
        Why it does not hold, or how it was found.
    """

    method: str
    holds: bool
    metal_mm: float
    frets_touched: int
    frets_replaced: int
    lowest_crown_mm: float
    life_used: float
    lowest_touch_margin_share: float
    minutes: float
    risk: str
    remark: str


@dataclass(frozen=True, slots=True)
class Outlook:
    """How far the neck may move before the plan no longer holds, and what would move it.

    Parameters
    ----------
    relief_low_mm, relief_high_mm
        Relief between which every promise of the plan holds [mm]; infinite where none ends it.
    low_end, high_end
        The promise that ends first on either side, in words; empty where none does.
    tension_less_n, tension_more_n
        By how much the strings may pull less and more, in all, with 2 u of the neck's stiffness
        counted [N]; infinite where nothing ends it.
    humidity_percent, humidity_noted
        Relative humidity of the air that the readings were taken in [%], and whether it was noted
        or is the usual one.
    humidity_low_percent, humidity_high_percent
        Humidities between which the plan holds once the wood has come to rest in them, 2 u counted
        [%].
    rod_turns_count, rod_turns_u_count
        Turns of the truss rod that the plan's change of relief takes, positive tightens, with
        standard uncertainty; NaN while no turn was measured.
    stiffness
        Where the neck's stiffness comes from: "default" (a usual neck), "section", "stiffness",
        "specification" or "pair" (two profiles of it).
    """

    relief_low_mm: float
    relief_high_mm: float
    low_end: str
    high_end: str
    tension_less_n: float
    tension_more_n: float
    humidity_percent: float
    humidity_noted: bool
    humidity_low_percent: float
    humidity_high_percent: float
    rod_turns_count: float
    rod_turns_u_count: float
    stiffness: StiffnessOrigin


@dataclass(frozen=True, slots=True)
class Plan:
    """What to do to one instrument with K strings and F frets.

    Parameters
    ----------
    status
        "optimal": every limit holds, proven least; "relaxed": limits had to be eased as
        `relaxations` says; "infeasible": no single lever mends it, this is the nearest.
    method
        Key of `METHODS`.
    metal_mm, gap_mm
        Total removal [mm] and duality gap [mm] of its optimality proof.
    largest_violation_mm
        Largest violation of any limit found by the independent check [mm].
    measurement
        The readings the plan is for; they carry the specification.
    attack_n
        Attack the plan was made for [N], shape (K,).
    removal_mm, crown_top_after_mm, crown_height_after_mm
        Shape (K, F) [mm].
    replaced_frets
        Frets that get new wire.
    nut_after_mm, saddle_after_mm
        Shape (K,) [mm].
    relief_before_mm, relief_change_mm, relief_after_mm
        Relief [mm]; the change is what the truss rod has to make.
    action_before_mm, action_after_mm, first_fret_gap_before_mm, first_fret_gap_after_mm
        Shape (K,) [mm].
    touch_force_before_n, touch_force_after_n
        By stopped position 0..F-1, shape (K, F) [N].
    life_used
        Largest share of fret life used at any crossing, 0 to 1.
    bow_mm_per_mm
        What one millimetre more relief does to each crown's height over the line from nut to
        saddle, shape (K, F).
    pitch_change_cents, pitch_uncrowned_cents
        How much sharper each stopped note becomes with the cut frets crowned again, and as long as
        they are flat, shape (K, F) [cent].
    binding, prices, relaxations, methods, outlook
        See their classes.
    recommended, reason
        The way that the program would take, and why.
    """

    status: Status
    method: str
    metal_mm: float
    gap_mm: float
    largest_violation_mm: float
    measurement: Measurement
    attack_n: FloatArray
    removal_mm: FloatArray
    crown_top_after_mm: FloatArray
    crown_height_after_mm: FloatArray
    replaced_frets: tuple[int, ...]
    nut_after_mm: FloatArray
    saddle_after_mm: FloatArray
    relief_before_mm: float
    relief_change_mm: float
    relief_after_mm: float
    action_before_mm: FloatArray
    action_after_mm: FloatArray
    first_fret_gap_before_mm: FloatArray
    first_fret_gap_after_mm: FloatArray
    touch_force_before_n: FloatArray
    touch_force_after_n: FloatArray
    life_used: float
    bow_mm_per_mm: FloatArray
    pitch_change_cents: FloatArray
    pitch_uncrowned_cents: FloatArray
    binding: tuple[Binding, ...]
    prices: tuple[Price, ...]
    relaxations: tuple[Relaxation, ...]
    methods: tuple[MethodResult, ...]
    outlook: Outlook
    recommended: str
    reason: str

    @property
    def lowest_crown_mm(self) -> float:
        """Lowest crown after work [mm]."""
        return float(np.min(self.crown_height_after_mm))

    @property
    def code(self) -> str:
        """Ten characters that find this plan again, printed on the sheet."""
        return self.content_hash[:10].upper()

    @property
    def content_hash(self) -> str:
        """SHA-256 of the plan's own content."""
        return content_hash(self._content())

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON, with schema and content hash."""
        content = self._content()
        return {"schema": SCHEMA, "content_hash": content_hash(content), **content}

    def _string(self, k: int) -> dict[str, Any]:
        before = self.measurement
        return {
            "string": k + 1,
            "attack_n": float(self.attack_n[k]),
            "removal_mm": plain_numbers(self.removal_mm[k]),
            "crown_top_after_mm": plain_numbers(self.crown_top_after_mm[k]),
            "crown_height_after_mm": plain_numbers(self.crown_height_after_mm[k]),
            "touch_force_before_n": plain_numbers(self.touch_force_before_n[k]),
            "touch_force_after_n": plain_numbers(self.touch_force_after_n[k]),
            "saddle_mm": float(self.saddle_after_mm[k]),
            "saddle_change_mm": float(self.saddle_after_mm[k] - before.saddle_mm[k]),
            "nut_mm": float(self.nut_after_mm[k]),
            "nut_change_mm": float(self.nut_after_mm[k] - before.nut_mm[k]),
            "action_before_mm": float(self.action_before_mm[k]),
            "action_after_mm": float(self.action_after_mm[k]),
            "first_fret_gap_before_mm": float(self.first_fret_gap_before_mm[k]),
            "first_fret_gap_after_mm": float(self.first_fret_gap_after_mm[k]),
            "bow_mm_per_mm": plain_numbers(self.bow_mm_per_mm[k]),
            "pitch_change_cents": plain_numbers(self.pitch_change_cents[k]),
            "pitch_uncrowned_cents": plain_numbers(self.pitch_uncrowned_cents[k]),
        }

    def _content(self) -> dict[str, Any]:
        return {
            "status": self.status,
            "method": self.method,
            "metal_mm": self.metal_mm,
            "gap_mm": self.gap_mm,
            "largest_violation_mm": self.largest_violation_mm,
            "strings": [self._string(k) for k in range(self.measurement.string_count)],
            "replaced_frets": list(self.replaced_frets),
            "relief_before_mm": self.relief_before_mm,
            "relief_change_mm": self.relief_change_mm,
            "relief_after_mm": self.relief_after_mm,
            "lowest_crown_mm": self.lowest_crown_mm,
            "life_used": self.life_used,
            "binding": [_finite(asdict(b)) for b in self.binding],
            "prices": [_finite(asdict(p)) for p in self.prices],
            "relaxations": [_finite(asdict(r)) for r in self.relaxations],
            "methods": [_finite(asdict(w)) for w in self.methods],
            "outlook": _finite(asdict(self.outlook)),
            "recommended": self.recommended,
            "reason": self.reason,
            "measurement": self.measurement.as_dict(),
        }


def _finite(values: dict[str, Any]) -> dict[str, Any]:
    """Return plain JSON values: None for what is not finite, lists for tuples."""
    plain: dict[str, Any] = {}
    for key, value in values.items():
        if isinstance(value, float) and not np.isfinite(value):
            plain[key] = None
        elif isinstance(value, tuple):
            plain[key] = list(value)
        else:
            plain[key] = value
    return plain


def plan_from_dict(values: Mapping[str, Any]) -> Plan:
    """Return the plan that `Plan.as_dict` wrote.

    Parameters
    ----------
    values
        The parsed JSON object.

    Raises
    ------
    FormatMismatchError
        The object is not a plan.
    BrokenFileError
        It is one, but a value is missing, of the wrong type or shape, or was changed by hand.
    """
    if not isinstance(values, dict) or values.get("schema") != SCHEMA:
        raise FormatMismatchError(wrong_schema("a plan", SCHEMA, values))
    try:
        strings = values["strings"]

        def grid(key: str) -> FloatArray:
            return number_array(key, [s[key] for s in strings])

        def number(key: str) -> float:
            return float(number_array(key, values[key]))

        if values["status"] not in get_args(Status) or values["method"] not in METHODS:
            raise ValueError("status or way is not known")
        plan = Plan(
            status=values["status"],
            method=values["method"],
            metal_mm=number("metal_mm"),
            gap_mm=number("gap_mm"),
            largest_violation_mm=number("largest_violation_mm"),
            measurement=measurement_from_dict(values["measurement"]),
            attack_n=grid("attack_n"),
            removal_mm=grid("removal_mm"),
            crown_top_after_mm=grid("crown_top_after_mm"),
            crown_height_after_mm=grid("crown_height_after_mm"),
            replaced_frets=tuple(int(f) for f in values["replaced_frets"]),
            nut_after_mm=grid("nut_mm"),
            saddle_after_mm=grid("saddle_mm"),
            relief_before_mm=number("relief_before_mm"),
            relief_change_mm=number("relief_change_mm"),
            relief_after_mm=number("relief_after_mm"),
            action_before_mm=grid("action_before_mm"),
            action_after_mm=grid("action_after_mm"),
            first_fret_gap_before_mm=grid("first_fret_gap_before_mm"),
            first_fret_gap_after_mm=grid("first_fret_gap_after_mm"),
            touch_force_before_n=grid("touch_force_before_n"),
            touch_force_after_n=grid("touch_force_after_n"),
            life_used=number("life_used"),
            bow_mm_per_mm=grid("bow_mm_per_mm"),
            pitch_change_cents=grid("pitch_change_cents"),
            pitch_uncrowned_cents=grid("pitch_uncrowned_cents"),
            binding=tuple(
                Binding(**{**_numbers(b), "strings": tuple(b["strings"])})
                for b in values["binding"]
            ),
            prices=tuple(Price(**_numbers(p)) for p in values["prices"]),
            relaxations=tuple(Relaxation(**_numbers(r)) for r in values["relaxations"]),
            methods=tuple(MethodResult(**_numbers(w)) for w in values["methods"]),
            outlook=_outlook(values["outlook"]),
            recommended=str(values["recommended"]),
            reason=str(values["reason"]),
        )
        _check_values(plan)
    except EvenfallError:
        raise
    except (KeyError, TypeError, ValueError, OverflowError, AttributeError) as error:
        raise BrokenFileError(
            f"The plan is damaged ({damage(error)}); make it anew with evenfall plan."
        ) from None
    # what follows from other values is in the file too, for those who read it without this program
    if any(values.get(key) != value for key, value in plan.as_dict().items()):
        raise BrokenFileError(
            "The plan does not match its own content hash: it was changed after it was written; "
            "make it anew with evenfall plan."
        )
    return plan


_HEIGHT_MM = (-1000.0, 1000.0)
_RANGES: dict[str, tuple[float, float]] = {
    "removal_mm": (0.0, 20.0),
    "crown_top_after_mm": _HEIGHT_MM,
    "crown_height_after_mm": (-20.0, 20.0),
    "touch_force_before_n": (-1e6, 1e6),
    "touch_force_after_n": (-1e6, 1e6),
    "nut_after_mm": _HEIGHT_MM,
    "saddle_after_mm": _HEIGHT_MM,
    "action_before_mm": _HEIGHT_MM,
    "action_after_mm": _HEIGHT_MM,
    "first_fret_gap_before_mm": _HEIGHT_MM,
    "first_fret_gap_after_mm": _HEIGHT_MM,
    "attack_n": (0.0, 1e6),
    "relief_before_mm": _HEIGHT_MM,
    "relief_change_mm": _HEIGHT_MM,
    "relief_after_mm": _HEIGHT_MM,
    "bow_mm_per_mm": (-1e3, 1e3),
    "pitch_change_cents": (-1e4, 1e4),
    "pitch_uncrowned_cents": (-1e4, 1e4),
    "metal_mm": (0.0, 1e4),
    "life_used": (0.0, 1e3),
}
"""What a number in a plan can be at all; a plan's own limits are narrower."""


def _check_values(plan: Plan) -> None:
    strings, frets = plan.measurement.crown_top_mm.shape
    for name, allowed in _RANGES.items():
        values = np.asarray(getattr(plan, name))
        if values.ndim and values.shape not in ((strings, frets), (strings,)):
            raise ValueError("strings or frets are missing")
        if np.isnan(values).any():
            raise ValueError(f"a number is missing in {name}")
        check_range(name, values, *allowed)
    for fret in plan.replaced_frets:
        check_range("replaced_frets", fret, 1, frets)


#: What null stands for in the outlook where it does not stand for "unknown".
_NO_END = {
    "relief_low_mm": -np.inf,
    "relief_high_mm": np.inf,
    "tension_less_n": np.inf,
    "tension_more_n": np.inf,
}


def _outlook(values: Mapping[str, Any]) -> Outlook:
    """Return what the outlook was written from."""
    if values["stiffness"] not in get_args(StiffnessOrigin):
        raise ValueError("the origin of the stiffness is not known")
    given = dict(values)
    for key in given.keys() - {"low_end", "high_end", "humidity_noted", "stiffness"}:
        value = values[key]
        given[key] = _NO_END.get(key, np.nan) if value is None else float(number_array(key, value))
    return Outlook(**given)


def _numbers(values: Mapping[str, Any]) -> dict[str, Any]:
    return {key: float("nan") if value is None else value for key, value in values.items()}
