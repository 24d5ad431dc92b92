"""The use cases "program" and "check_program": a plan cut by a machine, and any program judged.

A program is written only after it was read back and cut virtually without a fault.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

from evenfall.codec import plain, with_words
from evenfall.errors import Finding, ProgramError, Progress, RequestError, silent
from evenfall.instrument import Specification
from evenfall.measurement import Measurement
from evenfall.pictures.inks import Theme
from evenfall.plan import Plan
from evenfall.units import LengthUnit
from evenfall.wording import LIBRARY_WORDS, sentence
from evenfall.work.cautions import Caution, machine_cautions
from evenfall.work.crown_lines import CUT_MM, Workpiece
from evenfall.work.cut_check import cut_faults, lift_findings, stated_lift_mm
from evenfall.work.descriptions import Machine
from evenfall.work.emit import Header, emit
from evenfall.work.part_lines import cuts_of
from evenfall.work.part_paths import part_passes
from evenfall.work.program_check import Setting, program_faults, simulated_measurement, summary
from evenfall.work.program_warnings import program_warnings
from evenfall.work.simulation import Patch, patches_of, simulate
from evenfall.work.toolpath import Pass, fret_cutter, fret_passes, seconds
from evenfall.work.trace import Traced, trace
from evenfall.workshop.on_machine import MachineRequest, OnMachine, on_machine
from evenfall.workshop.opening import Source
from evenfall.workshop.outputs import drawn

if TYPE_CHECKING:
    from evenfall.proof import Proof

PROGRAM_LIMIT_BYTES = 40_000_000
"""No program of ours comes near this."""


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
class ProgramOutcome:
    """A program, read back and cut virtually."""

    specification: Specification  # what the instrument is to be
    plan: Plan  # that it carries out
    program: str
    findings: tuple[Finding, ...]  # what is wrong with it, each with its line, and what it does
    piece: Workpiece  # the instrument as it lies on the machine
    traced: Traced  # its moves
    patches: tuple[Patch, ...]  # every fret as the simulated cut leaves it
    setting: Setting  # what it was judged for
    passes: tuple[Pass, ...] = ()  # that it was written from; none for a program from elsewhere
    lifted: bool = False  # whether it is a dry run

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
        return seconds(self.passes, self.setting.machine)

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
            fret_ends,
            nut_section,
            path_over_neck,
            saddle_crest,
            what_is_left,
        )

        piece, patches = self.piece, self.patches
        common: dict[str, Any] = {
            **{"specification": self.specification, "serial": self.plan.measurement.serial},
            **{"unit": unit, "theme": theme},
        }
        found: dict[str, Callable[[], str]] = {
            "program path": partial(path_over_neck, self.traced, piece=piece, **common)
        }
        cuts = () if self.lifted else cuts_of(piece)
        for name, draw in (("nut", nut_section), ("saddle", saddle_crest)):
            if name in cuts:
                found[f"program {name}"] = partial(draw, patches, **common)
        if "fret ends" in cuts:
            found["program fret ends"] = partial(fret_ends, patches, piece=piece, **common)
        if "frets" in cuts:
            found["program cut"] = partial(
                what_is_left,
                self.traced,
                self.setting.cutters,
                piece=piece,
                patches=patches,
                **common,
            )
            found["program crown"] = partial(crown_section, patches, piece=piece, **common)
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
                "schema": "evenfall/program@1",
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
        A move or the simulated cut is at fault; nothing is to be written.
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
    opened = on_machine(request.plan, request.on, progress)
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
    opened = on_machine(request.plan, request.on, progress)
    text = request.program.text(PROGRAM_LIMIT_BYTES)
    return _judged(opened, text, request.program.name, (), progress)


def _judged(
    opened: OnMachine, text: str, name: str, passes: tuple[Pass, ...], progress: Progress
) -> ProgramOutcome:
    traced = trace(text, source=name, progress=progress)
    setting = opened.setting(name)
    lifted = stated_lift_mm(traced) is not None
    found = [*opened.remarks, *program_faults(traced, opened.piece, setting)]
    found += program_warnings(traced, opened.piece, setting)
    found.sort(key=partial(_first_line, traced))
    faults = [one for one in found if one.severity == "error"]
    if passes and faults:  # of our own: the virtual cut could not make it better
        raise ProgramError(faults)
    untouched = patches_of(opened.piece)

    def cut(moves: Traced) -> tuple[Patch, ...]:
        return simulate(untouched, moves, setting.cutters, progress)

    patches = cut(traced)
    found += lift_findings(traced, opened.piece, setting, cut)
    found += cut_faults(patches, opened.piece, setting, lifted=lifted)
    found.sort(key=partial(_first_line, traced))
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


def _first_line(traced: Traced, finding: Finding) -> int:
    """Return the line that a finding begins at; the last for one of the whole program."""
    return finding.at.lines[0] if finding.at.lines else traced.line_count + 1


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


def _header(opened: OnMachine, lift_mm: float) -> Header:
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
