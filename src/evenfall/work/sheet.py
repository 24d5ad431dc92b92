"""The bench sheet: what a technician does to one instrument, in order.

`bench_sheet` works everything out from a plan, as sentences and lengths without a unit;
`evenfall.pages` words them and sets them on paper or screen. Columns stand as the strings lie when
the instrument is seen from the front with the headstock up and fret 1 on top: from bass to treble
on a right-handed neck, from treble to bass on a left-handed one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from evenfall.instrument import string_lines
from evenfall.neck import default_bow
from evenfall.neck.bow import relief_point, straightedge_gap_mm
from evenfall.plan import METHODS
from evenfall.requirement import margin_share, whole_percent
from evenfall.strings.clearance import open_gap_mm, open_share, rest_clearance_mm
from evenfall.wording import Sentence, plain_line, sentence
from evenfall.work.cautions import Caution, cautions

if TYPE_CHECKING:
    from collections.abc import Sequence

    from evenfall.arrays import FloatArray
    from evenfall.instrument import Specification, StringLines
    from evenfall.plan import Binding, Plan

NOTHING_MM = 0.0005
"""Lengths under half a micrometre are nothing: no gauge at a bench shows them."""

HALFWAY_MM = 0.05
"""A crossing that loses more than this is measured at half: metal cannot be put back."""

FRETS_BETWEEN_CHECKS = 4
CROSSINGS_TO_READ = 6

Tone = Literal["nothing", "go", "relaxed", "stop"]


@dataclass(frozen=True, slots=True)
class Cell:
    """What a table says about one string.

    Parameters
    ----------
    length_mm
        The length [mm], or None where there is nothing to do.
    move
        "up" or "down" where the length is a change.
    limits_mm
        Lower and upper limit [mm], where the length is a target.
    halfway
        Whether to stop and measure at half of it.
    """

    length_mm: float | None
    move: Literal["", "up", "down"] = ""
    limits_mm: tuple[float, float] | None = None
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

    label: Sentence
    cells: tuple[Cell, ...] = ()
    kind: Literal["amounts", "write", "check"] = "amounts"
    sentences: tuple[Sentence, ...] = ()


@dataclass(frozen=True, slots=True)
class Target:
    """One reading to take and write down: what and where, what it should be [mm], its limits."""

    name: Sentence
    length_mm: float
    limits: Sentence | None = None


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
    targets
        What to read before going on.
    """

    heading: Sentence
    sentences: tuple[Sentence, ...]
    rows: tuple[Row, ...] = ()
    targets: tuple[Target, ...] = ()


@dataclass(frozen=True, slots=True)
class Banner:
    """What this sheet asks for, in one look, and what it rests on."""

    tone: Tone
    headline: Sentence
    sentences: tuple[Sentence, ...]


@dataclass(frozen=True, slots=True)
class Column:
    """The head of a table column: string number, pitch, gauge [mm], and the side, for the outer."""

    string: int
    name: str
    gauge_mm: float
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
    facts
        Pairs of label and value.
    banner
        What the sheet asks for.
    cautions
        What can hurt.
    columns
        Heads of every table, as the strings lie.
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
    facts: tuple[tuple[str, Sentence], ...]
    banner: Banner
    cautions: tuple[Caution, ...]
    columns: tuple[Column, ...]
    steps: tuple[Step, ...]
    after: Step
    invented: bool


def bench_sheet(specification: Specification, plan: Plan) -> BenchSheet:
    """Return the bench sheet of a plan.

    Parameters
    ----------
    specification
        The specification that the plan was made for, K strings over F frets.
    plan
        What to do.

    Examples
    --------
    >>> from importlib import resources
    >>> from evenfall.instrument import read_specification
    >>> from evenfall.levelling import make_plan
    >>> from evenfall.sheets import SheetFile, read_measurement
    >>> invented = resources.files("evenfall") / "invented"
    >>> text = (invented / "tesquil.spec.toml").read_text(encoding="utf-8")
    >>> specification, _ = read_specification(text)
    >>> name = "tesquil-before.csv"
    >>> file = SheetFile(name, (invented / name).read_bytes())
    >>> measurement, _ = read_measurement([file], specification, serial="UY-0417")
    >>> sheet = bench_sheet(specification, make_plan(specification, measurement, method="profile"))
    >>> sheet.banner.tone
    'go'
    """
    writer = _Writer(specification, plan)
    steps = writer.steps()
    serial = plain_line(plan.measurement.serial) or "no serial number"
    model = plain_line(specification.name)
    kind = plain_line(specification.kind)
    return BenchSheet(
        serial=serial,
        model=model,
        kind=kind,
        code=plan.code,
        facts=writer.facts(),
        banner=writer.banner(work=bool(steps)),
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
        after=writer.after(work=bool(steps)),
        invented="invented" in f"{serial} {model} {kind}".lower(),
    )


class _Writer:
    """Turns one plan into the parts of its sheet; holds what several of them need."""

    def __init__(self, specification: Specification, plan: Plan) -> None:
        before = plan.measurement
        self.specification = specification
        self.plan = plan
        self.lines: StringLines = string_lines(specification)
        self.order = range(specification.string_count)  # as they lie, see the module
        if specification.handed == "right":
            self.order = self.order[::-1]
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

    def row(self, label: Sentence, lengths_mm: FloatArray) -> Row:
        return Row(label, tuple(Cell(float(lengths_mm[k])) for k in self.order))

    def changes(self, label: str, changes_mm: FloatArray) -> Row:
        cells = []
        for k in self.order:
            change_mm = float(changes_mm[k])
            none = abs(change_mm) < NOTHING_MM
            cells.append(
                Cell(None) if none else Cell(abs(change_mm), "up" if change_mm > 0 else "down")
            )
        return Row(sentence(label), tuple(cells))

    def columns(self) -> tuple[Column, ...]:
        strings = self.specification.strings
        side = {strings[0].number: "treble", strings[-1].number: "bass"}
        return tuple(
            Column(
                strings[k].number,
                plain_line(strings[k].pitch) or f"{strings[k].frequency_hz:.1f} Hz",
                strings[k].gauge_mm,
                side.get(strings[k].number, ""),
            )
            for k in self.order
        )

    # ---- head ----------------------------------------------------------------------------------

    def facts(self) -> tuple[tuple[str, Sentence], ...]:
        spec, plan = self.specification, self.plan
        least, most = float(plan.attack_n.min()), float(plan.attack_n.max())
        attack = "{least:force}" if most - least < 0.005 else "{least:.2f} to {most:force}"
        size = "{strings:count string}, {frets:count fret}"
        return (
            ("Method", sentence(METHODS[plan.method])),
            ("Instrument", sentence(size, strings=spec.string_count, frets=spec.frets)),
            ("Design attack", sentence(attack, least=least, most=most)),
        )

    def banner(self, *, work: bool) -> Banner:
        plan = self.plan
        if plan.status != "optimal":
            return self.relaxed()
        if not work:
            headline = "Nothing to adjust or cut: every limit is met as found."
            if self.relief_outside:
                headline = "Nothing to adjust or cut: every limit but relief is met as found."
            return Banner("nothing", sentence(headline), (self.weakest(),))
        if not self.cuts_frets:
            headline = "Nothing to cut on the frets: adjusting is enough."
            return Banner("go", sentence(headline), (self.weakest(),))
        crossings = int((self.removal_mm >= NOTHING_MM).sum())
        metal = sentence("no metal off the other frets")
        if crossings:
            metal = sentence(
                "{metal:length} off {crossings:count crossing} of {touched:count fret}",
                metal=float(self.removal_mm.sum()),
                crossings=crossings,
                touched=len(self.touched),
            )
        text = "In all: {metal}."
        if plan.replaced_frets:
            text = "In all: new wire on {new:frets}; {metal}."
        said = sentence(text, new=plan.replaced_frets, metal=metal)
        return Banner("go", said, (self.weakest(),))

    def relaxed(self) -> Banner:
        """Say which limit is relaxed, and what could be relaxed instead."""
        plan = self.plan
        helping = [relaxation for relaxation in plan.relaxations if relaxation.helps]
        if plan.status == "infeasible":
            told = [relaxation.said for relaxation in helping if relaxation.limit == "together"]
            headline = "Not every limit can be met: agree on what to relax before any cut."
            return Banner("stop", sentence(headline), (*told, self.weakest()))
        headline = "Not every limit can be met: have the relaxation agreed before any cut."
        done, *others = [relaxation.said for relaxation in helping] or [sentence("Not stated.")]
        sentences = [sentence("This sheet assumes: {done}", done=done)]
        if others:
            text = "Any one of these would do instead: {others:sentences}"
            sentences.append(sentence(text, others=others))
        return Banner("relaxed", sentence(headline), (*sentences, self.weakest()))

    def weakest(self) -> Sentence:
        """Say how far the weakest position is from buzzing, as found and planned."""
        plan, player_n = self.plan, np.array(self.specification.player.attack_n)

        def weakest(buzz_force_n: FloatArray) -> tuple[int, int, int]:
            force = np.where(np.isfinite(buzz_force_n), buzz_force_n, np.inf)
            share = margin_share(force, player_n)
            string, stop = np.unravel_index(int(share.argmin()), share.shape)
            return whole_percent(float(share.min())), int(string) + 1, int(stop)

        was, _, _ = weakest(plan.buzz_force_before_n)
        now, string, stop = weakest(plan.buzz_force_after_n)
        text = "{string:strings} stopped at fret {stop}" if stop else "{string:strings} open"
        place = sentence(text, string=string, stop=stop)
        if not player_n.any():
            force_n = float(plan.buzz_force_after_n[string - 1, stop])
            text = "Weakest: {place}, clear up to {force:force}."
            return sentence(text, place=place, force=force_n)
        text = "Weakest: {place}, clear up to {now:percent} of the player's attack."
        if was != now:
            text = (
                "Weakest: {place}, clear up to {now:percent} of the player's attack (as found: "
                "{was:percent})."
            )
        return sentence(text, place=place, now=now, was=was)

    # ---- the work ------------------------------------------------------------------------------

    def steps(self) -> tuple[Step, ...]:
        steps = (self.wire(), self.rod(), self.saddle(), self.frets(), self.nut())
        return tuple(step for step in steps if step is not None)

    def wire(self) -> Step | None:
        """Return the step of new wire: first, as what is read later is read over new crowns."""
        plan, spec = self.plan, self.specification
        if not plan.replaced_frets:
            return None
        height_mm = spec.fretwire.crown_height_mm
        ends = sentence("Seat it fully, trim and round the ends, let glue set before going on.")
        if plan.method != "refret":
            told = sentence(
                "Take the strings off. Wire with crown height {height:length}.", height=height_mm
            )
            heading = sentence("New wire: {new:frets}.", new=plan.replaced_frets)
            return Step(heading, (told, ends))
        remarks = [r.remark for r in plan.methods if r.method == "refret" and r.remark is not None]
        plane = sentence("Plane the board straight to its radius, no more than makes it whole.")
        for remark in remarks[:1]:
            text = "Plane the board straight to its radius, no more than makes it whole; {remark}."
            plane = sentence(text, remark=remark)
        off = "Take the strings and all frets off."
        if spec.neck.truss_rod:
            off = "Take the strings and all frets off, and the relief out with the rod."
        return Step(
            sentence("Board and new wire."),
            (
                sentence(off),
                plane,
                sentence("New wire on every fret, crown height {height:length}.", height=height_mm),
                ends,
            ),
        )

    def rod(self) -> Step | None:
        if not self.turns_rod:
            return None
        change_mm = self.plan.relief_change_mm
        fret, string = relief_point(self.specification, self.lines)
        sentences = [
            sentence(
                "In small steps, as the rod's maker says. Measure tuned to pitch: gap at fret "
                "{fret}, straightedge over frets 1 and {last} on the line of string {string}.",
                fret=fret,
                last=self.specification.frets,
                string=string,
            )
        ]
        turns, turns_u = self.plan.outlook.rod_turns_count, self.plan.outlook.rod_turns_u_count
        if np.isfinite(turns):
            text = "As this rod was measured: {turns:.2f} turns ± {u:.2f}."
            sentences.insert(0, sentence(text, turns=abs(turns), u=2.0 * turns_u))
        if self.cuts_frets:
            sentences.append(
                sentence(
                    "If it is outside the limits, measure everything again and make a new plan."
                )
            )
        heading = "Truss rod: loosen, {change:length} more relief."
        if change_mm < 0.0:
            heading = "Truss rod: tighten, {change:length} less relief."
        elif self.plan.method == "refret":
            heading = "Truss rod: loosen, {change:length} more relief from straight."
        if change_mm < 0.0 and self.plan.method == "refret":
            heading = "Truss rod: tighten, {change:length} less relief from straight."
        target = self.relief_target(sentence("Gap at fret {fret}", fret=fret), self.top_uncut_mm)
        return Step(sentence(heading, change=abs(change_mm)), tuple(sentences), targets=(target,))

    def relief_target(self, name: Sentence, top_mm: FloatArray) -> Target:
        """Return what the gap at the relief point reads, and what the limits of relief make it.

        One fret may stand off the smooth bow that relief is worked out from, so the limits follow:
        the gap moves with the bow, from what it is when the relief is as planned.
        """
        relief, planned_mm = self.specification.target.relief, self.plan.relief_after_mm
        fret, string = relief_point(self.specification, self.lines)
        place = (string - 1, fret - 1)
        aim_mm = float(straightedge_gap_mm(self.lines, top_mm)[place])
        shape = default_bow(self.specification, self.lines).frets
        per_mm = float(straightedge_gap_mm(self.lines, shape)[place])
        limits = sentence(
            "{low:figure} to {high:length}",
            low=aim_mm + per_mm * (relief.minimum_mm - planned_mm),
            high=aim_mm + per_mm * (relief.maximum_mm - planned_mm),
        )
        return Target(name, aim_mm, limits)

    def saddle(self) -> Step | None:
        if not (np.abs(self.saddle_change_mm) >= NOTHING_MM).any():
            return None
        plan, fret = self.plan, self.specification.scale.reference_fret
        share = float(open_share(self.lines, fret).mean())
        now = open_gap_mm(
            self.lines, plan.measurement.nut_mm, self.top_uncut_mm, plan.saddle_after_mm, fret
        )
        text = "Moving the saddle by 1.00 changes the gap over fret {fret} by {share:.2f}."
        moving = [sentence(text, fret=fret, share=share)]
        if self.cuts_frets:
            moving.append(sentence("Tune, then read the gap there, before any fret is cut."))
        else:
            moving.append(sentence("Tune, then read the gap there."))
        return Step(
            sentence("Saddle: change in height."),
            tuple(moving),
            rows=(
                self.changes("Change", self.saddle_change_mm),
                self.row(sentence("Then, fret {fret}", fret=fret), now),
            ),
        )

    def frets(self) -> Step | None:
        if not self.touched:
            return None
        how = self.how()
        sentences = [
            sentence(how),
            sentence("Off the top of the crown, on the string's own line."),
            sentence("Checks: crown height, and a short straightedge over three frets."),
        ]
        if (self.removal_mm > HALFWAY_MM).any():
            text = "½: over {half:length}; take half, measure, then the rest."
            sentences.append(sentence(text, half=HALFWAY_MM))
        least_mm = self.specification.fretwire.least_crown_height_mm
        text = "Leave a crown height of at least {least:length}."
        sentences.append(sentence(text, least=least_mm))
        return Step(
            sentence("Frets: metal to remove under each string."),
            tuple(sentences),
            rows=self.removal_rows(),
        )

    def how(self) -> str:
        if self.plan.method == "spot":
            return "Loosen the strings. Work on these frets only; re-crown each."
        if self.plan.method != "beam":
            return "Loosen the strings. Each crossing by its own amount; re-crown each fret."
        if not self.specification.neck.truss_rod:
            return (
                "Take the strings off. Level with a straight beam of the board's radius until no "
                "more than this is gone; re-crown."
            )
        return (
            "Take the strings off, and the relief out with the rod. Level with a straight beam of "
            "the board's radius until no more than this is gone; re-crown; set the rod back."
        )

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
            Cell(float(cut[k]), halfway=bool(cut[k] > HALFWAY_MM))
            if cut[k] >= NOTHING_MM
            else Cell(None)
            for k in self.order
        ]
        return Row(sentence("{fret}", fret=fret), tuple(cells))

    def check(self, group: list[int], waiting: set[int]) -> Row:
        """Return where to stop after a group of frets: crown left, and what must not rock."""
        cut = self.removal_mm[:, np.array(group) - 1]
        string, place = (int(i) for i in np.unravel_index(int(cut.argmax()), cut.shape))
        fret = group[place]
        taken = float(cut[string, place])
        left = float(self.plan.crown_height_after_mm[string, fret - 1])
        text = "Crown at fret {fret}, string {string}: {left:length} when done."
        if taken > HALFWAY_MM:
            text = (
                "Crown at fret {fret}, string {string}: {half:figure} at half, {left:length} when "
                "done."
            )
        sentences = [
            sentence(text, fret=fret, string=string + 1, half=left + 0.5 * taken, left=left)
        ]
        middles = [
            f
            for f in range(2, self.specification.frets)
            if {f - 1, f, f + 1} & set(group) and not {f - 1, f, f + 1} & waiting
        ]
        if middles:
            sentences.append(self.rocking(middles))
        return Row(sentence("Check"), kind="check", sentences=tuple(sentences))

    def rocking(self, middles: list[int]) -> Sentence:
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
        if not proud:
            return sentence("No rocking on {middles:frets}.", middles=middles)
        over_mm, fret, string = max(proud)
        return sentence(
            "Rocking on {middles:frets}: {over:length} at fret {fret}, string {string}, is "
            "intended; no more.",
            middles=middles,
            over=over_mm,
            fret=fret,
            string=string,
        )

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
            sentence("Nut slots: change in depth."),
            tuple(sentence(told) for told in sentences),
            rows=(self.changes("Floor", change),),
        )

    # ---- after the work ------------------------------------------------------------------------

    def after(self, *, work: bool) -> Step:
        plan, spec = self.plan, self.specification
        fret, middle = relief_point(spec, self.lines)
        crown = plan.crown_height_after_mm
        string, lowest = (int(i) for i in np.unravel_index(int(crown.argmin()), crown.shape))
        action = sentence("Action, fret {fret}", fret=spec.scale.reference_fret)
        rows = []
        for label, aim, limits in (
            (action, plan.action_after_mm, spec.target.action),
            (sentence("First-fret gap"), plan.first_fret_gap_after_mm, spec.target.first_fret_gap),
        ):
            cells = tuple(
                Cell(float(aim[k]), limits_mm=(limits[k].minimum_mm, limits[k].maximum_mm))
                for k in self.order
            )
            rows += [Row(label, cells), Row(sentence("Read"), kind="write")]
        relief = sentence("Relief: gap at fret {fret}, string {string}", fret=fret, string=middle)
        targets = [
            self.relief_target(relief, plan.crown_top_after_mm),
            Target(
                sentence(
                    "Lowest crown: fret {fret}, string {string}", fret=lowest + 1, string=string + 1
                ),
                float(crown[string, lowest]),
                sentence("at least {least:length}", least=spec.fretwire.least_crown_height_mm),
            ),
            *self.crossings(),
        ]
        heading = "Worth keeping: tune, read."
        if work:
            heading = "After the work: tune, read, write down."
        told = "Strings at pitch. Large figure: target. Small figures: limits."
        return Step(sentence(heading), (sentence(told),), rows=tuple(rows), targets=tuple(targets))

    def crossings(self) -> list[Target]:
        """Return the gaps that hold the plan where it is, as many as there is room for."""
        plan = self.plan
        gap = rest_clearance_mm(
            self.lines, plan.nut_after_mm, plan.crown_top_after_mm, plan.saddle_after_mm
        )
        targets: dict[tuple[int, int, int], Target] = {}
        for place in _crossings(plan.binding):
            string, stop, fret = place
            if not (1 <= string <= len(gap) and 0 <= stop < fret <= self.specification.frets):
                continue
            text = "String {string} open: over fret {fret}"
            if stop:
                text = "String {string} stopped at {stop}: over fret {fret}"
            name = sentence(text, string=string, stop=stop, fret=fret)
            length_mm = float(gap[string - 1, stop, fret])
            targets[place] = Target(name, length_mm, sentence("no less"))
        return list(targets.values())[:CROSSINGS_TO_READ]


def _crossings(bindings: Sequence[Binding]) -> list[tuple[int, int, int]]:
    """Return string, stop and fret of what binds: one string of every limit, dearest limit first.

    Then the second string of every limit, and so on, so that a few readings see most limits.
    """
    ranked = [
        (place, -binding.price_mm_per_mm, number, (string, stop, fret))
        for number, binding in enumerate(bindings)
        if binding.limit == "clearance"
        and (stop := binding.stopped_fret) is not None
        and (fret := binding.fret) is not None
        for place, string in enumerate(binding.strings)
    ]
    return [crossing for *_, crossing in sorted(ranked)]
