"""A plan held against the play test: where its headroom was too bold or too careful."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING, Any, Literal

from evenfall.errors import Finding
from evenfall.workshop.playing import heights, place_text, play_levels

if TYPE_CHECKING:
    from evenfall.instrument import Specification
    from evenfall.plan import Plan
    from evenfall.strings.playtest import PlayTest
    from evenfall.workshop.playing import Progress

LEAST_ATTACK_N = 1e-3
"""A plan may be for no attack at all; a string that is not plucked cannot be played."""
_NAMED = 4
"""Positions that a sentence names."""


@dataclass(frozen=True, slots=True)
class Disagreement:
    """One position that headroom and motion judge differently.

    Parameters
    ----------
    string, position
        String number, and the fret at which it is stopped (0 = open).
    headroom
        "too bold": it promised a clean note and the motion touches; "too careful": it did not,
        and the motion stays clean.
    verdict
        What the position does in motion: "clean", "touches" or "rattles".
    headroom_n
        Headroom of the plan [N].
    motion_headroom_n
        Force at which the motion first touches [N], over the directions.
    first_contact_s, first_contact_fret
        Time after release [s] and fret of the first contact; NaN and 0 if there is none.
    """

    string: int
    position: int
    headroom: Literal["too bold", "too careful"]
    verdict: str
    headroom_n: float
    motion_headroom_n: float
    first_contact_s: float
    first_contact_fret: int

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "string": self.string,
            "position": self.position,
            "headroom": self.headroom,
            "verdict": self.verdict,
            "headroom_n": _plain(self.headroom_n),
            "motion_headroom_n": _plain(self.motion_headroom_n),
            "first_contact_s": _plain(self.first_contact_s),
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
    disagreements
        Where the headroom judged otherwise, worst first.
    """

    attack_n: tuple[float, ...]
    duration_s: float
    clean_count: int
    touches_count: int
    rattles_count: int
    disagreements: tuple[Disagreement, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "attack_n": list(self.attack_n),
            "duration_s": self.duration_s,
            "clean_count": self.clean_count,
            "touches_count": self.touches_count,
            "rattles_count": self.rattles_count,
            "disagreements": [d.as_dict() for d in self.disagreements],
        }

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The check in words."""
        total = self.clean_count + self.touches_count + self.rattles_count
        found = [
            Finding(
                "motion",
                f"In motion, at the plan's attack and over {self.duration_s:g} s, "
                f"{self.clean_count} of {total} positions are clean, {self.touches_count} touch "
                f"and {self.rattles_count} rattle.",
                "",
                "warning" if self.rattles_count else "note",
            )
        ]
        bold = [d for d in self.disagreements if d.headroom == "too bold"]
        careful = [d for d in self.disagreements if d.headroom == "too careful"]
        if bold:
            first = bold[0]
            found.append(
                Finding(
                    "motion",
                    f"The headroom was too bold at {len(bold)} positions, which touch below it: "
                    f"{_named(bold)}; {place_text(first.string, first.position)} {first.verdict}, "
                    f"first on fret {first.first_contact_fret} after "
                    f"{1000.0 * first.first_contact_s:.1f} ms, and stays clean only under "
                    f"{first.motion_headroom_n:.2f} N.",
                    "",
                    "warning" if any(d.verdict == "rattles" for d in bold) else "note",
                )
            )
        if careful:
            found.append(
                Finding(
                    "motion",
                    f"The headroom was too careful at {len(careful)} positions, which stay clean "
                    f"over it: {_named(careful)}.",
                    "",
                    "note",
                )
            )
        if not self.disagreements:
            found.append(
                Finding("motion", "Headroom and motion agree at every position.", "", "note")
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
    from evenfall.strings.playtest import Attack

    attack = tuple(max(float(force), LEAST_ATTACK_N) for force in plan.attack_n)
    test = play_levels(
        specification,
        heights(plan.measurement, plan),
        [Attack("the plan's", attack)],
        duration_s=duration_s,
        progress=progress,
    )
    counts = test.counts()
    return MotionCheck(
        attack_n=attack,
        duration_s=duration_s,
        clean_count=counts["clean"],
        touches_count=counts["touches"],
        rattles_count=counts["rattles"],
        disagreements=_disagreements(test),
    )


def _disagreements(test: PlayTest) -> tuple[Disagreement, ...]:
    import numpy as np

    from evenfall.strings.playtest.result import Verdict

    found = []
    bold, careful = test.envelope_too_bold[:, :, 0], test.envelope_too_careful[:, :, 0]
    for k, p in np.argwhere(bold | careful):
        first = test.first_contact_s[k, p, 0]
        touched = bool(np.isfinite(first).any())
        d = int(np.nanargmin(first)) if touched else 0
        found.append(
            Disagreement(
                string=test.string_numbers[k],
                position=int(p),
                headroom="too bold" if bold[k, p] else "too careful",
                verdict=Verdict(test.worst[k, p, 0]).name.lower(),
                headroom_n=float(test.envelope_headroom_n[k, p]),
                motion_headroom_n=float(test.motion_headroom_n[k, p].min()),
                first_contact_s=float(first[d]),
                first_contact_fret=int(test.first_contact_fret[k, p, 0, d]),
            )
        )
    order = {"rattles": 0, "touches": 1, "clean": 2}
    return tuple(sorted(found, key=lambda d: (order[d.verdict], d.motion_headroom_n)))


def _named(disagreements: list[Disagreement]) -> str:
    """Return the first positions in words, and how many more there are."""
    named = [place_text(d.string, d.position) for d in disagreements[:_NAMED]]
    more = len(disagreements) - len(named)
    return ", ".join(named) + (f" and {more} more" if more else "")


def _plain(value: float) -> float | None:
    return value if isfinite(value) else None
