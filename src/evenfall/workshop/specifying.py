"""A specification while somebody writes it: its form, what the checks say, and who uses it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from evenfall.errors import Finding, FindingsError
from evenfall.instrument import Specification, read_specification
from evenfall.instrument.specification_form import Section, form_of, path_at
from evenfall.records.entries import legible
from evenfall.workshop.archive_filing import papers_of_document
from evenfall.workshop.archive_requests import AddRequest
from evenfall.workshop.archive_views import Line, fact
from evenfall.workshop.measuring import MeasureRequest, measure
from evenfall.workshop.story import needed, readings_files, specification_of

if TYPE_CHECKING:
    from evenfall.workshop.archives import Dossiers


@dataclass(frozen=True, slots=True)
class Written:
    """A specification's text as far as it is written."""

    text: str
    sections: tuple[Section, ...]  # its form; empty where the text is no TOML
    findings: tuple[Finding, ...]  # what the checks say, faults and remarks
    specification: Specification | None  # None while there are faults

    @property
    def paths(self) -> tuple[str, ...]:
        """The field that each finding is about; empty where it is about none."""
        return tuple(path_at(one.at) for one in self.findings)

    @property
    def values(self) -> dict[str, str]:
        """What stands in each field."""
        return {
            field.path: field.given
            for section in self.sections
            for row in section.rows
            for field in row
        }


def look_at_text(text: str) -> Written:
    """Return what the checks say of a text, with its form where it has one."""
    sections: tuple[Section, ...] = ()
    try:
        sections = form_of(text)
        specification, remarks = read_specification(text)
    except FindingsError as error:
        readable = error.findings and not any(one.at.field == "" for one in error.findings)
        return Written(text, sections if readable else (), error.findings, None)
    return Written(text, sections, remarks, specification)


def models(dossiers: Dossiers) -> tuple[Line, ...]:
    """Return the models whose specification is filed, by name."""
    named = dossiers.lines(dossiers.archive.beginning("model "))
    found = (line for line in named if line.subject == "model")
    return tuple(sorted(found, key=lambda line: line.name.casefold()))


def users_of(dossiers: Dossiers, specification: Specification) -> tuple[Line, ...]:
    """Return the dossiers in which this very specification is filed, by number and name."""
    named = dossiers.archive.named(specification.content_hash)
    return tuple(sorted(dossiers.lines(named), key=lambda line: line.title.casefold()))


def read_by_newest(dossiers: Dossiers, name: str, *, person: str = "", since: str = "") -> None:
    """File the readings filed last once more, as the newest specification reads them.

    With `since` it is refused where the dossier no longer has that version.
    """
    dossier = dossiers.named(name)
    source = needed(specification_of(dossiers, dossier), "specification")
    files = needed(readings_files(dossiers, dossier) or None, "file of readings")
    (line,) = dossiers.lines([dossier])
    made = measure(MeasureRequest(files, source, serial=line.serial))
    before = legible(dossiers.archive.entries(dossier), "measurement")[-1]
    read = fact(before, "content_hash")
    papers = papers_of_document(made.measurement, person=person, read_before=read)
    dossiers.add(AddRequest(instrument=dossier, person=person, since=since), [papers])
