"""What somebody reads on a true neck: figures with errors, gaps and repeats, as they come in."""

from __future__ import annotations

import io
from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from evenfall.measurement import Direct, Heights, Measurement, Origin, Shared
from evenfall.neck.bow import relief_point, straightedge_gap_mm
from evenfall.sheets import SheetFile, read_measurement

if TYPE_CHECKING:
    from evenfall.arrays import FloatArray
    from necks.neck import Neck

ACTION_U_MM, RELIEF_U_MM = 0.03, 0.02
"""Standard uncertainty of the checks by hand: feeler under a string, straightedge on the frets."""
CROWN_HEIGHT_U_MM = 0.01


@dataclass(frozen=True)
class Reader:
    """How somebody reads; lengths in mm.

    Parameters
    ----------
    u_mm
        Standard uncertainty of a crown top; one number or shape (K, F).
    end_u_mm
        Of nut slots and saddle; as the crowns if left out.
    step_mm
        What readings are rounded to; a quarter of u, at least 0.001, if left out.
    string_u_mm, fret_u_mm
        Of errors that all crowns of a string, or of a fret, have in common.
    acknowledged
        Whether the heights state those common errors as what they are; if not, they pass as
        each crown's own, which is what somebody states who does not know better.
    hand_checks
        Whether action on the outer strings and relief are read by hand as well.
    """

    u_mm: float | FloatArray = 0.005
    end_u_mm: float | None = None
    step_mm: float | None = None
    string_u_mm: float = 0.0
    fret_u_mm: float = 0.0
    acknowledged: bool = True
    hand_checks: bool = True

    @property
    def typical_u_mm(self) -> float:
        return float(np.median(self.u_mm))


def exact(neck: Neck) -> Measurement:
    """Return readings without error, and without uncertainty."""
    reader = Reader(u_mm=0.0, step_mm=0.0, hand_checks=False)
    return read(neck, np.random.default_rng(0), reader)


def read(neck: Neck, chance: np.random.Generator, reader: Reader | None = None) -> Measurement:
    """Return one reading of every crown, nut slot and saddle over one datum."""
    reader = reader or Reader()
    strings, frets = neck.crown_top_mm.shape
    end_u = reader.typical_u_mm if reader.end_u_mm is None else reader.end_u_mm
    own = np.zeros((strings, frets + 2))
    own[:, [0, -1]] = end_u
    own[:, 1:-1] = reader.u_mm
    step = max(0.001, round(reader.typical_u_mm / 4.0, 4))
    step = step if reader.step_mm is None else reader.step_mm
    by_string, by_fret = np.zeros_like(own), np.zeros_like(own)
    by_string[:, 1:-1], by_fret[:, 1:-1] = reader.string_u_mm, reader.fret_u_mm
    error = own * chance.standard_normal(own.shape)
    error += by_string * chance.standard_normal((strings, 1))
    error += by_fret * chance.standard_normal(frets + 2)
    height = _rounded(neck.height_mm + error, step)
    stated = own if reader.acknowledged else np.sqrt(own**2 + by_string**2 + by_fret**2)
    heights = Heights(
        height_mm=height,
        origin=np.full(height.shape, Origin.READ, dtype=np.int8),
        own_u_mm=stated,
        own_degrees_of_freedom=np.full(height.shape, np.inf),
    )
    if reader.acknowledged:
        heights = heights.sharing(
            Shared("crown-top-reading", "string", by_string),
            Shared("crown-top-reading", "fret", by_fret),
        )
    crown = neck.crown_height_mm
    sure = reader.typical_u_mm == 0.0
    if not sure:
        crown = np.round(crown + CROWN_HEIGHT_U_MM * chance.standard_normal(crown.shape), 2)
    shape = crown.shape
    return Measurement(
        serial=neck.serial,
        model=neck.specification.name,
        specification_hash=neck.specification.content_hash,
        source=("invented",),
        strung=True,
        humidity_percent=float("nan"),
        heights=heights,
        crown_height_mm=crown,
        crown_height_u_mm=np.full(shape, 0.0 if sure else CROWN_HEIGHT_U_MM),
        crown_height_origin=np.full(shape, Origin.READ, dtype=np.int8),
        crown_height_degrees_of_freedom=np.full(shape, np.inf),
        direct=checks_by_hand(neck, chance) if reader.hand_checks else (),
        specification_text=neck.specification.text,
    )


def action_by_hand(neck: Neck, string: int, chance: np.random.Generator) -> Direct:
    """Return the action of one string by feeler."""
    value = neck.action_mm[string - 1] + ACTION_U_MM * chance.normal()
    fret = neck.specification.scale.reference_fret
    return Direct("action", string, fret, round(float(value), 2), ACTION_U_MM)


def checks_by_hand(neck: Neck, chance: np.random.Generator) -> tuple[Direct, ...]:
    """Return action on the outer strings by feeler, and relief by straightedge."""
    last, reference = neck.specification.string_count, neck.specification.scale.reference_fret
    action = neck.action_mm + ACTION_U_MM * chance.standard_normal(last)
    fret, string = relief_point(neck.specification, neck.lines)
    gap = straightedge_gap_mm(neck.lines, neck.crown_top_mm, neck.specification.target.relief_over)[
        string - 1, fret - 1
    ]
    relief = gap + RELIEF_U_MM * chance.standard_normal()
    return (
        *(
            Direct("action", k, reference, round(float(action[k - 1]), 2), ACTION_U_MM)
            for k in (1, last)
        ),
        Direct("relief", string, fret, round(float(relief), 2), RELIEF_U_MM),
    )


def read_again(
    neck: Neck,
    found: Measurement,
    places: Collection[tuple[int, int]],
    chance: np.random.Generator,
    slip: Callable[[float], float] = float,
) -> Measurement:
    """Return readings with some crowns, as (string, fret), read once more over the same datum.

    `slip` is what goes wrong with the gauge, or the datum, in these readings as well.
    """
    u = found.heights.total_u_mm

    def once_more(string: int, fret: int) -> Direct:
        value = neck.crown_top_mm[string - 1, fret - 1] + u[string - 1, fret] * chance.normal()
        said = round(slip(float(value)), 3)
        return Direct("crown-top", string, fret, said, float(u[string - 1, fret]))

    return replace(found, direct=(*found.direct, *(once_more(*place) for place in places)))


def sheet(
    neck: Neck,
    chance: np.random.Generator,
    reader: Reader | None = None,
    *,
    repeats: int = 1,
    stated: bool = True,
    missing: Collection[tuple[int, int]] = (),
) -> str:
    """Return readings as a hand sheet (CSV): everything read `repeats` times over.

    `stated` says whether the sheet gives the uncertainty of the gauge; `missing` lists crowns, as
    (string, fret), that were not read.
    """
    reader = reader or Reader()
    stream = io.StringIO()
    stream.write(f"# {neck.specification.name}, invented example.\n")
    stream.write("quantity,string,fret,value,unit,uncertainty,state,measured_with,note\n")

    def row(quantity: str, string: object, fret: object, value: float, u: float) -> None:
        shown = u if stated or quantity in ("action", "relief", "crown_height") else ""
        stream.write(f"{quantity},{string},{fret},{value:.4f},mm,{shown},strung,,\n")

    for again in range(repeats):
        found = read(neck, chance, reader)
        u = found.heights.total_u_mm
        for (k, c), value in np.ndenumerate(found.heights.height_mm):
            if (k + 1, c) in missing:
                continue
            quantity = {0: "nut_slot", u.shape[1] - 1: "saddle"}.get(c, "crown_top")
            row(quantity, k + 1, c if quantity == "crown_top" else "", value, u[k, c])
        if again:
            continue
        for (k, j), value in np.ndenumerate(found.crown_height_mm):
            row("crown_height", k + 1, j + 1, value, CROWN_HEIGHT_U_MM)
        for one in found.direct:
            row(one.quantity, one.string, one.fret, one.value_mm, one.u_mm)
    return stream.getvalue()


def read_sheet(neck: Neck, text: str) -> Measurement:
    """Return what the program makes of a sheet of this neck."""
    files = [SheetFile("invented.csv", text.encode())]
    return read_measurement(files, neck.specification, serial=neck.serial)[0]


def _rounded(value: FloatArray, step: float) -> FloatArray:
    return np.round(value / step) * step if step else value
