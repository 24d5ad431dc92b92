"""What becomes of the relief: other strings, the rod, the seasons, and readings without strings."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.codec import plain
from evenfall.errors import NOWHERE, At, Finding, RequestError
from evenfall.instrument import Specification, string_lines
from evenfall.measurement import Heights, Measurement, Origin, Shared
from evenfall.neck.level_line import level_line
from evenfall.neck.season import COVERAGE_FACTOR, Season, season_change
from evenfall.wording import Value, sentence

if TYPE_CHECKING:
    from evenfall.neck.stiffness import NeckModel


@dataclass(frozen=True, slots=True)
class Converted:
    """Unstrung readings, converted to playing tension."""

    measurement: Measurement  # with the uncertainty of the neck's stiffness
    relief_change_mm: float  # what the strings add to the relief
    relief_change_u_mm: float


def converted_to_tension(
    model: NeckModel, measurement: Measurement, *, tension_n: float | None = None
) -> Converted:
    """Return readings as they would be at another tension of the strings.

    Nut, saddle and all else stay; every crown moves with the bow of the neck. The uncertainty of
    that bow is one for all crowns, and stays so in the readings; several conversions add up. The
    tension [N] is the sum over the strings, that of the specification if left out.
    """
    if measurement.strung and tension_n is None:
        text = "The readings were taken with the strings at pitch; there is nothing to convert."
        raise RequestError(text)
    tension = model.tension_n if tension_n is None else tension_n
    more = tension - (model.tension_n if measurement.strung else 0.0)
    change = model.relief_mm_per_n * more
    change_u = model.relief_u_mm_per_n * abs(more)
    heights = measurement.heights
    bow = np.pad(model.bow.frets, ((0, 0), (1, 1)))
    state = sentence("unstrung")
    if measurement.strung:
        state = sentence("at {tension:tension}", tension=model.tension_n)
    route = sentence(
        "Read {state}, converted to {tension:tension}: relief {change:figure+} ± {u:uncertainty}.",
        state=state,
        tension=tension,
        change=change,
        u=COVERAGE_FACTOR * change_u,
    )
    converted = replace(
        measurement,
        strung=True,
        heights=_with_conversion(
            replace(
                heights,
                height_mm=heights.height_mm + change * bow,
                origin=np.where(
                    (heights.origin == Origin.READ) & (bow != 0.0), Origin.DERIVED, heights.origin
                ),
            ),
            change_u * bow,
        ),
        direct=(),  # gaps that were read belong to the neck as it stood
        routes=(*measurement.routes, route),
    )
    return Converted(converted, change, change_u)


def _with_conversion(heights: Heights, effect_mm: FloatArray) -> Heights:
    """Return the heights with a conversion more; those of one neck add up, being one stiffness."""
    before = [s for s in heights.shared if s.name == "conversion"]
    others = tuple(s for s in heights.shared if s.name != "conversion")
    total = effect_mm + sum(s.effect_mm for s in before)
    return replace(heights, shared=others).sharing(Shared("conversion", "all", total))


def restrung(
    model: NeckModel, measurement: Measurement, specification: Specification, other: Specification
) -> Measurement:
    """Return readings as they would be with other strings on the same neck.

    The strings are taken to rest at nut and saddle where the ones before did.
    """
    _require_same_neck(specification, other)
    here, there = string_lines(specification), string_lines(other)
    if here.y_mm.shape != there.y_mm.shape or not np.allclose(here.y_mm, there.y_mm, atol=0.5):
        raise RequestError(
            "The other specification has its strings in other places; only readings on its own "
            "string lines can be planned from.",
            at=At(field="strings"),
        )
    tension = sum(s.tension_n for s in other.strings)
    return replace(
        converted_to_tension(model, measurement, tension_n=tension).measurement,
        model=other.name,
        specification_hash=other.content_hash,
        specification_text=other.text,
    )


@dataclass(frozen=True, slots=True)
class StringChange:
    """What another set of strings, or another tuning, does to the relief."""

    name: str  # of the other specification
    tension_before_n: float  # sums over the strings
    tension_after_n: float
    relief_change_mm: float
    relief_change_u_mm: float
    relief_after_mm: float
    relief_after_u_mm: float


@dataclass(frozen=True, slots=True)
class RodMove:
    """What the truss rod has to do to bring the relief to the wanted value."""

    relief_change_mm: float
    relief_change_u_mm: float  # of the relief that it starts from
    turns_count: float  # positive tightens; NaN while no turn was measured
    turns_u_count: float


@dataclass(frozen=True, slots=True)
class NeckForecast:
    """What one neck does, from its readings.

    Parameters
    ----------
    model
        What bows it.
    relief_mm, relief_u_mm
        Relief at playing tension with its standard uncertainty [mm].
    minimum_mm, maximum_mm, value_mm
        Limits and wanted value of the relief [mm].
    converted
        Readings converted to playing tension, where they were taken unstrung.
    strings
        The other set of strings, or None.
    rod
        What the rod has to do, after the change of strings if there is one; None for a neck
        without a rod.
    season
        The change of the air, or None.
    findings
        What all that means.
    """

    model: NeckModel
    relief_mm: float
    relief_u_mm: float
    minimum_mm: float
    maximum_mm: float
    value_mm: float
    converted: Converted | None
    strings: StringChange | None
    rod: RodMove | None
    season: Season | None
    findings: tuple[Finding, ...]

    def standing(self, relief_mm: float, u_mm: float) -> str:
        """Say where a relief ± 2 u stands to its limits: "inside", "outside" or "undecided"."""
        low, high = relief_mm - COVERAGE_FACTOR * u_mm, relief_mm + COVERAGE_FACTOR * u_mm
        if self.minimum_mm <= low and high <= self.maximum_mm:
            return "inside"
        return "outside" if high < self.minimum_mm or low > self.maximum_mm else "undecided"

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "schema": "evenfall/neck@1",
            "relief_mm": self.relief_mm,
            "relief_u_mm": self.relief_u_mm,
            "relief_minimum_mm": self.minimum_mm,
            "relief_maximum_mm": self.maximum_mm,
            "relief_wanted_mm": self.value_mm,
            "converted": None
            if self.converted is None
            else {
                "relief_change_mm": self.converted.relief_change_mm,
                "relief_change_u_mm": self.converted.relief_change_u_mm,
            },
            "neck": self.model.as_dict(),
            "strings": plain(self.strings),
            "rod": plain(self.rod),
            "season": plain(self.season),
            "findings": [f.as_dict() for f in self.findings],
        }


def forecast(
    specification: Specification,
    model: NeckModel,
    measurement: Measurement,
    *,
    other: Specification | None = None,
    humidity_percent: tuple[float, float] | None = None,
    wanted_mm: float | None = None,
    relief_mm: float | None = None,
) -> NeckForecast:
    """Return what becomes of the relief of a neck.

    Parameters
    ----------
    specification
        The instrument.
    model
        Its neck.
    measurement
        Its readings; unstrung ones are converted to playing tension first.
    other
        Specification of the same neck with other strings or another tuning.
    humidity_percent
        Relative humidity now and later [%].
    wanted_mm
        Relief that the rod is to bring the neck to [mm]; the specification's if left out.
    relief_mm
        Relief to begin with [mm]; that of the bow in the readings if left out.

    Raises
    ------
    RequestError
        Crown tops are missing, the other specification is of another neck, or a humidity is out
        of range.
    """
    if not np.isfinite(measurement.crown_top_mm).all():
        raise RequestError("The measurement lacks some crown tops; read them and measure again.")
    converted = None if measurement.strung else converted_to_tension(model, measurement)
    strung = measurement if converted is None else converted.measurement
    smallest = specification.judgement.smallest_cut_mm("file")
    line = level_line(specification, strung, string_lines(specification), model.rod_bow, smallest)
    relief = line.relief_mm if relief_mm is None else relief_mm
    relief_u = line.relief_u_mm
    limit = specification.target.relief
    value = limit.value_mm if wanted_mm is None else wanted_mm
    strings = None
    at, at_u = relief, relief_u
    if other is not None:
        _require_same_neck(specification, other)
        read_u = line.relief_u_over_mm(measurement.heights)
        strings = _string_change(model, other, relief, read_u, read_strung=measurement.strung)
        at, at_u = strings.relief_after_mm, strings.relief_after_u_mm
    rod = None
    if specification.neck.truss_rod:
        wanted = value - at
        turns, turns_u = model.rod_turns(wanted, at_u)
        rod = RodMove(
            relief_change_mm=wanted,
            relief_change_u_mm=at_u,
            turns_count=turns,
            turns_u_count=turns_u,
        )
    season = None
    if humidity_percent is not None:
        season = season_change(
            specification,
            model,
            relief_mm=at,
            relief_u_mm=at_u,
            humidity_from_percent=humidity_percent[0],
            humidity_to_percent=humidity_percent[1],
        )
    made = NeckForecast(
        model=model,
        relief_mm=relief,
        relief_u_mm=relief_u,
        minimum_mm=limit.minimum_mm,
        maximum_mm=limit.maximum_mm,
        value_mm=value,
        converted=converted,
        strings=strings,
        rod=rod,
        season=season,
        findings=(),
    )
    return replace(made, findings=tuple(_findings(made)))


def _require_same_neck(specification: Specification, other: Specification) -> None:
    one, two = specification.scale, other.scale
    same = math.isclose(one.treble_mm, two.treble_mm, abs_tol=1e-3) and math.isclose(
        one.bass_mm, two.bass_mm, abs_tol=1e-3
    )
    if not same or other.frets != specification.frets:
        raise RequestError(
            "The other specification is of another neck: scale and number of frets must be the "
            "same; change only its strings.",
            at=At(field="strings"),
        )


def _string_change(
    model: NeckModel,
    other: Specification,
    relief_mm: float,
    read_u_mm: float,
    *,
    read_strung: bool,
) -> StringChange:
    tension = sum(s.tension_n for s in other.strings)
    more = tension - model.tension_n
    change = model.relief_mm_per_n * more
    change_u = model.relief_u_mm_per_n * abs(more)
    # one stiffness converts unstrung readings and changes the strings: it counts from no tension on
    from_read_u = change_u if read_strung else model.relief_u_mm_per_n * tension
    return StringChange(
        name=other.name,
        tension_before_n=model.tension_n,
        tension_after_n=tension,
        relief_change_mm=change,
        relief_change_u_mm=change_u,
        relief_after_mm=relief_mm + change,
        relief_after_u_mm=math.hypot(read_u_mm, from_read_u),
    )


def _findings(made: NeckForecast) -> list[Finding]:
    found = [_note("neck", said.text, warning=False, **said.values) for said in made.model.assumed]
    if made.converted is not None:
        half = 0.5 * (made.maximum_mm - made.minimum_mm)
        found.append(
            _note(
                "state",
                "The readings were taken unstrung; at {tension:tension} the relief changes by "
                "{change:figure+} ± {u:uncertainty}.",
                warning=COVERAGE_FACTOR * made.relief_u_mm > half,
                tension=made.model.tension_n,
                change=made.converted.relief_change_mm,
                u=COVERAGE_FACTOR * made.converted.relief_change_u_mm,
            )
        )
    if (swap := made.strings) is not None:
        more = swap.tension_after_n - swap.tension_before_n
        found.append(
            _note(
                "neck",
                "With {name:quoted} the strings pull {size:tension} {word}; the relief becomes "
                "{relief:figure} ± {u:uncertainty}, {standing} its limits, {low:figure} to "
                "{high:length}.",
                warning=not made.minimum_mm <= swap.relief_after_mm <= made.maximum_mm,
                name=swap.name,
                size=abs(more),
                word=sentence("more") if more >= 0.0 else sentence("less"),
                relief=swap.relief_after_mm,
                u=COVERAGE_FACTOR * swap.relief_after_u_mm,
                standing=_STANDING[made.standing(swap.relief_after_mm, swap.relief_after_u_mm)],
                low=made.minimum_mm,
                high=made.maximum_mm,
            )
        )
    return found if made.season is None else found + _season_findings(made, made.season)


_STANDING = {
    "inside": sentence("inside"),
    "outside": sentence("outside"),
    "undecided": sentence("perhaps outside"),
}


def _note(code: str, text: str, warning: bool = False, **values: Value) -> Finding:
    return Finding(code, text, NOWHERE, "warning" if warning else "note", **values)


def _season_findings(made: NeckForecast, season: Season) -> list[Finding]:
    found = [
        _note(
            "season",
            "From {air:g} to {later:g} % humidity the moisture of the wood goes from {wood:.1f} "
            "to {wood_after:.1f} %; the relief becomes {relief:figure} ± {u:uncertainty}.",
            warning=not made.minimum_mm <= season.relief_after_mm <= made.maximum_mm,
            air=season.humidity_from_percent,
            later=season.humidity_to_percent,
            wood=season.moisture_from_percent,
            wood_after=season.moisture_to_percent,
            relief=season.relief_after_mm,
            u=COVERAGE_FACTOR * season.relief_after_u_mm,
        )
    ]
    width = abs(season.width_last_change_mm)
    if season.moisture_to_percent > season.moisture_from_percent:
        text = "The board gets {width:length} wider at the last fret."
        found.append(_note("season", text, width=width))
    else:
        found.append(
            _note(
                "season",
                "The board gets {width:length} narrower at the last fret: the fret ends then stand "
                "{end:length} beyond each edge.",
                warning=season.fret_end_mm > FELT_FRET_END_MM,
                width=width,
                end=season.fret_end_mm,
            )
        )
    if season.holds:
        found.append(
            _note(
                "season",
                "The relief stays inside its limits, {low:figure} to {high:length}, from "
                "{driest:g} to {dampest:g} % humidity.",
                low=made.minimum_mm,
                high=made.maximum_mm,
                driest=season.holds_from_percent,
                dampest=season.holds_to_percent,
            )
        )
    return found


FELT_FRET_END_MM = 0.05
"""Fret ends further out than this are felt by the hand [mm]; common practice, no source."""
