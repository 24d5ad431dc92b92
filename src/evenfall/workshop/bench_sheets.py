"""The use case "sheet": a plan to print and follow at the bench."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from evenfall.errors import Progress, silent
from evenfall.pages import sheet_page
from evenfall.pictures.inks import PAGE, PRINT
from evenfall.work import bench_sheet
from evenfall.workshop.opening import Source, open_plan
from evenfall.workshop.outputs import drawn
from evenfall.workshop.planning import plan_drawings

if TYPE_CHECKING:
    from evenfall.instrument import Specification
    from evenfall.pages.typesetting import Paper
    from evenfall.plan import Plan
    from evenfall.units import LengthUnit

_ON_PAPER = ("removal", "buzz force planned")
_WAITING = ("buzz force as found",)  # a sheet that asks for no cut shows none


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
    """A bench sheet.

    Parameters
    ----------
    code
        Short code of the plan, printed on the sheet.
    pages
        The files, by kind.
    """

    code: str
    pages: dict[str, bytes]

    def as_dict(self) -> dict[str, Any]:
        """Return what is not in the pages, as plain values for JSON."""
        return {"code": self.code}


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
    pages = sheet_pages(
        specification, made, request.kinds, request.unit, request.paper, progress=progress
    )
    return SheetOutcome(made.code, pages)


def sheet_pages(
    specification: Specification,
    made: Plan,
    kinds: tuple[str, ...] = ("pdf", "html"),
    unit: LengthUnit | None = None,
    paper: Paper | None = None,
    *,
    progress: Progress = silent,
) -> dict[str, bytes]:
    """Return the bench sheet of a plan by kind of file."""
    shown, both = unit or specification.unit, unit is None
    content = bench_sheet(specification, made)
    page = sheet_page(content, unit=shown, both=both, paper=paper)
    names = _WAITING if content.preview else _ON_PAPER
    pages = {}
    for number, kind in enumerate(kinds):
        progress("Setting the bench sheet", number / len(kinds))
        theme = PRINT if kind == "pdf" else PAGE
        drawings = plan_drawings(specification, made, shown, theme)
        pages[kind] = page.file(kind, drawn(drawings, progress, names))
    return pages
