"""What is wrong with an instrument, in the order of what mending it would cure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from evenfall.errors import Finding, SolverError
from evenfall.levelling.methods import Outcome, adjust_only, frets_closed
from evenfall.levelling.model import LevellingModel
from evenfall.levelling.problem import build_problem
from evenfall.levelling.standing_out import standing_out
from evenfall.measurement.measurement import plain_numbers
from evenfall.strings.clearance import (
    TouchForce,
    open_gap_mm,
    open_share,
    rest_clearance_mm,
    touch_force,
)
from evenfall.units import MM_PER_INCH, length_text
from evenfall.wording import numbers

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from evenfall.instrument import Specification
    from evenfall.levelling.problem import Problem
    from evenfall.measurement import Measurement
    from evenfall.neck import Bow
    from evenfall.strings.excursion import ExcursionTable

    FloatArray = NDArray[np.float64]

Reach = Literal["cures", "limits", "travel"]
"""Adjusting alone meets every limit; keeps the limits but bears too little; or its travel does not
even reach the limits."""


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """The state of an instrument as found, K strings over F frets.

    Parameters
    ----------
    measurement
        The readings.
    findings
        What is wrong, most telling first.
    attack_n
        Attack it was judged by [N], shape (K,).
    touch_force
        Touch force by stopped position.
    action_mm, first_fret_gap_mm
        Gaps of the open strings [mm], shape (K,).
    relief_mm
        Relief [mm].
    adjusted_touch_force_n
        Touch force after the best adjustment without cutting [N], shape (K, F).
    adjusting_cures
        Whether adjusting alone meets every limit.
    relief_change_mm, saddle_move_mm, nut_move_mm
        That adjustment [mm]; moves have shape (K,).
    """

    measurement: Measurement
    findings: tuple[Finding, ...]
    attack_n: FloatArray
    touch_force: TouchForce
    action_mm: FloatArray
    first_fret_gap_mm: FloatArray
    relief_mm: float
    adjusted_touch_force_n: FloatArray
    adjusting_cures: bool
    relief_change_mm: float
    saddle_move_mm: FloatArray
    nut_move_mm: FloatArray

    @property
    def touching(self) -> int:
        """Number of positions whose touch force is under the attack."""
        return int((self.touch_force.force_n < self.attack_n[:, None]).sum())

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        strings = [
            {
                "string": k + 1,
                "attack_n": float(self.attack_n[k]),
                "touch_force_before_n": plain_numbers(self.touch_force.force_n[k]),
                "touch_force_before_mm": plain_numbers(self.touch_force.displacement_mm[k]),
                "critical_fret": [int(f) for f in self.touch_force.critical_fret[k]],
                "touch_force_after_n": plain_numbers(self.adjusted_touch_force_n[k]),
                "action_mm": float(self.action_mm[k]),
                "first_fret_gap_mm": float(self.first_fret_gap_mm[k]),
                "saddle_change_mm": float(self.saddle_move_mm[k]),
                "nut_change_mm": float(self.nut_move_mm[k]),
            }
            for k in range(self.measurement.string_count)
        ]
        return {
            "schema": "evenfall/diagnosis@1",
            "strings": strings,
            "relief_mm": self.relief_mm,
            "relief_change_mm": self.relief_change_mm,
            "touching": self.touching,
            "adjusting_cures": self.adjusting_cures,
            "findings": [f.as_dict() for f in self.findings],
            "measurement_hash": self.measurement.content_hash,
        }


def diagnose(
    specification: Specification,
    measurement: Measurement,
    *,
    excursion: ExcursionTable | None = None,
    bow: Bow | None = None,
) -> Diagnosis:
    """Return what is wrong with an instrument and what adjusting alone would cure.

    Parameters
    ----------
    specification
        Limits and player.
    measurement
        Complete heights.
    excursion
        Excursion table of the specification; computed if left out.
    bow
        How the truss rod bows the neck; the default shape if left out.

    Raises
    ------
    RequestError
        The measurement does not fit the specification or is incomplete.
    """
    problem = build_problem(specification, measurement, excursion=excursion, bow=bow)
    found = _touch_force(problem)
    best, reach = _best_adjustment(problem)
    adjusted = _touch_force(
        problem.with_heights(
            crown_top_mm=best.crown_top_after_mm,
            nut_mm=best.nut_after_mm,
            saddle_mm=best.saddle_after_mm,
        )
    )
    heights = (measurement.nut_mm, measurement.crown_top_mm, measurement.saddle_mm)
    reference = specification.scale.reference_fret
    action = open_gap_mm(problem.lines, *heights, reference)
    first = open_gap_mm(problem.lines, *heights, 1)
    findings = [
        *_touching(problem, found),
        *_causes(problem, action, first),
        *_worn(problem),
        _cure(problem, found, adjusted, best, reach),
    ]
    return Diagnosis(
        measurement=measurement,
        findings=tuple(findings),
        attack_n=problem.attack_n,
        touch_force=found,
        action_mm=action,
        first_fret_gap_mm=first,
        relief_mm=problem.relief_found_mm,
        adjusted_touch_force_n=adjusted.force_n,
        adjusting_cures=reach == "cures",
        relief_change_mm=best.solution.relief_change_mm,
        saddle_move_mm=best.solution.saddle_move_mm,
        nut_move_mm=best.solution.nut_move_mm,
    )


def _touch_force(problem: Problem) -> TouchForce:
    found = problem.measurement
    clearance = rest_clearance_mm(problem.lines, found.nut_mm, found.crown_top_mm, found.saddle_mm)
    return touch_force(clearance, problem.excursion)


def _best_adjustment(problem: Problem) -> tuple[Outcome, Reach]:
    """Return the adjustment that holds the limits, or else bears the most attack within them."""
    model = LevellingModel(problem)
    cured = adjust_only(model)
    if cured is not None:
        return cured, "cures"
    closed = np.ones(problem.frets, dtype=bool)
    model.forgive_worn()  # adjusting cannot mend a worn crown: that is a finding of its own
    with frets_closed(model, closed):
        solution = model.most_attack()
    reach: Reach = "limits" if solution is not None else "travel"
    if solution is None:  # the limits are out of reach of the travel: come as near as can be
        model = LevellingModel(problem, limits=False)
        model.forgive_worn()
        with frets_closed(model, closed):
            solution = model.most_attack(even_touching=True)
    if solution is None:
        raise SolverError("The optimiser found no adjustment at all; please report this.")
    return Outcome("adjust", problem, solution), reach


def _touching(problem: Problem, found: TouchForce) -> list[Finding]:
    short = found.force_n < problem.attack_n[:, None]
    if not short.any():
        least = float((found.force_n / np.maximum(problem.attack_n[:, None], 1e-9)).min())
        sentence = f"Every position bears the attack; the least bears {least:.2f} times it."
        return [Finding("touches", sentence, "", "note")]
    findings = []
    for k in np.flatnonzero(short.any(axis=1)):
        stops = np.flatnonzero(short[k])
        worst = int(stops[np.argmin(found.force_n[k, stops])])
        force = found.force_n[k, worst]
        where = "open" if worst == 0 else f"at fret {worst}"
        first = found.critical_fret[k, worst]
        bears = (
            f"touches fret {first} at rest"
            if force <= 0.0
            else f"bears only {force:.2f} N of {problem.attack_n[k]:.2f} N and reaches "
            f"fret {first} first"
        )
        findings.append(
            Finding(
                "touches",
                f"String {k + 1} touches at {len(stops)} of {problem.frets} positions; "
                f"the worst, {where}, {bears}.",
                f"string {k + 1}",
            )
        )
    return findings


def _causes(problem: Problem, action: FloatArray, first: FloatArray) -> list[Finding]:
    """Name what is out of line, each with how many touching positions mending it would cure."""
    specification = problem.specification
    unit = specification.unit
    touching = _still_touching(problem)
    weighed: list[tuple[int, Finding]] = []

    def weigh(code: str, sentence: str, mended: Problem) -> None:
        cured = touching - _still_touching(mended)
        if touching:
            sentence += f" Mending this alone would clear {max(cured, 0)} of {touching} positions."
        weighed.append((-cured, Finding(code, sentence)))

    relief = specification.target.relief
    if _relief_outside(problem):
        change = relief.value_mm - problem.relief_found_mm
        sentence = (
            f"The relief is {length_text(problem.relief_found_mm, unit)}; it should be "
            f"{length_text(relief.minimum_mm, unit)} to {length_text(relief.maximum_mm, unit)}."
        )
        if problem.relief_free:
            weigh("relief", sentence, _with_relief(problem, change))
        else:
            sentence += " This neck has no truss rod to set it with."
            weighed.append((0, Finding("relief", sentence)))
    reference = specification.scale.reference_fret
    for code, name, fret, gap, limits in (
        ("action", f"action over fret {reference}", reference, action, specification.target.action),
        ("first-fret-gap", "first-fret gap", 1, first, specification.target.first_fret_gap),
    ):
        low = np.array([limit.minimum_mm for limit in limits])
        high = np.array([limit.maximum_mm for limit in limits])
        shown = 0.5 * (0.001 if unit == "mm" else 0.0001 * MM_PER_INCH)  # less would read as 0
        for off, word in ((gap < low - shown, "under"), (gap > high + shown, "over")):
            if not off.any():
                continue
            strings = [int(k) + 1 for k in np.flatnonzero(off)]
            outside = np.maximum(low - gap, gap - high)
            plural = "" if len(strings) == 1 else "s"
            sentence = (
                f"The {name} is {word} its limit on string{plural} {numbers(strings)}, by up to "
                f"{length_text(float(outside[off].max()), unit)}."
            )
            wanted = np.array([limit.value_mm for limit in limits])
            weigh(code, sentence, _with_gap(problem, fret, np.where(off, wanted - gap, 0.0)))
    harmless: list[int] = []
    for j, step, strings in _odd_frets(problem):
        high_fret = step > 0.0
        tops = problem.measurement.crown_top_mm.copy()
        rows = np.array(strings) - 1
        tops[rows, j - 1] -= step
        plural = "" if len(strings) == 1 else "s"
        sentence = (
            f"Fret {j} stands {length_text(abs(step), unit)} "
            f"{'above' if high_fret else 'below'} the line of its neighbours under "
            f"string{plural} {numbers(strings)}."
        )
        mended = problem.with_heights(
            crown_top_mm=tops,
            nut_mm=problem.measurement.nut_mm,
            saddle_mm=problem.measurement.saddle_mm,
        )
        if _still_touching(mended) < touching:
            weigh("high-fret" if high_fret else "low-fret", sentence, mended)
        elif j not in harmless:
            harmless.append(j)
    causes = [finding for _, finding in sorted(weighed, key=lambda pair: pair[0])]
    if harmless:
        plural = "" if len(harmless) == 1 else "s"
        sentence = (
            f"Fret{plural} {numbers(harmless)} stand{'s' if len(harmless) == 1 else ''} out from "
            "the neighbours, but mending one alone would clear no position."
        )
        causes.append(Finding("high-fret", sentence, "", "note"))
    return causes


def _relief_outside(problem: Problem) -> bool:
    relief = problem.specification.target.relief
    return not relief.minimum_mm <= problem.relief_found_mm <= relief.maximum_mm


def _still_touching(problem: Problem) -> int:
    return int((_touch_force(problem).force_n < problem.attack_n[:, None]).sum())


def _odd_frets(problem: Problem) -> list[tuple[int, float, list[int]]]:
    """Return frets that stand out from the line of their neighbours: fret, step [mm], strings."""
    found = problem.measurement
    step, odd = standing_out(
        problem.lines.station_mm[:, 1:], found.crown_top_mm, found.crown_top_u_mm, problem.bow.frets
    )
    frets = []
    for column in np.flatnonzero(odd.any(axis=0)):
        for sign in (1.0, -1.0):
            rows = np.flatnonzero(odd[:, column] & (np.sign(step[:, column]) == sign))
            if rows.size:
                middle = float(np.median(step[rows, column]))
                frets.append((int(column) + 1, middle, [int(k) + 1 for k in rows]))
    return frets


def _with_relief(problem: Problem, change_mm: float) -> Problem:
    """Return the job with other relief, action and first-fret gap as found."""
    found = problem.measurement
    tops = found.crown_top_mm + change_mm * problem.bow.frets
    moved = problem.with_heights(crown_top_mm=tops, nut_mm=found.nut_mm, saddle_mm=found.saddle_mm)
    reference = problem.specification.scale.reference_fret
    change = (moved.measurement.crown_top_mm - found.crown_top_mm)[:, reference - 1]
    return _with_gap(moved, reference, change)


def _with_gap(problem: Problem, fret: int, change_mm: FloatArray) -> Problem:
    """Return the job with an open gap changed: by the nut over fret 1, else by the saddle."""
    found = problem.measurement
    share = open_share(problem.lines, fret)
    if fret == 1:
        nut = found.nut_mm + change_mm / (1.0 - share)
        return problem.with_heights(
            crown_top_mm=found.crown_top_mm, nut_mm=nut, saddle_mm=found.saddle_mm
        )
    saddle = found.saddle_mm + change_mm / share
    return problem.with_heights(
        crown_top_mm=found.crown_top_mm, nut_mm=found.nut_mm, saddle_mm=saddle
    )


def _worn(problem: Problem) -> list[Finding]:
    height = problem.measurement.crown_height_mm
    least = problem.specification.fretwire.least_crown_height_mm
    frets = [int(j) + 1 for j in np.flatnonzero((height < least + 0.05).any(axis=0))]
    if not frets:
        return []
    unit = problem.specification.unit
    plural = "" if len(frets) == 1 else "s"
    sentence = (
        f"Fret{plural} {numbers(frets)} {'has' if len(frets) == 1 else 'have'} little crown left: "
        f"{length_text(float(height.min()), unit)} at the lowest, {length_text(least, unit)} "
        "must stay."
    )
    return [Finding("worn", sentence)]


def _cure(
    problem: Problem, found: TouchForce, adjusted: TouchForce, best: Outcome, reach: Reach
) -> Finding:
    before = int((found.force_n < problem.attack_n[:, None]).sum())
    after = int((adjusted.force_n < problem.attack_n[:, None]).sum())
    solution = best.solution
    moved = (
        abs(solution.relief_change_mm) > 1e-3
        or (np.abs(solution.saddle_move_mm) > 1e-3).any()
        or (np.abs(solution.nut_move_mm) > 1e-3).any()
    )
    if reach == "cures":
        done = "Adjusting alone meets every limit" if moved else "Nothing needs to be done"
        if not problem.relief_free and _relief_outside(problem):
            done += " but that of the relief" if moved else " that can be; the relief stays"
        return Finding("cure", f"{done}; no metal has to come off.", "", "note")
    attack = np.maximum(problem.attack_n[:, None], 1e-9)
    worst_before = float((found.force_n / attack).min())
    worst_after = float((adjusted.force_n / attack).min())
    touch = f"{before} positions touch now, {after} would"
    if reach == "limits":
        share = max(0.0, solution.attack_share)
        how = (
            f"within the limits it surely bears no more than {share:.2f} of the attack, extra "
            f"clearance and measurement uncertainty counted ({worst_after:.2f} without them, "
            f"{worst_before:.2f} as found; {touch})"
        )
    else:
        how = (
            f"{'rod, saddle' if problem.relief_free else 'saddle'} and nut do not reach the "
            "limits; the best that they can do takes the "
            f"worst position from {worst_before:.2f} to {worst_after:.2f} of the attack ({touch})"
        )
    return Finding(
        "cure",
        f"Adjusting alone does not meet every limit: {how}; see the plan for what has to be cut.",
    )
