"""Strings that a scan shows: which they are, where each runs, and how high over the crowns.

A string at pitch is straight but for its own weight, so one line fits all that is seen of it: two
numbers in plan, and the heights of its underside at nut and saddle with the sag between. The
line stands wherever the string hides, over the crowns as at the ends that the scan does not reach.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import BoolArray, FloatArray
from evenfall.instrument import Specification, StringLines, string_lines
from evenfall.measurement import Heights, Origin
from evenfall.measurement.causes import Causes
from evenfall.measurement.scanned import StringsScanned
from evenfall.scans.arcs import NORMAL_MAD
from evenfall.scans.gather import CELL_MM
from evenfall.scans.surface import sample_indices
from evenfall.wording import sentence

if TYPE_CHECKING:
    from evenfall.scans.gather import Gathered
    from evenfall.scans.nut_and_saddle import Ends

BESIDE_MM = 1.2
"""A string lies no further than this beside its line, its own half width apart."""

LEAST_LONG_MM = 30.0
"""So much of a string is seen at least, between frets and lower than what counts as wild."""

LEAST_SHARE = 0.3
"""Share of a cell's points that lie on the string; wild points are fewer."""

MOST_UNEVEN = 0.2
"""Strings cover a smaller share of a board than this."""

LEAST_SPACES = 3
"""And in so many spaces between frets."""

WINDOW_MM, WINDOW_SHARE = 3.0, 0.45
"""A string is looked for so far beside its specified line, and within this share of the way to the
next one."""

SEARCH_STEP_MM, SEARCH_POINTS = 0.2, 2_000
"""Step of the first search, at nut and last fret; and the points that it looks at."""

LEAST_ON_LINE = 0.5
"""Of all that stands over the board about a string's line so much lies on it: wild points and dirt
lie anywhere."""

MOST_NOISE_MM = 0.05
"""Points of a string scatter by no more about it."""

THROUGH_MM = -0.1
"""What would run so far under the crowns is no string."""

LEAST_POINTS = 60
"""Fewer points make no line."""

LEAST_SPAN_SHARE = 0.25
"""A line is drawn on to nut and saddle only if as much of the string was seen."""

NEAR_MM = 0.15
"""Points further than this from the string's surface are left out of its first fit."""

STRAIGHT_MM = 0.05
"""Between frets a string at pitch departs no further from its line (root mean square)."""

MOST_ACTION_U_MM = 0.1
"""An action that is known no better is not told."""

THICKNESS_U_MM = 0.0127 / np.sqrt(3.0)
"""Standard uncertainty of a string's gauge: half a thousandth of an inch either way (common
practice, no source)."""

MEAN_UNDER_CREST = 1.0 - np.pi / 4.0
"""The mean height of a winding lies so many of its wire's radii under its crest, over which gauges
are measured: the mean of a half circle."""

GRAVITY_N_PER_KG = 9.81

ENDS_ROUTE = sentence(
    "Nut slots and saddle are where the strings in the scan run, their gauge taken off."
)
"""How heights of nut and saddle came about."""


@dataclass(frozen=True, slots=True)
class StringSeen:
    """The line of one string in the neck's frame.

    Over the share t of the way from nut to saddle the underside stands at
    (1 - t) nut + t saddle - 4 t (1 - t) sag.
    """

    string: int  # index, from 0
    base_mm: float  # its line in plan, y = base + run x
    run_slope: float
    # height of the underside at nut and at saddle, and the sag between, shape (3,)
    underside_mm: FloatArray
    covariance_mm2: FloatArray  # of these three, from what the points leave open, shape (3, 3)
    thickness_u_mm: float  # standard uncertainty that gauge and winding add to both ends alike
    place_u_mm: float  # standard uncertainty of the line's place across
    misfit_mm: float  # how far the string departs from its line between frets, root mean square

    @property
    def straight(self) -> bool:
        """Whether it lies as a string at pitch does."""
        return self.misfit_mm < STRAIGHT_MM

    def over(self, share: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the underside's height and its standard uncertainty at shares of the way."""
        terms = np.stack([1.0 - share, share, -4.0 * share * (1.0 - share)], axis=-1)
        own = np.einsum("...p,pq,...q->...", terms, self.covariance_mm2, terms)
        return terms @ self.underside_mm, np.sqrt(own + self.thickness_u_mm**2)

    def lowered(self, nut_mm: float, saddle_mm: float) -> StringSeen:
        """Return the string over a datum that lies so much higher at nut and saddle."""
        return replace(self, underside_mm=self.underside_mm - np.array([nut_mm, saddle_mm, 0.0]))


def strings_seen(
    gathered: Gathered, specification: Specification, *, drawn: bool
) -> tuple[StringSeen | None, ...]:
    """Return the line of each string that a scan shows, None of the others.

    `drawn` says that the points come from a drawing, whose strings have no windings.
    """
    lines = string_lines(specification)
    spacing = np.abs(np.diff(lines.y_mm[:, 0])).min(initial=2.0 * WINDOW_MM / WINDOW_SHARE)
    window = min(WINDOW_MM, WINDOW_SHARE * float(spacing))
    points = gathered.raised_mm.astype(float)
    return tuple(
        _string(points, k, specification, lines, window=window, drawn=drawn)
        for k in range(specification.string_count)
    )


def _string(
    points: FloatArray,
    k: int,
    specification: Specification,
    lines: StringLines,
    *,
    window: float,
    drawn: bool,
) -> StringSeen | None:
    """Return the line of one string; None where too little of it is seen."""
    string = specification.strings[k]
    radius = 0.5 * string.gauge_mm
    x_nut, x_last = float(lines.x_mm[k, 0]), float(lines.x_mm[k, -1])
    x, y, z = points.T
    beside = y - lines.y_mm[k, 0] - lines.run_slope[k] * (x - x_nut)
    inside = np.abs(beside) < window + radius
    if int(inside.sum()) < LEAST_POINTS:
        return None
    x, y, z, beside = x[inside], y[inside], z[inside], beside[inside]
    near = (x - x_nut) / (x_last - x_nut)
    shift = _search(near, beside, radius, window)
    on = np.abs(beside - shift[0] - (shift[1] - shift[0]) * near) < radius + 0.5 * SEARCH_STEP_MM
    spaces = np.searchsorted(lines.x_mm[k, 1:], x)
    if not _enough(x[on], spaces[on]) or on.mean() < LEAST_ON_LINE:
        return None
    share = (x - x_nut) / float(lines.saddle_station_mm[k])
    weight_n = 1e-3 * GRAVITY_N_PER_KG * string.linear_density_kg_per_m
    sag = weight_n * string.speaking_length_mm**2 / (8.0 * string.tension_n)
    fit = _fitted(share[on], y[on], z[on], spaces[on], radius=radius, sag_mm=float(sag))
    if fit is None:
        return None
    found, covariance, misfit = fit
    under = MEAN_UNDER_CREST * 0.25 * (string.gauge_mm - string.core_mm)
    wound = 0.0 if drawn else max(0.0, under)
    # round windings or flat ones: either is as likely
    underside = found[2:] + np.array([1.0, 1.0, 0.0]) * (0.5 * wound - radius)
    length = float(lines.saddle_station_mm[k])
    base, slope = float(found[0]), float(found[1] - found[0]) / length
    return StringSeen(
        k,
        base - slope * x_nut,
        slope,
        underside,
        covariance[2:, 2:],
        float(np.hypot(THICKNESS_U_MM, 0.5 * wound)),
        float(np.sqrt(max(covariance[0, 0], covariance[1, 1]))),
        misfit,
    )


def _search(near: FloatArray, beside: FloatArray, radius: float, window: float) -> FloatArray:
    """Return the shifts at nut and last fret of the line that most points lie on."""
    few = sample_indices(len(near), SEARCH_POINTS)
    near, beside = near[few], beside[few]
    steps = np.arange(-window, window + 0.5 * SEARCH_STEP_MM, SEARCH_STEP_MM)
    best, found = -1.0, np.zeros(2)
    for first in steps:
        off = beside - first * (1.0 - near) - steps[:, None] * near
        # what lies nearest counts most: the middle of a string, not its side
        score = np.maximum(0.0, 1.0 - np.abs(off) / (radius + SEARCH_STEP_MM)).sum(axis=1)
        at = int(np.argmax(score))
        if score[at] > best:
            best, found = float(score[at]), np.array([first, steps[at]])
    return found


def _enough(x: FloatArray, spaces: FloatArray) -> bool:
    """Say whether points lie along a string: in some spaces between frets, and far apart."""
    if len(x) < LEAST_POINTS:
        return False
    many = np.bincount(spaces)
    return int((many >= 10).sum()) >= LEAST_SPACES and float(np.ptp(x)) >= LEAST_LONG_MM


def _fitted(
    share: FloatArray,
    y: FloatArray,
    z: FloatArray,
    spaces: FloatArray,
    *,
    radius: float,
    sag_mm: float,
) -> tuple[FloatArray, FloatArray, float] | None:
    """Return y at nut and saddle, axis height there and sag; their covariance; the misfit.

    The distances of points from a round bar, by least squares over those within four sigma, found
    from wide to narrow. The sag is held to what the string's own weight makes of it, lying or not.
    """
    ends = np.column_stack([1.0 - share, share])
    sags = -4.0 * share * (1.0 - share)
    found: FloatArray = np.zeros(5)
    found[:2] = _steady(ends, y)
    found[2:4] = _steady(ends, z) - 0.8 * radius
    limit = max(NEAR_MM, radius)
    noise, used = limit / 4.0, np.ones(len(share), dtype=bool)
    hold = np.zeros(5)
    normal = np.eye(5)
    for _ in range(12):
        across = y - ends @ found[:2]
        over = z - ends @ found[2:4] - sags * found[4]
        far = np.maximum(np.hypot(across, over), 1e-6)
        off = far - radius
        used = np.abs(off) < limit
        if int(used.sum()) < LEAST_POINTS:
            return None
        noise = max(NORMAL_MAD * float(np.median(np.abs(off[used]))), 1e-5)
        limit = min(limit, max(4.0 * noise, 0.02))
        slope = np.column_stack(
            [(across / far)[:, None] * ends, (over / far)[:, None] * ends, (over / far) * sags]
        )[used]
        hold[4] = (noise / sag_mm) ** 2
        normal = slope.T @ slope + np.diag(hold + 1e-9)
        found = found + np.linalg.solve(normal, slope.T @ off[used] - hold * found)
    rows = [off[used & (spaces == number)] for number in np.unique(spaces[used])]
    middles = np.array([np.mean(row) for row in rows if len(row) >= 10])
    many = np.array([len(row) for row in rows if len(row) >= 10])
    local = np.concatenate([row - np.mean(row) for row in rows])
    scatter = NORMAL_MAD * float(np.median(np.abs(local)))
    if len(middles) < LEAST_SPACES or scatter > MOST_NOISE_MM:
        return None
    misfit = float(np.sqrt(np.mean(middles**2)))
    # what the spaces between frets say beyond the scatter of their points
    excess = float(np.mean(middles**2 / (noise**2 / many)))
    covariance = noise**2 * max(1.0, excess) * np.linalg.inv(normal)
    return found, np.asarray(covariance, dtype=float), misfit


def _steady(design: FloatArray, value: FloatArray) -> FloatArray:
    """Return a robust straight line through most values."""
    weight: FloatArray = np.ones(len(value))
    fit: FloatArray = np.zeros(design.shape[1])
    for _ in range(6):
        root = np.sqrt(weight)
        fit = np.asarray(np.linalg.lstsq(design * root[:, None], value * root, rcond=None)[0])
        weight = 1.0 / np.maximum(np.abs(value - design @ fit), 1e-3)
    return fit


def over_crowns(
    strings: tuple[StringSeen | None, ...], crown_top_mm: FloatArray, lines: StringLines
) -> tuple[StringSeen | None, ...]:
    """Return the strings that run over the crowns; what would run through them is none."""
    kept: list[StringSeen | None] = []
    for k, seen in enumerate(strings):
        gap = np.full(1, np.nan)
        if seen is not None:
            gap = seen.over(lines.station_mm[k, 1:] / lines.saddle_station_mm[k])[0]
            gap = (gap - crown_top_mm[k])[np.isfinite(crown_top_mm[k])]
        kept.append(seen if len(gap) and float(np.median(gap)) > THROUGH_MM else None)
    return tuple(kept)


def strings_told(
    strings: tuple[StringSeen | None, ...],
    crown_top_mm: FloatArray,
    crown_top_u_mm: FloatArray,
    specification: Specification,
    ends: Ends,
) -> StringsScanned | None:
    """Return actions and places of the strings, nut and saddle; None where nothing is seen."""
    seen_ends = (ends.edge_mm, ends.floor_mm, ends.width_mm, ends.saddle_mm)
    if not any(strings) and not any(np.isfinite(part).any() for part in seen_ends):
        return None
    lines, shape = string_lines(specification), crown_top_mm.shape
    action, action_u = np.full(shape, np.nan), np.full(shape, np.nan)
    # where no string lies in it, a slot tells where one would
    nut, place_u = ends.across_mm[:, 0].copy(), ends.across_mm[:, 1].copy()
    last = np.full(shape[0], np.nan)
    for seen in strings:
        if seen is None:
            continue
        k = seen.string
        nut[k], last[k] = (float(seen.base_mm + seen.run_slope * lines.x_mm[k, j]) for j in (0, -1))
        place_u[k] = seen.place_u_mm
        if not seen.straight:
            continue
        under, under_u = seen.over(lines.station_mm[k, 1:] / lines.saddle_station_mm[k])
        u = np.hypot(under_u, crown_top_u_mm[k])
        known = u < MOST_ACTION_U_MM
        action[k] = np.where(known, under - crown_top_mm[k], np.nan)
        action_u[k] = np.where(known, u, np.nan)
    return StringsScanned(
        action_mm=action,
        action_u_mm=action_u,
        string_nut_mm=nut,
        string_last_mm=last,
        string_u_mm=place_u,
        slot_width_mm=ends.width_mm[:, 0],
        slot_width_u_mm=ends.width_mm[:, 1],
        nut_place_mm=ends.edge_mm,
        nut_place_u_mm=ends.edge_u_mm,
        saddle_place_mm=ends.place_mm[:, 0],
        saddle_place_u_mm=ends.place_mm[:, 1],
    )


def with_string_ends(
    heights: Heights, strings: tuple[StringSeen | None, ...], ends: Ends, *, at_pitch: bool
) -> Heights:
    """Return heights with nut and saddle where strings at pitch run, or as they are seen."""
    height, origin = heights.height_mm.copy(), heights.origin.copy()
    causes, last = Causes.of(heights), height.shape[1] - 1
    for column, name, read in ((0, "nut", ends.floor_mm), (last, "saddle", ends.saddle_mm)):
        for k in np.flatnonzero(np.isfinite(read[:, 0])).tolist():
            if strings[k] is None:  # a string shows where it lies, whatever lies under it
                height[k, column], origin[k, column] = read[k, 0], Origin.READ
                causes.add((name, k), f"{name}-reading", (k, column), float(read[k, 1]))
    for seen in strings:
        if seen is None or not (at_pitch and seen.straight):
            continue
        k = seen.string
        # both ends come from one line: its two independent causes reach either
        roots = np.linalg.cholesky(seen.covariance_mm2[:2, :2])
        for end, column in enumerate((0, last)):
            height[k, column], origin[k, column] = seen.underside_mm[end], Origin.READ
            causes.add(("gauge", k), "string-gauge", (k, column), seen.thickness_u_mm)
            for part in range(2):
                effect = float(roots[end, part])
                causes.add(("line", k, part), "string-reading", (k, column), effect)
    return causes.heights(height, origin)


def string_cells(
    gathered: Gathered, specification: Specification, lines_seen: tuple[StringSeen | None, ...]
) -> tuple[list[int], BoolArray]:
    """Return which strings (from 0) a scan shows, and their cells, shape (columns, rows)."""
    grid, lines = gathered.grid, string_lines(specification)
    shape = (grid.columns, grid.rows)
    high, low = (c.reshape(shape) for c in (gathered.cells.high_count, gathered.cells.count))
    taken = np.zeros(shape, dtype=bool)
    found = []
    # where much of the board stands high no string is told by what stands high
    on = ~grid.off_board.reshape(shape) & (high + low > 0.0)
    uneven = float((high > LEAST_SHARE * (high + low))[on].mean()) if on.any() else 0.0
    space = np.searchsorted(lines.x_mm[:, 1:].mean(axis=0), grid.x_mm)
    on_board = (grid.x_mm > 1.0) & (grid.x_mm < float(lines.x_mm[:, -1].max()))
    for k, string in enumerate(specification.strings):
        seen = lines_seen[k]
        middle = lines.y_mm[k, 0] + lines.run_slope[k] * (grid.x_mm - lines.x_mm[k, 0])
        if seen is not None:
            middle = seen.base_mm + seen.run_slope * grid.x_mm
        reach = BESIDE_MM + 0.5 * string.gauge_mm
        near = np.abs(grid.y_mm[None, :] - middle[:, None]) < reach
        here = near & (high >= 2.0) & (high > LEAST_SHARE * (high + low))
        columns = here.any(axis=1) & on_board
        long = float(columns.sum()) * CELL_MM
        spaces = len(np.unique(space[columns]))
        told = uneven < MOST_UNEVEN and long >= LEAST_LONG_MM and spaces >= LEAST_SPACES
        if seen is not None or told:
            found.append(k)
            taken |= near
    return found, taken
