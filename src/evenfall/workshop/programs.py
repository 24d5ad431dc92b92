"""The use cases "program" and "check_program": a plan cut by a machine, and any program judged.

A program is written only after it was read back and cut virtually without a fault.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any, get_args

from evenfall.codec import plain, with_words
from evenfall.errors import At, Finding, ProgramError, Progress, RequestError, silent
from evenfall.instrument import string_lines
from evenfall.neck import neck_model
from evenfall.wording import LIBRARY_WORDS, sentence
from evenfall.work.cautions import machine_cautions
from evenfall.work.crown_lines import (
    CUT_MM,
    Lie,
    StringState,
    Workpiece,
    lie_by_touch,
    workpiece,
)
from evenfall.work.descriptions import MATERIALS, Fixture, Machine, Parts
from evenfall.work.emit import Header, emit, plain_ascii
from evenfall.work.part_lines import CUTS, cuts_of, with_parts
from evenfall.work.part_paths import part_passes
from evenfall.work.program_check import (
    Setting,
    cut_faults,
    lift_findings,
    program_faults,
    simulated_measurement,
    stated_lift_mm,
    summary,
)
from evenfall.work.program_warnings import program_warnings
from evenfall.work.simulation import Patch, patches_of, simulate
from evenfall.work.toolpath import Pass, fret_cutter, fret_passes, seconds
from evenfall.work.trace import Traced, trace
from evenfall.workshop.describing import described
from evenfall.workshop.opening import Source, open_another, open_plan
from evenfall.workshop.outputs import drawn

if TYPE_CHECKING:
    from evenfall.instrument import Specification
    from evenfall.measurement import Measurement
    from evenfall.pictures.inks import Theme
    from evenfall.plan import Plan
    from evenfall.proof import Proof
    from evenfall.units import LengthUnit
    from evenfall.work.cautions import Caution
    from evenfall.work.descriptions import Cutter

PROGRAM_LIMIT_BYTES = 40_000_000
"""No program of ours comes near this."""


@dataclass(frozen=True, slots=True)
class MachineRequest:
    """Which machine cuts, with what, and how the instrument lies on it.

    Parameters
    ----------
    machine, cutters
        Descriptions of the machine and of its cutters.
    fixture
        Description of the fixture; without it clamps and the ends of travel are not judged.
    material
        What the frets are made of, one of `evenfall.work.descriptions.MATERIALS`.
    state
        "unstrung", or "strung": at pitch, or with the strings' pull simulated.
    touched_mm
        Where three crown tops were found on the machine, in its work offset: by fret and string,
        X, Y and Z [mm]. Without it the work offset is to be set at the nut's playing edge, on the
        centre line, at the datum of the readings.
    found
        A reading taken on the machine in that state; by default the plan's, by the neck model.
    accepted_stiffness
        Why a neck without measured stiffness may be cut unstrung all the same.
    parts
        Description of nut, saddle and fret ends, where the machine cuts them too.
    cuts
        What is cut, of `evenfall.work.part_lines.CUTS`; all that there is if left out.
    """

    machine: Source
    cutters: Source
    fixture: Source | None = None
    material: str = "nickel silver"
    state: str = "unstrung"
    touched_mm: Mapping[tuple[int, int], tuple[float, float, float]] = field(default_factory=dict)
    found: Source | None = None
    accepted_stiffness: str = ""
    parts: Source | None = None
    cuts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ProgramRequest:
    """Which plan to cut, and how.

    Parameters
    ----------
    plan
        Plan file.
    on
        The machine, and how the instrument lies on it.
    cutter
        Number of the cutter for the frets; by default the first that fits.
    lift_mm
        How far the whole program is lifted for a dry run [mm].
    """

    plan: Source
    on: MachineRequest
    cutter: int | None = None
    lift_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class ProgramCheckRequest:
    """Which program to judge, and by what.

    Parameters
    ----------
    program
        The program, whoever wrote or edited it.
    plan
        Plan file that it is to carry out.
    on
        The machine, and how the instrument lies on it.
    """

    program: Source
    plan: Source
    on: MachineRequest


@dataclass(frozen=True, slots=True, eq=False)
class _Opened:
    """Everything that a program is made for or judged by."""

    specification: Specification
    plan: Plan
    piece: Workpiece
    machine: Machine
    cutters: tuple[Cutter, ...]
    fixture: Fixture | None
    material: str
    state: StringState
    accepted: str
    parts: Parts | None

    def setting(self, file: str = "") -> Setting:
        """Return what a program of this name is judged for."""
        by_number = {one.number: one for one in self.cutters}
        return Setting(
            self.machine,
            by_number,
            self.fixture,
            self.material,
            self.plan.code,
            file,
            self.parts,
        )


@dataclass(frozen=True, slots=True, eq=False)
class ProgramOutcome:
    """A program, read back and cut virtually.

    Parameters
    ----------
    specification
        What the instrument is to be.
    plan
        The plan that it carries out.
    program
        The program itself.
    findings
        What is wrong with it, each with its line, and what it does.
    piece
        The instrument as it lies on the machine.
    traced
        Its moves.
    patches
        Every fret as the simulated cut leaves it.
    setting
        What it was judged for.
    passes
        The tool paths that it was written from; none for a program from elsewhere.
    lifted
        Whether it is a dry run.
    """

    specification: Specification
    plan: Plan
    program: str
    findings: tuple[Finding, ...]
    piece: Workpiece
    traced: Traced
    patches: tuple[Patch, ...]
    setting: Setting
    passes: tuple[Pass, ...] = ()
    lifted: bool = False

    @property
    def faults(self) -> tuple[Finding, ...]:
        """What is wrong."""
        return tuple(one for one in self.findings if one.severity == "error")

    @property
    def unit(self) -> LengthUnit:
        """Unit of the instrument."""
        return self.specification.unit

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """What can hurt when it is run."""
        return machine_cautions(self.setting.materials, strung=self.piece.state == "strung")

    @property
    def seconds(self) -> float:
        """About how long it takes [s]; 0 for a program from elsewhere."""
        return sum(seconds(one, self.setting.machine) for one in self.passes)

    def measurement(self) -> Measurement:
        """Return what the simulated cut leaves, as readings at playing tension."""
        return simulated_measurement(self.plan, self.piece, self.patches, self.setting.machine)

    def proof(self, progress: Progress = silent) -> Proof:
        """Judge what the simulated cut leaves as readings after real work are judged."""
        from evenfall.proof import prove
        from evenfall.workshop.kept import excursion

        table = excursion(self.specification, progress)
        progress("Judging the simulated cut", 0.0)
        return prove(
            self.specification,
            self.plan,
            self.measurement(),
            table,
            accepted=self.plan.accepted,
        )

    def drawings(self, unit: LengthUnit, theme: Theme) -> dict[str, Callable[[], str]]:
        """Return what draws path, passes and finished crown."""
        from evenfall.pictures.programs import (
            crown_section,
            nut_section,
            path_over_neck,
            saddle_crest,
            what_is_left,
        )

        spec, piece, serial = self.specification, self.piece, self.plan.measurement.serial
        found: dict[str, Callable[[], str]] = {
            "program path": lambda: path_over_neck(
                self.traced, specification=spec, piece=piece, serial=serial, unit=unit, theme=theme
            ),
        }
        cuts = () if self.lifted else cuts_of(piece)
        parts = (("nut", nut_section), ("saddle", saddle_crest))
        for name, draw in parts:
            if name in cuts:
                found[f"program {name}"] = partial(
                    draw, self.patches, specification=spec, serial=serial, unit=unit, theme=theme
                )
        if "frets" in cuts:
            found["program cut"] = lambda: what_is_left(
                self.traced,
                self.setting.cutters,
                specification=spec,
                piece=piece,
                patches=self.patches,
                serial=serial,
                unit=unit,
                theme=theme,
            )
            found["program crown"] = lambda: crown_section(
                self.patches,
                specification=spec,
                piece=piece,
                serial=serial,
                unit=unit,
                theme=theme,
            )
        return found

    def pictures(
        self,
        unit: LengthUnit | None = None,
        progress: Progress = silent,
        theme: Theme | None = None,
    ) -> dict[str, str]:
        """Return every picture as SVG text by name."""
        from evenfall.pictures.inks import LIGHT

        return drawn(self.drawings(unit or self.unit, theme or LIGHT), progress)

    def as_dict(
        self, unit: LengthUnit = "mm", door: Mapping[str, str] = LIBRARY_WORDS
    ) -> dict[str, Any]:
        """Return what the program does and what was found, as plain values for JSON."""
        return with_words(
            {
                "schema": "evenfall/program@0",
                "plan": self.plan.code,
                "state": self.piece.state,
                "cuts": list(cuts_of(self.piece)),
                "line_count": self.traced.line_count,
                "tools": [number for number, _ in self.traced.tools],
                "cut_mm": float(self.traced.length_mm[~self.traced.rapid].sum()),
                "minutes": self.seconds / 60.0 if self.passes else None,
                "heights": plain(self.piece.said),
                "sound": not self.faults,
                "findings": plain(self.findings),
                "cautions": [
                    {"topic": one.topic, "sentence": plain(one.sentence)} for one in self.cautions
                ],
            },
            unit,
            door,
        )


def program(request: ProgramRequest, progress: Progress = silent) -> ProgramOutcome:
    """Write the program that cuts a plan, read it back and cut it virtually.

    Parameters
    ----------
    request
        The plan, the machine, and how the instrument lies on it.
    progress
        Told what is being done; it may stop the work.

    Raises
    ------
    ProgramError
        The simulated cut found a fault; nothing is to be written.
    EvenfallError
        A file cannot be used, or the plan cannot be cut so.

    Examples
    --------
    >>> import evenfall as ef
    >>> from evenfall.workshop.outputs import json_file
    >>> settled, spec = (
    ...     ef.Source.invented(name) for name in ("tesquil-settled.csv", "tesquil.spec.toml"))
    >>> plan = ef.plan(ef.PlanRequest(settled, spec, method="profile", settled=True)).plan
    >>> on = ef.MachineRequest(
    ...     ef.Source.invented("yard.machine.toml"), ef.Source.invented("yard.cutters.toml"),
    ...     state="strung")
    >>> file = ef.Source("a.plan.json", json_file(plan.as_dict()))
    >>> ef.program(ef.ProgramRequest(file, on)).faults
    ()
    """
    opened = _open(request.plan, request.on)
    plan = opened.plan
    piece, cutters = opened.piece, opened.cutters
    cuts = cuts_of(piece)
    frets = "frets" in cuts
    if not (plan.cuts_now or (not frets and _nothing_first(plan))):
        raise RequestError("This plan has no cut to make now: {headline}", headline=plan.headline)
    if not cuts:
        raise RequestError(
            "This plan takes nothing off any fret, and no part that is described is to be cut; "
            "there is no program to write."
        )
    machine, material = opened.machine, opened.material
    passes: tuple[Pass, ...] = ()
    if frets:
        _refuse_finer_than(machine, plan)
        cutter = fret_cutter(piece, cutters, machine, material, request.cutter)
        passes = fret_passes(piece, cutter, machine, material, progress)
    passes += part_passes(piece, cutters, machine, material, progress)
    header = _header(opened, request.lift_mm)
    text = emit(passes, header, machine, opened.fixture, progress)
    outcome = _judged(opened, text, "", passes, progress)
    if outcome.faults:
        raise ProgramError(outcome.faults)
    return outcome


def check_program(request: ProgramCheckRequest, progress: Progress = silent) -> ProgramOutcome:
    """Judge any program: read it, cut it virtually, and compare what is left with the plan.

    Parameters
    ----------
    request
        The program, the plan, the machine, and how the instrument lies on it.
    progress
        Told what is being done; it may stop the work.

    Raises
    ------
    ProgramError
        A block of it cannot be read.
    EvenfallError
        A file cannot be used.

    Examples
    --------
    >>> import evenfall as ef
    >>> on = ef.MachineRequest(ef.Source("m.toml", b""), ef.Source("c.toml", b""))
    >>> try:
    ...     ef.check_program(
    ...         ef.ProgramCheckRequest(ef.Source("a.ngc", b"M2"), ef.Source("p.json", b"{}"), on))
    ... except ef.EvenfallError as error:
    ...     error.code
    'format-mismatch'
    """
    opened = _open(request.plan, request.on)
    text = request.program.text(PROGRAM_LIMIT_BYTES)
    return _judged(opened, text, request.program.name, (), progress)


def _judged(
    opened: _Opened, text: str, name: str, passes: tuple[Pass, ...], progress: Progress
) -> ProgramOutcome:
    traced = trace(text, source=name, progress=progress)
    setting = opened.setting(name)
    lifted = stated_lift_mm(traced) is not None
    found = list(program_faults(traced, opened.piece, setting))
    found += program_warnings(traced, opened.piece, setting)
    untouched = patches_of(opened.piece)

    def cut(moves: Traced) -> tuple[Patch, ...]:
        return simulate(untouched, moves, setting.cutters, progress)

    patches = cut(traced)
    found += lift_findings(traced, opened.piece, setting, cut)
    found += cut_faults(patches, opened.piece, setting, lifted=lifted)
    found.sort(key=lambda one: one.at.lines or (traced.line_count + 1,))
    return ProgramOutcome(
        specification=opened.specification,
        plan=opened.plan,
        program=text,
        findings=(*found, summary(traced, setting)),
        piece=opened.piece,
        traced=traced,
        patches=patches,
        setting=setting,
        passes=passes,
        lifted=lifted,
    )


def _open(plan_file: Source, on: MachineRequest) -> _Opened:
    """Open everything that a program is made for or judged by."""
    specification, plan = open_plan(plan_file)
    machine = described(on.machine, Machine, "a machine")
    cutters: tuple[Cutter, ...] = described(on.cutters, tuple, "cutters")
    fixture = None if on.fixture is None else described(on.fixture, Fixture, "a fixture")
    if on.state not in get_args(StringState):
        raise RequestError(
            "The state must be {states:or}, not {given:quoted}.",
            at=At(field="state"),
            states=get_args(StringState),
            given=on.state,
        )
    if on.material not in MATERIALS:
        raise RequestError(
            "The material must be {materials:or}, not {given:quoted}.",
            at=At(field="material"),
            materials=MATERIALS,
            given=on.material,
        )
    state: StringState = on.state  # type: ignore[assignment]  # checked above
    model = neck_model(specification, string_lines(specification))
    measured = model.origin not in ("default", "section")
    refused = state == "unstrung" and on.found is None and not measured
    if refused and not on.accepted_stiffness.strip():
        raise RequestError(
            "How far this neck moves when its strings come off was not measured, so a program "
            "for the unstrung neck is refused: cut it strung ({door_state}), read it on the "
            "machine ({door_found}), or accept it with a reason ({door_accept_stiffness})."
        )
    if on.accepted_stiffness.strip() and not any(
        map(str.isalnum, plain_ascii(on.accepted_stiffness))
    ):
        raise RequestError(
            "The reason {given:quoted} leaves nothing that a controller can show; write it in "
            "plain ASCII letters.",
            at=At(field="accepted_stiffness"),
            given=on.accepted_stiffness,
        )
    found = None if on.found is None else open_another(plan.measurement, on.found).measurement
    parts = None if on.parts is None else described(on.parts, Parts, "parts that are cut")
    wrong = [one for one in on.cuts if one not in CUTS]
    if wrong:
        raise RequestError(
            "What is cut must be {cuts:or}, not {given:quoted}.",
            at=At(field="cuts"),
            cuts=CUTS,
            given=wrong[0],
        )
    piece = with_parts(
        workpiece(specification, plan, state=state, found=found, neck=model),
        specification,
        plan,
        parts,
        cuts=[one for one in CUTS if not on.cuts or one in on.cuts],
        found=found,
    )
    if on.touched_mm:
        piece = piece.placed(lie_by_touch(piece, dict(on.touched_mm)))
    return _Opened(
        specification=specification,
        plan=plan,
        piece=piece,
        machine=machine,
        cutters=cutters,
        fixture=fixture,
        material=on.material,
        state=state,
        accepted=on.accepted_stiffness.strip(),
        parts=parts,
    )


def _nothing_first(plan: Plan) -> bool:
    """Say whether nut, saddle and fret ends may be cut though the plan cuts no fret."""
    return plan.status == "nothing" or (plan.status == "settings" and plan.part == "whole")


def _refuse_finer_than(machine: Machine, plan: Plan) -> None:
    """Refuse a plan whose least cut is under what the machine can take off."""
    least = float(plan.removal_mm[plan.removal_mm > CUT_MM].min(initial=math.inf))
    if least < machine.smallest_cut_mm - CUT_MM:
        raise RequestError(
            "The plan takes off {least:length} somewhere, and the smallest cut of this machine is "
            "{smallest:length}; plan again for the machine ({door_machine}).",
            least=least,
            smallest=machine.smallest_cut_mm,
        )


def _header(opened: _Opened, lift_mm: float) -> Header:
    spec, plan, piece = opened.specification, opened.plan, opened.piece
    count = spec.string_count
    places = [(1, 1), (1, count), (spec.frets, (count + 1) // 2)]
    said = piece.said
    if opened.accepted:
        said = sentence("{said} Stiffness accepted: {why}.", said=said, why=opened.accepted)
    return Header(
        instrument=f"{spec.name}, {plan.measurement.serial or 'no serial number'}",
        plan_code=plan.code,
        state=opened.state,
        material=opened.material,
        cuts=cuts_of(piece),
        heights=said,
        places_mm=tuple(
            (
                sentence("crown of fret {fret}, string {string}", fret=fret, string=string),
                *piece.crown_point(fret, string),
            )
            for fret, string in places
        ),
        cautions=tuple(
            (one.topic, one.sentence)
            for one in machine_cautions(opened.setting().materials, strung=opened.state == "strung")
        ),
        safe_z_mm=piece.top_mm + opened.machine.safe_height_mm,
        lift_mm=lift_mm,
    )


__all__ = [
    "Lie",
    "MachineRequest",
    "ProgramCheckRequest",
    "ProgramOutcome",
    "ProgramRequest",
    "check_program",
    "program",
]
