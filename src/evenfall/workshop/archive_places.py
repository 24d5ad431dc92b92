"""Where something belongs that is to be filed: by which labels, and to which dossier they lead."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from evenfall.errors import RequestError
from evenfall.names import same_name
from evenfall.records import Filing
from evenfall.workshop.archive_views import Line, listed

if TYPE_CHECKING:
    from evenfall.workshop.archive_requests import AddRequest


def labels_of_place(
    request: AddRequest, serial: str, model: str, filings: Sequence[Filing]
) -> set[str]:
    """Return the labels by one of which a dossier is found; none where that is not left open."""
    if request.instrument or request.new:
        return set()
    if request.subject == "model":
        return {f"model {model or request.name}"}
    if serial:
        return {serial}
    own = [filing.facts for filing in filings if filing.kind in ("measurement", "plan", "proof")]
    return {named for facts in own for named in (facts["content_hash"], *facts["follows"])}


def place_among(found: Sequence[Line], request: AddRequest, serial: str, model: str) -> str | None:
    """Return to which of the dossiers that were found something belongs; None for a new one."""
    if request.subject == "model":
        return found[0].dossier if len(found) == 1 else None
    if not serial:
        if len(found) > 1:
            raise RequestError(
                "What these files follow from is in several dossiers: {lines:list}. Say which of "
                "them this is, by its id, or that it is a new instrument: {door_archive_add}.",
                lines=tuple(map(listed, found)),
            )
        return found[0].dossier if found else None
    numbered = [line for line in found if same_name(serial, line.serial)]
    fitting = [line for line in numbered if not model or line.name == model]
    if len(fitting) == 1:
        return fitting[0].dossier
    if not numbered:
        return None
    raise RequestError(
        "The serial number {serial:quoted} is in the archive already: {lines:list}. Say which "
        "of them this is, by its id, or that it is a new instrument: {door_archive_add}.",
        serial=serial,
        lines=tuple(map(listed, numbered)),
    )
