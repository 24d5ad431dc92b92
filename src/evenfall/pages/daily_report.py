"""The report of a day as a page: what came through, and what somebody has to act on."""

from __future__ import annotations

from collections.abc import Sequence

from evenfall.pages.page import Page
from evenfall.pages.typesetting import Paper, breakable, paper_for
from evenfall.units import LengthUnit


def daily_report_page(
    *,
    day: str,
    headline: str,
    parts: Sequence[tuple[str, Sequence[tuple[str, bool]]]],
    unit: LengthUnit,
    invented: bool,
    paper: Paper | None = None,
) -> Page:
    """Return the report as a page; of each line its words, and whether it asks for action."""
    content = {
        "name": "Daily report",
        "serial": day,
        "model": "Invented workshops" if invented else "",
        "facts": [],
        "code": day,
        "job": day,
        "job_kind": "day",
        "headline": headline,
        "parts": [
            {"title": title, "lines": [{"said": breakable(s), "alarm": a} for s, a in lines]}
            for title, lines in parts
        ],
    }
    return Page("report", content, paper or paper_for(unit))
