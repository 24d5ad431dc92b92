"""A plan held against the play test: where its touch force was optimistic or conservative."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, isfinite
from typing import TYPE_CHECKING, Any, Literal, cast

import numpy as np

from evenfall.codec import plain
from evenfall.errors import At, Finding, Progress, silent
from evenfall.strings.playtest import Attack
from evenfall.strings.playtest.play_test import Verdict
from evenfall.wording import sentence
from evenfall.workshop.opening import heights
from evenfall.workshop.play_levels import play_levels, position

if TYPE_CHECKING:
    from collections.abc import Sequence

    from evenfall.instrument import Specification
    from evenfall.plan import Plan
    from evenfall.strings.playtest import PlayTest
    from evenfall.wording import Sentence

InMotion = Literal["clean", "touches", "rattles"]
Judged = Literal["optimistic", "conservative"]
LEAST_ATTACK_N = 1e-3
"""A plan may be for no attack at all; a string that is not plucked cannot be played."""
_NAMED = 4
"""Positions that a sentence names."""


@dataclass(frozen=True, slots=True)
class Disagreement:
    """One position that touch force and motion judge differently.

    Parameters
    ----------
    string, stopped_fret
        String number, and the fret at which it is stopped (0 = open).
    touch_force
        "optimistic": by it the note is clean, and the motion touches; "conservative": by it the
        note touches, and the motion stays clean.
    verdict
        What the position does in motion: "clean", "touches" or "rattles".
    touch_force_n
        Touch force of the plan [N].
    motion_touch_force_n
        Force at which the motion first touches [N], over the directions.
    first_contact_s, first_contact_fret
        Time after release [s] and fret of the first contact; NaN and 0 if there is none.
    """

    string: int
    stopped_fret: int
    touch_force: Judged
    verdict: InMotion
    touch_force_n: float
    motion_touch_force_n: float
    first_contact_s: float
    first_contact_fret: int

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "string": self.string,
            "stopped_fret": self.stopped_fret,
            "touch_force": self.touch_force,
            "verdict": self.verdict,
            "touch_force_n": plain(self.touch_force_n),
            "motion_touch_force_n": plain(self.motion_touch_force_n),
            "first_contact_s": plain(self.first_contact_s),
            "first_contact_fret": self.first_contact_fret,
        }


@dataclass(frozen=True, slots=True)
class MotionCheck:
    """The result of a plan, played at the plan's design attack.

    Parameters
    ----------
    attack_n
        That attack by string [N].
    duration_s
        How long each note was followed [s].
    clean_count, touches_count, rattles_count
        Positions by what they do in motion, the worse direction of the pluck.
    least_string, least_stopped_fret, least_share
        The position with the least room in motion, and the force at which it first touches, as a
        share of the attack; infinite if nothing is within reach.
    disagreements
        Where the touch force judged otherwise, worst first.
    """

    attack_n: tuple[float, ...]
    duration_s: float
    clean_count: int
    touches_count: int
    rattles_count: int
    least_string: int
    least_stopped_fret: int
    least_share: float
    disagreements: tuple[Disagreement, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "attack_n": list(self.attack_n),
            "duration_s": self.duration_s,
            "clean_count": self.clean_count,
            "touches_count": self.touches_count,
            "rattles_count": self.rattles_count,
            "least_string": self.least_string,
            "least_stopped_fret": self.least_stopped_fret,
            "least_share": plain(self.least_share),
            "disagreements": [d.as_dict() for d in self.disagreements],
        }

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The check in words."""
        least = None
        if isfinite(self.least_share):
            least = sentence(
                "; least room in motion: {place} at {percent:percent} of the attack",
                place=position(self.least_string, self.least_stopped_fret),
                percent=float(floor(100.0 * self.least_share + 1e-4)),
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
        optimistic = [d for d in self.disagreements if d.touch_force == "optimistic"]
        conservative = [d for d in self.disagreements if d.touch_force == "conservative"]
        if optimistic:
            first = optimistic[0]
            found.append(
                Finding(
                    "motion",
                    "The touch force was optimistic at {count:count position}: {places:phrases}; "
                    "{first} {verdict}, first on fret {fret} after {after:.1f} ms, and is clean "
                    "only under {force:force}.",
                    At(strings=(first.string,), stopped_fret=first.stopped_fret),
                    "warning" if any(d.verdict == "rattles" for d in optimistic) else "note",
                    count=len(optimistic),
                    places=_named(optimistic),
                    first=position(first.string, first.stopped_fret),
                    verdict=first.verdict,
                    fret=first.first_contact_fret,
                    after=1000.0 * first.first_contact_s,
                    force=first.motion_touch_force_n,
                )
            )
        if conservative:
            found.append(
                Finding(
                    "motion",
                    "The touch force was conservative at {count:count position}, clean in motion: "
                    "{places:phrases}.",
                    severity="note",
                    count=len(conservative),
                    places=_named(conservative),
                )
            )
        if not self.disagreements:
            text = "Touch force and motion agree at every position."
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
    share = test.motion_touch_force_n.min(axis=2) / test.normal_attack_n
    k, p = np.unravel_index(int(np.argmin(share)), share.shape)
    return MotionCheck(
        attack_n=attack,
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
    bold, careful = test.touch_force_optimistic[:, :, 0], test.touch_force_conservative[:, :, 0]
    for k, p in np.argwhere(bold | careful):
        first = test.first_contact_s[k, p, 0]
        touched = bool(np.isfinite(first).any())
        d = int(np.nanargmin(first)) if touched else 0
        found.append(
            Disagreement(
                string=test.string_numbers[k],
                stopped_fret=int(p),
                touch_force="optimistic" if bold[k, p] else "conservative",
                verdict=cast("InMotion", Verdict(test.worst[k, p, 0]).name.lower()),
                touch_force_n=float(test.touch_force_n[k, p]),
                motion_touch_force_n=float(test.motion_touch_force_n[k, p].min()),
                first_contact_s=float(first[d]),
                first_contact_fret=int(test.first_contact_fret[k, p, 0, d]),
            )
        )
    order = {"rattles": 0, "touches": 1, "clean": 2}
    attack_n = dict(zip(test.string_numbers, test.normal_attack_n[:, 0], strict=True))
    return tuple(
        sorted(found, key=lambda d: (order[d.verdict], d.motion_touch_force_n / attack_n[d.string]))
    )


def _named(disagreements: Sequence[Disagreement]) -> tuple[Sentence, ...]:
    """Return the first positions, and how many more there are."""
    named = [position(d.string, d.stopped_fret) for d in disagreements[:_NAMED]]
    more = len(disagreements) - len(named)
    return (*named, sentence("and {more} more", more=more)) if more else tuple(named)
