"""Crown tops and crown heights from readings at the frets themselves.

Either the tops are read over the datum, or the board is and the crown's height over it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.errors import Finding
from evenfall.instrument.geometry import board_drop_mm
from evenfall.measurement import Origin
from evenfall.sheets.quantities import CROWN_LINE_LIMIT_MM, NEIGHBOUR_LIMIT_MM
from evenfall.sheets.repeats import Key, Mean, label, listed
from evenfall.sheets.rows import rows_text
from evenfall.units import length_text

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from evenfall.instrument import Specification, StringLines

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int8]
    BoolArray = NDArray[np.bool_]

MOST_MISSING_ON_A_FRET = 2
"""More crossings than this missing on one fret are a fret that was not read."""

NOMINAL_U_MM = 0.05 / 3.0**0.5
"""Uncertainty [mm] of a crown height taken from the wire's: ±0.05 mm, rectangular, for seating
(common practice, no source). Wear is not in it: the finding says so."""


@dataclass(frozen=True, slots=True)
class CrownTops:
    """Heights of the crowns over the datum, K strings over F frets.

    Parameters
    ----------
    height_mm
        Shape (K, F); NaN where missing.
    covariance_mm2
        Covariance of the crowns of each string [mm²], shape (K, F, F).
    origin
        `Origin` of each, shape (K, F).
    routes
        How they were obtained, in sentences.
    """

    height_mm: FloatArray
    covariance_mm2: FloatArray
    origin: IntArray
    routes: tuple[str, ...]

    @property
    def u_mm(self) -> FloatArray:
        """Standard uncertainties [mm], shape (K, F)."""
        return np.sqrt(np.diagonal(self.covariance_mm2, axis1=1, axis2=2))


@dataclass(frozen=True, slots=True)
class CrownHeights:
    """Heights of the crowns over the board, K strings over F frets.

    Parameters
    ----------
    height_mm, u_mm
        Height and standard uncertainty [mm], shape (K, F).
    origin
        `Origin` of each, shape (K, F).
    """

    height_mm: FloatArray
    u_mm: FloatArray
    origin: IntArray


def crown_tops_from_heights(
    means: Mapping[Key, Mean],
    heights: CrownHeights,
    specification: Specification,
    lines: StringLines,
) -> tuple[CrownTops, list[Finding]]:
    """Return crown tops that were read, or worked out from the board, gaps filled where allowed.

    Parameters
    ----------
    means
        The readings.
    heights
        Crown heights over the board.
    specification, lines
        The instrument and its string lines.
    """
    count, frets = specification.string_count, specification.frets
    top = np.full((count, frets), np.nan)
    u = np.zeros((count, frets))
    origin = np.full((count, frets), Origin.MISSING, dtype=np.int8)
    board, board_u, on_centre = _board(means, specification, lines)
    measured = (heights.origin == Origin.READ) | (heights.origin == Origin.DERIVED)
    for k in range(count):
        for j in range(frets):
            mean = means.get(("crown_top", k + 1, (j + 1,)))
            if mean is not None:
                top[k, j], u[k, j] = mean.value_mm, mean.u_mm
                origin[k, j] = Origin.READ
            elif np.isfinite(board[k, j]) and measured[k, j]:
                top[k, j] = board[k, j] + heights.height_mm[k, j]
                u[k, j] = np.hypot(board_u[k, j], heights.u_mm[k, j])
                origin[k, j] = Origin.DERIVED
    routes = []
    if (origin == Origin.READ).any():
        routes.append("Crown tops were read over the datum.")
    derived = origin == Origin.DERIVED
    if derived.any():
        centre = (
            ", the board's height carried from the centre line to the strings by its radius"
            if (on_centre & derived).any()
            else ""
        )
        scope = "Crown tops" if derived.all() else f"{int(derived.sum())} crown tops"
        routes.append(f"{scope} were worked out as board plus crown height{centre}.")
    findings = _uncertain(top, u, means, lines)
    filled, more = fill_across(top, u, lines.station_mm[:, 1:])
    findings += more
    if filled.any():
        origin[filled] = Origin.INTERPOLATED
        routes.append("Missing crown tops were filled in across the strings on the same fret.")
    covariance = np.zeros((count, frets, frets))
    covariance[:, np.arange(frets), np.arange(frets)] = u**2
    return CrownTops(top, covariance, origin, tuple(routes)), findings


def _board(
    means: Mapping[Key, Mean], specification: Specification, lines: StringLines
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Return the board's height under each string, its uncertainty, and where it was carried."""
    count, frets = specification.string_count, specification.frets
    height = np.full((count, frets), np.nan)
    u = np.zeros((count, frets))
    carried = np.zeros((count, frets), dtype=bool)
    drop = board_drop_mm(specification, lines)[:, 1:]
    for k in range(count):
        for j in range(frets):
            if own := means.get(("board", k + 1, (j + 1,))):
                height[k, j], u[k, j] = own.value_mm, own.u_mm
            elif centre := means.get(("board", 0, (j + 1,))):
                height[k, j], u[k, j] = centre.value_mm - drop[k, j], centre.u_mm
                carried[k, j] = True
    return height, u, carried


def crown_heights(
    means: Mapping[Key, Mean], specification: Specification, lines: StringLines
) -> tuple[CrownHeights, list[Finding]]:
    """Return the crown heights over the board: read, worked out, or the wire's nominal height.

    A crossing takes its own reading; else the one for the whole fret; else crown top less board;
    else the mean of the other readings on that fret, with their spread; else the wire's height.

    Parameters
    ----------
    means
        The readings.
    specification, lines
        The instrument and its string lines.
    """
    count, frets = specification.string_count, specification.frets
    height = np.full((count, frets), specification.fretwire.crown_height_mm)
    u = np.full((count, frets), NOMINAL_U_MM)
    origin = np.full((count, frets), Origin.NOMINAL, dtype=np.int8)
    board, board_u, _ = _board(means, specification, lines)
    findings: list[Finding] = []
    for j in range(frets):
        fret = (j + 1,)
        own = {k: means.get(("crown_height", k + 1, fret)) for k in range(count)}
        given = [mean for mean in own.values() if mean is not None]
        whole = means.get(("crown_height", 0, fret))
        for k in range(count):
            top = means.get(("crown_top", k + 1, fret))
            if (mean := own[k] or whole) is not None:
                height[k, j], u[k, j], origin[k, j] = mean.value_mm, mean.u_mm, Origin.READ
            elif top is not None and np.isfinite(board[k, j]):
                height[k, j] = top.value_mm - board[k, j]
                u[k, j] = np.hypot(top.u_mm, board_u[k, j])
                origin[k, j] = Origin.DERIVED
                if not 0.0 < height[k, j] < 3.0:
                    findings.append(
                        Finding(
                            "disagree",
                            f"Crown top less board gives a crown height of "
                            f"{length_text(height[k, j])} on string {k + 1}, fret {j + 1} "
                            f"({rows_text(top.places)}); read both over the same datum.",
                            rows_text(top.places),
                            "error",
                        )
                    )
            elif given:
                values = np.array([mean.value_mm for mean in given])
                spread = float(np.var(values, ddof=1)) if len(values) > 1 else 0.0
                height[k, j] = float(np.mean(values))
                u[k, j] = np.sqrt(spread + np.mean([mean.u_mm**2 for mean in given]))
                origin[k, j] = Origin.DERIVED
    nominal = np.flatnonzero((origin == Origin.NOMINAL).any(axis=0)) + 1
    if len(nominal):
        wire = length_text(specification.fretwire.crown_height_mm, specification.unit)
        findings.append(
            Finding(
                "missing",
                f"No crown_height was read on frets {listed(nominal.tolist())}; the new wire's "
                f"{wire} is taken, and a worn fret has less, so read it before you cut.",
                "crown_height",
                "note",
            )
        )
    return CrownHeights(height, u, origin), findings


def missing_crowns(tops: CrownTops) -> tuple[Finding, ...]:
    """Return one error naming every crown top that is still missing.

    Parameters
    ----------
    tops
        Crown tops after every route.
    """
    places = missing_places(tops.height_mm)
    if not places:
        return ()
    sentence = (
        f"The crown tops of {places} are missing and too many to fill in from their "
        "neighbours; read crown_top there, or board and crown_height."
    )
    return (Finding("missing", sentence, "crown_top", "error"),)


def missing_places(top_mm: FloatArray) -> str:
    """Return which crown tops are missing, in words; nothing where none is.

    Parameters
    ----------
    top_mm
        Crown tops, NaN where missing, shape (K, F).
    """
    absent = ~np.isfinite(top_mm)
    if not absent.any():
        return ""
    frets_by_strings: dict[tuple[int, ...], list[int]] = defaultdict(list)
    for j in np.flatnonzero(absent.any(axis=0)).tolist():
        frets_by_strings[tuple((np.flatnonzero(absent[:, j]) + 1).tolist())].append(j + 1)
    parts = [
        f"fret{'s' if len(frets) > 1 else ''} {listed(frets)}"
        + (
            ""
            if len(strings) == len(absent)
            else f" under string{'s' if len(strings) > 1 else ''} {listed(strings)}"
        )
        for strings, frets in frets_by_strings.items()
    ]
    if len(parts) > 8:
        parts = [*parts[:8], f"{len(parts) - 8} more places"]
    return "; ".join(parts)


def robust_line(x_mm: FloatArray, y_mm: FloatArray) -> tuple[float, float]:
    """Return intercept [mm] and slope of the line through most of the points.

    Median of the pairwise slopes (Theil 1950, Sen 1968, doi 10.1080/01621459.1968.10480934).

    Parameters
    ----------
    x_mm, y_mm
        Points [mm], at least two, without NaN.
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
    top_mm: FloatArray, u_mm: FloatArray, station_mm: FloatArray
) -> tuple[BoolArray, list[Finding]]:
    """Fill isolated gaps in place from the neighbouring strings on the same fret.

    Never along the string: a single high fret is what is sought. Heights are taken over each
    string's own robust line through the frets that all strings have. Between two strings the middle
    is taken, beyond the outer pair their line: u² = (u₁² + u₂²)/4 + (D/2)² and
    u² = 4 u₁² + u₂² + D², D being the root mean square of the second differences across the strings
    that the known crowns show.

    Parameters
    ----------
    top_mm, u_mm
        Crown tops and their standard uncertainties [mm], shape (K, F); gaps are NaN in `top_mm`.
    station_mm
        Stations of the frets along each string [mm], shape (K, F).

    Returns
    -------
    filled
        Which gaps were filled, shape (K, F).
    findings
        What was filled in.
    """
    absent = ~np.isfinite(top_mm)
    filled = np.zeros_like(absent)
    if not absent.any():
        return filled, []
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
        return filled, []
    roughness = float(np.sqrt(np.mean(known**2)))
    last = len(top_mm) - 1
    values, spreads = top_mm.copy(), u_mm.copy()
    for k, j in np.argwhere(absent):
        if absent[:, j].sum() > MOST_MISSING_ON_A_FRET or sparse[k]:
            continue
        if k in (0, last):
            near, far = (1, 2) if k == 0 else (last - 1, last - 2)
            guess = 2.0 * flat[near, j] - flat[far, j]
            spread = np.sqrt(4.0 * u_mm[near, j] ** 2 + u_mm[far, j] ** 2 + roughness**2)
        else:
            guess = 0.5 * (flat[k - 1, j] + flat[k + 1, j])
            spread = np.sqrt((u_mm[k - 1, j] ** 2 + u_mm[k + 1, j] ** 2 + roughness**2) / 4.0)
        if np.isfinite(guess):
            values[k, j], spreads[k, j], filled[k, j] = line[k, j] + guess, spread, True
    top_mm[:], u_mm[:] = values, spreads
    if not filled.any():
        return filled, []
    places = [f"string {k + 1} fret {j + 1}" for k, j in np.argwhere(filled)]
    more = f" and {len(places) - 8} more" if len(places) > 8 else ""
    sentence = (
        f"Missing crown tops were filled in from the neighbouring strings on the same fret, with a "
        f"standard uncertainty up to {length_text(float(u_mm[filled].max()))}: "
        f"{', '.join(places[:8])}{more}."
    )
    return filled, [Finding("interpolated", sentence, "crown_top", "warning")]


def _uncertain(
    top: FloatArray,
    u: FloatArray,
    means: Mapping[Key, Mean],
    lines: StringLines,
) -> list[Finding]:
    """Return findings for crown tops that no fret can have, or that stand out on their fret."""
    station = lines.station_mm[:, 1:]
    flat, _ = _detrended(top, station)
    findings: list[Finding] = []

    def places(k: int, j: int) -> str:
        keys = [("crown_top", k + 1, (j + 1,)), ("board", k + 1, (j + 1,)), ("board", 0, (j + 1,))]
        return rows_text(p for key in keys if key in means for p in means[key].places)

    with np.errstate(invalid="ignore"):
        wild = np.abs(flat) > CROWN_LINE_LIMIT_MM
    for k, j in np.argwhere(wild):
        findings.append(
            Finding(
                "implausible",
                f"The {label(('crown_top', int(k) + 1, (int(j) + 1,)))} is "
                f"{length_text(float(abs(flat[k, j])))} off the straight line of that string's "
                f"other crowns, which no fret is; check the decimal point and the unit.",
                places(int(k), int(j)),
                "error",
            )
        )
    for j in range(flat.shape[1]):
        known = np.isfinite(flat[:, j])
        if known.sum() < 3 or wild[:, j].any():
            continue
        off = np.abs(flat[:, j] - np.median(flat[known, j]))
        k = int(np.nanargmax(off))
        others = np.median(np.delete(off, k)[np.delete(known, k)])
        limit = max(NEIGHBOUR_LIMIT_MM, 6.0 * u[k, j])
        if off[k] > limit and others < 0.25 * limit:
            findings.append(
                Finding(
                    "implausible",
                    f"The {label(('crown_top', k + 1, (j + 1,)))} stands "
                    f"{length_text(float(off[k]))} off the other strings on the same fret; read "
                    "it again.",
                    places(k, j),
                    "warning",
                )
            )
    return findings
