"""What to do after a verdict: amounts worked out from the readings, in the order of the bench.

Rod before nut and saddle, those before metal, metal before another reading. Each amount brings
the value just inside its limit by the guard band, so that the same readings would then conform.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray, ahead
from evenfall.errors import Finding
from evenfall.measurement import Origin
from evenfall.neck.drawn_line import LEAST_U_MM
from evenfall.proof.decision import EXACT_MM, deciding_uncertainty_mm
from evenfall.strings.clearance import chord_share, open_share
from evenfall.wording import Sentence, Value, sentence

if TYPE_CHECKING:
    from evenfall.proof.judging import Case
    from evenfall.proof.positions import Clearances
    from evenfall.proof.result import Item, Positions

_FEELER_MM = 0.01
"""Above this standard uncertainty of a crown, readings leave a fret that buzzes over the next one
unseen on one neck in three or four, by our study of invented necks [mm]."""

_NAMED = 4
"""How many places one sentence names before it points to the table."""

_ON_LIMIT_MM = 0.00127
"""What is nearer to its limit reads as nothing in inches: it is on its limit [mm]."""

_TOO_NEAR = "no bench gauge is fine enough to decide that"

_HEIGHTS_OF_A_CLEARANCE = 3
"""A clearance goes by the stopped height, the saddle and a crown; they lead its budget."""


def next_steps(
    case: Case,
    items: Sequence[Item],
    positions: Positions,
    found: Clearances,
    gates: Sequence[Finding],
    *,
    unfinished: Sequence[int] = (),
) -> tuple[Sentence, ...]:
    """Return what to do next, from what was judged and what has to be read again first.

    `unfinished` are the frets on which the cut of the plan is not done.
    """
    advice = _Advice(case, items, positions, found)
    steps = list(advice.steps())
    # uncertainty alone costs no metal, and no amount would follow
    fails = any(i.quantity == "clearance" and i.verdict == "does not conform" for i in items)
    if unfinished and fails:
        text = (
            "The cut of the plan is not finished on {frets:frets}: finish it by the bench sheet, "
            "or make a new plan from these readings. The amounts below are the least that would do."
        )
        steps.insert(0, sentence(text, frets=unfinished))
    if gates:
        said = [gate.said for gate in gates]
        again = sentence("Before anything else, read again: {gates:sentences}", gates=said)
        steps.insert(0, again)
    steps = steps or [advice.nothing_left()]
    read_mm = case.heights.crown_top_u_mm[np.isfinite(case.heights.crown_top_mm)]
    if read_mm.size and (typical_mm := float(np.median(read_mm))) > _FEELER_MM:
        steps.append(
            sentence(
                "Play every note on every string: crowns read with a standard uncertainty of "
                "{u:fine} cannot rule out a buzz over the next fret.",
                u=typical_mm,
            )
        )
    return tuple(steps)


class _Advice:
    def __init__(
        self, case: Case, items: Sequence[Item], positions: Positions, found: Clearances
    ) -> None:
        self.case = case
        self.items = items
        self.positions = positions
        self.found = found
        self.rule = case.specification.rule
        self.moves_cost_room = False

    def steps(self) -> Iterator[Sentence]:
        if not self.case.measurement.strung:
            yield sentence(
                "Bring the strings to pitch and take the readings again: action, first-fret gap, "
                "relief and clearances are judged at pitch."
            )
            yield from self.crowns()
            return
        steps = [*self.moves(), *self.crowns()]
        kinds = {i.quantity for i in self.items if i.verdict == "does not conform"}
        several = len(kinds & {"relief", "action", "first-fret-gap", "clearance"}) > 1
        if several or self.moves_cost_room:
            yield sentence(
                "{what} moves the others: make a new plan from these readings, or take the steps "
                "below one at a time and read again after each.",
                what=sentence("Several kinds of limits are missed, and correcting one")
                if several
                else sentence("Correcting one"),
            )
        yield from steps

    def moves(self) -> Iterator[Sentence]:
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

    @staticmethod
    def standing(item: Item) -> Sentence:
        """Say where the value stands against its limit."""
        room_mm = item.room
        if abs(room_mm) < _ON_LIMIT_MM:
            return sentence("{name} is on its limit", name=item.name)
        lower = item.limit == item.lower
        limit = sentence("lower limit") if lower else sentence("upper limit")
        if not (math.isfinite(item.lower) and math.isfinite(item.upper)):
            limit = sentence("limit")
        return sentence(
            "{name} is {room:length} {side} its {limit}",
            name=item.name,
            room=abs(room_mm),
            side=sentence("below") if (room_mm < 0) == lower else sentence("above"),
            limit=limit,
        )

    def reading(self, item: Item) -> Sentence:
        """Say which reading would decide the item as it stands.

        Repeats are no help there: the gauge's own part stays, however many there are (GUM, 5.1.2),
        and a measurement does not say which part that is.
        """
        needed_mm = deciding_uncertainty_mm(
            item.value,
            lower_mm=item.lower,
            upper_mm=item.upper,
            false_acceptance=self.rule.false_acceptance,
            false_refusal=self.case.refusal_chance,
        )
        fret = item.place[1]
        gap = sentence("the gap over fret {fret}", fret=fret)
        direct = {
            "relief": sentence("the relief under a straightedge"),
            "action": gap,
            "first-fret-gap": gap,
            "crown-height": sentence("the crown height of fret {fret}", fret=fret),
        }.get(item.quantity)
        gauge_mm = needed_mm if direct else self.each_mm(item, needed_mm)
        if gauge_mm < LEAST_U_MM:  # which no reading is trusted to
            return sentence(_TOO_NEAR)
        values: dict[str, Value] = {"gauge": gauge_mm, "now": item.standard_uncertainty}
        if direct:
            under: Sentence | str = ""
            if item.string:
                under = sentence(" under string {string}", string=item.string)
            return sentence(
                "to decide it, read {what}{under} itself with a gauge of standard uncertainty "
                "{gauge:fine} or less ({now:fine} now)",
                what=direct,
                under=under,
                **values,
            )
        heights = sentence(
            "the {nut}, the saddle and the crown top of fret {fret}",
            nut=self.case.specification.board.string_rest,
            fret=item.fret,
        )
        if item.stopped_fret:
            heights = sentence(
                "the saddle and the crown tops of frets {stopped} and {fret}",
                stopped=item.stopped_fret,
                fret=item.fret,
            )
        return sentence(
            "to decide it, read {heights} at string {string} with a gauge of standard uncertainty "
            "{gauge:fine} or less each (together {needed:fine} or less, {now:fine} now)",
            heights=heights,
            string=item.string,
            needed=needed_mm,
            **values,
        )

    @staticmethod
    def each_mm(item: Item, needed_mm: float) -> float:
        """Return the largest uncertainty of each reading [mm] that gives the item the one needed.

        A reading that is finer already stays as it is; but heights that share causes were not read
        themselves, and all have to be.
        """
        heights = item.lines[:_HEIGHTS_OF_A_CLEARANCE]
        left = math.fsum(line.sensitivity**2 for line in heights)
        if len(item.lines) > len(heights):
            return needed_mm / math.sqrt(left) if left else needed_mm
        kept = 0.0
        for line in sorted(heights, key=lambda line: line.standard_uncertainty):
            if not left:
                break
            each_mm = math.sqrt(max(0.0, needed_mm**2 - kept) / left)
            if each_mm <= line.standard_uncertainty:
                return each_mm
            kept += line.contribution**2
            left -= line.sensitivity**2
        return needed_mm

    def unread(self, item: Item) -> Sentence:
        heights = self.case.heights
        if item.quantity == "relief":
            return sentence(
                "Relief is undecided: read the crown tops, or the relief under a straightedge."
            )
        k, fret = item.place[0] - 1, item.place[1]
        missing = []
        if not math.isfinite(heights.nut_mm[k]):
            nut = self.case.specification.board.string_rest
            missing.append(sentence("the {nut}", nut=nut))
        if not math.isfinite(heights.saddle_mm[k]):
            missing.append(sentence("the saddle"))
        every = range(1, heights.frets + 1)
        frets = [fret] if item.quantity != "clearance" else every
        if gone := [f for f in frets if not math.isfinite(heights.crown_top_mm[k, f - 1])]:
            text = "the crown {gone:plural top|tops} of {frets}"
            missing.append(sentence(text, gone=gone, frets=_some_frets(gone)))
        direct: Sentence | str = ""
        if item.quantity != "clearance":
            direct = sentence(", or the gap over fret {fret} directly", fret=fret)
        return sentence(
            "{name} is undecided: read {missing:list} at string {string}{direct}.",
            name=item.name,
            missing=missing,
            string=item.string,
            direct=direct,
        )

    # ---- what can be moved ---------------------------------------------------------------------

    def move_mm(self, item: Item) -> float:
        """Return the change of the value that brings it just inside its limits."""
        if not math.isfinite(item.guard_band):
            return 0.5 * (item.lower + item.upper) - item.value
        if item.limit == item.lower:
            return item.lower + item.guard_band - item.value
        return item.upper - item.guard_band - item.value

    def advise(self, item: Item, change: Sentence) -> Sentence:
        """Put together the sentence of a quantity that can be set."""
        standing = self.standing(item)
        if item.verdict == "does not conform":
            return sentence("{standing}: {change}.", standing=standing, change=change)
        return self.undecided(item, change if math.isfinite(item.guard_band) else None)

    @staticmethod
    def changes(item: Item) -> bool:
        """Say whether a change is advised, not another reading alone."""
        return item.verdict == "does not conform" or math.isfinite(item.guard_band)

    def undecided(
        self,
        item: Item,
        change: Sentence | None = None,
        more: Sentence | str = "",
        along: Sentence | str = "",
    ) -> Sentence:
        """Say which reading decides an item, or what change does instead."""
        opened = sentence("Undecided")
        if item.quantity == "clearance":  # by the readings alone it holds, or fails
            opened = sentence(
                "Holds by the readings, not for certain"
                if item.room >= 0.0
                else "Fails by the readings, not for certain"
            )
        reading = self.reading(item)
        instead = "; instead, {change}" if reading.text == _TOO_NEAR else "; or {change}"
        return sentence(
            "{open}: {standing}{more}; {reading}{change}.{along}",
            open=opened,
            standing=self.standing(item),
            more=more,
            reading=reading,
            change=sentence(instead, change=change) if change else "",
            along=along,
        )

    def relief(self, item: Item) -> Sentence:
        if not self.case.specification.neck.truss_rod:
            if item.verdict == "undecided":
                return self.undecided(item)
            return sentence(
                "{standing}, and this neck has no truss rod: agree on wider limits, or have the "
                "neck itself straightened.",
                standing=self.standing(item),
            )
        move_mm = self.move_mm(item)
        text = (
            "tighten the truss rod until the relief is {move:amount} less, then read again"
            if move_mm < 0
            else "loosen the truss rod until the relief is {move:amount} more, then read again"
        )
        return self.advise(item, sentence(text, move=abs(move_mm)))

    def action(self, item: Item) -> Sentence:
        k = item.place[0] - 1
        share = float(open_share(self.case.lines, item.place[1])[k])
        move_mm = self.move_mm(item) / share
        if self.nut_first(k, move_mm):
            text = "set the first-fret gap of string {string} first, which raises its action too"
            return self.advise(item, sentence(text, string=item.string))
        change = sentence(
            "{verb} the saddle at string {string} by {move:amount} (action changes by {share:.2f} "
            "of that){lost}",
            verb=sentence("lower") if move_mm < 0 else sentence("raise"),
            string=item.string,
            move=abs(move_mm),
            share=share,
            lost=self.lost(k, saddle_mm=move_mm) if self.changes(item) else "",
        )
        return self.advise(item, change)

    def nut_first(self, k: int, saddle_mm: float) -> bool:
        """Say whether the end at the nut stays too low with the saddle raised for its action."""
        [gap] = [i for i in self.items if i.quantity == "first-fret-gap" and i.place[0] == k + 1]
        share = float(open_share(self.case.lines, gap.place[1])[k])
        return saddle_mm > 0.0 and gap.value + share * saddle_mm < gap.lower

    def first_fret_gap(self, item: Item) -> Sentence:
        k = item.place[0] - 1
        share = 1.0 - float(open_share(self.case.lines, item.place[1])[k])
        move_mm = self.move_mm(item) / share
        lost: Sentence | str = ""
        if move_mm < 0:
            verb = sentence("lower")
            lost = self.lost(k, nut_mm=move_mm) if self.changes(item) else ""
        elif self.case.specification.target.nut_up_mm >= move_mm:
            verb = sentence("raise")
        else:
            verb = sentence("fill and recut, or shim and raise,")
        text = "{verb} the nut slot of string {string} by {move:amount}{lost}"
        if self.case.specification.board.zero_fret:
            text = (
                "lower the zero fret under string {string} by {move:amount}{lost}"
                if move_mm < 0
                else "fit higher wire as zero fret: under string {string} it lacks {move:amount}"
            )
        change = sentence(
            text,
            verb=verb,
            string=item.string,
            move=abs(move_mm),
            lost=lost,
        )
        return self.advise(item, change)

    def lost(self, k: int, *, nut_mm: float = 0.0, saddle_mm: float = 0.0) -> Sentence | str:
        """Say how many notes that clear now would not clear for certain after a move."""
        share = chord_share(self.case.lines)[k]
        change_mm = share * saddle_mm
        change_mm[0] += (1.0 - share[0]) * nut_mm
        room_mm = self.found.room_mm[k]
        short = room_mm + change_mm < self.found.sure_mm[k] - EXACT_MM
        sure = np.array([v == "conforms" for v in self.positions.verdict[k]])
        count = int(np.sum((short & ahead(len(short))).any(axis=1)[:-1] & sure))
        if not count:
            return ""
        self.moves_cost_room = True
        text = "; {n:count note} of this string would then no longer clear for certain"
        return sentence(text, n=count)

    def clearance(self, item: Item) -> Sentence:
        k = item.place[0] - 1
        removal_mm = self.metal_mm(k)
        cut = [int(j) + 1 for j in np.argsort(-removal_mm) if removal_mm[j] > EXACT_MM]
        if not cut and self.unknown(k):
            return self.unread(item)
        along = self.along(item)
        if not cut:
            return self.undecided(item, along=along)
        low = [j for j in cut if self.crown_left_mm(k, j) - removal_mm[j - 1] < self.least_mm()]
        amounts = [
            sentence("{removal:amount} at fret {fret}", removal=float(removal_mm[j - 1]), fret=j)
            for j in cut[:_NAMED]
        ]
        if len(cut) > _NAMED:
            amounts.append(sentence("{n} more frets", n=len(cut) - _NAMED))
        under: Sentence | str = ""
        if low:
            under = sentence(
                "; that would leave {frets} under the least crown height, so raise the saddle or "
                "replace the fret",
                frets=_some_frets(sorted(low)),
            )
        change = sentence(
            "remove {amounts:list} under string {string}{under}",
            amounts=amounts,
            string=item.string,
            under=under,
        )
        if item.verdict == "does not conform":
            text = "{standing}: {change}.{along}"
            return sentence(text, standing=self.standing(item), along=along, change=change)
        # metal is no answer to uncertainty: it cannot be put back
        again = sentence("make a new plan from these readings") if item.room < 0.0 else None
        return self.undecided(item, again, along=along)

    def along(self, item: Item) -> Sentence:
        """Say which notes of the item's string are not proven to clear."""
        row = self.positions.verdict[item.place[0] - 1]
        named = [
            sentence(text, n=len(stops), where=_notes(stops))
            for verdict, text in (
                ("does not conform", "{n} {n:plural is|are} too low ({where:list})"),
                ("undecided", "{n} {n:plural is|are} undecided ({where:list})"),
            )
            if (stops := [stop for stop, given in enumerate(row) if given == verdict])
        ]
        text = " Of the {all} notes of this string, {named:list}."
        return sentence(text, named=named, all=len(row))

    def metal_mm(self, k: int) -> FloatArray:
        """Return the least removal [mm] at each fret after which no clearance is too small.

        What is too small now is brought to where it conforms, what conforms stays so; a clearance
        that is enough but not surely so is kept enough. Nut and saddle stay. One pass from the
        nut: each crown comes down to the lowest line that any position before it allows, so
        nothing that works removes less at any fret.
        """
        read = self.case.heights
        share = chord_share(self.case.lines)[k]
        band_mm, room_mm = self.found.sure_mm[k], self.found.room_mm[k]
        uncertain = (room_mm >= 0.0) & (room_mm < band_mm)
        # what is too small is brought to where it conforms as read
        judged = self.found.judged
        asked_mm = np.where(
            room_mm < 0.0, (judged.bound_mm - judged.tolerance_mm)[k], self.found.limit_mm[k]
        )
        needed_mm = asked_mm + np.where(uncertain, 0.0, band_mm)
        height_mm = np.concatenate([[read.nut_mm[k]], read.crown_top_mm[k]])
        for j in range(1, len(height_mm)):
            line_mm = (1.0 - share[:j, j]) * height_mm[:j] + share[:j, j] * read.saddle_mm[k]
            bound_mm = line_mm - needed_mm[:j, j]
            over_mm = height_mm[j] - np.fmin.reduce(bound_mm)
            if over_mm > EXACT_MM:
                height_mm[j] -= max(over_mm, self.case.smallest_cut_mm)
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

    def crowns(self) -> Iterator[Sentence]:
        items = [i for i in self.items if i.quantity == "crown-height"]
        for item in items:
            if item.verdict == "does not conform":
                yield sentence(
                    "{standing}; metal cannot be put back: replace the fret, or agree on a lower "
                    "least height.",
                    standing=self.standing(item),
                )
        unread = [i.place[1] for i in items if not math.isfinite(i.value)]
        if unread:
            text = "Read the crown height of {frets}: it is undecided."
            yield sentence(text, frets=_some_frets(unread))
        uncertain = [i for i in items if i.verdict == "undecided" and math.isfinite(i.value)]
        if uncertain:
            worst = min(uncertain, key=lambda i: i.room)
            others = len(uncertain) - 1
            more = sentence(" (and {n:count more fret})", n=others) if others else ""
            yield self.undecided(worst, more=more)

    def nothing_left(self) -> Sentence:
        """Say how near to its limit the nearest item is."""
        decided = [i for i in self.items if math.isfinite(i.guard_band)]
        nearest = min(decided, key=lambda i: i.room - i.guard_band)
        return sentence(
            "Nothing is left to do: {name} is the nearest to its limit, {room:length} inside, "
            "{spare:length} more than the guard band asks for.",
            name=nearest.name,
            room=nearest.room,
            spare=max(0.0, nearest.room - nearest.guard_band),
        )


def _notes(stops: Sequence[int]) -> list[Sentence]:
    """Name notes by where they are stopped, 0 for the open string."""
    frets = [stop for stop in stops if stop]
    said = [sentence("stopped at {frets:frets}", frets=frets)] if frets else []
    return said if frets == list(stops) else [sentence("open"), *said]


def _some_frets(frets: Sequence[int]) -> Sentence:
    """Name the first few frets, and count the rest."""
    more = len(frets) - _NAMED
    if more <= 0:
        return sentence("{frets:frets}", frets=frets)
    text = "frets {frets:numbers} and {more} more"
    return sentence(text, frets=frets[:_NAMED], more=more)
