"""The use case "check_machine": machine, cutters, fixture or parts, described and checked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeVar

from evenfall.codec import plain
from evenfall.errors import At, RequestError
from evenfall.units import LengthUnit
from evenfall.work.descriptions import (
    Description,
    Fixture,
    Machine,
    Parts,
    read_description,
    schema_of,
)
from evenfall.workshop.opening import Source

Described = TypeVar("Described")


@dataclass(frozen=True, slots=True)
class MachineCheckRequest:
    """Which description to check.

    Parameters
    ----------
    description
        The file (TOML): of a machine, of cutters, of a fixture, or of parts that are cut.
    """

    description: Source


@dataclass(frozen=True, slots=True)
class MachineCheckOutcome:
    """A description that is complete and consistent."""

    description: Description  # the machine, the cutters, the fixture, or the parts

    @property
    def kind(self) -> str:
        """What was described: "machine", "cutters", "fixture" or "parts"."""
        kinds = {Machine: "machine", Fixture: "fixture", Parts: "parts"}
        return kinds.get(type(self.description), "cutters")

    @property
    def unit(self) -> LengthUnit:
        """Unit that the file is written in; of cutters mm."""
        return "mm" if isinstance(self.description, tuple) else self.description.unit

    def as_dict(self) -> dict[str, Any]:
        """Return what is described as plain values for JSON, lengths in mm."""
        return {"schema": schema_of(self.kind), self.kind: plain(self.description)}


def check_machine(request: MachineCheckRequest) -> MachineCheckOutcome:
    """Read a description of machine, cutters, fixture or parts, every fault in it at once.

    Parameters
    ----------
    request
        The file.

    Raises
    ------
    DescriptionError
        With every fault in it.
    RequestError, FormatMismatchError, UnsupportedError
        The file cannot be read as text.

    Examples
    --------
    >>> import evenfall as ef
    >>> file = ef.Source.invented("yard.cutters.toml")
    >>> ef.check_machine(ef.MachineCheckRequest(file)).kind
    'cutters'
    """
    file = request.description
    return MachineCheckOutcome(read_description(file.text(), source=file.name))


def described(source: Source, wanted: type[Described], what: str) -> Described:
    """Return what a file describes, refused where it describes something else."""
    made = read_description(source.text(), source=source.name)
    if not isinstance(made, wanted):
        raise RequestError(
            "This file does not describe {what}; name another.",
            at=At(file=source.name),
            what=what,
        )
    return made
