"""A plan held against the play test: where its touch force was optimistic or conservative."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, isfinite
from typing import TYPE_CHECKING, Any, Literal, cast

from evenfall.errors import Finding
from evenfall.workshop.heights import heights
from evenfall.workshop.playing import PLAY_TEST, place_text, play_levels

if TYPE_CHECKING:
    from evenfall.errors import Severity
    from evenfall.instrument import Specification
    from evenfall.plan import Plan
    from evenfall.strings.playtest import PlayTest
    from evenfall.workshop.playing import Progress

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
    string, position
        String number, and the fret at which it is stopped (0 = open).
    touch_force
        "optimistic": it promised a clean note and the motion touches; "conservative": it did not,
        and the motion stays clean.
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
    position: int
    touch_force: Judged
    verdict: InMotion
    touch_force_n: float
    motion_touch_force_n: float
    first_contact_s: float
    first_contact_fret: int

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        from evenfall.codec import plain

        return {
            "string": self.string,
            "position": self.position,
            "touch_force": self.touch_force,
            "verdict": self.verdict,
            "touch_force_n": plain(self.touch_force_n),
            "motion_touch_force_n": plain(self.motion_touch_force_n),
            "first_contact_s": plain(self.first_contact_s),
            "first_contact_fret": self.first_contact_fret,
        }


@dataclass(frozen=True, slots=True)
class MotionCheck:
    """The result of a plan, played at the attack that the plan is made for.

    Parameters
    ----------
    attack_n
        That attack by string [N].
    duration_s
        How long each note was followed [s].
    clean_count, touches_count, rattles_count
        Positions by what they do in motion, the worse direction of the pluck.
    least_string, least_position, least_share
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
    least_position: int
    least_share: float
    disagreements: tuple[Disagreement, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        from evenfall.codec import plain

        return {
            "attack_n": list(self.attack_n),
            "duration_s": self.duration_s,
            "clean_count": self.clean_count,
            "touches_count": self.touches_count,
            "rattles_count": self.rattles_count,
            "least_string": self.least_string,
            "least_position": self.least_position,
            "least_share": plain(self.least_share),
            "disagreements": [d.as_dict() for d in self.disagreements],
        }

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The check in words."""
        total = self.clean_count + self.touches_count + self.rattles_count
        least = place_text(self.least_string, self.least_position)
        sentence = (
            f"Played at the plan's attack for {self.duration_s:g} s, {self.clean_count} of {total} "
            f"positions are clean, {self.touches_count} touch and {self.rattles_count} rattle"
        )
        if isfinite(self.least_share):
            percent = floor(100.0 * self.least_share + 1e-4)
            sentence += f"; least room in motion: {least} at {percent} % of the attack"
        severity: Severity = "warning" if self.rattles_count else "note"
        found = [Finding("motion", f"{sentence}.", "", severity)]
        bold = [d for d in self.disagreements if d.touch_force == "optimistic"]
        careful = [d for d in self.disagreements if d.touch_force == "conservative"]
        if bold:
            first = bold[0]
            found.append(
                Finding(
                    "motion",
                    f"The touch force was optimistic at {_positions(bold)}: {_named(bold)}; "
                    f"{place_text(first.string, first.position)} {first.verdict}, first on fret "
                    f"{first.first_contact_fret} after {1000.0 * first.first_contact_s:.1f} ms, "
                    f"and is clean only under {first.motion_touch_force_n:.2f} N.",
                    "",
                    "warning" if any(d.verdict == "rattles" for d in bold) else "note",
                )
            )
        if careful:
            found.append(
                Finding(
                    "motion",
                    f"The touch force was conservative at {_positions(careful)}, clean in motion: "
                    f"{_named(careful)}.",
                    "",
                    "note",
                )
            )
        if not self.disagreements:
            found.append(
                Finding("motion", "Touch force and motion agree at every position.", "", "note")
            )
        return tuple(found)


def verify_by_motion(
    specification: Specification,
    plan: Plan,
    *,
    duration_s: float = 0.25,
    progress: Progress | None = None,
) -> MotionCheck:
    """Play the result of a plan at the plan's own attack.

    Parameters
    ----------
    specification
        The instrument.
    plan
        The plan.
    duration_s
        How long each note is followed [s].
    progress
        Told what is being done and how far it is.

    Raises
    ------
    RequestError
        Heights are missing.
    UnsupportedError
        numba is not installed.
    """
    import numpy as np

    from evenfall.strings.playtest import Attack

    attack = tuple(max(float(force), LEAST_ATTACK_N) for force in plan.attack_n)
    test = play_levels(
        specification,
        heights(plan.measurement, plan, needed_by=PLAY_TEST),
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
        least_position=int(p),
        least_share=float(share[k, p]),
        disagreements=_disagreements(test),
    )


def _disagreements(test: PlayTest) -> tuple[Disagreement, ...]:
    import numpy as np

    from evenfall.strings.playtest.play_test import Verdict

    found = []
    bold, careful = test.touch_force_optimistic[:, :, 0], test.touch_force_conservative[:, :, 0]
    for k, p in np.argwhere(bold | careful):
        first = test.first_contact_s[k, p, 0]
        touched = bool(np.isfinite(first).any())
        d = int(np.nanargmin(first)) if touched else 0
        found.append(
            Disagreement(
                string=test.string_numbers[k],
                position=int(p),
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


def _positions(disagreements: list[Disagreement]) -> str:
    """Return how many positions there are, in words."""
    return "1 position" if len(disagreements) == 1 else f"{len(disagreements)} positions"


def _named(disagreements: list[Disagreement]) -> str:
    """Return the first positions in words, and how many more there are."""
    named = [place_text(d.string, d.position) for d in disagreements[:_NAMED]]
    more = len(disagreements) - len(named)
    return ", ".join(named) + (f" and {more} more" if more else "")
