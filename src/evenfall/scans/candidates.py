"""Every way in which a scan may lie: unit, way up, and where its board is among other things.

A scan may hold more than a board: closed bodies, a neck, an instrument. From each side only what is
seen from there is looked at; where that is more than a board, the best place for the frets is found
first, and then looked at again alone and more closely.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np

from evenfall.arrays import FloatArray, along_axes
from evenfall.errors import At, Progress, RequestError
from evenfall.instrument import Specification
from evenfall.scans.fret_comb import FretLines, Match, match_frets
from evenfall.scans.laid_flat import (
    LEVELLING_SAMPLES,
    STRIP_MM,
    Level,
    StripMap,
    lay_level,
    principal_axes,
    seen_from_above,
    strip_map,
)
from evenfall.scans.slots import lies_over_slots
from evenfall.scans.surface import (
    UNITS_MM,
    Cloud,
    Points,
    Surface,
    finite_samples,
    pieces,
    sample_indices,
)
from evenfall.scans.visible import Box, places_of, seen_cells

SAMPLES = 250_000
"""Points from which the scan's place is found; a later pass takes all."""

SOLID_SAMPLES = 1_500_000
"""The same where the points lie on all sides of bodies: few of them are seen from above."""

WIDE_SHARE = 0.6
"""The face of a body that is narrower than this share of the board counts for less."""

NARROWEST_MM = 4.0
"""A strip narrower than this is a profile along the neck, not a surface."""

DEEPEST_SHARE, MIDDLE_SHARE = 0.5, 0.9
"""What is deeper than so much of the scale is no instrument (bodies with their bridge are about a
fifth as deep), by so many of its points."""

MORE_SHARE = 1.4
"""A scan wider than this share of the board, or longer than as much, holds more than the board."""

AROUND_MM = 12.0
"""Looked at more closely is the board with as much beside it."""

BEYOND_MM = 150.0
"""And as much before and after: frets that go on there would say that this is another scale."""

FAR_CELLS, ACROSS_CELLS = 2400, 140
"""Cells of the first look at a mesh, along and across it."""

CLOSE_STEP_MM = (0.12, 0.4)
"""Steps of the second look, along and across."""

MOST_DRAWN = 4_000_000
"""Cells drawn of all triangles together; more of them are drawn more coarsely."""

FLAT_SHARE = 0.6
"""A body that is thinner than this share of a board's width shows no board from its side."""

UPPER_MM = 0.6
"""Of a cloud of closed bodies what lies further under the upper side, within a millimetre, is
hidden by it: tangs and slots under the crowns."""

CLOSE_POINTS = 2_000_000
"""Most points of a cloud in the second look."""

UNDER_MM = 8.0
"""What lies this far under the board is not looked at again."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """One unit and one way up, with its best matches."""

    unit: str
    axes: FloatArray  # as in `Level`
    origin_mm: FloatArray
    samples: Points  # points used, in the frame of the file, shape (M, 3)
    level_mm: FloatArray  # the same laid level
    strips: StripMap  # the map in which frets were looked for
    matches: list[Match]  # what was found, best first
    solid: bool  # whether the points lie on several sides of a body
    way: int  # which of the ways up it is


class Views:
    """A scan as it is seen from above, for any direction that may be up."""

    def __init__(self, surface: Surface) -> None:
        self.surface = surface
        self.samples, _ = finite_samples(surface, SAMPLES)
        self.middle, self.axes, self.extent = principal_axes(self.samples)
        self.few = self.samples[sample_indices(len(self.samples), LEVELLING_SAMPLES)]
        share = 0.5 * (1.0 - MIDDLE_SHARE)  # what lies wild around a neck makes it no deeper
        low, high = np.quantile((self.few - self.middle) @ self.axes[2], [share, 1.0 - share])
        self.depth = float(high - low)
        self.corners = surface.corners if isinstance(surface, Cloud) else None
        # whether a second look has other points than the first
        self.more = self.corners is not None or surface.count > SAMPLES
        self._seen: dict[int, FloatArray] = {}
        self._many: FloatArray | None = None

    def solid(self, factor: float) -> bool:
        """Say whether the points lie on several sides of a body."""
        if self.corners is not None:
            return True
        level = along_axes(self.few - self.middle, self.axes) * factor
        return len(seen_from_above(level, cell_mm=2.0)) < 0.85 * len(level)

    def ups(self, factor: float, least_mm: float) -> list[FloatArray]:
        """Return the directions that may be up: a board is at least so wide."""
        flat = [self.axes[2], -self.axes[2]]
        thin = float(self.extent[2]) * factor < least_mm
        return flat if thin else [*flat, self.axes[1], -self.axes[1]]

    def seen(self, number: int, up: FloatArray) -> FloatArray:
        """Return points of the file that are seen from one of `ups`."""
        if self.corners is None:
            if self._many is None:
                self._many, _ = finite_samples(self.surface, SOLID_SAMPLES)
            return self._many
        if number not in self._seen:
            turned = np.stack([self.axes[0], np.cross(up, self.axes[0]), up])
            level = along_axes(self.corners.reshape(-1, 3) - self.middle, turned)
            low, high = level[:, :2].min(axis=0), level[:, :2].max(axis=0)
            step = np.maximum((high - low) / (FAR_CELLS, ACROSS_CELLS), 1e-9)
            points = _seen_of_mesh(level.reshape(-1, 3, 3), low, high, step)
            self._seen[number] = points @ turned + self.middle
        return self._seen[number]

    def close(
        self, candidate: Candidate, low_mm: FloatArray, high_mm: FloatArray, factor: float
    ) -> FloatArray:
        """Return the points of the file that are seen in a box of a candidate's level frame."""
        axes, origin = candidate.axes * factor, candidate.axes @ candidate.origin_mm
        if self.corners is not None:
            level = along_axes(self.corners.reshape(-1, 3), axes) - origin
            level = level.reshape(-1, 3, 3)
            inside = (level.max(axis=1) >= low_mm).all(axis=1)
            inside &= (level.min(axis=1)[:, :2] <= high_mm[:2]).all(axis=1)
            points = _seen_of_mesh(level[inside], low_mm[:2], high_mm[:2], np.array(CLOSE_STEP_MM))
        else:
            kept = []
            for piece in pieces(self.surface, 0, self.surface.count):
                with np.errstate(over="ignore", invalid="ignore"):
                    place = (axes @ piece).T - origin
                    kept.append(place[((place >= low_mm) & (place <= high_mm)).all(axis=1)])
            points = np.concatenate(kept)
            points = points[sample_indices(len(points), CLOSE_POINTS)]
        return np.asarray((points + origin) @ candidate.axes / factor)


def _seen_of_mesh(
    level: FloatArray, low: FloatArray, high: FloatArray, step: FloatArray
) -> FloatArray:
    """Return a map's cells in which triangles are seen from above, as points."""
    side = level[:, 1:, :2] - level[:, :1, :2]
    covered = 0.5 * np.abs(side[:, 0, 0] * side[:, 1, 1] - side[:, 0, 1] * side[:, 1, 0]).sum()
    step = step * np.sqrt(max(1.0, covered / (step.prod() * MOST_DRAWN)))
    ends = [(float(a), float(b)) for a, b in (low, high, step)]
    box = Box.over(*ends)
    cells, z, _ = seen_cells(level, box)
    return np.column_stack([places_of(cells, box), z])


def candidates(
    views: Views,
    specification: Specification,
    nominal: FretLines,
    unit_hint: str | None,
    *,
    progress: Progress,
    few: bool = False,
    ways: Collection[tuple[str, int]] | None = None,
) -> list[Candidate]:
    """Return the scan laid level in every unit and every way up that is possible.

    A quick look takes a few points; `ways` names units and ways up that are worth more.
    """
    span = float(np.max(nominal.base_mm))
    longest = max(specification.scale.treble_mm, specification.scale.bass_mm)
    found = []
    units = units_of(unit_hint)
    for number, (unit, factor) in enumerate(units.items()):
        length = float(views.extent[0]) * factor
        # a scan may show some frets only, or the whole instrument
        if not 0.25 * span < length < 3.5 * longest:
            continue
        if float(views.extent[1]) * factor < NARROWEST_MM:
            continue
        if views.depth * factor > DEEPEST_SHARE * longest:
            continue
        solid = views.solid(factor)
        ups = views.ups(factor, FLAT_SHARE * specification.board.width_nut_mm)
        ups = ups if solid else ups[:1]
        for turn, up in enumerate(ups):
            if ways is not None and (unit, turn) not in ways:
                continue
            progress("Finding the frets", (number + turn / len(ups)) / len(units))
            samples = views.seen(turn, up) if solid and not few else views.samples
            turned = np.stack([views.axes[0], np.cross(up, views.axes[0]), up])
            level = lay_level(
                samples * factor,
                views.middle * factor,
                turned,
                solid=solid and (few or views.corners is None),
                under_mm=UPPER_MM,
            )
            if level is not None:
                seen = samples[level.kept]
                one = _matched(unit, level, seen, specification, nominal, solid=solid, way=turn)
                found.append(one)
    return found


def closer(
    views: Views,
    candidate: Candidate,
    match: Match,
    specification: Specification,
    nominal: FretLines,
) -> Candidate:
    """Return a candidate looked at again: the board alone, in more points."""
    board, factor = specification.board, UNITS_MM[candidate.unit]
    half = 0.5 * board.width_last_mm + AROUND_MM
    place = match.nut_mm + match.along_order * np.array([-4.0, float(np.max(nominal.base_mm))])
    low_x, high_x = float(place.min()) - BEYOND_MM, float(place.max()) + BEYOND_MM
    near = candidate.strips.x_mm
    inside = (near > low_x) & (near < high_x)
    rows = np.abs(candidate.strips.y_mm - match.middle_y_mm) < 0.3 * board.width_nut_mm
    heights = candidate.strips.board_mm[np.ix_(rows, inside)]
    if not np.isfinite(heights).any():
        return candidate
    level = float(np.nanmin(heights))
    low = np.array([low_x, match.middle_y_mm - half, level - UNDER_MM])
    high = np.array([high_x, match.middle_y_mm + half, float(np.nanmax(heights)) + UNDER_MM])
    points = views.close(candidate, low, high, factor)
    again = lay_level(
        points * factor,
        candidate.origin_mm + candidate.axes.T @ (0.5 * (low + high)),
        candidate.axes,
        solid=candidate.solid and views.corners is None,
        under_mm=UPPER_MM,
    )
    if again is None:
        return candidate
    return _matched(
        candidate.unit,
        again,
        points[again.kept],
        specification,
        nominal,
        solid=candidate.solid,
        way=candidate.way,
    )


def holds_more(candidate: Candidate, specification: Specification, nominal: FretLines) -> bool:
    """Say whether a scan shows more than a board, or more sides than one."""
    strips, board = candidate.strips, specification.board
    wide = float(np.ptp(strips.y_mm)) + STRIP_MM > MORE_SHARE * board.width_last_mm
    long = float(np.ptp(strips.x_mm)) > MORE_SHARE * float(np.max(nominal.base_mm))
    return candidate.solid or wide or long


def _matched(
    unit: str,
    level: Level,
    samples: FloatArray,
    specification: Specification,
    nominal: FretLines,
    *,
    solid: bool,
    way: int,
) -> Candidate:
    """Return a candidate with the frets laid over it in every way."""
    wire, board = specification.fretwire, specification.board
    strips = strip_map(level.points_mm)
    matches = match_frets(strips, nominal, specification)
    if solid:  # the side that is seen is the upper one; grooves in it are grooves
        # a body's edge shows its frets as well as its face, but is narrow
        seen = float(np.ptp(strips.y_mm)) / (WIDE_SHARE * board.width_nut_mm)
        matches = [
            replace(m, score_share=m.score_share * min(1.0, seen))
            for m in matches
            if m.up_order > 0 or lies_over_slots(strips, m, nominal, wire.crown_width_mm)
        ]
    return Candidate(
        unit, level.axes, level.origin_mm, samples, level.points_mm, strips, matches, solid, way
    )


def units_of(unit_hint: str | None) -> dict[str, float]:
    """Return the units that a file may be in."""
    if unit_hint is None:
        return UNITS_MM
    if unit_hint not in UNITS_MM:
        raise RequestError(
            "The unit {given:quoted} is not known; use {known:or}.",
            at=At(field="unit"),
            given=unit_hint,
            known=tuple(UNITS_MM),
        )
    return {unit_hint: UNITS_MM[unit_hint]}
