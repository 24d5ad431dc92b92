"""The use cases of a specification alone: a starter, a check, an empty sheet for its readings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from evenfall.errors import At, Finding, Progress, RequestError, silent
from evenfall.instrument import string_lines
from evenfall.instrument.specification import Hand
from evenfall.instrument.starters import starter as starter_text
from evenfall.levelling.ideal import IdealNeck, ideal_neck
from evenfall.names import check_line
from evenfall.pictures.inks import Theme
from evenfall.units import LengthUnit
from evenfall.workshop.kept import excursion
from evenfall.workshop.opening import Source, open_specification
from evenfall.workshop.outputs import Outcome


@dataclass(frozen=True, slots=True)
class StarterRequest:
    """Which starter specification is wanted.

    Parameters
    ----------
    kind
        A key of `evenfall.instrument.starters.STARTERS`.
    strings
        One of the kind's sets; the first if left out.
    scale_mm
        Scale length, with fanned frets that of the treble string; the kind's if left out.
    frets
        How many; the kind's number if left out.
    handed
        "right" or "left".
    unit
        Of the lengths in the file.
    name
        What the model is called; an invented name if left out.
    """

    kind: str
    strings: str | None = None
    scale_mm: float | None = None
    frets: int | None = None
    handed: Hand = "right"
    unit: LengthUnit = "mm"
    name: str | None = None


@dataclass(frozen=True, slots=True)
class StarterOutcome:
    """A specification to put one's own values into."""

    file_name: str  # a name for it
    text: str  # the file


def starter(request: StarterRequest) -> StarterOutcome:
    """Make a starter specification.

    Parameters
    ----------
    request
        The kind of instrument, and how it differs.

    Raises
    ------
    RequestError
        What was asked for does not go together.

    Examples
    --------
    >>> import evenfall as ef
    >>> made = ef.starter(ef.StarterRequest("ukulele", handed="left"))
    >>> made.file_name, 'handed = "left"' in made.text
    ('ukulele.spec.toml', True)
    """
    if request.name is not None and not request.name.strip():
        text = "The name of the model is empty; write one, or leave it out for an invented one."
        raise RequestError(text, at=At(field="name"))
    check_line("name", request.name or "")
    text = starter_text(
        request.kind,
        strings=request.strings,
        scale_mm=request.scale_mm,
        frets=request.frets,
        handed=request.handed,
        unit=request.unit,
        name=request.name,
    )
    return StarterOutcome(f"{request.kind}.spec.toml", text)


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
class CheckOutcome(Outcome):
    """A specification that is complete, what is unusual about it, and what follows from it."""

    ideal: IdealNeck  # the neck that is level and stands at its targets

    @property
    def findings_of_result(self) -> tuple[Finding, ...]:
        """What a level neck at these targets would not clear, and what was left open."""
        said = self.specification.setbacks_said
        at = At(field="[[string]] saddle_setback")
        text = "{said}"
        open_ = () if said is None else (Finding("pitch", text, at, "note", said=said),)
        return (*self.ideal.findings, *open_)

    @property
    def consistent(self) -> bool:
        """Whether nothing deserves a look."""
        return all(finding.severity == "note" for finding in self.findings)

    def values(self) -> dict[str, Any]:
        """Return what follows from the specification as plain values."""
        spec, ideal = self.specification, self.ideal
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
                "level_clear_n": min(
                    float(ideal.clear_n[s.number - 1]), float(ideal.open_clear_n[s.number - 1])
                ),
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
            "attack": spec.player.said.as_dict(),
            "relief_mm": spec.target.relief.value_mm,
            "total_tension_n": sum(s.tension_n for s in spec.strings),
            "strings": strings,
            "fret_places_mm": [[float(x) for x in row[1:]] for row in places],
        }

    def drawings(self, unit: LengthUnit, theme: Theme) -> dict[str, Callable[[], str]]:
        """Return what draws the ideal neck from the side, and what it clears."""
        from evenfall.pictures.fret_map import buzz_force_map
        from evenfall.pictures.ideal import ideal_side_view
        from evenfall.pictures.words import titled

        spec, ideal = self.specification, self.ideal
        return {
            "ideal neck": lambda: ideal_side_view(spec, ideal, unit=unit, theme=theme),
            "buzz force of the ideal neck": lambda: buzz_force_map(
                spec,
                ideal.buzz.force_n,
                ideal.attack_n,
                title=titled(spec, "", "buzz force of the ideal neck"),
                critical_fret=ideal.buzz.critical_fret,
                note_state=ideal.judged.note_state,
                theme=theme,
            ),
        }


def check_specification(request: CheckRequest, progress: Progress = silent) -> CheckOutcome:
    """Read a specification, with every fault in it at once, and judge its ideal neck.

    Parameters
    ----------
    request
        The file.
    progress
        Told what is being done; it may stop the work.

    Raises
    ------
    SpecificationError
        With every fault in it.
    RequestError, FormatMismatchError, UnsupportedError
        The file cannot be read as text.

    Examples
    --------
    >>> import evenfall as ef
    >>> try:
    ...     ef.check_specification(ef.CheckRequest(ef.Source("a.toml", b"")))
    ... except Exception as error:
    ...     error.code
    'specification'
    >>> made = ef.starter(ef.StarterRequest("bass"))
    >>> file = ef.Source(made.file_name, made.text.encode())
    >>> ef.check_specification(ef.CheckRequest(file)).consistent
    True
    """
    specification, remarks = open_specification(request.specification)
    ideal = ideal_neck(specification, excursion(specification, progress))
    return CheckOutcome(specification, remarks, ideal)


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
    """An empty sheet, ready to fill."""

    file_name: str  # a name for it
    content: bytes  # the file


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
