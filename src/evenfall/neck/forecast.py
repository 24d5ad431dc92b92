"""What becomes of the relief: other strings, the rod, the seasons, and readings without strings."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.errors import Finding, RequestError
from evenfall.instrument import string_lines
from evenfall.measurement import Heights, Measurement, Origin, Shared
from evenfall.neck.season import COVERAGE_FACTOR, ROOM_C, Season, season_change
from evenfall.units import length_text

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from evenfall.instrument import Specification
    from evenfall.neck.stiffness import NeckModel

    FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Converted:
    """Readings without strings, carried to playing tension.

    Parameters
    ----------
    measurement
        The same readings as they would be with the strings at pitch, with the uncertainty of the
        neck's stiffness.
    relief_change_mm, relief_change_u_mm
        What the strings add to the relief, with standard uncertainty [mm].
    """

    measurement: Measurement
    relief_change_mm: float
    relief_change_u_mm: float


def converted_to_tension(
    model: NeckModel, measurement: Measurement, *, tension_n: float | None = None
) -> Converted:
    """Return readings as they would be at another tension of the strings.

    Nut, saddle and all else stay; every crown moves with the bow of the neck. The uncertainty of
    that bow is one for all crowns, and stays so in the readings; several conversions add up.

    Parameters
    ----------
    model
        The neck.
    measurement
        Readings with the strings off, or at the tension of `model`.
    tension_n
        Sum of the string tensions to carry to [N]; that of the specification if left out.

    Raises
    ------
    RequestError
        The readings were taken with the strings at pitch, and no other tension is given.
    """
    if measurement.strung and tension_n is None:
        raise RequestError("The readings were taken with the strings at pitch; nothing to carry.")
    tension = model.tension_n if tension_n is None else tension_n
    more = tension - (model.tension_n if measurement.strung else 0.0)
    change = model.relief_mm_per_n * more
    change_u = model.relief_u_mm_per_n * abs(more)
    heights = measurement.heights
    bow = np.pad(model.bow.frets, ((0, 0), (1, 1)))
    taken = f"at {model.tension_n:.0f} N" if measurement.strung else "without strings"
    carried = replace(
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
        routes=(
            *measurement.routes,
            f"Read {taken} and carried to {tension:.0f} N: relief "
            f"{length_text(change, signed=True)} ± {length_text(COVERAGE_FACTOR * change_u)}.",
        ),
    )
    return Converted(carried, change, change_u)


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

    Parameters
    ----------
    model
        The neck, at the tension of `specification`.
    measurement
        Its readings, with or without strings.
    specification
        The specification they were read against.
    other
        The same neck with other strings or another tuning.

    Raises
    ------
    RequestError
        The other specification is of another neck, or has other string lines.
    """
    _require_same_neck(specification, other)
    here, there = string_lines(specification), string_lines(other)
    if here.y_mm.shape != there.y_mm.shape or not np.allclose(here.y_mm, there.y_mm, atol=0.5):
        raise RequestError(
            "The other specification has its strings in other places; only readings on its own "
            "string lines can be planned from.",
            where="strings",
        )
    tension = sum(s.tension_n for s in other.strings)
    carried = converted_to_tension(model, measurement, tension_n=tension).measurement
    return replace(
        carried,
        model=other.name,
        specification_hash=other.content_hash,
        specification_text=other.text,
    )


@dataclass(frozen=True, slots=True)
class StringChange:
    """What another set of strings, or another tuning, does to the relief.

    Parameters
    ----------
    name
        What the other specification is called.
    tension_before_n, tension_after_n
        Sum of the string tensions [N].
    relief_change_mm, relief_change_u_mm
        Change of relief with its standard uncertainty [mm].
    relief_after_mm, relief_after_u_mm
        Relief after it [mm].
    """

    name: str
    tension_before_n: float
    tension_after_n: float
    relief_change_mm: float
    relief_change_u_mm: float
    relief_after_mm: float
    relief_after_u_mm: float

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class RodMove:
    """What the truss rod has to do to bring the relief to the wanted value.

    Parameters
    ----------
    relief_change_mm, relief_change_u_mm
        Wanted change of relief, with the standard uncertainty of the relief it starts from [mm].
    turns_count, turns_u_count
        Turns of the rod, positive tightens, with standard uncertainty; NaN while no turn was
        measured.
    """

    relief_change_mm: float
    relief_change_u_mm: float
    turns_count: float
    turns_u_count: float

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        known = math.isfinite(self.turns_count)
        return {
            "relief_change_mm": self.relief_change_mm,
            "relief_change_u_mm": self.relief_change_u_mm,
            "turns": self.turns_count if known else None,
            "turns_u": self.turns_u_count if known else None,
        }


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
    carried
        Readings carried to tension, where they were taken without strings.
    strings
        The other set of strings, or None.
    rod
        What the rod has to do, after the change of strings if there is one; None for a neck
        without a rod.
    season
        The change of the air, or None.
    findings
        What all that means, in words.
    """

    model: NeckModel
    relief_mm: float
    relief_u_mm: float
    minimum_mm: float
    maximum_mm: float
    value_mm: float
    carried: Converted | None
    strings: StringChange | None
    rod: RodMove | None
    season: Season | None
    findings: tuple[Finding, ...]

    def standing(self, relief_mm: float, u_mm: float) -> str:
        """Say where a relief ± 2 u stands to its limits: "inside", "outside" or "undecided".

        Parameters
        ----------
        relief_mm, u_mm
            The relief with its standard uncertainty [mm].
        """
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
            "carried": None
            if self.carried is None
            else {
                "relief_change_mm": self.carried.relief_change_mm,
                "relief_change_u_mm": self.carried.relief_change_u_mm,
            },
            "neck": self.model.as_dict(),
            "strings": None if self.strings is None else self.strings.as_dict(),
            "rod": None if self.rod is None else self.rod.as_dict(),
            "season": None if self.season is None else self.season.as_dict(),
            "findings": [f.as_dict() for f in self.findings],
        }


def forecast(
    specification: Specification,
    model: NeckModel,
    measurement: Measurement,
    *,
    other: Specification | None = None,
    humidity_percent: tuple[float, float] | None = None,
    temperature_c: float = ROOM_C,
    wanted_mm: float | None = None,
) -> NeckForecast:
    """Return what becomes of the relief of a neck.

    Parameters
    ----------
    specification
        The instrument.
    model
        Its neck.
    measurement
        Its readings; without strings they are carried to playing tension first.
    other
        Specification of the same neck with other strings or another tuning.
    humidity_percent
        Relative humidity now and later [%].
    temperature_c
        Temperature of the air [°C].
    wanted_mm
        Relief that the rod is to bring the neck to [mm]; the specification's if left out.

    Raises
    ------
    RequestError
        Crown tops are missing, the other specification is of another neck, or a humidity is out
        of range.
    """
    if not np.isfinite(measurement.crown_top_mm).all():
        raise RequestError("The measurement lacks some crown tops; read them and measure again.")
    carried = None if measurement.strung else converted_to_tension(model, measurement)
    tops = measurement.crown_top_mm
    relief = model.bow.relief_mm(tops)
    relief_u = model.bow.relief_u_mm(measurement.heights)
    if carried is not None:
        relief += carried.relief_change_mm
        relief_u = math.hypot(relief_u, carried.relief_change_u_mm)
    limit = specification.target.relief
    value = limit.value_mm if wanted_mm is None else wanted_mm
    strings = None
    at, at_u = relief, relief_u
    if other is not None:
        _require_same_neck(specification, other)
        strings = _string_change(model, other, relief, relief_u, carried)
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
            temperature_c=temperature_c,
        )
    made = NeckForecast(
        model=model,
        relief_mm=relief,
        relief_u_mm=relief_u,
        minimum_mm=limit.minimum_mm,
        maximum_mm=limit.maximum_mm,
        value_mm=value,
        carried=carried,
        strings=strings,
        rod=rod,
        season=season,
        findings=(),
    )
    return replace(made, findings=tuple(_findings(specification, made)))


def _require_same_neck(specification: Specification, other: Specification) -> None:
    one, two = specification.scale, other.scale
    same = math.isclose(one.treble_mm, two.treble_mm, abs_tol=1e-3) and math.isclose(
        one.bass_mm, two.bass_mm, abs_tol=1e-3
    )
    if not same or other.frets != specification.frets:
        raise RequestError(
            "The other specification is of another neck: scale and number of frets must be the "
            "same; change only its strings.",
            where="strings",
        )


def _string_change(
    model: NeckModel,
    other: Specification,
    relief_mm: float,
    relief_u_mm: float,
    carried: Converted | None,
) -> StringChange:
    tension = sum(s.tension_n for s in other.strings)
    more = tension - model.tension_n
    change = model.relief_mm_per_n * more
    change_u = model.relief_u_mm_per_n * abs(more)
    after_u = math.hypot(relief_u_mm, change_u)
    if carried is not None:  # one stiffness carries the readings and changes the strings
        reading_u = math.sqrt(max(relief_u_mm**2 - carried.relief_change_u_mm**2, 0.0))
        after_u = math.hypot(reading_u, model.relief_u_mm_per_n * tension)
    return StringChange(
        name=other.name,
        tension_before_n=model.tension_n,
        tension_after_n=tension,
        relief_change_mm=change,
        relief_change_u_mm=change_u,
        relief_after_mm=relief_mm + change,
        relief_after_u_mm=after_u,
    )


def _findings(specification: Specification, made: NeckForecast) -> list[Finding]:
    unit = specification.unit

    def size(value_mm: float, *, signed: bool = False) -> str:
        return length_text(value_mm, unit, signed=signed)

    def give_or_take(value_mm: float, u_mm: float, *, signed: bool = False) -> str:
        return f"{size(value_mm, signed=signed)} ± {size(COVERAGE_FACTOR * u_mm)}"

    def inside(value_mm: float) -> bool:
        return made.minimum_mm <= value_mm <= made.maximum_mm

    found = [Finding("neck", sentence, "", "note") for sentence in made.model.assumed]
    if made.carried is not None:
        change = give_or_take(
            made.carried.relief_change_mm, made.carried.relief_change_u_mm, signed=True
        )
        found.append(
            Finding(
                "state",
                f"The readings were taken without strings; at {made.model.tension_n:.0f} N the "
                f"relief changes by {change}.",
                "",
                "warning" if COVERAGE_FACTOR * made.relief_u_mm > _half(made) else "note",
            )
        )
    limits = f"{size(made.minimum_mm)} to {size(made.maximum_mm)}"
    if made.strings is not None:
        swap = made.strings
        more = swap.tension_after_n - swap.tension_before_n
        standing = made.standing(swap.relief_after_mm, swap.relief_after_u_mm)
        verdict = "perhaps outside" if standing == "undecided" else standing
        found.append(
            Finding(
                "neck",
                f"With {swap.name} the strings pull {abs(more):.0f} N "
                f"{'more' if more >= 0.0 else 'less'}; the relief becomes "
                f"{give_or_take(swap.relief_after_mm, swap.relief_after_u_mm)}, {verdict} its "
                f"limits ({limits}).",
                "",
                "note" if inside(swap.relief_after_mm) else "warning",
            )
        )
    if (season := made.season) is not None:
        found += _season_findings(made, season, give_or_take, size, limits)
    return found


def _half(made: NeckForecast) -> float:
    return 0.5 * (made.maximum_mm - made.minimum_mm)


def _season_findings(
    made: NeckForecast, season: Season, give_or_take: Any, size: Any, limits: str
) -> list[Finding]:
    damper = season.moisture_to_percent > season.moisture_from_percent
    after = give_or_take(season.relief_after_mm, season.relief_after_u_mm)
    found = [
        Finding(
            "season",
            f"From {season.humidity_from_percent:g} to {season.humidity_to_percent:g} % humidity "
            f"wood goes from {season.moisture_from_percent:.1f} to "
            f"{season.moisture_to_percent:.1f} % moisture; the relief becomes {after}.",
            "",
            "note" if made.minimum_mm <= season.relief_after_mm <= made.maximum_mm else "warning",
        )
    ]
    width = abs(season.width_last_change_mm)
    if damper:
        sentence = f"The board gets {size(width)} wider at the last fret."
        found.append(Finding("season", sentence, "", "note"))
    else:
        sentence = (
            f"The board gets {size(width)} narrower at the last fret: the fret ends come to "
            f"stand {size(season.fret_end_mm)} beyond each edge."
        )
        severe = season.fret_end_mm > FELT_FRET_END_MM
        found.append(Finding("season", sentence, "", "warning" if severe else "note"))
    if season.holds:
        sentence = (
            f"The relief stays inside its limits ({limits}) from {season.holds_from_percent:g} to "
            f"{season.holds_to_percent:g} % humidity."
        )
        found.append(Finding("season", sentence, "", "note"))
    return found


FELT_FRET_END_MM = 0.05
"""Fret ends further out than this are felt by the hand [mm]; common practice, no source."""
