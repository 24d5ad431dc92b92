"""Repeat readings of one thing: their mean, its uncertainty, and slips among them."""

from __future__ import annotations

import math
import statistics
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from evenfall.errors import At, Finding
from evenfall.sheets.quantities import QUANTITIES
from evenfall.sheets.readings import Place, Reading, at_places, in_rows
from evenfall.wording import Sentence, sentence

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
    """The mean of all readings of one thing."""

    key: Key  # what was read
    # mean and standard uncertainty [mm]; zero where nothing is known of the uncertainty
    value_mm: float
    u_mm: float
    places: tuple[Place, ...]  # where the readings stand, in order
    # of the uncertainty, from the scatter of repeats; infinite where it is taken as known
    degrees_of_freedom: float = math.inf


def mean_of_repeats(
    values_mm: Sequence[float],
    tool_u_mm: float = 0.0,
    resolution_mm: float = 0.0,
    scatter_mm: float | None = None,
) -> tuple[float, float]:
    """Return the mean of one or more readings and its standard uncertainty [mm].

    u² = s²/n + u_tool²: the Type A part of the mean (JCGM 100:2008, 4.2.3) and the tool's own
    part, which repeats do not average away (combined as in 5.1.2). One reading has no Type A part.
    The scatter s is that of these readings, or a better known one. Repeats know no more than the
    last digit tells: their part is never under resolution/sqrt(12) (F.2.2.1), so two equal ones
    are not exact.
    """
    count = len(values_mm)
    # deviations from one reading, so that no digits are lost where the values are large
    origin_mm = min(values_mm)
    mean_mm = origin_mm + math.fsum(value - origin_mm for value in values_mm) / count
    if count == 1:
        return origin_mm, tool_u_mm
    if scatter_mm is None:
        scatter_mm = math.sqrt(_squares(values_mm) / (count - 1))
    own_mm = max(scatter_mm / math.sqrt(count), resolution_mm / math.sqrt(12.0))
    return mean_mm, math.hypot(own_mm, tool_u_mm)


def combine(readings: Iterable[Reading]) -> tuple[dict[Key, Mean], list[Finding]]:
    """Return the mean of every thing that was read, and repeats that differ by too much.

    Repeats of one quantity by one kind of tool scatter alike, so their scatter is pooled
    (JCGM 100:2008, 4.2.4), and with it the degrees of freedom: two readings each of six actions
    know it with 6, not with 1. What differs by too much stays out of the pool. The order of the
    readings makes no difference.
    """
    means: dict[Key, Mean] = {}
    findings: list[Finding] = []
    groups = _groups(readings)
    step_mm: dict[str, float] = {}  # a spreadsheet drops zeros: the finest digit of the quantity
    pools: dict[tuple[str, float], list[tuple[float, int]]] = defaultdict(list)
    alone: dict[Key, list[tuple[float, int]]] = {}
    for key, group in groups:
        finest_mm = min(r.step_mm for r in group)
        step_mm[key[0]] = min(step_mm.get(key[0], math.inf), finest_mm)
        odd = _disagreement(key, group)
        findings += odd
        alone[key] = [(_squares([r.value_mm for r in group]), len(group) - 1)]
        if not odd:
            pools[key[0], _tool_u_mm(group)] += alone.pop(key)
    for key, group in groups:
        values_mm, tool_u_mm = [r.value_mm for r in group], _tool_u_mm(group)
        pool = alone.get(key) or pools[key[0], tool_u_mm]
        degrees = sum(nu for _, nu in pool)
        scatter_mm = math.sqrt(math.fsum(squares for squares, _ in pool) / max(1, degrees))
        value_mm, u_mm = mean_of_repeats(values_mm, tool_u_mm, step_mm[key[0]], scatter_mm)
        freedom = float(degrees) if degrees and len(group) > 1 else math.inf
        if tool_u_mm and len(group) > 1:
            # Welch-Satterthwaite (JCGM 100:2008, G.4.1); the tool's part is taken as known
            own = u_mm**2 - tool_u_mm**2
            freedom = freedom * (u_mm**2 / own) ** 2 if own > 1e-6 * u_mm**2 else math.inf
        places = tuple(sorted(r.place for r in group))
        means[key] = Mean(key, value_mm, u_mm, places, freedom)
    return means, findings


def _squares(values_mm: Sequence[float]) -> float:
    """Return the sum of squared deviations from the mean [mm²]."""
    origin_mm = min(values_mm)
    offsets = [value - origin_mm for value in values_mm]
    mean = math.fsum(offsets) / len(offsets)
    return math.fsum((offset - mean) ** 2 for offset in offsets)


def unit_slips(readings: Iterable[Reading]) -> dict[Key, Finding]:
    """Return an error for everything whose readings differ as only a slip of unit or point can."""
    found = {key: _slip(key, group) for key, group in _groups(readings)}
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


def _tool_u_mm(group: Sequence[Reading]) -> float:
    """Return the largest uncertainty stated, 0 if none is."""
    return max((r.u_mm for r in group if not math.isnan(r.u_mm)), default=0.0)


def _slip(key: Key, group: Sequence[Reading]) -> Finding | None:
    """Return an error if readings differ by a factor that only a slip explains."""
    # the lower median is a reading itself, and with two readings one of the two
    usual = statistics.median_low([reading.value_mm for reading in group])
    if len(group) < 2 or usual == 0.0:
        return None
    floor = DATUM_SLIP_MM if QUANTITIES[key[0]].over_datum else AGREEMENT_MM
    least = max(floor, COVERAGE_FACTOR * math.sqrt(2.0) * _tool_u_mm(group))
    slipped: list[tuple[float, Reading]] = []
    for reading in group:
        ratio = reading.value_mm / usual
        if abs(reading.value_mm - usual) <= least or ratio <= 0.0:
            continue
        slipped += [
            (factor, reading)
            for factor in _SLIP_FACTORS
            if abs(max(ratio, 1.0 / ratio) / factor - 1.0) <= _SLIP_TOLERANCE
        ]
    if not slipped:
        return None
    factor, odd = slipped[-1]
    other = next(reading for reading in group if reading.value_mm == usual)
    places = [other.place, *(reading.place for _, reading in slipped)]
    return Finding(
        "unit-slip",
        "The {what} is {usual:length} in {row} and {odd:length} in {odd_row}, a factor of "
        "{factor:g}, as if {cause}; correct the wrong one.",
        at_key(key, places),
        "error",
        what=named(key),
        usual=usual,
        row=in_rows([other.place], places),
        odd=odd.value_mm,
        odd_row=in_rows((r.place for _, r in slipped if r.value_mm == odd.value_mm), places),
        factor=factor,
        cause=sentence(_SLIP_FACTORS[factor]),
    )


def _disagreement(key: Key, group: Sequence[Reading]) -> list[Finding]:
    """Return a finding if readings differ by more than their uncertainty allows."""
    metric = [reading for reading in group if not reading.inch]
    inch = [reading for reading in group if reading.inch]
    places = [reading.place for reading in group]
    at = at_key(key, places)
    clash_mm = QUANTITIES[key[0]].clash_mm
    if metric and inch:
        a, u_a = mean_of_repeats([r.value_mm for r in metric], _tool_u_mm(metric))
        b, u_b = mean_of_repeats([r.value_mm for r in inch], _tool_u_mm(inch))
        difference = abs(a - b)
        if difference > max(AGREEMENT_MM, COVERAGE_FACTOR * math.hypot(u_a, u_b)):
            return [
                Finding(
                    "disagree",
                    "The {what} differs by {difference:length} between mm ({metric:length}, "
                    "{metric_rows}) and inches ({inch:length}, {inch_rows}); read it again.",
                    at,
                    "error" if difference > clash_mm else "warning",
                    what=named(key),
                    difference=difference,
                    metric=a,
                    metric_rows=in_rows((r.place for r in metric), places),
                    inch=b,
                    inch_rows=in_rows((r.place for r in inch), places),
                )
            ]
    first, last = group[0], group[-1]
    spread = last.value_mm - first.value_mm
    if spread > max(SPREAD_MM, COVERAGE_FACTOR * math.sqrt(2.0) * _tool_u_mm(group)):
        return [
            Finding(
                "disagree",
                "The {what} was read as {low:length} in {low_row} and as {high:length} in "
                "{high_row}; read it again.",
                at,
                "error" if spread > clash_mm else "warning",
                what=named(key),
                low=first.value_mm,
                low_row=in_rows([first.place], places),
                high=last.value_mm,
                high_row=in_rows([last.place], places),
            )
        ]
    return []


def without_uncertainty(means: Mapping[Key, Mean]) -> tuple[Finding, ...]:
    """Return one note if the uncertainty of some readings is not known."""
    bare = [mean for mean in means.values() if mean.u_mm == 0.0]
    if not bare:
        return ()
    which = sentence("Every reading has")
    if len(bare) < len(means):
        text = "{bare} of {all} readings {bare:plural has|have}"
        which = sentence(text, bare=len(bare), all=len(means))
    return (
        Finding(
            "no-uncertainty",
            "{which} neither a stated uncertainty nor repeats ({quantities:phrases}), "
            "so the uncertainty is taken as zero; state that of the tool.",
            At(field="uncertainty"),
            "note",
            which=which,
            quantities=sorted({mean.key[0] for mean in bare}),
        ),
    )


def named(key: Key) -> Sentence:
    """Return what was read: "action of string 3 at fret 12"."""
    quantity, string, frets = key
    of: Sentence | str = sentence(" of string {string}", string=string) if string else ""
    place: Sentence | str = ""
    if quantity == "rocking":
        place = sentence(" on fret {fret}, gap at fret {gap}", fret=frets[0], gap=frets[1])
    elif len(frets) == 3:
        text = " at fret {fret} between frets {low} and {high}"
        place = sentence(text, fret=frets[0], low=frets[1], high=frets[2])
    elif frets:
        place = sentence(" at fret {fret}", fret=frets[0]) if frets[0] else " at the nut"
    return sentence("{quantity}{of}{place}", quantity=quantity, of=of, place=place)


def at_key(key: Key, places: Iterable[Place]) -> At:
    """Return where readings of one thing stand, and which string and fret they are about."""
    _, string, frets = key
    return at_places(places, strings=(string,) if string else (), frets=frets[:1])
