"""Text and units at the edges: what people write becomes mm, N and Hz, and back.

Inside the program every length is in mm; nothing but this module converts.
"""

from __future__ import annotations

import math
import re
from typing import Literal

LengthUnit = Literal["mm", "in"]

MM_PER_INCH = 25.4
"""Exact since 1959 (international yard and pound agreement)."""

_MM_PER_UNIT: dict[str, float] = {
    "mm": 1.0,
    "millimetre": 1.0,
    "millimeter": 1.0,
    "um": 1e-3,
    "µm": 1e-3,  # micro sign
    "μm": 1e-3,  # Greek mu
    "micron": 1e-3,
    "cm": 10.0,
    "m": 1000.0,
    "in": MM_PER_INCH,
    "inch": MM_PER_INCH,
    '"': MM_PER_INCH,
    "thou": MM_PER_INCH / 1000.0,
    "mil": MM_PER_INCH / 1000.0,
}

_UNIT_LETTERS = {letter for name in _MM_PER_UNIT for letter in f"{name}{name.upper()} "}

MINUS = "−"
"""The sign of a number below zero, wherever people read it."""

_ABSURD_MM = 1e6
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
_SEMITONE = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_PITCH = re.compile(r"([A-Ga-g])([#♯b♭]?)(-?[0-9]{1,2})")

STANDARD_PITCH_HZ = 440.0
"""A4, ISO 16:1975."""


def mm_per_unit(unit: str) -> float:
    """Return how many millimetres one `unit` is."""
    try:
        return _MM_PER_UNIT[unit.strip().lower()]
    except KeyError:
        known = "mm, um, cm, m, in, thou"
        raise ValueError(f"unit {unit.strip()!r} is not known; use one of {known}") from None


def read_number(text: str) -> float:
    """Return the number written in `text`, with a decimal point or a decimal comma."""
    cleaned = text.strip().replace(MINUS, "-")
    if not _NUMBER.fullmatch(cleaned):
        raise ValueError(f"{text.strip()!r} is not a number")
    number = float(cleaned.replace(",", "."))
    if not math.isfinite(number):
        raise ValueError(f"{text.strip()!r} is not a finite number")
    return number


def read_length_mm(text: str, unit: str) -> float:
    """Return a length [mm] written with its unit, such as "25.5 in", or without in `unit`."""
    number = text.strip().rstrip("".join(_UNIT_LETTERS))
    return read_number(number) * mm_per_unit(text.strip()[len(number) :].strip() or unit)


def last_digit(text: str) -> float:
    """Return what one step of the last digit written is worth: 0.01 for "1.50" or "1,5e-1".

    Examples
    --------
    >>> last_digit("1.50")
    0.01
    """
    digits, _, power = text.strip().lower().replace(",", ".").partition("e")
    return float(f"1e{int(power or 0) - len(digits.partition('.')[2])}")


def length_text(length_mm: float, unit: LengthUnit = "mm", *, signed: bool = False) -> str:
    """Return a length as people read it: 0.001 mm or 0.0001 in, with the unit and a true minus."""
    if not math.isfinite(length_mm):
        return "–"
    sign = "+" if signed else ""
    if abs(length_mm) >= _ABSURD_MM:  # somebody's slip, shown back
        return f"{in_unit(length_mm, unit):{sign}.3g} {unit}".replace("-", MINUS)
    if unit == "in":
        return f"{number_text(length_mm / MM_PER_INCH, 4, signed=signed)} in"
    return f"{number_text(length_mm, 3, signed=signed)} mm"


def uncertainty_text(u_mm: float, unit: LengthUnit = "mm") -> str:
    """Return an uncertainty as `length_text` does, but never as zero where it is not.

    What would round to zero is rounded up to the last digit shown (JCGM 100:2008, 7.2.6).
    """
    step_mm = 0.001 if unit == "mm" else 0.0001 * MM_PER_INCH
    return length_text(step_mm if 0.0 < u_mm <= 0.5 * step_mm else u_mm, unit)


def number_text(number: float, digits: int, *, signed: bool = False) -> str:
    """Return a number with so many digits after the point, a true minus, and no negative zero."""
    return f"{round(number, digits) + 0.0:{'+' if signed else ''}.{digits}f}".replace("-", MINUS)


def in_unit(length_mm: float, unit: LengthUnit) -> float:
    """Return `length_mm` [mm] as a number in `unit`."""
    return length_mm / _MM_PER_UNIT[unit]


def pitch_frequency_hz(name: str) -> float:
    """Return the frequency [Hz] of a pitch such as "E4", "F#3" or "Bb2".

    Twelve-tone equal temperament on A4 = 440 Hz (ISO 16:1975); octaves as in
    scientific pitch notation, C4 = middle C.
    """
    match = _PITCH.fullmatch(name.strip())
    if match is None:
        raise ValueError(f"{name!r} is not a pitch name such as E4, F#3 or Bb2")
    letter, accidental, octave = match.groups()
    semitone = _SEMITONE[letter.upper()]
    semitone += {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1}[accidental]
    return float(STANDARD_PITCH_HZ * 2.0 ** (int(octave) - 4 + (semitone - 9) / 12.0))
