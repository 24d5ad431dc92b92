"""The use case "sheet": a plan to print and follow at the bench."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from evenfall.codec import plain, with_words
from evenfall.errors import Progress, silent
from evenfall.pages import sheet_page
from evenfall.pages.typesetting import Paper
from evenfall.pictures.inks import PAGE, PRINT
from evenfall.units import LengthUnit
from evenfall.wording import LIBRARY_WORDS
from evenfall.work import BenchSheet, bench_sheet
from evenfall.workshop.opening import Source, open_plan
from evenfall.workshop.outputs import drawn
from evenfall.workshop.planning import plan_drawings


@dataclass(frozen=True, slots=True)
class SheetRequest:
    """Which plan to put on a bench sheet, and how.

    Parameters
    ----------
    plan
        Plan file.
    kinds
        Any of "pdf" and "html".
    unit
        Unit of the lengths; if left out, the specification's with the other one in brackets.
    paper
        "a4" or "us-letter"; by default what goes with the unit.
    """

    plan: Source
    kinds: tuple[str, ...] = ("pdf", "html")
    unit: LengthUnit | None = None
    paper: Paper | None = None


@dataclass(frozen=True, slots=True)
class SheetOutcome:
    """A bench sheet."""

    sheet: BenchSheet  # what it says, as data
    pages: dict[str, bytes]  # the files, by kind
    unit: LengthUnit  # unit of their lengths

    def as_dict(self, door: Mapping[str, str] = LIBRARY_WORDS) -> dict[str, Any]:
        """Return what the sheet asks for and what waits, as plain values for JSON."""
        notes = [asdict(note) for note in self.sheet.notes]
        values = {"code": self.sheet.code, "headline": self.sheet.banner.headline, "notes": notes}
        return with_words(plain(values), self.unit, door)


def sheet(request: SheetRequest, progress: Progress = silent) -> SheetOutcome:
    """Make the bench sheet of a plan.

    Parameters
    ----------
    request
        The plan, and what to make.
    progress
        Told what is being done; it may stop the work.

    Raises
    ------
    EvenfallError
        The file is no plan, or it is damaged.

    Examples
    --------
    >>> import evenfall as ef
    >>> before = ef.Source.invented("tesquil-before.csv")
    >>> spec = ef.Source.invented("tesquil.spec.toml")
    >>> from evenfall.workshop.outputs import json_file
    >>> plan = ef.plan(ef.PlanRequest(before, spec)).plan
    >>> outcome = ef.sheet(ef.SheetRequest(ef.Source("a.plan.json", json_file(plan.as_dict()))))
    >>> sorted(outcome.pages)
    ['html', 'pdf']
    """
    specification, made = open_plan(request.plan)
    unit = request.unit or specification.unit
    content = bench_sheet(specification, made)
    page = sheet_page(content, unit=unit, both=request.unit is None, paper=request.paper)
    names: tuple[str, ...] = ("buzz force planned",)
    if content.preview:  # a sheet that asks for no cut shows none
        names = ("buzz force as found",)
    elif made.metal_mm > 0.0:
        names = ("removal", *names)
    pages = {}
    for number, kind in enumerate(request.kinds):
        progress("Setting the bench sheet", number / len(request.kinds))
        drawings = plan_drawings(specification, made, unit, PRINT if kind == "pdf" else PAGE)
        pages[kind] = page.file(kind, drawn(drawings, progress, names))
    return SheetOutcome(content, pages, unit)
