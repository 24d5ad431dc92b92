"""The lines that are cut: each fret's crown, the nut's slots and the saddle, in the work's frame.

Work frame: X along the neck from the nut to the bridge, Z up, Y across so that the frame is
right-handed: towards the treble side on a right-handed neck, towards the bass side on a left-handed
one. Zero lies where the centre line meets the nut's playing edge, at the datum of the readings.

The tool path and the check of it both go by these lines, and by nothing else of each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, Self

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, shut
from evenfall.errors import RequestError
from evenfall.instrument import Specification, string_lines
from evenfall.instrument.geometry import board_drop_at_mm, crown_radius_mm
from evenfall.measurement import Measurement
from evenfall.measurement.missing import missing_places
from evenfall.neck import NeckModel, default_bow, level_line, neck_model
from evenfall.neck.forecast import converted_to_tension
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from evenfall.plan import Plan
    from evenfall.work.part_lines import PartLine

StringState = Literal["strung", "unstrung"]
"""Strings at pitch, or their pull simulated; or strings off."""

CUT_MM = 1e-6
"""A removal of less is none [mm]."""

MOST_MISS_MM = 1.0
"""A crown that was touched lies no further from where it should be [mm]; our judgement."""

_MOST_TILT_RATIO = 0.02
_MOST_TURN_RAD = 0.0349


def shape_preserving(at_mm: FloatArray, value_mm: FloatArray, wanted_mm: FloatArray) -> FloatArray:
    """Return a cubic through values at rising places, constant beyond the ends.

    Monotone between neighbours, so it never overshoots: F. N. Fritsch and J. Butland, "A method
    for constructing local monotone piecewise cubic interpolants", SIAM J. Sci. Stat. Comput. 5
    (1984) 300.
    """
    step = np.diff(at_mm)
    secant = np.diff(value_mm) / step
    slope = np.zeros(len(at_mm))  # at the ends too: it goes on level there
    one, two = 2.0 * step[1:] + step[:-1], step[1:] + 2.0 * step[:-1]
    same = secant[1:] * secant[:-1] > 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = (one + two) / (one / secant[:-1] + two / secant[1:])
    slope[1:-1] = np.where(same, mean, 0.0)
    inside = np.clip(wanted_mm, at_mm[0], at_mm[-1])
    n = np.clip(np.searchsorted(at_mm, inside, side="right") - 1, 0, len(step) - 1)
    t = (inside - at_mm[n]) / step[n]
    h = step[n]
    return np.asarray(
        value_mm[n] * (1.0 + 2.0 * t) * (1.0 - t) ** 2
        + h * slope[n] * t * (1.0 - t) ** 2
        + value_mm[n + 1] * t * t * (3.0 - 2.0 * t)
        + h * slope[n + 1] * t * t * (t - 1.0)
    )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class InPlan:
    """Where a fret, a slot or a saddle runs: its places are distances t along it and s aside."""

    x_mm: float  # where t and s are 0
    y_mm: float
    along_x_share: float  # direction of growing t, a unit vector
    along_y_share: float
    # what the lie on the machine adds to every height, and for each mm of t and of s
    base_mm: float = 0.0
    tilt_t_ratio: float = 0.0
    tilt_s_ratio: float = 0.0

    def place(
        self, t_mm: FloatArray, s_mm: FloatArray | float = 0.0
    ) -> tuple[FloatArray, FloatArray]:
        """Return X and Y of places on it [mm]."""
        a, b = self.along_x_share, self.along_y_share
        return (
            np.asarray(self.x_mm + a * t_mm + b * s_mm),
            np.asarray(self.y_mm + b * t_mm - a * s_mm),
        )

    def local(self, x_mm: FloatArray, y_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return t and s of places by X and Y [mm]."""
        u, v = x_mm - self.x_mm, y_mm - self.y_mm
        a, b = self.along_x_share, self.along_y_share
        return np.asarray(u * a + v * b), np.asarray(u * b - v * a)

    def placed(self, lie: Lie) -> Self:
        """Return it as it lies on the machine."""
        x, y = self.place(np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0]))
        zero, one, aside = lie.placed(np.column_stack([x, y, np.zeros(3)]))
        return replace(
            self,
            x_mm=float(zero[0]),
            y_mm=float(zero[1]),
            along_x_share=float(one[0] - zero[0]),
            along_y_share=float(one[1] - zero[1]),
            base_mm=self.base_mm + float(zero[2]),
            tilt_t_ratio=self.tilt_t_ratio + float(one[2] - zero[2]),
            tilt_s_ratio=self.tilt_s_ratio + float(aside[2] - zero[2]),
        )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CrownLine(InPlan):
    """The crown of one fret: places t from the centre line's crossing, growing with Y [mm]."""

    fret: int
    low_mm: float  # where the board ends, as t
    high_mm: float
    strings: tuple[int, ...]  # index of the string at each crossing, in the order of growing t
    at_mm: FloatArray  # crossings, as t, shape (K,)
    found_mm: FloatArray  # crown tops as found and what comes off, in that order, shape (K,)
    removal_mm: FloatArray
    crown_height_mm: FloatArray  # as found over the board, shape (K,)
    wire_radius_mm: float  # of a new crown, and half its width at the board
    wire_half_mm: float
    arch_per_mm: float  # curvature of the board across; 0 where it is flat
    # how much of t goes across the neck: the cosine of the fret's angle to a square one
    across_share: float
    # how steeply bevels rise from both ends, low t first; 0 where no bevel is cut
    bevel_rise_ratio: tuple[float, float] = (0.0, 0.0)
    bevel_clear_mm: float = 0.0  # how far over the board's edge they begin
    # how far the board's edges run along t for each mm aside of the crown, low t first
    edge_slope_ratio: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        shut(self)

    @property
    def is_cut(self) -> bool:
        """Whether anything comes off."""
        return bool((self.removal_mm > CUT_MM).any())

    def drop(self, t_mm: FloatArray) -> FloatArray:
        """Return how far the board lies under its crest [mm]."""
        square, k = (self.across_share * np.asarray(t_mm)) ** 2, self.arch_per_mm
        return np.asarray(square * k / (1.0 + np.sqrt(np.maximum(0.0, 1.0 - k * k * square))))

    def over_arch(self, value_mm: FloatArray, t_mm: FloatArray) -> FloatArray:
        """Return heights between crossings: the board's arch, what is over it, and the lie."""
        t = np.asarray(t_mm, dtype=float)
        over = shape_preserving(self.at_mm, value_mm + self.drop(self.at_mm), t)
        return np.asarray(over - self.drop(t) + self.base_mm + self.tilt_t_ratio * t)

    def found(self, t_mm: FloatArray) -> FloatArray:
        """Return the crown line as found [mm]."""
        return self.over_arch(self.found_mm, t_mm)

    def removal(self, t_mm: FloatArray) -> FloatArray:
        """Return what comes off along it [mm]: nothing where neither neighbour is cut."""
        return shape_preserving(self.at_mm, self.removal_mm, np.asarray(t_mm))

    def planned(self, t_mm: FloatArray) -> FloatArray:
        """Return the crown line as planned [mm]."""
        return np.asarray(self.found(t_mm) - self.removal(t_mm))

    def bevel(self, t_mm: FloatArray, s_mm: FloatArray | float = 0.0) -> FloatArray:
        """Return how high the bevels of the ends let it stand [mm]; infinite without any."""
        t, s = np.broadcast_arrays(np.asarray(t_mm, dtype=float), s_mm)
        high = np.full(t.shape, np.inf)
        for end, inwards, ratio, slope in zip(
            (self.low_mm, self.high_mm),
            (1.0, -1.0),
            self.bevel_rise_ratio,
            self.edge_slope_ratio,
            strict=True,
        ):
            if ratio:
                edge = float(self.board(np.array([end]))[0]) + self.bevel_clear_mm
                rise = (t - end - slope * s) * (inwards * ratio + self.tilt_t_ratio)
                high = np.minimum(high, edge + rise)
        return high

    def finished(self, t_mm: FloatArray) -> FloatArray:
        """Return the crown line as planned, under the bevels of the ends [mm]."""
        return np.minimum(self.planned(t_mm), self.bevel(t_mm))

    def board(self, t_mm: FloatArray) -> FloatArray:
        """Return the board's surface along the fret [mm]."""
        return self.over_arch(self.found_mm - self.crown_height_mm, t_mm)

    def stock(self, t_mm: FloatArray, s_mm: FloatArray) -> FloatArray:
        """Return it as found: new wire, worn down flat to its height, shape (T, S) [mm]."""
        top, board = self.found(t_mm), self.board(t_mm)
        r, s = self.wire_radius_mm, np.minimum(np.abs(s_mm), self.wire_half_mm)
        arc = np.sqrt(r * r - s * s) - math.sqrt(r * r - self.wire_half_mm**2)
        if r < self.wire_half_mm:
            arc = np.sqrt(np.maximum(r * r - s * s, 0.0))
        new = float(arc.max())
        high = (top - board)[:, None]
        # a crown higher than new wire stands proud of the board as a whole
        shaped = np.minimum(board[:, None] + np.maximum(high - new, 0.0) + arc, top[:, None])
        return np.where(np.abs(s_mm) < self.wire_half_mm, shaped, board[:, None])

    def stretches(self) -> BoolArray:
        """Return which stretches between crossings, and beyond the outer two, are cut, (K + 1,)."""
        cut = self.removal_mm > CUT_MM
        return np.concatenate([cut[:1], cut[:-1] | cut[1:], cut[-1:]])

    def is_cut_at(self, t_mm: FloatArray) -> BoolArray:
        """Return where along the crown anything comes off."""
        return np.asarray(self.stretches()[np.searchsorted(self.at_mm, t_mm)])


@dataclass(frozen=True, slots=True)
class Lie:
    """How the instrument lies on the machine: turned, shifted and tilted from the work's frame.

    What is programmed is x' = x0 + x cos a - y sin a, y' = y0 + x sin a + y cos a and
    z' = z + z0 + slope_x x + slope_y y.
    """

    x_mm: float = 0.0
    y_mm: float = 0.0
    z_mm: float = 0.0
    turn_rad: float = 0.0
    slope_x_ratio: float = 0.0
    slope_y_ratio: float = 0.0

    @property
    def askew(self) -> bool:
        """Whether it is tilted, or turned, by more than a straight path allows for."""
        tilted = max(abs(self.slope_x_ratio), abs(self.slope_y_ratio)) > _MOST_TILT_RATIO
        return tilted or abs(self.turn_rad) > _MOST_TURN_RAD

    def placed(self, points_mm: FloatArray) -> FloatArray:
        """Return points of the work's frame where they lie on the machine, shape (..., 3) [mm]."""
        x, y, z = np.moveaxis(np.asarray(points_mm, dtype=float), -1, 0)
        c, s = math.cos(self.turn_rad), math.sin(self.turn_rad)
        return np.stack(
            [
                self.x_mm + c * x - s * y,
                self.y_mm + s * x + c * y,
                z + self.z_mm + self.slope_x_ratio * x + self.slope_y_ratio * y,
            ],
            axis=-1,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Workpiece:
    """One instrument as it lies on the machine, in one state of its strings."""

    state: StringState  # strings at pitch (or their pull simulated), or off
    crowns: tuple[CrownLine, ...]  # the frets, by number
    # 1 for a right-handed neck, -1 for a left-handed one: the sign of Y towards the treble
    hand: int
    width_nut_mm: float  # of the board there and at the last fret, and where that lies
    width_last_mm: float
    last_x_mm: float
    said: Sentence  # how the heights came about, in a sentence
    arched: bool = False  # whether the datum of the readings follows the board's arch
    parts: tuple[PartLine, ...] = ()  # slots of the nut, and the saddle's top where that is known

    def __post_init__(self) -> None:
        shut(self)

    @property
    def top_mm(self) -> float:
        """Highest crown top, or other place that is known, as found [mm]."""
        crowns = max(float(one.found(one.at_mm).max()) for one in self.crowns)
        return max([crowns, *(one.top_mm for one in self.parts if one.is_cut)])

    def placed(self, lie: Lie) -> Workpiece:
        """Return the same instrument as it lies on the machine."""
        return replace(
            self,
            crowns=tuple(one.placed(lie) for one in self.crowns),
            parts=tuple(one.placed(lie) for one in self.parts),
        )

    def fret_ends(self) -> tuple[FloatArray, FloatArray]:
        """Return X and Y of both ends of every fret, low t first, shape (F, 2) [mm]."""
        ends = [one.place(np.array([one.low_mm, one.high_mm])) for one in self.crowns]
        return np.array([x for x, _ in ends]), np.array([y for _, y in ends])

    def refuse_unknown(self, fret: int, string: int) -> None:
        """Refuse a fret or string that there is not."""
        if not (1 <= fret <= len(self.crowns) and 1 <= string <= len(self.crowns[0].strings)):
            raise RequestError(
                "There is no fret {fret} under string {string}; name another crown.",
                fret=fret,
                string=string,
            )

    def crown_point(self, fret: int, string: int) -> tuple[float, float, float]:
        """Return where a crown top lies as found, of a fret and string by number [mm]."""
        crown = self.crowns[fret - 1]
        place = crown.strings.index(string - 1)
        x, y = crown.place(crown.at_mm[place])
        return float(x), float(y), float(crown.found(crown.at_mm[place]))


def workpiece(
    specification: Specification,
    plan: Plan,
    *,
    state: StringState = "unstrung",
    found: Measurement | None = None,
    neck: NeckModel | None = None,
    crossings_mm: tuple[FloatArray, FloatArray] | None = None,
) -> Workpiece:
    """Return an instrument in the state that it is cut in.

    Instead of crown tops of the plan's reading, as the neck model converts them, one cuts from
    those found by a reading that was taken on the machine in that state. Where that found the
    crossings is in the neck's frame: along it, and across towards the treble, shape (K, F).
    """
    lines = string_lines(specification)
    along, across = crossings_mm or (lines.x_mm[:, 1:], lines.y_mm[:, 1:])
    hand = -1 if specification.handed == "left" else 1
    removal = plan.removal_mm
    bow = default_bow(specification, lines)
    datum = found or plan.measurement
    level = level_line(specification, datum, lines, bow, plan.smallest_cut_mm)
    model = neck or neck_model(specification, lines)
    tops = plan.crown_top_after_mm + removal
    said = sentence("Heights are those of the readings, with the strings at pitch.")
    if found is not None:
        if found.strung != (state == "strung"):
            raise RequestError(
                "The reading taken on the machine is {read}, and the program is asked for a neck "
                "that is {state}; read it in that state.",
                read=sentence("strung" if found.strung else "unstrung"),
                state=state,
            )
        lacking = ~np.isfinite(found.crown_top_mm)
        if lacking.any():
            raise RequestError(
                "The reading taken on the machine lacks the crown tops of {places}; read it again.",
                places=missing_places(lacking),
            )
        tops = found.crown_top_mm
        said = sentence(
            "Heights are those of the reading taken on the machine, {state}.", state=state
        )
    elif state == "unstrung":
        strung = replace(
            plan.measurement, strung=True, heights=plan.measurement.heights.at(crown_top_mm=tops)
        )
        relaxed = converted_to_tension(model, strung, tension_n=0.0)
        tops = relaxed.measurement.crown_top_mm
        said = sentence(
            "Heights are those of the neck without its strings: relief {change:figure+} ± "
            "{u:uncertainty} by the neck model.",
            change=relaxed.relief_change_mm,
            u=2.0 * relaxed.relief_change_u_mm,
        )
    if plan.measurement.strung is False:
        raise RequestError(
            "The plan's readings were taken unstrung and were not converted; read strung, or "
            "convert them with {door_convert}."
        )
    board = specification.board
    last_x = float(lines.x_mm[:, -1].mean())
    crowns = tuple(
        _crown_line(
            specification,
            j,
            x=along[:, j],
            y=hand * across[:, j],
            tops=tops[:, j],
            removal=removal[:, j],
            high=plan.crown_height_after_mm[:, j] + removal[:, j],
            last_x=last_x,
            arched=level.follows_arch,
        )
        for j in range(specification.frets)
    )
    return Workpiece(
        state=state,
        crowns=crowns,
        hand=hand,
        width_nut_mm=board.width_nut_mm,
        width_last_mm=board.width_last_mm,
        last_x_mm=last_x,
        said=said,
        arched=level.follows_arch,
    )


def _crown_line(
    specification: Specification,
    index: int,
    *,
    x: FloatArray,
    y: FloatArray,
    tops: FloatArray,
    removal: FloatArray,
    high: FloatArray,
    last_x: float,
    arched: bool,
) -> CrownLine:
    """Return one fret's line; where the datum follows the arch, the arch is put back."""
    order = np.argsort(y)
    ends = np.array([x[order[-1]] - x[order[0]], y[order[-1]] - y[order[0]]])
    along = ends / np.hypot(*ends)
    # where the line meets the centre line
    zero_x = float(x[order[0]] - along[0] / along[1] * y[order[0]])
    t = (y[order]) / along[1]
    half = _board_edges(specification, zero_x, along, last_x)
    share = np.asarray(min(max(zero_x / last_x, 0.0), 1.0))
    small = 1.0
    drop = float(board_drop_at_mm(specification, share, np.asarray(small)))
    curvature = 2.0 * drop / (small * small + drop * drop)
    wire = specification.fretwire
    line = CrownLine(
        fret=index + 1,
        x_mm=zero_x,
        y_mm=0.0,
        along_x_share=float(along[0]),
        along_y_share=float(along[1]),
        low_mm=-half[0],
        high_mm=half[1],
        strings=tuple(int(k) for k in order),
        at_mm=t,
        found_mm=tops[order],
        removal_mm=np.where(removal[order] > CUT_MM, removal[order], 0.0),
        crown_height_mm=high[order],
        wire_radius_mm=crown_radius_mm(wire.crown_height_mm, wire.crown_width_mm),
        wire_half_mm=0.5 * wire.crown_width_mm,
        arch_per_mm=curvature,
        across_share=float(along[1]),
    )
    if arched:
        line = replace(line, found_mm=line.found_mm - line.drop(line.at_mm))
    return line


def _board_edges(
    specification: Specification, zero_x: float, along: FloatArray, last_x: float
) -> tuple[float, float]:
    """Return how far from the centre line a fret reaches, to either edge of the board."""
    board = specification.board
    grow = 0.5 * (board.width_last_mm - board.width_nut_mm) / last_x
    half = 0.5 * board.width_nut_mm + grow * zero_x
    # |t| along_y_share = half + grow along_x_share t
    return (
        float(half / (along[1] + grow * along[0])),
        float(half / (along[1] - grow * along[0])),
    )


def lie_by_touch(
    piece: Workpiece, places_mm: dict[tuple[int, int], tuple[float, float, float]]
) -> Lie:
    """Return how the instrument lies, from three crown tops that were touched or scanned.

    By fret and string: where each was found on the machine, in its work offset (X, Y, Z) [mm].
    """
    if len(places_mm) != 3:
        raise RequestError(
            "Three crown tops are needed to say how the instrument lies, not {n}.", n=len(places_mm)
        )
    for name in places_mm:
        piece.refuse_unknown(*name)
    here = np.array([piece.crown_point(*name) for name in places_mm])
    there = np.array(list(places_mm.values()))
    if abs(np.linalg.det(np.column_stack([np.ones(3), here[:, :2]]))) < 500.0:
        raise RequestError(
            "The three crowns touched lie too nearly in one line; take two on the first fret, at "
            "the outer strings, and one on the last."
        )
    lie = lie_between(here, there)
    miss = np.hypot(*(there - lie.placed(here))[:, :2].T).max()
    if miss > MOST_MISS_MM:
        raise RequestError(
            "The places touched lie {miss:length} from where these crowns are; check which were "
            "touched.",
            miss=float(miss),
        )
    if lie.askew:
        raise RequestError(
            "By the places touched the neck lies askew by over 2 in 100; lay it straight and touch "
            "again."
        )
    return lie


def lie_between(here_mm: FloatArray, there_mm: FloatArray) -> Lie:
    """Return the lie that brings points of the work's frame nearest to others, (N, 3) each [mm]."""
    here, there = here_mm, there_mm
    a, b = here[:, :2] - here[:, :2].mean(axis=0), there[:, :2] - there[:, :2].mean(axis=0)
    turn = math.atan2(float((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum()), float((a * b).sum()))
    shift = (there - Lie(turn_rad=turn).placed(here))[:, :2].mean(axis=0)
    plane = np.column_stack([np.ones(len(here)), here[:, :2]])
    z0, slope_x, slope_y = np.linalg.lstsq(plane, there[:, 2] - here[:, 2], rcond=None)[0]
    return Lie(float(shift[0]), float(shift[1]), float(z0), turn, float(slope_x), float(slope_y))
