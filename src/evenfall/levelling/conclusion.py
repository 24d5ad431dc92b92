"""From what is to be done to a decision: what it comes to, what to ask first, what is undecided."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, numbered
from evenfall.levelling.decision import Ask, Conclusion, Decision
from evenfall.levelling.settings import MOVED_MM, SetUp, left_out, too_near_to_tell
from evenfall.neck.drawn_line import LEAST_U_MM
from evenfall.neck.level_line import LevelLine
from evenfall.plan.before_cut import LowFrets, ReadFirst
from evenfall.plan.limits import LeftOut, Undecided
from evenfall.plan.plan import Part
from evenfall.requirement import ROUNDING_MM, State
from evenfall.strings.clearance import open_share
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from evenfall.levelling.least_metal import Solution

MANY_SHARE = 1.0 / 3.0
"""Of the frets: more than this standing out, or worn out, is to be confirmed first."""
STANDS_OUT_MM, DEEP_MM, MANY_NEW = 0.03, 0.15, 2
"""By how much those stand out, how deep a cut [mm] and how many new frets are confirmed first."""


@dataclass(frozen=True)
class Work:
    """What is to be done with rod, nut and saddle set, and what stands in the way."""

    at: SetUp
    removal_mm: FloatArray
    lifted_mm: FloatArray | None = None
    replaced: tuple[int, ...] = ()
    no_room: tuple[int, ...] = ()
    read_first: tuple[ReadFirst, ...] = ()
    low_frets: LowFrets | None = None
    left_out: tuple[LeftOut, ...] = ()
    remark: Sentence | None = None
    worn_out: tuple[int, ...] = ()
    misfit: bool = False
    solution: Solution | None = field(default=None, repr=False)


def concluded(method: str, line: LevelLine, work: Work, *, settled: bool) -> Decision:
    """Return the decision that work by a method comes to."""
    at, problem = work.at, work.at.problem
    lifted = np.zeros_like(at.taken_mm) if work.lifted_mm is None else work.lifted_mm
    after = at if method == "beam" else less(at, work.removal_mm)
    return Decision(
        method=method,
        conclusion=_conclusion(work, after),
        part=_part(at, settled=settled),
        problem=problem,
        line=line,
        smallest_cut_mm=at.smallest_cut_mm,
        relief_change_mm=at.relief_change_mm,
        saddle_height_change_mm=at.saddle_change_mm,
        nut_height_change_mm=at.nut_change_mm,
        removal_mm=work.removal_mm,
        lifted_mm=lifted,
        replaced=work.replaced,
        no_room=work.no_room,
        level_after_mm=after.level_mm,
        taken_after_mm=after.taken_mm,
        judged=after.judged,
        level_margin_share=at.level_margin_share,
        fitting_action_mm=at.fitting_action_mm,
        reasons=(*at.reasons, *too_near_to_tell(after)),
        left_out=(*left_out(at), *work.left_out, *_too_low(work)),
        read_first=work.read_first,
        low_frets=work.low_frets,
        ask=_ask(line, work),
        undecided=_undecided(after),
        remark=work.remark,
        solution=work.solution,
    )


def _conclusion(work: Work, after: SetUp) -> Conclusion:  # noqa: PLR0911  (one line each)
    if work.worn_out or work.replaced:
        return "new-wire"
    if work.misfit:
        return "misfit"
    if work.low_frets is not None and work.low_frets.recommended:
        return "lift"
    if work.removal_mm.any():
        return "cut"
    if work.read_first:
        return "read-first"
    if fails(after):
        return "short"
    return "settings" if moves(work.at) else "nothing"


def _part(at: SetUp, *, settled: bool) -> Part:
    """Return whether rod or saddle move so far that the neck has to be read again first."""
    problem, allowed = at.problem, at.problem.specification.judgement
    share = open_share(problem.lines, problem.specification.scale.reference_fret)
    rod = max(float(problem.limit_u_mm["relief"][0]), LEAST_U_MM)
    saddle = np.maximum(problem.limit_u_mm["action"], LEAST_U_MM) / share
    if settled:
        rod, saddle = (
            max(rod, allowed.allowance_rod_mm),
            np.maximum(saddle, allowed.allowance_saddle_mm),
        )
    far = abs(at.relief_change_mm) > rod or bool((np.abs(at.saddle_change_mm) > saddle).any())
    return "settings" if far else "whole"


def _too_low(work: Work) -> tuple[LeftOut, ...]:
    """Return which crowns are under the least height as found, or would come to be."""
    low = numbered(frets_with(work.at.problem.lacking_mm > 0.0))
    texts = (
        (low, "The crowns of {frets:frets} are under the least height."),
        (
            work.no_room,
            "What has to come off {frets:frets} is more than the crowns have over the least "
            "height, and new wire would stand as high: re-seat, plane the board, or allow less.",
        ),
    )
    return tuple(
        LeftOut("crown-height", (), sentence(text, frets=frets)) for frets, text in texts if frets
    )


def _ask(line: LevelLine, work: Work) -> tuple[Ask, ...]:
    """Return what a second reading has to confirm before metal comes off or wire goes in."""
    if not (work.removal_mm.any() or work.replaced or work.worn_out):
        return ()
    asked = []
    standing = tuple(s.fret for s in line.standing if abs(s.size_mm) >= STANDS_OUT_MM)
    if len(standing) > MANY_SHARE * work.at.problem.frets:
        text = "{frets:count fret} {frets:plural stands|stand} out by {by:length} or more."
        asked.append(Ask(sentence(text, frets=len(standing), by=STANDS_OUT_MM), standing))
    deep = work.removal_mm.max(axis=0) > DEEP_MM
    if deep.any():
        text = "The cut on {frets:frets} is up to {cut:length} deep."
        most = float(work.removal_mm.max())
        asked.append(Ask(sentence(text, frets=numbered(deep), cut=most), numbered(deep)))
    new = tuple(sorted({*work.replaced, *work.worn_out}))
    if len(new) > MANY_NEW:
        asked.append(
            Ask(
                sentence("{frets:count fret} {frets:plural needs|need} new wire.", frets=len(new)),
                new,
            )
        )
    return tuple(asked)


def _undecided(after: SetUp) -> tuple[Undecided, ...]:
    """Return the notes that pass by the readings, not for certain, each where it is least so."""
    problem, judged = after.problem, after.judged
    spare = after.clearance_mm - judged.bound_mm + judged.tolerance_mm
    u = np.maximum(problem.clearance_u_mm, LEAST_U_MM)
    passes = (judged.state == State.HOLDS) | (judged.state == State.AS_GOOD)
    unsure = np.maximum(problem.coverage_factor * u, ROUNDING_MM)
    share = np.where(passes, spare / unsure, np.inf)[:, :-1]
    fret = share.argmin(axis=2)
    least = np.take_along_axis(share, fret[..., None], axis=2)[..., 0]
    return tuple(
        Undecided(
            string=int(k) + 1,
            stopped_fret=int(i),
            fret=int(fret[k, i]),
            u_mm=float(u[k, i, fret[k, i]]),
            deciding_u_mm=float(max(0.0, least[k, i]) * after.line.u_mm[k, fret[k, i] - 1]),
        )
        for k, i in np.argwhere(least < 1.0)
    )


def less(at: SetUp, removal_mm: FloatArray) -> SetUp:
    """Return the same job with so much taken off its crowns."""
    line = replace(
        at.line, taken_mm=at.line.taken_mm - removal_mm, off_mm=at.line.off_mm - removal_mm
    )
    return replace(at, line=line)


def frets_with(crowns: BoolArray) -> BoolArray:
    """Return which frets have such a crown, shape (F,)."""
    return np.asarray(crowns.any(axis=0))


def fails(at: SetUp) -> bool:
    """Return whether a position is worse than needed, and worse than level frets."""
    return at.judged.worst == State.FAILS


def moves(at: SetUp) -> bool:
    """Return whether rod, nut or saddle move."""
    each = (*at.nut_change_mm, *at.saddle_change_mm, at.relief_change_mm)
    return max(abs(float(move)) for move in each) > MOVED_MM
