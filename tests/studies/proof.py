"""Verdicts: sound necks refused or left undecided, faulty ones accepted."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.measurement import Measurement
from evenfall.plan import Plan
from evenfall.plan.methods import tool_of
from evenfall.proof import prove
from evenfall.requirement import Requirement, State, judge
from evenfall.strings.clearance import rest_clearance_mm
from necks.invented import Bump, neck
from necks.kinds import table
from necks.neck import Neck
from necks.readings import Reader, exact, read, read_sheet, sheet
from studies.planning import plan
from studies.study import Row, Study, Told, share

GAUGES_MM = (0.002, 0.005, 0.008, 0.02)
REPEATS = (2, 3, 5)
RISK_PERCENT = 5.0
NUDGE = 1e-4
"""By so much a value lies outside its limit, as a share of the tolerance or of the attack."""


@dataclass(frozen=True)
class Case:
    """A true neck and the attack that it is judged at."""

    about: str
    neck: Neck
    attack_n: FloatArray
    plan: Plan
    sound: bool


def worst(made: Neck, attack_n: FloatArray, done: Plan) -> State:
    """Return how the true neck stands at an attack, by the smallest cut of the plan's tool."""
    spec = made.specification
    clear, level = (
        rest_clearance_mm(made.lines, made.nut_mm, crowns, made.saddle_mm)
        for crowns in (made.crown_top_mm, made.level_mm)
    )
    return judge(
        Requirement.of(spec, table(spec)),
        attack_n,
        clear,
        level,
        smallest_cut_mm=spec.judgement.smallest_cut_mm(tool_of(done.method)),
        attack_tolerance=spec.judgement.attack_tolerance,
    ).worst


def just_held_n(made: Neck, done: Plan) -> FloatArray:
    """Return the largest attack of each string at which none of its notes fails [N]."""
    found = np.array(made.specification.player.attack_n)
    for k in range(len(found)):
        low, high = 0.0, 3.0 * found[k]
        for _ in range(40):
            attack = np.zeros_like(found)
            attack[k] = middle = 0.5 * (low + high)
            low, high = (middle, high) if worst(made, attack, done) < State.FAILS else (low, middle)
        found[k] = low
    return found


def cases(kind: str) -> Iterator[Case]:
    """Yield the necks that are judged, sound ones and others."""
    base = neck(kind)
    spec = base.specification
    attack = np.array(spec.player.attack_n)
    done = plan(base, exact(base))
    yield Case("sound", base, attack, done, sound=True)
    lowest = np.array([limit.minimum_mm for limit in spec.target.action])
    width = np.array([limit.maximum_mm - limit.minimum_mm for limit in spec.target.action])
    at_limit = neck(kind, action_mm=lowest + NUDGE * width)
    yield Case("every action just in its limits", at_limit, attack, done, sound=True)
    outside = neck(kind, action_mm=lowest - NUDGE * width)
    yield Case("every action just outside", outside, attack, done, sound=False)
    one = np.array([limit.value_mm for limit in spec.target.action])
    one[1] = lowest[1] - NUDGE * width[1]
    yield Case("one action just outside", neck(kind, action_mm=one), attack, done, sound=False)
    high = neck(kind, bumps=[Bump(fret, 0.05) for fret in (5, 9, 13)])
    held = just_held_n(high, done)
    yield Case("clearances of every string just hold", high, (1.0 - NUDGE) * held, done, sound=True)
    yield Case(
        "clearances of every string just fail", high, (1.0 + NUDGE) * held, done, sound=False
    )
    one_string = 0.5 * held
    one_string[0] = (1.0 + NUDGE) * held[0]
    yield Case("clearance of one string just fails", high, one_string, done, sound=False)


def verdicts(case: Case, found: Iterator[Measurement]) -> dict[str, int]:
    """Return how often each verdict was given."""
    counts = {"conforms": 0, "undecided": 0, "does not conform": 0}
    spec = case.neck.specification
    for one in found:
        # an acceptance gate would hide the decision that is looked at: no checks by hand here
        proof = prove(
            spec, case.plan, replace(one, direct=()), table(spec), attack_n=tuple(case.attack_n)
        )
        counts[proof.verdict] += 1
    return counts


def row(about: str, case: Case, counts: dict[str, int]) -> Row:
    """Return the row of one case; its risk is kept to four standard errors of so many runs."""
    count = sum(counts.values())
    error = math.sqrt(RISK_PERCENT * (100.0 - RISK_PERCENT) / count)
    most = round(RISK_PERCENT + 4.0 * error, 1)
    accepted = share(counts["conforms"], count, **({} if case.sound else {"at_most": most}))
    refused = share(counts["does not conform"], count, **({"at_most": most} if case.sound else {}))
    # the limit is that of so many runs already: no further room for a smaller study
    return Row(
        f"{case.about}, {about}",
        {
            "accepted": replace(accepted, standard_error=0.0),
            "undecided": share(counts["undecided"], count),
            "refused": replace(refused, standard_error=0.0),
        },
    )


def run(seed: int, count: int, told: Told) -> Iterator[Row]:
    all_cases = list(cases("electric"))
    total, done = len(all_cases) * (len(GAUGES_MM) + len(REPEATS)), 0
    for number, case in enumerate(all_cases):
        for u_mm in GAUGES_MM:
            told(f"{case.about}, u {u_mm}", done / total)
            done += 1
            chances = (np.random.default_rng([seed, index, 8, number]) for index in range(count))
            found = (read(case.neck, chance, Reader(u_mm, step_mm=0.001)) for chance in chances)
            yield row(f"u {u_mm:.3f}", case, verdicts(case, found))
        for repeats in REPEATS:
            told(f"{case.about}, {repeats} repeats", done / total)
            done += 1
            chances = (np.random.default_rng([seed, index, 9, number]) for index in range(count))
            found = (
                read_sheet(
                    case.neck,
                    sheet(case.neck, chance, Reader(0.005), repeats=repeats, stated=False),
                )
                for chance in chances
            )
            yield row(f"{repeats} repeats, no gauge stated", case, verdicts(case, found))


STUDY = Study(
    "proof",
    "how often is a verdict wrong?",
    """
Six-string electric necks after the work, true heights known, read over and over and judged. A neck
that is **sound** should not be refused, one that is not should not be accepted: each in at most 5 %
of the runs (the defaults of `[rule]`), give or take four standard errors of so many runs, even
where everything stands just at its limit, which is where a wrong verdict is likeliest. How many
sound necks stay undecided is what it costs. Readings with a gauge of stated uncertainty u, or
repeated without one (standard deviation 0.005), when the uncertainty comes from the repeats and is
itself uncertain. Lengths in mm.
""",
    100,
    5,
    run,
)
