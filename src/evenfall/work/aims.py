"""What rod, saddle and nut slots are set to, one reading each: where to stop, which way to go."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from evenfall.instrument import Specification
from evenfall.neck.bow import relief_point
from evenfall.plan import Plan
from evenfall.wording import Sentence, sentence
from evenfall.work.parts import NOTHING_MM
from evenfall.work.steps import Steps

Setting = Literal["rod", "saddle", "nut"]


@dataclass(frozen=True, slots=True)
class Aim:
    """One reading that is brought to its target."""

    setting: Setting
    name: Sentence  # what is read, and where
    target_mm: float
    stop_mm: tuple[float, float]  # from here to there it is done
    limits_mm: tuple[float, float]  # of the specification
    over: Sentence  # what to do while it reads more
    under: Sentence  # and less
    final: Sentence | None = None  # why going on past the target cannot be taken back


def aims(specification: Specification, plan: Plan) -> tuple[Aim, ...]:
    """Return what the work of a plan brings to a target, in the order of the work."""
    steps = Steps(specification, plan)
    if not steps.work():
        return ()
    found: list[Aim] = []
    if steps.turns_rod:
        found.append(_rod(steps))
    if steps.moves_saddle:
        found += _saddle(steps)
    if not steps.waits:
        found += _nut(steps)
    return tuple(found)


def _stops(
    target_mm: float, allowance_mm: float, limits_mm: tuple[float, float]
) -> tuple[float, float]:
    """Return from where to where a reading is done: what work may miss, within the limits."""
    low = max(target_mm - allowance_mm, min(limits_mm[0], target_mm))
    return low, min(target_mm + allowance_mm, max(limits_mm[1], target_mm))


def _rod(steps: Steps) -> Aim:
    spec = steps.specification
    fret, string = relief_point(spec, steps.lines)
    target, low, high = steps.relief_aim_mm(steps.top_uncut_mm, as_set=True)
    text = "Relief: gap at fret {fret}, string {string}, straightedge over frets {over:list}"
    return Aim(
        "rod",
        sentence(text, fret=fret, string=string, over=steps.relief_over),
        target,
        _stops(target, spec.judgement.allowance_rod_mm, (low, high)),
        (low, high),
        sentence("Tighten the rod a little, let it settle, tune, read."),
        sentence("Loosen the rod a little, let it settle, tune, read."),
    )


def _saddle(steps: Steps) -> Iterator[Aim]:
    spec = steps.specification
    fret = spec.scale.reference_fret
    gap = steps.gap_uncut_mm(fret)
    for k in steps.order:
        if abs(float(steps.saddle_change_mm[k])) < NOTHING_MM:
            continue
        limits = (spec.target.action[k].minimum_mm, spec.target.action[k].maximum_mm)
        yield Aim(
            "saddle",
            sentence("Action: string {string} over fret {fret}", string=k + 1, fret=fret),
            float(gap[k]),
            _stops(float(gap[k]), spec.judgement.allowance_saddle_mm, limits),
            limits,
            sentence("Lower the saddle, tune, read."),
            sentence("Raise the saddle, tune, read."),
        )


def _nut(steps: Steps) -> Iterator[Aim]:
    spec, gap = steps.specification, np.asarray(steps.plan.first_fret_gap_after_mm)
    for k in steps.order:
        if abs(float(steps.nut_change_mm[k])) < NOTHING_MM:
            continue
        one = spec.target.first_fret_gap[k]
        limits = (one.minimum_mm, one.maximum_mm)
        yield Aim(
            "nut",
            sentence("Nut slot: first-fret gap of string {string}", string=k + 1),
            float(gap[k]),
            _stops(float(gap[k]), spec.judgement.allowance_nut_mm, limits),
            limits,
            sentence("Loosen the string, file the floor a stroke or two, tune, read."),
            sentence("Stop filing. Fill the slot, or shim the nut."),
            sentence("What is filed off a slot does not come back: near the target, one stroke."),
        )
