"""Tool paths: where a cutter's lowest place goes, pass by pass, to cut a plan.

A path never lies under the planned crown line. It follows the line that a cutter's round takes
when it rolls over the crown (the dilation of the line by the round), as straight moves that are
lifted by what a chord would cut too deep, with heights rounded up to the controller's last digit.
So at a crossing the crown ends at most 1 µm and one last digit over the plan.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray, shut
from evenfall.errors import Progress, RequestError, silent
from evenfall.instrument.geometry import arc_drop_mm
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from evenfall.work.crown_lines import CrownLine, Workpiece
    from evenfall.work.descriptions import Cutter, Machine

STEP_MM = 0.5
"""Length of a move along a crown; a chord is then lifted by a fraction of a micrometre [mm]."""

SCALLOP_MM = 0.006
"""How high the ridges between the passes of a ball end may stand [mm]; our judgement."""

FORMED_SHARE = 0.8
"""How much of the wire's width a ball end crowns again; our judgement."""

CLEAR_MM = 0.15
"""How far a path keeps off stretches of a crown that are not cut [mm]; our judgement."""

BOARD_CLEAR_MM = 0.08
"""How far the rim of a wheel has to stay off the board [mm]; our judgement."""

SQUARE_RATIO = 0.012
"""A wheel turns in one plane: a fret may slant by no more from it [mm/mm]; our judgement."""

_BEYOND_MM = 1.5  # past the board's edge, before the cutter's own reach
APPROACH_MM = 3.0  # above the work, from where it goes down at plunging feed
BETWEEN_MM = 5e-5  # more than a line rises between the places that a path is held against
_FINE_MM = 0.02
_CREST_MM = 0.0002  # what a ball end may leave standing over the crown's line
_OVERSPEED = 1.25


@dataclass(frozen=True, slots=True, eq=False)
class Pass:
    """One line of moves with the cutter down."""

    said: Sentence
    fret: int  # number of the fret; 0 for nut and saddle
    cutter: Cutter
    feed_mm_per_s: float
    speed_hz: float
    # where the cutter's lowest place goes, of a wheel the bottom of its groove: in the machine's
    # work offset, whole digits of its controller, shape (N, 3)
    points_mm: FloatArray
    approach_z_mm: float  # down to here it goes at full feed, then at plunging feed

    def __post_init__(self) -> None:
        shut(self)

    @property
    def length_mm(self) -> float:
        """Length of the cut [mm]."""
        return float(np.linalg.norm(np.diff(self.points_mm, axis=0), axis=1).sum())


def seconds(passes: Sequence[Pass], machine: Machine) -> float:
    """Return how long passes take on a machine, one after the other [s].

    Moves that turn by less than ten degrees are one; each starts and ends at rest (trapezoidal
    speed, the slowest axis's acceleration).
    """
    aside = [math.dist(a.points_mm[-1, :2], b.points_mm[0, :2]) for a, b in pairwise(passes)]
    between = sum(_time(length, machine.rapid_mm_per_s, machine) for length in aside)
    return between + sum(_pass_s(one, machine) for one in passes)


def _pass_s(one: Pass, machine: Machine) -> float:
    """Return how long a pass takes, from the safe height and back to it [s]."""
    step = np.diff(one.points_mm, axis=0)
    length = np.linalg.norm(step, axis=1)
    ahead = step[1:] * step[:-1]
    with np.errstate(divide="ignore", invalid="ignore"):
        turn = ahead.sum(axis=1) / (length[1:] * length[:-1])
    breaks = np.flatnonzero(turn < math.cos(math.radians(10.0))) + 1
    runs = [float(part.sum()) for part in np.split(length, breaks)]
    total = sum(_time(run, one.feed_mm_per_s, machine) for run in runs)
    down = machine.safe_height_mm - APPROACH_MM
    total += _time(down, machine.most_feed_mm_per_s, machine)
    total += _time(down, machine.rapid_mm_per_s, machine)
    last = one.approach_z_mm - float(one.points_mm[0, 2])
    return total + _time(last, machine.plunge_feed_mm_per_s, machine)


def _time(length_mm: float, feed_mm_per_s: float, machine: Machine) -> float:
    a, v = machine.acceleration_mm_per_s2, feed_mm_per_s
    length = max(length_mm, 0.0)
    return length / v + v / a if length >= v * v / a else 2.0 * math.sqrt(length / a)


def feed_and_speed(cutter: Cutter, machine: Machine, material: str) -> tuple[float, float]:
    """Return feed [mm/s] and speed [Hz] of a cutter in a material, within the machine's limits."""
    use = cutter.uses.get(material)
    if use is None:
        raise RequestError(
            "Cutter {n} is not described for {material}; name another, or add its speed and chip "
            "load.",
            n=cutter.number,
            material=material,
        )
    # a wheel's rim is the fastest
    wanted = use.surface_speed_mm_per_s / (
        math.pi * (cutter.diameter_mm + 2.0 * cutter.groove_depth_mm)
    )
    if machine.least_speed_hz > _OVERSPEED * wanted:
        raise RequestError(
            "Cutter {n} may turn at {wanted:.0f} rev/min in {material}, and the machine's slowest "
            "speed is {least:.0f} rev/min; take a smaller cutter.",
            n=cutter.number,
            wanted=60.0 * wanted,
            material=material,
            least=60.0 * machine.least_speed_hz,
        )
    speed = float(round(60.0 * min(max(wanted, machine.least_speed_hz), machine.most_speed_hz)))
    speed = max(speed, math.ceil(60.0 * machine.least_speed_hz)) / 60.0
    feed = min(use.chip_mm * cutter.teeth * speed, machine.most_feed_mm_per_s)
    return feed, speed


# ---- the round of a cutter over a line ----------------------------------------------------------


def rolled_over(
    at_mm: FloatArray, line_mm: FloatArray, radius_mm: float, wanted_mm: FloatArray
) -> FloatArray:
    """Return how low a round of a radius can go at places over a line that it must not cut [mm].

    The line is given at evenly spaced places; the round's lowest point is meant.
    """
    step = at_mm[1] - at_mm[0]
    slope = float(np.abs(np.diff(line_mm)).max() / step)
    reach = min(radius_mm * (1.3 * slope + 0.02) + 2.0 * step, 0.9 * radius_mm)
    span = int(reach / step) + 1
    nearest = np.rint((wanted_mm - at_mm[0]) / step).astype(int)
    around = nearest[:, None] + np.arange(-span, span + 1)
    around = np.clip(around, 0, len(at_mm) - 1)
    aside = at_mm[around] - wanted_mm[:, None]
    return np.asarray((line_mm[around] - arc_drop_mm(radius_mm, aside)).max(axis=1))


def _lifted(t: FloatArray, low: FloatArray, fine: FloatArray, needed: FloatArray) -> FloatArray:
    """Return heights of nodes so that the chords between them lie nowhere under what is needed."""
    short = np.maximum(needed - np.interp(fine, t, low), 0.0)
    worst = np.zeros(len(t) + 1)  # of the chord before each node, and of the one after the last
    np.maximum.at(worst, np.clip(np.searchsorted(t, fine, side="right"), 1, len(t) - 1), short)
    return np.asarray(low + np.maximum(worst[:-1], worst[1:]))


@dataclass(frozen=True, slots=True)
class Job:
    """What all passes of a cutter in one material share."""

    cutter: Cutter
    machine: Machine
    feed_mm_per_s: float
    speed_hz: float
    top_mm: float  # of the work

    @staticmethod
    def of(cutter: Cutter, machine: Machine, material: str, piece: Workpiece) -> Job:
        """Return a job with the feed and speed that the material asks for."""
        return Job(cutter, machine, *feed_and_speed(cutter, machine, material), piece.top_mm)

    def through(
        self,
        said: Sentence,
        places_mm: tuple[FloatArray, FloatArray, FloatArray],
        *,
        back: bool,
        fret: int = 0,
    ) -> Pass:
        """Return a pass through places (X, Y, Z), in whole digits, never lower than asked."""
        digit = self.machine.digit_mm
        x, y, z = (place / digit for place in places_mm)
        points = digit * np.column_stack([np.rint(x), np.rint(y), np.ceil(z - 1e-7)])
        return Pass(
            said=said,
            fret=fret,
            cutter=self.cutter,
            feed_mm_per_s=self.feed_mm_per_s,
            speed_hz=self.speed_hz,
            points_mm=points[::-1] if back else points,
            approach_z_mm=math.ceil((self.top_mm + APPROACH_MM) / digit) * digit,
        )


def _crown_pass(
    job: Job,
    crown: CrownLine,
    said: Sentence,
    *,
    aside: float,
    lift: float,
    clear: float,
    back: bool,
) -> Pass:
    """Return one pass along a crown, `aside` of it, `lift` over the planned line."""
    radius, digit = job.cutter.radius_mm, job.machine.digit_mm
    # outside, the cutter's round clears the crown by half a millimetre when it comes down
    beyond = _BEYOND_MM + min(math.sqrt(2.0 * radius * 1.6), radius)
    low, high = crown.low_mm - beyond, crown.high_mm + beyond
    at = np.arange(low - radius - 1.0, high + radius + 1.0, _FINE_MM)
    line = crown.planned(at) + lift + _clearance(crown, at, clear)
    nodes = np.linspace(low, high, math.ceil((high - low) / STEP_MM) + 1)
    apart = np.abs(nodes[:, None] - crown.at_mm).min(axis=1)
    nodes = np.sort(np.concatenate([nodes[apart > 0.2 * STEP_MM], crown.at_mm]))
    # a ball beside the crown rolls down its round
    sink = 0.0
    if aside:
        both = radius + crown.wire_radius_mm
        sink = both - math.sqrt(both * both - aside * aside)
    x, y = (np.rint(v / digit) * digit for v in crown.place(nodes, aside))
    t, _ = crown.local(x, y)
    fine = np.arange(t[0], t[-1], 0.05)
    needed = rolled_over(at, line, radius, np.concatenate([t, fine])) - sink + BETWEEN_MM
    z = _lifted(t, needed[: len(t)], fine, needed[len(t) :])
    return job.through(said, (x, y, z), back=back, fret=crown.fret)


def _clearance(crown: CrownLine, t: FloatArray, clear: float) -> FloatArray:
    """Return how far a path keeps off where nothing is cut, rising away from what is cut."""
    cut = crown.stretches()
    edges = np.concatenate([[-np.inf], crown.at_mm, [np.inf]])
    off = np.full(len(t), np.inf)
    for n in np.flatnonzero(cut):
        off = np.minimum(off, np.maximum(np.maximum(edges[n] - t, t - edges[n + 1]), 0.0))
    rise = np.clip(off / 2.0, 0.0, 1.0)
    return np.asarray(clear * rise * rise * (3.0 - 2.0 * rise))


def _deepest(crown: CrownLine, half: float, radius: float) -> float:
    """Return the deepest that a crown of a radius goes into what is there, over all crossings."""
    s = np.linspace(0.0, half, 40)
    wanted = crown.planned(crown.at_mm)[:, None] - arc_drop_mm(radius, s)
    return float((crown.stock(crown.at_mm, s) - wanted).max())


def spread_order(frets: Sequence[int]) -> list[int]:
    """Return frets so that neighbours never follow one another, for the heat to spread."""
    half = (len(frets) + 1) // 2
    low, high = frets[:half], frets[half:]
    if len(low) > len(high):
        return [*(n for pair in zip(low, high, strict=False) for n in pair), low[-1]]
    return [n for pair in zip(high, low, strict=True) for n in pair]


# ---- which cutter -------------------------------------------------------------------------------


def wheel_fault(cutter: Cutter, piece: Workpiece) -> Sentence | None:
    """Return why a wheel cannot crown the frets that are cut, or None where it can."""
    for crown in piece.crowns:
        if not crown.is_cut:
            continue
        if abs(crown.along_x_share) > SQUARE_RATIO:
            return sentence(
                "Cutter {n} turns in one plane and fret {fret} slants from it; take a ball end.",
                n=cutter.number,
                fret=crown.fret,
            )
        left = float((crown.crown_height_mm - crown.removal_mm).min())
        if cutter.groove_depth_mm + BOARD_CLEAR_MM > left:
            return sentence(
                "Cutter {n} has a groove {deep:length} deep, and fret {fret} keeps {left:length} "
                "of crown, so its rim would reach the board; take a shallower groove.",
                n=cutter.number,
                deep=cutter.groove_depth_mm,
                fret=crown.fret,
                left=left,
            )
        for other in piece.crowns[max(crown.fret - 2, 0) : crown.fret + 1]:
            gap = abs(other.x_mm - crown.x_mm) - other.wire_half_mm
            if other is not crown and 0.5 * cutter.body_width_mm > gap - BOARD_CLEAR_MM:
                return sentence(
                    "Cutter {n} is {wide:length} wide and would touch fret {other} when it cuts "
                    "fret {fret}; take a narrower one.",
                    n=cutter.number,
                    wide=cutter.body_width_mm,
                    other=other.fret,
                    fret=crown.fret,
                )
    return None


def chosen(
    cutters: tuple[Cutter, ...],
    shapes: tuple[str, ...],
    machine: Machine,
    material: str,
    number: int | None,
) -> tuple[Cutter, ...]:
    """Return the cutters that can be asked, the one that was named alone; or refuse."""
    named = [one for one in cutters if number in (None, one.number)]
    if not named:
        raise RequestError("There is no cutter {n} in the list; name another.", n=number)
    fit = tuple(
        one for one in named if one.shape in shapes and machine.takes(one) and material in one.uses
    )
    if not fit:
        raise RequestError(
            "No cutter fits: the work needs a {shapes:or} for {material} that the machine's "
            "spindle can turn; add one to the list of cutters.",
            shapes=shapes,
            material=material,
        )
    return fit


def fret_cutter(
    piece: Workpiece,
    cutters: tuple[Cutter, ...],
    machine: Machine,
    material: str,
    number: int | None = None,
) -> Cutter:
    """Return the first cutter that can level and crown the frets, or refuse."""
    why: Sentence | None = None
    for one in chosen(cutters, ("concave wheel", "ball end"), machine, material, number):
        fault = wheel_fault(one, piece) if one.shape == "concave wheel" else None
        if fault is None:
            return one
        why = why or fault
    raise RequestError("{why}", why=why)


def fret_passes(
    piece: Workpiece,
    cutter: Cutter,
    machine: Machine,
    material: str,
    progress: Progress = silent,
) -> tuple[Pass, ...]:
    """Return the passes that level and crown every fret that is cut.

    The cutter is a concave wheel, or a ball end that goes over the crown in lines.
    """
    job = Job.of(cutter, machine, material, piece)
    cut = [one.fret for one in piece.crowns if one.is_cut]
    wheel = cutter.shape == "concave wheel"
    plans: dict[int, list[Pass]] = {}
    for done, fret in enumerate(cut):
        progress("Working out the tool path", done / len(cut))
        crown = piece.crowns[fret - 1]
        half = 0.5 * cutter.width_mm if wheel else FORMED_SHARE * crown.wire_half_mm
        radius = cutter.groove_radius_mm if wheel else crown.wire_radius_mm
        deepest = _deepest(crown, half, radius)
        clear = max(CLEAR_MM, deepest + 0.05)
        count = max(1, math.ceil(deepest / cutter.depth_of_cut_mm - 1e-6))
        lanes = [0.0] if wheel else _lanes(cutter.radius_mm, crown, half)
        plans[fret] = [
            _crown_pass(
                job,
                crown,
                sentence(
                    "fret {fret}, pass {level} of {count}", fret=fret, level=level, count=count
                ),
                aside=aside,
                lift=(count - level) * cutter.depth_of_cut_mm,
                clear=clear,
                back=bool((level + lane) % 2),
            )
            for level in range(1, count + 1)
            # what is cut again may be coarser
            for lane, aside in enumerate(lanes if level == count else lanes[::2])
        ]
    order = spread_order(cut)
    levels = max((len(plans[fret]) for fret in cut), default=0)
    if not wheel:  # a fret's lines follow one another: each alone takes little off
        return tuple(one for fret in order for one in plans[fret])
    # by level: the last pass over every fret comes when all is cool again
    return tuple(
        plans[fret][level] for level in range(levels) for fret in order if level < len(plans[fret])
    )


def _lanes(ball_mm: float, crown: CrownLine, half_mm: float) -> list[float]:
    """Return how far beside the crown's line a ball end goes, outside first, the line last."""
    crown_mm = crown.wire_radius_mm
    both = ball_mm + crown_mm
    deep = float((crown.crown_height_mm - crown.removal_mm).min()) - BOARD_CLEAR_MM
    lowest = math.sqrt(max(both * both - max(both - deep, 0.0) ** 2, 0.0))
    outer = min(half_mm * both / crown_mm, lowest)  # the crown's edge, or just over the board
    apart = math.sqrt(8.0 * SCALLOP_MM * ball_mm * crown_mm / both) * both / crown_mm
    count = max(1, math.ceil(outer / apart))
    side = [outer * n / count for n in range(count, 0, -1)]
    # beside the line, so that what stands between lanes does not stand over it
    side.append(2.0 * math.sqrt(2.0 * ball_mm * _CREST_MM) * both / crown_mm)
    return [*(sign * one for one in side for sign in (-1.0, 1.0)), 0.0]
