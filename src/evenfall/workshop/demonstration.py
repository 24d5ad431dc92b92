"""The use case "demo": the whole job, from readings to proof, on an invented instrument."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from evenfall.errors import At, Finding, Progress, RequestError, silent
from evenfall.pictures.inks import LIGHT
from evenfall.plan import Plan
from evenfall.proof import Proof
from evenfall.wording import Sentence, sentence
from evenfall.workshop.bench_sheets import SheetRequest, sheet
from evenfall.workshop.checking import TemplateRequest, template
from evenfall.workshop.diagnosing import DiagnoseRequest, diagnose
from evenfall.workshop.measuring import MeasureRequest, measure
from evenfall.workshop.opening import Source
from evenfall.workshop.outputs import json_file, picture_files
from evenfall.workshop.planning import PlanOutcome, PlanRequest, plan
from evenfall.workshop.proving import ProveRequest, prove

INPUTS = (
    *("tesquil.spec.toml", "tesquil-before.csv"),
    *("tesquil-settled.csv", "tesquil-after.csv"),
)
"""Files that the demonstration starts from: specification, and readings as found, with rod and
saddle set, and after the work."""
DESCRIPTIONS = (
    *("yard.machine.toml", "yard.cutters.toml"),
    *("yard.fixture.toml", "yard.parts.toml"),
)
"""A machine, its cutters and its fixture, to write programs for."""
SERIAL = "UY-0417 (invented)"
EMPTY_SHEET = "empty-sheet.xlsx"
PICTURE = "pictures/buzz-force-planned.png"


@dataclass(frozen=True, slots=True)
class DemoRequest:
    """How to run the demonstration.

    Parameters
    ----------
    date
        Date to print on the certificate, ISO 8601.
    """

    date: str


@dataclass(frozen=True, slots=True)
class DemoOutcome:
    """What the demonstration made."""

    files: Mapping[str, bytes]  # every file, by its name in the folder
    steps: tuple[Sentence, ...]  # each step of the job, in words
    findings: tuple[Finding, ...]  # what was wrong with the instrument
    plan: Plan  # of the cuts, once rod and saddle were set
    proof: Proof  # what the readings after the work show

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "files": list(self.files),
            "picture": PICTURE,
            "status": self.plan.status,
            "method": self.plan.method,
            "metal_mm": self.plan.metal_mm,
            "verdict": self.proof.verdict,
        }

    def files_for(self, folder: Path) -> dict[Path, bytes]:
        """Return the files to write into a folder: what a person filled in or changed stays.

        Results of the same name are replaced; an input that was changed is refused.
        """
        for name in (*INPUTS, *DESCRIPTIONS):
            path = folder / name
            if path.is_file() and path.read_bytes() != self.files[name]:
                raise RequestError(
                    "This file is not as the demonstration writes it, and running it here would "
                    "undo the change; name another folder.",
                    at=At(file=str(path)),
                )
        return {
            folder / name: content
            for name, content in self.files.items()
            if name != EMPTY_SHEET or not (folder / name).exists()
        }


def demo(request: DemoRequest, progress: Progress = silent) -> DemoOutcome:
    """Run the whole job on the invented instrument.

    Parameters
    ----------
    request
        How to run it.
    progress
        Told what is being done; it may stop the work.

    Examples
    --------
    >>> import evenfall as ef
    >>> outcome = ef.demo(ef.DemoRequest(date="2026-05-04"))
    >>> "tesquil.plan.json" in outcome.files
    True
    """
    spec, before, settled, after = (Source.invented(name) for name in INPUTS)
    files = {given.name: given.content or b"" for given in (spec, before, settled, after)}

    def keep(name: str, content: bytes) -> Source:
        files[name] = content
        return Source(name, content)

    for name in DESCRIPTIONS:
        keep(name, Source.invented(name).content or b"")

    def planned_from(name: str, readings: Source, *, again: bool) -> tuple[PlanOutcome, Source]:
        made = plan(PlanRequest(readings, settled=again), progress)
        file = keep(f"{name}.plan.json", json_file(made.plan.as_dict()))
        for kind, page in sheet(SheetRequest(file), progress).pages.items():
            keep(f"{name}.sheet.{kind}", page)
        return made, file

    def measured_from(name: str, source: Source) -> Source:
        made = measure(MeasureRequest((source,), spec, SERIAL), progress)
        return keep(f"{name}.measurement.json", json_file(made.measurement.as_dict()))

    readings = measured_from("tesquil", before)
    keep(EMPTY_SHEET, template(TemplateRequest(spec)).content)
    found = diagnose(DiagnoseRequest(readings), progress)
    first, _ = planned_from("tesquil", readings, again=False)
    planned, plan_file = planned_from(
        "tesquil-settled", measured_from("tesquil-settled", settled), again=True
    )
    proved = prove(ProveRequest(plan_file, after), progress)
    keep("tesquil-after.proof.json", json_file(proved.proof.as_dict()))
    for kind in ("pdf", "html"):
        page = proved.certificate(kind, date=request.date, progress=progress)
        keep(f"tesquil-after.certificate.{kind}", page)
    drawings = planned.pictures(progress=progress)
    as_found = "buzz force as found"  # when the instrument came in
    drawings[as_found] = first.drawings("mm", LIGHT)[as_found]()
    drawings["verdict"] = proved.pictures(progress=progress)["verdict"]
    for path, content in picture_files(drawings, Path("pictures"), progress).items():
        keep(path.as_posix(), content)
    steps = (
        sentence("1 specification  tesquil.spec.toml (invented)"),
        sentence("2 measure        tesquil-before.csv; empty-sheet.xlsx to fill"),
        sentence(
            "3 diagnose       {failing:count note} {failing:plural fails|fail} as found",
            failing=found.diagnosis.failing,
        ),
        sentence("4 plan           {headline}", headline=first.plan.headline),
        sentence("5 bench sheet    tesquil.sheet.pdf: the settings"),
        sentence("6 measure        tesquil-settled.csv, with rod and saddle set"),
        sentence("7 plan           {headline}", headline=planned.plan.headline),
        sentence("8 bench sheet    tesquil-settled.sheet.pdf: the frets"),
        sentence(
            "9 prove          verdict: {verdict}; tesquil-after.certificate.pdf",
            verdict=proved.proof.verdict,
        ),
        sentence(
            "  machine        yard.machine.toml with its cutters, fixture and parts (invented)"
        ),
        sentence("  pictures       {count} in pictures", count=len(drawings)),
    )
    return DemoOutcome(files, steps, found.findings, planned.plan, proved.proof)
