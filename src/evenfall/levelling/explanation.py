"""What a method comes to in effort and risk, and which of several to take."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from evenfall.plan import METHODS
from evenfall.plan.methods import MethodResult
from evenfall.requirement import State, margin_share
from evenfall.strings.clearance import PluckForce
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from evenfall.levelling.decision import Decision

#: Bench time [min]: estimates, common practice, no source.
MINUTES = {
    "rod": 5.0,
    "saddle, each string": 2.0,
    "nut, each slot": 4.0,
    "fret, each, by file": 4.0,
    "fret, each, re-crowned": 4.0,
    "fret, each, lifted": 10.0,
    "machine, once": 20.0,
    "fret, each, by machine": 1.0,
    "beam, once": 30.0,
    "fret, each, replaced": 15.0,
    "board, planed": 60.0,
}

ALIKE_MM, ALIKE_SHARE = 0.02, 0.03
"""Two methods whose metal differs by no more than the larger of these take the same."""

SAVES_SHARE = 0.3
"""What the use of every limit to the full has to save to be worth a word."""

NAMED_ONLY = ("level", "refret", "least-metal")
"""Methods that a person may choose by name and the program never recommends: every fret is not
replaced by itself."""


def method_result(decision: Decision) -> MethodResult:
    """Return what a method comes to, NaN where it leaves notes that fail."""
    if not decision.holds:
        nan = math.nan
        remark = decision.remark or _why_not(decision)
        return MethodResult(decision.method, False, nan, 0, 0, nan, nan, nan, nan, nan, (), remark)
    problem = decision.problem
    played = problem.player_n > 0.0

    def lowest(force: PluckForce) -> float:
        share = margin_share(force.force_n, problem.player_n)[played]
        return 100.0 * float(share.min()) if played.any() else math.nan

    return MethodResult(
        method=decision.method,
        holds=True,
        metal_mm=decision.metal_mm,
        frets_touched=len(decision.cut_frets),
        frets_replaced=len(decision.replaced),
        lowest_crown_mm=decision.lowest_crown_mm,
        life_used=life_used(decision),
        lowest_margin_percent=lowest(decision.buzz_force),
        lowest_touch_margin_percent=lowest(decision.touch_force),
        minutes=_minutes(decision),
        risks=_risks(decision),
        remark=decision.remark,
    )


def _why_not(decision: Decision) -> Sentence:
    if decision.no_room:
        return sentence(
            "Too little crown is left on {frets:frets} for what would have to come off.",
            frets=decision.no_room,
        )
    if decision.conclusion == "misfit":
        return sentence(
            "Level frets stay clear only up to {share:share} of the design attack.",
            share=max(0.0, decision.level_margin_share),
        )
    if decision.read_first:
        text = "{frets:frets} {frets:plural has|have} to be read under every string first."
        if not any(one.strings for one in decision.read_first):
            text = "The crown height of {frets:frets} has to be read first."
        return sentence(text, frets=tuple(one.fret for one in decision.read_first))
    failing = int((decision.note_state == State.FAILS).sum())
    return sentence("{failing:count note} would still fail.", failing=failing)


def life_used(decision: Decision) -> float:
    """Return the largest share of the metal over the least crown height that a cut takes."""
    room, cut = decision.problem.room_mm, decision.removal_mm
    return float(np.where(cut < room, cut / np.maximum(room, 1e-12), cut > 0.0).max())


def _minutes(decision: Decision) -> float:
    """Return the estimated bench time of a decision [min], from `MINUTES`."""
    total = MINUTES["rod"] if decision.relief_change_mm else 0.0
    total += MINUTES["saddle, each string"] * np.count_nonzero(decision.saddle_height_change_mm)
    total += MINUTES["nut, each slot"] * np.count_nonzero(decision.nut_height_change_mm)
    total += MINUTES["fret, each, lifted"] * np.count_nonzero(decision.lifted_mm.any(axis=0))
    cut = len(decision.cut_frets)
    once = {"beam": "beam, once", "refret": "board, planed", "profile": "machine, once"}
    if decision.method in once and (cut or decision.replaced):
        total += MINUTES[once[decision.method]]
    if decision.method != "beam":
        by = "machine" if decision.method == "profile" else "file"
        total += cut * MINUTES[f"fret, each, by {by}"]
    total += cut * MINUTES["fret, each, re-crowned"]
    return float(total + MINUTES["fret, each, replaced"] * len(decision.replaced))


def _risks(decision: Decision) -> tuple[Sentence, ...]:
    """Return what can go wrong, from what is done."""
    wire = decision.problem.specification.fretwire
    risks = []
    if decision.method == "refret":
        risks.append(sentence("Wood comes off the board and cannot be put back."))
    elif decision.replaced:
        risks.append(sentence("Slots may be damaged as frets come out."))
    if decision.metal_mm > 0.0:
        left = decision.lowest_crown_mm - wire.least_crown_height_mm
        risks.append(
            sentence(
                "Only {left:length} of crown is left to cut another time.", left=max(0.0, left)
            )
            if left < 0.05
            else sentence("Metal cannot be put back.")
        )
    if (decision.nut_height_change_mm < 0.0).any():
        risks.append(sentence("A nut slot cut too deep has to be filled."))
    return tuple(risks)


def recommend(results: Sequence[MethodResult]) -> tuple[str, Sentence]:
    """Return the method to use, and why; an empty name where none holds.

    Old frets before new ones, then the least metal; where two take the same, the fewest frets, then
    the least time.
    """
    holding = [r for r in results if r.holds and r.method not in NAMED_ONLY]
    if not holding:
        failed = [r.remark for r in results if r.remark is not None and r.method not in NAMED_ONLY]
        return "", failed[-1] if failed else sentence("No method clears every note.")
    fewest_new = min(r.frets_replaced for r in holding)
    old = [r for r in holding if r.frets_replaced == fewest_new]
    least = min(r.metal_mm for r in old)
    alike = [r for r in old if r.metal_mm <= least + max(ALIKE_MM, ALIKE_SHARE * least)]
    best = min(alike, key=lambda r: (r.frets_touched, r.minutes))
    if not best.frets_touched and not best.frets_replaced:
        return best.method, sentence("Nothing has to be cut.")
    taken = sentence(
        "{metal:length} on {frets:count fret}", metal=best.metal_mm, frets=best.frets_touched
    )
    if best.frets_replaced:
        return best.method, sentence(
            "With the frets as they are no method clears every note; {new} new {new:plural one "
            "does|ones do}, with {taken} to cut.",
            new=best.frets_replaced,
            taken=taken if best.frets_touched else "nothing",
        )
    others = [r for r in holding if r is not best and not r.frets_replaced]
    if not others:
        return best.method, sentence("{method}: {taken}.", method=METHODS[best.method], taken=taken)
    other = min(others, key=lambda r: r.metal_mm)
    return best.method, sentence(
        "{method}: {taken} ({other}: {more:length} on {frets:count fret}).",
        method=METHODS[best.method],
        taken=taken,
        other=METHODS[other.method],
        more=other.metal_mm,
        frets=other.frets_touched,
    )
