"""The board between the frets: a height for every square millimetre, and its shape along the neck.

Nothing smooth is fitted over the whole: a cell holds the mean of its own points, so a hump, a
rising end or a dip stays where it is. Only beside a crown is the board continued, straight, to the
fret's line, so that the crown's height over it can be told on each side.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray, IntArray
from evenfall.scans.arcs import NORMAL_MAD
from evenfall.scans.gather import CELL_MM, FOOT_MM
from evenfall.scans.laid_flat import median_along

if TYPE_CHECKING:
    from evenfall.scans.fret_comb import FretLines
    from evenfall.scans.gather import Gathered


LEAST_CELL_POINTS = 3
"""A cell with fewer points is a hole."""

BESIDE_MM = 6.0
"""The board beside a crown is taken up to this far from it, or to the next one."""

ALONG_MM = 3.0
"""And this far to each side along the fret."""

GLUE_MM = 0.9
"""So far from a crown's foot glue and dirt may lie."""

ARCH_DEGREES = (6, 3, 3)
"""Degrees of the smooth lines that bow, slope across and bend across follow along the board."""

LEAST_COLUMNS = 30
"""Fewer columns say nothing of what a column's points err by together."""

LEAST_CELLS = 6
"""Fewer cells than this make no plane beside a crown."""

STATION_MM = 5.0
"""Step of the board's shape along the neck."""

FLATTEST_RADIUS_MM = 10_000.0
"""A radius larger than this is told as flat."""


@dataclass(frozen=True, slots=True)
class Board:
    """The board's heights over the datum, in cells, and its shape along the neck."""

    x_mm: FloatArray  # middles of the cells' columns and rows [mm], shapes (X,) and (Y,)
    y_mm: FloatArray
    # mean height of each cell [mm], NaN where nothing was measured, shape (X, Y)
    height_mm: FloatArray
    point_count: IntArray  # points in each cell, shape (X, Y)
    noise_mm: float  # standard deviation of single points about their cell [mm]
    station_mm: FloatArray  # stations along the neck [mm], shape (S,)
    # height of the board on the centre line and its standard uncertainty [mm], shape (S,)
    crest_mm: FloatArray
    crest_u_mm: FloatArray
    # slope across the board at the centre line [rad], shape (S,); its change along the neck is the
    # neck's twist
    roll_rad: FloatArray
    # radius across the board and its standard uncertainty [mm], infinite where flat, shape (S,)
    radius_mm: FloatArray
    radius_u_mm: FloatArray

    def over_plane(self, offset_mm: float, along_slope: float, across_slope: float) -> Board:
        """Return the same board over another datum: z - offset - slopes times x and y."""
        plane = offset_mm + along_slope * self.x_mm[:, None] + across_slope * self.y_mm[None, :]
        return replace(
            self,
            height_mm=self.height_mm - plane,
            crest_mm=self.crest_mm - offset_mm - along_slope * self.station_mm,
            roll_rad=self.roll_rad - across_slope,
        )


@dataclass(frozen=True, slots=True)
class SideHeights:
    """The board continued to N places on one fret's line, from the nut's side and the bridge's."""

    # height of the board and its standard uncertainty [mm], NaN where it is not seen, shape (2, N):
    # nut's side, bridge's side
    height_mm: FloatArray
    u_mm: FloatArray

    def mean(self) -> tuple[FloatArray, FloatArray]:
        """Return height and standard uncertainty under the fret: the mean of both sides.

        Where one side alone is seen it stands for both.
        """
        seen = np.isfinite(self.height_mm)
        many = seen.sum(axis=0)
        share = np.where(many > 0, many, 1)
        blank = np.where(many > 0, 1.0, np.nan)
        height = np.where(seen, self.height_mm, 0.0).sum(axis=0) / share * blank
        u = np.sqrt(np.where(seen, self.u_mm**2, 0.0).sum(axis=0)) / share * blank
        return height, u


class BoardCells:
    """Cells of a gathered scan, for looking up the board beside a crown."""

    def __init__(self, gathered: Gathered, lines: FretLines, crown_width_mm: float) -> None:
        grid, cells = gathered.grid, gathered.cells
        shape = (grid.columns, grid.rows)
        count = cells.count.reshape(shape)
        full = count >= LEAST_CELL_POINTS
        over = cells.sum_mm.reshape(shape) / np.where(full, count, 1.0)
        self.lines, self.half_crown = lines, 0.5 * crown_width_mm
        self.grid, self.count = grid, np.where(full, count, 0.0)
        self.x, self.y = np.meshgrid(grid.x_mm, grid.y_mm, indexing="ij")
        curve = gathered.board_coefficients
        self.over = np.where(full, over, np.nan)
        self.arch = _arch(curve, self.grid.x_mm, np.where(full, count, 0.0).sum(axis=1))
        guess = curve[0][:, None] + self.y * (curve[1][:, None] + self.y * curve[2][:, None])
        self.height = np.where(full, guess + over, np.nan)
        self.noise = cells.scatter_mm
        self.profile_u = _profile_u(self.over, self.count, self.noise)

    def beside(self, fret: int, along_mm: FloatArray) -> SideHeights:
        """Return the board beside one fret, continued to places on its line.

        On each side a plane is fitted, by least squares, to the cells up to the next crown and
        no further than 6 mm away, after the radius across the board is taken off.
        """
        base, lean = self.lines.base_mm[fret], self.lines.lean_slope[fret]
        cosine = self.lines.cosine[fret]
        heights = np.full((2, len(along_mm)), np.nan)
        u = np.full((2, len(along_mm)), np.nan)
        reach = BESIDE_MM + self.half_crown + FOOT_MM
        tip = abs(lean) * float(np.max(np.abs(self.grid.y_mm)))
        low = int(
            np.clip((base - reach - tip - self.grid.low_x_mm) / CELL_MM, 0, self.grid.columns)
        )
        high = int(
            np.clip((base + reach + tip - self.grid.low_x_mm) / CELL_MM + 1, 0, self.grid.columns)
        )
        count = self.count[low:high].ravel()
        full = np.flatnonzero(count > 0.0)
        x, y = self.x[low:high].ravel()[full], self.y[low:high].ravel()[full]
        z, count = self.height[low:high].ravel()[full] - self._arch_at(x, y), count[full]
        across = self.lines.off_mm(fret, x, y)
        along = (lean * (x - base) + y) * cosine
        limits = self._limits(fret)
        order = np.argsort(along)
        across, along, z, count = across[order], along[order], z[order], count[order]
        for side, sign in enumerate((-1.0, 1.0)):
            off = sign * across
            here = np.flatnonzero((off > self.half_crown) & (off < limits[side]))
            start, end = np.searchsorted(along[here], np.add.outer((-ALONG_MM, ALONG_MM), along_mm))
            cell = start[:, None] + np.arange(np.max(end - start, initial=0))
            real = cell < end[:, None]
            used = here[np.minimum(cell, len(here) - 1)] if len(here) else cell
            heights[side], own_u = _planes(
                across[used],
                along[used] - along_mm[:, None],
                z[used],
                np.where(real, count[used], 0.0),
                noise=self.noise,
                foot_mm=self.half_crown + FOOT_MM + GLUE_MM,
            )
            u[side] = np.hypot(own_u, self.profile_u * _reach(off[here]))
        arch = self._arch_at(base + lean * cosine * along_mm, cosine * along_mm)
        return SideHeights(heights + arch, u)

    def _arch_at(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Return the arch of the board at places, shape (N,)."""
        c0, c1, c2 = (part(x) for part in self.arch)
        return np.asarray(c0 + y * (c1 + y * c2))

    def _limits(self, fret: int) -> tuple[float, float]:
        """Return how far from a fret's line the board may be taken on either side."""
        base = self.lines.base_mm
        found = np.flatnonzero(np.isfinite(base))
        before = found[found < fret]
        after = found[found > fret]
        clear = self.half_crown + FOOT_MM
        most = BESIDE_MM + clear
        # fanned frets close in towards one side: three quarters of the gap stay clear of the next
        left = base[fret] - base[before[-1]] if len(before) else np.inf
        right = base[after[0]] - base[fret] if len(after) else np.inf
        return (
            float(min(most, max(left - clear, 0.5 * left))),
            float(min(most, max(right - clear, 0.5 * right))),
        )

    def board(self) -> Board:
        """Return the cells and the board's shape along the neck."""
        first, last = float(self.grid.x_mm[0]), float(self.grid.x_mm[-1])
        stations = np.arange(max(first, 0.0) + 1.0, last, STATION_MM)
        rows = [self._cross_section(station) for station in stations]
        kept = [i for i, row in enumerate(rows) if row is not None]
        table = np.array([row for row in rows if row is not None]).reshape(-1, 5)
        crest, crest_u, roll, curvature, curvature_u = table.T
        flat = np.abs(curvature) < np.maximum(1.0 / FLATTEST_RADIUS_MM, 3.0 * curvature_u)
        with np.errstate(divide="ignore", invalid="ignore"):
            radius = np.where(flat, np.inf, -1.0 / curvature)
            radius_u = np.where(flat, np.inf, curvature_u / curvature**2)
        return Board(
            self.grid.x_mm,
            self.grid.y_mm,
            self.height,
            self.count.astype(np.int64),
            self.noise,
            stations[kept],
            crest,
            crest_u,
            roll,
            radius,
            radius_u,
        )

    def _cross_section(self, station: float) -> tuple[float, float, float, float, float] | None:
        """Return crest, its u, slope across, curvature and its u of the board about a station."""
        columns = np.flatnonzero(np.abs(self.grid.x_mm - station) < STATION_MM)
        count = self.count[columns].ravel()
        full = count > 0.0
        if int(full.sum()) < 30:
            return None
        x, y = self.x[columns].ravel()[full], self.y[columns].ravel()[full]
        z, weight = self.height[columns].ravel()[full], np.minimum(count[full], 400.0)
        if np.ptp(y) < 10.0 or np.ptp(x) < 2.0:
            return None
        design = np.column_stack([np.ones_like(y), y, -0.5 * y**2, x - station])
        kept = np.ones(len(y), dtype=bool)
        curvature = 0.0
        for _ in range(4):
            # the next term of the circle, R - sqrt(R² - y²) = y²/2R + y⁴/8R³, from the last round
            target = z + curvature**3 * y**4 / 8.0
            root = np.sqrt(weight[kept])
            fit = np.linalg.lstsq(design[kept] * root[:, None], target[kept] * root, rcond=None)[0]
            curvature = -float(-fit[2])
            off = np.abs(target - design @ fit)
            kept = off <= max(0.01, 4.0 * float(np.median(off)))
        matrix = np.linalg.inv((design[kept] * weight[kept, None]).T @ design[kept])
        freedom = max(1, int(kept.sum()) - 4)
        variance = float(np.sum(weight[kept] * off[kept] ** 2)) / freedom
        return (
            float(fit[0]),
            float(np.sqrt(variance * matrix[0, 0])),
            float(fit[1]),
            -curvature,
            float(np.sqrt(variance * matrix[2, 2])),
        )


def _arch(curve: FloatArray, x: FloatArray, count: FloatArray) -> list[np.polynomial.Polynomial]:
    """Return bow, slope and bend across of the whole board as smooth lines along it.

    A plane beside a crown is drawn on straight to it; about this arch it is, and a board's bow and
    arch do not count as height.
    """
    used = count > 0.3 * np.median(count[count > 0.0]) if (count > 0.0).any() else count > 0.0
    arch = []
    for part, degree in zip(curve[:3], ARCH_DEGREES, strict=True):
        if int(used.sum()) < 10 * degree:
            arch.append(np.polynomial.Polynomial([float(np.median(part))]))
            continue
        weight = np.ones(int(used.sum()))
        for _ in range(5):
            fit = np.polynomial.Polynomial.fit(x[used], part[used], degree, w=weight)
            off = np.abs(part[used] - fit(x[used]))
            limit = max(1e-9, 4.0 * NORMAL_MAD * float(np.median(off)))
            weight = np.maximum(1.0 - np.minimum(off / limit, 1.0) ** 2, 1e-3)
        arch.append(fit)
    return arch


def _profile_u(over: FloatArray, count: FloatArray, noise: float) -> float:
    """Return what the points of one column of cells err by together [mm]: a sensor's own profiles.

    It shows where a column stands off its two neighbours by more than its points explain.
    """
    points = count.sum(axis=1)
    mean = np.nansum(np.where(count > 0.0, over, 0.0) * count, axis=1) / np.maximum(points, 1.0)
    full = points > 0.5 * np.median(points)
    three = full[:-2] & full[1:-1] & full[2:]
    if int(three.sum()) < LEAST_COLUMNS:
        return 0.0
    bend = (mean[:-2] - 2.0 * mean[1:-1] + mean[2:])[three]
    few = 1.0 / np.maximum(points, 1.0)
    own = noise**2 * (few[:-2] + 4.0 * few[1:-1] + few[2:])[three]
    seen = (NORMAL_MAD * float(np.median(np.abs(bend)))) ** 2
    expected = float(np.median(own))
    return float(np.sqrt((seen - expected) / 6.0)) if seen > 2.0 * expected else 0.0


def _reach(off: FloatArray) -> float:
    """Return the uncertainty of a line through columns at these distances, at 0, over one's own."""
    columns = np.unique(np.round(off / CELL_MM))
    if len(columns) < 2:
        return 1.0
    middle = float(columns.mean())
    return float(np.sqrt(1.0 / len(columns) + middle**2 / np.sum((columns - middle) ** 2)))


def _planes(
    across: FloatArray,
    along: FloatArray,
    z: FloatArray,
    count: FloatArray,
    *,
    noise: float,
    foot_mm: float,
) -> tuple[FloatArray, FloatArray]:
    """Return height and standard uncertainty of planes at their origins.

    Cells nearer than the foot may carry glue: they hardly count at first, and if they fit, fully.
    Each row of the arrays, shape (N, M), is the cells of one plane; a cell of no points is none.
    NaN for a plane whose cells are too few or too close together.
    """
    real = count > 0.0
    fits = real.sum(axis=1) >= LEAST_CELLS
    for place, least_mm in ((across, CELL_MM), (along, 2.0 * CELL_MM)):
        high = np.max(place, axis=1, where=real, initial=-np.inf)
        fits &= high - np.min(place, axis=1, where=real, initial=np.inf) >= least_mm
    real, across, along, z, count = (a[fits] for a in (real, across, along, z, count))
    design = np.stack([np.ones_like(z), across, along])
    weight = np.where(np.abs(across) < foot_mm, 0.05 * count, count)
    for _ in range(2):
        weighted = weight * design
        matrix = np.einsum("pnm,qnm->npq", weighted, design, optimize=True)
        fit = np.linalg.solve(matrix, np.einsum("pnm,nm->np", weighted, z)[..., None])[..., 0]
        residual = z - np.einsum("np,pnm->nm", fit, design)
        off = np.abs(residual) * np.sqrt(count)
        middle = median_along(np.where(real, off, np.nan))
        limit = 4.0 * np.maximum(NORMAL_MAD * middle, noise)
        weight = np.where(off < limit[:, None], count, 1e-6 * count)
    freedom = np.maximum(1, real.sum(axis=1) - 3)
    # the larger of what the points' scatter and what the cells' scatter says
    variance = np.maximum(noise**2, np.sum(weight * residual**2, axis=1) / freedom)
    made = np.full((2, len(fits)), np.nan)
    made[:, fits] = fit[:, 0], np.sqrt(variance * np.linalg.inv(matrix)[:, 0, 0])
    return made[0], made[1]
