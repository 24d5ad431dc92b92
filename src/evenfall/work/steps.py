"""The steps of a plan, in the order in which they are done, with what to read at each."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.instrument import Specification, StringLines, string_lines
from evenfall.measurement.heights import Origin
from evenfall.neck import default_bow
from evenfall.neck.bow import relief_point, straightedge_gap_mm
from evenfall.plan import Plan
from evenfall.plan.limits import LimitReached
from evenfall.strings.clearance import open_gap_mm, open_share, rest_clearance_mm
from evenfall.wording import Sentence, sentence
from evenfall.work.notes import COARSE_U_MM, room
from evenfall.work.parts import NOTHING_MM, Cell, Row, Step, Target

HALFWAY_MM = 0.05
"""A crossing that loses more than this is measured at half: metal cannot be put back."""

FAR_MM = 0.1
"""Relief that moved by this much may be the weather's (our judgement, no source) [mm]."""
_ALIKE_MM = 0.005  # two figures of one relief nearer to each other are not worth a sentence
LEANS_MM = 0.4
"""A saddle that has to move by so much more on one side than on the other may not stand level."""
FRETS_BETWEEN_CHECKS = 4
CROSSINGS_TO_READ = 6
STOPPED: dict[str, tuple[str, str]] = {
    "read-again": ("Read again.", "First what is named above; then make the plan again."),
    "misfit": (
        "Agree first, then plan again.",
        "Other targets or a lighter attack have to be agreed on; nothing is set or cut before.",
    ),
    "short": (
        "Plan again by another method.",
        "This one leaves notes that fail; nothing is set or cut by it.",
    ),
}
"""By status of a plan that nothing is done by: what to do instead, and why."""
_SETTLE = (
    "Let it settle, tune, read again.",
    "Leave it at pitch until two readings of the relief agree. Then read everything again and "
    "make a new plan; the second sheet comes from it.",
)
_TUNE = (
    "Tune, read again.",
    "Read everything again and make a new plan; the second sheet comes from it.",
)
_CONFIRM = (
    "Read a second time.",
    "Read everything from the start: if that agrees, it confirms the plan.",
)
_ORDER = (
    "Read in the order of the empty sheet: action of the outer strings by hand, relief by "
    "straightedge, every height over one fixed datum, the first crown again."
)
_AS_BEFORE = "Read in the same way as before, with the same tools."
_AT_PITCH = "Strings at pitch. Large figure: expected. Small figures: limits, ! if outside."


class Steps:
    """Turns one plan into steps; holds what several of them need."""

    def __init__(self, specification: Specification, plan: Plan) -> None:
        before = plan.measurement
        self.specification = specification
        self.plan = plan
        self.lines: StringLines = string_lines(specification)
        self.relief_over = specification.target.relief_over
        self.order = range(specification.string_count)  # as they lie, see the module
        if specification.handed == "right":
            self.order = self.order[::-1]
        self.removal_mm: FloatArray = np.where(
            np.isfinite(plan.removal_mm), np.maximum(plan.removal_mm, 0.0), 0.0
        )
        self.nut_change_mm = plan.nut_after_mm - before.nut_mm
        self.saddle_change_mm = plan.saddle_after_mm - before.saddle_mm
        self.turns_rod = abs(plan.relief_change_mm) >= NOTHING_MM
        self.touched = [int(f) + 1 for f in np.flatnonzero((self.removal_mm >= NOTHING_MM).any(0))]
        self.cuts_frets = bool(self.touched or plan.replaced_frets)
        self.moves_saddle = bool((np.abs(self.saddle_change_mm) >= NOTHING_MM).any())
        # metal waits for a reading; so do the slots, which are filed with rod and saddle in place
        self.waits = plan.cuts_wait
        # what gaps are judged over, with the rod set as planned and nothing cut
        self.level_uncut_mm: FloatArray = plan.level_after_mm
        if not plan.replaced_frets:
            self.level_uncut_mm = plan.level_mm + plan.relief_change_mm * plan.bow_mm_per_mm
        # before any cut, with the rod set as planned; a new fret stands where its wire puts it
        self.top_uncut_mm: FloatArray = plan.crown_top_after_mm + self.removal_mm

    def _row(self, label: Sentence, lengths_mm: FloatArray) -> Row:
        return Row(label, tuple(Cell(float(lengths_mm[k])) for k in self.order))

    def _moves(self, changes_mm: FloatArray) -> tuple[Cell, ...]:
        cells = []
        for k in self.order:
            change_mm = float(changes_mm[k])
            none = abs(change_mm) < NOTHING_MM
            cells.append(
                Cell(None) if none else Cell(abs(change_mm), "up" if change_mm > 0 else "down")
            )
        return tuple(cells)

    @property
    def _reading_order(self) -> str:
        """How the next reading is taken: over a datum as the empty sheet asks, else as before."""
        before = self.plan.measurement
        by_hand = before.scanned is None and (before.heights.origin[:, 1:-1] == Origin.READ).any()
        return _ORDER if by_hand else _AS_BEFORE

    # ---- the work ------------------------------------------------------------------------------

    def work(self) -> tuple[Step, ...]:
        """Return what is to be done from this sheet."""
        if self.plan.status in STOPPED:
            return ()
        steps = [self._lift(), self._rod(), self._saddle()]
        if not self.waits:
            steps = [self._wire(), *steps, self._rocker(), self._frets(), self._nut()]
        return tuple(step for step in steps if step is not None)

    def preview(self) -> tuple[Step, ...]:
        """Return what is planned so far and waits for another reading: headings and figures."""
        if self.plan.misread:
            return ()
        steps = [self._wire(), self._frets(), self._nut()] if self.waits else []
        if self.plan.status in STOPPED:
            steps = [self._rod(), self._saddle(), *steps]
        return tuple(
            Step(step.heading, (), tuple(row for row in step.rows if row.kind != "check"))
            for step in steps
            if step is not None
        )

    def _wire(self) -> Step | None:
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

    def _lift(self) -> Step | None:
        """Return the step of low frets, which are lifted rather than the others ground."""
        if self.plan.status != "lift":
            return None
        lifted_mm = self.plan.lifted_mm
        frets = [int(f) + 1 for f in np.flatnonzero((lifted_mm >= NOTHING_MM).any(axis=0))]
        told = (
            "Take the strings off. Bring each up to what stands here, glue it, let the glue set; "
            "one that does not come up gets new wire.",
        )
        return Step(
            sentence("Low frets: lift or re-seat {frets:frets}.", frets=frets),
            tuple(sentence(one) for one in told),
            rows=tuple(
                Row(sentence("{fret}", fret=fret), self._moves(lifted_mm[:, fret - 1]))
                for fret in frets
            ),
        )

    def _rod(self) -> Step | None:
        if not self.turns_rod:
            return None
        change_mm = self.plan.relief_change_mm
        fret, string = relief_point(self.specification, self.lines)
        sentences = [
            sentence(
                "In small steps, as the rod's maker says. Measure tuned to pitch: gap at fret "
                "{fret}, straightedge over frets {over:list} on the line of string {string}.",
                fret=fret,
                over=self.relief_over,
                string=string,
            )
        ]
        turns, turns_u = self.plan.outlook.rod_turns_count, self.plan.outlook.rod_turns_u_count
        if np.isfinite(turns):
            text = "As this rod was measured: {turns:.2f} turns ± {u:.2f}."
            sentences.insert(0, sentence(text, turns=abs(turns), u=2.0 * turns_u))
        if abs(change_mm) >= FAR_MM:  # common practice, no source
            told = (
                "If the instrument stood in damp or dry air, let it rest in usual air first and "
                "read the relief again."
            )
            sentences.insert(0, sentence(told))
        sentences += self._gap_and_bow(self.top_uncut_mm)
        sentences += room(self.plan.misses, "rod")
        if self.cuts_frets and not self.waits:
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
        name = sentence("Gap at fret {fret}", fret=fret)
        target = self._relief_target(name, self.top_uncut_mm, as_set=True)
        return Step(sentence(heading, change=abs(change_mm)), tuple(sentences), targets=(target,))

    def relief_aim_mm(
        self, top_mm: FloatArray, *, as_set: bool = False
    ) -> tuple[float, float, float]:
        """Return what the gap at the relief point reads, and what the limits of relief make it.

        One fret may stand off the smooth bow that relief is worked out from, so the limits follow:
        the gap moves with the bow, from what it is when the relief is as planned. As the rod is
        set, it may miss the plan only until a requirement breaks.
        """
        relief, planned_mm = self.specification.target.relief, self.plan.relief_after_mm
        rod = [miss for miss in self.plan.misses if miss.setting == "rod" and as_set]
        less_mm = min((miss.less_mm for miss in rod), default=np.inf)
        more_mm = min((miss.more_mm for miss in rod), default=np.inf)
        fret, string = relief_point(self.specification, self.lines)
        place = (string - 1, fret - 1)
        aim_mm = float(straightedge_gap_mm(self.lines, top_mm, self.relief_over)[place])
        shape = default_bow(self.specification, self.lines).frets
        per_mm = float(straightedge_gap_mm(self.lines, shape, self.relief_over)[place])
        return (
            aim_mm,
            aim_mm + per_mm * max(relief.minimum_mm - planned_mm, -less_mm),
            aim_mm + per_mm * min(relief.maximum_mm - planned_mm, more_mm),
        )

    def _gap_and_bow(self, top_mm: FloatArray) -> list[Sentence]:
        """Say which relief a reading at one fret stands for, where the two figures differ."""
        gap_mm, relief_mm = self.relief_aim_mm(top_mm)[0], self.plan.relief_after_mm
        if abs(gap_mm - relief_mm) < _ALIKE_MM:
            return []
        return [sentence("The planned gap is a relief of {relief:length}.", relief=relief_mm)]

    def _relief_target(self, name: Sentence, top_mm: FloatArray, *, as_set: bool = False) -> Target:
        aim_mm, low_mm, high_mm = self.relief_aim_mm(top_mm, as_set=as_set)
        inside = low_mm - NOTHING_MM <= aim_mm <= high_mm + NOTHING_MM
        text = "{low:figure} to {high:length}" if inside else "! {low:figure} to {high:length}"
        return Target(name, aim_mm, sentence(text, low=low_mm, high=high_mm))

    def _saddle(self) -> Step | None:
        if not self.moves_saddle:
            return None
        fret = self.specification.scale.reference_fret
        share = float(open_share(self.lines, fret).mean())
        text = "Moving the saddle by 1.00 changes the gap over fret {fret} by {share:.2f}."
        moving = [sentence(text, fret=fret, share=share)]
        if self._saddle_leans():  # common practice, no source
            told = (
                "The changes grow evenly from one side to the other: first look whether saddle and "
                "bridge stand level and fit."
            )
            moving.insert(0, sentence(told))
        moving += room(self.plan.misses, "saddle")
        if self.cuts_frets:
            moving.append(sentence("Tune, then read the gap there, before any fret is cut."))
        else:
            moving.append(sentence("Tune, then read the gap there."))
        return Step(
            sentence("Saddle: change in height."),
            tuple(moving),
            rows=(
                Row(sentence("Change"), self._moves(self.saddle_change_mm)),
                self._row(sentence("Then, fret {fret}", fret=fret), self.gap_uncut_mm(fret)),
            ),
        )

    def _saddle_leans(self) -> bool:
        """Say whether the saddle moves like one that leans: evenly from string to string."""
        change, place = self.saddle_change_mm, np.arange(len(self.saddle_change_mm))
        slope, start = np.polyfit(place, change, 1)
        off = np.abs(change - (start + slope * place)).max()
        return bool(abs(slope) * place[-1] >= LEANS_MM and off <= 0.2 * abs(slope) * place[-1])

    def gap_uncut_mm(self, fret: int) -> FloatArray:
        """Return what the open strings clear a fret by, with rod and saddle set and nothing cut.

        A fret that stands out from the level line is read as it stands.
        """
        out_mm = self.plan.stands_out_after_mm
        if not self.plan.replaced_frets:
            out_mm = self.plan.stands_out_mm
        return self._gap_set_mm(self.level_uncut_mm + out_mm, fret)

    def _gap_set_mm(self, over_mm: FloatArray, fret: int) -> FloatArray:
        plan = self.plan
        nut_mm, saddle_mm = plan.measurement.nut_mm, plan.saddle_after_mm
        return open_gap_mm(self.lines, nut_mm, over_mm, saddle_mm, fret)

    def _rocker(self) -> Step | None:
        """Return what a rocker has to show before a fret is filed: last look at the right fret."""
        targets = []
        for rock in self.plan.rocker:
            low_mm = rock.shows_mm - rock.band_mm
            targets.append(
                Target(
                    sentence(
                        "Fret {fret}: over {over:frets}, string {string}",
                        fret=rock.fret,
                        over=rock.over,
                        string=rock.string,
                    ),
                    rock.shows_mm,
                    sentence(
                        "{low:figure} to {high:length}",
                        low=max(low_mm, rock.least_mm) if np.isfinite(rock.least_mm) else low_mm,
                        high=rock.shows_mm + rock.band_mm,
                    ),
                )
            )
        if not targets:
            return None
        told = (
            # common practice, no source
            "First press and tap the fret, and look for a gap under it: if it is loose or not "
            "home, seat it and read again; do not file.",
            "Then read how far its crown stands over the line of the other two, with all settings "
            "made and strings on. If the rocker rocks, press one end down, read the gap under the "
            "other and halve it. If not, read the gap under the middle and write a minus.",
            "If a reading is outside its limits, do not file: look for a wrong fret or string, "
            "strings counted from the wrong side, a misreading or another instrument.",
        )
        return Step(
            sentence("Rocker, before any fret is filed."),
            tuple(sentence(one) for one in told),
            targets=tuple(targets),
        )

    def _frets(self) -> Step | None:
        if not self.touched:
            return None
        how = self._how()
        sentences = [
            sentence(how),
            sentence("Amounts are at the top of the crown."),
            sentence("Check crown height, and lay a short straightedge over three frets."),
        ]
        if (self.removal_mm > HALFWAY_MM).any():
            text = "½: more than {half:length}. Take off half, measure, then take off the rest."
            sentences.append(sentence(text, half=HALFWAY_MM))
        least_mm = self.specification.fretwire.least_crown_height_mm
        text = "Leave a crown height of at least {least:length}."
        sentences.append(sentence(text, least=least_mm))
        sentences += room(self.plan.misses, "file")
        return Step(
            sentence("Frets: metal to remove under each string."),
            tuple(sentences),
            rows=self._removal_rows(),
        )

    def _how(self) -> str:
        if self.plan.method == "profile":
            return (
                "Take the strings off. Each crossing to its own height by machine, set up as its "
                "manual says; re-crown each fret."
            )
        if self.plan.method != "beam":
            return (
                "Loosen the strings. File these frets only, under each string by its own amount; "
                "re-crown each."
            )
        if not self.specification.neck.truss_rod:
            return (
                "Take the strings off. Level with a straight beam of the board's radius until no "
                "more than this is gone; re-crown."
            )
        return (
            "Take the strings off, and the relief out with the rod. Level with a straight beam of "
            "the board's radius until no more than this is gone; re-crown; set the rod back."
        )

    def _removal_rows(self) -> tuple[Row, ...]:
        rows: list[Row] = []
        count = max(1, round(len(self.touched) / FRETS_BETWEEN_CHECKS))
        groups = [[int(f) for f in group] for group in np.array_split(self.touched, count)]
        for number, group in enumerate(groups):
            rows.extend(self._removal_row(fret) for fret in group)
            waiting = {f for later in groups[number + 1 :] for f in later}
            rows.append(self._check(group, waiting))
        return tuple(rows)

    def _removal_row(self, fret: int) -> Row:
        cut = self.removal_mm[:, fret - 1]
        cells = [
            Cell(float(cut[k]), halfway=bool(cut[k] > HALFWAY_MM))
            if cut[k] >= NOTHING_MM
            else Cell(None)
            for k in self.order
        ]
        return Row(sentence("{fret}", fret=fret), tuple(cells))

    def _check(self, group: list[int], waiting: set[int]) -> Row:
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
            sentences.append(self._rocking(middles))
        return Row(sentence("Check"), kind="check", sentences=tuple(sentences))

    def _rocking(self, middles: list[int]) -> Sentence:
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
            return sentence(
                "Rocker with its middle on {middles:frets}: no rocking.", middles=middles
            )
        over_mm, fret, string = max(proud)
        return sentence(
            "Rocker with its middle on {middles:frets}: no rocking, but for up to {over:length} at "
            "fret {fret}, string {string}.",
            middles=middles,
            over=over_mm,
            fret=fret,
            string=string,
        )

    def _nut(self) -> Step | None:
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
            (*(sentence(told) for told in sentences), *room(self.plan.misses, "nut")),
            rows=(Row(sentence("Floor"), self._moves(change)),),
        )

    # ---- after the work ------------------------------------------------------------------------

    def after(self) -> Step:
        """Return what to read when the work is done, or at once if there is none."""
        plan, spec = self.plan, self.specification
        crown = plan.crown_height_after_mm
        string, lowest = (int(i) for i in np.unravel_index(int(crown.argmin()), crown.shape))
        targets = (
            self._relief_at(plan.crown_top_after_mm),
            Target(
                sentence(
                    "Lowest crown: fret {fret}, string {string}", fret=lowest + 1, string=string + 1
                ),
                float(crown[string, lowest]),
                sentence("at least {least:length}", least=spec.fretwire.least_crown_height_mm),
            ),
            *self._crossings(),
        )
        heading = (
            "After the work: tune, read, write down."
            if self.work()
            else "For the record: tune, read, write down."
        )
        sentences = [sentence(_AT_PITCH), sentence(self._reading_order)]
        u_mm = float(np.nanmedian(plan.measurement.heights.crown_top_u_mm))
        if u_mm > COARSE_U_MM:
            text = (
                "The readings are known to {u:length} only: play every note at the player's attack "
                "before it leaves."
            )
            sentences.append(sentence(text, u=u_mm))
        if not self.turns_rod:
            sentences += self._gap_and_bow(plan.crown_top_after_mm)
        rows = self._settings_to_read(plan.action_after_mm, plan.first_fret_gap_after_mm)
        return Step(sentence(heading), tuple(sentences), rows, targets)

    def read_again(self) -> Step:
        """Return the reading, or the choice, that the rest waits for."""
        plan, relief = self.plan, self.specification.target.relief
        if plan.status in STOPPED:
            heading, told = STOPPED[plan.status]
            rows = self._settings_to_read(plan.action_before_mm, plan.first_fret_gap_before_mm)
            limits = sentence(
                "{low:figure} to {high:length}", low=relief.minimum_mm, high=relief.maximum_mm
            )
            targets = (Target(sentence("Relief"), plan.relief_before_mm, limits),)
            shown = "Large figure: as first read. Small figures: limits, ! if outside."
        else:
            heading, told = _SETTLE if self.turns_rod else _TUNE
            if plan.status == "ask":
                heading, told = _CONFIRM
            fret = self.specification.scale.reference_fret
            action, first = (self._gap_set_mm(self.level_uncut_mm, one) for one in (fret, 1))
            rows = self._settings_to_read(action, first)
            targets = (self._relief_at(self.top_uncut_mm),)
            shown = _AT_PITCH
        sentences = [sentence(one) for one in (told, shown, self._reading_order)]
        if plan.status not in STOPPED:
            sentences[2:2] = self._cured_later(rows)
            if not self.turns_rod:
                sentences += self._gap_and_bow(self.top_uncut_mm)
        return Step(sentence(heading), tuple(sentences), rows, targets)

    def _cured_later(self, rows: tuple[Row, ...]) -> list[Sentence]:
        """Name the gaps that are outside their limits only until the preview is done."""
        known = {(one.limit, k) for one in self.plan.left_out for k in one.strings}
        said = []
        for row, limit, what in (
            (rows[0], "action", "Action"),
            (rows[2], "first-fret-gap", "First-fret gap"),
        ):
            strings = [
                k + 1
                for k, cell in zip(self.order, row.cells, strict=True)
                if cell.outside and (limit, k + 1) not in known
            ]
            if strings:
                text = (
                    "{what} of {on:strings} is outside its limits until what the preview shows is "
                    "done: do not correct it now."
                )
                said.append(sentence(text, what=sentence(what), on=tuple(sorted(strings))))
        return said

    def _settings_to_read(self, action_mm: FloatArray, first_gap_mm: FloatArray) -> tuple[Row, ...]:
        """Return the rows of action and first-fret gap: what to expect, limits, room to write."""
        target, rows = self.specification.target, []
        action = sentence("Action, fret {fret}", fret=self.specification.scale.reference_fret)
        for label, expected_mm, limits in (
            (action, action_mm, target.action),
            (sentence("First-fret gap"), first_gap_mm, target.first_fret_gap),
        ):
            cells = tuple(
                Cell(float(expected_mm[k]), limits_mm=(limits[k].minimum_mm, limits[k].maximum_mm))
                for k in self.order
            )
            rows += [Row(label, cells), Row(sentence("Read"), kind="write")]
        return tuple(rows)

    def _relief_at(self, top_mm: FloatArray) -> Target:
        """Return the reading of relief with crown tops as given."""
        fret, string = relief_point(self.specification, self.lines)
        text = "Relief: gap at fret {fret}, string {string}"
        first, last = self.relief_over
        if (first, last) != (1, self.specification.frets):
            text = "Relief: gap at fret {fret} between {first} and {last}, string {string}"
        name = sentence(text, fret=fret, string=string, first=first, last=last)
        return self._relief_target(name, top_mm)

    def _crossings(self) -> list[Target]:
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
            least = sentence("at least {least:length}", least=length_mm)
            targets[place] = Target(name, length_mm, least)
        return list(targets.values())[:CROSSINGS_TO_READ]


def _crossings(bindings: Sequence[LimitReached]) -> list[tuple[int, int, int]]:
    """Return string, stop and fret of the clearances that cuts are made for, least room first."""
    return [
        (binding.strings[0], stop, fret)
        for binding in bindings
        if binding.limit == "clearance"
        and (stop := binding.stopped_fret) is not None
        and (fret := binding.fret) is not None
    ]
