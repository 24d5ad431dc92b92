"""Every reading route, drawn: a known neck, read with errors of the stated uncertainties.

Each route of `ROUTES` returns the heights that the public reading functions make of the readings,
and the true heights; `WEIGHTS` are those of the relief, actions, gaps and clearances judged.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenfall.measurement import Heights, Measurement
from evenfall.neck import default_bow, neck_model
from evenfall.neck.forecast import converted_to_tension
from evenfall.neck.gaps import line_gap_weights, rocking_gap_weights
from evenfall.readings.scanned import join_sheets
from evenfall.sheets import SheetFile, read_measurement
from evenfall.sheets.bow_route import DETECTION_U_MM
from evenfall.sheets.hand import read_readings
from evenfall.strings.clearance import clearance_weights, open_gap_weights
from sheets.made_sheets import lines, sheet, ukulele

SPEC, LINES = ukulele(), lines()
K, F = SPEC.string_count, SPEC.frets
STATION, SADDLE = LINES.station_mm[:, 1:], LINES.saddle_station_mm
BOW = default_bow(SPEC, LINES)

FloatArray = NDArray[np.float64]
Chance = np.random.Generator


@dataclass
class Neck:
    """True heights: nut and saddle shape (K,), crowns (K, F) [mm]."""

    nut: FloatArray
    crowns: FloatArray
    saddle: FloatArray

    @property
    def heights(self) -> FloatArray:
        return np.column_stack([self.nut, self.crowns, self.saddle])

    def action(self, k: int, fret: int) -> float:
        return float(open_gap_weights(LINES, fret)[k] @ self.heights[k])


def smooth_neck() -> Neck:
    crowns = 0.15 * BOW.frets
    return Neck(np.full(K, 0.45), crowns, np.full(K, 4.1))


def judged() -> FloatArray:
    """Return the weights of relief, action, first-fret gap and some clearances, (N, K, F + 2)."""
    made = [np.pad(BOW.weights, ((0, 0), (1, 1)))]

    def on_string(k: int, row: FloatArray) -> None:
        weights = np.zeros((K, F + 2))
        weights[k] = row
        made.append(weights)

    clear = clearance_weights(LINES)
    for k in range(K):
        on_string(k, open_gap_weights(LINES, SPEC.scale.reference_fret)[k])
        on_string(k, open_gap_weights(LINES, 1)[k])
        for i, j in ((0, 5), (1, 2), (4, 5), (4, 6), (7, 12), (11, 15), (14, 15)):
            on_string(k, clear[k, i, j])
    return np.array(made)


WEIGHTS = judged()


def taken(rows: list[str]) -> Measurement:
    measurement, _ = read_measurement([SheetFile("sheet.csv", sheet(rows).encode())], SPEC)
    return measurement


def row(  # noqa: PLR0917  (a row of the sheet, in its order)
    quantity: str, string: object, frets: object, value: float, u: float, chance: Chance
) -> str:
    """Return a row of the sheet: a true value, read with its uncertainty."""
    return f"{quantity},{string},{frets},{value + u * chance.normal():.9f},mm,{u},strung,,"


def end_rows(neck: Neck, chance: Chance, u: float = 0.015) -> list[str]:
    rows = [row("nut_slot", k + 1, "", float(neck.nut[k]), u, chance) for k in range(K)]
    return rows + [row("saddle", k + 1, "", float(neck.saddle[k]), u, chance) for k in range(K)]


def action_rows(neck: Neck, chance: Chance, *frets: int, u: float = 0.02) -> list[str]:
    return [
        row("action", k + 1, fret, neck.action(k, fret), u, chance)
        for k in range(K)
        for fret in frets
    ]


def crown_rows(neck: Neck, chance: Chance, u: float = 0.01) -> list[str]:
    return [
        row("crown_top", k + 1, j + 1, float(neck.crowns[k, j]), u, chance)
        for k in range(K)
        for j in range(F)
    ]


# ---- the routes --------------------------------------------------------------------------------


def heights_read(chance: Chance) -> tuple[Heights, FloatArray]:
    neck = smooth_neck()
    return taken(crown_rows(neck, chance) + end_rows(neck, chance)).heights, neck.heights


def ends_from_actions(chance: Chance) -> tuple[Heights, FloatArray]:
    neck = smooth_neck()
    rows = crown_rows(neck, chance) + action_rows(neck, chance, 1, 12)
    return taken(rows).heights, neck.heights


def saddle_from_nut_and_action(chance: Chance) -> tuple[Heights, FloatArray]:
    neck = smooth_neck()
    rows = crown_rows(neck, chance) + end_rows(neck, chance)[:K] + action_rows(neck, chance, 7, 12)
    return taken(rows).heights, neck.heights


def board_and_crown_height(chance: Chance) -> tuple[Heights, FloatArray]:
    """Board on the centre line and one crown height for each fret: every string shares both."""
    from evenfall.instrument.geometry import board_drop_mm

    neck = smooth_neck()
    middle, life = 0.1 * STATION[0] / SADDLE[0], 1.0
    neck.crowns = middle - board_drop_mm(SPEC, LINES)[:, 1:] + life
    neck.nut, neck.saddle = neck.crowns[:, 0] + 0.45, neck.crowns[:, 0] + 4.1
    rows = [row("board", "", j + 1, float(middle[j]), 0.012, chance) for j in range(F)]
    rows += [row("crown_height", "", j + 1, life, 0.02, chance) for j in range(F)]
    return taken(rows + action_rows(neck, chance, 1, 12)).heights, neck.heights


def by_bow(
    chance: Chance, *, shared_relief: bool, over_high: bool = False
) -> tuple[Heights, FloatArray]:
    """Relief and rocking; every fret that did not rock is off the bow by what cannot be seen.

    One relief for all strings is read on a line of its own, or over a fret that is high under some
    strings by the line of one of them, whichever it was.
    """
    first, last = STATION[:, :1], STATION[:, -1:]
    share = (STATION - first) / (last - first)
    shape = BOW.frets - (1.0 - share) * BOW.frets[:, :1] - share * BOW.frets[:, -1:]
    neck = smooth_neck()
    neck.crowns = 0.15 * shape
    rocked = {0: [4], 1: [8, 9], 2: [10 if shared_relief else 6], 3: []}
    if over_high:
        rocked = {0: [6], 1: [6], 2: [], 3: []}
    crowns = neck.crowns + DETECTION_U_MM * chance.normal(size=(K, F))
    for k, frets in rocked.items():
        crowns[k, frets] = neck.crowns[k, frets] + 0.1
    neck.crowns = crowns
    rows = []
    for k in range(K):
        gap = float(line_gap_weights(STATION[k], 7, 1, F) @ crowns[k])
        if not shared_relief:
            rows.append(row("relief", k + 1, 7, gap, 0.01, chance))
        for fret in rocked[k]:
            for at in (fret, fret + 2):  # the gap at each end of three frets
                value = float(rocking_gap_weights(STATION[k], fret + 1, at) @ crowns[k])
                rows.append(row("rocking", k + 1, f"{fret + 1} gap at {at}", value, 0.01, chance))
    if shared_relief:  # read on a line of its own, whose frets are as uncertain
        line = 0.15 * shape[0] + DETECTION_U_MM * chance.normal(size=F)
        line[6] += 0.1 * (over_high and chance.integers(K) in (0, 1))
        gap = float(line_gap_weights(STATION[0], 7, 1, F) @ line)
        rows.append(row("relief", "", 7, gap, 0.01, chance))
    return taken(rows + action_rows(neck, chance, 1, 12)).heights, neck.heights


def scan_with_heights(chance: Chance) -> tuple[Heights, FloatArray]:
    """Crowns of a scan; nut and saddle from a sheet over a datum of its own, joined by crowns."""
    return _scan(chance, actions=False)


def scan_with_actions(chance: Chance) -> tuple[Heights, FloatArray]:
    return _scan(chance, actions=True)


def _scan(chance: Chance, *, actions: bool) -> tuple[Heights, FloatArray]:
    neck = smooth_neck()
    rows = action_rows(neck, chance, 1, 12)
    if not actions:
        a, b = chance.normal(size=(2, K))
        tilt = a[:, None] + 0.001 * b[:, None] * STATION
        over = Neck(neck.nut + a, neck.crowns + tilt, neck.saddle + a + 0.001 * b * SADDLE)
        rows = end_rows(over, chance)
        rows += [
            row("crown_top", k + 1, fret, float(over.crowns[k, fret - 1]), 0.01, chance)
            for k in range(K)
            for fret in (1, 5, 12, 15)
        ]
    u = 0.004
    scan = replace(
        taken(crown_rows(neck, chance) + end_rows(neck, chance)),
        heights=Heights.independent(
            nut_mm=np.nan,
            crown_top_mm=neck.crowns + u * chance.normal(size=(K, F)),
            saddle_mm=np.nan,
            crown_top_u_mm=u,
        ),
    )
    readings, _ = read_readings([SheetFile("ends.csv", sheet(rows).encode())], SPEC)
    found, _ = join_sheets(scan, readings, SPEC)
    assert found is not None
    return found.heights, neck.heights


def converted_to_playing_tension(chance: Chance) -> tuple[Heights, FloatArray]:
    """Unstrung crowns; the strings then bow the neck by what its stiffness is known to."""
    model = neck_model(SPEC, LINES)
    neck = smooth_neck()
    loose = taken([r.replace(",strung,", ",unstrung,") for r in crown_rows(neck, chance)
                   + end_rows(neck, chance)])  # fmt: skip
    found = converted_to_tension(model, loose).measurement
    stiffness = model.relief_mm_per_n + model.relief_u_mm_per_n * chance.normal()
    neck.crowns = neck.crowns + stiffness * model.tension_n * model.bow.frets
    return found.heights, neck.heights


ROUTES = {
    "heights read": heights_read,
    "ends from actions": ends_from_actions,
    "saddle from nut and actions": saddle_from_nut_and_action,
    "board and crown height": board_and_crown_height,
    "relief and rocking": lambda chance: by_bow(chance, shared_relief=False),
    "one relief for all strings": lambda chance: by_bow(chance, shared_relief=True),
    "one relief over a fret high under some": lambda chance: by_bow(
        chance, shared_relief=True, over_high=True
    ),
    "scan and heights": scan_with_heights,
    "scan and actions": scan_with_actions,
    "converted to tension": converted_to_playing_tension,
}
