"""The verdict: readings after the work against the specification, and against the plan.

Conformity is with the specification. The plan is not a limit: where the instrument is other than
planned is reported beside the verdict.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import numbered
from evenfall.errors import At, Finding, RequestError, Severity
from evenfall.gates import Accepted, accepted_with_plan, check_used, open_gates
from evenfall.instrument import Specification, string_lines
from evenfall.measurement import Measurement, Origin
from evenfall.names import of_two
from evenfall.neck import default_bow, level_line
from evenfall.plan import Plan
from evenfall.plan.plan import before_work
from evenfall.proof.decision import EXACT_MM, one_sided_factor
from evenfall.proof.deviation import deviation_from_plan, heights_read
from evenfall.proof.judging import (
    Case,
    crown_height_items,
    derived_relief,
    derived_straightedge,
    gap_over_crown,
    open_gap_items,
    relief_items,
    with_verdict,
)
from evenfall.proof.next_steps import next_steps
from evenfall.proof.positions import clear_up_to_n, clearance_items, clearances, judge_positions
from evenfall.proof.result import Deviation, Item, Proof
from evenfall.proof.uncertainty import Budget, student_t_factor
from evenfall.requirement import FITS_SHARE, State
from evenfall.strings.clearance import buzz_force
from evenfall.strings.excursion import ExcursionTable, excursion_table
from evenfall.wording import sentence

if TYPE_CHECKING:
    from evenfall.proof.decision import Verdict
    from evenfall.proof.positions import Clearances

_SAME_MM = 5e-4
"""Half the last digit that people read: a smaller difference is none."""

_HUMIDITY_STEP_PERCENT = 5.0
"""Change of the air's humidity worth a remark (common practice, no source)."""


def prove(
    specification: Specification,
    plan: Plan,
    measurement: Measurement,
    excursion: ExcursionTable | None = None,
    *,
    attack_n: Sequence[float] | None = None,
    worked: Sequence[Plan] = (),
    accepted: Sequence[Accepted] = (),
) -> Proof:
    """Return the proof: what the readings after the work show.

    Judged are the action of every string, its first-fret gap, the relief, the crown height
    left at every fret, and the clearance of every stopped position at the attack: what the attack
    needs, or what level frets would give at this rod, nut and saddle if that is less. Readings of
    action and relief of their own take precedence where they are as sure as what the heights give,
    or where the heights were made from them. Readings that have to be taken again, and that nobody
    accepted, certify nothing.

    Parameters
    ----------
    specification
        The limits and the decision rule.
    plan
        What was to be done.
    measurement
        Readings after the work.
    excursion
        Excursion table of the specification, if at hand; else it is computed.
    attack_n
        Attack that the positions must bear [N], one per string; the specification's if left out.
    worked
        Plans that were worked before `plan`, oldest first: what they took off is no wear either.
    accepted
        What in the readings somebody accepted as it is, besides what the plan accepted at the same
        place.

    Raises
    ------
    RequestError
        Plan, readings and specification do not belong together, or nothing asks for what is
        accepted.
    """
    _check_belonging(specification, plan, measurement)
    attack = np.asarray(specification.player.attack_n if attack_n is None else attack_n, float)
    if attack.shape != (specification.string_count,) or not np.all(attack >= 0.0):
        raise RequestError(
            "Give one attack, zero or more, for each of the {n} strings.",
            at=At(field="attack"),
            n=specification.string_count,
        )
    lines = string_lines(specification)
    bow = replace(default_bow(specification, lines), frets=plan.bow_mm_per_mm)
    heights = heights_read(measurement)
    smallest_cut_mm = plan.smallest_cut_mm
    line = None
    unfiled = before_work(measurement, [*worked, plan])
    if np.isfinite(heights.crown_top_mm).any():
        line = level_line(specification, unfiled, lines, bow, smallest_cut_mm)
    case = Case(
        specification=specification,
        lines=lines,
        bow=bow,
        excursion=excursion or excursion_table(specification, lines),
        measurement=measurement,
        heights=heights,
        attack_n=attack,
        level_mm=heights.crown_top_mm if line is None else line.level_mm,
        taken_mm=heights.crown_top_mm if line is None else line.taken_mm,
        smallest_cut_mm=smallest_cut_mm,
        line=line,
    )
    gates = open_gates(specification, measurement, line, accepted, unfiled)
    check_used(accepted, gates.found)
    known = accepted_with_plan(plan.accepted, plan.gates, gates.found)
    gates = replace(gates, accepted=(*known, *accepted))
    fit = deviation_from_plan(lines, bow, plan, heights)
    found = clearances(case)
    positions = judge_positions(case, found)
    target, reference = specification.target, specification.scale.reference_fret
    under_tension = [
        *open_gap_items(case, "action", reference, target.action),
        *open_gap_items(case, "first-fret-gap", 1, target.first_fret_gap),
        *relief_items(case),
    ]
    crowns = crown_height_items(case, plan, fit)
    swinging = clearance_items(case, positions, found)
    if not measurement.strung:
        under_tension = [_unstrung(item) for item in under_tension]
        swinging = [_unstrung(item) for item in swinging]
    items = (*under_tension, *crowns, *swinging)
    overall = _overall(items)
    rule = specification.rule
    return Proof(
        verdict="undecided" if gates.unmet and overall == "conforms" else overall,
        rule=rule.decision,
        false_acceptance=rule.false_acceptance,
        false_refusal=rule.false_refusal,
        refusal_factor=one_sided_factor(case.refusal_chance),
        coverage=rule.coverage,
        coverage_factor=student_t_factor(rule.coverage, math.inf),
        serial=measurement.serial or plan.measurement.serial,
        model=specification.name,
        specification_hash=specification.content_hash,
        plan_hash=plan.content_hash,
        before_hash=plan.measurement.content_hash,
        after_hash=measurement.content_hash,
        attack_n=attack,
        attack_said=specification.player.saying(attack.tolist()),
        clear_up_to_n=clear_up_to_n(case, found),
        items=items,
        positions=positions,
        deviation=fit.deviation,
        next_steps=next_steps(
            case, items, positions, found, gates.unmet, unfinished=_unfinished(plan, fit.deviation)
        ),
        findings=tuple(_findings(case, plan, items, fit.deviation, found)),
        gates=gates.found,
        accepted=gates.accepted,
        checks=gates.checks,
        worked_hashes=tuple(one.content_hash for one in worked),
    )


def _overall(items: Sequence[Item]) -> Verdict:
    verdicts = {item.verdict for item in items}
    if "does not conform" in verdicts:
        return "does not conform"
    return "undecided" if "undecided" in verdicts else "conforms"


def _unstrung(item: Item) -> Item:
    return with_verdict(item, "undecided", sentence("strings not at pitch during the readings"))


def _check_belonging(specification: Specification, plan: Plan, measurement: Measurement) -> None:
    before = plan.measurement
    shape = specification.string_count, specification.frets
    for what, given in ((sentence("plan"), before), (sentence("measurement"), measurement)):
        has = given.string_count, given.fret_count
        if has != shape:
            raise RequestError(
                "The {what} is for {strings} strings and {frets} frets, the specification for "
                "{wanted_strings} and {wanted_frets}; give files that belong to one instrument.",
                what=what,
                strings=has[0],
                frets=has[1],
                wanted_strings=shape[0],
                wanted_frets=shape[1],
            )
        if given.specification_hash != specification.content_hash:
            raise RequestError(
                "The {what} was made with another specification ({found}, not {wanted}); use the "
                "specification of the plan for the readings after the work too.",
                what=what,
                found=given.specification_hash[:10] or sentence("none named"),
                wanted=specification.content_hash[:10],
            )
    if of_two(before.serial, measurement.serial):
        raise RequestError(
            "The plan is for instrument {planned:quoted}, the readings are of {read:quoted}; give "
            "the plan and the readings of one instrument.",
            planned=before.serial,
            read=measurement.serial,
        )


def _findings(
    case: Case, plan: Plan, items: Sequence[Item], deviation: Deviation, found: Clearances
) -> Iterator[Finding]:
    yield from _level_findings(case, found)
    yield from _state_findings(case, plan)
    yield from _plan_findings(case, plan)
    yield from _reading_findings(case, items)
    yield from _disagreements(case, items)
    # Off plan and yet within every limit is for the record.
    severity: Severity = "note" if _overall(items) == "conforms" else "warning"
    yield from _off_plan(case, deviation, severity)


def _level_findings(case: Case, found: Clearances) -> Iterator[Finding]:
    """Say first where the attack asks more than level frets would give."""
    as_good = found.judged.state == State.AS_GOOD
    if not as_good.any():
        return
    level_n = buzz_force(found.level_clearance_mm, case.excursion).force_n[:, 1:]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = level_n / case.attack_n[:, None]
    k = int(np.nanmin(np.where(np.isfinite(share), share, np.inf), axis=1).argmin())
    fits = float(np.nanmin(share[k])) >= FITS_SHARE
    strings = numbered(as_good.any(axis=(1, 2)))
    yield Finding(
        "misfit",
        "{what} at this rod, nut and saddle level frets stay clear up to {force:force} on string "
        "{string}, and {attack:force} is asked. Of {strings:strings} the proof asks no more than "
        "level frets give{cure}.",
        At(strings=strings),
        "note" if fits else "warning",
        what=sentence("The attack asks a little more than level frets give:")
        if fits
        else sentence("Attack and targets do not fit each other:"),
        force=float(np.nanmin(level_n[k])),
        string=k + 1,
        attack=float(case.attack_n[k]),
        strings=strings,
        cure="" if fits else sentence("; agree on a higher action or on a lighter attack"),
    )


def _state_findings(case: Case, plan: Plan) -> Iterator[Finding]:
    before, after = plan.measurement, case.measurement
    if not after.strung:
        yield Finding(
            "state",
            "The strings were not at pitch during the readings, so nothing that tension moves is "
            "decided: action, first-fret gap, relief and clearances stay undecided.",
        )
    elif not before.strung:
        yield Finding(
            "state",
            "The plan was made from unstrung readings, the verdict from readings at pitch; "
            "deviations from the plan include what tension does to the neck.",
            severity="note",
        )
    moved = after.humidity_percent - before.humidity_percent
    if abs(moved) > _HUMIDITY_STEP_PERCENT:
        yield Finding(
            "state",
            "Humidity went from {before:g} to {after:g} % between the readings; part of the change "
            "in relief may be the wood's.",
            severity="note",
            before=before.humidity_percent,
            after=after.humidity_percent,
        )
    if before.content_hash == after.content_hash:
        yield Finding(
            "state",
            "These are the very readings that the plan was made from: the verdict is about the "
            "instrument before the work.",
        )


def _plan_findings(case: Case, plan: Plan) -> Iterator[Finding]:
    if plan.status in ("ask", "misfit", "read-again", "short"):
        yield Finding(
            "plan-not-ready",
            "The plan that the work followed was not ready to be carried out. {headline}",
            headline=plan.headline,
        )
    other = np.abs(plan.attack_n - case.attack_n) > 1e-9
    if other.any():
        strings = np.flatnonzero(other).tolist()
        lighter = bool(np.any(plan.attack_n[other] < case.attack_n[other]))
        yield Finding(
            "other-attack",
            "The plan was made for another attack than the one judged: {named:phrases}.",
            At(strings=tuple(k + 1 for k in strings)),
            "warning" if lighter else "note",
            named=[
                sentence(
                    "string {string} at {judged:force} (plan {planned:force})",
                    string=k + 1,
                    judged=float(case.attack_n[k]),
                    planned=float(plan.attack_n[k]),
                )
                for k in strings
            ],
        )


def _reading_findings(case: Case, items: Sequence[Item]) -> Iterator[Finding]:
    heights, after = case.heights, case.measurement
    known = ~heights.missing
    direct_u_mm = [d.u_mm for d in after.direct]
    bare = int(np.sum(known & ~(heights.total_u_mm > EXACT_MM)))
    bare += sum(not u > EXACT_MM for u in direct_u_mm)
    total = int(np.sum(known)) + len(direct_u_mm)
    if bare:
        which = sentence("the readings")
        if bare < total:
            which = sentence("{bare} of {total} readings", bare=bare, total=total)
        yield Finding(
            "no-uncertainty",
            "No uncertainty is stated for {which}: the verdict holds only as far as they are "
            "exact.",
            which=which,
        )
    unread = int(np.sum(heights.missing))
    if unread:
        yield Finding(
            "missing",
            "Not read after the work: {n} of the {all} heights of crown tops, saddle and {nut}; "
            "what rests on them alone is undecided.",
            n=unread,
            all=known.size,
            nut=case.specification.board.string_rest,
        )
    for origin, words in (
        (Origin.INTERPOLATED, sentence("interpolated from their neighbours")),
        (Origin.DERIVED, sentence("worked out from other readings")),
    ):
        count = int(np.sum(after.heights.origin[:, 1:-1] == origin))
        if count:
            yield Finding(
                "route", "{n} crown tops were {words}.", severity="note", n=count, words=words
            )
    direct = [i.name for i in items if i.basis == "direct"]
    if direct:
        text = "Judged by a reading of its own: {names:phrases}."
        yield Finding("route", text, severity="note", names=direct)
    crowns = [i for i in items if i.quantity == "crown-height"]
    derived = [i for i in crowns if i.basis in ("derived", "wire")]
    if derived:
        nominal = any(i.basis == "wire" for i in derived)
        yield Finding(
            "route",
            "The crown heights of {n} of {all} frets were not read after the work; they are worked "
            "out from {base} and the metal removed.",
            At(frets=tuple(i.fret for i in derived if i.fret)),
            "warning" if nominal else "note",
            n=len(derived),
            all=len(crowns),
            base=sentence("the height of the wire as supplied")
            if nominal
            else sentence("the heights before"),
        )


def _disagreements(case: Case, items: Sequence[Item]) -> Iterator[Finding]:
    """Compare readings of their own with what the heights say, where there are both."""
    factor = student_t_factor(case.specification.rule.coverage, math.inf)
    for item in items:
        if item.basis != "direct":
            continue
        if item.quantity == "relief":
            _, lines, _ = derived_relief(case)
            derived_mm = derived_straightedge(case, item.string or 0, item.place[1])
        else:
            derived_mm, lines = gap_over_crown(case, item.place[0] - 1, item.place[1])
        u_mm = Budget(tuple(lines)).combined_uncertainty
        off_mm = item.value - derived_mm
        bound_mm = max(factor * math.hypot(item.standard_uncertainty, u_mm), 10.0 * _SAME_MM)
        if abs(off_mm) > bound_mm:
            yield Finding(
                "disagree",
                "{name} was read as {value:length}, but crown tops, nut and saddle give "
                "{derived:length}: read both again.",
                At(
                    strings=(item.string,) if item.string else (),
                    frets=(item.fret,) if item.fret else (),
                ),
                name=item.name,
                value=item.value,
                derived=derived_mm,
            )


def _unfinished(plan: Plan, deviation: Deviation) -> tuple[int, ...]:
    """Return the frets that stand higher than planned by a third of their cut or more."""
    if not plan.cuts_now:  # a preview: its bench sheet shows no cut
        return ()
    off_mm, cut_mm = deviation.crown_top_mm, plan.filed_mm
    sure_mm = np.maximum(2.0 * deviation.crown_top_u_mm, plan.smallest_cut_mm)
    with np.errstate(invalid="ignore"):
        left = (off_mm >= cut_mm / 3.0) & (off_mm <= cut_mm + sure_mm) & (off_mm > sure_mm)
    cut = cut_mm >= max(plan.smallest_cut_mm, _SAME_MM)
    left &= cut  # one crown alone may only seem so, by the line that is laid through all
    return numbered(left.any(axis=0) & (2 * left.sum(axis=0) >= cut.sum(axis=0)))


def _off_plan(case: Case, deviation: Deviation, severity: Severity) -> Iterator[Finding]:
    """Name what is off plan by more than the uncertainty explains.

    With n crowns compared at once, n (1 - coverage) would look off by chance; each is therefore
    held against the coverage of all of them together (Bonferroni's inequality).
    """
    coverage = case.specification.rule.coverage
    known = np.isfinite(deviation.crown_top_mm)
    single = 1.0 - (1.0 - coverage) / max(1, int(known.sum()))
    bound_mm = np.maximum(NormalDist().inv_cdf(0.5 + 0.5 * single) * deviation.crown_top_u_mm, 0.0)
    off = known & (np.abs(deviation.crown_top_mm) > np.maximum(bound_mm, _SAME_MM))
    for side, words in (
        (-1.0, sentence("Cut deeper than planned")),
        (1.0, sentence("Left higher than planned")),
    ):
        size_mm = np.where(off, side * deviation.crown_top_mm, 0.0)
        order = np.argsort(-size_mm, axis=None)[: int(np.sum(size_mm > 0.0))]
        places = [divmod(int(at), size_mm.shape[1]) for at in order]
        if not places:
            continue
        named = [
            sentence(
                "fret {fret} under string {string} by {size:length}",
                fret=j + 1,
                string=k + 1,
                size=float(size_mm[k, j]),
            )
            for k, j in places[:3]
        ]
        more = sentence(" and {n} more", n=len(places) - 3) if len(places) > 3 else ""
        yield Finding(
            "off-plan",
            "{words}: {named:phrases}{more}.",
            At(
                strings=tuple(sorted({k + 1 for k, _ in places})),
                frets=tuple(sorted({j + 1 for _, j in places})),
            ),
            severity,
            words=words,
            named=named,
            more=more,
        )
    factor = student_t_factor(coverage, math.inf)
    if abs(deviation.relief_mm) > max(factor * deviation.relief_u_mm, _SAME_MM):
        yield Finding(
            "off-plan",
            "The neck has {size:length} {direction} relief than planned.",
            severity=severity,
            size=abs(deviation.relief_mm),
            direction=sentence("more") if deviation.relief_mm > 0 else sentence("less"),
        )
    for what, off_mm, u_mm in (
        (case.specification.board.string_rest, deviation.nut_mm, deviation.nut_u_mm),
        (sentence("saddle"), deviation.saddle_mm, deviation.saddle_u_mm),
    ):
        each = 1.0 - (1.0 - coverage) / max(1, int(np.isfinite(off_mm).sum()))
        bound_mm = np.maximum(NormalDist().inv_cdf(0.5 + 0.5 * each) * u_mm, _SAME_MM)
        strings = np.flatnonzero(np.abs(off_mm) > bound_mm).tolist()
        if strings:
            yield Finding(
                "off-plan",
                "The {what} is off the plan at {named:phrases}.",
                At(strings=tuple(k + 1 for k in strings)),
                severity,
                what=what,
                named=[
                    sentence("string {string} by {off:length+}", string=k + 1, off=float(off_mm[k]))
                    for k in strings
                ],
            )
