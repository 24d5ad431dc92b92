"""A plan held against the play test: where its buzz force was optimistic or conservative."""

from __future__ import annotations

import math
from collections.abc import Sequence
from math import isfinite
from typing import Literal, cast, get_args

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.codec import Content
from evenfall.codec.forms import NAN, choice, content_dataclass, number, part, whole
from evenfall.errors import At, Finding, Progress, silent
from evenfall.instrument import Specification
from evenfall.plan import Plan
from evenfall.strings.playtest import Attack, PlayTest
from evenfall.strings.playtest.play_test import Verdict
from evenfall.wording import Sentence, sentence
from evenfall.workshop.opening import heights
from evenfall.workshop.play_levels import play_levels, position

InMotion = Literal["clean", "touches", "rattles"]
Judged = Literal["optimistic", "conservative"]
LEAST_ATTACK_N = 1e-3
"""A plan may be for no attack at all; a string that is not plucked cannot be played."""
_NAMED = 4
"""Positions that a sentence names."""


_FORCE = (-1e6, 1e6)


@content_dataclass()
class Disagreement(Content):
    """One position that buzz force and motion judge differently."""

    string: int = whole(1, 12, "string number")
    stopped_fret: int = whole(0, 36, "where the finger is, 0 = open string")
    buzz_force: Judged = choice(
        get_args(Judged),
        "the attack is within it, and the note rattles; the attack is over it, and the note "
        "does not rattle",
    )
    verdict: InMotion = choice(get_args(InMotion), "what it does in motion")
    buzz_force_n: float = number(
        *_FORCE, "buzz force; null if no fret is within reach", null=math.inf
    )
    touch_force_n: float = number(
        *_FORCE, "touch force; null if no fret is within reach", null=math.inf
    )
    first_contact_s: float = number(
        0.0, 1e4, "time of the first contact after release; null if there is none", null=NAN
    )
    first_contact_fret: int = whole(0, 36, "its fret; 0 if there is none")


@content_dataclass()
class MotionCheck(Content):
    """The result of a plan, played at the plan's design attack."""

    attack_n: FloatArray = number(0.0, 1000.0, "that attack", "K")
    duration_s: float = number(0.0, 1e4, "how long each note was followed")
    clean_count: int = whole(
        0, 500, "positions that stay clean, plucked away from the board and towards it"
    )
    touches_count: int = whole(0, 500, "positions that touch")
    rattles_count: int = whole(0, 500, "positions that rattle")
    least_string: int = whole(1, 12, "string of the position with the least room in motion")
    least_stopped_fret: int = whole(0, 36, "where the finger is there, 0 = open string")
    least_share: float = number(
        -1e9,
        1e9,
        "force at which it first touches, as a share of the attack; null if no fret is within "
        "reach",
        null=math.inf,
    )
    disagreements: tuple[Disagreement, ...] = part(
        Disagreement, "positions that are judged differently, worst first", "*"
    )

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The check in words."""
        least = None
        if isfinite(self.least_share):
            least = sentence(
                "; least room in motion: {place} at {share:share} of the attack",
                place=position(self.least_string, self.least_stopped_fret),
                share=self.least_share,
            )
        found = [
            Finding(
                "motion",
                "Played at the design attack for {seconds:g} s, {clean} of {total} positions are "
                "clean, {touching} touch and {rattling} rattle{least}.",
                At(strings=(self.least_string,), stopped_fret=self.least_stopped_fret),
                "warning" if self.rattles_count else "note",
                seconds=self.duration_s,
                clean=self.clean_count,
                total=self.clean_count + self.touches_count + self.rattles_count,
                touching=self.touches_count,
                rattling=self.rattles_count,
                least=least or "",
            )
        ]
        optimistic = [d for d in self.disagreements if d.buzz_force == "optimistic"]
        conservative = [d for d in self.disagreements if d.buzz_force == "conservative"]
        if optimistic:
            first = optimistic[0]
            found.append(
                Finding(
                    "motion",
                    "The buzz force was optimistic at {count:count position}: {places:phrases}; "
                    "{first} rattles, first on fret {fret}, with a buzz force of {force:force}.",
                    At(strings=(first.string,), stopped_fret=first.stopped_fret),
                    "warning",
                    count=len(optimistic),
                    places=_named(optimistic),
                    first=position(first.string, first.stopped_fret),
                    fret=first.first_contact_fret,
                    force=first.buzz_force_n,
                )
            )
        if conservative:
            found.append(
                Finding(
                    "motion",
                    "The buzz force was conservative at {count:count position} that "
                    "{count:plural does|do} not rattle: {places:phrases}.",
                    severity="note",
                    count=len(conservative),
                    places=_named(conservative),
                )
            )
        if not self.disagreements:
            text = "Buzz force and motion agree at every position."
            found.append(Finding("motion", text, severity="note"))
        return tuple(found)


def verify_by_motion(
    specification: Specification,
    plan: Plan,
    *,
    duration_s: float = 0.25,
    progress: Progress = silent,
) -> MotionCheck:
    """Play the result of a plan at its design attack."""
    attack = tuple(max(float(force), LEAST_ATTACK_N) for force in plan.attack_n)
    test = play_levels(
        specification,
        heights(plan.measurement, plan),
        [Attack("the plan's", attack)],
        duration_s=duration_s,
        progress=progress,
    )
    counts = test.counts()
    share = test.touch_force_n.min(axis=2) / test.normal_attack_n
    k, p = np.unravel_index(int(np.argmin(share)), share.shape)
    return MotionCheck(
        attack_n=np.array(attack),
        duration_s=duration_s,
        clean_count=counts["clean"],
        touches_count=counts["touches"],
        rattles_count=counts["rattles"],
        least_string=test.string_numbers[int(k)],
        least_stopped_fret=int(p),
        least_share=float(share[k, p]),
        disagreements=_disagreements(test),
    )


def _disagreements(test: PlayTest) -> tuple[Disagreement, ...]:
    found = []
    bold, careful = test.buzz_force_optimistic[:, :, 0], test.buzz_force_conservative[:, :, 0]
    for k, p in np.argwhere(bold | careful):
        d = test.first_contact(int(k), int(p), 0)
        found.append(
            Disagreement(
                string=test.string_numbers[k],
                stopped_fret=int(p),
                buzz_force="optimistic" if bold[k, p] else "conservative",
                verdict=cast("InMotion", Verdict(test.worst[k, p, 0]).name.lower()),
                buzz_force_n=float(test.buzz_force_n[k, p].min()),
                touch_force_n=float(test.touch_force_n[k, p].min()),
                first_contact_s=float(test.first_contact_s[k, p, 0, d]),
                first_contact_fret=int(test.first_contact_fret[k, p, 0, d]),
            )
        )
    order = {"rattles": 0, "touches": 1, "clean": 2}
    attack_n = dict(zip(test.string_numbers, test.normal_attack_n[:, 0], strict=True))
    return tuple(
        sorted(found, key=lambda d: (order[d.verdict], d.buzz_force_n / attack_n[d.string]))
    )


def _named(disagreements: Sequence[Disagreement]) -> tuple[Sentence, ...]:
    """Return the first positions, and how many more there are."""
    named = [position(d.string, d.stopped_fret) for d in disagreements[:_NAMED]]
    more = len(disagreements) - len(named)
    return (*named, sentence("and {more} more", more=more)) if more else tuple(named)
