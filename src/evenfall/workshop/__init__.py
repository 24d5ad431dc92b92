"""One use case per verb: a request in, an outcome out, progress that may say stop.

A request names files as `Source`: on disk, or a name with its bytes. An outcome holds values and
findings; it draws pictures and pages when asked. Nothing is written here. So a command or a web
route is parsing, one call, showing:

    from evenfall import workshop

    request = workshop.PlanRequest(workshop.Source("tesquil.measurement.json"))
    outcome = workshop.plan(request)
    outcome.plan, outcome.findings, outcome.pictures("in")

Each name is loaded when it is asked for.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from evenfall.workshop.archive_requests import AddRequest, NoteRequest
    from evenfall.workshop.archives import Dossiers, archive
    from evenfall.workshop.bench_sheets import SheetRequest, sheet
    from evenfall.workshop.checking import (
        CheckRequest,
        StarterRequest,
        TemplateRequest,
        check_specification,
        starter,
        template,
    )
    from evenfall.workshop.demonstration import DemoRequest, demo
    from evenfall.workshop.describing import MachineCheckRequest, check_machine
    from evenfall.workshop.diagnosing import DiagnoseRequest, diagnose
    from evenfall.workshop.factors import CausesRequest, causes
    from evenfall.workshop.gauge_studies import (
        GaugeRequest,
        StudySheetRequest,
        study_gauge,
        study_sheet,
    )
    from evenfall.workshop.invented_years import example_archive
    from evenfall.workshop.lot_judging import JudgeRequest
    from evenfall.workshop.lots import LotRequest, RisksRequest, lot, plan_for_risks
    from evenfall.workshop.measured_lots import MeasuredLotRequest, measured_lot
    from evenfall.workshop.measuring import MeasureRequest, measure
    from evenfall.workshop.necks import NeckReadings, NeckRequest, neck
    from evenfall.workshop.on_machine import MachineRequest
    from evenfall.workshop.opening import Source
    from evenfall.workshop.pitches import PitchRequest, pitch
    from evenfall.workshop.planning import PlanRequest, plan
    from evenfall.workshop.playing import PlayRequest, play
    from evenfall.workshop.programs import (
        ProgramCheckRequest,
        ProgramRequest,
        check_program,
        program,
    )
    from evenfall.workshop.proving import ProveRequest, prove
    from evenfall.workshop.quality import CapabilityRequest, ChartRequest, capability, chart

__all__ = [
    "AddRequest",
    "CapabilityRequest",
    "CausesRequest",
    "ChartRequest",
    "CheckRequest",
    "DemoRequest",
    "DiagnoseRequest",
    "Dossiers",
    "GaugeRequest",
    "JudgeRequest",
    "LotRequest",
    "MachineCheckRequest",
    "MachineRequest",
    "MeasureRequest",
    "MeasuredLotRequest",
    "NeckReadings",
    "NeckRequest",
    "NoteRequest",
    "PitchRequest",
    "PlanRequest",
    "PlayRequest",
    "ProgramCheckRequest",
    "ProgramRequest",
    "ProveRequest",
    "RisksRequest",
    "SheetRequest",
    "Source",
    "StarterRequest",
    "StudySheetRequest",
    "TemplateRequest",
    "archive",
    "capability",
    "causes",
    "chart",
    "check_machine",
    "check_program",
    "check_specification",
    "demo",
    "diagnose",
    "example_archive",
    "lot",
    "measure",
    "measured_lot",
    "neck",
    "pitch",
    "plan",
    "plan_for_risks",
    "play",
    "program",
    "prove",
    "sheet",
    "starter",
    "study_gauge",
    "study_sheet",
    "template",
]

_ROOMS = {
    "opening": "Source",
    "checking": "CheckRequest StarterRequest TemplateRequest check_specification starter template",
    "factors": "CausesRequest causes",
    "measured_lots": "MeasuredLotRequest measured_lot",
    "measuring": "MeasureRequest measure",
    "diagnosing": "DiagnoseRequest diagnose",
    "planning": "PlanRequest plan",
    "bench_sheets": "SheetRequest sheet",
    "proving": "ProveRequest prove",
    "necks": "NeckReadings NeckRequest neck",
    "pitches": "PitchRequest pitch",
    "playing": "PlayRequest play",
    "demonstration": "DemoRequest demo",
    "on_machine": "MachineRequest",
    "programs": "ProgramCheckRequest ProgramRequest check_program program",
    "describing": "MachineCheckRequest check_machine",
    "archive_requests": "AddRequest NoteRequest",
    "archives": "Dossiers archive",
    "invented_years": "example_archive",
    "lot_judging": "JudgeRequest",
    "lots": "LotRequest RisksRequest lot plan_for_risks",
    "gauge_studies": "GaugeRequest StudySheetRequest study_gauge study_sheet",
    "quality": "CapabilityRequest ChartRequest capability chart",
}


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    room = next(room for room, names in _ROOMS.items() if name in names.split())
    return getattr(import_module(f"evenfall.workshop.{room}"), name)
