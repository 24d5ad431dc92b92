"""The bench sheet: what a technician does to one instrument, in order, as plain words and figures.

`bench_sheet` works everything out from a plan; `evenfall.pages` only sets it on paper or screen.
Tables over the strings run from bass to treble, as the strings lie when the instrument is seen
from the front with the headstock up and fret 1 on top.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from evenfall.instrument import string_lines
from evenfall.neck import default_bow
from evenfall.neck.bow import relief_point, straightedge_gap_mm
from evenfall.plan import METHODS
from evenfall.strings.clearance import open_gap_mm, open_share, rest_clearance_mm
from evenfall.units import length_text
from evenfall.wording import say
from evenfall.work.cautions import Caution, cautions
from evenfall.work.wording import listed, numbered, plain_line

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from evenfall.instrument import Specification, StringLines
    from evenfall.plan import Binding, Plan
    from evenfall.units import LengthUnit

    FloatArray = NDArray[np.float64]

NOTHING_MM = 0.0005
"""Lengths under half a micrometre are nothing: no gauge at a bench shows them."""

HALFWAY_MM = 0.05
"""A crossing that loses more than this is measured at half: metal cannot be put back."""

FRETS_BETWEEN_CHECKS = 4
CROSSINGS_TO_READ = 6

Tone = Literal["nothing", "go", "eased", "stop"]


@dataclass(frozen=True, slots=True)
class Amount:
    """A length as it stands on paper.

    Parameters
    ----------
    figure
        The number in the unit chosen, without the unit.
    other
        The number in the other unit, without the unit.
    """

    figure: str
    other: str


@dataclass(frozen=True, slots=True)
class Cell:
    """What a table says about one string.

    Parameters
    ----------
    amount
        The length, or None where there is nothing to do.
    word
        "up", "down", or limits; stands beside the amount.
    halfway
        Whether to stop and measure at half of it.
    """

    amount: Amount | None
    word: str = ""
    halfway: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a table over the strings.

    Parameters
    ----------
    label
        What the line is about.
    cells
        One per column; empty for a line to write in or a check.
    kind
        "amounts", "write" (empty boxes) or "check" (`sentences` over the full width).
    sentences
        What to check.
    """

    label: str
    cells: tuple[Cell, ...] = ()
    kind: Literal["amounts", "write", "check"] = "amounts"
    sentences: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading to take and write down.

    Parameters
    ----------
    name
        What to read, and where.
    aim
        What it should be.
    limits
        Limits in words, both units; may be empty.
    """

    name: str
    aim: Amount
    limits: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the work.

    Parameters
    ----------
    heading
        What to do, in a few words.
    sentences
        How, and what to watch.
    rows
        Table over the strings; empty without one.
    readings
        What to read before going on.
    """

    heading: str
    sentences: tuple[str, ...]
    rows: tuple[Row, ...] = ()
    readings: tuple[Reading, ...] = ()


@dataclass(frozen=True, slots=True)
class Banner:
    """What this sheet asks for, in one look.

    Parameters
    ----------
    tone
        "nothing" (nothing to do), "go", "eased" (limits were eased) or "stop".
    headline
        The state of the plan.
    sentences
        What it rests on.
    """

    tone: Tone
    headline: str
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Column:
    """The head of a table column.

    Parameters
    ----------
    string
        String number, 1 = treble.
    name
        Its pitch.
    side
        "treble", "bass" or empty.
    """

    string: int
    name: str
    side: str


@dataclass(frozen=True, slots=True)
class BenchSheet:
    """Everything that the bench sheet says, in the order in which it says it.

    Parameters
    ----------
    serial, model, kind
        Which instrument.
    code
        The plan's code, which finds the job again.
    unit, other_unit
        "mm" or "in": the unit of the large figures and of the small ones.
    facts
        Pairs of label and value.
    banner
        What the sheet asks for.
    cautions
        What can hurt.
    columns
        Heads of every table, bass to treble.
    steps
        The work in order; empty if there is nothing to do.
    after
        What to read when the work is done, or at once if there is none.
    invented
        Whether the instrument is marked as invented.
    """

    serial: str
    model: str
    kind: str
    code: str
    unit: LengthUnit
    other_unit: LengthUnit
    facts: tuple[tuple[str, str], ...]
    banner: Banner
    cautions: tuple[Caution, ...]
    columns: tuple[Column, ...]
    steps: tuple[Step, ...]
    after: Step
    invented: bool


def bench_sheet(specification: Specification, plan: Plan, *, unit: LengthUnit) -> BenchSheet:
    """Return the bench sheet of a plan.

    Parameters
    ----------
    specification
        The specification that the plan was made for, K strings over F frets.
    plan
        What to do.
    unit
        "mm" or "in", for the large figures; the other unit stands beside in small.
    """
    writer = _Writer(specification, plan, unit)
    steps = writer.steps()
    serial = plain_line(plan.measurement.serial) or "no serial number"
    model = plain_line(specification.name)
    kind = plain_line(specification.kind)
    return BenchSheet(
        serial=serial,
        model=model,
        kind=kind,
        code=plan.code,
        unit=unit,
        other_unit=writer.other_unit,
        facts=writer.facts(),
        banner=writer.banner(bool(steps)),
        cautions=cautions(
            specification,
            rod=writer.turns_rod,
            cuts_frets=writer.cuts_frets,
            cuts_nut=bool((writer.nut_change_mm < -NOTHING_MM).any()),
            fills_nut=bool((writer.nut_change_mm > NOTHING_MM).any()),
            refrets=bool(plan.replaced_frets),
            planes_board=plan.method == "refret",
        )
        if steps
        else (),
        columns=writer.columns(),
        steps=steps,
        after=writer.after(bool(steps)),
        invented="invented" in f"{serial} {model} {kind}".lower(),
    )


class _Writer:
    """Turns one plan into words; holds what several parts of the sheet need."""

    def __init__(self, specification: Specification, plan: Plan, unit: LengthUnit) -> None:
        before = plan.measurement
        self.specification = specification
        self.plan = plan
        self.unit: LengthUnit = unit
        self.other_unit: LengthUnit = "in" if unit == "mm" else "mm"
        self.lines: StringLines = string_lines(specification)
        self.order = range(specification.string_count - 1, -1, -1)  # bass to treble
        self.removal_mm: FloatArray = np.where(
            np.isfinite(plan.removal_mm), np.maximum(plan.removal_mm, 0.0), 0.0
        )
        self.nut_change_mm = plan.nut_after_mm - before.nut_mm
        self.saddle_change_mm = plan.saddle_after_mm - before.saddle_mm
        self.turns_rod = abs(plan.relief_change_mm) >= NOTHING_MM
        relief = specification.target.relief
        # beyond what a plan may miss a limit by: only relief that was not to be set is
        self.relief_outside = (
            max(relief.minimum_mm - plan.relief_after_mm, plan.relief_after_mm - relief.maximum_mm)
            > 1e-6
        )
        self.touched = [int(f) + 1 for f in np.flatnonzero((self.removal_mm >= NOTHING_MM).any(0))]
        self.cuts_frets = bool(self.touched or plan.replaced_frets)
        # before any cut, with the rod set as planned; a new fret stands where its wire puts it
        self.top_uncut_mm: FloatArray = plan.crown_top_after_mm + self.removal_mm
        self.height_uncut_mm: FloatArray = plan.crown_height_after_mm + self.removal_mm

    # ---- figures -------------------------------------------------------------------------------

    def amount(self, length_mm: float) -> Amount:
        return Amount(_figure(length_mm, self.unit), _figure(length_mm, self.other_unit))

    def both(self, length_mm: float) -> str:
        amount = self.amount(length_mm)
        return f"{amount.figure} {self.unit} ({amount.other} {self.other_unit})"

    def limits(self, minimum_mm: float, maximum_mm: float) -> str:
        low, high = self.amount(minimum_mm), self.amount(maximum_mm)
        return (
            f"{low.figure} to {high.figure} {self.unit} "
            f"({low.other} to {high.other} {self.other_unit})"
        )

    def move(self, change_mm: float) -> Cell:
        if abs(change_mm) < NOTHING_MM:
            return Cell(None)
        return Cell(self.amount(abs(change_mm)), "up" if change_mm > 0 else "down")

    def row(self, label: str, lengths_mm: FloatArray) -> Row:
        return Row(label, tuple(Cell(self.amount(float(lengths_mm[k]))) for k in self.order))

    def columns(self) -> tuple[Column, ...]:
        strings = self.specification.strings
        side = {strings[0].number: "treble", strings[-1].number: "bass"}
        return tuple(
            Column(
                strings[k].number,
                plain_line(strings[k].pitch) or f"{strings[k].frequency_hz:.1f} Hz",
                side.get(strings[k].number, ""),
            )
            for k in self.order
        )

    # ---- head ----------------------------------------------------------------------------------

    def facts(self) -> tuple[tuple[str, str], ...]:
        spec, plan = self.specification, self.plan
        least, most = float(plan.attack_n.min()), float(plan.attack_n.max())
        attack = f"{least:.2f} N" if most - least < 0.005 else f"{least:.2f} to {most:.2f} N"
        return (
            ("Way", METHODS[plan.method]),
            ("Instrument", f"{spec.string_count} strings, {spec.frets} frets"),
            ("Set up for", f"an attack of {attack}"),
        )

    def banner(self, work: bool) -> Banner:
        plan = self.plan
        if plan.status != "optimal":
            return self.eased()
        if not work:
            return Banner(
                "nothing",
                "Nothing to adjust or cut: every limit "
                + ("but that of the relief " if self.relief_outside else "")
                + "holds as the instrument stands.",
                (self.reach(),),
            )
        if not self.cuts_frets:
            headline = "Nothing to cut on the frets: adjusting is enough."
            return Banner("go", headline, (self.reach(),))
        crossings = int((self.removal_mm >= NOTHING_MM).sum())
        metal = (
            f"{self.both(float(self.removal_mm.sum()))} off {numbered(crossings, 'crossing')} of "
            f"{numbered(len(self.touched), 'fret')}"
            if crossings
            else "no metal off the other frets"
        )
        new = f"new wire on {listed('fret', plan.replaced_frets)}; " if plan.replaced_frets else ""
        return Banner("go", f"In all: {new}{metal}.", (self.reach(),))

    def eased(self) -> Banner:
        """Say which limits had to give, and what could give instead."""
        plan = self.plan
        helping = [r for r in plan.relaxations if r.helps]
        if plan.status == "infeasible":
            told = [say(r.said, self.unit) for r in helping if r.limit == "together"]
            return Banner(
                "stop",
                "The limits cannot all hold: agree on what gives before any cut.",
                (*told, self.reach()),
            )
        done, *others = [say(r.said, self.unit) for r in helping] or ["Not stated."]
        sentences = [f"This sheet assumes: {done}"]
        if others:
            sentences.append(f"Any one of these would do instead: {' '.join(others)}")
        return Banner(
            "eased",
            "Not every limit can hold: have this agreed before any cut.",
            (*sentences, self.reach()),
        )

    def reach(self) -> str:
        """Say how far the weakest position is from touching, before and after."""
        plan = self.plan

        def weakest(touch_force_n: FloatArray) -> tuple[int, int, int]:
            force = np.where(np.isfinite(touch_force_n), touch_force_n, np.inf)
            share = force / np.maximum(plan.attack_n[:, None], 1e-9)
            string, stop = np.unravel_index(int(share.argmin()), share.shape)
            percent = math.floor(100.0 * (float(share.min()) + 1e-6))  # as in the touch force map
            return percent, int(string) + 1, int(stop)

        was, _, _ = weakest(plan.touch_force_before_n)
        now, string, stop = weakest(plan.touch_force_after_n)
        where = f"string {string} " + (f"stopped at fret {stop}" if stop else "open")
        if not plan.attack_n.any():
            force = plan.touch_force_after_n[string - 1, stop]
            return f"Weakest position: {where}, bears {force:.2f} N."
        change = f" (the weakest now: {was} %)" if was != now else ""
        return f"Weakest position: {where}, bears {now} % of the attack{change}."

    # ---- the work ------------------------------------------------------------------------------

    def steps(self) -> tuple[Step, ...]:
        steps = (self.wire(), self.rod(), self.saddle(), self.frets(), self.nut())
        return tuple(step for step in steps if step is not None)

    def wire(self) -> Step | None:
        """Return the step of new wire: first, as what is read later is read over new crowns."""
        plan, spec = self.plan, self.specification
        if not plan.replaced_frets:
            return None
        height = f"crown height {self.both(spec.fretwire.crown_height_mm)}"
        ends = "Seat it fully, trim and round the ends, let glue set before going on."
        if plan.method == "refret":
            remarks = (r.remark for r in plan.methods if r.method == "refret" and r.remark)
            wood = say(next(remarks, ""), self.unit)
            told = f"{wood[0].upper()}{wood[1:]}. " if wood else ""
            relief = ", relief out with the rod" if spec.neck.truss_rod else ""
            return Step(
                "Board and new wire.",
                (
                    f"Strings off, all frets out{relief}. Plane the board straight "
                    f"to its radius; no more than makes it whole. {told}",
                    f"New wire on every fret, {height}. {ends}",
                ),
            )
        return Step(
            f"New wire: {listed('fret', plan.replaced_frets)}.",
            (f"Strings off. Wire with {height}. {ends}",),
        )

    def rod(self) -> Step | None:
        if not self.turns_rod:
            return None
        change = self.plan.relief_change_mm
        turn, more = ("Loosen", "more") if change > 0 else ("Tighten", "less")
        fret, string = relief_point(self.specification, self.lines)
        sentences = [
            "Turn as the rod's maker says, in small steps. Re-measure with the strings at pitch: "
            f"gap at fret {fret}, straightedge over frets 1 and {self.specification.frets} on the "
            f"line of string {string}."
        ]
        reading = self.relief_reading(f"Gap at fret {fret}", self.top_uncut_mm)
        turns, turns_u = self.plan.outlook.rod_turns_count, self.plan.outlook.rod_turns_u_count
        if np.isfinite(turns):
            sentences.insert(
                0,
                f"As this rod was measured: {abs(turns):.2f} turns, "
                f"give or take {2.0 * turns_u:.2f}.",
            )
        if self.cuts_frets:
            sentences.append("Outside the limits: read all again and plan anew.")
        from_straight = " from straight" if self.plan.method == "refret" else ""
        return Step(
            f"Truss rod: {turn.lower()}, {self.both(abs(change))} {more} relief{from_straight}.",
            tuple(sentences),
            readings=(reading,),
        )

    def relief_reading(self, name: str, top_mm: FloatArray) -> Reading:
        """Return what the gap at the re-measure point reads, and what the limits of relief make it.

        One fret may stand off the smooth bow that relief is worked out from, so the limits are
        carried over: the gap moves with the bow, from what it is when the relief is as planned.
        """
        relief, planned_mm = self.specification.target.relief, self.plan.relief_after_mm
        fret, string = relief_point(self.specification, self.lines)
        place = (string - 1, fret - 1)
        aim_mm = float(straightedge_gap_mm(self.lines, top_mm)[place])
        shape = default_bow(self.specification, self.lines).frets
        per_mm = float(straightedge_gap_mm(self.lines, shape)[place])
        limits = self.limits(
            aim_mm + per_mm * (relief.minimum_mm - planned_mm),
            aim_mm + per_mm * (relief.maximum_mm - planned_mm),
        )
        return Reading(name, self.amount(aim_mm), limits)

    def saddle(self) -> Step | None:
        if not (np.abs(self.saddle_change_mm) >= NOTHING_MM).any():
            return None
        plan, fret = self.plan, self.specification.scale.reference_fret
        before = plan.measurement
        share = float(open_share(self.lines, fret).mean())
        now = open_gap_mm(self.lines, before.nut_mm, self.top_uncut_mm, plan.saddle_after_mm, fret)
        moves = tuple(self.move(float(self.saddle_change_mm[k])) for k in self.order)
        until = ", before any fret is cut." if self.cuts_frets else "."
        return Step(
            "Saddle: move each string.",
            (f"1.00 here is {share:.2f} over fret {fret}. Tune, then read the gap there{until}",),
            rows=(Row("Move", moves), self.row(f"Then, fret {fret}", now)),
        )

    def frets(self) -> Step | None:
        if not self.touched:
            return None
        sentences = [self.how()]
        sentences.append("Checks: crown height, and a short straightedge over three frets.")
        halfway = self.removal_mm > HALFWAY_MM
        if halfway.any():
            sentences.append(f"½: over {self.both(HALFWAY_MM)}; take half, measure, then the rest.")
        sentences.append(
            "Leave a crown height of at least "
            f"{self.both(self.specification.fretwire.least_crown_height_mm)}."
        )
        return Step("Frets: take off at each string.", tuple(sentences), rows=self.removal_rows())

    def how(self) -> str:
        if self.plan.method == "beam":
            past = self.specification.target.fall_away_from_fret
            rod = self.specification.neck.truss_rod
            start = (
                f"Strings off{', relief taken out with the rod' if rod else ''}. Level with a "
                "straight beam of the board's radius until no more than this is gone"
                + (f", falling away past fret {past}" if past else "")
                + ("; re-crown; set the rod back." if rod else "; re-crown.")
            )
        elif self.plan.method == "spot":
            start = "Strings slack. Work on these frets only; re-crown each."
        else:
            start = "Strings slack. Each crossing by its own amount; re-crown each fret."
        return f"{start} Off the top of the crown, on the string's own line."

    def removal_rows(self) -> tuple[Row, ...]:
        rows: list[Row] = []
        count = max(1, round(len(self.touched) / FRETS_BETWEEN_CHECKS))
        groups = [[int(f) for f in group] for group in np.array_split(self.touched, count)]
        for number, group in enumerate(groups):
            rows.extend(self.removal_row(fret) for fret in group)
            waiting = {f for later in groups[number + 1 :] for f in later}
            rows.append(self.check(group, waiting))
        return tuple(rows)

    def removal_row(self, fret: int) -> Row:
        cut = self.removal_mm[:, fret - 1]
        cells = [
            Cell(self.amount(float(cut[k])), halfway=bool(cut[k] > HALFWAY_MM))
            if cut[k] >= NOTHING_MM
            else Cell(None)
            for k in self.order
        ]
        return Row(f"{fret}", tuple(cells))

    def check(self, group: list[int], waiting: set[int]) -> Row:
        """Return where to stop after a group of frets: crown left, and what must not rock."""
        cut = self.removal_mm[:, np.array(group) - 1]
        string, place = (int(i) for i in np.unravel_index(int(cut.argmax()), cut.shape))
        fret = group[place]
        taken = float(cut[string, place])
        left = float(self.plan.crown_height_after_mm[string, fret - 1])
        half = f"{self.amount(left + 0.5 * taken).figure} at half, " if taken > HALFWAY_MM else ""
        height = f"{half}{self.amount(left).figure} {self.unit} when done"
        sentences = [f"Crown at fret {fret}, string {string + 1}: {height}."]
        middles = [
            f
            for f in range(2, self.specification.frets)
            if {f - 1, f, f + 1} & set(group) and not {f - 1, f, f + 1} & waiting
        ]
        if middles:
            sentences.append(self.rocking(middles))
        return Row("Check", kind="check", sentences=tuple(sentences))

    def rocking(self, middles: list[int]) -> str:
        """Say where the plan itself leaves a fret above the line over its neighbours."""
        top = self.plan.crown_top_after_mm
        station = self.lines.station_mm[:, 1:]
        proud: list[tuple[float, int, int]] = []
        for fret in middles:
            low, mid, high = fret - 2, fret - 1, fret
            share = (station[:, mid] - station[:, low]) / (station[:, high] - station[:, low])
            over = top[:, mid] - ((1.0 - share) * top[:, low] + share * top[:, high])
            string = int(over.argmax())
            if over[string] > 0.01:
                proud.append((float(over[string]), fret, string + 1))
        middle = listed("fret", middles)
        if not proud:
            return f"No rocking on {middle}."
        over_mm, fret, at = max(proud)
        most = f"{self.amount(over_mm).figure} {self.unit}"
        return f"Rocking on {middle}: {most} on {fret}, string {at}, is meant; no more."

    def nut(self) -> Step | None:
        change = self.nut_change_mm
        if not (np.abs(change) >= NOTHING_MM).any():
            return None
        sentences = ["After the frets."] if self.cuts_frets else []
        if (change < -NOTHING_MM).any():
            sentences.append("Down: file the floor, falling away to the headstock; stop and read.")
        if (change > NOTHING_MM).any():
            sentences.append("Up: fill the slot or shim the nut.")
        return Step(
            "Nut slots: move each floor.",
            tuple(sentences),
            rows=(Row("Move", tuple(self.move(float(change[k])) for k in self.order)),),
        )

    # ---- after the work ------------------------------------------------------------------------

    def after(self, work: bool) -> Step:
        plan, spec = self.plan, self.specification
        fret = spec.scale.reference_fret
        relief_fret, middle = relief_point(self.specification, self.lines)
        string, lowest = (
            int(i)
            for i in np.unravel_index(
                int(plan.crown_height_after_mm.argmin()), plan.crown_height_after_mm.shape
            )
        )
        rows = []
        for label, aim, limits in (
            (f"Action, fret {fret}", plan.action_after_mm, spec.target.action),
            ("First-fret gap", plan.first_fret_gap_after_mm, spec.target.first_fret_gap),
        ):
            cells = tuple(
                Cell(
                    self.amount(float(aim[k])),
                    f"{_figure(limits[k].minimum_mm, self.unit)}–"
                    f"{_figure(limits[k].maximum_mm, self.unit)}",
                )
                for k in self.order
            )
            rows += [Row(label, cells), Row("Read", kind="write")]
        readings = [
            self.relief_reading(
                f"Relief: gap at fret {relief_fret}, string {middle}", plan.crown_top_after_mm
            ),
            Reading(
                f"Least crown: fret {lowest + 1}, string {string + 1}",
                self.amount(float(plan.crown_height_after_mm[string, lowest])),
                f"at least {self.both(spec.fretwire.least_crown_height_mm)}",
            ),
            *self.crossings(),
        ]
        return Step(
            "After the work: tune, read, write down." if work else "Worth keeping: tune, read.",
            ("Strings at pitch. Large: aim; small below: limits.",),
            rows=tuple(rows),
            readings=tuple(readings),
        )

    def crossings(self) -> list[Reading]:
        """Return the gaps that hold the plan where it is, as many as there is room for."""
        plan = self.plan
        gap = rest_clearance_mm(
            self.lines, plan.nut_after_mm, plan.crown_top_after_mm, plan.saddle_after_mm
        )
        readings: dict[tuple[int, int, int], Reading] = {}
        for place, binding in _crossings(plan.binding):
            string, stop, fret = place
            if not (1 <= string <= len(gap) and 0 <= stop < fret <= self.specification.frets):
                continue
            position = f"stopped at {stop}" if stop else "open"
            readings[place] = Reading(
                f"String {string} {position}: over fret {fret}",
                self.amount(float(gap[string - 1, stop, fret])),
                "no less" if binding.limit == "clearance" else "",
            )
        return list(readings.values())[:CROSSINGS_TO_READ]


def _crossings(bindings: Sequence[Binding]) -> list[tuple[tuple[int, int, int], Binding]]:
    """Return string, stop and fret of what binds: one string of every limit, dearest limit first.

    Then the second string of every limit, and so on, so that a few readings see most limits.
    """
    ranked = [
        (place, -binding.price_mm_per_mm, number, ((string, stop, fret), binding))
        for number, binding in enumerate(bindings)
        if binding.limit == "clearance"
        and (stop := binding.stopped_fret) is not None
        and (fret := binding.fret) is not None
        for place, string in enumerate(binding.strings)
    ]
    return [crossing for *_, crossing in sorted(ranked, key=lambda entry: entry[:3])]


def _figure(length_mm: float, unit: LengthUnit) -> str:
    """Return the number of a length in a unit; what would round to nothing says so."""
    text = length_text(length_mm, unit).removesuffix(f" {unit}")
    if not text.strip("0.") and abs(length_mm) >= NOTHING_MM:
        return f"<{text[:-1]}1"
    return text
