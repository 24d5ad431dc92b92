"""The use cases of a specification alone: checked, and an empty sheet for its readings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from evenfall.instrument import string_lines
from evenfall.wording import LIBRARY_WORDS
from evenfall.workshop.opening import Source, open_specification

if TYPE_CHECKING:
    from evenfall.errors import Finding
    from evenfall.instrument import Specification
    from evenfall.units import LengthUnit


@dataclass(frozen=True, slots=True)
class CheckRequest:
    """Which specification to check.

    Parameters
    ----------
    specification
        The file (TOML).
    """

    specification: Source


@dataclass(frozen=True, slots=True)
class CheckOutcome:
    """A specification that is complete and consistent.

    Parameters
    ----------
    specification
        The specification.
    findings
        What is unusual about it.
    """

    specification: Specification
    findings: tuple[Finding, ...]

    def as_dict(
        self, unit: LengthUnit = "mm", door: Mapping[str, str] = LIBRARY_WORDS
    ) -> dict[str, Any]:
        """Return what follows from the specification, and the findings, as plain values."""
        spec = self.specification
        strings = [
            {
                "string": s.number,
                "pitch": s.pitch,
                "frequency_hz": s.frequency_hz,
                "gauge_mm": s.gauge_mm,
                "mass_per_length_g_per_m": 1000.0 * s.linear_density_kg_per_m,
                "speaking_length_mm": s.speaking_length_mm,
                "tension_n": s.tension_n,
                "inharmonicity": s.inharmonicity,
                "attack_n": spec.player.attack_n[s.number - 1],
                "action_mm": spec.target.action[s.number - 1].value_mm,
                "first_fret_gap_mm": spec.target.first_fret_gap[s.number - 1].value_mm,
            }
            for s in spec.strings
        ]
        places = string_lines(spec).station_mm
        return {
            "name": spec.name,
            "kind": spec.kind,
            "frets": spec.frets,
            "specification_hash": spec.content_hash,
            "total_tension_n": sum(s.tension_n for s in spec.strings),
            "strings": strings,
            "fret_places_mm": [[float(x) for x in row[1:]] for row in places],
            "findings": [f.as_dict(unit, door) for f in self.findings],
        }


def check_specification(request: CheckRequest) -> CheckOutcome:
    """Read a specification, with every fault in it at once.

    Parameters
    ----------
    request
        The file.

    Raises
    ------
    SpecificationError
        With every fault in it.
    RequestError, FormatMismatchError, UnsupportedError
        The file cannot be read as text.

    Examples
    --------
    >>> from evenfall import workshop
    >>> try:
    ...     workshop.check_specification(workshop.CheckRequest(workshop.Source("a.toml", b"")))
    ... except Exception as error:
    ...     error.code
    'specification'
    """
    return CheckOutcome(*open_specification(request.specification))


@dataclass(frozen=True, slots=True)
class TemplateRequest:
    """Which instrument an empty sheet is wanted for.

    Parameters
    ----------
    specification
        Its specification.
    kind
        "xlsx", with drop-down lists, or "csv".
    """

    specification: Source
    kind: Literal["csv", "xlsx"] = "xlsx"


@dataclass(frozen=True, slots=True)
class TemplateOutcome:
    """An empty sheet, ready to fill.

    Parameters
    ----------
    file_name
        A name for it.
    content
        The file.
    """

    file_name: str
    content: bytes


def template(request: TemplateRequest) -> TemplateOutcome:
    """Make an empty sheet for the readings of an instrument.

    Parameters
    ----------
    request
        The instrument and the kind of file.

    Raises
    ------
    EvenfallError
        The specification cannot be used, or the kind is another.

    Examples
    --------
    >>> import evenfall as ef
    >>> outcome = ef.template(ef.TemplateRequest(ef.Source.invented("tesquil.spec.toml")))
    >>> outcome.content[:2]
    b'PK'
    """
    from evenfall.sheets import empty_sheet

    specification, _ = open_specification(request.specification)
    stem = Path(request.specification.name).name.removesuffix(".toml").removesuffix(".spec")
    content = empty_sheet(specification, request.kind)
    return TemplateOutcome(f"{stem}.readings.{request.kind}", content)
