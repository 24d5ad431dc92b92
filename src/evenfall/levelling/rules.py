"""The rules of judgement, in their order: settings, leeway, metal; one decision for each method.

What conforms is left. Settings come before metal. Metal comes off only where a neck is worse than
its own level line, and uncertainty never opens a fret.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TypeAlias

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, numbered
from evenfall.errors import Progress, silent
from evenfall.levelling.conclusion import (
    MANY_SHARE,
    Work,
    concluded,
    fails,
    frets_with,
    less,
    moves,
)
from evenfall.levelling.cut import (
    in_doubt,
    least_cut_mm,
    opened_frets,
    to_level_mm,
    within_form_mm,
)
from evenfall.levelling.decision import Decision
from evenfall.levelling.least_metal import least_metal
from evenfall.levelling.leeway import with_leeway
from evenfall.levelling.new_wire import refretted, with_new_wire
from evenfall.levelling.problem import Problem
from evenfall.levelling.settings import SetUp, as_found, settle
from evenfall.measurement import Origin
from evenfall.neck.level_line import LevelLine, level_lines
from evenfall.plan.before_cut import LowFrets, ReadFirst
from evenfall.plan.limits import LeftOut, LimitName
from evenfall.plan.methods import tool_of
from evenfall.requirement import FITS_SHARE, ROUNDING_MM, State
from evenfall.wording import sentence

# Thresholds without another source are our judgement, measured on invented necks.
UNDER_MM = 0.02
"""An action that is under its target by less counts as at it [mm]."""
LOW_MM = -0.03
"""A fret whose median is lower than this on the level line is a low fret [mm]."""
WORN_MM = 0.03
"""A crown that has lost this much more than the neck's usual is worn [mm]."""
HALVED_SHARE = 0.5
"""Low frets are offered for lifting if that leaves less than this share of the metal."""
ATTACK_STEP_SHARE, MOST_SHARE = 1e-3, 1e3
"""How closely the attack that a budget buys is found, and where the search for it ends."""
ROUNDS = 4
"""What a decision leaves is decided on again until nothing more is asked for: two rounds do."""
MOST_DROP_MM, DROP_STEP_MM = 0.6, 1e-4
"""How far a beam may lower the level line, and how closely that is found [mm]."""


def smallest_cut_mm(problem: Problem, method: str) -> float:
    """Return the least that a method takes off where it takes off anything [mm]."""
    return problem.specification.judgement.smallest_cut_mm(tool_of(method))


def level_line_for(problem: Problem, method: str) -> LevelLine:
    """Return the level line that a method goes by: the same for all methods with one tool."""
    return level_lines_for(problem)(smallest_cut_mm(problem, method))


def level_lines_for(problem: Problem) -> Callable[[float], LevelLine]:
    """Return what gives that line for a smallest cut, the line being drawn once."""
    return level_lines(problem.specification, problem.before_filing, problem.lines, problem.bow)


Tried: TypeAlias = "dict[float, Decision]"
"""What was decided for shares of an attack."""


def most_attack(
    problem: Problem,
    line: LevelLine,
    method: str,
    budget_mm: float,
    *,
    settled: bool = False,
    tried: Tried | None = None,
    progress: Progress = silent,
) -> Decision | None:
    """Return the decision for the most attack that a metal budget buys, by the same rules.

    The attack keeps the proportions of the job's. None where even no attack costs more. More than
    level frets bear is not bought: from there on nothing that is cut gives more. `tried` keeps what
    was decided for shares of the attack, for another budget of the same job.
    """
    kept = {} if tried is None else tried

    def at(share: float) -> Decision:
        if share not in kept:
            progress("Looking for the attack that the metal buys", 0.0)
            asked = problem.with_attack(share * problem.attack_n)
            kept[share] = decide(asked, line, method, settled=settled)
        return kept[share]

    low = at(0.0)
    if low.metal_mm > budget_mm + ROUNDING_MM:
        return None
    bought = low
    share, most = 0.0, 1.0
    while (found := at(most)).metal_mm <= budget_mm and found.conclusion != "misfit":
        share, bought, most = most, found, 2.0 * most
        if most > MOST_SHARE:
            return bought
    while most - share > ATTACK_STEP_SHARE * most and most > 1.0 / MOST_SHARE:
        middle = 0.5 * (share + most)
        found = at(middle)
        if found.metal_mm <= budget_mm and found.conclusion != "misfit":
            share, bought = middle, found
        else:
            most = middle
    return bought


def decide(
    problem: Problem,
    line: LevelLine,
    method: str = "spot",
    *,
    lift: bool = True,
    settled: bool = False,
) -> Decision:
    """Return what is to be done to one instrument by a method.

    Parameters
    ----------
    problem
        The job: readings, limits, attack, and what may move.
    line
        The level line for the method's smallest cut, see `level_line_for`.
    method
        Key of `evenfall.plan.METHODS`.
    lift
        Whether low frets are to be lifted rather than others ground, where that spares enough.
    settled
        Whether the readings were taken at the settings of an earlier decision: then small
        corrections of rod and saddle do not ask for yet another reading.
    """
    smallest = smallest_cut_mm(problem, method)
    found = replace(as_found(problem, line, smallest), tool=tool_of(method))
    work = _BY_METHOD[method](found, lift)
    return concluded(method, line if not work.replaced else work.at.line, work, settled=settled)


# ---- settings ------------------------------------------------------------------------------------


def set_up(found: SetUp) -> SetUp:
    """Return the job with its settings made: what conforms is left, then leeway before metal."""
    at = settle(found)
    if at.holds.all():
        return at
    within = with_leeway(at)
    if within is not None:
        return within
    wanted = [limit.value_mm for limit in at.problem.specification.target.action]
    under = at.cured_action_mm(at.low_ends) < np.array(wanted) - UNDER_MM
    return settle(found, ~at.holds & under & at.problem.saddle_free)


# ---- methods -------------------------------------------------------------------------------------


def _adjust(found: SetUp, _lift: bool) -> Work:
    at = set_up(found)
    return _spared(Work(at, np.zeros_like(at.taken_mm), misfit=_misfit(at)))


def _spared(work: Work) -> Work:
    """Return the work with frets that uncertainty alone would open taken as they pass."""
    at = work.at
    frets = np.arange(1, at.problem.frets + 1)
    closed = ~at.line.read.all(axis=0) | np.isin(frets, work.no_room)
    opened = opened_frets(at, np.broadcast_to(~closed, at.line.read.shape))
    return replace(work, at=in_doubt(at, work.removal_mm, ~(closed | opened)))


def _spot(found: SetUp, lift: bool, replaced: BoolArray | None = None) -> Work:
    """Cut what is worse than level frets, until the result asks for nothing more."""
    work = _once(found, lift, replaced)
    for _ in range(ROUNDS):
        if not work.removal_mm.any():
            break
        more = _once(_worked(work), lift=False, among=frets_with(work.removal_mm > 0.0))
        if more.misfit or not (more.removal_mm.any() or moves(more.at)):
            break
        at = work.at.moved(
            more.at.relief_change_mm,
            more.at.nut_change_mm,
            more.at.saddle_change_mm,
            *more.at.reasons,
        )
        work = replace(
            work,
            at=at,
            removal_mm=work.removal_mm + more.removal_mm,
            no_room=tuple(sorted({*work.no_room, *more.no_room})),
            read_first=work.read_first or more.read_first,
        )
    return _spared(work)


def _worked(work: Work) -> SetUp:
    """Return the job as it will be found after the work, crowns near the line taken as level."""
    at, problem = work.at, work.at.problem
    off = at.line.off_mm - work.removal_mm
    off = np.where(np.abs(off) < at.smallest_cut_mm - ROUNDING_MM, 0.0, off)
    line = replace(
        at.line,
        level_mm=at.level_mm,
        smooth_mm=at.line.smooth_mm + at.level_mm - at.line.level_mm,
        taken_mm=at.level_mm + off,
        off_mm=off,
        relief_mm=at.relief_mm,
    )
    change = at.saddle_change_mm
    down, up = problem.saddle_travel_mm
    changed = problem.with_heights(
        crown_top_mm=problem.measurement.crown_top_mm
        + at.relief_change_mm * problem.bow.frets
        - work.removal_mm,
        nut_mm=at.nut_mm,
        saddle_mm=at.saddle_mm,
    )
    changed = replace(
        changed,
        room_mm=np.maximum(0.0, problem.room_mm - work.removal_mm),
        saddle_travel_mm=np.stack([down + change, up - change]),
    )
    return replace(as_found(changed, line, at.smallest_cut_mm), tool=at.tool)


def _once(
    found: SetUp,
    lift: bool,
    replaced: BoolArray | None = None,
    among: BoolArray | None = None,
) -> Work:
    """Cut what is worse than level frets, frets opened to the level line; or lift low frets."""
    at = set_up(found)
    nothing = np.zeros_like(at.taken_mm)
    worn_out = _worn_out(at)
    if worn_out or _misfit(at):
        return Work(at, nothing, worn_out=worn_out, misfit=not worn_out)
    work = _cut(at, replaced, among)
    low, lifted = _low_frets(at)
    if not (low.any() and work.removal_mm.any()):
        return work
    spared = _cut(less(at, -lifted), replaced)
    for j in np.flatnonzero(low):  # one that spares no metal may lie as it does
        others = np.where(np.arange(len(low)) == j, 0.0, lifted)
        # without the only one nothing is lifted
        alone = among is None and not others.any()
        without = work if alone else _cut(less(at, -others), replaced)
        if without.removal_mm.sum() <= spared.removal_mm.sum() + ROUNDING_MM:
            low, lifted, spared = low & others.any(axis=0), others, without
    if spared.removal_mm.sum() >= HALVED_SHARE * work.removal_mm.sum():
        return work
    worn = bool((_lost_mm(at.problem)[:, low] > WORN_MM).any())
    cut = frets_with(work.removal_mm > 0.0).sum()
    better = lift and not worn and low.sum() <= cut
    offer = LowFrets(
        frets=numbered(low),
        worn=worn,
        recommended=bool(better),
        metal_mm=float(spared.removal_mm.sum()),
        frets_cut=int(frets_with(spared.removal_mm > 0.0).sum()),
    )
    chosen = replace(spared, lifted_mm=lifted) if better else work
    return replace(chosen, low_frets=offer)


def _cut(at: SetUp, replaced: BoolArray | None = None, among: BoolArray | None = None) -> Work:
    """Return the least cut, opened frets taken to the level line, frets unread or too low left.

    Frets are opened `among` those given, shape (F,), or among all.
    """
    read, room = at.line.read, at.problem.room_mm
    closed = _closed(at)
    read_first: tuple[ReadFirst, ...] = ()
    if closed.any():
        wanted = opened_frets(at, read)
        read_first = _read_first(at, wanted & closed, least_cut_mm(at, read & wanted))
    no_room, left_alone = np.zeros_like(closed), np.zeros_like(closed)
    while True:
        free = ~(closed if among is None else ~among) & ~no_room & ~left_alone
        may = np.broadcast_to(free, read.shape)
        opened = opened_frets(at, may)
        least_mm = least_cut_mm(at, may & opened)
        over = frets_with(least_mm > room + ROUNDING_MM)
        worse = _made_worse(at, least_mm, no_room | over) & ~over
        if not (over | worse).any():
            break
        no_room |= over
        left_alone |= worse & ~over.any()
    if replaced is not None:
        opened |= replaced & ~closed
    removal = to_level_mm(at, least_mm, opened)
    even = within_form_mm(at, removal, may)
    left: tuple[LeftOut, ...] = ()
    if even is None:
        across = at.problem.specification.target.across_mm is not None
        limit: LimitName = "across" if across else "along"
        left = (LeftOut(limit, (), sentence("No cut keeps the limits of a crown line's form.")),)
    return Work(
        at,
        removal if even is None else even,
        no_room=numbered(no_room),
        read_first=read_first,
        left_out=left,
    )


def _closed(at: SetUp) -> BoolArray:
    """Return the frets that are left: of unknown height, or not read under every string."""
    return np.asarray(~at.line.read.all(axis=0) | ~at.problem.height_known)


def _read_first(at: SetUp, held: BoolArray, metal_mm: FloatArray) -> tuple[ReadFirst, ...]:
    """Return what to read on frets that are held back, with the metal that hangs on each."""
    unread, lacking = ~at.line.read, ~at.problem.height_known
    return tuple(
        ReadFirst(int(j) + 1, numbered(unread[:, j]), float(metal_mm[:, j].sum()), bool(lacking[j]))
        for j in np.flatnonzero(held)
    )


def _made_worse(at: SetUp, removal_mm: FloatArray, no_room: BoolArray) -> BoolArray:
    """Return the frets whose cut lets a note fail worse over a fret that has no room, (F,)."""
    if not (no_room.any() and removal_mm.any()):
        return np.zeros_like(no_room)
    after = less(at, removal_mm)
    worse = after.judged.state == State.FAILS
    worse &= after.clearance_mm < at.clearance_mm - ROUNDING_MM
    return np.asarray(worse[:, 1:, 1:][:, :, no_room].any(axis=(0, 2)))


def _level(found: SetUp, _lift: bool) -> Work:
    """Cut all that stands out to the level line, whether it makes a note fail or not."""
    at = set_up(found)
    read, room = at.line.read, at.problem.room_mm
    high = read & (at.line.off_mm >= at.smallest_cut_mm - ROUNDING_MM)
    removal = np.where(high, at.line.off_mm, 0.0)
    held = frets_with(high) & _closed(at)
    no_room = frets_with(removal > room + ROUNDING_MM) & ~held
    read_first = _read_first(at, held, removal)
    removal = np.where(held | no_room, 0.0, removal)
    after = less(at, removal)
    short = np.flatnonzero((after.judged.state == State.FAILS).any(axis=(0, 2)))
    text = "Notes stopped at {frets:frets} still fail: cut level, no fret follows a low one."
    remark = sentence(text, frets=tuple(short.tolist())) if short.size else None
    return Work(at, removal, no_room=numbered(no_room), read_first=read_first, remark=remark)


def _beam(found: SetUp, _lift: bool) -> Work:
    """Lower the level line evenly until nothing is worse than it."""
    line, smallest = found.line, found.smallest_cut_mm
    before = set_up(found)
    nothing = np.zeros_like(before.taken_mm)
    worn_out = _worn_out(before)
    if worn_out or _misfit(before) or not fails(before):
        return Work(before, nothing, worn_out=worn_out, misfit=not worn_out and _misfit(before))
    if (closed := _closed(before)).any():
        return Work(before, nothing, read_first=_read_first(before, closed, nothing))

    def lowered(drop_mm: float) -> Work:
        level = line.level_mm - drop_mm
        cut = np.where(line.taken_mm - level >= smallest - ROUNDING_MM, line.taken_mm - level, 0.0)
        left = line.taken_mm - cut
        left = np.where(np.abs(left - level) < smallest - ROUNDING_MM, level, left)
        smooth = line.smooth_mm - drop_mm
        after = replace(line, level_mm=level, smooth_mm=smooth, taken_mm=left, off_mm=left - level)
        no_room = numbered(frets_with(cut > found.problem.room_mm + ROUNDING_MM))
        at = set_up(replace(found, line=after))
        return Work(at, cut, no_room=no_room)

    work = lowered(0.0)
    if not fails(work.at):
        return work
    low, high = smallest, MOST_DROP_MM
    while high - low > DROP_STEP_MM:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if fails(lowered(middle).at) else (low, middle)
    work = lowered(high)
    remark = sentence("All frets are lowered by {drop:length} evenly.", drop=high)
    return replace(work, remark=remark)


def _partial_refret(found: SetUp, lift: bool) -> Work:
    """Give new wire to frets that are worn out or worn low; then as `spot`.

    A fret that stands too high for its crown is not among them: its board does, and new wire would
    stand as high.
    """
    problem, line = found.problem, found.line
    wire = problem.specification.fretwire.crown_height_mm
    wanted = frets_with(problem.lacking_mm > 0.0)
    while True:
        gain = np.where(wanted, wire - problem.measurement.crown_height_mm, 0.0)
        taken = line.taken_mm + gain
        fresh = replace(
            found,
            problem=with_new_wire(problem, wanted, gain),
            line=replace(
                line,
                taken_mm=taken,
                off_mm=taken - line.level_mm,
                lower_mm=np.where(wanted, 0.0, line.lower_mm),
                higher_mm=np.where(wanted, 0.0, line.higher_mm),
                read=line.read | wanted,
            ),
        )
        work = _spot(fresh, lift, wanted) if wanted.any() else _spot(found, lift)
        more = wanted.copy()
        low = work.low_frets
        more[[fret - 1 for fret in (low.frets if low and low.worn else ())]] = True
        if (more == wanted).all():
            told = wanted.any() or work.no_room
            remark = None if told else sentence("No fret needs new wire.")
            return replace(work, replaced=numbered(wanted), remark=remark)
        wanted = more


def _refret(found: SetUp, lift: bool) -> Work:
    """Plane the board straight and fit new wire everywhere; its crowns are level."""
    problem, wood_mm = refretted(found.problem)
    top = problem.measurement.crown_top_mm
    each = np.eye(top.size)
    line = replace(
        found.line,
        level_mm=top,
        smooth_mm=top,
        taken_mm=top,
        off_mm=np.zeros_like(top),
        lower_mm=np.zeros_like(top),
        higher_mm=np.zeros_like(top),
        read=np.ones(top.shape, dtype=bool),
        standing=(),
        hump_mm=0.0,
        fall_away_mm=0.0,
        relief_mm=problem.bow.relief_mm(top),
        relief_u_mm=float(problem.limit_u_mm["relief"][0]),
        relief_open_u_mm=0.0,
        level_open_u_mm=np.zeros_like(top),
        pulls_mm_per_mm=(each.reshape(*top.shape, -1), each.reshape(-1, *top.shape)),
        scatter_mm=0.0,
    )
    work = _spot(replace(found, problem=problem, line=line), lift)
    return replace(
        work,
        replaced=tuple(range(1, problem.frets + 1)),
        remark=sentence("Planing takes up to {wood:length} off the board.", wood=wood_mm),
    )


def _least_metal(found: SetUp, _lift: bool) -> Work:
    """Use every limit to the full: the linear program, whose answer carries its duals."""
    solution = least_metal(found.problem)
    nothing = np.zeros_like(found.taken_mm)
    if solution is None:
        return Work(found, nothing, remark=sentence("Does not meet every limit."))
    held = frets_with(solution.removal_mm > 0.0) & ~found.problem.height_known
    if held.any():
        return Work(found, nothing, read_first=_read_first(found, held, solution.removal_mm))
    at = found.moved(
        solution.relief_change_mm,
        solution.nut_height_change_mm,
        solution.saddle_height_change_mm,
        sentence("Every limit is used to the full for the least metal."),
    )
    return Work(at, solution.removal_mm, solution=solution)


_BY_METHOD: Mapping[str, Callable[[SetUp, bool], Work]] = {
    "adjust": _adjust,
    "spot": _spot,
    "profile": _spot,
    "level": _level,
    "beam": _beam,
    "partial-refret": _partial_refret,
    "refret": _refret,
    "least-metal": _least_metal,
}


# ---- questions -----------------------------------------------------------------------------------


def _misfit(at: SetUp) -> bool:
    """Return whether attack and targets do not fit each other: level frets fall well short."""
    return at.level_margin_share < FITS_SHARE and not at.holds.all()


def _worn_out(at: SetUp) -> tuple[int, ...]:
    """Return the frets under the least height, if they are so many that only new wire helps."""
    worn = frets_with(at.problem.lacking_mm > 0.0)
    return numbered(worn) if worn.sum() > MANY_SHARE * at.problem.frets else ()


def _low_frets(at: SetUp) -> tuple[BoolArray, FloatArray]:
    """Return which frets lie low, shape (F,), and what would bring their crowns to the line."""
    read, off = at.line.read, at.line.off_mm
    low = np.zeros(off.shape[1], dtype=bool)
    for j in np.flatnonzero((off < LOW_MM).any(axis=0) & read.any(axis=0)):
        low[j] = np.median(off[read[:, j], j]) < LOW_MM
    return low, np.where(low, np.maximum(-at.line.off_mm, 0.0), 0.0)


def _lost_mm(problem: Problem) -> FloatArray:
    """Return what each crown has lost beyond the neck's usual, shape (K, F) [mm]; 0 if unread."""
    found = problem.before_filing
    lost = problem.specification.fretwire.crown_height_mm - found.crown_height_mm
    read = found.crown_height_origin == Origin.READ
    return np.where(read, lost - np.median(lost[read]), 0.0) if read.any() else 0.0 * lost
