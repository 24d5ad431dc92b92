"""What to do after a verdict: amounts worked out from the readings, in the order of the bench.

Rod before nut and saddle, those before metal, metal before another reading. Each amount brings
the value just inside its limit by the guard band, so that the same readings would then conform.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from evenfall.measurement import Origin
from evenfall.proof.decision import EXACT_MM, deciding_uncertainty_mm, one_sided_factor
from evenfall.strings.clearance import chord_share, open_share
from evenfall.units import length_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from evenfall.proof.judging import Case, Clearances
    from evenfall.proof.result import Item, Positions

    FloatArray = NDArray[np.float64]

_FINEST_MM = 1e-3
"""No advice asks for a finer gauge than this, as a standard uncertainty [mm] (common practice, no
source)."""

_NAMED = 4
"""How many places one sentence names before it points to the table."""

_LOST = "would then no longer clear surely"

_LAST_DIGIT_MM = {"mm": 1e-3, "in": 25.4e-4}


def next_steps(
    case: Case, items: Sequence[Item], positions: Positions, found: Clearances
) -> tuple[str, ...]:
    """Return what to do next, one sentence each.

    Parameters
    ----------
    case
        The instrument.
    items, positions, found
        What was judged.
    """
    advice = _Advice(case, items, positions, found)
    steps = list(advice.steps())
    return tuple(steps) if steps else (advice.nothing_left(),)


class _Advice:
    def __init__(
        self, case: Case, items: Sequence[Item], positions: Positions, found: Clearances
    ) -> None:
        self.case = case
        self.items = items
        self.positions = positions
        self.found = found
        self.unit = case.specification.unit
        self.coverage = case.specification.rule.coverage
        self.factor = one_sided_factor(self.coverage)

    def steps(self) -> Iterator[str]:
        if not self.case.measurement.strung:
            yield (
                "Bring the strings to pitch and take the readings again: action, first-fret "
                "clearance, relief and clearances are judged at pitch."
            )
            yield from self.crowns()
            return
        steps = [*self.moves(), *self.crowns()]
        kinds = {i.quantity for i in self.items if i.verdict == "does not conform"}
        several = len(kinds & {"relief", "action", "first-fret-gap", "clearance"}) > 1
        if several or any(_LOST in step for step in steps):
            what = "Several kinds of limits are missed, and correcting" if several else "Correcting"
            yield (
                f"{what} one moves the others: make a new plan from these readings, or take the "
                "steps below one at a time and read again after each."
            )
        yield from steps

    def moves(self) -> Iterator[str]:
        open_items = [i for i in self.items if i.verdict != "conforms"]
        for quantity, step in (
            ("relief", self.relief),
            ("first-fret-gap", self.first_fret_gap),
            ("action", self.action),
            ("clearance", self.clearance),
        ):
            for item in open_items:
                if item.quantity == quantity:
                    yield step(item) if math.isfinite(item.value) else self.unread(item)

    # ---- words ---------------------------------------------------------------------------------

    def length(self, length_mm: float) -> str:
        return length_text(length_mm, self.unit)

    def amount(self, length_mm: float) -> str:
        """Return an amount rounded up, so that it is never short."""
        digit = _LAST_DIGIT_MM[self.unit]
        return self.length(math.ceil(length_mm / digit - 1e-6) * digit)

    def standing(self, item: Item) -> str:
        """Say where the value stands against its limit."""
        room_mm = item.room
        if item.limit == item.lower:
            side = "under its least value" if room_mm < 0 else "over its least value"
        else:
            side = "over its limit" if room_mm < 0 else "under its limit"
        if abs(room_mm) <= EXACT_MM:
            return f"{item.name} is on its limit"
        return f"{item.name} is {self.length(abs(room_mm))} {side}"

    def reading(self, item: Item) -> str:
        """Say which reading would decide the item as it stands.

        Repeats are no way there: the gauge's own part stays, however many there are (GUM, 5.1.2),
        and a measurement does not say which part that is.
        """
        needed_mm = deciding_uncertainty_mm(
            item.value, lower_mm=item.lower, upper_mm=item.upper, coverage=self.coverage
        )
        direct = {
            "relief": "the relief under a straightedge",
            "action": f"the gap over fret {item.fret}",
            "first-fret-gap": f"the gap over fret {item.fret}",
            "crown-height": f"the crown height of fret {item.fret}",
        }.get(item.quantity)
        gauge_mm = needed_mm if direct else self.each_mm(item, needed_mm)
        if gauge_mm < _FINEST_MM:
            return "so near to its limit no bench gauge decides"
        gauge = f"with a gauge of standard uncertainty {self.fine(gauge_mm)} or less"
        if direct:
            under = f" under string {item.string}" if item.string else ""
            now = f"{self.fine(item.standard_uncertainty)} now"
            return f"to decide it, read {direct}{under} itself {gauge} ({now})"
        heights = (
            f"the saddle and the crown tops of frets {item.stopped_fret} and {item.fret}"
            if item.stopped_fret
            else f"the nut slot, the saddle and the crown top of fret {item.fret}"
        )
        return (
            f"to decide it, read {heights} at string {item.string} {gauge} each (together "
            f"{self.fine(needed_mm)} or less, {self.fine(item.standard_uncertainty)} now)"
        )

    @staticmethod
    def each_mm(item: Item, needed_mm: float) -> float:
        """Return the largest uncertainty of each reading [mm] that gives the item the one needed.

        A reading that is finer already stays as it is.
        """
        lines = sorted(item.lines, key=lambda line: line.standard_uncertainty)
        kept, left = 0.0, math.fsum(line.sensitivity**2 for line in lines)
        for line in lines:
            if not left:
                break
            each_mm = math.sqrt(max(0.0, needed_mm**2 - kept) / left)
            if each_mm <= line.standard_uncertainty:
                return each_mm
            kept += line.contribution**2
            left -= line.sensitivity**2
        return needed_mm

    def fine(self, length_mm: float) -> str:
        """Return an uncertainty with a digit more than a length, rounded down."""
        digits = 5 if self.unit == "in" else 4
        shown = length_mm / (25.4 if self.unit == "in" else 1.0)
        return f"{math.floor(shown * 10**digits + 1e-6) / 10**digits:.{digits}f} {self.unit}"

    def unread(self, item: Item) -> str:
        where = self.case.heights
        k = item.place[0] - 1
        if item.quantity == "relief":
            return "Read the crown tops, or the relief under a straightedge: it is undecided."
        missing = []
        if not math.isfinite(where.nut_mm[k]):
            missing.append("the nut slot")
        if not math.isfinite(where.saddle_mm[k]):
            missing.append("the saddle")
        every = range(1, where.frets + 1)
        frets = [item.place[1]] if item.quantity != "clearance" else every
        gone = [str(f) for f in frets if not math.isfinite(where.crown_top_mm[k, f - 1])]
        if gone:
            missing.append(f"the crown top{'s' if len(gone) > 1 else ''} of fret {_some(gone)}")
        direct = ""
        if item.quantity != "clearance":
            direct = f", or the gap over fret {item.fret} directly"
        what = f"Read {_and(missing)} at string {item.string}{direct}"
        return f"{what}: the {_low(str(item.name))} is undecided."

    # ---- what can be moved ---------------------------------------------------------------------

    def move_mm(self, item: Item) -> float:
        """Return the change of the value that brings it just inside its limits."""
        if not math.isfinite(item.guard_band):
            return 0.5 * (item.lower + item.upper) - item.value
        if item.limit == item.lower:
            return item.lower + item.guard_band - item.value
        return item.upper - item.guard_band - item.value

    def advise(self, item: Item, change: str) -> str:
        """Put together the sentence of a quantity that can be set."""
        if item.verdict == "does not conform":
            return f"{self.standing(item)}: {change}."
        if not math.isfinite(item.guard_band):
            return f"Undecided: {self.standing(item)}; {self.reading(item)}."
        return f"Undecided: {self.standing(item)}; {self.reading(item)}; or {change}."

    def relief(self, item: Item) -> str:
        if not self.case.specification.neck.truss_rod:
            if item.verdict == "undecided":
                return f"Undecided: {self.standing(item)}; {self.reading(item)}."
            return (
                f"{self.standing(item)}, and this neck has no truss rod: agree on wider limits, or "
                "have the neck itself straightened."
            )
        move_mm = self.move_mm(item)
        rod = "tighten" if move_mm < 0 else "loosen"
        return self.advise(
            item,
            f"{rod} the truss rod until the relief is {self.amount(abs(move_mm))} "
            f"{'less' if move_mm < 0 else 'more'}, then read again",
        )

    def action(self, item: Item) -> str:
        k = item.place[0] - 1
        share = float(open_share(self.case.lines, item.place[1])[k])
        move_mm = self.move_mm(item) / share
        verb = "lower" if move_mm < 0 else "raise"
        change = (
            f"{verb} the saddle at string {item.string} by {self.amount(abs(move_mm))} (action "
            f"changes by {share:.2f} of that)"
        )
        return self.advise(item, change + self.lost(k, saddle_mm=move_mm))

    def first_fret_gap(self, item: Item) -> str:
        k = item.place[0] - 1
        share = 1.0 - float(open_share(self.case.lines, item.place[1])[k])
        move_mm = self.move_mm(item) / share
        if move_mm < 0:
            change = (
                f"lower the nut slot of string {item.string} by {self.amount(-move_mm)}"
                f"{self.lost(k, nut_mm=move_mm)}"
            )
        else:
            raised_mm = self.case.specification.target.nut_up_mm
            how = "raise" if raised_mm >= move_mm else "fill and recut, or shim and raise,"
            change = f"{how} the nut slot of string {item.string} by {self.amount(move_mm)}"
        return self.advise(item, change)

    def lost(self, k: int, *, nut_mm: float = 0.0, saddle_mm: float = 0.0) -> str:
        """Say how many positions that clear now would not clear surely after a move."""
        share = chord_share(self.case.lines)[k]
        change_mm = share * saddle_mm
        change_mm[0] += (1.0 - share[0]) * nut_mm
        room_mm = self.found.clearance_mm[k] - self.found.required_mm[k]
        short = room_mm + change_mm < self.factor * self.found.u_mm[k] - EXACT_MM
        sure = np.array([v == "conforms" for v in self.positions.verdict[k]])
        free = np.triu(np.ones(short.shape, dtype=bool), k=1)
        count = int(np.sum((short & free).any(axis=1)[:-1] & sure))
        if not count:
            return ""
        return f"; {count} position{'s' if count > 1 else ''} of this string {_LOST}"

    def clearance(self, item: Item) -> str:
        k = item.place[0] - 1
        removal_mm = self.metal_mm(k)
        cut = [int(j) + 1 for j in np.argsort(-removal_mm) if removal_mm[j] > EXACT_MM]
        if not cut and self.unknown(k):
            return self.unread(item)
        low = [j for j in cut if self.crown_left_mm(k, j) - removal_mm[j - 1] < self.least_mm()]
        if not cut:
            return f"Undecided: {self.standing(item)}{self.along(item)}; {self.reading(item)}."
        amounts = _some(
            [f"{self.amount(removal_mm[j - 1])} at fret {j}" for j in cut], "more frets"
        )
        change = f"remove {amounts} under string {item.string}"
        if low:
            change += (
                f"; that would leave fret {_some([str(j) for j in sorted(low)])} under the least "
                "crown height, so raise the saddle or replace the fret"
            )
        along = self.along(item)
        if item.verdict == "does not conform":
            return f"{self.standing(item)}{along}: {change}."
        uncertainty = f"Undecided: {self.standing(item)}{along}; {self.reading(item)}"
        # Metal is no answer to uncertainty about a position that is likelier to clear than not.
        return f"{uncertainty}; or {change}." if item.room < 0.0 else f"{uncertainty}."

    def along(self, item: Item) -> str:
        """Say how many positions of the item's string are not proven to clear."""
        row = self.positions.verdict[item.place[0] - 1]
        failing, uncertain = row.count("does not conform"), row.count("undecided")
        counts = [f"{failing} too low"] if failing else []
        counts += [f"{uncertain} undecided"] if uncertain else []
        return f" ({_and(counts)} of {len(row)} positions of this string)"

    def metal_mm(self, k: int) -> FloatArray:
        """Return the least removal [mm] at each fret after which no clearance is too small.

        What is too small now is brought to where it conforms, what conforms stays so; a clearance
        that is enough but not surely so is kept enough. Nut and saddle stay. One pass from the
        nut: each crown comes down to the lowest line that any position before it allows, so
        nothing that works removes less at any fret.
        """
        read = self.case.heights
        share = chord_share(self.case.lines)[k]
        band_mm = self.factor * self.found.u_mm[k]
        room_mm = self.found.clearance_mm[k] - self.found.required_mm[k]
        uncertain = (room_mm >= 0.0) & (room_mm < band_mm)
        needed_mm = self.found.required_mm[k] + np.where(uncertain, 0.0, band_mm)
        height_mm = np.concatenate([[read.nut_mm[k]], read.crown_top_mm[k]])
        for j in range(1, len(height_mm)):
            line_mm = (1.0 - share[:j, j]) * height_mm[:j] + share[:j, j] * read.saddle_mm[k]
            bound_mm = line_mm - needed_mm[:j, j]
            height_mm[j] = np.fmin(height_mm[j], np.fmin.reduce(bound_mm))
        return np.asarray(np.nan_to_num(read.crown_top_mm[k] - height_mm[1:]))

    def unknown(self, k: int) -> bool:
        """Say whether a height of the string was not read."""
        read = self.case.heights
        ends = math.isfinite(read.nut_mm[k]) and math.isfinite(read.saddle_mm[k])
        return not (ends and bool(np.isfinite(read.crown_top_mm[k]).all()))

    def least_mm(self) -> float:
        return self.case.specification.fretwire.least_crown_height_mm

    def crown_left_mm(self, k: int, fret: int) -> float:
        """Return a lower bound of the crown height at a crossing, from the fret's own item."""
        after = self.case.measurement
        origin = Origin(int(after.crown_height_origin[k, fret - 1]))
        if origin not in (Origin.MISSING, Origin.NOMINAL):
            return float(after.crown_height_mm[k, fret - 1])
        left = [i.value for i in self.items if i.quantity == "crown-height" and i.fret == fret]
        return left[0] if left and math.isfinite(left[0]) else math.inf

    def crowns(self) -> Iterator[str]:
        items = [i for i in self.items if i.quantity == "crown-height"]
        for item in items:
            if item.verdict == "does not conform":
                yield (
                    f"{self.standing(item)}; metal cannot be put back: replace the fret, or agree "
                    "on a lower least height."
                )
        unread = [str(i.fret) for i in items if not math.isfinite(i.value)]
        if unread:
            yield f"Read the crown height of fret {_some(unread, 'more')}: it is undecided."
        uncertain = [i for i in items if i.verdict == "undecided" and math.isfinite(i.value)]
        if uncertain:
            worst = min(uncertain, key=lambda i: i.room)
            others = len(uncertain) - 1
            also = f" (and {others} more frets)" if others else ""
            yield f"Undecided: {self.standing(worst)}{also}; {self.reading(worst)}."

    def nothing_left(self) -> str:
        """Say how near to its limit the nearest item is."""
        decided = [i for i in self.items if math.isfinite(i.guard_band)]
        nearest = min(decided, key=lambda i: i.room - i.guard_band)
        spare_mm = max(0.0, nearest.room - nearest.guard_band)
        return (
            f"Nothing is left to do: {nearest.name} is the nearest to its limit, "
            f"{self.length(nearest.room)} inside, {self.length(spare_mm)} more than the guard "
            "band asks for."
        )


def _low(name: str) -> str:
    """Return a name as it stands inside a sentence."""
    return name[:1].lower() + name[1:]


def _some(names: Sequence[str], more: str = "more") -> str:
    """Name the first few, and count the rest."""
    shown = list(names[:_NAMED])
    if len(names) > _NAMED:
        shown.append(f"{len(names) - _NAMED} {more}")
    return _and(shown)


def _and(names: Sequence[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
