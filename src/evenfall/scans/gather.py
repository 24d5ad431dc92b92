"""One pass over every point: crowns are kept, the board is averaged cell by cell.

Only the points on crowns (about one in eight) outlive the pass, in single precision about a smooth
guess of the crown line; of the board there remain a few sums per square millimetre. So memory stays
well under the scan's own size, however many points there are.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, IntArray
from evenfall.errors import Progress, silent
from evenfall.instrument import Specification, string_lines
from evenfall.scans.fret_comb import FretLines, nominal_lines
from evenfall.scans.surface import pieces

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from evenfall.scans.orientation import Located


CELL_MM = 1.0
"""Size of the cells in which the board is averaged."""

FOOT_MM = 0.35
"""Beside a crown this much is neither crown nor board: glue, a chipped slot, a scanner's edge."""

BAND_MM = 4.0
"""Half length of the bands whose cross curves make the guess of the board."""

CLIP_MM = 0.15
"""A point further than this from the guess of the board is no board: dirt, a dot, a wild point."""

DEEP_MM = 3.0
"""Points this far from the guess are wild or lie under the board; they count as nothing."""

STRINGS_MM = 12.0
"""Strings lie lower over the board than this; above half a crown little else lies beside frets."""

NUT_REACH_MM = 4.0
"""Points so far before and behind the start of the scale may show the nut."""

SADDLE_MM, SADDLE_HIGH_MM = 10.0, 60.0
"""Points so far before and behind the saddles' places, and no higher, may show the saddle."""

UNDER_MM = 5.0
"""No part of a board lies as far under its middle height, radius and relief included."""

NUT_MM = 0.3
"""Points closer to the nut than this may be nut."""

RUN_POINTS = 1 << 19
"""Points that one thread takes at a time; a pass that is stopped ends after these."""

CREST_DEGREE = 4
"""Degree of the guess of a crown line across the board."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Cells over the board."""

    low_x_mm: float  # corner of the first cell [mm]
    low_y_mm: float
    columns: int  # cells along and across the neck
    rows: int
    # fret (from 0) whose crown may reach into the cell, -1 for none, shape (columns * rows,)
    fret_index: NDArray[np.int16]
    # whether a cell lies before the nut or beside the board, shape (columns * rows,)
    off_board: BoolArray

    @property
    def x_mm(self) -> FloatArray:
        """Middles of the columns [mm], shape (columns,)."""
        return np.asarray(self.low_x_mm + (np.arange(self.columns) + 0.5) * CELL_MM)

    @property
    def y_mm(self) -> FloatArray:
        """Middles of the rows [mm], shape (rows,)."""
        return np.asarray(self.low_y_mm + (np.arange(self.rows) + 0.5) * CELL_MM)


@dataclass(frozen=True, slots=True)
class CrownPoints:
    """The points on one crown."""

    # distance from the fret's line in plan, towards the bridge [mm], shape (N,), float32
    across_mm: NDArray[np.float32]
    # place along the fret from the centre line, towards the treble side [mm], shape (N,), float32
    along_mm: NDArray[np.float32]
    # height over the guess of the crown line [mm], shape (N,), float32
    over_guess_mm: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class CellSums:
    """Sums over the points of each cell, relative to the guess of the board."""

    count: FloatArray  # points on the board and points standing over it, shape (cells,)
    high_count: FloatArray
    sum_mm: FloatArray  # sums of height over guess of either [mm], shape (cells,)
    high_mm: FloatArray
    square_mm2: FloatArray  # sums of squares of the board's [mm²], shape (cells,)

    @property
    def scatter_mm(self) -> float:
        """Standard deviation of single points of the board about their cells' means [mm].

        Wild points that no clip could tell from the board are in the means, and so in this.
        """
        many = self.count > 1.0
        count = self.count[many]
        about = self.square_mm2[many] - self.sum_mm[many] ** 2 / count
        return float(np.sqrt(max(0.0, float(about.sum())) / max(1.0, float((count - 1.0).sum()))))


@dataclass(frozen=True, slots=True)
class Gathered:
    """What is left of a scan after the pass."""

    grid: Grid  # cells that sums refer to
    # cross curves of the board along the neck, over which sums are taken: in each column of cells
    # z = c0 + c1 y + c2 y² + c3 (x - x of the column's middle), shape (4, columns)
    board_coefficients: FloatArray
    # polynomials of the crown lines, highest power first, shape (F, CREST_DEGREE + 1)
    crest_coefficients: FloatArray
    crowns: tuple[CrownPoints | None, ...]  # points of each crown; None where no fret was found
    cells: CellSums  # sums over the board
    # points that stand over the board between the frets: strings, dirt; shape (N, 3), float32
    raised_mm: NDArray[np.float32]
    # points about the nut's edge: x, y, z and height over the board, shape (N, 4), float32
    nut_mm: NDArray[np.float32]
    # points about the saddle, shape (N, 3), float32
    saddle_mm: NDArray[np.float32]
    point_count: int  # finite points seen


def gather(
    located: Located, specification: Specification, *, workers: int = 2, progress: Progress = silent
) -> Gathered:
    """Return the crowns' points and the board's cells."""
    lines = located.orientation.fret_lines
    half_crown = 0.5 * specification.fretwire.crown_width_mm
    grid = _grid(located, specification, lines, half_crown)
    guess = _board_guess(located.sample_mm, grid, lines, half_crown)
    crests = _crest_guess(located.sample_mm, lines, half_crown)
    task = _Pass(
        located,
        grid,
        guess,
        crests,
        lines,
        half_crown,
        raised=0.5 * specification.fretwire.crown_height_mm,
        nut_line=nut_line(specification),
        saddle_mm=saddle_box(specification),
    )
    count = located.surface.count
    starts = range(0, count, RUN_POINTS)
    ends = [min(start + RUN_POINTS, count) for start in starts]
    total = _Taken.empty(grid)
    pool = ThreadPoolExecutor(max(1, min(workers, len(starts))))
    try:
        for end, part in zip(ends, pool.map(task.run, starts, ends), strict=True):
            total.add(part)
            progress("Gathering the crowns", end / count)
    finally:
        pool.shutdown(cancel_futures=True)
    return task.joined(total)


def _grid(
    located: Located, specification: Specification, lines: FretLines, half_crown: float
) -> Grid:
    """Return the cells over the board and what lies in each."""
    board = specification.board
    sample = located.sample_mm
    last = float(np.nanmax(lines.base_mm))
    tip = 0.5 * float(np.nanmax(np.abs(lines.lean_slope))) * board.width_last_mm
    low_x = max(float(sample[:, 0].min()), -5.0 - tip)
    high_x = min(float(sample[:, 0].max()), last + 15.0 + tip)
    half = 0.5 * max(board.width_nut_mm, board.width_last_mm) + 2.0
    columns, rows = int((high_x - low_x) / CELL_MM) + 1, int(2.0 * half / CELL_MM) + 1
    x: FloatArray = np.asarray(low_x + (np.arange(columns)[:, None] + 0.5) * CELL_MM)
    y: FloatArray = np.asarray(-half + (np.arange(rows)[None, :] + 0.5) * CELL_MM)
    fret = np.full((columns, rows), -1, dtype=np.int16)
    reach = half_crown + FOOT_MM + 0.71 * CELL_MM
    for j in np.flatnonzero(np.isfinite(lines.base_mm)).tolist():
        fret[np.abs(lines.off_mm(j, x, y)) < reach] = j
    nut = nut_line(specification)
    wide = board.width_nut_mm + (board.width_last_mm - board.width_nut_mm) * x / last
    off_board = (x - nut[0] - nut[1] * y < NUT_MM + 0.5 * CELL_MM) | (
        np.abs(y) > 0.5 * wide + EDGE_ALLOWANCE_MM
    )
    return Grid(low_x, -half, columns, rows, fret.reshape(-1), off_board.reshape(-1))


EDGE_ALLOWANCE_MM = 1.0
"""A board may be this much wider on each side than specified."""


def nut_line(specification: Specification) -> tuple[float, float]:
    """Return base and lean of the nut's edge in plan, x = base + lean y."""
    edge = nominal_lines(string_lines(specification), [0])
    return float(edge.base_mm[0]), float(edge.lean_slope[0])


def nearest_fret(x_mm: FloatArray, y_mm: FloatArray, lines: FretLines) -> FloatArray:
    """Return how far places lie from the line of the nearest fret [mm]."""
    nearest = np.full(len(x_mm), np.inf)
    for j in np.flatnonzero(np.isfinite(lines.base_mm)).tolist():
        nearest = np.minimum(nearest, np.abs(lines.off_mm(j, x_mm, y_mm)))
    return nearest


def _board_guess(sample: FloatArray, grid: Grid, lines: FretLines, half_crown: float) -> FloatArray:
    """Return robust cross curves of the board from the sample points."""
    x, y, z = sample.T
    column = ((x - grid.low_x_mm) / CELL_MM).astype(np.intp)
    row = ((y - grid.low_y_mm) / CELL_MM).astype(np.intp)
    inside = (column >= 0) & (column < grid.columns) & (row >= 0) & (row < grid.rows)
    inside &= x >= grid.low_x_mm
    inside[inside] &= ~grid.off_board[column[inside] * grid.rows + row[inside]]
    x, y, z, column = x[inside], y[inside], z[inside], column[inside]
    clear = nearest_fret(x, y, lines) > half_crown + FOOT_MM
    # a body or a neck past the board's end is no board, which itself may slope: of an instrument
    # that lies on its body by millimetres
    between = np.flatnonzero(clear & (x > 0.0) & (x < np.nanmax(lines.base_mm)))
    if len(between) > 2:
        third = np.quantile(x[between], [1 / 3, 2 / 3])
        sides = between[x[between] <= third[0]], between[x[between] >= third[1]]
        (x0, z0), (x1, z1) = (np.median([x[side], z[side]], axis=1) for side in sides)
        if x1 > x0:
            clear &= z > z0 + (x - x0) * (z1 - z0) / (x1 - x0) - UNDER_MM
    x, y, z, column = x[clear], y[clear], z[clear], column[clear]
    powers = [np.ones_like(y), y, y**2, y**3, y**4]
    weight = np.ones_like(y)
    curve = np.zeros((4, grid.columns))
    offset = np.arange(-round(BAND_MM / CELL_MM), round(BAND_MM / CELL_MM) + 1) * CELL_MM
    for limit in (3.0, 1.0, 0.4, CLIP_MM, CLIP_MM, CLIP_MM):
        sums = [np.bincount(column, weight * p, grid.columns) for p in powers]
        rights = [np.bincount(column, weight * z * p, grid.columns) for p in powers[:3]]
        matrix = np.empty((grid.columns, 4, 4))
        right = np.empty((grid.columns, 4))
        for p in range(3):
            for q in range(3):
                matrix[:, p, q] = _window(sums[p + q], offset**0)
            matrix[:, p, 3] = matrix[:, 3, p] = _window(sums[p], offset)
            right[:, p] = _window(rights[p], offset**0)
        matrix[:, 3, 3] = _window(sums[0], offset**2)
        right[:, 3] = _window(rights[0], offset)
        # hardly any points: hold the curve flat instead of letting it fly off
        matrix += np.diag([1e-9, 1e-3, 1e1, 1e0])
        curve = np.ascontiguousarray(np.linalg.solve(matrix, right[..., None])[..., 0].T)
        filled = np.flatnonzero(matrix[:, 0, 0] > 10.0)
        if not len(filled):
            return np.zeros((4, grid.columns))
        for part in curve:
            part[:] = np.interp(np.arange(grid.columns), filled, part[filled])
        residual = z - curve[0][column] - y * (curve[1][column] + y * curve[2][column])
        residual -= curve[3][column] * (x - grid.x_mm[column])
        share = np.minimum(np.abs(residual) / limit, 1.0)
        weight = (1.0 - share**2) ** 2
    return curve


def _window(values: NDArray[Any], kernel: NDArray[Any]) -> FloatArray:
    """Return the sums over a running window of values times a function of their place in it."""
    return np.asarray(np.correlate(np.pad(values, len(kernel) // 2), kernel, mode="valid"))


def _crest_guess(sample: FloatArray, lines: FretLines, half_crown: float) -> FloatArray:
    """Return a robust polynomial of each crown's top along its fret."""
    frets = len(lines.base_mm)
    crests = np.zeros((frets, CREST_DEGREE + 1))
    for j in np.flatnonzero(np.isfinite(lines.base_mm)).tolist():
        off = lines.off_mm(j, sample[:, 0], sample[:, 1])
        top = np.flatnonzero(np.abs(off) < 0.3 * half_crown)
        z = sample[top, 2]
        along = (
            lines.lean_slope[j] * (sample[top, 0] - lines.base_mm[j]) + sample[top, 1]
        ) * lines.cosine[j]
        if len(z) < 4 * (CREST_DEGREE + 1):
            crests[j, -1] = np.median(z) if len(z) else 0.0
            continue
        scale = float(np.abs(along).max())
        design = np.vander(along / scale, CREST_DEGREE + 1)
        weight = (np.abs(z - np.median(z)) < 2.0).astype(float)
        for limit in (1.0, 0.3, 0.15, 0.1, 0.1):
            fit = np.linalg.lstsq(design * weight[:, None], z * weight, rcond=None)[0]
            share = np.minimum(np.abs(z - design @ fit) / limit, 1.0)
            weight = 1.0 - share**2
        crests[j] = fit / scale ** np.arange(CREST_DEGREE, -1, -1)
    return crests


def saddle_box(specification: Specification) -> FloatArray:
    """Return the corners in plan of what may be saddle [mm], shape (2, 2)."""
    lines = string_lines(specification)
    x, y = lines.saddle_x_mm, lines.saddle_y_mm
    return np.array(
        [
            [float(x.min()) - SADDLE_MM, float(y.min()) - 2.0],
            [float(x.max()) + SADDLE_MM, float(y.max()) + 2.0],
        ]
    )


@dataclass(slots=True)
class _Taken:
    """What is kept of the points so far."""

    sums: FloatArray  # over cells, shape (5, cells + 1)
    crowns: list[list[NDArray[Any]]]
    raised: list[NDArray[np.float32]]
    nut: list[NDArray[np.float32]]
    saddle: list[NDArray[np.float32]]
    count: int  # finite points

    @staticmethod
    def empty(grid: Grid) -> _Taken:
        """Return nothing yet."""
        return _Taken(np.zeros((5, grid.columns * grid.rows + 1)), [], [], [], [], 0)

    def add(self, other: _Taken) -> None:
        """Add what another run of points gave."""
        self.sums += other.sums
        self.crowns += other.crowns
        self.raised += other.raised
        self.nut += other.nut
        self.saddle += other.saddle
        self.count += other.count


@dataclass(frozen=True, slots=True)
class _Pass:
    """What every piece of points goes through."""

    located: Located
    grid: Grid
    guess: FloatArray
    crests: FloatArray
    lines: FretLines
    half_crown: float
    raised: float  # what stands higher over the board between frets may be a string [mm]
    nut_line: tuple[float, float]
    saddle_mm: FloatArray

    def run(self, low: int, high: int) -> _Taken:
        """Return what is kept of a run of points."""
        orientation, taken = self.located.orientation, _Taken.empty(self.grid)
        turn = orientation.axes * orientation.factor_mm
        shift = orientation.origin_mm[:, None]
        with np.errstate(over="ignore", invalid="ignore"):  # missing and mad coordinates
            for piece in pieces(self.located.surface, low, high):
                self._take(turn @ piece - shift, taken)
        return taken

    def _take(self, place: FloatArray, taken: _Taken) -> None:
        """Add a piece of points in the neck's frame."""
        grid = self.grid
        x, y, z = place
        fx = (x - grid.low_x_mm) * (1.0 / CELL_MM)
        fy = (y - grid.low_y_mm) * (1.0 / CELL_MM)
        # comparisons with NaN are false, so missing points fall out here
        inside = (fx >= 0.0) & (fx < grid.columns) & (fy >= 0.0) & (fy < grid.rows)
        inside &= np.isfinite(z)
        taken.count += int(np.count_nonzero(np.isfinite(x) & np.isfinite(z)))
        self._take_saddle(place, taken)
        if not inside.all():
            x, y, z, fx, fy = x[inside], y[inside], z[inside], fx[inside], fy[inside]
        column = fx.astype(np.int32)
        row = fy.astype(np.int32)
        cell = column * grid.rows + row
        over = z - self.guess[0][column]
        over -= y * (self.guess[1][column] + y * self.guess[2][column])
        fx -= column
        fx -= 0.5
        over -= self.guess[3][column] * (CELL_MM * fx)
        fret = grid.fret_index[cell]
        near = np.flatnonzero(fret >= 0)
        board = ~grid.off_board[cell]
        if len(near):
            crown, beside = self._crown(x[near], y[near], z[near], fret[near])
            taken.crowns.append(crown)
            board[near[~beside]] = False
        high = self._add(taken.sums, cell, over, board)
        high = high[(over[high] > self.raised) & (over[high] < STRINGS_MM)]
        if len(high):
            taken.raised.append(np.column_stack([x[high], y[high], z[high]]).astype(np.float32))
        base, lean = self.nut_line
        reach = base + NUT_REACH_MM + abs(lean) * float(np.abs(grid.y_mm).max()) - grid.low_x_mm
        near = np.flatnonzero(column < reach)
        if len(near):
            near = near[np.abs(x[near] - base - lean * y[near]) < NUT_REACH_MM]
            near = near[np.abs(over[near]) < STRINGS_MM]
            rows = np.column_stack([part[near] for part in (x, y, z, over)])
            taken.nut.append(rows.astype(np.float32))

    def _take_saddle(self, place: FloatArray, taken: _Taken) -> None:
        """Keep the points about the saddle."""
        low, high = self.saddle_mm
        far = np.flatnonzero(place[0] > low[0])
        if len(far):
            x, y, z = place[:, far]
            inside = (x < high[0]) & (y > low[1]) & (y < high[1]) & (np.abs(z) < SADDLE_HIGH_MM)
            taken.saddle.append(np.column_stack([x, y, z])[inside].astype(np.float32))

    def _crown(
        self, x: FloatArray, y: FloatArray, z: FloatArray, fret: NDArray[np.int16]
    ) -> tuple[list[NDArray[Any]], BoolArray]:
        """Return the points on crowns, and which points lie clear beside them."""
        lines = self.lines
        dx = x - lines.base_mm[fret]
        lean = lines.lean_slope[fret]
        across = (dx - lean * y) * lines.cosine[fret]
        beside = np.abs(across) > self.half_crown + FOOT_MM
        on = np.abs(across) < self.half_crown
        fret, across = fret[on], across[on]
        along = (lean[on] * dx[on] + y[on]) * lines.cosine[fret]
        guess = self.crests[fret, 0]
        for power in range(1, CREST_DEGREE + 1):
            guess = guess * along + self.crests[fret, power]
        over = z[on] - guess
        kept = np.abs(over) < DEEP_MM
        parts = [across[kept], along[kept], over[kept]]
        return [*(p.astype(np.float32) for p in parts), fret[kept]], beside

    @staticmethod
    def _add(
        sums: FloatArray,
        cell: NDArray[np.int32],
        over: FloatArray,
        board: BoolArray,
    ) -> IntArray:
        """Add the points of a piece to the cells; return those that stand over the board."""
        size = sums.shape[1]
        low = board & (np.abs(over) < CLIP_MM)
        at, height = np.where(low, cell, size - 1), np.where(low, over, 0.0)
        sums[0] += np.bincount(at, minlength=size)
        sums[1] += np.bincount(at, height, size)
        sums[4] += np.bincount(at, height * height, size)
        standing = np.flatnonzero(board & (over >= CLIP_MM))
        high = standing[over[standing] < DEEP_MM]
        if len(high):
            sums[2] += np.bincount(cell[high], minlength=size)
            sums[3] += np.bincount(cell[high], over[high], size)
        return standing

    def joined(self, taken: _Taken) -> Gathered:
        """Return the runs put together."""
        total, pieces = taken.sums[:, :-1], taken.crowns
        fret = [piece[3] for piece in pieces]
        index = np.concatenate(fret) if fret else np.zeros(0, dtype=np.int16)
        order = np.argsort(index, kind="stable")
        ends = np.searchsorted(index[order], np.arange(len(self.lines.base_mm) + 1))
        columns = []
        for part_index in range(3):
            whole = [piece[part_index] for piece in pieces]
            joined = np.concatenate(whole) if whole else np.zeros(0, dtype=np.float32)
            columns.append(joined[order])
        crowns = tuple(
            CrownPoints(*(c[start:end] for c in columns)) if end > start else None
            for start, end in pairwise(ends.tolist())
        )
        cells = CellSums(total[0], total[2], total[1], total[3], total[4])
        return Gathered(
            self.grid,
            self.guess,
            self.crests,
            crowns,
            cells,
            _stacked(taken.raised, 3),
            _stacked(taken.nut, 4),
            _stacked(taken.saddle, 3),
            taken.count,
        )


def _stacked(rows: list[NDArray[np.float32]], wide: int) -> NDArray[np.float32]:
    """Return rows put together, none of them too."""
    return np.concatenate(rows) if rows else np.zeros((0, wide), dtype=np.float32)
