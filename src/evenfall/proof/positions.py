"""The clearances of all stopped positions, each position judged by the least sure.

A position holds by all its clearances at once, so all are judged together as arrays; gaps, relief
and crown heights are judged one by one (`judging`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray, ahead
from evenfall.proof.decision import (
    EXACT_MM,
    ROUNDING_MM,
    conformance_probability,
    one_sided_factor,
)
from evenfall.proof.judging import with_verdict
from evenfall.proof.result import Positions
from evenfall.requirement import Judged, Requirement, judge
from evenfall.strings.clearance import (
    buzz_force,
    chord_share,
    clearance_weights,
    rest_clearance_mm,
    touch_force,
)
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from evenfall.proof.decision import Verdict
    from evenfall.proof.judging import Case
    from evenfall.proof.result import Item


@dataclass(frozen=True, slots=True)
class Clearances:
    """Rest clearances of K strings over F frets, shape (K, F + 1, F + 1); unknown for j <= i."""

    # clearance of the string stopped at i over fret j, its standard uncertainty [mm] and the
    # degrees of freedom of that
    clearance_mm: FloatArray
    u_mm: FloatArray
    degrees_of_freedom: FloatArray
    # what level frets would give at the same rod, nut and saddle [mm]
    level_clearance_mm: FloatArray
    # What it has over what it must be; negative where it is short. A crown that stands out by less
    # than a smallest cut is as good as level, whichever of the two crowns it is.
    room_mm: FloatArray
    # the clearance with what does not stand out taken as level, and how that stands
    taken_mm: FloatArray
    judged: Judged
    # how far inside the limit it must lie to conform for certain, and how far outside not to
    # conform for certain [mm]
    sure_mm: FloatArray
    refused_mm: FloatArray

    @property
    def limit_mm(self) -> FloatArray:
        """What each clearance must be."""
        return self.clearance_mm - self.room_mm

    @property
    def score(self) -> FloatArray:
        """Order of certainty: the lowest is the least sure to be enough; infinite where unknown."""
        with np.errstate(invalid="ignore"):
            score = self.room_mm / np.maximum(self.sure_mm, EXACT_MM)
            refused = self.room_mm <= -np.maximum(self.refused_mm, ROUNDING_MM)
        # a clearance that is refused for certain goes before all that are not
        return np.where(np.isnan(score), np.inf, np.where(refused, score - 1e12, score))


def clearances(case: Case) -> Clearances:
    """Return every clearance with its uncertainty and what it has to be."""
    heights, weights = case.heights, clearance_weights(case.lines)
    free = ahead(weights.shape[1])
    clearance_mm = rest_clearance_mm(
        case.lines, heights.nut_mm, heights.crown_top_mm, heights.saddle_mm
    )
    level_mm, taken_mm = (
        rest_clearance_mm(case.lines, heights.nut_mm, crowns_mm, heights.saddle_mm)
        for crowns_mm in (case.level_mm, case.taken_mm)
    )
    taken_mm = np.where(np.isfinite(clearance_mm), taken_mm, np.nan)
    specification = case.specification
    judged = judge(
        Requirement.of(specification, case.excursion),
        case.attack_n,
        taken_mm,
        level_mm,
        smallest_cut_mm=case.smallest_cut_mm,
        attack_tolerance=specification.judgement.attack_tolerance,
    )
    by_string = list(enumerate(weights))
    u_mm = np.stack([heights.u_mm(rows, k) for k, rows in by_string])
    freedom = np.stack([heights.effective_degrees_of_freedom(rows, k) for k, rows in by_string])
    u_mm = np.where(free, u_mm, 0.0)
    return Clearances(
        clearance_mm=clearance_mm,
        u_mm=u_mm,
        degrees_of_freedom=np.where(free, freedom, math.inf),
        level_clearance_mm=level_mm,
        room_mm=_room_mm(case, clearance_mm - (judged.bound_mm - judged.tolerance_mm)),
        taken_mm=taken_mm,
        judged=judged,
        sure_mm=_factors(specification.rule.false_acceptance, freedom) * u_mm,
        refused_mm=_factors(case.refusal_chance, freedom) * u_mm,
    )


def _room_mm(case: Case, room_mm: FloatArray) -> FloatArray:
    """Return the room of every clearance, given what it has as it was read, (K, F + 1, F + 1) [mm].

    It is enough that the clearance suffices as read; or that it would with the stopped crown level,
    and that crown lies under its level by less than a smallest cut; or with the crown under the
    string level, and that one stands over it by less; or that both do. What is accepted is nearest
    to one of the four, so its room is the largest of them.
    """
    off_mm = np.pad(case.heights.crown_top_mm - case.level_mm, ((0, 0), (1, 0)))
    low_mm = (case.smallest_cut_mm + off_mm)[:, :, None]
    high_mm = (case.smallest_cut_mm - off_mm)[:, None, :]
    stopped_mm = room_mm - (1.0 - chord_share(case.lines)) * off_mm[:, :, None]
    under_mm = room_mm + off_mm[:, None, :]
    each = (
        room_mm,
        np.minimum(low_mm, stopped_mm),
        np.minimum(high_mm, under_mm),
        np.minimum(low_mm, high_mm) + 0.0 * room_mm,
    )
    return np.asarray(np.maximum.reduce(each))


def _factors(chance: float, degrees_of_freedom: FloatArray) -> FloatArray:
    """Return the one-sided factors of a chance for many degrees of freedom, NaN taken as known."""
    known = np.where(np.isfinite(degrees_of_freedom), degrees_of_freedom, math.inf)
    whole, at = np.unique(
        np.where(np.isfinite(known), np.floor(np.fmin(known, 1e9) * (1.0 + 1e-9)), known),
        return_inverse=True,
    )
    factors = [one_sided_factor(chance, max(1.0, float(nu))) for nu in whole]
    return np.array(factors)[at].reshape(degrees_of_freedom.shape)


def judge_positions(case: Case, found: Clearances) -> Positions:
    """Return the verdict on every stopped position: on all its clearances, the least sure named."""
    count, frets = case.heights.crown_top_mm.shape
    free = ahead(frets + 1)[:-1]
    score = np.where(free, found.score[:, :-1], np.inf)
    critical = score.argmin(axis=2)
    k, i = np.ogrid[:count, :frets]
    at = k, i, critical
    known = np.isfinite(score[at])
    clearance_mm, u_mm, limit_mm = found.clearance_mm[at], found.u_mm[at], found.limit_mm[at]
    swing = case.excursion.buzz_mm_per_n
    with np.errstate(divide="ignore", invalid="ignore"):
        spread_n = u_mm / swing[at]
    room_mm = np.where(free, found.room_mm[:, :-1], np.inf)
    # One missing height leaves the position's forces unknown: the gap may be there.
    missing = np.isnan(room_mm).any(axis=2)

    def known_n(force_n: FloatArray) -> FloatArray:
        return np.where(missing | ~np.isfinite(force_n), np.nan, force_n)

    sure = ~missing & (room_mm >= found.sure_mm[:, :-1] - ROUNDING_MM).all(axis=2)
    refused = (room_mm <= -np.maximum(found.refused_mm[:, :-1], ROUNDING_MM)).any(axis=2)
    words: tuple[Verdict, ...] = ("undecided", "conforms", "does not conform")
    verdict = tuple(
        tuple(words[int(code)] for code in row)
        for row in np.where(refused, 2, np.where(sure, 1, 0))
    )
    freedom = found.degrees_of_freedom[at]
    probability = [
        conformance_probability(value, u, lower_mm=low, degrees_of_freedom=max(1.0, nu))
        for value, u, low, nu in zip(
            *(x.ravel().tolist() for x in (clearance_mm, u_mm, limit_mm, freedom)), strict=True
        )
    ]
    buzz_force_n = known_n(buzz_force(found.clearance_mm, case.excursion).force_n)
    return Positions(
        buzz_force_n=buzz_force_n,
        touch_force_n=known_n(touch_force(found.clearance_mm, case.excursion).force_n),
        buzz_force_u_n=np.where(
            np.isfinite(buzz_force_n) & np.isfinite(spread_n), spread_n, np.nan
        ),
        clearance_mm=np.where(known, clearance_mm, np.nan),
        clearance_u_mm=np.where(known, u_mm, np.nan),
        required_mm=np.where(known, limit_mm, np.nan),
        critical_fret=np.where(known, critical, 0).astype(np.int64),
        probability=np.where(known, np.reshape(probability, known.shape), np.nan),
        state=found.judged.note_state,
        verdict=verdict,
    )


def clear_up_to_n(case: Case, found: Clearances) -> FloatArray:
    """Return the attack up to which each string clears everywhere, tolerance counted, (K,) [N]."""
    rule, judgement = case.specification.rule, case.specification.judgement
    swing = case.excursion.buzz_mm_per_n
    room_mm = found.taken_mm - rule.extra_clearance_mm
    with np.errstate(divide="ignore", invalid="ignore"):
        by_cut = (room_mm + 0.5 * case.smallest_cut_mm) / swing
        by_swing = room_mm / ((1.0 - judgement.attack_tolerance) * swing)
    force_n = np.where(swing > 0.0, np.fmax(by_cut, by_swing), np.nan)
    least = np.nanmin(np.where(np.isnan(force_n), np.inf, force_n), axis=(1, 2))
    return np.where(np.isfinite(least), np.maximum(0.0, least), np.nan)


def clearance_items(case: Case, positions: Positions, found: Clearances) -> list[Item]:
    """Return the least sure clearance of each string, judged.

    The item of a string conforms only if every position of the string does.
    """
    weights = clearance_weights(case.lines)
    score = found.score[:, :-1].min(axis=2)
    items = []
    for k, row in enumerate(positions.verdict):
        stop = int(score[k].argmin())
        fret = int(positions.critical_fret[k, stop])
        known = math.isfinite(score[k, stop])
        _, lines = case.worked_out(weights[k, stop, fret], k) if known else (math.nan, [])
        where: Sentence | str = ""
        if known:
            stopped = sentence("stopped at fret {stop}", stop=stop) if stop else sentence("open")
            where = sentence(" {stopped} over fret {fret}", stopped=stopped, fret=fret)
        counts = (
            (row.count("does not conform"), sentence("not conforming")),
            (row.count("undecided"), sentence("undecided")),
        )
        route = sentence(
            "least certain of {n} positions{counts}",
            n=len(row),
            counts=_run([sentence(", {n} {kind}", n=n, kind=kind) for n, kind in counts if n]),
        )
        item = case.item(
            sentence("Clearance of string {string}{place}", string=k + 1, place=where),
            "clearance",
            value_mm=float(positions.clearance_mm[k, stop]),
            budget=lines,
            low_mm=float(positions.required_mm[k, stop]) if known else -math.inf,
            string=k + 1,
            stopped_fret=stop if known else None,
            fret=fret if known else None,
            basis="derived",
            route=route,
        )
        if item.verdict == "conforms" and "undecided" in row:
            item = with_verdict(item, "undecided", sentence("some positions were not read"))
        items.append(item)
    return items


def _run(parts: Sequence[Sentence]) -> Sentence | str:
    """Return sentences one right after another."""
    made: Sentence | str = ""
    for one in parts:
        made = sentence("{before}{one}", before=made, one=one)
    return made
