"""Work that takes longer than a page may: what each kind of task does, from plain values to plain.

A task runs in a process of its own, and again from its beginning where it was cut short. So it
reads what it needs from the archive and from the files that came with it, and hands back plain
values; what is large it writes into a folder.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from evenfall.codec import Content, plain
from evenfall.codec.forms import content_dataclass, finding, part, truth
from evenfall.errors import At, Finding, FormatMismatchError, Progress, RequestError
from evenfall.measurement import Measurement
from evenfall.pictures.inks import PAGE
from evenfall.records.queue import NO_FOLDER, Queue
from evenfall.units import LengthUnit
from evenfall.workshop import notices
from evenfall.workshop.archive_tasks import ARCHIVE_KINDS
from evenfall.workshop.opening import Source
from evenfall.workshop.story import Story, needed, story

if TYPE_CHECKING:
    from evenfall.workshop.archives import Dossiers

LIFT_MM = 20.0
"""How far over the work a dry run goes [mm]; common practice, no source."""
CUT = "cut-"
"""How the name of a program that cuts begins."""
UNITS: tuple[LengthUnit, ...] = ("mm", "in")


@dataclass(frozen=True, slots=True)
class Work:
    """What a task works with."""

    dossiers: Dossiers
    dossier: str  # of the instrument that it is about; "" where it is about none
    asked: Mapping[str, Any]
    files: tuple[Source, ...]  # that came with it
    folder: Path | None  # for the files that it makes; None where the archive keeps no files
    progress: Progress

    def out(self, name: str) -> Path:
        """Return where a file that is made goes."""
        if self.folder is None:
            raise RequestError(NO_FOLDER)
        self.folder.mkdir(parents=True, exist_ok=True)
        return self.folder / name

    def draw(self, drawn: Callable[[LengthUnit], str]) -> None:
        """Draw a picture in each unit."""
        for unit in UNITS:
            self.progress("Drawing", 0.0)
            self.out(f"seen-{unit}.svg").write_text(drawn(unit), encoding="utf-8")


@content_dataclass()
class Seen(Content):
    """What files of readings hold."""

    measurement: Measurement = part(Measurement, "the readings")
    findings: tuple[Finding, ...] = finding("what is worth knowing about them")
    wanted: tuple[Finding, ...] = finding("what is worth reading yet")
    scanned: bool = truth("whether a scan was among the files")


@content_dataclass()
class Told(Content):
    """What is to be said of something that was made."""

    findings: tuple[Finding, ...] = finding("what was found, and what it rests on")


Task: TypeAlias = Callable[[Work], dict[str, Any]]


def _measure(work: Work) -> dict[str, Any]:
    """Read files of one set of readings; nothing is filed yet."""
    from evenfall.workshop.measuring import MeasureRequest, measure

    told = story(work.dossiers, work.dossier)
    asked = MeasureRequest(
        work.files,
        needed(told.specification, "specification"),
        serial=told.line.serial,
        unit=work.asked.get("unit"),
        strung=work.asked.get("strung"),
        mirrored=work.asked.get("mirrored"),
        scan_uncertainty_mm=float(work.asked.get("scan_uncertainty_mm", 0.0)),
    )
    made = measure(asked, work.progress)
    work.draw(lambda unit: next(iter(made.drawings(unit, PAGE).values()))())
    wanted = made.next_readings
    others = tuple(one for one in made.findings if one not in wanted)
    return Seen(made.measurement, others, wanted, made.readings.survey is not None).as_dict()


def _methods(work: Work) -> dict[str, Any]:
    """Compare what each method comes to."""
    from evenfall.workshop.exploring import Exploration, to_explore

    told = _unchanged(work)
    work.progress("Comparing the methods", 0.0)
    warm = Exploration(to_explore(told))
    return {"methods": [one.as_dict() for one in warm.methods(work.progress)]}


def _play(work: Work) -> dict[str, Any]:
    """Pluck every string at every position."""
    from evenfall.workshop.playing import PlayRequest, play

    told = _unchanged(work)
    source = told.plan if work.asked.get("planned") else told.measurement
    made = play(PlayRequest(needed(source, "readings")), work.progress)
    work.draw(lambda unit: next(iter(made.drawings(unit, PAGE).values()))())
    return {"state": made.state, "findings": plain(made.findings)}


def _program(work: Work) -> dict[str, Any]:
    """Write the program of the newest plan, and its dry run, where the simulated cut conforms."""
    from evenfall.workshop.describing import MachineCheckRequest, check_machine
    from evenfall.workshop.on_machine import MachineRequest
    from evenfall.workshop.programs import ProgramRequest, program

    plan = needed(_unchanged(work).plan, "plan")
    described: dict[str, Source] = {}
    for file in work.files:
        kind = check_machine(MachineCheckRequest(file)).kind if described_in(file) else "scan"
        if kind in described:
            text = "Two files hold {kind}; give one."
            raise RequestError(text, at=At(file=file.name), kind=kind)
        described[kind] = file
    lacking = [kind for kind in ("machine", "cutters") if kind not in described]
    if lacking:
        text = "A program needs a description of {lacking:list}; add the file."
        raise RequestError(text, lacking=lacking)
    touched = {
        (int(fret), int(string)): (x, y, z)
        for fret, string, x, y, z in work.asked.get("touched", ())
    }
    on = MachineRequest(
        described["machine"],
        described["cutters"],
        described.get("fixture"),
        parts=described.get("parts"),
        material=str(work.asked.get("material", "nickel silver")),
        state=str(work.asked.get("state", "strung")),
        touched_mm=touched,
        scan=described.get("scan"),
        accepted_stiffness=str(work.asked.get("accepted_stiffness", ""))[:200],
    )
    made = program(ProgramRequest(plan, on), work.progress)
    dry = program(ProgramRequest(plan, on, lift_mm=LIFT_MM), work.progress)
    proof = made.proof(work.progress)
    verdict = proof.verdict
    texts = {f"dry-run-{made.plan.code}.ngc": dry.program}
    if verdict == "conforms":
        texts[f"{CUT}{made.plan.code}.ngc"] = made.program
    for name, text in texts.items():
        work.out(name).write_text(text, encoding="ascii", newline="\n")
    heights = Finding("program", "{said}", severity="note", said=made.piece.said)
    why = [Finding("program", "{said}", severity="warning", said=one) for one in proof.next_steps]
    if verdict == "conforms":
        why = []
    names = list(made.drawings("mm", PAGE))
    for unit in UNITS:
        for number, picture in enumerate(made.pictures(unit, work.progress, PAGE).values()):
            work.out(f"seen-{number}-{unit}.svg").write_text(picture, encoding="utf-8")
    return {
        "files": list(texts),
        "verdict": verdict,
        "state": made.piece.state,
        "plan": made.plan.code,
        "minutes": made.seconds / 60.0,
        "materials": list(made.setting.materials),
        "told": Told((*made.findings, heights, *why)).as_dict(),
        "pictures": names,
    }


def described_in(file: Source) -> bool:
    """Say whether a file that came with a program is a description; any other is a scan."""
    return file.name.lower().endswith(".toml")


def _points(work: Work) -> dict[str, Any]:
    """Thin a raw scan for the eye: one that was filed, or one that is not filed yet."""
    import numpy as np

    from evenfall.scans.formats import ScanOptions, read_scan
    from evenfall.scans.thinned import thinned

    archive, of = work.dossiers.archive, str(work.asked.get("of", ""))
    places = [source.on_disk for source in sources_in(Queue(archive).folder(of) / "in")]
    if not places and "sha256" not in work.asked:
        raise RequestError("This scan is no longer at hand; upload it again.")
    if not places:
        places = [archive.files.path(str(work.asked["sha256"]))]
    unit = work.asked.get("unit")
    options = ScanOptions(str(unit)) if unit else None
    for number, path in enumerate(places):
        try:
            scan = read_scan(path, options, work.progress)
            break
        except FormatMismatchError:
            if number == len(places) - 1:
                raise RequestError("None of these files is a scan.") from None
    work.progress("Thinning the points", 0.0)
    points, cell = thinned(scan.content)
    work.out("points.bin").write_bytes(points.astype("<f4").tobytes())
    return {
        "shown": len(points),
        "all": scan.point_count,
        "unit": scan.unit or "",
        "cell": round(cell, 4),
        "size": [round(float(one), 3) for one in np.ptp(points, axis=0)],
    }


def _causes(work: Work) -> dict[str, Any]:
    """Find out what moves a quantity, over more readings than a page waits for."""
    from evenfall.pictures.causes import causes_picture
    from evenfall.workshop.archive_readings import Filed
    from evenfall.workshop.factors import CausesRequest, causes

    asked = work.asked
    source = Filed(work.dossiers.archive, **asked["filed"])
    factors, levels = (tuple(asked.get(name, ())) for name in ("factors", "levels"))
    only, quantity = asked["only"], asked["quantity"]
    request = CausesRequest(source, quantity, only, factors=factors, levels=levels)
    made = causes(request, work.progress)
    work.draw(
        lambda unit: causes_picture(
            made.made, about=made.about, unit=unit, theme=PAGE, written=False
        )
    )
    return {**made.told(), "quantity": asked["quantity"]}


def _call(work: Work) -> dict[str, Any]:
    """Do a use case that another program called; the answer is a file."""
    from evenfall.workshop.archive_readings import Filed
    from evenfall.workshop.asking import read_request, source_of
    from evenfall.workshop.calls import called, use_cases

    def resolve(given: Mapping[str, Any], place: str) -> Source | Filed:
        if "filed" in given:
            return Filed(work.dossiers.archive, **given["filed"])
        if "upload" in given:
            return work.files[int(str(given["upload"]).rpartition("/")[2])]
        found = source_of(given, place)
        return found or work.dossiers.document(str(given["dossier"]), str(given["document"]))

    asked = work.asked
    _, of = use_cases()[asked["name"]]
    made = called(
        asked["name"],
        read_request(of, asked["request"], resolve),
        unit=asked["unit"],
        form=asked["form"],
        pictures=asked["pictures"],
        progress=work.progress,
    )
    to = work.out(ANSWER)
    to.write_text(json.dumps(made, allow_nan=False), encoding="utf-8")
    return {"files": [to.name]}


ANSWER = "answer.json"
"""File that the answer to a call of another program is written to."""

KINDS: Mapping[str, tuple[str, Task]] = {
    "measure": ("Reading the files", _measure),
    "methods": ("Comparing the methods", _methods),
    "play": ("Playing every note", _play),
    "program": ("Writing and checking the program", _program),
    "causes": ("Looking for causes", _causes),
    "points": ("Reading the raw scan", _points),
    "call": ("Working for another program", _call),
    notices.KIND: ("Giving notice", lambda work: notices.deliver(work.asked, work.progress)),
    **ARCHIVE_KINDS,
}
"""What each kind is called on its page, and what does it."""


def _unchanged(work: Work) -> Story:
    """Return where a job stands; refuse it where it moved on since the task was asked for."""
    told = story(work.dossiers, work.dossier)
    if basis(told) != work.asked["basis"]:
        raise RequestError("Newer papers were filed meanwhile; load the page again.")
    return told


def basis(told: Story) -> str:
    """Return what a task on the newest readings and plan goes by."""
    papers = (told.measurement, told.plan, told.second)
    kept = [paper.content.decode() if paper and paper.content else "" for paper in papers]
    return hashlib.sha256(json.dumps([*kept, told.settled]).encode()).hexdigest()


def sources_in(folder: Path) -> tuple[Source, ...]:
    """Return the files that came with a task, in the order that they were named."""
    places = sorted(folder.glob("*/*"), key=lambda path: int(path.parent.name))
    return tuple(Source(path.name, path=path) for path in places)
