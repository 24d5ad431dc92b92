"""The bench sheet as a page."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING

from evenfall.pages.drawings import checked, job_text, square_code
from evenfall.pages.typesetting import breakable, paper_for, pdf

if TYPE_CHECKING:
    from collections.abc import Mapping

    from evenfall.pages.typesetting import Paper
    from evenfall.work.sheet import BenchSheet


def sheet_pdf(
    sheet: BenchSheet, pictures: Mapping[str, str] | None = None, *, paper: Paper | None = None
) -> bytes:
    """Return the bench sheet as PDF.

    Parameters
    ----------
    sheet
        What it says.
    pictures
        SVG drawings by the name that stands over them; each on a page of its own after the sheet.
    paper
        "a4" or "us-letter"; by default what goes with the sheet's unit.

    Raises
    ------
    RequestError
        A picture is not an SVG drawing that may stand on a page.
    """
    pictures = pictures or {}
    for _ in checked(pictures):
        pass
    data = {
        "sheet": asdict(sheet),
        "titles": {
            "serial": breakable(sheet.serial),
            "model": breakable(sheet.model),
            "kind": breakable(sheet.kind),
        },
        "paper": paper or paper_for(sheet.unit),
        "code_text": job_text(sheet.code),
        "code_picture": square_code(job_text(sheet.code)),
        "pictures": [{"name": name, "svg": svg} for name, svg in pictures.items()],
    }
    return pdf("bench_sheet.typ", data)
