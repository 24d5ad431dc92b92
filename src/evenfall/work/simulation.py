"""Cuts a program virtually: fine heights along each crown and on the board, and what is left.

Each fret and the board around it is a patch of columns, along the crown and across it. A move takes
from every column what the swept cutter goes under there, worked out in closed form for the column's
own place: nothing is interpolated, so at a crossing the simulated height is that of the program.
Every column remembers the line of the program that last cut it.

The heights of the columns are the lowest that any place of a move reaches: for a round of radius R
whose lowest point runs along a line of slope m, the lowest height at a distance aside is that of
the circle of radius h = sqrt(R^2 - aside^2) in the upright plane of the move, touched
h m / sqrt(1 + m^2) behind its centre. A wheel is such a round in its own plane, its radius
depending on the place along its axis.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, IntArray
from evenfall.errors import Progress, silent
from evenfall.instrument.geometry import arc_drop_mm
from evenfall.work.crown_lines import CrownLine, Workpiece
from evenfall.work.descriptions import WHEELS, Cutter
from evenfall.work.part_lines import PartLine

if TYPE_CHECKING:
    from evenfall.work.trace import Traced

ALONG_MM = 0.2
"""Distance of the columns along a crown that is cut [mm]; crossings have columns of their own."""

_STAYS_MM = 0.1
"""The same along one that has to stay as it is: a ball of 1.5 mm leaves under 1 µm unseen [mm]."""

ACROSS_MM = 0.06
"""Distance of the columns across a crown [mm]; the crown's line has columns of its own."""

_BOARD_STEP_MM = 0.25
_SAMPLE_MM = 0.05  # of a move that runs along a wheel's axis
_TOGETHER = 20_000  # heights that are worked out at once: a few hundred kB
_AIR_MM = 50.0  # how far down there is nothing beside the board
_NONE = 1e-12
_CENTRED_MM = 0.02  # a wheel this close to the crown's line is on it
_SQUARE_SHARE = 0.002  # and turns in the plane of a fret that slants by no more


@dataclass(frozen=True, slots=True)
class Bite:
    """What one stretch of moves between two rapids took off the middle of a patch at most."""

    tool: int
    deep_mm: float
    line: int


@dataclass(slots=True, eq=False)
class Patch:
    """One fret, slot or saddle with the surface around it, as it is being cut."""

    of: CrownLine | PartLine
    at_mm: FloatArray  # columns along and across, shapes (T,) and (S,)
    across_mm: FloatArray
    height_mm: FloatArray  # now and as found, shape (T, S)
    before_mm: FloatArray
    line: IntArray  # line of the program that last cut each column, 0 for none, shape (T, S)
    # what each stretch of moves took off its middle
    bites: list[Bite] = field(default_factory=list)

    @staticmethod
    def found(
        of: CrownLine | PartLine, t_mm: FloatArray, s_mm: FloatArray, height_mm: FloatArray
    ) -> Patch:
        """Return what was not cut yet."""
        none = np.zeros(height_mm.shape, dtype=np.int64)
        return Patch(of, t_mm, s_mm, height_mm, height_mm.copy(), none)

    @property
    def fret(self) -> int:
        """Number of the fret; 0 for a slot or saddle."""
        return 0 if isinstance(self.of, PartLine) else self.of.fret

    @property
    def part(self) -> PartLine | None:
        """The slot or saddle that it shows; None for a fret."""
        return self.of if isinstance(self.of, PartLine) else None

    def local(self, points_mm: FloatArray) -> FloatArray:
        """Return points by place along, place across and height, shape (..., 3) [mm]."""
        t, s = self.of.local(points_mm[..., 0], points_mm[..., 1])
        return np.stack([t, s, points_mm[..., 2]], axis=-1)

    @property
    def cut(self) -> BoolArray:
        """Which columns were cut, shape (T, S)."""
        return np.asarray(self.line > 0)

    @property
    def middle(self) -> int:
        """Which column across lies on the middle: aside of it round and bevels lie elsewhere."""
        return int(np.abs(self.across_mm).argmin())


def fret_patch(piece: Workpiece, crown: CrownLine) -> Patch:
    """Return a fret as found, with the board half way to its neighbours."""
    step = ALONG_MM if crown.is_cut else _STAYS_MM
    t = np.arange(crown.low_mm, crown.high_mm + step, step)
    t = np.unique(np.concatenate([t[t < crown.high_mm], crown.at_mm, [crown.high_mm]]))
    n = crown.fret - 1
    before = piece.crowns[n - 1] if n else None
    after = piece.crowns[n + 1] if n + 1 < len(piece.crowns) else None
    back = 0.5 * abs(crown.x_mm - before.x_mm) if before else 8.0
    ahead = 0.5 * abs(after.x_mm - crown.x_mm) if after else 8.0
    wire = crown.wire_half_mm
    fine = np.arange(ACROSS_MM, wire + 2.0 * ACROSS_MM, ACROSS_MM)
    sides = [
        np.concatenate([fine, np.arange(fine[-1] + 0.25, max(reach, wire + 0.5), _BOARD_STEP_MM)])
        for reach in (back, ahead)
    ]
    s = np.concatenate([-sides[0][::-1], [0.0], sides[1]])
    height = crown.stock(t, s)
    # off the wire the board runs on along the neck to the neighbours' board
    # beyond the first and the last it runs on as it does on the other side
    for other, side in ((before or after, s < 1e-9 - wire), (after or before, s > wire - 1e-9)):
        if other is None:
            continue
        height[:, side] = _between(crown, other, t[:, None], s[side][None, :])
        _leave_out_air(crown, other, (t, s, side), height)
    return Patch.found(crown, t, s, height)


def _between(crown: CrownLine, other: CrownLine, t: FloatArray, s: FloatArray) -> FloatArray:
    """Return the board's surface between two frets: along the neck from one to the other."""
    ahead = np.array([other.x_mm - crown.x_mm, other.y_mm - crown.y_mm])
    aside = np.array([crown.along_y_share, -crown.along_x_share])

    def met(one: CrownLine, way: FloatArray) -> FloatArray:
        """Return a way in plan as so much along a fret and so many times from fret to fret."""
        along = np.array([one.along_x_share, one.along_y_share])
        return np.asarray(np.linalg.solve(np.column_stack([along, ahead]), way))

    by_s, start = met(crown, aside), met(other, -ahead)
    along = np.array([crown.along_x_share, crown.along_y_share])
    by_t, of_s = met(other, along), met(other, aside)
    here = crown.board(np.clip(t + by_s[0] * s, crown.low_mm, crown.high_mm))
    at = start[0] + by_t[0] * t + of_s[0] * s
    there = other.board(np.clip(at, other.low_mm, other.high_mm))
    return np.asarray(here + np.clip(by_s[1] * s, 0.0, 1.0) * (there - here))


def _leave_out_air(
    crown: CrownLine,
    other: CrownLine,
    columns: tuple[FloatArray, FloatArray, BoolArray],
    height: FloatArray,
) -> None:
    """Lower the columns beyond the board's edges, which run on to a neighbour's ends."""
    t, s, side = columns
    side = s < 0.0 if side[0] else s > 0.0  # a fret ends with the board
    for end, out in ((0, -1.0), (1, 1.0)):
        mine = crown.low_mm if end == 0 else crown.high_mm
        theirs = np.array([other.low_mm if end == 0 else other.high_mm])
        along, far = crown.local(*other.place(theirs))
        edge = mine + (along - mine) * s / far
        air = side[None, :] & (out * t[:, None] > out * edge[None, :] + 1e-9)
        height[air] -= _AIR_MM


def part_patch(part: PartLine) -> Patch:
    """Return a slot or a saddle's top before the cut."""
    columns = part.columns()
    return Patch.found(part, *columns, part.before(*columns))


def patches_of(piece: Workpiece) -> tuple[Patch, ...]:
    """Return all of an instrument that a program might cut, as found."""
    frets = (fret_patch(piece, crown) for crown in piece.crowns)
    return (*frets, *(part_patch(part) for part in piece.parts))


def simulate(
    patches: tuple[Patch, ...],
    traced: Traced,
    cutters: Mapping[int, Cutter],
    progress: Progress = silent,
) -> tuple[Patch, ...]:
    """Return the patches as a program leaves them.

    Rapids cut as feed moves do. A move without a known cutter cuts nothing; that is for whoever
    judges the program.
    """
    done = tuple(
        replace(one, height_mm=one.height_mm.copy(), line=one.line.copy(), bites=[])
        for one in patches
    )
    if not len(traced.line):
        return done
    ends = traced.least_mm, traced.most_mm
    for number, patch in enumerate(done):
        progress("Cutting virtually", number / len(done))
        top = float(patch.height_mm.max())
        near = _near(patch, traced, ends, top, cutters)
        if len(near):
            _cut(patch, traced, near, cutters, top)
    return done


def _near(
    patch: Patch,
    traced: Traced,
    ends: tuple[FloatArray, FloatArray],
    top: float,
    cutters: Mapping[int, Cutter],
) -> IntArray:
    """Return which moves, between their lowest and highest corners, may reach a patch."""
    low, high = ends
    corners = patch.of.place(patch.at_mm[[0, -1], None], patch.across_mm[[0, -1]])
    reach = np.zeros(len(traced.tool))
    deep = np.zeros(len(traced.tool))
    for number in np.unique(traced.tool):
        cutter = cutters.get(int(number))
        mine = traced.tool == number
        reach[mine] = np.nan if cutter is None else _reach(cutter)
        deep[mine] = 0.0 if cutter is None else cutter.groove_depth_mm
    with np.errstate(invalid="ignore"):
        there = (low[:, 2] - deep < top) & np.isfinite(reach)
        for axis, at in enumerate(corners):
            there &= (low[:, axis] - reach < at.max()) & (high[:, axis] + reach > at.min())
    return np.flatnonzero(there)


def _reach(cutter: Cutter) -> float:
    """Return how far from its axis a cutter may touch anything in plan [mm]."""
    if cutter.shape in WHEELS:
        return cutter.radius_mm + cutter.groove_depth_mm
    return cutter.radius_mm + cutter.length_mm * math.tan(cutter.taper_rad)


def _cut(
    patch: Patch, traced: Traced, near: IntArray, cutters: Mapping[int, Cutter], top: float
) -> None:
    start, end = patch.local(traced.start_mm[near]), patch.local(traced.end_mm[near])
    at, across = patch.at_mm.tolist(), patch.across_mm.tolist()
    room: dict[int, float] = {}
    stretches = np.cumsum(traced.rapid)[near].tolist()
    middle, tools = patch.middle, traced.tool[near].tolist()
    square = patch.fret and abs(patch.of.along_x_share) < _SQUARE_SHARE
    stretch, before = None, patch.height_mm[:, middle].copy()

    def bitten(tool: int) -> None:
        """Note what a stretch took off the middle."""
        gone = before - patch.height_mm[:, middle]
        row = int(gone.argmax())
        if gone[row] > _NONE:
            patch.bites.append(Bite(tool, float(gone[row]), int(patch.line[row, middle])))
            np.copyto(before, patch.height_mm[:, middle])

    last = 0
    for n, one, tool, a, b in zip(
        near.tolist(), stretches, tools, start.tolist(), end.tolist(), strict=True
    ):
        if (one, tool) != (stretch, last):
            bitten(last)
            stretch, last = one, tool
        cutter = cutters[tool]
        low = min(a[2], b[2])
        deep = top - low + cutter.groove_depth_mm
        if deep <= 0.0:
            continue
        if square and cutter.shape == "concave wheel" and max(abs(a[1]), abs(b[1])) < _CENTRED_MM:
            if cutter.number not in room:  # where the groove fits the crown, less is reached
                room[cutter.number] = _room(patch, cutter)
            deep = min(deep, room[cutter.number] - low)
            if deep <= 0.0:
                continue
        along, aside = _footprint(patch, cutter, deep)
        t0 = bisect_left(at, min(a[0], b[0]) - along)
        t1 = bisect_right(at, max(a[0], b[0]) + along)
        s0 = bisect_left(across, min(a[1], b[1]) - aside)
        s1 = bisect_right(across, max(a[1], b[1]) + aside)
        if t0 >= t1 or s0 >= s1:
            continue
        swept = _swept(patch, cutter, a, b, (slice(t0, t1), slice(s0, s1)))
        height = patch.height_mm[t0:t1, s0:s1]
        lower = swept < height - _NONE
        if lower.any():
            np.copyto(height, swept, where=lower)
            patch.line[t0:t1, s0:s1][lower] = traced.line[n]
    bitten(last)


def _room(patch: Patch, cutter: Cutter) -> float:
    """Return how high a wheel has to stay over a crown to touch nothing beside or on it [mm]."""
    wide = np.abs(patch.across_mm)
    under = wide <= 0.5 * cutter.body_width_mm + 2.0 * _CENTRED_MM
    # the wheel at its lowest, with room for where it may be aside
    inside = np.minimum(wide[under] + 2.0 * _CENTRED_MM, 0.5 * cutter.width_mm)
    groove = np.sqrt(cutter.groove_radius_mm**2 - inside * inside) - cutter.groove_radius_mm
    return float((patch.height_mm.max(axis=0)[under] - groove).max())


def _footprint(patch: Patch, cutter: Cutter, deep: float) -> tuple[float, float]:
    """Return how far along and across a cutter reaches at a depth under the patch's top [mm]."""
    if cutter.shape in WHEELS:
        rim = cutter.radius_mm + cutter.groove_depth_mm
        disc = math.sqrt(min(2.0 * rim * deep, rim * rim)) if deep < rim else rim
        wide = 0.5 * cutter.body_width_mm
        along_x, along_y = abs(patch.of.along_x_share), abs(patch.of.along_y_share)
        turns = along_x > along_y
        if (cutter.shape == "slitting saw") != turns:
            disc, wide = wide, disc
        slant = min(along_x, along_y)
        return disc + slant * wide + 0.01, wide + slant * disc + 0.01
    if cutter.shape == "flat end":
        return cutter.radius_mm, cutter.radius_mm
    r = cutter.radius_mm
    ball = math.sqrt(2.0 * r * deep - deep * deep) if deep < r else r
    ball = max(ball, r + deep * math.tan(cutter.taper_rad)) if cutter.taper_rad else ball
    return ball + 1e-6, ball + 1e-6


def _swept(
    patch: Patch,
    cutter: Cutter,
    a: list[float],
    b: list[float],
    window: tuple[slice, slice],
) -> FloatArray:
    """Return the lowest height of a cutter over columns as it moves from a to b (T, S) [mm]."""
    t = patch.at_mm[window[0]][:, None]
    s = patch.across_mm[window[1]][None, :]
    if cutter.shape in WHEELS:
        return _swept_wheel(patch, cutter, a, b, (t, s))
    dt, ds = b[0] - a[0], b[1] - a[1]
    length = math.hypot(dt, ds)
    if length < 1e-9:
        low = min(a[2], b[2])
        return _under(cutter, np.hypot(t - a[0], s - a[1])) + low
    et, es = dt / length, ds / length
    u, v = t - a[0], s - a[1]
    along = u * et + v * es
    square = (u * es - v * et) ** 2
    slope = (b[2] - a[2]) / length
    r = cutter.radius_mm
    if cutter.shape == "flat end":
        half = np.sqrt(np.maximum(r * r - square, 0.0))
        place = np.clip(along - math.copysign(1.0, slope) * half, 0.0, length)
        inside = (square <= r * r) & (np.abs(along - place) <= half + 1e-12)
        return np.where(inside, a[2] + slope * place, np.inf)
    half2 = r * r - square
    behind = slope / math.sqrt(1.0 + slope * slope)
    place = np.clip(along - np.sqrt(np.maximum(half2, 0.0)) * behind, 0.0, length)
    down = half2 - (along - place) ** 2
    swept = np.where(down >= 0.0, a[2] + r + slope * place - np.sqrt(np.maximum(down, 0.0)), np.inf)
    if cutter.taper_rad:
        steep = 1.0 / math.tan(cutter.taper_rad)
        place = np.clip(
            along - np.sqrt(square) * slope / math.sqrt(steep * steep - slope * slope), 0.0, length
        )
        cone = _under(cutter, np.sqrt(square + (along - place) ** 2)) + a[2] + slope * place
        swept = np.minimum(swept, cone)
    return swept


def _under(cutter: Cutter, distance: FloatArray) -> FloatArray:
    """Return the height of an upright cutter's surface over its lowest place [mm]."""
    r = cutter.radius_mm
    if cutter.shape == "flat end":
        return np.where(distance <= r, 0.0, np.inf)
    ball = np.where(distance <= r, arc_drop_mm(r, distance), np.inf)
    if not cutter.taper_rad:
        return ball
    a = cutter.taper_rad
    cone = r * (1.0 - math.sin(a)) + (distance - r * math.cos(a)) / math.tan(a)
    return np.where(distance <= r * math.cos(a), ball, cone)


def _swept_wheel(
    patch: Patch,
    cutter: Cutter,
    a: list[float],
    b: list[float],
    columns: tuple[FloatArray, FloatArray],
) -> FloatArray:
    """Return the lowest height of a wheel: its plane stands along Y, that of a saw along X."""
    t, s = columns
    saw = cutter.shape == "slitting saw"
    # where nothing turns, places along the wheel's axis do not depend on t, nor those in its plane
    # on s: kept apart, most is worked out once for a row or a column
    along_x, along_y = patch.of.along_x_share, patch.of.along_y_share
    x, y = s * along_y, t * along_y
    if along_x:
        x, y = x + t * along_x, y - s * along_x
    (ax, ay, az), (bx, by, bz) = (
        (p[0] * along_x + p[1] * along_y, p[0] * along_y - p[1] * along_x, p[2]) for p in (a, b)
    )
    if saw:
        x, y, ax, ay, bx, by = y, x, ay, ax, by, bx
    dx, dy, dz = bx - ax, by - ay, bz - az
    if abs(dx) > 0.05 * abs(dy) + 1e-9:  # along its axis or steeply aslant: many short places
        count = max(2, math.ceil(math.hypot(dx, dy) / _SAMPLE_MM) + 1)
        swept = np.full(np.broadcast_shapes(t.shape, s.shape), np.inf)
        together = min(count, math.ceil(count * swept.size / _TOGETHER))
        for share in np.array_split(np.linspace(0.0, 1.0, count)[:, None, None], together):
            u, v = x - ax - share * dx, y - ay - share * dy
            under = az + share * dz + _wheel_under(cutter, u, v)
            swept = np.minimum(swept, under.min(axis=0))
        return swept
    if abs(dy) < 1e-9:
        return min(az, bz) + _wheel_under(cutter, x - ax, y - ay)
    slope = dz / dy
    behind = slope / math.sqrt(1.0 + slope * slope)
    if not dx:
        rim = _rim(cutter, x - ax)
        share = np.minimum(np.maximum((y - ay - rim * behind) / dy, 0.0), 1.0)
        return az + share * dz + _wheel_under(cutter, x - ax, y - ay - share * dy, rim)
    share = np.clip((y - ay) / dy, 0.0, 1.0)
    for _ in range(2):
        rim = _rim(cutter, x - ax - share * dx)
        share = np.clip((y - ay - rim * behind) / dy, 0.0, 1.0)
    return az + share * dz + _wheel_under(cutter, x - ax - share * dx, y - ay - share * dy)


def _rim(cutter: Cutter, aside: FloatArray) -> FloatArray:
    """Return the radius of a wheel at places along its axis; 0 beyond it [mm]."""
    wide = np.abs(aside)
    if cutter.shape == "slitting saw":
        return np.where(wide <= 0.5 * cutter.width_mm, cutter.radius_mm, 0.0)
    r = cutter.groove_radius_mm
    inside = np.minimum(wide, 0.5 * cutter.width_mm)
    rim = cutter.radius_mm + arc_drop_mm(r, inside)
    return np.where(wide <= 0.5 * cutter.body_width_mm, rim, 0.0)


def _wheel_under(
    cutter: Cutter, aside: FloatArray, along: FloatArray, rim: FloatArray | None = None
) -> FloatArray:
    """Return the height of a wheel's surface over the bottom of its groove [mm]."""
    rim = _rim(cutter, aside) if rim is None else rim
    square = rim * rim - along * along
    return np.where(
        (rim > 0.0) & (square >= 0.0),
        cutter.radius_mm - np.sqrt(np.maximum(square, 0.0)),
        np.inf,
    )


def crown_after(patch: Patch) -> FloatArray:
    """Return the top of a crown along it as it is now, shape (T,) [mm]."""
    return np.asarray(patch.height_mm.max(axis=1))


def after_each_pass(
    patch: Patch, traced: Traced, cutters: Mapping[int, Cutter]
) -> Iterator[tuple[int, FloatArray]]:
    """Yield a crown's top after each stretch of moves between two rapids that cuts it.

    With the line that the stretch ends on; the patch itself is left as it is.
    """
    work = replace(patch, height_mm=patch.height_mm.copy(), line=patch.line.copy(), bites=[])
    top = float(work.height_mm.max())
    near = _near(work, traced, (traced.least_mm, traced.most_mm), top, cutters)
    stretch = np.cumsum(traced.rapid)[near]
    for one in np.unique(stretch):
        moves = near[stretch == one]
        before = work.height_mm.copy()
        _cut(work, traced, moves, cutters, top)
        if (work.height_mm < before).any():
            yield int(traced.line[moves[-1]]), crown_after(work)
