"""Judges a program that was read back and cut virtually: the machine's limits, and the plan."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, IntArray
from evenfall.errors import NOWHERE, At, Finding
from evenfall.measurement import Heights, Measurement, Origin
from evenfall.plan import Plan
from evenfall.wording import Value, sentence
from evenfall.work.descriptions import WHEELS, Cutter, Fixture, Machine, Parts
from evenfall.work.part_check import (
    TOUCHED_MM,
    contacts,
    fault,
    planned_contacts,
)
from evenfall.work.trace import AT_WORK_MM, Traced, noted

if TYPE_CHECKING:
    from evenfall.work.crown_lines import Workpiece
    from evenfall.work.simulation import Patch

_TO_STATE: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "units": ("its unit", ("G20", "G21")),
    "distance": ("what its distances are from", ("G90", "G91")),
    "feed mode": ("what its feeds are", ("G93", "G94", "G95")),
    "plane": ("its plane", ("G17", "G18", "G19")),
    "path control": ("how far corners may be rounded", ("G61", "G64 P")),
    "cutter radius": ("that no radius is compensated", ("G40",)),
    "tool length": ("that no length is added to Z", ("G49",)),
    "arc distance": ("what the centres of its arcs are from", ("G90.1", "G91.1")),
}
_OVERSPEED = 1.3
_OVERFEED = 1.3  # of the chip load described; our judgement, as that of the speed
_AROUND_MM = 8.0  # what is to be cut, that a cutter may be down
_UNDER_EDGE_MM = 1.0  # how far under the board's edge a cutter may go beside it; our judgement
_UP_SHARE = 0.5  # of the safe height: a cutter is up that is as high over the work


@dataclass(frozen=True, slots=True)
class Setting:
    """What a program is judged for."""

    machine: Machine
    cutters: Mapping[int, Cutter]
    fixture: Fixture | None
    material: str
    plan_code: str
    file: str = ""
    parts: Parts | None = None

    @property
    def materials(self) -> tuple[str, str, str]:
        """Materials of frets, nut and saddle."""
        nut, saddle = (None, None) if self.parts is None else (self.parts.nut, self.parts.saddle)
        return (
            self.material,
            self.material if nut is None else nut.material,
            self.material if saddle is None else saddle.material,
        )


def _at_first(
    traced: Traced,
    setting: Setting,
    which: BoolArray,
    code: str,
    text: str,
    **values: Value | FloatArray,
) -> Iterator[Finding]:
    """Yield what is wrong with the first of some moves; of an array the move's own is named."""
    if which.any():
        n = int(which.argmax())
        own = {
            name: float(value[n]) if isinstance(value, np.ndarray) else value
            for name, value in values.items()
        }
        yield fault(setting, code, int(traced.line[n]), text, **own)


# ---- what the program is for, and the machine ---------------------------------------------------


def program_faults(traced: Traced, piece: Workpiece, setting: Setting) -> Iterator[Finding]:
    """Yield what is wrong with a program before anything is cut, each with its line."""
    yield from _stated(traced, piece, setting)
    yield from _tools(traced, setting)
    yield from _limits(traced, piece, setting)
    for number, use, mine in _uses(traced, piece, setting):
        yield from _use_faults(traced, setting, number, use, mine)
    yield from _reach_faults(traced, piece, setting)
    yield from _plunges(traced, piece, setting)
    yield from _rapids(traced, piece, setting)
    yield from _left_down(traced, piece, setting)
    yield from _turning(traced, setting)
    yield from _travel(traced, setting)
    yield from _places(traced, setting)


def _stated(traced: Traced, piece: Workpiece, setting: Setting) -> Iterator[Finding]:
    first = partial(_at_first, traced, setting)
    wanted = setting.machine.work_offset
    wrong = [(word, line) for word, line in traced.offsets if word != wanted]
    for word, line in wrong[:1]:
        text = "The program calls work offset {word}, and the machine's is {wanted}."
        yield fault(setting, "program-state", line, text, word=word, wanted=wanted)
    if not traced.offsets:
        text = "The program calls no work offset; add {wanted}."
        yield fault(setting, "program-state", 0, text, wanted=wanted)
    elif "work offset" in traced.unstated:
        text = "The program moves before it calls its work offset; call {wanted} first."
        yield fault(setting, "program-state", int(traced.line[0]), text, wanted=wanted)
    for group in [one for one in traced.unstated if one in _TO_STATE][:1]:
        text = "Before its first move the program does not say {group} ({words:or}); add it."
        line = int(traced.line[0]) if len(traced.line) else 0
        named = {"group": _TO_STATE[group][0], "words": _TO_STATE[group][1]}
        yield fault(setting, "program-state", line, text, **named)
    states = list(noted(traced, "state"))
    for told, line in [one for one in states if one[0] != piece.state][:1]:
        text = (
            "The program is for a neck that is {told:quoted}, and this one is {state}; write "
            "it again for that state."
        )
        yield fault(setting, "program-state", line, text, told=told, state=piece.state)
    if not states:
        text = "The program does not say which state of the strings it is for."
        yield fault(setting, "program-state", 0, text)
    codes = list(noted(traced, "plan"))
    for told, line in [one for one in codes if one[0] != setting.plan_code][:1]:
        text = "The program is for plan {told:quoted}, and this is plan {wanted}."
        named = {"told": told, "wanted": setting.plan_code}
        yield fault(setting, "program-state", line, text, **named)
    if not any("end of program" in message for message, _ in traced.messages[-1:]):
        text = "The program does not end with a message of its own; a stopped run would look done."
        yield fault(setting, "program-state", traced.end_line, text)
    most = setting.machine.most_lines
    if most is not None and traced.line_count > most:
        text = "The program has {lines} lines, and the controller takes {most}."
        yield fault(setting, "program-limit", 0, text, lines=traced.line_count, most=most)
    if not setting.machine.arcs:
        text = "An arc stands here, and the controller takes none."
        yield from first(traced.arc, "program-limit", text)


def _tools(traced: Traced, setting: Setting) -> Iterator[Finding]:
    first = partial(_at_first, traced, setting)
    feeds = ~traced.rapid
    text = "A feed move stands here before any cutter was called (T, M6)."
    yield from first(feeds & (traced.tool == 0), "program-tool", text)
    for number, line in traced.tools:
        cutter = setting.cutters.get(number)
        if cutter is None:
            text = "Cutter {n} is not in the list of cutters."
            yield fault(setting, "program-tool", line, text, n=number)
        elif not setting.machine.takes(cutter):
            text = "The machine's spindle cannot turn cutter {n}, a {shape}."
            yield fault(setting, "program-tool", line, text, n=number, shape=cutter.shape)
        elif not set(setting.materials) & cutter.uses.keys():
            text = "Cutter {n} is not described for {material}."
            yield fault(setting, "program-tool", line, text, n=number, material=setting.material)
    resting = feeds & (traced.tool > 0) & (traced.speed_hz <= 0.0)
    text = "A feed move stands here with the spindle at rest; start it first (M3)."
    yield from first(resting, "program-tool", text)
    if "path control" not in traced.unstated:
        most = setting.machine.path_tolerance_mm
        wide = feeds & ~(traced.blend_mm <= most + TOUCHED_MM)
        text = "Corners may be rounded too far; name at most {most:length} from here (G64 P)."
        yield from first(wide, "program-limit", text, most=most)
    for event in [one for one in traced.events if one.word == "M4"][:1]:
        text = "The spindle turns backwards from here (M4); cutters turn with M3."
        yield fault(setting, "program-tool", event.line, text)


def _uses(
    traced: Traced, piece: Workpiece, setting: Setting
) -> Iterator[tuple[int, str, BoolArray]]:
    """Yield every cutter with a material that it works in, and which of its moves do so."""
    working = traced.at_work(piece.top_mm)
    place = _where(traced, piece)
    for number in setting.cutters:
        for code, material in enumerate(setting.materials):
            mine = working & (traced.tool == number) & (place == code)
            if mine.any():
                yield number, material, mine


def _where(traced: Traced, piece: Workpiece) -> IntArray:
    """Return what each move is nearest to along the neck: 0 frets, 1 nut, 2 saddle."""
    far = _ahead(0.5 * (traced.start_mm + traced.end_mm), piece)
    end = _ahead(np.array([[piece.crowns[-1].x_mm, piece.crowns[-1].y_mm, 0.0]]), piece)[0]
    place = np.zeros(len(far), dtype=np.int64)
    for code, name in ((1, "nut"), (2, "saddle")):
        lie = np.array([(one.x_mm, one.y_mm, 0.0) for one in piece.parts if one.part == name])
        if not len(lie):
            continue
        there = float(_ahead(lie, piece).mean())
        place[far < 0.5 * there if code == 1 else far > 0.5 * (there + end)] = code
    return place


def _use_faults(
    traced: Traced, setting: Setting, number: int, material: str, mine: BoolArray
) -> Iterator[Finding]:
    """Yield where a cutter works too fast in a material, too long, or is not made for it."""
    first = partial(_at_first, traced, setting)
    cutter = setting.cutters[number]
    use = cutter.uses.get(material)
    named: dict[str, Value] = {"n": number, "material": material}
    if use is None:
        text = "Cutter {n} is not described for {material}, and works in it here."
        yield from first(mine, "program-tool", text, **named)
        return
    step = traced.step_mm
    aside = np.hypot(step[:, 0], step[:, 1]) >= 0.5 * np.abs(step[:, 2])
    # what is over the machine's fastest is named so
    judged = mine & aside & (traced.feed_mm_per_s <= setting.machine.most_feed_mm_per_s)
    most = use.chip_mm * cutter.teeth * traced.speed_hz
    yield from first(
        judged & (traced.speed_hz > 0.0) & (traced.feed_mm_per_s > _OVERFEED * most),
        "program-limit",
        "Cutter {n} works at {feed:size} a minute; at {speed:.0f} rev/min in {material} "
        "{most:size} is its feed.",
        feed=60.0 * traced.feed_mm_per_s,
        speed=60.0 * traced.speed_hz,
        most=60.0 * most,
        **named,
    )
    rim = math.pi * (cutter.diameter_mm + 2.0 * cutter.groove_depth_mm) * traced.speed_hz
    yield from first(
        mine & (rim > _OVERSPEED * use.surface_speed_mm_per_s),
        "program-limit",
        "Cutter {n} runs at {fast:.0f} m/min in {material}; {most:.0f} is its speed.",
        fast=0.06 * rim,
        most=0.06 * use.surface_speed_mm_per_s,
        **named,
    )
    cut_mm = np.cumsum(np.where(mine, traced.length_mm, 0.0))
    yield from first(
        cut_mm > use.life_mm,
        "program-life",
        "Cutter {n} cuts {cut:.0f} m, and lasts {life:.0f} m in {material}; change it between "
        "programs, or cut fewer frets at a time.",
        cut=float(cut_mm.max(initial=0.0)) / 1000.0,
        life=use.life_mm / 1000.0,
        **named,
    )


def _reach_faults(traced: Traced, piece: Workpiece, setting: Setting) -> Iterator[Finding]:
    """Yield where a cutter goes deeper than it is long, or works where no work is."""
    first = partial(_at_first, traced, setting)
    low = traced.least_mm[:, 2]
    tops = [float(one.found(one.at_mm).max()) for one in piece.crowns]
    where = _where(traced, piece)
    top = np.full(len(low), max(tops))
    for code, name in ((1, "nut"), (2, "saddle")):
        there = [one.top_mm for one in piece.parts if one.part == name]
        if there:
            top[where == code] = max(there)
    for number, cutter in setting.cutters.items():
        if cutter.shape not in WHEELS:
            yield from first(
                (traced.tool == number) & (top - low > cutter.length_mm + TOUCHED_MM),
                "program-place",
                "Cutter {n} goes {deep:size} under the top of the work, and reaches {reach:size}.",
                n=number,
                deep=top - low,
                reach=cutter.length_mm,
            )
    inside = np.zeros(len(low), dtype=bool)
    for least, most in _work_areas(piece, setting):
        within = np.ones(len(low), dtype=bool)
        for axis in (0, 1):
            within &= traced.least_mm[:, axis] >= least[axis]
            within &= traced.most_mm[:, axis] <= most[axis]
        inside |= within
    beside = _beside_mm(traced, piece)
    grooves = {one.number: one.groove_depth_mm for one in setting.cutters.values()}
    under = beside - low + np.array([grooves.get(n, 0.0) for n in traced.tool.tolist()])
    beside_board = ~traced.rapid & (where == 0) & (under > _UNDER_EDGE_MM)
    if beside_board.any():
        text = (
            "The cutter goes {under:size} under the edge of the board here, where neck, body or "
            "fixture may be; stay over it."
        )
        yield from first(beside_board, "program-place", text, under=under)
        return
    away = ~traced.rapid & (low < _safe_mm(piece, setting)) & ~inside
    text = "The cutter is down at {z:size} here, away from all that is to be cut."
    yield from first(away, "program-place", text, z=low)


def _ahead(points_mm: FloatArray, piece: Workpiece) -> FloatArray:
    """Return how far along the neck points lie from the first fret, (N, 2) or (N, 3) [mm]."""
    first, along = _axis(piece)
    return np.asarray((points_mm[:, :2] - first) @ along)


def _aside(points_mm: FloatArray, piece: Workpiece) -> FloatArray:
    """Return how far beside the centre line points lie, growing with Y [mm]."""
    first, along = _axis(piece)
    return np.asarray((points_mm[:, :2] - first) @ [-along[1], along[0]])


def _axis(piece: Workpiece) -> tuple[FloatArray, FloatArray]:
    """Return where the centre line crosses the first fret, and its direction."""
    first, last = (np.array([one.x_mm, one.y_mm]) for one in (piece.crowns[0], piece.crowns[-1]))
    return first, (last - first) / np.hypot(*(last - first))


def _beside_mm(traced: Traced, piece: Workpiece) -> FloatArray:
    """Return how high the lower edge of the board is where each move ends, shape (N,) [mm]."""
    places = np.array([(one.x_mm, one.y_mm, 0.0) for one in piece.crowns])
    edges = [float(one.board(np.array([one.low_mm, one.high_mm])).min()) for one in piece.crowns]
    return np.interp(_ahead(traced.end_mm, piece), _ahead(places, piece), edges)


def _plunges(traced: Traced, piece: Workpiece, setting: Setting) -> Iterator[Finding]:
    """Yield where a cutter comes down on the board or a fret, instead of outside its edge."""
    first = partial(_at_first, traced, setting)
    step = traced.step_mm
    steep = -step[:, 2] > np.hypot(step[:, 0], step[:, 1])
    far, aside = _ahead(traced.end_mm, piece), _aside(traced.end_mm, piece)
    edges = np.moveaxis(np.array(piece.fret_ends()), 0, -1)
    low, high = (
        np.interp(far, _ahead(edge, piece), _aside(edge, piece))
        for edge in (edges[:, 0], edges[:, 1])
    )
    ends = _ahead(edges[[0, -1]].reshape(-1, 2), piece)
    on_board = (aside > low) & (aside < high) & (far > ends.min()) & (far < ends.max())
    into = traced.at_work(piece.top_mm) & steep & on_board
    text = "The cutter comes down on the board here; do that outside the board's edge."
    yield from first(into, "program-place", text)


def _work_areas(piece: Workpiece, setting: Setting) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Yield where a cutter may be down: around the frets, the nut's slots and the saddle."""
    room = _AROUND_MM + max((one.radius_mm for one in setting.cutters.values()), default=0.0)
    corners = np.stack(piece.fret_ends(), axis=-1).reshape(-1, 2)
    side = np.array([_AROUND_MM, room])
    yield corners.min(axis=0) - side, corners.max(axis=0) + side
    for part in piece.parts:
        if part.is_cut:
            corners = np.column_stack(part.place(np.array([part.low_mm, part.high_mm]), 0.0))
            yield corners.min(axis=0) - _AROUND_MM, corners.max(axis=0) + _AROUND_MM


def _limits(traced: Traced, piece: Workpiece, setting: Setting) -> Iterator[Finding]:
    first = partial(_at_first, traced, setting)
    machine = setting.machine
    feeds = ~traced.rapid
    feed = 60.0 * traced.feed_mm_per_s
    yield from first(
        feeds & (traced.feed_mm_per_s > machine.most_feed_mm_per_s + 1e-6),
        "program-limit",
        "The feed is {feed:size} a minute, and the machine's fastest is {most:size}.",
        feed=feed,
        most=60.0 * machine.most_feed_mm_per_s,
    )
    step = traced.step_mm
    down = (step[:, 2] < 0.0) & (np.hypot(step[:, 0], step[:, 1]) < 0.5 * np.abs(step[:, 2]))
    into = traced.end_mm[:, 2] < piece.top_mm + AT_WORK_MM
    yield from first(
        feeds & down & into & (traced.feed_mm_per_s > machine.plunge_feed_mm_per_s + 1e-6),
        "program-limit",
        "It goes down at {feed:size} a minute, and {most:size} is the fastest downwards.",
        feed=feed,
        most=60.0 * machine.plunge_feed_mm_per_s,
    )
    slow = traced.speed_hz < machine.least_speed_hz - 0.01
    yield from first(
        (traced.speed_hz > 0.0) & (slow | (traced.speed_hz > machine.most_speed_hz + 0.01)),
        "program-limit",
        "The spindle turns at {speed:.0f} rev/min, outside {least:.0f} to {most:.0f}.",
        speed=60.0 * traced.speed_hz,
        least=60.0 * machine.least_speed_hz,
        most=60.0 * machine.most_speed_hz,
    )


def _safe_mm(piece: Workpiece, setting: Setting) -> float:
    """Return the height over which anything may lie beside the work [mm]."""
    return piece.top_mm + setting.machine.safe_height_mm - setting.machine.digit_mm


def _rapids(traced: Traced, piece: Workpiece, setting: Setting) -> Iterator[Finding]:
    first = partial(_at_first, traced, setting)
    low, step = traced.least_mm[:, 2], traced.step_mm
    rises = (step[:, 2] > 0.0) & ~step[:, :2].any(axis=1)
    yield from first(
        traced.rapid & ~rises & (low < _safe_mm(piece, setting)),
        "program-rapid",
        "A rapid goes down to {z:length}, under the safe height of {safe:length}.",
        z=low,
        safe=piece.top_mm + setting.machine.safe_height_mm,
    )
    if traced.aside_line:
        text = "The cutter goes aside before it is up; go to the safe height first (G0 Z alone)."
        yield fault(setting, "program-rapid", traced.aside_line, text)


def _left_down(traced: Traced, piece: Workpiece, setting: Setting) -> Iterator[Finding]:
    """Yield where a cutter is changed, or the program ends, with the cutter still down."""
    for event in traced.events:
        if event.word not in ("M6", "M2", "M30") or not event.move:
            continue
        low = float(traced.end_mm[event.move - 1, 2])
        if low < piece.top_mm + _UP_SHARE * setting.machine.safe_height_mm:
            text = "{word} stands here with the cutter down at {z:length}; go up first."
            yield fault(setting, "program-rapid", event.line, text, word=event.word, z=low)
            return


def _turning(traced: Traced, setting: Setting) -> Iterator[Finding]:
    """Yield where a cutter is changed while the spindle turns, or starts in the same block."""
    turning, changed = False, 0
    for event in traced.events:
        if event.word in ("M3", "M4"):
            turning = True
        elif event.word == "M5":
            turning = False
        if turning and (event.word == "M6" or event.line == changed):
            text = "The cutter is changed here with the spindle on; stop it first (M5)."
            yield fault(setting, "program-tool", event.line, text)
            return
        if event.word == "M6":
            changed = event.line


def _travel(traced: Traced, setting: Setting) -> Iterator[Finding]:
    first = partial(_at_first, traced, setting)
    fixture = setting.fixture
    zero = (0.0, 0.0, 0.0)
    if fixture is not None:
        zero = (fixture.zero_x_mm, fixture.zero_y_mm, fixture.zero_z_mm)
    for axis, (least, most) in enumerate(setting.machine.travel_mm):
        there = traced.end_mm[:, axis] + zero[axis]
        outside = (there < least - 1e-6) | (there > most + 1e-6)
        if fixture is None:  # where zero lies is not known: only how far it goes in all
            outside = there - there.min(initial=np.inf) > most - least + 1e-6
        yield from first(
            outside,
            "program-limit",
            "{axis} goes to {there:length} on the machine, outside its travel of {least:length} "
            "to {most:length}.",
            axis="XYZ"[axis],
            there=there,
            least=least,
            most=most,
        )


def _places(traced: Traced, setting: Setting) -> Iterator[Finding]:
    """Yield where a cutter comes into a clamp or a place to stay out of."""
    first = partial(_at_first, traced, setting)
    fixture = setting.fixture
    if fixture is None or not len(traced.line):
        return
    wide = np.zeros((len(traced.line), 2))
    deep = np.zeros(len(traced.line))
    for number, cutter in setting.cutters.items():
        mine = traced.tool == number
        rim = cutter.radius_mm + cutter.groove_depth_mm
        body = 0.5 * cutter.body_width_mm
        reach = {"concave wheel": (body, rim), "slitting saw": (rim, body)}.get(
            cutter.shape, (rim, rim)
        )
        wide[mine] = reach
        deep[mine] = cutter.groove_depth_mm
    for box in fixture.boxes:
        least = np.array([box.x_least_mm, box.y_least_mm]) - wide
        most = np.array([box.x_most_mm, box.y_most_mm]) + wide
        enters, leaves = np.zeros(len(wide)), np.ones(len(wide))
        for axis in (0, 1):
            a, b = traced.start_mm[:, axis], traced.end_mm[:, axis]
            step = b - a
            still = np.abs(step) < 1e-12
            with np.errstate(divide="ignore", invalid="ignore"):
                one, two = (least[:, axis] - a) / step, (most[:, axis] - a) / step
            inside = (a >= least[:, axis]) & (a <= most[:, axis])
            enters = np.maximum(
                enters, np.where(still, np.where(inside, 0, 2), np.minimum(one, two))
            )
            leaves = np.minimum(
                leaves, np.where(still, np.where(inside, 1, -1), np.maximum(one, two))
            )
        z0, z1 = traced.start_mm[:, 2], traced.end_mm[:, 2]
        low = np.minimum(z0 + enters * (z1 - z0), z0 + leaves * (z1 - z0)) - deep
        yield from first(
            (enters <= leaves) & (low < box.z_most_mm),
            "program-place",
            "The cutter comes into {name:quoted}, which stands up to {top:size}.",
            name=box.name,
            top=box.z_most_mm,
        )


# ---- the result as a measurement ----------------------------------------------------------------


def simulated_measurement(
    plan: Plan, piece: Workpiece, patches: Sequence[Patch], machine: Machine
) -> Measurement:
    """Return what the simulated cut leaves, at playing tension, as readings of it would be.

    Rod, and what this program does not cut, are taken as planned. The uncertainty of each
    height is that of a machine that may miss by its working allowance either way (evenly spread;
    JCGM 100:2008, 4.3.7).
    """
    lowered = np.zeros(plan.removal_mm.shape)
    ends = {"nut": plan.nut_after_mm.copy(), "saddle": plan.saddle_after_mm.copy()}
    for patch in patches:
        if patch.part is not None:
            if patch.part.is_cut:
                off = contacts(patch, patch.part) - planned_contacts(patch.part)
                ends[patch.part.part][list(patch.part.strings)] += off
            continue
        crown = piece.crowns[patch.fret - 1]
        if not crown.is_cut:  # by this program: another one, or a hand, carries out the plan
            lowered[:, patch.fret - 1] = plan.removal_mm[:, patch.fret - 1]
            continue
        at = np.searchsorted(patch.at_mm, crown.at_mm)
        # the highest place of the crown, over a crossing
        down = patch.before_mm[at].max(axis=1) - patch.height_mm[at].max(axis=1)
        lowered[list(crown.strings), patch.fret - 1] = down
    u = machine.working_allowance_mm / math.sqrt(3.0)
    found = plan.measurement
    whole = plan.crown_top_after_mm + plan.removal_mm
    heights = Heights.independent(
        nut_mm=ends["nut"],
        crown_top_mm=whole - lowered,
        saddle_mm=ends["saddle"],
        nut_u_mm=u,
        crown_top_u_mm=u,
        saddle_u_mm=u,
        origin=Origin.DERIVED,
    )
    return replace(
        found,
        source=("simulated cut",),
        heights=heights,
        crown_height_mm=plan.crown_height_after_mm + plan.removal_mm - lowered,
        direct=(),
        routes=(sentence("What a simulated cut of the machine program leaves."),),
    )


def summary(traced: Traced, setting: Setting) -> Finding:
    """Return what a program does, as a note."""
    return Finding(
        "program",
        "{lines:count line}, {cut:.1f} m of feed moves with {tools:count cutter}.",
        NOWHERE if not setting.file else At(setting.file),
        "note",
        lines=traced.line_count,
        cut=float(traced.length_mm[~traced.rapid].sum()) / 1000.0,
        tools=len({number for number, _ in traced.tools}),
    )
