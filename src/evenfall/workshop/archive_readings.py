"""What an archive holds of many instruments, as a sheet with a row for each reading.

It is read by the same reader as a sheet that somebody typed, so charts and capability need not know
where readings come from.
"""

from __future__ import annotations

import csv
import io
import json
from collections import defaultdict
from typing import TYPE_CHECKING, Any

from evenfall.records.entries import Entry, standing
from evenfall.workshop.opening import Source

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from evenfall.records.archive import Archive

QUANTITIES = {
    "relief_mm": "relief",
    "action_bass_mm": "action of the lowest string",
    "action_treble_mm": "action of string 1",
    "lowest_crown_mm": "lowest crown",
    "fret_life_mm": "fret life",
}
"""Figures of measurements, plans and proofs, by their name among the facts."""

_COLUMNS = ("quantity", "value", "unit", "time", "serial", "model", "document", "site", "person")
_KINDS = ("opened", "alias", "measurement", "plan", "proof", "check")


def archive_readings(archive: Archive) -> Source:
    """Return every figure of measurements, plans, proofs and check readings as a sheet.

    Entries that a later one corrects, and those that a partner withheld, are left out. The factor
    `document` says which kind a figure is from; check readings are deviations from the standard.
    """
    dossiers: dict[str, list[Entry]] = defaultdict(list)
    for entry in archive.entries_of_kinds(list(archive.dossiers()), _KINDS):
        dossiers[entry.dossier].append(entry)
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for entries in dossiers.values():
        writer.writerows(_rows(entries))
    return Source("archive", stream.getvalue().encode())


def _rows(entries: Sequence[Entry]) -> Iterator[Sequence[Any]]:
    known = [entry for entry in entries if entry.facts is not None]
    opened = next((_facts(entry) for entry in known if entry.kind == "opened"), {})
    serials = [
        _facts(entry)["value"]
        for entry in standing(known, "alias")
        if _facts(entry)["sort"] == "serial"
    ]
    serial, model = "|".join(one for one in serials if one), opened.get("name", "")
    for kind in ("measurement", "plan", "proof", "check"):
        for entry in standing(known, kind):
            facts = _facts(entry)
            about = (_time(facts, entry), serial, model, kind, entry.site[:8], entry.person)
            if kind == "check":
                off = facts["read_mm"] - facts["reference_mm"]
                yield f"check of {facts['standard']}", off, "mm", *about
            for name, quantity in QUANTITIES.items():
                if isinstance(value := facts.get(name), int | float):
                    yield quantity, value, "mm", *about


def _facts(entry: Entry) -> dict[str, Any]:
    made: dict[str, Any] = json.loads(entry.facts or "{}")
    return made


def _time(facts: dict[str, Any], entry: Entry) -> str:
    """Return when it was done, where that names a moment with its zone, else when it was filed."""
    done = str(facts.get("done", ""))
    return done if done.endswith("Z") or "+" in done else entry.at
