"""Each limit of the specification, judged: value, uncertainty budget, verdict.

Every value is linear in the readings, so the budgets are exact. Readings are taken as
independent; a part of the uncertainty that is common to all heights of a string cancels in every
value here and is left out by whoever states it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from evenfall.measurement import Direct, Origin
from evenfall.proof.decision import EXACT_MM, Decision, decide
from evenfall.proof.deviation import Heights, stated
from evenfall.proof.result import Item, Positions, Quantity
from evenfall.proof.uncertainty import Budget, BudgetLine
from evenfall.strings.clearance import (
    chord_share,
    clearance_per_relief,
    open_gap_mm,
    open_share,
    rest_clearance_mm,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from evenfall.instrument import Specification, StringLines
    from evenfall.instrument.specification import Limit
    from evenfall.measurement import Measurement
    from evenfall.neck import Bow
    from evenfall.plan import Plan
    from evenfall.proof.decision import Verdict
    from evenfall.proof.result import Deviation
    from evenfall.strings.excursion import ExcursionTable

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]

_ORIGIN_WORDS = {Origin.DERIVED: " (worked out)", Origin.INTERPOLATED: " (interpolated)"}


@dataclass(frozen=True, slots=True)
class Case:
    """Everything that judging one instrument needs.

    Parameters
    ----------
    specification, lines, bow, excursion
        The instrument.
    measurement
        Readings after the work.
    heights
        Its heights, without those that nobody read.
    attack_n
        Attack to bear [N], shape (K,).
    """

    specification: Specification
    lines: StringLines
    bow: Bow
    excursion: ExcursionTable
    measurement: Measurement
    heights: Heights
    attack_n: FloatArray

    def decision(self, value_mm: float, u_mm: float, low_mm: float, high_mm: float) -> Decision:
        """Return the verdict under the specification's rule.

        Parameters
        ----------
        value_mm, u_mm
            Value and standard uncertainty [mm].
        low_mm, high_mm
            Limits [mm].
        """
        rule = self.specification.rule
        return decide(
            value_mm,
            u_mm,
            lower_mm=low_mm,
            upper_mm=high_mm,
            rule=rule.decision,
            coverage=rule.coverage,
        )

    def nut_line(self, k: int, sensitivity_mm_per_mm: float) -> BudgetLine:
        """Return the budget line of a nut slot.

        Parameters
        ----------
        k
            Index of the string.
        sensitivity_mm_per_mm
            Change of the result per change of this height.
        """
        return self._line("nut slot", "nut", (k,), sensitivity_mm_per_mm, f"string {k + 1}")

    def saddle_line(self, k: int, sensitivity_mm_per_mm: float) -> BudgetLine:
        """Return the budget line of a saddle.

        Parameters
        ----------
        k
            Index of the string.
        sensitivity_mm_per_mm
            Change of the result per change of this height.
        """
        return self._line("saddle", "saddle", (k,), sensitivity_mm_per_mm, f"string {k + 1}")

    def top_line(self, k: int, fret: int, sensitivity_mm_per_mm: float) -> BudgetLine:
        """Return the budget line of a crown top, or of the nut slot for fret 0.

        Parameters
        ----------
        k, fret
            Index of the string; fret number, 0 = nut.
        sensitivity_mm_per_mm
            Change of the result per change of this height.
        """
        if fret == 0:
            return self.nut_line(k, sensitivity_mm_per_mm)
        where = f"string {k + 1}, fret {fret}"
        return self._line("crown top", "crown_top", (k, fret - 1), sensitivity_mm_per_mm, where)

    def converted_lines(self, change_mm_per_mm: float) -> list[BudgetLine]:
        """Return the budget line of readings that were carried to another tension, if they were.

        Parameters
        ----------
        change_mm_per_mm
            Change of the result per millimetre more relief.
        """
        shared = [s for s in self.measurement.heights.shared if s.name == "conversion"]
        if not shared:
            return []
        bow = self.bow.frets
        u_mm = float(np.linalg.norm(shared[0].effect_mm) / np.linalg.norm(bow))
        return [BudgetLine("relief added by carrying to tension", 0.0, u_mm, change_mm_per_mm)]

    def _line(
        self, what: str, field: str, at: tuple[int, ...], sensitivity: float, where: str
    ) -> BudgetLine:
        origin = Origin(int(getattr(self.measurement, f"{field}_origin")[at]))
        own = {
            "nut": self.heights.nut_u_mm,
            "crown_top": self.heights.top_u_mm,
            "saddle": self.heights.saddle_u_mm,
        }[field]
        return BudgetLine(
            name=f"{what}, {where}{_ORIGIN_WORDS.get(origin, '')}",
            value=float(getattr(self.measurement, f"{field}_mm")[at]),
            standard_uncertainty=float(own[at]),
            sensitivity=float(sensitivity),
        )

    def item(
        self,
        name: str,
        quantity: Quantity,
        *,
        value_mm: float,
        budget: Iterable[BudgetLine],
        low_mm: float,
        high_mm: float = math.inf,
        string: int | None = None,
        stopped_fret: int | None = None,
        fret: int | None = None,
        route: str,
    ) -> Item:
        """Return one judged item.

        Parameters
        ----------
        name, quantity
            What is judged, in words and as a key.
        value_mm, budget
            Value [mm] and the lines of its uncertainty budget.
        low_mm, high_mm
            Limits [mm].
        string, stopped_fret, fret
            Where it is.
        route
            How the value was obtained.
        """
        lines = tuple(budget)
        known = math.isfinite(value_mm)
        whole = Budget(name, value_mm, "mm", lines)
        u_mm = whole.combined_uncertainty if known else math.nan
        decision = self.decision(value_mm, u_mm if known else 0.0, low_mm, high_mm)
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
            guard_band=decision.guard_band_mm if known else math.inf,
            probability=decision.probability,
            verdict=decision.verdict if known else "undecided",
            route=route if known else "not read",
            lines=lines if known else (),
        )


def open_gap_items(
    case: Case, quantity: Quantity, fret: int, limits: tuple[Limit, ...]
) -> list[Item]:
    """Return the open strings' gaps over a fret, judged: the action, or the first-fret gap.

    Parameters
    ----------
    case
        The instrument.
    quantity
        "action" or "first-fret-gap".
    fret
        Fret that the gap is over.
    limits
        Limits, one per string.
    """
    title = "Action" if quantity == "action" else "First-fret gap"
    items = []
    for k, limit in enumerate(limits):
        direct = _direct(case.measurement, "action", string=k + 1, fret=fret)
        if direct:
            value_mm, lines = _mean_of(direct, f"gap under string {k + 1} over fret {fret}")
            route = f"read directly over fret {fret}"
        else:
            value_mm, lines = derived_gap(case, k, fret)
            route = "worked out from nut slot, saddle and crown top"
        items.append(
            case.item(
                f"{title} of string {k + 1}",
                quantity,
                value_mm=value_mm,
                budget=lines,
                low_mm=limit.minimum_mm,
                high_mm=limit.maximum_mm,
                string=k + 1,
                fret=fret,
                route=route,
            )
        )
    return items


def derived_gap(case: Case, k: int, fret: int) -> tuple[float, list[BudgetLine]]:
    """Return the gap [mm] of an open string over a fret from the heights, and its budget.

    Parameters
    ----------
    case
        The instrument.
    k, fret
        Index of the string; fret number.
    """
    read = case.heights
    gap_mm = open_gap_mm(case.lines, read.nut_mm, read.top_mm, read.saddle_mm, fret)
    share = float(open_share(case.lines, fret)[k])
    return float(gap_mm[k]), [
        case.nut_line(k, 1.0 - share),
        case.saddle_line(k, share),
        case.top_line(k, fret, -1.0),
        *case.converted_lines(-float(case.bow.frets[k, fret - 1])),
    ]


def relief_items(case: Case) -> list[Item]:
    """Return the relief, judged: each reading of its own, or one worked out from crown tops.

    Parameters
    ----------
    case
        The instrument.
    """
    limit = case.specification.target.relief
    direct = _direct(case.measurement, "relief")
    places = sorted({(d.string, d.fret) for d in direct})
    judged: list[tuple[str, int | None, int | None, float, list[BudgetLine]]] = []
    for string, fret in places:
        readings = [d for d in direct if (d.string, d.fret) == (string, fret)]
        where = f" under string {string}" if string else ""
        if len({s for s, _ in places}) < len(places):
            where += f" at fret {fret}"
        value_mm, lines = _mean_of(readings, f"gap{where} at fret {fret}")
        judged.append((f"Relief{where}", string or None, fret, value_mm, lines))
    route = "read directly under a straightedge"
    if not judged:
        value_mm, lines, count = derived_relief(case)
        judged.append(("Relief", None, None, value_mm, lines))
        over = f"mean over {count} strings" if count > 1 else "of one string"
        route = f"worked out from the crown tops, {over}"
    return [
        case.item(
            name,
            "relief",
            value_mm=value_mm,
            budget=lines,
            low_mm=limit.minimum_mm,
            high_mm=limit.maximum_mm,
            string=string,
            fret=fret,
            route=route,
        )
        for name, string, fret, value_mm, lines in judged
    ]


def derived_relief(case: Case) -> tuple[float, list[BudgetLine], int]:
    """Return the relief [mm] from the crown tops, its budget and the number of strings used.

    The mean over the strings whose crown tops were all read; NaN if there is none.

    Parameters
    ----------
    case
        The instrument.
    """
    top_mm = case.heights.top_mm
    whole = np.isfinite(top_mm).all(axis=1)
    count = int(whole.sum())
    if count == 0:
        return math.nan, [], 0
    weights = case.bow.weights * (len(top_mm) / count)
    lines = [
        case.top_line(int(k), fret, weights[k, fret - 1])
        for k in np.flatnonzero(whole)
        for fret in range(1, top_mm.shape[1] + 1)
    ]
    lines += case.converted_lines(1.0)
    return float(np.sum(weights[whole] * top_mm[whole])), lines, count


def crown_height_items(case: Case, plan: Plan, deviation: Deviation) -> list[Item]:
    """Return the crown height left at each fret, judged where it is least sure to be enough.

    A height read after the work counts. Otherwise it is worked out: the planned height, plus what
    the crown top stands over plan. Two data tell that apart from a shift between the set-ups: the
    line through the crown tops, and the line through nut and saddle. The middle of the two is
    taken, and their distance counts as a rectangular uncertainty.

    Parameters
    ----------
    case
        The instrument.
    plan
        Its plan.
    deviation
        How the instrument differs from it.
    """
    least_mm = case.specification.fretwire.least_crown_height_mm
    items = []
    for fret in range(1, case.measurement.fret_count + 1):
        found = [
            _crown_height(case, plan, deviation, k, fret)
            for k in range(case.measurement.string_count)
        ]
        scores = [
            (value_mm - least_mm)
            / max(EXACT_MM, Budget("", value_mm, "mm", tuple(lines)).combined_uncertainty)
            for value_mm, lines, _ in found
        ]
        known = [k for k, score in enumerate(scores) if math.isfinite(score)]
        k = min(known, key=scores.__getitem__, default=0)
        value_mm, lines, route = found[k]
        items.append(
            case.item(
                f"Crown height of fret {fret}" + (f" under string {k + 1}" if known else ""),
                "crown-height",
                value_mm=value_mm,
                budget=lines,
                low_mm=least_mm,
                string=k + 1 if known else None,
                fret=fret,
                route=route,
            )
        )
    return items


def _crown_height(
    case: Case, plan: Plan, deviation: Deviation, k: int, fret: int
) -> tuple[float, list[BudgetLine], str]:
    at = k, fret - 1
    after = case.measurement
    where = f"string {k + 1}, fret {fret}"
    if Origin(int(after.crown_height_origin[at])) not in (Origin.MISSING, Origin.NOMINAL):
        value_mm = float(after.crown_height_mm[at])
        u_mm = float(stated(after.crown_height_u_mm[at]))
        return value_mm, [BudgetLine(f"crown height, {where}", value_mm, u_mm)], "read"
    before = plan.measurement
    planned_mm = float(plan.crown_height_after_mm[at])
    over_mm = float(deviation.crown_top_mm[at])
    share = float(open_share(case.lines, fret)[k])
    ends_mm = (1.0 - share) * deviation.nut_mm[k] + share * deviation.saddle_mm[k]
    ends_u_mm = math.hypot((1.0 - share) * deviation.nut_u_mm[k], share * deviation.saddle_u_mm[k])
    if not math.isfinite(ends_mm):
        ends_mm, ends_u_mm = 0.0, 0.0
    value_mm = planned_mm + over_mm - 0.5 * ends_mm
    if not math.isfinite(value_mm):
        return math.nan, [], "not read"
    nominal = Origin(int(before.crown_height_origin[at])) is Origin.NOMINAL
    source = "the wire as supplied" if nominal else "the height before"
    lines = [
        BudgetLine(
            f"crown height before{' (wire as supplied)' if nominal else ''}, {where}",
            float(before.crown_height_mm[at]),
            float(stated(before.crown_height_u_mm[at])),
        ),
        BudgetLine(f"crown top over plan, {where}", over_mm, float(deviation.crown_top_u_mm[at])),
        BudgetLine(
            "datum of the two set-ups, crowns against nut and saddle",
            ends_mm,
            abs(ends_mm) / math.sqrt(3.0),
            -0.5,
            distribution="rectangular",
        ),
        BudgetLine("reading of that datum", 0.0, ends_u_mm, -0.5),
    ]
    return value_mm, lines, f"worked out from {source} and the metal removed"


@dataclass(frozen=True, slots=True)
class Clearances:
    """Rest clearances of K strings over F frets, shape (K, F + 1, F + 1), for j > i.

    Parameters
    ----------
    clearance_mm, u_mm, required_mm
        Clearance of the string stopped at i over fret j, its standard uncertainty, and what it
        must be: excursion at the attack plus the extra clearance [mm].
    """

    clearance_mm: FloatArray
    u_mm: FloatArray
    required_mm: FloatArray

    @property
    def score_ratio(self) -> FloatArray:
        """Room over standard uncertainty; the lower, the less sure to be enough."""
        return (self.clearance_mm - self.required_mm) / np.maximum(self.u_mm, EXACT_MM)


def clearances(case: Case) -> Clearances:
    """Return every clearance with its uncertainty, u² = u_j² + (1 - a)² u_i² + a² u_s².

    Readings carried to another tension add what they share, the uncertainty of the bow.

    Parameters
    ----------
    case
        The instrument.
    """
    read = case.heights
    share = chord_share(case.lines)
    u_mm = np.concatenate([read.nut_u_mm[:, None], read.top_u_mm], axis=1)
    squares = (
        u_mm[:, None, :] ** 2
        + ((1.0 - share) * u_mm[:, :, None]) ** 2
        + (share * read.saddle_u_mm[:, None, None]) ** 2
    )
    bowed = clearance_per_relief(case.lines, case.bow.frets) * sum(
        line.standard_uncertainty for line in case.converted_lines(1.0)
    )
    excursion_mm = case.attack_n[:, None, None] * case.excursion.excursion_mm_per_n
    return Clearances(
        clearance_mm=rest_clearance_mm(case.lines, read.nut_mm, read.top_mm, read.saddle_mm),
        u_mm=np.sqrt(squares + bowed**2),
        required_mm=excursion_mm + case.specification.rule.extra_clearance_mm,
    )


def judge_positions(case: Case, found: Clearances) -> Positions:
    """Return the verdict on every stopped position: on its least sure clearance.

    Parameters
    ----------
    case
        The instrument.
    found
        Its clearances.
    """
    count, frets = case.heights.top_mm.shape
    free = np.triu(np.ones((frets + 1, frets + 1), dtype=bool), k=1)[:-1]
    score = np.where(np.isnan(found.score_ratio), np.inf, found.score_ratio)[:, :-1]
    critical = np.where(free, score, np.inf).argmin(axis=2)
    k, i = np.ogrid[:count, :frets]
    known = np.isfinite(score[k, i, critical])
    clearance_mm = np.where(known, found.clearance_mm[k, i, critical], np.nan)
    excursion = case.excursion.excursion_mm_per_n
    with np.errstate(divide="ignore", invalid="ignore"):
        bears = np.where(excursion > 0.0, found.clearance_mm / excursion, np.inf)[:, :-1]
        unstrung_n = found.u_mm[k, i, critical] / excursion[k, i, critical]
    # One missing height leaves the position's touch force unknown: the gap may be there.
    missing = np.asarray((np.isnan(found.clearance_mm[:, :-1]) & free).any(axis=2))
    touch_force_n = np.where(free, bears, np.inf).min(axis=2)
    touch_force_n = np.where(missing | ~np.isfinite(touch_force_n), np.nan, touch_force_n)
    u_mm = found.u_mm[k, i, critical]
    required_mm = found.required_mm[k, i, critical]
    probability = np.full((count, frets), np.nan)
    verdicts: list[tuple[Verdict, ...]] = []
    for string in range(count):
        row: list[Verdict] = []
        for stop in range(frets):
            decision = case.decision(
                float(clearance_mm[string, stop]),
                float(u_mm[string, stop]),
                float(required_mm[string, stop]),
                math.inf,
            )
            probability[string, stop] = decision.probability
            unsure = decision.verdict == "conforms" and missing[string, stop]
            row.append("undecided" if unsure else decision.verdict)
        verdicts.append(tuple(row))
    return Positions(
        touch_force_n=touch_force_n,
        touch_force_u_n=np.where(
            np.isfinite(touch_force_n) & np.isfinite(unstrung_n), unstrung_n, np.nan
        ),
        clearance_mm=clearance_mm,
        clearance_u_mm=np.where(known, u_mm, np.nan),
        required_mm=np.where(known, required_mm, np.nan),
        critical_fret=np.where(known, critical, 0).astype(np.int64),
        probability=probability,
        verdict=tuple(verdicts),
    )


def clearance_items(case: Case, positions: Positions) -> list[Item]:
    """Return the least sure clearance of each string, judged.

    The item of a string conforms only if every position of the string does.

    Parameters
    ----------
    case
        The instrument.
    positions
        Its positions.
    """
    share, bowed = chord_share(case.lines), clearance_per_relief(case.lines, case.bow.frets)
    scores = (positions.clearance_mm - positions.required_mm) / np.maximum(
        positions.clearance_u_mm, EXACT_MM
    )
    scores = np.where(np.isnan(scores), np.inf, scores)
    items = []
    for k, row in enumerate(positions.verdict):
        stop = int(scores[k].argmin())
        fret = int(positions.critical_fret[k, stop])
        a = float(share[k, stop, fret])
        known = math.isfinite(scores[k, stop])
        stopped = "open" if stop == 0 else f"stopped at fret {stop}"
        name = f"Clearance of string {k + 1} {stopped} over fret {fret}"
        uncertain = row.count("undecided")
        counts = [(row.count("does not conform"), "not conforming"), (uncertain, "undecided")]
        route = f"least sure of {len(row)} positions" + "".join(
            f", {number} {words}" for number, words in counts if number
        )
        item = case.item(
            name if known else f"Clearance of string {k + 1}",
            "clearance",
            value_mm=float(positions.clearance_mm[k, stop]),
            budget=[
                case.top_line(k, stop, 1.0 - a),
                case.saddle_line(k, a),
                case.top_line(k, fret, -1.0),
                *case.converted_lines(float(bowed[k, stop, fret])),
            ],
            low_mm=float(positions.required_mm[k, stop]) if known else -math.inf,
            string=k + 1,
            stopped_fret=stop if known else None,
            fret=fret if known else None,
            route=route,
        )
        if item.verdict == "conforms" and uncertain:
            item = with_verdict(item, "undecided", "some positions were not read")
        items.append(item)
    return items


def with_verdict(item: Item, verdict: Verdict, reason: str) -> Item:
    """Return the item with another verdict, and the reason added to its route.

    Parameters
    ----------
    item
        The item.
    verdict
        The verdict it gets.
    reason
        Why, in words.
    """
    return replace(item, verdict=verdict, route=f"{item.route}; {reason}")


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


def _mean_of(readings: list[Direct], name: str) -> tuple[float, list[BudgetLine]]:
    share = 1.0 / len(readings)
    lines = [
        BudgetLine(name, d.value_mm, d.u_mm if math.isfinite(d.u_mm) else 0.0, share)
        for d in readings
    ]
    return share * sum(d.value_mm for d in readings), lines
