"""The dossier of an instrument as a page: every entry in words, the story as a drawing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass

from evenfall.pages.page import Page
from evenfall.pages.typesetting import Paper, breakable, paper_for
from evenfall.units import LengthUnit


@dataclass(frozen=True, slots=True)
class Row:
    """One entry as the page shows it."""

    day: str  # when it was done, where that was said, else when it was filed
    kind: str
    words: str
    person: str
    mark: str  # signed, corrected later
    code: str  # the first digits of its hash


def dossier_page(
    *,
    serial: str,
    model: str,
    facts: Sequence[tuple[str, str]],
    code: str,
    rows: Sequence[Row],
    remarks: Sequence[str],
    unit: LengthUnit,
    paper: Paper | None = None,
) -> Page:
    """Return a dossier as a page; `code` is the beginning of its id."""
    content = {
        "name": "Dossier",
        "serial": serial,
        "model": model,
        "facts": [list(pair) for pair in facts],
        "code": code,
        "job": code,
        "job_kind": "dossier",
        "rows": [
            {**asdict(row), "words": breakable(row.words), "person": breakable(row.person)}
            for row in rows
        ],
        "remarks": [breakable(one) for one in remarks],
    }
    return Page("dossier", content, paper or paper_for(unit))
