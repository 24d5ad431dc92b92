"""Measurement: one set of readings of one instrument in one state; data only."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.arrays import read_only
from evenfall.errors import BrokenFileError, FormatMismatchError
from evenfall.measurement.heights import Heights, Origin, Shared

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from evenfall.arrays import CodeArray, FloatArray

SCHEMA = "evenfall/measurement@1"


@dataclass(frozen=True, slots=True)
class Direct:
    """A quantity read directly that can also be worked out from heights.

    Parameters
    ----------
    quantity
        "action" or "relief".
    string
        String number, or 0 where the quantity has none.
    fret
        Fret that the gap was read at.
    value_mm, u_mm
        Value and standard uncertainty [mm].
    degrees_of_freedom
        Of that uncertainty; infinite where it is taken as known.
    """

    quantity: str
    string: int
    fret: int
    value_mm: float
    u_mm: float
    degrees_of_freedom: float = math.inf


@dataclass(frozen=True, slots=True, eq=False)
class Measurement:
    """One set of readings of one instrument with K strings and F frets.

    Parameters
    ----------
    serial
        What the instrument is called on its label or job ticket; may be empty.
    model
        Name of the specification it was read against.
    specification_hash
        Content hash of that specification.
    source
        Names of the files read.
    strung
        Whether the strings were at pitch during the readings.
    humidity_percent
        Relative humidity of the air as noted [%]; NaN if not noted.
    heights
        Nut slots, crown tops and saddle over a straight datum common to all readings.
    crown_height_mm, crown_height_u_mm, crown_height_origin, crown_height_degrees_of_freedom
        Crown height over the board, standard uncertainty [mm], `Origin`, and degrees of freedom of
        that uncertainty, shape (K, F).
    direct
        Actions and reliefs that were read directly.
    routes
        One sentence for each way in which a height was obtained.
    specification_text
        The specification itself, so that the measurement stands on its own.
    """

    serial: str
    model: str
    specification_hash: str
    source: tuple[str, ...]
    strung: bool
    humidity_percent: float
    heights: Heights
    crown_height_mm: FloatArray
    crown_height_u_mm: FloatArray
    crown_height_origin: CodeArray
    crown_height_degrees_of_freedom: FloatArray
    direct: tuple[Direct, ...] = ()
    routes: tuple[str, ...] = ()
    specification_text: str = ""

    def __post_init__(self) -> None:
        shape = (self.heights.strings, self.heights.frets)
        for name, kind in _GRID.items():
            grid = read_only(np.asarray(getattr(self, name), dtype=kind))
            if grid.shape != shape:
                raise ValueError(f"{name} must have shape {shape}")
            object.__setattr__(self, name, grid)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Measurement):
            return NotImplemented
        return self.content_hash == other.content_hash

    def __hash__(self) -> int:
        return hash(self.content_hash)

    @property
    def string_count(self) -> int:
        """Number of strings K."""
        return self.heights.strings

    @property
    def fret_count(self) -> int:
        """Number of frets F."""
        return self.heights.frets

    @property
    def complete(self) -> bool:
        """Whether every height that a plan needs is there."""
        return not self.heights.missing.any() and bool(np.isfinite(self.crown_height_mm).all())

    @property
    def nut_mm(self) -> FloatArray:
        """Floor of each nut slot, shape (K,) [mm]."""
        return self.heights.nut_mm

    @property
    def nut_u_mm(self) -> FloatArray:
        """Standard uncertainty of each nut slot, shape (K,) [mm]."""
        return self.heights.nut_u_mm

    @property
    def nut_origin(self) -> CodeArray:
        """`Origin` of each nut slot, shape (K,)."""
        return self.heights.origin[:, 0]

    @property
    def crown_top_mm(self) -> FloatArray:
        """Crown tops, shape (K, F) [mm]."""
        return self.heights.crown_top_mm

    @property
    def crown_top_u_mm(self) -> FloatArray:
        """Standard uncertainty of each crown top, shape (K, F) [mm]."""
        return self.heights.crown_top_u_mm

    @property
    def crown_top_origin(self) -> CodeArray:
        """`Origin` of each crown top, shape (K, F)."""
        return self.heights.origin[:, 1:-1]

    @property
    def saddle_mm(self) -> FloatArray:
        """Top of the saddle at each string, shape (K,) [mm]."""
        return self.heights.saddle_mm

    @property
    def saddle_u_mm(self) -> FloatArray:
        """Standard uncertainty of the saddle, shape (K,) [mm]."""
        return self.heights.saddle_u_mm

    @property
    def saddle_origin(self) -> CodeArray:
        """`Origin` of the saddle at each string, shape (K,)."""
        return self.heights.origin[:, -1]

    @property
    def content_hash(self) -> str:
        """SHA-256 of the measurement's own content."""
        return content_hash(self._content())

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON, with schema and content hash."""
        content = self._content()
        return {"schema": SCHEMA, "content_hash": content_hash(content), **content}

    def _content(self) -> dict[str, Any]:
        heights = self.heights
        return {
            "serial": self.serial,
            "model": self.model,
            "specification_hash": self.specification_hash,
            "source": list(self.source),
            "strung": self.strung,
            "humidity_percent": plain_number(self.humidity_percent),
            "heights": {
                "height_mm": plain_numbers(heights.height_mm),
                "origin": plain_numbers(heights.origin),
                "own_u_mm": plain_numbers(heights.own_u_mm),
                "own_degrees_of_freedom": _plain_freedom(heights.own_degrees_of_freedom),
                "shared": [
                    {
                        "name": s.name,
                        "by": s.by,
                        "effect_mm": plain_numbers(s.effect_mm),
                        "degrees_of_freedom": plain_number(s.degrees_of_freedom),
                    }
                    for s in heights.shared
                ],
            },
            "crown_height_mm": plain_numbers(self.crown_height_mm),
            "crown_height_u_mm": plain_numbers(self.crown_height_u_mm),
            "crown_height_origin": plain_numbers(self.crown_height_origin),
            "crown_height_degrees_of_freedom": _plain_freedom(self.crown_height_degrees_of_freedom),
            "direct": [
                {
                    "quantity": d.quantity,
                    "string": d.string,
                    "fret": d.fret,
                    "value_mm": d.value_mm,
                    "u_mm": d.u_mm,
                    "degrees_of_freedom": plain_number(d.degrees_of_freedom),
                }
                for d in self.direct
            ],
            "routes": list(self.routes),
            "specification_text": self.specification_text,
        }

    def with_heights(
        self, *, crown_top_mm: FloatArray, nut_mm: FloatArray, saddle_mm: FloatArray
    ) -> Measurement:
        """Return the same measurement with its heights moved to these places [mm]."""
        moved = self.heights.at(nut_mm=nut_mm, crown_top_mm=crown_top_mm, saddle_mm=saddle_mm)
        return replace(self, heights=moved)


_GRID = {
    "crown_height_mm": np.float64,
    "crown_height_u_mm": np.float64,
    "crown_height_origin": np.int8,
    "crown_height_degrees_of_freedom": np.float64,
}

_MOST_MM = 1000.0
"""No height, gap or uncertainty in a file is larger; the datum may lie anywhere near the neck."""

_MOST_CROWN_MM = 20.0


def _plain_freedom(array: FloatArray) -> list[Any]:
    """Return nested lists with None for degrees of freedom without end."""
    return plain_numbers(np.where(np.isinf(array), math.nan, array))


def _freedom(name: str, given: Any) -> FloatArray:
    array = number_array(name, given)
    return np.where(np.isnan(array), math.inf, array)


def measurement_from_dict(values: Mapping[str, Any]) -> Measurement:
    """Return the measurement that `Measurement.as_dict` wrote.

    Parameters
    ----------
    values
        The parsed JSON object.

    Raises
    ------
    FormatMismatchError
        The object is not a measurement.
    BrokenFileError
        It is one, but a value is missing, of the wrong type or shape, or was changed by hand.
    """
    if not isinstance(values, dict) or values.get("schema") != SCHEMA:
        raise FormatMismatchError(wrong_schema("a measurement", SCHEMA, values))
    try:
        given = values["heights"]
        humidity = values["humidity_percent"]
        measurement = Measurement(
            serial=str(values["serial"]),
            model=str(values["model"]),
            specification_hash=str(values["specification_hash"]),
            source=tuple(str(s) for s in values["source"]),
            strung=bool(values["strung"]),
            humidity_percent=math.nan if humidity is None else float(humidity),
            heights=Heights(
                height_mm=number_array("height_mm", given["height_mm"]),
                origin=number_array("origin", given["origin"], np.int8),
                own_u_mm=number_array("own_u_mm", given["own_u_mm"]),
                own_degrees_of_freedom=_freedom(
                    "own_degrees_of_freedom", given["own_degrees_of_freedom"]
                ),
                shared=tuple(
                    Shared(
                        str(s["name"]),
                        s["by"],
                        number_array("effect_mm", s["effect_mm"]),
                        float(_freedom("degrees_of_freedom", s["degrees_of_freedom"])),
                    )
                    for s in given["shared"]
                ),
            ),
            crown_height_mm=number_array("crown_height_mm", values["crown_height_mm"]),
            crown_height_u_mm=number_array("crown_height_u_mm", values["crown_height_u_mm"]),
            crown_height_origin=number_array(
                "crown_height_origin", values["crown_height_origin"], np.int8
            ),
            crown_height_degrees_of_freedom=_freedom(
                "crown_height_degrees_of_freedom", values["crown_height_degrees_of_freedom"]
            ),
            direct=tuple(
                Direct(
                    str(d["quantity"]),
                    int(d["string"]),
                    int(d["fret"]),
                    float(d["value_mm"]),
                    float(d["u_mm"]),
                    float(_freedom("degrees_of_freedom", d["degrees_of_freedom"])),
                )
                for d in values["direct"]
            ),
            routes=tuple(str(r) for r in values["routes"]),
            specification_text=str(values["specification_text"]),
        )
        _check_values(measurement)
    except (KeyError, TypeError, ValueError, OverflowError, AttributeError) as error:
        raise BrokenFileError(
            f"The measurement is damaged ({damage(error)}); make it anew with evenfall measure."
        ) from None
    if values.get("content_hash") != measurement.content_hash:
        raise BrokenFileError(
            "The measurement does not match its own content hash: it was changed after it was "
            "written; make it anew with evenfall measure."
        )
    return measurement


def wrong_schema(what: str, schema: str, values: object) -> str:
    """Return the sentence for a file of another kind.

    Parameters
    ----------
    what
        What was expected.
    schema
        Its schema.
    values
        What was found.
    """
    found = values.get("schema") if isinstance(values, dict) else None
    names = found if isinstance(found, str) and len(found) < 60 else "nothing of that kind"
    return f'This is not {what}: its schema must be "{schema}", but it says {names}.'


def content_hash(content: Mapping[str, Any]) -> str:
    """Return the SHA-256 of plain JSON content, independent of key order and spacing.

    Parameters
    ----------
    content
        Plain values; floats are written with their shortest exact decimal form.
    """
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def plain_numbers(array: NDArray[Any]) -> list[Any]:
    """Return nested lists with None for NaN, which JSON has no word for.

    Parameters
    ----------
    array
        Any shape.
    """
    if array.ndim > 1:
        return [plain_numbers(row) for row in array]
    return [None if v != v else v for v in array.tolist()]  # noqa: PLR0124 (only NaN differs from itself)


def plain_number(value: Any) -> float | None:
    """Return a number as JSON knows it: None for what is not finite.

    Parameters
    ----------
    value
        The number.
    """
    return float(value) if np.isfinite(value) else None


def nan_for_none(values: Any) -> Any:
    """Return nested lists with NaN for None, the inverse of `plain_numbers`.

    Parameters
    ----------
    values
        Numbers, None, or nested lists of them.
    """
    if isinstance(values, list):
        return [nan_for_none(v) for v in values]
    return float("nan") if values is None else values


def number_array(name: str, given: Any, kind: Any = np.float64) -> NDArray[Any]:
    """Return nested lists of numbers as an array, None as NaN.

    Parameters
    ----------
    name
        What the numbers are, for the message.
    given
        Numbers, None, or nested lists of them.
    kind
        Type of the array.

    Raises
    ------
    ValueError
        Something in them is no number, or the rows are not equally long.
    """
    try:
        return np.array(nan_for_none(given), dtype=kind)
    except (TypeError, ValueError, OverflowError):
        raise ValueError(f"{name} must be numbers only, in rows of one length") from None


def check_range(quantity: str, values: Any, low: float, high: float) -> None:
    """Refuse numbers that cannot be; NaN, for what is not known, passes.

    Parameters
    ----------
    quantity
        What the numbers are, for the message.
    values
        Numbers of any shape.
    low, high
        Range that they must lie in, in their own unit.

    Raises
    ------
    ValueError
        One lies outside.
    """
    array = np.atleast_1d(np.asarray(values, dtype=float))
    outside = array[(array < low) | (array > high)]
    if outside.size:
        raise ValueError(f"{quantity} cannot be {outside[0]:g}")


def damage(error: Exception) -> str:
    """Return in words what is wrong with the content of a file.

    Parameters
    ----------
    error
        What went wrong while its values were taken.
    """
    if isinstance(error, KeyError):
        return f"{error.args[0]} is missing"
    if isinstance(error, ValueError) and not str(error).startswith(
        ("could not", "invalid literal")
    ):
        return str(error).splitlines()[0][:120]
    return "a value is of the wrong kind"


def _check_values(measurement: Measurement) -> None:
    heights, known = measurement.heights, [int(origin) for origin in Origin]
    for name, value, u, origin, most in (
        ("height", heights.height_mm, heights.own_u_mm, heights.origin, _MOST_MM),
        (
            "crown_height",
            measurement.crown_height_mm,
            measurement.crown_height_u_mm,
            measurement.crown_height_origin,
            _MOST_CROWN_MM,
        ),
    ):
        check_range(f"{name}_mm", value, 0.0 if name == "crown_height" else -most, most)
        check_range(f"{name}_u_mm", u, 0.0, _MOST_MM)
        if (np.isnan(u) & np.isfinite(value)).any():
            raise ValueError(f"{name}_u_mm is missing where the height is given")
        check_range(f"{name}_origin", origin, min(known), max(known))
    for shared in heights.shared:
        if not np.isfinite(shared.effect_mm).all():
            raise ValueError("effect_mm has a gap")
        check_range("effect_mm", shared.effect_mm, -_MOST_MM, _MOST_MM)
    check_range("humidity_percent", measurement.humidity_percent, 0.0, 100.0)
    for reading in measurement.direct:
        check_range("direct string", reading.string, 0, measurement.string_count)
        check_range("direct fret", reading.fret, 1, measurement.fret_count)
        check_range("direct value_mm", reading.value_mm, -_MOST_MM, _MOST_MM)
        check_range("direct u_mm", reading.u_mm, 0.0, _MOST_MM)
