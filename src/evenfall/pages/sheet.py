"""The bench sheet as a page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from evenfall.pages.figures import Figures
from evenfall.pages.page import Page
from evenfall.pages.typesetting import Paper, paper_for
from evenfall.units import LengthUnit

if TYPE_CHECKING:
    from evenfall.work.parts import BenchSheet, Cell


def sheet_page(
    sheet: BenchSheet, *, unit: LengthUnit, both: bool = False, paper: Paper | None = None
) -> Page:
    """Return the bench sheet as a page.

    Parameters
    ----------
    sheet
        What it says.
    unit
        "mm" or "in", for every length.
    both
        Whether the figures of its tables stand in the other unit as well, in small.
    paper
        "a4" or "us-letter"; by default what goes with the unit.
    """
    figures = Figures(unit, both=both)
    told: dict[str, Any] = figures.plain(sheet)
    steps = (*sheet.steps, sheet.after, *sheet.preview)
    for step, words in zip(steps, (*told["steps"], told["after"], *told["preview"]), strict=True):
        for target, one in zip(step.targets, words["targets"], strict=True):
            one.update(_figures(target.length_mm, figures))
        by_fret = any(line["label"].isdigit() for line in words["rows"])
        words["head"] = "Fret" if by_fret else "String"
        for row, line in zip(step.rows, words["rows"], strict=True):
            line["cells"] = [_cell(cell, figures) for cell in row.cells]
            line["limits"] = any(cell.limits_mm for cell in row.cells)
    for column in told["columns"]:
        column["gauge"] = f"ø{figures.figure(column['gauge_mm']).removesuffix('0')}"
    told |= {
        "name": "Bench sheet",
        "model": f"{sheet.model}, {sheet.kind}",
        "job": sheet.code,
        "unit": unit,
        "unit_name": {"mm": "millimetres", "in": "inches"}[unit],
        "beside": figures.beside or "",
    }
    return Page("bench_sheet", told, paper or paper_for(unit))


def _figures(length_mm: float, figures: Figures) -> dict[str, str]:
    """Return a length as figures; one that somebody shall take off never reads as zero."""
    return {
        "figure": figures.figure(length_mm, never_zero=True),
        "small": figures.small(length_mm, never_zero=True),
    }


def _cell(cell: Cell, figures: Figures) -> dict[str, Any] | None:
    if cell.length_mm is None:
        return None
    return {
        **_figures(cell.length_mm, figures),
        "move": cell.move,
        "limits": _limits(cell, figures),
        "halfway": cell.halfway,
    }


def _limits(cell: Cell, figures: Figures) -> list[str]:
    """Return both limits as figures, if there are any, marked where the length is outside them."""
    if cell.limits_mm is None:
        return []
    low, high = (figures.figure(limit_mm) for limit_mm in cell.limits_mm)
    return [f"! {low}" if cell.outside else low, high]
