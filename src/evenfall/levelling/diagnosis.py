"""What is wrong with an instrument, in the order of what correcting it would cure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from evenfall.arrays import FloatArray, numbered, shut
from evenfall.codec import plain
from evenfall.errors import At, Finding
from evenfall.instrument import Specification
from evenfall.levelling.conclusion import less
from evenfall.levelling.decision import Decision
from evenfall.levelling.problem import Problem, build_problem
from evenfall.levelling.rules import decide
from evenfall.levelling.settings import SetUp, as_found, limits_mm
from evenfall.measurement import Measurement
from evenfall.neck import Bow, LevelLine, level_line
from evenfall.neck.level_line import StandsOut
from evenfall.requirement import Judged, State, falls_short, margin_share
from evenfall.strings.clearance import (
    PluckForce,
    buzz_force,
    open_share,
    rest_clearance_mm,
    touch_force,
)
from evenfall.strings.excursion import ExcursionTable
from evenfall.units import MM_PER_INCH
from evenfall.wording import Sentence, Value, sentence

_LEAST_NAMED_MM = 0.5 * 0.0001 * MM_PER_INCH
"""A gap outside its limits by less than this is not named [mm]: it would read as 0 in inches."""
_EVEN_MM = 0.005
"""A fret whose strings differ by less stands out by one amount [mm]."""


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
    line
        The level line, and what stands out from it.
    judged
        How every position stands.
    buzz_force, touch_force
        The forces from which strings buzz, and touch, by stopped fret 0..F-1.
    action_mm, first_fret_gap_mm
        Gaps of the open strings over the level line [mm], shape (K,).
    relief_mm
        Relief of the bow alone [mm].
    adjusted
        What adjusting rod, saddle and nut alone comes to.
    """

    measurement: Measurement
    findings: tuple[Finding, ...]
    attack_n: FloatArray
    line: LevelLine
    judged: Judged
    buzz_force: PluckForce
    touch_force: PluckForce
    action_mm: FloatArray
    first_fret_gap_mm: FloatArray
    relief_mm: float
    adjusted: Decision

    def __post_init__(self) -> None:
        shut(self)

    @property
    def adjusted_buzz_force_n(self) -> FloatArray:
        """The buzz force after adjusting [N], shape (K, F)."""
        return self.adjusted.buzz_force.force_n

    @property
    def failing(self) -> int:
        """Number of notes that fail: worse than needed, and worse than level frets."""
        return _count(self.judged, State.FAILS)

    @property
    def as_good(self) -> int:
        """Number of notes that need more than level frets give, and are as good as they are."""
        return _count(self.judged, State.AS_GOOD)

    @property
    def grazing(self) -> int:
        """Number of notes that hold, and yet touch a fret lightly and late at the attack."""
        touching = falls_short(self.touch_force.force_n, self.attack_n)
        return int((touching & (self.judged.note_state == State.HOLDS)).sum())

    @property
    def touching(self) -> int:
        """Number of notes whose touch force is under the player's attack."""
        return int(falls_short(self.touch_force.force_n, self.attack_n).sum())

    @property
    def adjusting_cures(self) -> bool:
        """Whether after adjusting alone no note fails."""
        return _cures(self.adjusted)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        buzz_n, touch_n = self.adjusted_buzz_force_n, self.adjusted.touch_force.force_n
        strings = [
            {
                "string": k + 1,
                "attack_n": float(self.attack_n[k]),
                "state_before": [int(state) for state in self.judged.note_state[k]],
                "buzz_force_before_n": plain(self.buzz_force.force_n[k]),
                "buzz_force_before_mm": plain(self.buzz_force.displacement_mm[k]),
                "touch_force_before_n": plain(self.touch_force.force_n[k]),
                "critical_fret": [int(f) for f in self.buzz_force.critical_fret[k]],
                "buzz_force_after_n": plain(buzz_n[k]),
                "touch_force_after_n": plain(touch_n[k]),
                "stands_out_mm": plain(self.line.off_mm[k]),
                "action_mm": float(self.action_mm[k]),
                "first_fret_gap_mm": float(self.first_fret_gap_mm[k]),
                "saddle_height_change_mm": float(self.adjusted.saddle_height_change_mm[k]),
                "nut_height_change_mm": float(self.adjusted.nut_height_change_mm[k]),
            }
            for k in range(self.measurement.string_count)
        ]
        frets = [
            {
                "fret": one.fret,
                "strings": list(one.strings),
                "size_mm": one.size_mm,
                "mean_mm": one.mean_mm,
                "tilt_mm": one.tilt_mm,
            }
            for one in self.line.standing
        ]
        return {
            "schema": "evenfall/diagnosis@1",
            "strings": strings,
            "standing_out": frets,
            "hump_mm": self.line.hump_mm,
            "fall_away_mm": self.line.fall_away_mm,
            "scatter_mm": self.line.scatter_mm,
            "follows_arch": self.line.follows_arch,
            "relief_mm": self.relief_mm,
            "relief_change_mm": self.adjusted.relief_change_mm,
            "failing": self.failing,
            "as_good": self.as_good,
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
    smallest_mm = specification.judgement.smallest_cut_mm("file")
    line = level_line(specification, measurement, problem.lines, problem.bow, smallest_mm)
    found = as_found(problem, line, smallest_mm)
    adjusted = decide(problem, line, "adjust")
    heights = (measurement.nut_mm, line.taken_mm, measurement.saddle_mm)
    clear = rest_clearance_mm(problem.lines, *heights)
    buzz, touch = buzz_force(clear, problem.excursion), touch_force(clear, problem.excursion)
    return Diagnosis(
        measurement=measurement,
        findings=(
            *_buzzing(found, buzz),
            *_causes(found),
            *_worn(problem),
            _cure(found, buzz, adjusted),
        ),
        attack_n=problem.attack_n,
        line=line,
        judged=found.judged,
        buzz_force=buzz,
        touch_force=touch,
        action_mm=found.action_mm,
        first_fret_gap_mm=found.first_fret_gap_mm,
        relief_mm=found.relief_mm,
        adjusted=adjusted,
    )


def _count(judged: Judged, state: State) -> int:
    return int((judged.note_state == state).sum())


def _cures(adjusted: Decision) -> bool:
    return adjusted.conclusion in ("nothing", "settings")


def _weakest_share(problem: Problem, force: PluckForce) -> float:
    """Return the lowest margin, not under nothing."""
    return max(0.0, float(margin_share(force.force_n, problem.attack_n).min()))


# ---- notes ---------------------------------------------------------------------------------------


def _buzzing(found: SetUp, buzz: PluckForce) -> list[Finding]:
    """Return the strings that fail at some note, and what level frets would not cure."""
    problem, states = found.problem, found.judged.note_state
    findings = []
    for k in np.flatnonzero((states == State.FAILS).any(axis=1)):
        stopped = np.flatnonzero(states[k] == State.FAILS)
        worst = int(stopped[np.argmin(buzz.force_n[k, stopped])])
        force, first = float(buzz.force_n[k, worst]), int(buzz.critical_fret[k, worst])
        note = sentence("stopped at fret {fret}", fret=worst) if worst else sentence("open")
        attack = float(problem.attack_n[k])
        text = "starts to buzz at {force:force} (attack {attack:force}), first on fret {first}"
        if force >= attack:
            text = (
                "starts to buzz at {force:force}, first on fret {first}: with the extra clearance "
                "that is too little for an attack of {attack:force}"
            )
        if force <= 0.0:
            text = "lies on fret {first} at rest"
        how = sentence(text, force=force, attack=attack, first=first)
        findings.append(
            Finding(
                "buzzes",
                "String {string} fails at {failing} of {notes} notes. The weakest, {note}, {how}.",
                at=At(strings=(int(k) + 1,), frets=(first,), stopped_fret=worst),
                string=int(k) + 1,
                failing=len(stopped),
                notes=problem.frets,
                note=note,
                how=how,
            )
        )
    if not findings:
        text = "No note fails; the weakest starts to buzz at {least:share} of the player's attack."
        findings.append(
            Finding("buzzes", text, severity="note", least=_weakest_share(problem, buzz))
        )
    alike = states == State.AS_GOOD
    if alike[:, 1:].any():
        findings.append(
            Finding(
                "level-frets",
                "{alike:count note} {alike:plural buzzes|buzz} at the player's attack, and would "
                "over level frets too; no file cures that. With the settings as found, level frets "
                "stay clear up to {level:share} of the attack.",
                alike=int(alike[:, 1:].sum()),
                level=found.level_margin_share,
            )
        )
    if alike[:, 0].any():
        strings = numbered(alike[:, 0])
        text = "Open {strings:strings} would buzz over level frets too: the nut has to cure that."
        findings.append(Finding("level-frets", text, at=At(strings=strings), strings=strings))
    return findings


# ---- causes --------------------------------------------------------------------------------------


def _causes(found: SetUp) -> list[Finding]:
    """Return what is out of line, each with how many notes correcting it would clear."""
    failing = _count(found.judged, State.FAILS)
    weighed: list[tuple[int, Finding]] = []

    def weigh(code: str, fact: Sentence, at: At, corrected: SetUp | None) -> None:
        cured = 0 if corrected is None else failing - _count(corrected.judged, State.FAILS)
        if cured <= 0:  # it is out of line, and no note fails for it alone
            weighed.append((0, Finding(code, "{fact}", at=at, fact=fact)))
            return
        cure = "{fact} Correcting this alone would clear {cured} of {failing} failing notes."
        finding = Finding(code, cure, at=at, fact=fact, cured=cured, failing=failing)
        weighed.append((-cured, finding))

    if _relief_outside(found):
        weigh("relief", *_off_relief(found))
    for code, fact, at, corrected in _off_gaps(found):
        weigh(code, fact, at, corrected)
    if found.line.hump_mm >= found.smallest_cut_mm:
        fact = sentence(
            "The board rises past the joint, by {by:length} at the last fret.",
            by=found.line.hump_mm,
        )
        rise = found.line.smooth_mm - found.line.level_mm
        past = numbered((rise > 0.0).any(axis=0))
        weigh("board-shape", fact, At(frets=past), less(found, rise))
    alone: list[StandsOut] = []  # that no note asks for by itself
    for one in found.line.standing:
        corrected = less(found, _over(found.line, [one]))
        if _count(corrected.judged, State.FAILS) < failing:
            code = "high-fret" if one.size_mm > 0.0 else "low-fret"
            at = At(strings=one.strings, frets=(one.fret,))
            weigh(code, _standing_out(found, one), at, corrected)
        else:
            alone.append(one)
    causes = [finding for _, finding in sorted(weighed, key=lambda pair: pair[0])]
    for code, sign in (("high-fret", 1.0), ("low-fret", -1.0)):
        frets = [one for one in alone if sign * one.size_mm > 0.0]
        if frets:
            causes.append(_together(found, code, frets, failing))
    return causes


def _together(found: SetUp, code: str, frets: list[StandsOut], failing: int) -> Finding:
    """Return what frets come to that no note fails for one by one."""
    corrected = less(found, _over(found.line, frets))
    cured = failing - _count(corrected.judged, State.FAILS)
    on = tuple(one.fret for one in frets)
    text = "{frets:plural Fret|Frets} {frets:numbers} {stand}, but correcting {frets:plural it|one}"
    text += (
        " alone would clear no note; all of them together would clear {cured} of {failing} failing "
        "notes."
        if cured > 0
        else " alone would clear no note."
    )
    high = code == "high-fret"
    stand = sentence(
        "{frets:plural stands|stand} over the level line"
        if high
        else "{frets:plural lies|lie} under the level line",
        frets=on,
    )
    return Finding(
        code,
        text,
        at=At(frets=on),
        severity="warning" if cured > 0 else "note",
        frets=on,
        stand=stand,
        cured=cured,
        failing=failing,
    )


def _over(line: LevelLine, frets: list[StandsOut]) -> FloatArray:
    """Return what these frets stand over the line, 0 elsewhere, shape (K, F) [mm]."""
    over = np.zeros_like(line.off_mm)
    for one in frets:
        rows = np.array(one.strings) - 1
        over[rows, one.fret - 1] = line.off_mm[rows, one.fret - 1]
    return over


def _relief_outside(found: SetUp) -> bool:
    relief = found.problem.specification.target.relief
    return not relief.minimum_mm <= found.relief_mm <= relief.maximum_mm


def _off_relief(found: SetUp) -> tuple[Sentence, At, SetUp | None]:
    """Return that the relief is off, and the instrument with it corrected at the same action."""
    problem, relief = found.problem, found.problem.specification.target.relief
    values: dict[str, Value] = {
        "relief": found.relief_mm,
        "low": relief.minimum_mm,
        "high": relief.maximum_mm,
    }
    text = "The relief is {relief:length}; it should be {low:figure} to {high:length}."
    if not problem.relief_free:
        rodless = text + " This neck has no truss rod to set it with."
        return Sentence(rodless, values), At(), None
    change = relief.value_mm - found.relief_mm
    reference = problem.specification.scale.reference_fret
    saddle = change * problem.bow.frets[:, reference - 1] / open_share(problem.lines, reference)
    turned = replace(found, relief_change_mm=change, saddle_change_mm=saddle)
    return Sentence(text, values), At(), turned


def _off_gaps(found: SetUp) -> list[tuple[str, Sentence, At, SetUp]]:
    """Return the gaps that are off, and the instrument with each corrected."""
    target, lines = found.problem.specification.target, found.problem.lines
    reference = found.problem.specification.scale.reference_fret
    off_gaps = []
    for code, name, fret, gap, limits in (
        ("action", "action", reference, found.action_mm, target.action),
        ("first-fret-gap", "first-fret gap", 1, found.first_fret_gap_mm, target.first_fret_gap),
    ):
        low, high = limits_mm(limits, 0.0)
        wanted = np.array([limit.value_mm for limit in limits])
        for off, end in (
            (gap < low - _LEAST_NAMED_MM, "below its lower limit"),
            (gap > high + _LEAST_NAMED_MM, "above its upper limit"),
        ):
            if not off.any():
                continue
            strings = numbered(off)
            fact = sentence(
                "The {name} of {on:strings} is {end}, by up to {by:length}.",
                name=name,
                on=strings,
                end=end,
                by=float(np.maximum(low - gap, gap - high)[off].max()),
            )
            change, share = np.where(off, wanted - gap, 0.0), open_share(lines, fret)
            corrected = (
                replace(found, nut_change_mm=change / (1.0 - share))
                if code == "first-fret-gap"
                else replace(found, saddle_change_mm=change / share)
            )
            off_gaps.append((code, fact, At(strings=strings, frets=(fret,)), corrected))
    return off_gaps


def _standing_out(found: SetUp, one: StandsOut) -> Sentence:
    """Return how a fret stands out: by how much, where along it, and to which side."""
    uneven = abs(one.size_mm - one.mean_mm) >= _EVEN_MM
    partly = len(one.strings) < found.problem.strings
    end = sentence("")
    if uneven and one.tilt_mm:
        bass = (one.tilt_mm > 0.0) == (one.size_mm > 0.0)
        end = sentence(", most at the bass end") if bass else sentence(", most at the treble end")
    return sentence(
        "Fret {fret} stands {size} over the level line{under}{end}."
        if one.size_mm > 0.0
        else "Fret {fret} lies {size} under the level line{under}{end}.",
        fret=one.fret,
        size=sentence(
            "up to {size:length}" if uneven else "{size:length}",
            size=abs(one.size_mm if uneven else one.mean_mm),
        ),
        under=sentence(" at {on:strings}", on=one.strings) if partly else sentence(""),
        end=end,
    )


def _worn(problem: Problem) -> list[Finding]:
    height = problem.measurement.crown_height_mm
    least = problem.specification.fretwire.least_crown_height_mm
    frets = numbered((height < least + 0.05).any(axis=0))
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


def _cure(found: SetUp, buzz: PluckForce, adjusted: Decision) -> Finding:
    """Return what adjusting alone comes to."""
    problem, left_out = found.problem, tuple(one.said for one in adjusted.left_out)
    free = ("rod", "saddle", "nut") if problem.relief_free else ("saddle", "nut")
    if _cures(adjusted):
        moved = adjusted.conclusion == "settings"
        what = "Adjusting alone meets" if moved else "The instrument as found meets"
        text = "{what} every limit; no metal has to come off."
        if left_out:
            text = "{what} every limit but what follows; no metal has to come off. {left:sentences}"
        cure = sentence(text, what=what, left=left_out)
        return Finding("cure", "{cure}", severity="note", cure=cure)
    if adjusted.conclusion == "misfit":
        text = (
            "Attack and targets do not fit: with {what:list} set, even level frets stay clear only "
            "up to {level:share} of the player's attack. The plan shows what would fit."
        )
        return Finding("cure", text, what=free, level=adjusted.level_margin_share)
    before, after = (_weakest_share(problem, force) for force in (buzz, adjusted.buzz_force))
    takes = "it takes the weakest note from {before:share} to {after:share} of the player's attack"
    if before <= 0.0 and after <= 0.0:
        takes = "the weakest note lies on the next fret at rest, and still would"
    cure = sentence(
        "Adjusting {what:list} alone does not meet every limit: {takes}; {failing:count note} "
        "{failing:plural fails|fail} as found, {still} would. See the plan for what has to be cut.",
        what=free,
        takes=sentence(takes, before=before, after=after),
        failing=_count(found.judged, State.FAILS),
        still=_count(adjusted.judged, State.FAILS),
    )
    return Finding("cure", "{cure}", cure=cure)
