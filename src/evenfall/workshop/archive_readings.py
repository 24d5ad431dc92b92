"""What an archive holds of many instruments, as the same table that a sheet of readings makes."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.errors import At, Finding, RequestError
from evenfall.production.factors import check_names
from evenfall.sheets.tidy import NO_READING, TidyTable

if TYPE_CHECKING:
    from sqlalchemy import Connection, Row

    from evenfall.records.archive import Archive
    from evenfall.records.figures import Figures

MOST_READINGS = 20_000
"""Readings of one chart; of more the newest are taken, and that is said."""
SITE_DIGITS = 8
"""So much of the id of a site is shown."""
_PREFERRED = ("proof", "measurement", "plan", "check", "step")
_LISTED = ("model", "station", "batch", "cutter")
_NUMBERS = ("cutter_uses", "humidity", "temperature")
_ALWAYS = ("document", "dossier")
"""Columns of every table, whichever are asked for."""
_SHOWN = 8


@dataclass(frozen=True, slots=True)
class Filed:
    """Readings that an archive holds, in place of a sheet.

    Check readings are deviations from the standard. Entries that a later one corrects, and those
    that a partner withheld, are left out.
    """

    archive: Archive
    since: str = ""  # ISO 8601: from then on
    until: str = ""  # ISO 8601: before then
    most: int = MOST_READINGS  # the newest so many

    def table(
        self, quantity: str, only: Mapping[str, str], factors: Collection[str] | None = None
    ) -> TidyTable:
        """Return the readings of a quantity, with these factors or all of them.

        `only` names factors that must have a value.
        """
        from evenfall.records.figures import (
            FACTORS,
            Figures,
            kinds_of,
            kinds_of_figures,
            newest_figures,
        )

        with self.archive.reading() as connection:
            kinds = kinds_of(connection, quantity)
            if not kinds:  # another spelling, or none
                there = kinds_of_figures(connection)
                quantity = _one_of(there, quantity)
                kinds = there[quantity]
            document = only.get("document") or min(kinds, key=_PREFERRED.index)
            wanted = {name: value for name, value in only.items() if name != "document"}
            asked = Figures(quantity, document, self.since, self.until, wanted)
            columns = FACTORS if factors is None else tuple(dict.fromkeys(factors))
            check_names((*wanted, *columns), (*FACTORS, *_ALWAYS))
            columns = tuple(name for name in columns if name not in _ALWAYS)
            rows = newest_figures(connection, asked, self.most + 1, columns)
            if not rows:
                raise _nothing(connection, asked, kinds)
        return self._made(quantity, document, rows, kinds)

    def _made(
        self, quantity: str, document: str, rows: list[Row[Any]], kinds: list[str]
    ) -> TidyTable:
        findings = []
        if others := tuple(kind for kind in kinds if kind != document):
            text = (
                "Taken are the figures of a {document}; there are others, named by the factor "
                "document: {others:list}."
            )
            said = Finding("route", text, severity="note", document=document, others=others)
            findings.append(said)
        if len(rows) > self.most:
            rows = rows[1:]
            text = (
                "There are more readings: these are the newest {most}, from {first} on. For "
                "earlier ones name a time that they end before."
            )
            first = str(rows[0].at)[:10]
            findings.append(
                Finding("route", text, At(field="until"), "note", most=self.most, first=first)
            )
        columns: dict[str, tuple[Any, ...]] = dict(
            zip(rows[0]._fields, zip(*rows, strict=True), strict=True)
        )
        values, times, units = (columns.pop(name) for name in ("value", "at", "unit"))
        columns["document"] = (document,) * len(rows)
        if len(set(units)) > 1:
            raise RequestError(
                "The readings of {quantity} have several units, {units:list}; choose some that "
                "have one.",
                quantity=quantity,
                units=tuple(sorted(set(units))),
            )
        if persons := columns.get("person"):
            known = self.archive.people(set(persons) - {""})
            people = {number: person.name for number, person in known.items()}
            columns["person"] = tuple(people.get(number, number) for number in persons)
        if sites := columns.get("site"):
            columns["site"] = tuple(site[:SITE_DIGITS] for site in sites)
        return TidyTable(
            quantity,
            units[0],
            False,
            np.array(values, dtype=float),
            np.zeros(0),
            times,
            units,
            (),
            columns,
            tuple(findings),
        )


def _one_of(there: Mapping[str, list[str]], quantity: str) -> str:
    """Return the quantity that is wanted, as it is written in the archive."""
    if not there:
        raise RequestError(
            "The archive holds no figure yet; file measurements, proofs or check readings."
        )
    if not quantity and len(there) == 1:
        return next(iter(there))
    found = [name for name in there if name.casefold() == quantity.strip().casefold()]
    if found:
        return found[0]
    text = "The archive holds several quantities, {there:quoted}; name one with {door_quantity}."
    if quantity:
        text = "The archive holds no {quantity:quoted}; it holds {there:quoted}."
    raise RequestError(text, quantity=quantity, there=tuple(there)[:8])


def _nothing(connection: Connection, asked: Figures, kinds: list[str]) -> RequestError:
    """Return why no reading was found."""
    from evenfall.records.figures import factor_values, newest_figures

    if asked.document not in kinds:
        return RequestError(
            "No reading of {quantity} is from a {document:quoted}; there are {there:quoted}.",
            at=At(field="only"),
            quantity=asked.quantity,
            document=asked.document,
            there=tuple(kinds),
        )
    for name, wanted in asked.only.items():
        alone = replace(asked, since="", until="", only={name: wanted})
        if name in _NUMBERS or newest_figures(connection, alone, 1):
            continue
        there = []
        if name in _LISTED:
            there = factor_values(connection, asked.quantity, asked.document, name, _SHOWN)
        text = NO_READING if there else "No reading has {name} {wanted:quoted}."
        return RequestError(text, at=At(field="only"), name=name, wanted=wanted, there=tuple(there))
    return RequestError(
        "No reading of {quantity} was filed with all of that; choose less.",
        at=At(field="only"),
        quantity=asked.quantity,
    )
