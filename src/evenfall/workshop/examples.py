"""Invented instruments for a new archive: one read, one set up to the settings, one proved."""

from __future__ import annotations

from typing import TYPE_CHECKING

from evenfall.measurement import Measurement
from evenfall.workshop import AddRequest
from evenfall.workshop.measuring import MeasureRequest, measure
from evenfall.workshop.opening import Source
from evenfall.workshop.outputs import json_file
from evenfall.workshop.planning import PlanRequest, plan
from evenfall.workshop.proving import ProveRequest, prove
from evenfall.workshop.story import report_done

if TYPE_CHECKING:
    from evenfall.workshop.archives import Dossiers

SERIALS = ("UY-0415 (invented)", "UY-0416 (invented)", "UY-0417 (invented)")


def file_examples(dossiers: Dossiers, *, at: str) -> None:
    """File three invented instruments at three stops of the job; `at` is the time, ISO 8601."""
    specification = Source.invented("tesquil.spec.toml")

    def read(stage: str, serial: str) -> Measurement:
        sheet = Source.invented(f"tesquil-{stage}.csv")
        return measure(MeasureRequest((sheet,), specification, serial)).measurement

    for number, serial in enumerate(SERIALS):
        found = read("before", serial)
        file = Source("found.measurement.json", json_file(found.as_dict()))
        dossiers.add(AddRequest((file,), serial=serial, job=f"22{7 + number:02d}"))
        if number < 1:
            continue
        first = plan(PlanRequest(file)).plan
        dossiers.file(first)
        report_done(dossiers, serial, first.code, at=at)
        settled = read("settled", serial)
        dossiers.file(settled)
        if number < 2:
            continue
        file = Source("settled.measurement.json", json_file(settled.as_dict()))
        second = plan(PlanRequest(file, settled=True)).plan
        dossiers.file(second)
        report_done(dossiers, serial, second.code, at=at)
        after = Source("after.json", json_file(read("after", serial).as_dict()))
        proved = prove(ProveRequest(Source("a.plan.json", json_file(second.as_dict())), after))
        dossiers.file(proved.after, proved.proof)
