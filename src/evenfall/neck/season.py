"""What the air's humidity does to a neck once the wood has come to rest in it.

Wood takes up moisture until it is in balance with the air; it then swells, hardly along the grain
and much across it. Across the grain the board gets wider and narrower while fret wire does not.
Along the grain two glued woods that swell differently bend like a bimetal strip. Finished and thick
wood needs weeks to follow; here is where it ends.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import BoolArray, FloatArray
from evenfall.errors import At, RequestError
from evenfall.instrument import Specification
from evenfall.instrument.wood import WOODS
from evenfall.neck.stiffness import DEFAULT_BOARD_WOOD

if TYPE_CHECKING:
    from evenfall.neck.stiffness import NeckModel

ROOM_C = 21.1
"""Temperature of the air where none is said [°C]: 70 °F, as in the Wood Handbook's examples."""

FIBRE_SATURATION_PERCENT = 30.0
"""Moisture above which wood swells no more [%] (Wood Handbook, equation 4-9)."""

DRIEST_PERCENT, DAMPEST_PERCENT = 5.0, 95.0
"""Humidities that the moisture formula is used for [%]."""

COVERAGE_FACTOR = 2.0
"""U = 2 u of a neck and its seasons covers about 95 % (JCGM 100, G.6.6)."""


def equilibrium_moisture_percent(
    humidity_percent: FloatArray | float, temperature_c: float = ROOM_C
) -> FloatArray:
    """Return the moisture that wood comes to in air [%], by mass of dry wood.

    Two-hydrate sorption of Hailwood and Horrobin, Wood Handbook (USDA FPL-GTR-282, 2021), equation
    4-5, from relative humidity [%], any shape, and temperature [°C] of the air.
    """
    t = temperature_c
    weight = 349.0 + 1.29 * t + 0.0135 * t**2
    k = 0.805 + 0.000736 * t - 0.00000273 * t**2
    k1 = 6.27 - 0.00938 * t - 0.000303 * t**2
    k2 = 1.91 + 0.0407 * t - 0.000293 * t**2
    kh = k * np.asarray(humidity_percent, dtype=float) / 100.0
    bound = (k1 * kh + 2.0 * k1 * k2 * kh**2) / (1.0 + k1 * kh + k1 * k2 * kh**2)
    return np.asarray(1800.0 / weight * (kh / (1.0 - kh) + bound))


def swelling_mm(width_mm: float, shrinkage_percent: float, moisture_change_percent: float) -> float:
    """Return by how much a piece gets wider [mm], negative when it dries.

    Width times S_0 / 30 per percent of moisture: Wood Handbook, equation 4-9, S_x = S_0 (1 - x/30),
    with the shrinkage S_0 of that direction from green to oven dry.
    """
    share = shrinkage_percent / 100.0 * moisture_change_percent / FIBRE_SATURATION_PERCENT
    return width_mm * share


@dataclass(frozen=True, slots=True)
class Season:
    """What a change of the air does to one neck."""

    humidity_from_percent: float  # relative
    humidity_to_percent: float
    moisture_from_percent: float  # of wood in balance with it
    moisture_to_percent: float
    relief_change_mm: float
    relief_change_u_mm: float
    relief_after_mm: float
    relief_after_u_mm: float  # that of the relief at the start included
    width_nut_change_mm: float  # of the board
    width_last_change_mm: float
    fret_end_mm: float  # how far fret ends stand out at the last fret; negative: inside
    holds_from_percent: float  # from here the relief ± 2 u of the season stays inside its limits,
    holds_to_percent: float  # up to here; both NaN where it is outside as it stands
    humidity_percent: FloatArray  # shape (N,)
    relief_mm: FloatArray  # at each of these humidities, with the season's u
    relief_u_mm: FloatArray

    @property
    def holds(self) -> bool:
        """Whether the relief is inside its limits as it stands."""
        return bool(np.isfinite(self.holds_from_percent))


def season_change(
    specification: Specification,
    model: NeckModel,
    *,
    relief_mm: float,
    relief_u_mm: float,
    humidity_from_percent: float,
    humidity_to_percent: float,
) -> Season:
    """Return what a change of relative humidity does to the relief and the board's width."""
    for given in (humidity_from_percent, humidity_to_percent):
        if not DRIEST_PERCENT <= given <= DAMPEST_PERCENT:
            raise RequestError(
                "A relative humidity of {given:g} % is out of range: it must be from {low:g} to "
                "{high:g} %.",
                at=At(field="humidity"),
                given=given,
                low=DRIEST_PERCENT,
                high=DAMPEST_PERCENT,
            )
    start, end = equilibrium_moisture_percent(
        np.array([humidity_from_percent, humidity_to_percent])
    )
    change = float(end - start)
    board = specification.board
    wood = WOODS[specification.neck.board_wood or DEFAULT_BOARD_WOOD]
    flat = specification.neck.board_grain == "flat"
    shrinkage = wood.tangential_percent if flat else wood.radial_percent
    widths = [
        swelling_mm(width, shrinkage, change) for width in (board.width_nut_mm, board.width_last_mm)
    ]
    humidity = _HUMIDITIES_PERCENT
    relief_change, uncertainty = _relief_change_mm(model, humidity_from_percent)
    limit = specification.target.relief
    low = high = float("nan")
    if limit.minimum_mm <= relief_mm <= limit.maximum_mm:
        low, high = humidity_range(
            model,
            less_mm=relief_mm - limit.minimum_mm,
            more_mm=limit.maximum_mm - relief_mm,
            humidity_percent=humidity_from_percent,
        )
    moved = model.relief_mm_per_percent * change
    moved_u = model.relief_u_mm_per_percent * abs(change)
    return Season(
        humidity_from_percent=humidity_from_percent,
        humidity_to_percent=humidity_to_percent,
        moisture_from_percent=float(start),
        moisture_to_percent=float(end),
        relief_change_mm=moved,
        relief_change_u_mm=moved_u,
        relief_after_mm=relief_mm + moved,
        relief_after_u_mm=float(np.hypot(relief_u_mm, moved_u)),
        width_nut_change_mm=widths[0],
        width_last_change_mm=widths[1],
        fret_end_mm=-0.5 * widths[1],
        holds_from_percent=low,
        holds_to_percent=high,
        humidity_percent=humidity,
        relief_mm=relief_mm + relief_change,
        relief_u_mm=uncertainty,
    )


_HUMIDITIES_PERCENT = np.arange(10.0, 90.5, 0.5)
"""Humidities that a neck is followed through [%]."""


def humidity_range(
    model: NeckModel,
    *,
    less_mm: float,
    more_mm: float,
    humidity_percent: float,
) -> tuple[float, float]:
    """Return the humidities [%] between which the relief, ± 2 u, falls and rises by no more."""
    change, uncertainty = _relief_change_mm(model, humidity_percent)
    reach = COVERAGE_FACTOR * uncertainty
    inside = (change - reach >= -less_mm) & (change + reach <= more_mm)
    return _stretch_around(_HUMIDITIES_PERCENT, inside, humidity_percent)


def _relief_change_mm(model: NeckModel, humidity_percent: float) -> tuple[FloatArray, FloatArray]:
    """Return the change of relief at each humidity from a start, and its standard uncertainty."""
    start = equilibrium_moisture_percent(humidity_percent)
    steps = equilibrium_moisture_percent(_HUMIDITIES_PERCENT) - start
    return model.relief_mm_per_percent * steps, model.relief_u_mm_per_percent * np.abs(steps)


def _stretch_around(
    humidity_percent: FloatArray, inside: BoolArray, start_percent: float
) -> tuple[float, float]:
    """Return the ends of the stretch around the start in which everything is inside."""
    below = humidity_percent[(humidity_percent < start_percent) & ~inside]
    above = humidity_percent[(humidity_percent > start_percent) & ~inside]
    step = humidity_percent[1] - humidity_percent[0]
    low = below[-1] + step if below.size else humidity_percent[0]
    high = above[0] - step if above.size else humidity_percent[-1]
    return float(min(low, start_percent)), float(max(high, start_percent))
