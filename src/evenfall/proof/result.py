"""Proof: what the readings after the work show, item by item; data only.

`Proof.as_dict` is the contract with other programs; docs/reference/json.md lists its keys.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, get_args

import numpy as np

from evenfall.errors import BrokenFileError, Finding, FormatMismatchError
from evenfall.instrument.specification import DecisionRule
from evenfall.measurement.measurement import (
    content_hash,
    nan_for_none,
    plain_number,
    plain_numbers,
    wrong_schema,
)
from evenfall.proof.decision import Verdict
from evenfall.proof.uncertainty import Budget, BudgetLine

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]

SCHEMA = "evenfall/proof@1"

NONE = -1
"""Stop or fret of an item that has none; 0 is the nut."""


@dataclass(frozen=True, slots=True)
class Item:
    """One quantity judged against its limits.

    Parameters
    ----------
    name
        What was judged, in words.
    quantity
        "action", "first-fret", "relief", "crown-height" or "clearance".
    unit
        Unit of every number here; always "mm".
    string
        String number, 0 if the item has none.
    stop, fret
        Stopped position (0 = open) and fret; -1 if the item has none.
    value, standard_uncertainty, expanded_uncertainty
        Result, u and U = k u; NaN if not known.
    lower, upper
        Limits; infinite if open.
    guard_band
        Distance from the limits at which the verdict counts as proven.
    probability
        Probability of conformity; NaN if the value is not known.
    verdict
        "conforms", "does not conform" or "undecided".
    route
        How the value was obtained, in words.
    lines
        Budget of its uncertainty, line by line.
    """

    name: str
    quantity: str
    unit: str
    string: int
    stop: int
    fret: int
    value: float
    standard_uncertainty: float
    expanded_uncertainty: float
    lower: float
    upper: float
    guard_band: float
    probability: float
    verdict: Verdict
    route: str
    lines: tuple[BudgetLine, ...]

    @property
    def limit(self) -> float:
        """The limit that the value is nearest to, or the only one."""
        if math.isinf(self.upper):
            return self.lower
        if math.isinf(self.lower):
            return self.upper
        nearer_lower = self.value - self.lower <= self.upper - self.value
        return self.lower if nearer_lower else self.upper

    @property
    def room(self) -> float:
        """Distance of the value inside its nearest limit, negative outside."""
        return min(self.value - self.lower, self.upper - self.value)

    @property
    def budget(self) -> Budget:
        """The uncertainty budget of the value."""
        return Budget(self.name, self.value, self.unit, self.lines)


@dataclass(frozen=True, slots=True)
class Positions:
    """Every stopped position 0..F-1 of K strings; arrays of shape (K, F).

    Parameters
    ----------
    touch_force_n, touch_force_u_n
        Attack the position bears [N] and its standard uncertainty; NaN if a height is missing.
    clearance_mm, clearance_u_mm, required_mm
        Clearance over the critical fret, its standard uncertainty, and what it must be [mm].
    critical_fret
        The fret whose clearance is least sure to be enough; 0 if none was read.
    probability
        Probability that this clearance is enough; NaN if it is not known.
    verdict
        Per position "conforms", "does not conform" or "undecided", one tuple per string.
    """

    touch_force_n: FloatArray
    touch_force_u_n: FloatArray
    clearance_mm: FloatArray
    clearance_u_mm: FloatArray
    required_mm: FloatArray
    critical_fret: IntArray
    probability: FloatArray
    verdict: tuple[tuple[Verdict, ...], ...]


@dataclass(frozen=True, slots=True)
class Deviation:
    """How far the instrument is from its plan, positive where it stands higher.

    The set-ups before and after need not share a datum: a straight line per string is taken out
    of the crown tops by least squares, together with one bow common to all strings.

    Parameters
    ----------
    crown_top_mm, crown_top_u_mm
        Crown tops over plan and standard uncertainty [mm], shape (K, F).
    nut_mm, nut_u_mm, saddle_mm, saddle_u_mm
        Nut slots and saddles over plan in the same frame [mm], shape (K,).
    relief_mm, relief_u_mm
        Relief over plan [mm].
    """

    crown_top_mm: FloatArray
    crown_top_u_mm: FloatArray
    nut_mm: FloatArray
    nut_u_mm: FloatArray
    saddle_mm: FloatArray
    saddle_u_mm: FloatArray
    relief_mm: float
    relief_u_mm: float

    @property
    def rms_mm(self) -> float:
        """Root mean square of the crown-top deviations [mm]; NaN if there are none."""
        known = self.crown_top_mm[np.isfinite(self.crown_top_mm)]
        return float(np.sqrt(np.mean(known**2))) if known.size else math.nan

    @property
    def fret_mean_mm(self) -> FloatArray:
        """Mean deviation of each fret over the strings [mm], shape (F,)."""
        known = np.isfinite(self.crown_top_mm)
        total = np.where(known, self.crown_top_mm, 0.0).sum(axis=0)
        count = known.sum(axis=0)
        return np.where(count > 0, total / np.maximum(count, 1), np.nan)

    @property
    def worst(self) -> tuple[int, int, float]:
        """String, fret and size [mm] of the largest crown-top deviation; (0, 0, NaN) if none."""
        if not np.isfinite(self.crown_top_mm).any():
            return 0, 0, math.nan
        string, fret = divmod(
            int(np.nanargmax(np.abs(self.crown_top_mm))), self.crown_top_mm.shape[1]
        )
        return string + 1, fret + 1, float(self.crown_top_mm[string, fret])


@dataclass(frozen=True, slots=True)
class Proof:
    """What the readings after the work show.

    Parameters
    ----------
    verdict
        "conforms" if every item does, "does not conform" if any item does not, else "undecided".
    rule, coverage
        Decision rule and its one-sided coverage probability.
    coverage_factor
        k of the expanded uncertainties: two-sided, for the same probability.
    serial, model
        The instrument.
    specification_hash, plan_hash, before_hash, after_hash
        Content hashes of the specification, the plan, and the measurements before and after.
    attack_n
        Attack that was judged [N], shape (K,).
    items
        Everything judged, in the order action, first fret, relief, crown heights, clearances.
    positions
        Every stopped position.
    deviation
        Where the instrument is other than planned.
    next_steps
        What to do now, in order, one sentence each.
    findings
        What a reader of the verdict should know.
    """

    verdict: Verdict
    rule: DecisionRule
    coverage: float
    coverage_factor: float
    serial: str
    model: str
    specification_hash: str
    plan_hash: str
    before_hash: str
    after_hash: str
    attack_n: FloatArray
    items: tuple[Item, ...]
    positions: Positions
    deviation: Deviation
    next_steps: tuple[str, ...]
    findings: tuple[Finding, ...]

    @property
    def content_hash(self) -> str:
        """SHA-256 of the proof's own content."""
        return content_hash(self._content())

    @property
    def code(self) -> str:
        """Ten characters that find this proof again, printed on the certificate."""
        return self.content_hash[:10].upper()

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON, with schema and content hash."""
        content = self._content()
        return {"schema": SCHEMA, "content_hash": content_hash(content), **content}

    def _content(self) -> dict[str, Any]:
        return {
            "verdict": self.verdict,
            "rule": self.rule,
            "coverage": self.coverage,
            "coverage_factor": self.coverage_factor,
            "serial": self.serial,
            "model": self.model,
            "specification_hash": self.specification_hash,
            "plan_hash": self.plan_hash,
            "before_hash": self.before_hash,
            "after_hash": self.after_hash,
            "items": [_plain_item(item) for item in self.items],
            "positions": [self._string(k) for k in range(len(self.attack_n))],
            "deviation": _plain_deviation(self.deviation),
            "next_steps": list(self.next_steps),
            "findings": [finding.as_dict() for finding in self.findings],
        }

    def _string(self, k: int) -> dict[str, Any]:
        plain: dict[str, Any] = {"string": k + 1, "attack_n": float(self.attack_n[k])}
        for name in _POSITION_NUMBERS:
            plain[name] = plain_numbers(getattr(self.positions, name)[k])
        plain["critical_fret"] = [int(fret) for fret in self.positions.critical_fret[k]]
        plain["verdict"] = list(self.positions.verdict[k])
        return plain


_POSITION_NUMBERS = (
    "touch_force_n",
    "touch_force_u_n",
    "clearance_mm",
    "clearance_u_mm",
    "required_mm",
    "probability",
)
_DEVIATION_ARRAYS = (
    "crown_top_mm",
    "crown_top_u_mm",
    "nut_mm",
    "nut_u_mm",
    "saddle_mm",
    "saddle_u_mm",
)
_ITEM_NUMBERS = (
    "value",
    "standard_uncertainty",
    "expanded_uncertainty",
    "guard_band",
    "probability",
)
_ITEM_WORDS = ("name", "quantity", "unit", "verdict", "route")


def _plain_item(item: Item) -> dict[str, Any]:
    return {
        **{key: getattr(item, key) for key in _ITEM_WORDS},
        "string": item.string,
        "stop": item.stop,
        "fret": item.fret,
        **{key: plain_number(getattr(item, key)) for key in _ITEM_NUMBERS},
        "limit": plain_number(item.limit),
        "lower": plain_number(item.lower),
        "upper": plain_number(item.upper),
        "budget": [
            {
                "name": line.name,
                "value": plain_number(line.value),
                "standard_uncertainty": line.standard_uncertainty,
                "sensitivity": line.sensitivity,
                "contribution": line.contribution,
                "unit": line.unit,
                "degrees_of_freedom": plain_number(line.degrees_of_freedom),
                "distribution": line.distribution,
            }
            for line in item.lines
        ],
    }


def _plain_deviation(deviation: Deviation) -> dict[str, Any]:
    string, fret, worst_mm = deviation.worst
    return {
        **{name: plain_numbers(getattr(deviation, name)) for name in _DEVIATION_ARRAYS},
        "relief_mm": plain_number(deviation.relief_mm),
        "relief_u_mm": plain_number(deviation.relief_u_mm),
        "rms_mm": plain_number(deviation.rms_mm),
        "fret_mean_mm": plain_numbers(deviation.fret_mean_mm),
        "worst": {"string": string, "fret": fret, "value_mm": plain_number(worst_mm)},
    }


def proof_from_dict(values: Mapping[str, Any]) -> Proof:
    """Return the proof that `Proof.as_dict` wrote.

    Parameters
    ----------
    values
        The parsed JSON object.

    Raises
    ------
    FormatMismatchError
        The object is not a proof.
    BrokenFileError
        It is one, but a value is missing, of the wrong type or shape, or was changed by hand.
    """
    if not isinstance(values, dict) or values.get("schema") != SCHEMA:
        raise FormatMismatchError(wrong_schema("a proof", SCHEMA, values))
    try:
        proof = _read(values)
        shape = proof.positions.touch_force_n.shape
        grids = [getattr(proof.positions, name) for name in _POSITION_NUMBERS]
        grids += [proof.deviation.crown_top_mm, proof.deviation.crown_top_u_mm]
        if len(shape) != 2 or any(grid.shape != shape for grid in grids):
            raise ValueError("strings or frets are missing")
        if proof.verdict not in get_args(Verdict) or proof.rule not in get_args(DecisionRule):
            raise ValueError("verdict or rule is not known")
    except (KeyError, TypeError, ValueError, OverflowError, AttributeError) as error:
        cause = f"{error.args[0]} is missing" if isinstance(error, KeyError) else str(error)
        raise BrokenFileError(
            f"The proof is damaged ({cause.splitlines()[0][:120]}); make it anew with "
            "evenfall prove."
        ) from None
    if values.get("content_hash") != proof.content_hash:
        raise BrokenFileError(
            "The proof does not match its own content hash: it was changed after it was written; "
            "make it anew with evenfall prove."
        )
    return proof


def _read(values: Mapping[str, Any]) -> Proof:
    strings = values["positions"]

    def grid(name: str) -> FloatArray:
        return np.array([nan_for_none(s[name]) for s in strings], dtype=float)

    deviation = values["deviation"]
    return Proof(
        verdict=values["verdict"],
        rule=values["rule"],
        coverage=float(values["coverage"]),
        coverage_factor=float(values["coverage_factor"]),
        **{
            name: str(values[name])
            for name in (
                "serial",
                "model",
                "specification_hash",
                "plan_hash",
                "before_hash",
                "after_hash",
            )
        },
        attack_n=grid("attack_n"),
        items=tuple(_read_item(item) for item in values["items"]),
        positions=Positions(
            **{name: grid(name) for name in _POSITION_NUMBERS},
            critical_fret=np.array([s["critical_fret"] for s in strings], dtype=np.int64),
            verdict=tuple(tuple(s["verdict"]) for s in strings),
        ),
        deviation=Deviation(
            **{
                name: np.array(nan_for_none(deviation[name]), dtype=float)
                for name in _DEVIATION_ARRAYS
            },
            relief_mm=_number(deviation["relief_mm"]),
            relief_u_mm=_number(deviation["relief_u_mm"]),
        ),
        next_steps=tuple(str(step) for step in values["next_steps"]),
        findings=tuple(
            Finding(f["code"], f["sentence"], f["where"], f["severity"]) for f in values["findings"]
        ),
    )


def _read_item(values: Mapping[str, Any]) -> Item:
    if values["verdict"] not in get_args(Verdict):
        raise ValueError("the verdict of an item is not known")
    return Item(
        name=str(values["name"]),
        quantity=str(values["quantity"]),
        unit=str(values["unit"]),
        string=int(values["string"]),
        stop=int(values["stop"]),
        fret=int(values["fret"]),
        value=_number(values["value"]),
        standard_uncertainty=_number(values["standard_uncertainty"]),
        expanded_uncertainty=_number(values["expanded_uncertainty"]),
        probability=_number(values["probability"]),
        verdict=values["verdict"],
        route=str(values["route"]),
        guard_band=_number(values["guard_band"], math.inf),
        lower=_number(values["lower"], -math.inf),
        upper=_number(values["upper"], math.inf),
        lines=tuple(
            BudgetLine(
                name=str(line["name"]),
                value=_number(line["value"]),
                standard_uncertainty=float(line["standard_uncertainty"]),
                sensitivity=float(line["sensitivity"]),
                unit=str(line["unit"]),
                degrees_of_freedom=_number(line["degrees_of_freedom"], math.inf),
                distribution=str(line["distribution"]),
            )
            for line in values["budget"]
        ),
    )


def _number(value: float | None, nothing: float = math.nan) -> float:
    return nothing if value is None else float(value)
