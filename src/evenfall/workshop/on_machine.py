"""How an instrument lies on a machine: everything that a program is made for, or judged by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import get_args

from evenfall.errors import At, Finding, Progress, ReadingsError, RequestError
from evenfall.instrument import Specification, string_lines
from evenfall.measurement import Measurement
from evenfall.neck import neck_model
from evenfall.plan import Plan
from evenfall.readings import read_files
from evenfall.readings.scanned import ScanSetting
from evenfall.scans import CrownSurvey
from evenfall.work.crown_lines import StringState, Workpiece, lie_by_touch, workpiece
from evenfall.work.descriptions import MATERIALS, Cutter, Fixture, Machine, Parts
from evenfall.work.emit import plain_ascii
from evenfall.work.machine_scan import (
    crossings_of,
    lie_by_scan_and_touch,
    lie_of_scan,
    refuse_another_neck,
)
from evenfall.work.part_lines import CUTS, with_parts
from evenfall.work.program_check import Setting
from evenfall.workshop.describing import described
from evenfall.workshop.opening import Source, on_disk, open_another, open_plan, require_same

_OPEN = ("ambiguous", "numbering")
"""Findings about a scan that leave open where the instrument lies."""
_TOLD = ("unit-slip", "scale", "no-uncertainty")
"""Findings about it that are told with a program, besides its warnings."""
_NOT_TOLD = ("state", "missing")
"""Those that say what a plan would need, and a program does not."""


@dataclass(frozen=True, slots=True)
class MachineRequest:
    """Which machine cuts, with what, and how the instrument lies on it.

    Parameters
    ----------
    machine, cutters
        Descriptions of the machine and of its cutters.
    fixture
        Description of the fixture; without it clamps and the ends of travel are not checked.
    material
        What the frets are made of, one of `evenfall.work.descriptions.MATERIALS`.
    state
        "unstrung", or "strung": at pitch, or with the strings' pull simulated.
    touched_mm
        Where three crown tops were found on the machine, in its work offset: by fret and string,
        X, Y and Z [mm]. Without it the work offset is to be set at the nut's playing edge, on the
        centre line, at the datum of the readings. Beside a scan: any number of crowns that the
        cutter touched, which set its height.
    found
        A reading taken on the machine in that state; by default the plan's, by the neck model.
    scan
        A scan taken on the machine in that state, in the coordinates of its work offset: its
        crowns are cut from, where they stand, and it says how the instrument lies.
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
    scan: Source | None = None
    accepted_stiffness: str = ""
    parts: Source | None = None
    cuts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class OnMachine:
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
    remarks: tuple[Finding, ...] = ()  # about a scan taken on the machine

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


def on_machine(plan_file: Source, on: MachineRequest, progress: Progress) -> OnMachine:
    """Open everything that a program is made for or judged by."""
    specification, plan = open_plan(plan_file)
    machine = described(on.machine, Machine, "a machine")
    cutters: tuple[Cutter, ...] = described(on.cutters, tuple, "cutters")
    fixture = None if on.fixture is None else described(on.fixture, Fixture, "a fixture")
    _check_choice("state", "The state", on.state, get_args(StringState))
    _check_choice("material", "The material", on.material, MATERIALS)
    state: StringState = on.state  # type: ignore[assignment]  # checked above
    model = neck_model(specification, string_lines(specification))
    measured = model.origin not in ("default", "section")
    read_there = on.found is not None or on.scan is not None
    refused = state == "unstrung" and not read_there and not measured
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
    if on.found is not None and on.scan is not None:
        text = "Give a scan taken on the machine or another reading taken there, not both."
        raise RequestError(text, at=At(field="scan"))
    found = None if on.found is None else _read_there(plan.measurement, on.found)
    survey: CrownSurvey | None = None
    remarks: list[Finding] = []
    if on.scan is not None:
        found, survey, remarks = _scanned(on.scan, specification, plan, state, progress)
    if found is not None:
        refuse_another_neck(plan, found, specification)
    parts = None if on.parts is None else described(on.parts, Parts, "parts that are cut")
    for one in on.cuts:
        _check_choice("cuts", "What is cut", one, CUTS)
    piece = with_parts(
        workpiece(
            specification,
            plan,
            state=state,
            found=found,
            neck=model,
            crossings_mm=None if survey is None else crossings_of(survey, specification),
        ),
        specification,
        plan,
        parts,
        cuts=[one for one in CUTS if not on.cuts or one in on.cuts],
        found=found,
    )
    if survey is not None:
        lie = lie_of_scan(survey, specification)
        if on.touched_mm:
            lie = lie_by_scan_and_touch(piece, lie, on.touched_mm)
        else:
            remarks.append(_untouched(on.scan))
        piece = piece.placed(lie)
    elif on.touched_mm:
        piece = piece.placed(lie_by_touch(piece, dict(on.touched_mm)))
    return OnMachine(
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
        remarks=tuple(remarks),
    )


def _check_choice(field_name: str, what: str, given: str, known: tuple[str, ...]) -> None:
    """Refuse what is none of the things that can be chosen."""
    if given not in known:
        raise RequestError(
            "{what} must be {known:or}, not {given:quoted}.",
            at=At(field=field_name),
            what=what,
            known=known,
            given=given,
        )


def _read_there(planned_on: Measurement, source: Source) -> Measurement:
    """Return a reading taken on the machine of the instrument that the plan is for."""
    found = open_another(planned_on, source).measurement
    require_same(planned_on, found, file=source.name, field="found")
    return found


def _scanned(
    source: Source, specification: Specification, plan: Plan, state: StringState, progress: Progress
) -> tuple[Measurement, CrownSurvey, list[Finding]]:
    """Return what a scan taken on the machine shows; refused where it leaves the lie open."""
    # a machine's axes are right-handed: the strings of a left-handed neck run the other way in them
    setting = ScanSetting(strung=state == "strung", mirrored=specification.handed == "left")
    with on_disk([source]) as paths:
        taken = read_files(
            paths,
            specification,
            serial=plan.measurement.serial,
            setting=setting,
            progress=progress,
        )
    survey = taken.survey
    if survey is None:
        raise RequestError("This is not a scan; give the surface that was scanned on the machine.")
    at = At(file=source.name)
    unclear = [one for one in taken.findings if one.code in _OPEN]
    if survey.orientation.mirrored != setting.mirrored:
        unclear += [one for one in taken.findings if one.at.field == "mirrored"]
    if unclear:
        raise ReadingsError(
            [Finding(one.code, "{said}", one.at, "error", said=one.said) for one in unclear], at=at
        )
    told = [
        one
        for one in taken.findings
        if one.code in _TOLD or (one.severity == "warning" and one.code not in _NOT_TOLD)
    ]
    return taken.measurement, survey, told


def _untouched(source: Source | None) -> Finding:
    text = (
        "No crown was touched with the cutter, so nothing shows that the scan's coordinates are "
        "the cutter's: touch one and give its place ({door_touch}), or check the positions in the "
        "header."
    )
    return Finding("program-conduct", text, At("" if source is None else source.name), "warning")
