"""Crown tops and crown heights from readings at the frets themselves.

Either the tops are read over the datum, or the board is and the crown's height over it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from evenfall.arrays import BoolArray, CodeArray, FloatArray, numbered
from evenfall.errors import At, Finding
from evenfall.instrument import Specification, StringLines
from evenfall.instrument.geometry import board_drop_mm
from evenfall.measurement import Origin
from evenfall.measurement.causes import Causes
from evenfall.measurement.missing import first_of, missing_places
from evenfall.sheets.means import Key, Mean
from evenfall.sheets.quantities import CROWN_LINE_LIMIT_MM
from evenfall.sheets.readings import at_places, rows_by_file
from evenfall.wording import Sentence, sentence

MOST_MISSING_ON_A_FRET = 2
"""More crossings than this missing on one fret are a fret that was not read."""

NOMINAL_U_MM = 0.05 / 3.0**0.5
"""Uncertainty [mm] of a crown height taken from the wire's: ±0.05 mm, rectangular, for seating
(common practice, no source). Wear is not in it: the finding says so."""


@dataclass(frozen=True, slots=True)
class CrownTops:
    """Heights of the crowns over the datum, K strings over F frets."""

    height_mm: FloatArray  # shape (K, F); NaN where missing
    origin: CodeArray  # `Origin` of each, shape (K, F)
    causes: Causes  # where their uncertainty comes from
    routes: tuple[Sentence, ...]  # how they were obtained
    # What is added to readings of nut and saddle, which stand over another datum, shape (K, 2); its
    # uncertainty is in `causes`. None where the datum is one.
    datum_mm: FloatArray | None = None
    # nut and saddle where a scan shows them, shape (K, 2), NaN elsewhere; None without a scan
    ends_mm: FloatArray | None = None


@dataclass(frozen=True, slots=True)
class CrownHeights:
    """Heights of the crowns over the board, K strings over F frets."""

    # height and standard uncertainty [mm] with its degrees of freedom, shape (K, F)
    height_mm: FloatArray
    u_mm: FloatArray
    degrees_of_freedom: FloatArray
    origin: CodeArray  # `Origin` of each, shape (K, F)
    # readings that a height is a weighted sum of, by index of string and fret
    reading_weights: Mapping[tuple[int, int], tuple[tuple[Mean, float], ...]]


def add_reading(causes: Causes, mean: Mean, at: tuple[int, int], weight: float) -> None:
    """Let a reading reach a height with a weight; the same reading is one cause everywhere."""
    name = f"{mean.key[0].replace('_slot', '').replace('_', '-')}-reading"
    causes.add(mean.key, name, at, weight * mean.u_mm, mean.degrees_of_freedom)


def crown_tops_from_heights(
    means: Mapping[Key, Mean],
    heights: CrownHeights,
    specification: Specification,
    lines: StringLines,
) -> tuple[CrownTops, list[Finding]]:
    """Return crown tops that were read, or worked out from the board, gaps filled where allowed."""
    count, frets = specification.string_count, specification.frets
    top = np.full((count, frets), np.nan)
    origin = np.full((count, frets), Origin.MISSING, dtype=np.int8)
    causes = Causes(count, frets)
    drop = board_drop_mm(specification, lines)[:, 1:]
    measured = (heights.origin == Origin.READ) | (heights.origin == Origin.DERIVED)
    on_centre = False
    for k, j in np.ndindex(count, frets):
        at = (k, j + 1)
        if (mean := means.get(("crown_top", k + 1, (j + 1,)))) is not None:
            top[k, j], origin[k, j] = mean.value_mm, Origin.READ
            add_reading(causes, mean, at, 1.0)
        elif (board := _board(means, k, j)) is not None and measured[k, j]:
            centre = board.key[1] == 0
            on_centre |= centre
            top[k, j] = board.value_mm - centre * drop[k, j] + heights.height_mm[k, j]
            origin[k, j] = Origin.DERIVED
            add_reading(causes, board, at, 1.0)
            known = 0.0
            for part, weight in heights.reading_weights[k, j]:
                add_reading(causes, part, at, weight)
                known += (weight * part.u_mm) ** 2
            rest = math.sqrt(max(0.0, float(heights.u_mm[k, j]) ** 2 - known))
            causes.add(("crown height", k, j), "interpolation", at, rest)
    routes = []
    if (origin == Origin.READ).any():
        routes.append(sentence("Crown tops were read over the datum."))
    derived = origin == Origin.DERIVED
    if derived.any():
        routes.append(
            sentence(
                "{which} were worked out as board plus crown height{centre}.",
                which=sentence("Crown tops")
                if derived.all()
                else sentence("{n} crown tops", n=int(derived.sum())),
                centre=sentence(
                    ", the board's height taken from the centre line to the strings by its radius"
                )
                if on_centre
                else "",
            )
        )
    findings = _wild(top, means, lines)
    top, filled, more = fill_across(top, causes, lines.station_mm[:, 1:])
    findings += more
    if filled.any():
        origin[filled] = Origin.INTERPOLATED
        routes.append(
            sentence("Missing crown tops were interpolated across the strings on the same fret.")
        )
    return CrownTops(top, origin, causes, tuple(routes)), findings


def _board(means: Mapping[Key, Mean], k: int, j: int) -> Mean | None:
    """Return the reading of the board under a crossing, or of the centre line at that fret."""
    return means.get(("board", k + 1, (j + 1,))) or means.get(("board", 0, (j + 1,)))


def crown_heights(
    means: Mapping[Key, Mean], specification: Specification, lines: StringLines
) -> tuple[CrownHeights, list[Finding]]:
    """Return the crown heights over the board: read, worked out, or the wire's nominal height.

    A crossing takes its own reading; else the one for the whole fret; else crown top less board;
    else the mean of the other readings on that fret, with their spread; else the wire's height.
    """
    count, frets = specification.string_count, specification.frets
    height = np.full((count, frets), specification.fretwire.crown_height_mm)
    u = np.full((count, frets), NOMINAL_U_MM)
    freedom = np.full((count, frets), math.inf)
    origin = np.full((count, frets), Origin.NOMINAL, dtype=np.int8)
    reading_weights: dict[tuple[int, int], tuple[tuple[Mean, float], ...]] = {}
    drop = board_drop_mm(specification, lines)[:, 1:]
    findings: list[Finding] = []
    for j in range(frets):
        fret = (j + 1,)
        own = {k: means.get(("crown_height", k + 1, fret)) for k in range(count)}
        given = [mean for mean in own.values() if mean is not None]
        whole = means.get(("crown_height", 0, fret))
        for k in range(count):
            top, board = means.get(("crown_top", k + 1, fret)), _board(means, k, j)
            if (mean := own[k] or whole) is not None:
                height[k, j], u[k, j], origin[k, j] = mean.value_mm, mean.u_mm, Origin.READ
                freedom[k, j], reading_weights[k, j] = mean.degrees_of_freedom, ((mean, 1.0),)
            elif top is not None and board is not None:
                centre = board.key[1] == 0
                height[k, j] = top.value_mm - (board.value_mm - centre * drop[k, j])
                u[k, j], origin[k, j] = math.hypot(top.u_mm, board.u_mm), Origin.DERIVED
                freedom[k, j] = _freedom((top, board))
                if not 0.0 < height[k, j] < 3.0:
                    findings.append(
                        Finding(
                            "disagree",
                            "Crown top less board gives a crown height of {height:length} on "
                            "string {string}, fret {fret}{rows}; read both over the same datum.",
                            at_places(top.places, strings=(k + 1,), frets=fret),
                            "error",
                            height=float(height[k, j]),
                            string=k + 1,
                            fret=j + 1,
                            rows=rows_by_file(top.places),
                        )
                    )
            elif given:
                values = np.array([mean.value_mm for mean in given])
                spread = float(np.var(values, ddof=1)) if len(values) > 1 else 0.0
                height[k, j], origin[k, j] = float(np.mean(values)), Origin.DERIVED
                u[k, j] = np.sqrt(spread + np.mean([mean.u_mm**2 for mean in given]))
                if spread > 0.0:
                    freedom[k, j] = (len(given) - 1) * (u[k, j] ** 2 / spread) ** 2
                reading_weights[k, j] = tuple((mean, 1.0 / len(given)) for mean in given)
    if nominal := numbered((origin == Origin.NOMINAL).any(axis=0)):
        text = (
            "No crown height was read on {on:frets}: the new wire's {wire:length} is taken, a worn "
            "fret has less, and nothing comes off such a fret until its height is read."
        )
        if specification.fretwire.new:
            text = "No crown height was read on {on:frets}; the new wire's {wire:length} is taken."
        findings.append(
            Finding(
                "missing",
                text,
                At(field="crown_height", frets=nominal),
                "note",
                on=nominal,
                wire=specification.fretwire.crown_height_mm,
            )
        )
    return CrownHeights(height, u, freedom, origin, reading_weights), findings


def _freedom(means: tuple[Mean, ...]) -> float:
    """Return the degrees of freedom of a sum of readings (JCGM 100:2008, G.4.1)."""
    spread = sum(mean.u_mm**4 / mean.degrees_of_freedom for mean in means)
    return sum(mean.u_mm**2 for mean in means) ** 2 / spread if spread > 0.0 else math.inf


def missing_crowns(tops: CrownTops) -> tuple[Finding, ...]:
    """Return one error naming every crown top that is still missing after every route."""
    absent = ~np.isfinite(tops.height_mm)
    if not absent.any():
        return ()
    text = (
        "The crown tops of {places} are missing and too many to interpolate from their neighbours; "
        "read crown_top there, or board and crown_height."
    )
    places = missing_places(absent)
    return (Finding("missing", text, At(field="crown_top"), "error", places=places),)


def robust_line(x_mm: FloatArray, y_mm: FloatArray) -> tuple[float, float]:
    """Return intercept [mm] and slope of the line through most of the points.

    Median of the pairwise slopes (Theil 1950, Sen 1968, doi 10.1080/01621459.1968.10480934); two
    points at least, without NaN.
    """
    i, j = np.triu_indices(len(x_mm), 1)
    slope = float(np.median((y_mm[j] - y_mm[i]) / (x_mm[j] - x_mm[i])))
    return float(np.median(y_mm - slope * x_mm)), slope


def _detrended(top: FloatArray, station: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the heights over each string's own robust line, and that line."""
    line = np.full_like(top, np.nan)
    for k, row in enumerate(top):
        known = np.isfinite(row)
        if known.sum() >= 3:
            intercept, slope = robust_line(station[k, known], row[known])
            line[k] = intercept + slope * station[k]
    return top - line, line


def fill_across(
    top_mm: FloatArray, causes: Causes, station_mm: FloatArray
) -> tuple[FloatArray, BoolArray, list[Finding]]:
    """Return crown tops with isolated gaps interpolated across the strings on the same fret.

    Never along the string: a single high fret is what is sought. Heights are taken over each
    string's own robust line through the frets that all strings have. Between two strings the middle
    is taken, beyond the outer pair their line: u² = (u₁² + u₂²)/4 + (D/2)² and
    u² = 4 u₁² + u₂² + D², D being the root mean square of the second differences across the strings
    that the known crowns show. What an interpolated crown has in common with the two that it comes
    from goes to `causes`.
    """
    absent = ~np.isfinite(top_mm)
    filled = np.zeros_like(absent)
    if not absent.any():
        return top_mm, filled, []
    sparse = absent.sum(axis=1) * 2 > top_mm.shape[1]  # a string that was not read
    # lines over the same frets, so that a high fret, which is high under each string, drops out
    shared = ~absent[~sparse].any(axis=0) if (~sparse).any() else np.zeros(top_mm.shape[1], bool)
    _, own = _detrended(top_mm, station_mm)
    _, line = _detrended(np.where(shared, top_mm, np.nan), station_mm)
    line = np.where(np.isfinite(line), line, own)
    flat = top_mm - line
    second = flat[:-2] - 2.0 * flat[1:-1] + flat[2:]
    known = second[np.isfinite(second)]
    if len(known) < 3:
        return top_mm, filled, []
    roughness = float(np.sqrt(np.mean(known**2)))
    last = len(top_mm) - 1
    whole = top_mm.copy()
    for k, j in np.argwhere(absent).tolist():
        if absent[:, j].sum() > MOST_MISSING_ON_A_FRET or sparse[k]:
            continue
        outer = k in (0, last)
        inward = 1 if k == 0 else -1
        share = {k + inward: 2.0, k + 2 * inward: -1.0} if outer else {k - 1: 0.5, k + 1: 0.5}
        guess = sum(weight * flat[near, j] for near, weight in share.items())
        if not np.isfinite(guess):
            continue
        whole[k, j], filled[k, j] = line[k, j] + guess, True
        weights = np.zeros((len(top_mm), top_mm.shape[1] + 2))
        weights[list(share), j + 1] = list(share.values())
        at = (k, j + 1)
        causes.derive(at, weights)
        causes.add(("across", k, j), "interpolation", at, roughness * (1.0 if outer else 0.5))
    if not filled.any():
        return top_mm, filled, []
    places = (np.argwhere(filled) + 1).tolist()
    finding = Finding(
        "interpolated",
        "Missing crown tops were interpolated from the neighbouring strings on the same fret, with "
        "a standard uncertainty up to {u:uncertainty}: {places}.",
        At(
            field="crown_top",
            strings=tuple(sorted({string for string, _ in places})),
            frets=tuple(sorted({fret for _, fret in places})),
        ),
        u=max(causes.u_mm((string - 1, fret)) for string, fret in places),
        places=first_of(
            [sentence("string {string} fret {fret}", string=s, fret=f) for s, f in places], "place"
        ),
    )
    return whole, filled, [finding]


def _wild(top: FloatArray, means: Mapping[Key, Mean], lines: StringLines) -> list[Finding]:
    """Return an error for every crown top that stands where no fret can."""
    flat, _ = _detrended(top, lines.station_mm[:, 1:])
    findings: list[Finding] = []
    with np.errstate(invalid="ignore"):
        places = np.argwhere(np.abs(flat) > CROWN_LINE_LIMIT_MM).tolist()
    for k, j in places:
        fret = (j + 1,)
        keys = [("crown_top", k + 1, fret), ("board", k + 1, fret), ("board", 0, fret)]
        rows = [place for key in keys if key in means for place in means[key].places]
        text = (
            "The crown of string {string} at fret {fret} is {off:length} off the straight line of "
            "that string's other crowns, further than a fret can be; check the decimal point and "
            "the unit."
        )
        at = at_places(rows, strings=(k + 1,), frets=fret)
        values = {"string": k + 1, "fret": j + 1, "off": abs(float(flat[k, j]))}
        findings.append(Finding("implausible", text, at, "error", **values))
    return findings
