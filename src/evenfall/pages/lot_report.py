"""The report of a lot as a page: what was decided, by what, where inspection stands, who signed."""

from __future__ import annotations

from collections.abc import Sequence

from evenfall.pages.page import Page
from evenfall.pages.typesetting import Paper, breakable, paper_for
from evenfall.units import LengthUnit


def lot_report_page(
    *,
    name: str,
    model: str,
    facts: Sequence[tuple[str, str]],
    code: str,
    headline: str,
    parts: Sequence[tuple[str, Sequence[str]]],
    alarm: bool,
    unit: LengthUnit,
    paper: Paper | None = None,
) -> Page:
    """Return the report as a page; `code` begins the hash of the entry that the lot is."""
    content = {
        "name": "Lot",
        "serial": name,
        "model": model,
        "facts": [list(pair) for pair in facts],
        "code": code,
        "job": code,
        "job_kind": "lot",
        "headline": breakable(headline),
        "parts": [
            {
                "title": title,
                "lines": [{"said": breakable(one), "alarm": alarm and not n} for one in lines],
            }
            for n, (title, lines) in enumerate(parts)
            if lines
        ],
    }
    return Page("report", content, paper or paper_for(unit))
