"""Each limit of the specification, judged: value, uncertainty budget, verdict.

Every value is a weighted sum of the heights, so the budgets are exact: a line for each height's own
uncertainty and one for each cause that several heights share. What is common to all heights of a
string cancels in every value here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.instrument import Specification, StringLines
from evenfall.instrument.geometry import relief_share
from evenfall.instrument.specification import Limit
from evenfall.measurement import Direct, Heights, Measurement, Origin
from evenfall.measurement.heights import SHARED_NAMES
from evenfall.neck import Bow
from evenfall.neck.bow import relief_point, straightedge_gap_mm
from evenfall.neck.level_line import LevelLine
from evenfall.plan import Plan
from evenfall.proof.decision import EXACT_MM, Decision, decide
from evenfall.proof.result import Basis, Item, Quantity
from evenfall.proof.uncertainty import Budget, BudgetLine
from evenfall.strings.clearance import open_gap_weights, open_share
from evenfall.strings.excursion import ExcursionTable
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from evenfall.proof.decision import Verdict
    from evenfall.proof.deviation import Fit

_ORIGIN_WORDS = {
    Origin.DERIVED: sentence(" (worked out)"),
    Origin.INTERPOLATED: sentence(" (interpolated)"),
}


_LINE_OPEN = sentence("board, wear and which crowns the level line goes by")

_FEW = 10.0
"""With fewer degrees of freedom an uncertainty is too uncertain to choose by: whoever takes the
smaller of two takes the one that happened to come out too small (our choice)."""


@dataclass(frozen=True, slots=True)
class Case:
    """Everything that judging one instrument needs."""

    specification: Specification  # the instrument
    lines: StringLines
    bow: Bow
    excursion: ExcursionTable
    measurement: Measurement  # readings after the work
    heights: Heights  # its heights, without those that nobody read
    attack_n: FloatArray  # attack that is judged [N], shape (K,)
    # crown tops of level frets over the datum of the heights; and those read, on that line where
    # they do not stand out from it; shape (K, F) [mm]
    level_mm: FloatArray
    taken_mm: FloatArray
    # what comes off at least where the plan's method takes off anything [mm]
    smallest_cut_mm: float
    line: LevelLine | None  # of the readings; None where no crown was read

    @property
    def refusal_chance(self) -> float:
        """Chance with which one value on its limit may be refused.

        So many are compared at once that some look off by chance: with this chance for each, that
        for any of them is no more than the rule's (Bonferroni's inequality, which holds however
        their errors hang together).
        """
        count, frets = self.heights.strings, self.heights.frets
        positions = frets * (frets + 1) // 2
        gaps, relief = 2, 1
        judged = count * (positions + gaps + frets) + relief
        return self.specification.rule.false_refusal / judged

    def decision(
        self,
        value_mm: float,
        u_mm: float,
        low_mm: float,
        high_mm: float,
        degrees_of_freedom: float,
    ) -> Decision:
        """Return the verdict on a value [mm] under the specification's rule."""
        rule = self.specification.rule
        return decide(
            value_mm,
            u_mm,
            lower_mm=low_mm,
            upper_mm=high_mm,
            rule=rule.decision,
            false_acceptance=rule.false_acceptance,
            false_refusal=self.refusal_chance,
            degrees_of_freedom=max(1.0, degrees_of_freedom),
        )

    def worked_out(
        self, weights: FloatArray, string: int | None = None
    ) -> tuple[float, list[BudgetLine]]:
        """Return a weighted sum of the heights [mm] and the lines of its budget.

        Weights have the shape (K, F + 2), or (F + 2,) on the heights of one string by its index.
        """
        if string is not None:
            alone, weights = weights, np.zeros(self.heights.height_mm.shape)
            weights[string] = alone
        used = weights != 0.0
        crowns = used.copy()
        crowns[:, [0, -1]] = False
        many = crowns.sum() > len(used)
        lines = [
            self._own_line(int(k), int(column), float(weights[k, column]))
            for k, column in np.argwhere(used & ~crowns if many else used)
        ]
        if many:
            lines.append(self._crowns_line(np.where(crowns, weights, 0.0)))
        for shared in self.heights.shared:
            changes = shared.changes(np.where(used, weights, 0.0))
            for index, change in enumerate(changes.tolist()):
                if change:
                    where: Sentence | str = ""
                    if shared.by == "string":
                        where = sentence(", string {string}", string=index + 1)
                    elif shared.by == "fret" and 0 < index < len(changes) - 1:
                        where = sentence(", fret {fret}", fret=index)
                    lines.append(
                        BudgetLine(
                            sentence(
                                "{cause}{place}",
                                cause=sentence(SHARED_NAMES[shared.name]),
                                place=where,
                            ),
                            0.0,
                            abs(change),
                            math.copysign(1.0, change),
                            degrees_of_freedom=shared.degrees_of_freedom,
                        )
                    )
        return float(weights[used] @ self.heights.height_mm[used]), lines

    def _own_line(self, k: int, column: int, sensitivity: float) -> BudgetLine:
        heights = self.heights
        nut = self.specification.board.string_rest
        what = sentence("{nut}, string {string}", nut=nut, string=k + 1)
        if column == heights.frets + 1:
            what = sentence("saddle, string {string}", string=k + 1)
        elif column:
            what = sentence("crown top, string {string}, fret {fret}", string=k + 1, fret=column)
        kind = _ORIGIN_WORDS.get(Origin(int(heights.origin[k, column])), "")
        return BudgetLine(
            name=sentence("{what}{kind}", what=what, kind=kind),
            value=float(heights.height_mm[k, column]),
            standard_uncertainty=float(stated(heights.own_u_mm[k, column])),
            sensitivity=sensitivity,
            degrees_of_freedom=float(heights.own_degrees_of_freedom[k, column]),
        )

    def _crowns_line(self, weights: FloatArray) -> BudgetLine:
        """Return what the crowns' own uncertainties do together, by weights of (K, F + 2)."""
        effect_mm2 = (weights * stated(self.heights.own_u_mm)) ** 2
        total_mm2 = float(effect_mm2.sum())
        spread = float((effect_mm2**2 / self.heights.own_degrees_of_freedom).sum())
        return BudgetLine(
            sentence("crown tops that the level line goes through"),
            float((weights * np.nan_to_num(self.heights.height_mm)).sum()),
            math.sqrt(total_mm2),
            degrees_of_freedom=total_mm2**2 / spread if spread > 0.0 else math.inf,
        )

    def item(
        self,
        name: Sentence,
        quantity: Quantity,
        *,
        value_mm: float,
        budget: Sequence[BudgetLine],
        low_mm: float,
        high_mm: float = math.inf,
        string: int | None = None,
        stopped_fret: int | None = None,
        fret: int | None = None,
        basis: Basis,
        route: Sentence,
    ) -> Item:
        """Return one judged item: a value with its budget between two limits [mm]."""
        lines = tuple(budget)
        known = math.isfinite(value_mm)
        whole = Budget(lines)
        u_mm = whole.combined_uncertainty if known else math.nan
        freedom = whole.effective_degrees_of_freedom if known else math.inf
        decision = self.decision(value_mm, u_mm if known else 0.0, low_mm, high_mm, freedom)
        coverage = self.specification.rule.coverage
        return Item(
            name=name,
            quantity=quantity,
            unit="mm",
            string=string,
            stopped_fret=stopped_fret,
            fret=fret,
            value=value_mm,
            standard_uncertainty=u_mm,
            expanded_uncertainty=whole.expanded_uncertainty(coverage) if known else math.nan,
            lower=low_mm,
            upper=high_mm,
            degrees_of_freedom=freedom,
            guard_band=decision.guard_band_mm if known else math.inf,
            refusal_band=decision.refusal_band_mm if known else math.inf,
            probability=decision.probability,
            verdict=decision.verdict if known else "undecided",
            basis=basis if known else "none",
            route=route if known else sentence("not read"),
            lines=lines if known else (),
        )


def stated(u_mm: FloatArray) -> FloatArray:
    """Return standard uncertainties [mm] with zero where none is stated."""
    return np.where(np.isfinite(u_mm), u_mm, 0.0)


def open_gap_items(
    case: Case, quantity: Quantity, fret: int, limits: tuple[Limit, ...]
) -> list[Item]:
    """Return the open strings' gaps over a fret, judged: the action, or the first-fret gap."""
    title = sentence("Action") if quantity == "action" else sentence("First-fret gap")
    items = []
    for k, limit in enumerate(limits):
        direct = _direct(case.measurement, "action", string=k + 1, fret=fret)
        value_mm, lines = derived_gap(case, k, fret)
        basis: Basis = "derived"
        nut = case.specification.board.string_rest
        route = sentence("worked out from {nut} and saddle, over the level line", nut=nut)
        if direct:
            what = "gap under string {string} over fret {fret}"
            by_hand = _mean_of(direct, sentence(what, string=k + 1, fret=fret))
            if _surer(direct, by_hand[1], value_mm, lines):
                value_mm, lines = by_hand
                basis, route = "direct", sentence("read directly over fret {fret}", fret=fret)
        items.append(
            case.item(
                sentence("{title} of string {string}", title=title, string=k + 1),
                quantity,
                value_mm=value_mm,
                budget=lines,
                low_mm=limit.minimum_mm,
                high_mm=limit.maximum_mm,
                string=k + 1,
                fret=fret,
                basis=basis,
                route=route,
            )
        )
    return items


def _surer(
    readings: list[Direct],
    by_hand: list[BudgetLine],
    derived_mm: float,
    derived: list[BudgetLine],
) -> bool:
    """Say whether readings of their own are to be judged rather than what the heights give.

    Not where they are the less sure of the two: a feeler beside a height gauge is there to check
    it. What the heights themselves were made from is no check, and is taken as it was read.
    """
    if math.isnan(derived_mm) or not all(reading.checks for reading in readings):
        return True
    hand, heights = (Budget(tuple(lines)) for lines in (by_hand, derived))
    few = [one.effective_degrees_of_freedom < _FEW for one in (hand, heights)]
    if few[0] != few[1]:
        return few[1]
    u_mm, other_mm = hand.combined_uncertainty, heights.combined_uncertainty
    # none stated is not the same as none
    return u_mm <= other_mm if u_mm > EXACT_MM else other_mm <= EXACT_MM


def gap_over_crown(case: Case, k: int, fret: int) -> tuple[float, list[BudgetLine]]:
    """Return the gap [mm] of an open string over a crown, as a feeler finds it, and its budget."""
    return case.worked_out(open_gap_weights(case.lines, fret)[k], k)


def derived_gap(case: Case, k: int, fret: int) -> tuple[float, list[BudgetLine]]:
    """Return the gap [mm] of an open string over the level line at a fret, and its budget.

    As in a plan: a fret that stands out is no matter of slot or saddle. NaN where its crown was not
    read.
    """
    over_crown_mm, lines = gap_over_crown(case, k, fret)
    if case.line is None or not math.isfinite(over_crown_mm):
        return over_crown_mm, lines
    crown = open_gap_weights(case.lines, fret)
    weights = np.where(np.isnan(case.heights.height_mm), 0.0, case.line.over_line(crown)[k])
    straight_mm, lines = case.worked_out(weights)
    off_mm = case.heights.crown_top_mm[k, fret - 1] - case.line.level_mm[k, fret - 1]
    gap_mm = over_crown_mm + float(off_mm)
    open_u_mm = float(case.line.open_u_mm(crown)[k])
    return gap_mm, [*lines, BudgetLine(_LINE_OPEN, gap_mm - straight_mm, open_u_mm)]


def relief_items(case: Case) -> list[Item]:
    """Return the relief, judged: each reading of its own, or the bow of the level line."""
    specification, limit = case.specification, case.specification.target.relief
    over = specification.target.relief_over
    stated = relief_share(specification.board.joint_fret, specification.frets, *over)
    derived_mm, derived_lines, count = derived_relief(case)
    direct = _direct(case.measurement, "relief")
    places = sorted({(d.string, d.fret) for d in direct})
    judged: list[tuple[Sentence, int | None, int | None, float, list[BudgetLine]]] = []
    for string, fret in places:
        readings = [d for d in direct if (d.string, d.fret) == (string, fret)]
        under = sentence(" under string {string}", string=string) if string else ""
        at = sentence(" at fret {fret}", fret=fret)
        named = at if len({s for s, _ in places}) < len(places) else ""
        value_mm, lines = _mean_of(readings, sentence("gap{under}{place}", under=under, place=at))
        name = sentence("Relief by straightedge{under}{place}", under=under, place=named)
        if _surer(readings, lines, derived_mm, derived_lines):
            judged.append((name, string or None, fret, value_mm, lines))
    basis: Basis = "direct"
    route = sentence("read directly under a straightedge")
    if not judged:
        judged.append((sentence("Relief"), None, None, derived_mm, derived_lines))
        mean = sentence("mean over {n} strings", n=count)
        mean = mean if count > 1 else sentence("of one string")
        basis, route = "derived", sentence("bow of the level line, {mean}", mean=mean)
        stated = 1.0  # the limits are those over fret 1 and the last fret
    return [
        case.item(
            name,
            "relief",
            value_mm=value_mm,
            budget=lines,
            low_mm=stated * limit.minimum_mm,
            high_mm=stated * limit.maximum_mm,
            string=string,
            fret=fret,
            basis=basis,
            route=route,
        )
        for name, string, fret, value_mm, lines in judged
    ]


def derived_relief(case: Case) -> tuple[float, list[BudgetLine], int]:
    """Return the relief [mm] of the level line, its budget and the number of strings used.

    It is the bow's alone, as in a plan: a fret that stands out and a falling tongue are not part of
    it. NaN if no string's crown tops were all read.
    """
    count = int(np.all(np.isfinite(case.heights.crown_top_mm), axis=1).sum())
    if case.line is None or not count:
        return math.nan, [], 0
    known = np.isfinite(case.heights.crown_top_mm)
    weights = np.where(known, case.line.relief_weights, 0.0)
    straight_mm, lines = case.worked_out(np.pad(weights, ((0, 0), (1, 1))))
    beside = BudgetLine(
        _LINE_OPEN,
        case.line.relief_mm - straight_mm,
        case.line.relief_open_u_mm,
    )
    return case.line.relief_mm, [*lines, beside], count


def derived_straightedge(case: Case, string: int, fret: int) -> float:
    """Return the gap [mm] under the straightedge that relief is read by, from the crown tops."""
    if not string:
        string = relief_point(case.specification, case.lines)[1]
    over = case.specification.target.relief_over
    gap_mm = straightedge_gap_mm(case.lines, case.heights.crown_top_mm, over)
    return float(gap_mm[string - 1, fret - 1])


def crown_height_items(case: Case, plan: Plan, fit: Fit) -> list[Item]:
    """Return the crown height left at each fret, judged where it is least sure to be enough.

    A height read after the work counts. Otherwise it is worked out: the planned height, plus what
    the crown top stands over plan. Two data tell that apart from a shift between the set-ups: the
    line through the crown tops, and the line through nut and saddle. The middle of the two is
    taken, and their distance counts as a rectangular uncertainty.
    """
    least_mm = case.specification.fretwire.least_crown_height_mm
    items = []
    for fret in range(1, case.measurement.fret_count + 1):
        found = [
            _crown_height(case, plan, fit, k, fret) for k in range(case.measurement.string_count)
        ]
        scores = [
            (value_mm - least_mm) / max(EXACT_MM, Budget(tuple(lines)).combined_uncertainty)
            for value_mm, lines, _, _ in found
        ]
        known = [k for k, score in enumerate(scores) if math.isfinite(score)]
        k = min(known, key=scores.__getitem__, default=0)
        value_mm, lines, basis, route = found[k]
        under = sentence(" under string {string}", string=k + 1) if known else ""
        items.append(
            case.item(
                sentence("Crown height of fret {fret}{under}", fret=fret, under=under),
                "crown-height",
                value_mm=value_mm,
                budget=lines,
                low_mm=least_mm,
                string=k + 1 if known else None,
                fret=fret,
                basis=basis,
                route=route,
            )
        )
    return items


def _crown_height(
    case: Case, plan: Plan, fit: Fit, k: int, fret: int
) -> tuple[float, list[BudgetLine], Basis, Sentence]:
    at = k, fret - 1
    after, deviation = case.measurement, fit.deviation
    where = sentence("string {string}, fret {fret}", string=k + 1, fret=fret)
    if Origin(int(after.crown_height_origin[at])) not in (Origin.MISSING, Origin.NOMINAL):
        value_mm = float(after.crown_height_mm[at])
        line = BudgetLine(
            sentence("crown height, {place}", place=where),
            value_mm,
            float(stated(after.crown_height_u_mm[at])),
            degrees_of_freedom=float(after.crown_height_degrees_of_freedom[at]),
        )
        return value_mm, [line], "read", sentence("read")
    before = plan.measurement
    over_mm = float(deviation.crown_top_mm[at])
    share = float(open_share(case.lines, fret)[k])
    ends_mm = float((1.0 - share) * deviation.nut_mm[k] + share * deviation.saddle_mm[k])
    weights = fit.weights[k, fret]
    if math.isfinite(ends_mm):
        ends = (1.0 - share) * fit.weights[k, 0] + share * fit.weights[k, -1]
        weights = weights - 0.5 * ends
    else:
        ends_mm = 0.0
    value_mm = float(plan.crown_height_after_mm[at]) + over_mm - 0.5 * ends_mm
    if not math.isfinite(value_mm):
        return math.nan, [], "none", sentence("not read")
    u_mm, freedom = _of_both((case.heights, fit.before), weights)
    nominal = Origin(int(before.crown_height_origin[at])) is Origin.NOMINAL
    wire = sentence(" (wire as supplied)") if nominal else ""
    lines = [
        BudgetLine(
            sentence("crown height before{wire}, {place}", wire=wire, place=where),
            float(before.crown_height_mm[at]),
            float(stated(before.crown_height_u_mm[at])),
            degrees_of_freedom=float(before.crown_height_degrees_of_freedom[at]),
        ),
        BudgetLine(
            sentence("readings of crown top, nut and saddle over plan, {place}", place=where),
            over_mm - 0.5 * ends_mm,
            u_mm,
            degrees_of_freedom=freedom,
        ),
        BudgetLine(
            sentence("datum of the two set-ups, crowns against nut and saddle"),
            ends_mm,
            abs(ends_mm) / math.sqrt(3.0),
            -0.5,
            distribution="rectangular",
        ),
    ]
    if nominal:
        text = "worked out from the wire as supplied and the metal removed"
        return value_mm, lines, "wire", sentence(text)
    text = "worked out from the height before and the metal removed"
    return value_mm, lines, "derived", sentence(text)


def _of_both(states: tuple[Heights, Heights], weights: FloatArray) -> tuple[float, float]:
    """Return u [mm] of a sum over the heights of two states, and its degrees of freedom."""
    parts = [float(heights.variance(weights)) for heights in states]
    freedom = [float(heights.effective_degrees_of_freedom(weights)) for heights in states]
    spread = sum(part**2 / nu for part, nu in zip(parts, freedom, strict=True))
    return math.sqrt(sum(parts)), sum(parts) ** 2 / spread if spread > 0.0 else math.inf


def with_verdict(item: Item, verdict: Verdict, reason: Sentence) -> Item:
    """Return the item with another verdict, and the reason added to its route."""
    route = sentence("{route}; {reason}", route=item.route, reason=reason)
    return replace(item, verdict=verdict, route=route)


def _direct(
    measurement: Measurement, quantity: str, *, string: int | None = None, fret: int | None = None
) -> list[Direct]:
    return [
        d
        for d in measurement.direct
        if d.quantity == quantity
        and string in (None, d.string)
        and fret in (None, d.fret)
        and math.isfinite(d.value_mm)
    ]


def _mean_of(readings: list[Direct], name: Sentence) -> tuple[float, list[BudgetLine]]:
    share = 1.0 / len(readings)
    lines = [
        BudgetLine(
            name,
            d.value_mm,
            d.u_mm if math.isfinite(d.u_mm) else 0.0,
            share,
            degrees_of_freedom=d.degrees_of_freedom,
        )
        for d in readings
    ]
    return share * sum(d.value_mm for d in readings), lines
