"""Setup of fretted instruments, from readings to proof.

>>> import evenfall as ef
>>> readings = ef.Source.invented("tesquil-before.csv")
>>> outcome = ef.plan(ef.PlanRequest(readings, ef.Source.invented("tesquil.spec.toml")))
>>> outcome.plan.removal_mm.shape
(6, 22)
>>> finding = ef.Finding("row", "Row {row} is empty.", ef.At(rows=(7,)), row=7)
>>> finding.sentence, finding.where
('Row 7 is empty.', 'row 7')

Long work can be stopped by what is told of it:

>>> def stop(doing: str, share: float) -> None:
...     raise ef.Cancelled
>>> watch: ef.Progress = stop
>>> try:
...     ef.plan(ef.PlanRequest(readings, ef.Source.invented("tesquil.spec.toml")), watch)
... except ef.EvenfallError as error:
...     print(error.sentence)
Stopped as asked; nothing was written.

The use cases have the names that they have on the command line; each takes a request and returns
an outcome, see `evenfall.workshop`. Beside them stand the types of the data that outcomes hold.
Each name is loaded when it is asked for: importing the package imports nothing heavy.
"""

# ruff: noqa: F403, F405  (what the workshop hands on stands in the list below; a test compares)
from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType

TYPE_CHECKING = False  # for type checkers; loading `typing` takes long enough to be interrupted
if TYPE_CHECKING:
    from evenfall.client import Connection, connect
    from evenfall.errors import At, Cancelled, EvenfallError, Finding, Progress
    from evenfall.gates import Accepted
    from evenfall.instrument import Specification, read_specification
    from evenfall.levelling import Diagnosis, Session
    from evenfall.measurement import Heights, Measurement, Origin
    from evenfall.neck import NeckForecast
    from evenfall.plan import Plan
    from evenfall.proof import Item, Proof
    from evenfall.scans import CrownSurvey
    from evenfall.strings.playtest import PlayTest
    from evenfall.work import BenchSheet
    from evenfall.workshop import *

__version__ = "0.1.0"
__all__ = [
    "Accepted",
    "AddRequest",
    "At",
    "BenchSheet",
    "Cancelled",
    "CapabilityRequest",
    "CausesRequest",
    "ChartRequest",
    "CheckRequest",
    "Connection",
    "CrownSurvey",
    "DemoRequest",
    "DiagnoseRequest",
    "Diagnosis",
    "Dossiers",
    "EvenfallError",
    "Finding",
    "GaugeRequest",
    "Heights",
    "Item",
    "JudgeRequest",
    "LotRequest",
    "MachineCheckRequest",
    "MachineRequest",
    "MeasureRequest",
    "MeasuredLotRequest",
    "Measurement",
    "NeckForecast",
    "NeckReadings",
    "NeckRequest",
    "NoteRequest",
    "Origin",
    "PitchRequest",
    "Plan",
    "PlanRequest",
    "PlayRequest",
    "PlayTest",
    "ProgramCheckRequest",
    "ProgramRequest",
    "Progress",
    "Proof",
    "ProveRequest",
    "RisksRequest",
    "Session",
    "SheetRequest",
    "Source",
    "Specification",
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
    "connect",
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
    "read_specification",
    "sheet",
    "starter",
    "study_gauge",
    "study_sheet",
    "template",
]

#: Where the types of the data stand; use cases and requests stand in the workshop.
_ROOMS = {
    "instrument": "Specification read_specification",
    "measurement": "Heights Measurement Origin",
    "gates": "Accepted",
    "plan": "Plan",
    "levelling": "Diagnosis Session",
    "neck": "NeckForecast",
    "strings.playtest": "PlayTest",
    "scans": "CrownSurvey",
    "work": "BenchSheet",
    "proof": "Item Proof",
    "client": "Connection connect",
    "errors": "At Cancelled EvenfallError Finding Progress",
}


def __getattr__(name: str) -> object:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    room = next((room for room, names in _ROOMS.items() if name in names.split()), "workshop")
    return getattr(import_module(f"evenfall.{room}"), name)


def __dir__() -> list[str]:
    return [*__all__, "__version__"]


class _Face(ModuleType):
    """The package; a stage (`plan`, `neck`) does not hide the use case of the same name.

    Python would set every module that is imported as an attribute of its package.
    """

    def __setattr__(self, name: str, value: object) -> None:
        if not (isinstance(value, ModuleType) and name in __all__):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Face
