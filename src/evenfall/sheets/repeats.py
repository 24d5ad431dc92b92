"""Repeat readings of one thing: their mean, its uncertainty, and slips among them."""

from __future__ import annotations

import math
import statistics
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from evenfall.errors import Finding
from evenfall.sheets.quantities import QUANTITIES
from evenfall.sheets.rows import Place, Reading, rows_text
from evenfall.units import length_text

if TYPE_CHECKING:
    from evenfall.units import LengthUnit

Key = tuple[str, int, tuple[int, ...]]
"""Quantity, string (0 = none) and frets."""

AGREEMENT_MM = 0.02
"""Least difference [mm] between readings in mm and in inches that is called a disagreement."""

SPREAD_MM = 0.10
"""Least spread [mm] of repeats in one unit that deserves a look."""

DATUM_SLIP_MM = 0.10
"""Heights over a datum may be near zero, where ratios say little: least difference of a slip."""

COVERAGE_FACTOR = 3.0
"""Differences within this many combined standard uncertainties agree."""

_SLIP_FACTORS: dict[float, str] = {
    10.0: "a decimal point slipped",
    25.4: "inches and mm were mistaken",
    1000.0: "the unit was mistaken",
}
_SLIP_TOLERANCE = 0.05


@dataclass(frozen=True, slots=True)
class Mean:
    """The mean of all readings of one thing.

    Parameters
    ----------
    key
        What was read.
    value_mm, u_mm
        Mean and standard uncertainty [mm]; zero where nothing is known of the uncertainty.
    places
        Where the readings stand, in order.
    """

    key: Key
    value_mm: float
    u_mm: float
    places: tuple[Place, ...]


def mean_of_repeats(values_mm: Sequence[float], gauge_u_mm: float = 0.0) -> tuple[float, float]:
    """Return the mean of repeat readings and its standard uncertainty [mm].

    u² = s²/n + u_gauge²: the Type A part of the mean (JCGM 100:2008, 4.2.3) and the gauge's own
    part, which repeats do not average away (combined as in 5.1.2). One reading has no Type A part.

    Parameters
    ----------
    values_mm
        The readings [mm], at least one.
    gauge_u_mm
        Standard uncertainty of the gauge [mm]; zero if not known.
    """
    count = len(values_mm)
    # deviations from one reading, so that no digits are lost where the values are large
    origin_mm = min(values_mm)
    offsets = [value - origin_mm for value in values_mm]
    mean = math.fsum(offsets) / count
    if count == 1:
        return origin_mm, gauge_u_mm
    variance = math.fsum((offset - mean) ** 2 for offset in offsets) / (count - 1)
    return origin_mm + mean, math.hypot(math.sqrt(variance / count), gauge_u_mm)


def combine(readings: Iterable[Reading], unit: LengthUnit) -> tuple[dict[Key, Mean], list[Finding]]:
    """Return the mean of every thing that was read, and repeats that differ by too much.

    The order of the readings makes no difference.

    Parameters
    ----------
    readings
        Any number of readings.
    unit
        The unit people read.
    """
    means: dict[Key, Mean] = {}
    findings: list[Finding] = []
    for key, group in _groups(readings):
        findings += _disagreement(key, group, unit)
        value_mm, u_mm = mean_of_repeats([r.value_mm for r in group], _gauge_u_mm(group))
        means[key] = Mean(key, value_mm, u_mm, tuple(sorted(r.place for r in group)))
    return means, findings


def unit_slips(readings: Iterable[Reading], unit: LengthUnit) -> dict[Key, Finding]:
    """Return an error for everything whose readings differ as only a slip of unit or point can.

    Parameters
    ----------
    readings
        Any number of readings, impossible ones included.
    unit
        The unit people read.
    """
    found = {key: _slip(key, group, unit) for key, group in _groups(readings)}
    return {key: finding for key, finding in found.items() if finding is not None}


def _groups(readings: Iterable[Reading]) -> list[tuple[Key, list[Reading]]]:
    """Return the readings of each thing, by value; the order of the sheet plays no part."""
    groups: dict[Key, list[Reading]] = defaultdict(list)
    for reading in readings:
        groups[reading.key].append(reading)
    return [
        (key, sorted(groups[key], key=lambda reading: (reading.value_mm, reading.place)))
        for key in sorted(groups)
    ]


def _gauge_u_mm(group: Sequence[Reading]) -> float:
    """Return the largest uncertainty stated, 0 if none is."""
    return max((r.u_mm for r in group if not math.isnan(r.u_mm)), default=0.0)


def _slip(key: Key, group: Sequence[Reading], unit: LengthUnit) -> Finding | None:
    """Return an error if readings differ by a factor that only a slip explains."""
    # the lower median is a reading itself, and with two readings one of the two
    usual = statistics.median_low([reading.value_mm for reading in group])
    if len(group) < 2 or usual == 0.0:
        return None
    floor = DATUM_SLIP_MM if QUANTITIES[key[0]].over_datum else AGREEMENT_MM
    least = max(floor, COVERAGE_FACTOR * math.sqrt(2.0) * _gauge_u_mm(group))
    slipped: list[Reading] = []
    factor_text, cause = "", ""
    for reading in group:
        ratio = reading.value_mm / usual
        if abs(reading.value_mm - usual) <= least or ratio <= 0.0:
            continue
        for factor, reason in _SLIP_FACTORS.items():
            if abs(max(ratio, 1.0 / ratio) / factor - 1.0) <= _SLIP_TOLERANCE:
                slipped.append(reading)
                factor_text, cause = f"{factor:g}", reason
    if not slipped:
        return None
    others = [reading for reading in group if reading not in slipped][:1]
    rows = rows_text(reading.place for reading in (*slipped, *others))
    sentence = (
        f"The {label(key)} is {length_text(usual, unit)} in one row and "
        f"{length_text(slipped[-1].value_mm, unit)} in another ({rows}): a factor of "
        f"{factor_text}, as if {cause}; correct the wrong one."
    )
    return Finding("unit-slip", sentence, rows, "error")


def _disagreement(key: Key, group: Sequence[Reading], unit: LengthUnit) -> list[Finding]:
    """Return a finding if readings differ by more than their uncertainty allows."""
    metric = [reading for reading in group if not reading.inch]
    inch = [reading for reading in group if reading.inch]
    rows = rows_text(reading.place for reading in group)
    clash_mm = QUANTITIES[key[0]].clash_mm
    name = f"The {label(key)}"
    if metric and inch:
        a, u_a = mean_of_repeats([r.value_mm for r in metric], _gauge_u_mm(metric))
        b, u_b = mean_of_repeats([r.value_mm for r in inch], _gauge_u_mm(inch))
        difference = abs(a - b)
        if difference > max(AGREEMENT_MM, COVERAGE_FACTOR * math.hypot(u_a, u_b)):
            sentence = (
                f"{name} read in mm ({length_text(a)}) and in inches ({length_text(b, 'in')} = "
                f"{length_text(b)}) differs by {length_text(difference)} ({rows}); read it again."
            )
            severe = difference > clash_mm
            return [Finding("disagree", sentence, rows, "error" if severe else "warning")]
    spread = group[-1].value_mm - group[0].value_mm
    if spread > max(SPREAD_MM, COVERAGE_FACTOR * math.sqrt(2.0) * _gauge_u_mm(group)):
        sentence = (
            f"{name} was read as {length_text(group[0].value_mm, unit)} and as "
            f"{length_text(group[-1].value_mm, unit)} ({rows}); read it again."
        )
        return [Finding("disagree", sentence, rows, "error" if spread > clash_mm else "warning")]
    return []


def without_uncertainty(means: Mapping[Key, Mean]) -> tuple[Finding, ...]:
    """Return one note if the uncertainty of some readings is not known.

    Parameters
    ----------
    means
        Every mean, by what was read.
    """
    bare = [mean for mean in means.values() if mean.u_mm == 0.0]
    if not bare:
        return ()
    names = ", ".join(sorted({mean.key[0] for mean in bare}))
    count = "Every reading" if len(bare) == len(means) else f"{len(bare)} of {len(means)} readings"
    verb = "has" if len(bare) in (1, len(means)) else "have"
    sentence = (
        f"{count} ({names}) {verb} neither a stated uncertainty nor repeats that differ, so the "
        "uncertainty is taken as zero; state that of the gauge."
    )
    return (Finding("no-uncertainty", sentence, "uncertainty", "note"),)


def label(key: Key) -> str:
    """Return in words what was read: "action of string 3 at fret 12".

    Parameters
    ----------
    key
        Quantity, string and frets.
    """
    quantity, string, frets = key
    words = [quantity]
    if string:
        words.append(f"of string {string}")
    if quantity == "rocking":
        words.append(f"on fret {frets[0]}, gap at fret {frets[1]}")
    elif len(frets) == 3:
        words.append(f"at fret {frets[0]} between frets {frets[1]} and {frets[2]}")
    elif frets:
        words.append("at the nut" if frets[0] == 0 else f"at fret {frets[0]}")
    return " ".join(words)


def listed(numbers: Iterable[int]) -> str:
    """Return numbers in words, runs of three or more drawn together: "1-4, 6 and 9".

    Parameters
    ----------
    numbers
        Whole numbers, in any order.
    """
    runs: list[list[int]] = []
    for number in sorted(set(numbers)):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    parts: list[str] = []
    for run in runs:
        parts += [f"{run[0]}-{run[-1]}"] if len(run) > 2 else [str(number) for number in run]
    return ", ".join(parts[:-1]) + " and " + parts[-1] if len(parts) > 1 else "".join(parts)
