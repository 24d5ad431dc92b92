"""Fretboards before fretting: slots, and the scale that they were cut to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenfall.arrays import FloatArray, runs
from evenfall.errors import Finding, Progress, ReadingsError, silent
from evenfall.scans.fret_comb import FretLines, Match, collapsed
from evenfall.scans.laid_flat import BIN_MM, Level, StripMap, lay_level, principal_axes, strip_map
from evenfall.scans.places import ScaleFit, fit_scale
from evenfall.scans.surface import (
    Cloud,
    HeightMap,
    Mesh,
    Points,
    Surface,
    as_surface,
    finite_samples,
    unusable,
)

SAMPLES = 400_000
"""Points from which slots are found."""

SHORTEST_MM, LONGEST_MM = 50.0, 3000.0
"""A board with slots, or a part of one, is of a length between these; a scan in the wrong unit is
not, and would be cut into more cells than there is memory for (common practice, no source)."""

LEAST_DEPTH_MM = 0.4
"""A groove shallower than this is a mark, not a slot (common practice, no source)."""

LEAST_RUN_SHARE = 0.6
"""A slot runs across at least this share of the board; a hole does not."""

STRAIGHT_MM = 0.2
"""The edges of a slot wander less than this from strip to strip (a saw kerf is straighter)."""

ALIKE_SHARE = 0.15
"""Slots of one board differ in width and depth by less than this."""

MOST_WIDTH_MM = 1.6
"""Slots are as wide as a tang, 0.5 to 0.6 mm; a groove wider than this is something else."""

SLOT_WIDTH_SHARE = 0.55
"""A groove narrower than this share of a crown is a slot; wider, it is a crown upside down."""

UPRIGHT_SHARE = 0.6
"""A groove that is narrower than this share near its floor has no upright walls."""


@dataclass(frozen=True, slots=True)
class Slots:
    """Fret slots of a board without crowns, N of them."""

    # distance of each slot's centre along the board from the first one's nut [mm], shape (N,)
    place_mm: FloatArray
    width_mm: float  # median width and depth [mm]
    depth_mm: float
    up: FloatArray  # direction out of the board in the file's frame, shape (3,)
    scale: ScaleFit  # the scale that the slots fit
    findings: tuple[Finding, ...]  # what was found and what stays open


def find_slots(
    given: HeightMap | Mesh | Cloud | Points,
    *,
    factor_mm: float = 1.0,
    progress: Progress = silent,
) -> Slots:
    """Return the fret slots of a board that carries no crowns.

    Parameters
    ----------
    given
        The scan.
    factor_mm
        Unit of the file [mm].
    progress
        Told how far the search is; stops it by raising `Cancelled`.

    Raises
    ------
    ReadingsError
        There are no slots in a fret series.
    """
    surface: Surface = given if isinstance(given, Cloud) else as_surface(given)
    samples, _ = finite_samples(surface, SAMPLES)
    samples = samples * factor_mm
    middle, axes, extent = principal_axes(samples)
    if not SHORTEST_MM < float(extent[0]) < LONGEST_MM:
        raise unusable(
            "The scan is {length:size} long, which no fretboard is; name its unit.",
            length=float(extent[0]),
        )
    best: tuple[int, Level, list[tuple[float, float, float]], ScaleFit] | None = None
    for number, up in enumerate((axes[2], -axes[2], axes[1], -axes[1])):
        progress("Looking for slots", number / 4.0)
        turned = np.stack([axes[0], np.cross(up, axes[0]), up])
        level = lay_level(samples, middle, turned, solid=True)
        if level is None:
            continue
        grooves = _grooves(level.points_mm)
        try:
            scale = fit_scale(np.array([g[0] for g in grooves]))
        except ReadingsError:
            continue
        count = int((scale.fret_number > 0).sum())
        if best is None or count > best[0]:
            best = (count, level, grooves, scale)
    if best is None:
        raise unusable("There are no slots in the spacing of frets.")
    _, level, grooves, scale = best
    kept = scale.fret_number > 0
    place = np.abs(np.array([g[0] for g in grooves]) - scale.nut_mm)
    up = level.axes[2]
    width = float(np.median([g[1] for g in np.array(grooves)[kept]]))
    depth = float(np.median([g[2] for g in np.array(grooves)[kept]]))
    axis = int(np.argmax(np.abs(up)))
    found = Finding(
        "slots-only",
        "No crowns: slots only. {count} slots, {width:length} wide and {depth:length} deep, up is "
        "nearest {up}; they fit a scale of {scale:length} (standard uncertainty {u:uncertainty}) "
        "if the first one is fret 1.",
        count=int(kept.sum()),
        width=width,
        depth=depth,
        up=f"{'+' if up[axis] > 0 else '-'}{'xyz'[axis]}",
        scale=scale.scale_mm,
        u=scale.scale_u_mm,
    )
    findings = (found, *scale.findings)
    return Slots(np.sort(place[kept]), width, depth, up, scale, findings)


def slots_only(slots: Slots) -> ReadingsError:
    """Return the error for a board without crowns where crowns were asked for."""
    return ReadingsError(
        Finding(f.code, f.said.text, f.at, "error", **f.said.values)
        if f.code == "slots-only"
        else f
        for f in slots.findings
    )


def lies_over_slots(
    strips: StripMap, match: Match, nominal: FretLines, crown_width_mm: float
) -> bool:
    """Say whether a match that points down lies over slots, and not over crowns upside down."""
    narrow = SLOT_WIDTH_SHARE * crown_width_mm
    return match.up_order < 0 and _groove_width_mm(strips, match, nominal) < narrow


def _groove_width_mm(strips: StripMap, match: Match, nominal: FretLines) -> float:
    """Return the width of the grooves at the frets' places [mm], infinite where they close in."""
    y = strips.y_mm[:, None] - 0.5 * float(strips.y_mm[0] + strips.y_mm[-1])
    reach = int(3.0 / BIN_MM)
    along = nominal.base_mm + nominal.lean_slope * match.across_order * y
    place = match.nut_mm + match.along_order * match.scale_ratio * along
    place = place + np.tan(match.yaw_rad) * y
    column = np.round((place - strips.x_mm[0]) / BIN_MM).astype(np.intp)
    strip, fret = np.nonzero((column >= reach) & (column < len(strips.x_mm) - reach))
    near = column[strip, fret][:, None] + np.arange(-reach, reach + 1)
    depth = np.nan_to_num(match.up_order * strips.relative_mm[strip[:, None], near])
    deepest = depth.max(axis=1, initial=0.0)
    deep = deepest > LEAST_DEPTH_MM
    if not deep.any():
        return 0.0
    top, middle, floor = (
        float(np.mean((depth > share * deepest[:, None]).sum(axis=1)[deep]) * BIN_MM)
        for share in (0.25, 0.5, 0.75)
    )
    # the walls of a slot are upright; what closes in is a crown upside down
    return middle if floor > UPRIGHT_SHARE * top else float("inf")


def _grooves(points: FloatArray) -> list[tuple[float, float, float]]:
    """Return centre, width and depth [mm] of every groove straight across the board."""
    strips = strip_map(points)
    depth = np.nan_to_num(collapsed(strips, -1))
    count = len(strips.y_mm)
    under = _under_board(points, strips)
    low_points = under > 0.5 * LEAST_DEPTH_MM
    order = np.argsort(points[low_points, 0])
    x, y, _ = points[low_points][order].T
    row = strips.strip_of(y)
    grooves = []
    for start, end in runs(depth > LEAST_DEPTH_MM):
        low = strips.x_mm[start] - BIN_MM
        high = strips.x_mm[end - 1] + BIN_MM
        inside = slice(*np.searchsorted(x, [low, high]))
        # walls and floor lie between the edges of each strip; the median over the strips keeps
        # out wild points, and a groove that does not run straight across is no slot
        there = np.isfinite(strips.relative_mm[:, max(0, start - 8) : end + 8]).any(axis=1)
        many = np.bincount(row[inside], minlength=count)
        left, right = np.full(count, np.inf), np.full(count, -np.inf)
        np.minimum.at(left, row[inside], x[inside])
        np.maximum.at(right, row[inside], x[inside])
        shown = there & (many >= 4)
        if int(shown.sum()) < max(1.0, LEAST_RUN_SHARE * int(there.sum())):
            continue
        left, right = left[shown], right[shown]
        wander = np.median(np.abs(left + right - np.median(left + right)))
        if wander > STRAIGHT_MM:
            continue
        width = float(np.median(right - left))
        if width <= MOST_WIDTH_MM:
            centre = float(np.median(0.5 * (left + right)))
            grooves.append((centre, width, float(depth[start:end].max())))
    return _alike(grooves)


def _alike(grooves: list[tuple[float, float, float]]) -> list[tuple[float, float, float]]:
    """Return the largest set of grooves of one width and depth: slots are cut with one saw."""
    if not grooves:
        return grooves
    sizes = np.log(np.maximum(np.array(grooves)[:, 1:], 1e-3))
    alike = np.all(np.abs(sizes[:, None] - sizes[None]) < np.log(1.0 + ALIKE_SHARE), axis=2)
    chosen = alike[int(alike.sum(axis=1).argmax())]
    return [groove for groove, same in zip(grooves, chosen, strict=True) if same]


def _under_board(points: FloatArray, strips: StripMap) -> FloatArray:
    """Return how far each point lies under the board around it [mm]."""
    step = strips.x_mm[1] - strips.x_mm[0]
    column = np.clip(np.round((points[:, 0] - strips.x_mm[0]) / step), 0, len(strips.x_mm) - 1)
    board = strips.board_mm[strips.strip_of(points[:, 1]), column.astype(np.intp)]
    return np.asarray(np.nan_to_num(board - points[:, 2]))
