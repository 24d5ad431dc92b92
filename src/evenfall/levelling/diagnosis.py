"""What is wrong with an instrument, in the order of what correcting it would cure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from evenfall.arrays import shut
from evenfall.codec import plain
from evenfall.errors import At, Finding, SolverError
from evenfall.levelling.methods import Outcome, adjust_only, frets_closed
from evenfall.levelling.model import LevellingModel
from evenfall.levelling.problem import build_problem
from evenfall.levelling.standing_out import standing_out
from evenfall.requirement import falls_short, margin_share
from evenfall.strings.clearance import (
    PluckForce,
    buzz_force,
    open_gap_mm,
    open_share,
    rest_clearance_mm,
    touch_force,
)
from evenfall.units import MM_PER_INCH
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from evenfall.arrays import FloatArray
    from evenfall.instrument import Specification
    from evenfall.levelling.problem import Problem
    from evenfall.measurement import Measurement
    from evenfall.neck import Bow
    from evenfall.strings.excursion import ExcursionTable
    from evenfall.wording import Value

Reach = Literal["cures", "limits", "travel"]
"""Adjusting alone meets every limit, or meets them at a lighter attack, or does not reach them."""

_LEAST_NAMED_MM = 0.5 * 0.0001 * MM_PER_INCH
"""A gap outside its limits by less than this is not named [mm]: it would read as 0 in inches."""


@dataclass(frozen=True, slots=True, eq=False)
class Diagnosis:
    """The state of an instrument as found, K strings over F frets.

    Parameters
    ----------
    measurement
        The readings.
    findings
        What is wrong, most telling first.
    attack_n
        The player's attack, that it is judged by [N], shape (K,).
    buzz_force, touch_force
        The forces from which strings buzz, and touch, by stopped fret 0..F-1.
    action_mm, first_fret_gap_mm
        Gaps of the open strings [mm], shape (K,).
    relief_mm
        Relief [mm].
    adjusted_buzz_force_n, adjusted_touch_force_n
        The same after the best adjustment without cutting [N], shape (K, F).
    adjusting_cures
        Whether adjusting alone meets every limit.
    relief_change_mm, saddle_height_change_mm, nut_height_change_mm
        That adjustment [mm]; moves have shape (K,).
    """

    measurement: Measurement
    findings: tuple[Finding, ...]
    attack_n: FloatArray
    buzz_force: PluckForce
    touch_force: PluckForce
    action_mm: FloatArray
    first_fret_gap_mm: FloatArray
    relief_mm: float
    adjusted_buzz_force_n: FloatArray
    adjusted_touch_force_n: FloatArray
    adjusting_cures: bool
    relief_change_mm: float
    saddle_height_change_mm: FloatArray
    nut_height_change_mm: FloatArray

    def __post_init__(self) -> None:
        shut(self)

    @property
    def buzzing(self) -> int:
        """Number of notes whose buzz force is under the player's attack."""
        return int(falls_short(self.buzz_force.force_n, self.attack_n).sum())

    @property
    def touching(self) -> int:
        """Number of notes whose touch force is under the player's attack."""
        return int(falls_short(self.touch_force.force_n, self.attack_n).sum())

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        strings = [
            {
                "string": k + 1,
                "attack_n": float(self.attack_n[k]),
                "buzz_force_before_n": plain(self.buzz_force.force_n[k]),
                "buzz_force_before_mm": plain(self.buzz_force.displacement_mm[k]),
                "touch_force_before_n": plain(self.touch_force.force_n[k]),
                "critical_fret": [int(f) for f in self.buzz_force.critical_fret[k]],
                "buzz_force_after_n": plain(self.adjusted_buzz_force_n[k]),
                "touch_force_after_n": plain(self.adjusted_touch_force_n[k]),
                "action_mm": float(self.action_mm[k]),
                "first_fret_gap_mm": float(self.first_fret_gap_mm[k]),
                "saddle_height_change_mm": float(self.saddle_height_change_mm[k]),
                "nut_height_change_mm": float(self.nut_height_change_mm[k]),
            }
            for k in range(self.measurement.string_count)
        ]
        return {
            "schema": "evenfall/diagnosis@0",
            "strings": strings,
            "relief_mm": self.relief_mm,
            "relief_change_mm": self.relief_change_mm,
            "buzzing": self.buzzing,
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

    Examples
    --------
    >>> from importlib import resources
    >>> from evenfall.instrument import read_specification
    >>> from evenfall.sheets import SheetFile, read_measurement
    >>> invented = resources.files("evenfall") / "invented"
    >>> specification, _ = read_specification((invented / "tesquil.spec.toml").read_text("utf-8"))
    >>> sheet = SheetFile("before.csv", (invented / "tesquil-before.csv").read_bytes())
    >>> measurement, _ = read_measurement([sheet], specification)
    >>> seen = diagnose(specification, measurement)
    >>> seen.buzzing, seen.adjusting_cures
    (3, False)
    """
    problem = build_problem(specification, measurement, excursion=excursion, bow=bow)
    found, touched = _forces(problem)
    best, reach = _best_adjustment(problem)
    adjusted, adjusted_touch = _forces(
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
        *_buzzing(problem, found),
        *_causes(problem, action, first),
        *_worn(problem),
        _cure(problem, found, adjusted, best, reach),
    ]
    return Diagnosis(
        measurement=measurement,
        findings=tuple(findings),
        attack_n=problem.attack_n,
        buzz_force=found,
        touch_force=touched,
        action_mm=action,
        first_fret_gap_mm=first,
        relief_mm=problem.relief_found_mm,
        adjusted_buzz_force_n=adjusted.force_n,
        adjusted_touch_force_n=adjusted_touch.force_n,
        adjusting_cures=reach == "cures",
        relief_change_mm=best.solution.relief_change_mm,
        saddle_height_change_mm=best.solution.saddle_height_change_mm,
        nut_height_change_mm=best.solution.nut_height_change_mm,
    )


def _forces(problem: Problem) -> tuple[PluckForce, PluckForce]:
    """Return buzz force and touch force."""
    found = problem.measurement
    clearance = rest_clearance_mm(problem.lines, found.nut_mm, found.crown_top_mm, found.saddle_mm)
    return buzz_force(clearance, problem.excursion), touch_force(clearance, problem.excursion)


def _best_adjustment(problem: Problem) -> tuple[Outcome, Reach]:
    """Return the adjustment that meets every limit, or else the limits at the most attack."""
    model = LevellingModel(problem)
    cured = adjust_only(model)
    if cured is not None:
        return cured, "cures"
    closed = np.ones(problem.frets, dtype=bool)
    model.forgive_worn()  # adjusting cannot cure a worn crown: that is a finding of its own
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


def _buzzing(problem: Problem, found: PluckForce) -> list[Finding]:
    short = falls_short(found.force_n, problem.attack_n)
    if not short.any():
        return [
            Finding(
                "buzzes",
                "No note buzzes at the player's attack; the weakest does from {least:share} of it.",
                severity="note",
                least=_weakest_share(problem, found),
            )
        ]
    findings = []
    for k in np.flatnonzero(short.any(axis=1)):
        stopped = np.flatnonzero(short[k])
        worst = int(stopped[np.argmin(found.force_n[k, stopped])])
        force, first = float(found.force_n[k, worst]), int(found.critical_fret[k, worst])
        note = sentence("stopped at fret {fret}", fret=worst) if worst else sentence("open")
        how = (
            sentence("lies on fret {first} at rest", first=first)
            if force <= 0.0
            else sentence(
                "buzzes from {force:force} of {attack:force} on, over fret {first} first",
                force=force,
                attack=float(problem.attack_n[k]),
                first=first,
            )
        )
        findings.append(
            Finding(
                "buzzes",
                "String {string} buzzes at {buzzing} of {notes} notes. The weakest, {note}, {how}.",
                at=At(strings=(int(k) + 1,), frets=(first,), stopped_fret=worst),
                string=int(k) + 1,
                buzzing=len(stopped),
                notes=problem.frets,
                note=note,
                how=how,
            )
        )
    return findings


def _weakest_share(problem: Problem, found: PluckForce) -> float:
    """Return the lowest margin, not under nothing."""
    return max(0.0, float(margin_share(found.force_n, problem.attack_n).min()))


def _causes(problem: Problem, action: FloatArray, first: FloatArray) -> list[Finding]:
    """Return what is out of line, each with how many notes correcting it would clear."""
    specification = problem.specification
    buzzing = _still_buzzing(problem)
    weighed: list[tuple[int, Finding]] = []

    def weigh(code: str, fact: Sentence, at: At, corrected: Problem | None) -> None:
        cured = 0 if corrected is None else buzzing - _still_buzzing(corrected)
        if corrected is None or not buzzing:
            weighed.append((-cured, Finding(code, "{fact}", at=at, fact=fact)))
            return
        cure = "{fact} Correcting this alone would clear {cured} of {buzzing} buzzing notes."
        finding = Finding(code, cure, at=at, fact=fact, cured=max(cured, 0), buzzing=buzzing)
        weighed.append((-cured, finding))

    relief = specification.target.relief
    if _relief_outside(problem):
        values: dict[str, Value] = {
            "relief": problem.relief_found_mm,
            "low": relief.minimum_mm,
            "high": relief.maximum_mm,
        }
        text = "The relief is {relief:length}; it should be {low:figure} to {high:length}."
        if problem.relief_free:
            change = relief.value_mm - problem.relief_found_mm
            weigh("relief", Sentence(text, values), At(), _with_relief(problem, change))
        else:
            rodless = text + " This neck has no truss rod to set it with."
            weigh("relief", Sentence(rodless, values), At(), None)
    reference = specification.scale.reference_fret
    for code, name, fret, gap, limits in (
        ("action", "action", reference, action, specification.target.action),
        ("first-fret-gap", "first-fret gap", 1, first, specification.target.first_fret_gap),
    ):
        low = np.array([limit.minimum_mm for limit in limits])
        high = np.array([limit.maximum_mm for limit in limits])
        for off, end in (
            (gap < low - _LEAST_NAMED_MM, "below its lower limit"),
            (gap > high + _LEAST_NAMED_MM, "above its upper limit"),
        ):
            if not off.any():
                continue
            strings = tuple(int(k) + 1 for k in np.flatnonzero(off))
            fact = sentence(
                "The {name} of {on:strings} is {end}, by up to {by:length}.",
                name=name,
                on=strings,
                end=end,
                by=float(np.maximum(low - gap, gap - high)[off].max()),
            )
            wanted = np.array([limit.value_mm for limit in limits])
            corrected = _with_gap(problem, fret, np.where(off, wanted - gap, 0.0))
            weigh(code, fact, At(strings=strings, frets=(fret,)), corrected)
    harmless: list[int] = []
    for j, step, strings in _odd_frets(problem):
        tops = problem.measurement.crown_top_mm.copy()
        tops[np.array(strings) - 1, j - 1] -= step
        text = (
            "Fret {fret} stands {step:length} above the line of its neighbours under {on:strings}."
            if step > 0.0
            else "Fret {fret} lies {step:length} below the line of its neighbours under "
            "{on:strings}."
        )
        fact = sentence(text, fret=j, step=abs(step), on=strings)
        corrected = problem.with_heights(
            crown_top_mm=tops,
            nut_mm=problem.measurement.nut_mm,
            saddle_mm=problem.measurement.saddle_mm,
        )
        if _still_buzzing(corrected) < buzzing:
            code = "high-fret" if step > 0.0 else "low-fret"
            weigh(code, fact, At(strings=strings, frets=(j,)), corrected)
        elif j not in harmless:
            harmless.append(j)
    causes = [finding for _, finding in sorted(weighed, key=lambda pair: pair[0])]
    if harmless:
        causes.append(
            Finding(
                "high-fret",
                "{frets:plural Fret|Frets} {frets:numbers} {frets:plural stands|stand} out from "
                "the neighbours, but correcting one alone would clear no note.",
                at=At(frets=tuple(harmless)),
                severity="note",
                frets=tuple(harmless),
            )
        )
    return causes


def _relief_outside(problem: Problem) -> bool:
    relief = problem.specification.target.relief
    return not relief.minimum_mm <= problem.relief_found_mm <= relief.maximum_mm


def _still_buzzing(problem: Problem) -> int:
    return int(falls_short(_forces(problem)[0].force_n, problem.attack_n).sum())


def _odd_frets(problem: Problem) -> list[tuple[int, float, tuple[int, ...]]]:
    """Return frets that stand out from the line of their neighbours: fret, step [mm], strings."""
    station = problem.lines.station_mm[:, 1:]
    step, odd = standing_out(station, problem.measurement.heights, problem.bow.frets)
    frets = []
    for column in np.flatnonzero(odd.any(axis=0)):
        for sign in (1.0, -1.0):
            rows = np.flatnonzero(odd[:, column] & (np.sign(step[:, column]) == sign))
            if rows.size:
                middle = float(np.median(step[rows, column]))
                frets.append((int(column) + 1, middle, tuple(int(k) + 1 for k in rows)))
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
    frets = tuple(int(j) + 1 for j in np.flatnonzero((height < least + 0.05).any(axis=0)))
    if not frets:
        return []
    return [
        Finding(
            "worn",
            "{frets:plural Fret|Frets} {frets:numbers} {frets:plural has|have} little crown left: "
            "{lowest:length} at the lowest; {least:length} must stay.",
            at=At(frets=frets),
            frets=frets,
            lowest=float(height.min()),
            least=least,
        )
    ]


def _cure(
    problem: Problem, found: PluckForce, adjusted: PluckForce, best: Outcome, reach: Reach
) -> Finding:
    solution = best.solution
    if reach == "cures":
        moved = (
            abs(solution.relief_change_mm) > 1e-3
            or (np.abs(solution.saddle_height_change_mm) > 1e-3).any()
            or (np.abs(solution.nut_height_change_mm) > 1e-3).any()
        )
        what = "Adjusting alone meets" if moved else "The instrument as found meets"
        text = "{what} every limit; no metal has to come off."
        if not problem.relief_free and _relief_outside(problem):
            text = "{what} every limit but that of the relief; no metal has to come off."
        return Finding("cure", "{cure}", severity="note", cure=sentence(text, what=what))
    text = (
        "Adjusting {what:list} alone does not meet every limit. Within the limits the weakest note "
        "stays clear up to {after:share} of the player's attack ({certain:share} is certain after "
        "allowances and measurement uncertainty); {buzzing:count note} {buzzing:plural buzzes|"
        "buzz} as found, {still} would. See the plan for what has to be cut."
        if reach == "limits"
        else "Adjusting {what:list} alone does not reach the limits. At best it takes the weakest "
        "note from {before:share} to {after:share} of the player's attack; {buzzing:count note} "
        "{buzzing:plural buzzes|buzz} as found, {still} would. See the plan for what has to be "
        "cut."
    )
    cure = sentence(
        text,
        what=("rod", "saddle", "nut") if problem.relief_free else ("saddle", "nut"),
        before=_weakest_share(problem, found),
        after=_weakest_share(problem, adjusted),
        certain=max(0.0, solution.attack_share),
        buzzing=int(falls_short(found.force_n, problem.attack_n).sum()),
        still=int(falls_short(adjusted.force_n, problem.attack_n).sum()),
    )
    return Finding("cure", "{cure}", cure=cure)
