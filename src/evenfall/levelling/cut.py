"""What comes off the crowns, with rod, nut and saddle set: no more than makes them as level frets.

Every position asks for its bound: what it needs, or what level frets would give if that is less.
One that fails asks for the whole of it and so opens a fret; the others ask for it less their
tolerance. A walk from the nut to the last fret leaves every crown as high as those let it: by
induction no other cut leaves any crown higher, so it is the least metal and the fewest frets at
once. A fret that is opened then goes to the level line. Heights have the shape (K, F), bounds and
which of them count (K, F + 1, F + 1), by stopped fret and fret; all in mm.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, read_only
from evenfall.instrument.specification import Target
from evenfall.levelling.settings import SetUp
from evenfall.levelling.solver import Program
from evenfall.plan.ranges import LEAST_SHOWN_MM
from evenfall.requirement import ROUNDING_MM, State

SPARE_MM = LEAST_SHOWN_MM
"""Where an opened fret goes further down, it leaves this much more than is asked, so that a second
reading of the result cannot fall on the other side by rounding [mm]."""


def asked_mm(at: SetUp) -> FloatArray:
    """Return the clearance that each position asks of a cut, -inf where it asks for none."""
    judged = at.judged
    asked = judged.bound_mm - np.where(judged.state == State.FAILS, 0.0, judged.tolerance_mm)
    return np.where(judged.state == State.UNKNOWN, -np.inf, asked)


def least_cut_mm(at: SetUp, may_cut: BoolArray) -> FloatArray:
    """Return the least that has to come off, shape (K, F), of crowns that may be cut, same shape.

    A crown is left alone or loses the smallest cut or more.
    """
    share, asked = at.problem.share, asked_mm(at)
    height = _with_nut(at, at.taken_mm)
    bounds, done = _Bounds.of(share, at.saddle_mm, asked), 1
    while True:
        # all that follow at once: only a crown that is cut lowers those behind it
        over = height[:, done:] - bounds.behind_mm(height, done)
        cut = (over > ROUNDING_MM) & may_cut[:, done - 1 :]
        short = cut.any(axis=0)
        if not short.any():
            return at.taken_mm - height[:, 1:]
        j = int(short.argmax())
        down = np.maximum(over[:, j], at.smallest_cut_mm)
        height[:, done + j] -= np.where(cut[:, j], down, 0.0)
        done += j + 1


def opened_frets(at: SetUp, may_cut: BoolArray) -> BoolArray:
    """Return which frets are opened, shape (F,), of crowns that may be cut, shape (K, F).

    A position opens a fret, or makes one follow, only if it does both with its crowns as they are
    taken and as they were read: the crown stopped at no lower, the crown ahead no higher. Once the
    frets opened are level, those that stand out and would fail behind them are opened as well: left
    alone, they would hinder those from going there, and whoever files a little deeper would have to
    come back. With readings less sure, stopped crowns are no lower here, crowns ahead no higher,
    and so, from fret to fret, no more are opened.
    """
    line, share, bound = at.line, at.problem.share, at.judged.bound_mm
    smallest = at.smallest_cut_mm - ROUNDING_MM
    stop, ahead = at.taken_mm + line.higher_mm, at.taken_mm - line.lower_mm
    stop, ahead = _with_nut(at, stop), _with_nut(at, ahead)
    clear = (1.0 - share) * stop[:, :, None] + share * at.saddle_mm[:, None, None]
    clear = clear - ahead[:, None, :]
    held = bound - at.judged.tolerance_mm - ROUNDING_MM
    known = (at.judged.state != State.UNKNOWN) & np.isfinite(bound)
    asked = np.where(known, np.where(clear < held, bound, held), -np.inf)
    high = ahead[:, 1:] - at.level_mm >= smallest
    opened = np.zeros(line.off_mm.shape[1], dtype=bool)
    level = np.where(high, at.level_mm, np.inf)
    bounds = _Bounds.of(share, at.saddle_mm, asked)
    while True:
        height, now, done = stop.copy(), opened.copy(), 1
        while True:
            # all that follow at once: only a crown that goes down lowers those behind it
            most = bounds.behind_mm(height, done)
            cut = (ahead[:, done:] - most > ROUNDING_MM) & may_cut[:, done - 1 :]
            down = cut.any(axis=0) | opened[done - 1 :]
            if not down.any():
                break
            n = int(down.argmax())
            j = done + n
            now[j - 1] |= cut[:, n].any()
            # no cut is less than the smallest, and the next fret may have to follow it
            low = np.minimum(most[:, n], stop[:, j] - smallest)
            height[:, j] = np.where(cut[:, n], low, height[:, j])
            if opened[j - 1]:
                height[:, j] = np.minimum(height[:, j], level[:, j - 1])
            done = j + 1
        if (now == opened).all():
            return opened
        opened = now


def in_doubt(at: SetUp, removal_mm: FloatArray, left: BoolArray) -> SetUp:
    """Return the job with crowns of frets that are left alone, shape (F,), low enough to pass.

    They are short by what is taken of them and not by what was read, or the other way round.
    """
    share, asked = at.problem.share, at.judged.bound_mm - at.judged.tolerance_mm
    asked = np.where(at.judged.state == State.UNKNOWN, -np.inf, asked)
    height = _with_nut(at, at.taken_mm - removal_mm)
    bounds = _Bounds.of(share, at.saddle_mm, asked)
    for j in np.flatnonzero(left) + 1:
        most = bounds.at_mm(height, int(j))
        height[:, j] = np.minimum(height[:, j], most)
    lower = at.taken_mm - removal_mm - height[:, 1:]
    if not (lower > ROUNDING_MM).any():
        return at
    line = at.line
    line = replace(
        line,
        taken_mm=line.taken_mm - lower,
        off_mm=line.off_mm - lower,
        lower_mm=np.maximum(line.lower_mm - lower, 0.0),
    )
    return replace(at, line=line)


def to_level_mm(at: SetUp, least_mm: FloatArray, opened: BoolArray) -> FloatArray:
    """Return the cut with opened frets, shape (F,), down to the level line, shape (K, F).

    That is where they stand out by the smallest cut or more, and as far as crown height and the
    crowns that are left alone let them: none of those has to follow, not even after what the bench
    may miss, where there is room for that. No crown is left off the line by less than the smallest
    cut where that can be helped: it would count as level when it is read again, and so the result
    would not be what was decided.
    """
    share, asked, saddle = at.problem.share, asked_mm(at), at.saddle_mm
    spare = asked + SPARE_MM
    smallest = max(0.0, at.smallest_cut_mm - ROUNDING_MM)
    found, kept = (_with_nut(at, top) for top in (at.taken_mm, at.taken_mm - least_mm))
    # from the last fret back: the lowest that each crown may go, and where it is wanted
    floor, height = found.copy(), found.copy()
    room = np.maximum(at.problem.room_mm, least_mm)
    for fret in np.flatnonzero(opened)[::-1] + 1:
        ahead = share[:, fret, fret + 1 :]
        held = spare[:, fret, fret + 1 :] + floor[:, fret + 1 :] - ahead * saddle[:, None]
        held = (held / (1.0 - ahead)).max(axis=1, initial=-np.inf)
        low = np.maximum(held, found[:, fret] - room[:, fret - 1])
        low = np.minimum(low, kept[:, fret])
        level = at.level_mm[:, fret - 1]
        level = np.where(low > level, np.maximum(low, level + at.smallest_cut_mm), level)
        # a file that takes off a little more must not make the crowns left alone follow
        miss = at.problem.specification.judgement.allowance_mm(at.tool)
        level = np.maximum(level, np.minimum(held + miss, 0.5 * (low + kept[:, fret])))
        wanted = np.maximum(low, np.minimum(kept[:, fret], level))
        cut = found[:, fret] - wanted > smallest
        floor[:, fret] = np.where(cut, low, found[:, fret])
        height[:, fret] = np.where(cut, wanted, found[:, fret])
    bounds = _Bounds.of(share, saddle, asked)
    for fret in np.flatnonzero(opened) + 1:
        most = bounds.at_mm(height, int(fret))
        at_most = np.minimum(most, np.maximum(most - SPARE_MM, floor[:, fret]))
        down = np.minimum(height[:, fret], at_most)
        level = at.level_mm[:, fret - 1]
        lower = np.minimum(down, np.maximum(level - at.smallest_cut_mm, floor[:, fret]))
        down = np.where(down < level - ROUNDING_MM, lower, down)
        cut = height[:, fret] < found[:, fret]
        height[:, fret] = np.where(cut, down, height[:, fret])
    return at.taken_mm - height[:, 1:]


def within_form_mm(at: SetUp, cut_mm: FloatArray, may_cut: BoolArray) -> FloatArray | None:
    """Return the least cut no shallower that keeps the form limits, shape (K, F), None if none.

    Those limits are the second difference of a crown line across the strings, taken off the level
    line, and the step of removal from fret to fret. They couple the strings, so a linear program
    decides, of opened frets alone if they will do.
    """
    target = at.problem.specification.target
    if _keeps_form(at, cut_mm):
        return cut_mm
    opened = np.broadcast_to((cut_mm > 0.0).any(axis=0), cut_mm.shape)
    for allowed in (opened & may_cut, may_cut) if target.along_mm is None else (may_cut,):
        low = cut_mm
        while (found := _program_mm(at, low, allowed)) is not None:
            small = (found > ROUNDING_MM) & (found < at.smallest_cut_mm - ROUNDING_MM)
            if not small.any():
                return np.where(found > ROUNDING_MM, found, 0.0)
            low = np.where(small, at.smallest_cut_mm, low)
    return None


def form_rows(target: Target, off_mm: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return rows over the removal (K F) and their limits that keep a cut fret even.

    The crowns are given off the line that counts as even, shape (K, F).
    """
    count, frets = off_mm.shape
    rows, low, high = [np.zeros((0, count * frets))], [np.zeros(0)], [np.zeros(0)]
    if target.across_mm is not None:
        bend = np.diff(off_mm, 2, axis=0).ravel()
        # a crossing that is rough as found may stay as rough, but not become rougher
        most = np.maximum(target.across_mm, np.abs(bend))
        rows.append(_across(count, frets))
        low.append(-most - bend)
        high.append(most - bend)
    if target.along_mm is not None:
        rows.append(_along(count, frets))
        low.append(np.full(len(rows[-1]), -target.along_mm))
        high.append(np.full(len(rows[-1]), target.along_mm))
    return np.concatenate(rows), np.concatenate(low), np.concatenate(high)


@lru_cache(maxsize=16)
def _across(count: int, frets: int) -> FloatArray:
    """Return the second differences of removal (K F) from string to string, as rows."""
    rows = np.kron(-np.diff(np.eye(count), 2, axis=0), np.eye(frets))
    return read_only(np.asarray(rows, float))


@lru_cache(maxsize=16)
def _along(count: int, frets: int) -> FloatArray:
    """Return the steps of removal (K F) from fret to fret, as rows."""
    rows = np.kron(np.eye(count), np.diff(np.eye(frets), axis=0))
    return read_only(np.asarray(rows, float))


def _form(at: SetUp) -> tuple[FloatArray, FloatArray, FloatArray]:
    return form_rows(at.problem.specification.target, at.taken_mm - at.level_mm)


def _keeps_form(at: SetUp, cut_mm: FloatArray) -> bool:
    rows, low, high = _form(at)
    value = rows @ cut_mm.ravel()
    return bool(((value >= low - ROUNDING_MM) & (value <= high + ROUNDING_MM)).all())


def _program_mm(at: SetUp, low_mm: FloatArray, allowed: BoolArray) -> FloatArray | None:
    """Return the least removal within the form limits of crowns that are allowed to be cut."""
    form, form_low, form_high = _form(at)
    short = asked_mm(at) - at.clearance_mm
    k, i, j = np.nonzero(np.isfinite(short))
    frets = at.problem.frets
    rows = np.zeros((len(k), low_mm.size))
    each = np.arange(len(k))
    rows[each, k * frets + j - 1] = 1.0
    stopped = i > 0
    share = at.problem.share[k, i, j]
    rows[each[stopped], (k * frets + i - 1)[stopped]] = share[stopped] - 1.0
    # what may not be cut and stays short must not become shorter
    lower = short[k, i, j]
    lower = np.where(allowed[k, j - 1], lower, np.minimum(lower, rows @ low_mm.ravel()))
    found = Program(
        cost=np.ones(low_mm.size),
        low_bound=low_mm.ravel(),
        high_bound=np.where(allowed, np.inf, low_mm).ravel(),
        row_weights=np.concatenate([rows, form]),
        row_low_bound=np.concatenate([lower, form_low]),
        row_high_bound=np.concatenate([np.full(len(k), np.inf), form_high]),
    ).solve()
    return None if found is None else found.parameters.reshape(low_mm.shape)


def _with_nut(at: SetUp, crown_top_mm: FloatArray) -> FloatArray:
    return np.concatenate([at.nut_mm[:, None], crown_top_mm], axis=1)


@lru_cache(maxsize=16)
def _before(places: int) -> BoolArray:
    """Return which places come before which, by fret and stopped fret, for every string."""
    return np.tri(places, k=-1, dtype=bool)[:, None, :]


@dataclass(frozen=True, slots=True)
class _Bounds:
    """How high crowns may stand for the notes stopped before them; by fret first, for speed."""

    stopped_share: FloatArray  # (F + 1, K, F + 1), by fret, string and stopped fret
    # what the saddle adds, less what is asked, same shape; infinite for stops not before the fret
    rest_mm: FloatArray

    @staticmethod
    def of(share: FloatArray, saddle_mm: FloatArray, asked_mm: FloatArray) -> _Bounds:
        """Return the bounds by share of the saddle and what is asked, (K, F + 1, F + 1)."""
        rest = share * saddle_mm[:, None, None] - asked_mm
        stopped, rest = (np.ascontiguousarray(of.transpose(2, 0, 1)) for of in (1.0 - share, rest))
        return _Bounds(stopped, np.where(_before(len(rest)), rest, np.inf))

    def at_mm(self, height_mm: FloatArray, fret: int) -> FloatArray:
        """Return how high the crowns of a fret may stand, behind heights (K, F + 1), shape (K,)."""
        behind = self.stopped_share[fret, :, :fret] * height_mm[:, :fret]
        return np.asarray((behind + self.rest_mm[fret, :, :fret]).min(axis=1))

    def behind_mm(self, height_mm: FloatArray, fret: int) -> FloatArray:
        """Return the same of a fret and all that follow, as if none of them went down, (K, ...)."""
        found = self.stopped_share[fret:] * height_mm
        found += self.rest_mm[fret:]
        return np.asarray(found.min(axis=2).T)
