"""Measurement: one set of readings of one instrument in one state; data only.

Heights are over a straight datum common to all readings. What is missing stays NaN; what was
filled in from neighbours is marked so.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace
from enum import IntEnum
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.errors import BrokenFileError, FormatMismatchError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int8]

SCHEMA = "evenfall/measurement@1"


class Origin(IntEnum):
    """How a height came about."""

    MISSING = 0
    READ = 1
    DERIVED = 2
    INTERPOLATED = 3
    NOMINAL = 4


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
    """

    quantity: str
    string: int
    fret: int
    value_mm: float
    u_mm: float


@dataclass(frozen=True, slots=True)
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
    crown_top_mm, crown_top_u_mm, crown_top_origin
        Height of each crown on its string's line, standard uncertainty [mm] and `Origin`;
        shape (K, F).
    crown_height_mm, crown_height_u_mm, crown_height_origin
        Crown height over the board, shape (K, F).
    nut_mm, nut_u_mm, nut_origin
        Floor of each nut slot, shape (K,).
    saddle_mm, saddle_u_mm, saddle_origin
        Top of the saddle at each string, shape (K,).
    direct
        Actions and reliefs that were read directly.
    routes
        One sentence for each way in which a height was obtained.
    specification_text
        The specification itself, so that the measurement stands on its own.
    converted_relief_u_mm
        Standard uncertainty of the relief that carrying the readings to another string tension
        added [mm]; all crowns share it, in the shape of the neck's bow. Zero for readings as taken.
    """

    serial: str
    model: str
    specification_hash: str
    source: tuple[str, ...]
    strung: bool
    humidity_percent: float
    crown_top_mm: FloatArray
    crown_top_u_mm: FloatArray
    crown_top_origin: IntArray
    crown_height_mm: FloatArray
    crown_height_u_mm: FloatArray
    crown_height_origin: IntArray
    nut_mm: FloatArray
    nut_u_mm: FloatArray
    nut_origin: IntArray
    saddle_mm: FloatArray
    saddle_u_mm: FloatArray
    saddle_origin: IntArray
    direct: tuple[Direct, ...] = ()
    routes: tuple[str, ...] = ()
    specification_text: str = ""
    converted_relief_u_mm: float = 0.0

    def __post_init__(self) -> None:
        strings, frets = self.crown_top_mm.shape
        for name in _GRID:
            if getattr(self, name).shape != (strings, frets):
                raise ValueError(f"{name} must have shape ({strings}, {frets})")
        for name in _ROW:
            if getattr(self, name).shape != (strings,):
                raise ValueError(f"{name} must have shape ({strings},)")

    @property
    def string_count(self) -> int:
        """Number of strings K."""
        return int(self.crown_top_mm.shape[0])

    @property
    def fret_count(self) -> int:
        """Number of frets F."""
        return int(self.crown_top_mm.shape[1])

    @property
    def complete(self) -> bool:
        """Whether every height that a plan needs is there."""
        heights = (self.crown_top_mm, self.crown_height_mm, self.nut_mm, self.saddle_mm)
        return all(bool(np.isfinite(h).all()) for h in heights)

    @property
    def content_hash(self) -> str:
        """SHA-256 of the measurement's own content."""
        return content_hash(self._content())

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON, with schema and content hash."""
        content = self._content()
        return {"schema": SCHEMA, "content_hash": content_hash(content), **content}

    def _content(self) -> dict[str, Any]:
        content: dict[str, Any] = {
            "serial": self.serial,
            "model": self.model,
            "specification_hash": self.specification_hash,
            "source": list(self.source),
            "strung": self.strung,
            "humidity_percent": None
            if np.isnan(self.humidity_percent)
            else float(self.humidity_percent),
        }
        for name in (*_GRID, *_ROW):
            content[name] = plain_numbers(getattr(self, name))
        content["direct"] = [
            {
                "quantity": d.quantity,
                "string": d.string,
                "fret": d.fret,
                "value_mm": d.value_mm,
                "u_mm": d.u_mm,
            }
            for d in self.direct
        ]
        content["routes"] = list(self.routes)
        content["converted_relief_u_mm"] = self.converted_relief_u_mm
        content["specification_text"] = self.specification_text
        return content

    def with_heights(
        self, *, crown_top_mm: FloatArray, nut_mm: FloatArray, saddle_mm: FloatArray
    ) -> Measurement:
        """Return the same measurement with other heights.

        Parameters
        ----------
        crown_top_mm
            Shape (K, F) [mm].
        nut_mm, saddle_mm
            Shape (K,) [mm].
        """
        return replace(
            self,
            crown_top_mm=np.asarray(crown_top_mm, dtype=float),
            nut_mm=np.asarray(nut_mm, dtype=float),
            saddle_mm=np.asarray(saddle_mm, dtype=float),
        )


_GRID = (
    "crown_top_mm",
    "crown_top_u_mm",
    "crown_top_origin",
    "crown_height_mm",
    "crown_height_u_mm",
    "crown_height_origin",
)
_ROW = (
    "nut_mm",
    "nut_u_mm",
    "nut_origin",
    "saddle_mm",
    "saddle_u_mm",
    "saddle_origin",
)


_ORIGINS = tuple(name for name in (*_GRID, *_ROW) if name.endswith("_origin"))

_MOST_MM = 1000.0
"""No height, gap or uncertainty in a file is larger; the datum may lie anywhere near the neck."""

_HEIGHTS = {
    "crown_top": (-_MOST_MM, _MOST_MM),
    "crown_height": (0.0, 20.0),
    "nut": (-_MOST_MM, _MOST_MM),
    "saddle": (-_MOST_MM, _MOST_MM),
}
"""Heights and the range that each must lie in [mm]."""


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
        arrays: dict[str, Any] = {
            name: number_array(name, values[name], np.int8 if name in _ORIGINS else np.float64)
            for name in (*_GRID, *_ROW)
        }
        humidity = values["humidity_percent"]
        measurement = Measurement(
            serial=str(values["serial"]),
            model=str(values["model"]),
            specification_hash=str(values["specification_hash"]),
            source=tuple(str(s) for s in values["source"]),
            strung=bool(values["strung"]),
            humidity_percent=float("nan") if humidity is None else float(humidity),
            direct=tuple(
                Direct(
                    str(d["quantity"]),
                    int(d["string"]),
                    int(d["fret"]),
                    float(d["value_mm"]),
                    float(d["u_mm"]),
                )
                for d in values["direct"]
            ),
            routes=tuple(str(r) for r in values["routes"]),
            specification_text=str(values["specification_text"]),
            converted_relief_u_mm=float(values["converted_relief_u_mm"]),
            **arrays,
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
    for name, allowed in _HEIGHTS.items():
        check_range(f"{name}_mm", getattr(measurement, f"{name}_mm"), *allowed)
        uncertainty = getattr(measurement, f"{name}_u_mm")
        check_range(f"{name}_u_mm", uncertainty, 0.0, _MOST_MM)
        if (np.isnan(uncertainty) & np.isfinite(getattr(measurement, f"{name}_mm"))).any():
            raise ValueError(f"{name}_u_mm is missing where the height is given")
        known = [int(origin) for origin in Origin]
        check_range(
            f"{name}_origin", getattr(measurement, f"{name}_origin"), min(known), max(known)
        )
    check_range("humidity_percent", measurement.humidity_percent, 0.0, 100.0)
    for reading in measurement.direct:
        check_range("direct string", reading.string, 0, measurement.string_count)
        check_range("direct fret", reading.fret, 1, measurement.fret_count)
        check_range("direct value_mm", reading.value_mm, -_MOST_MM, _MOST_MM)
        check_range("direct u_mm", reading.u_mm, 0.0, _MOST_MM)
