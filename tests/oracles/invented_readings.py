"""Make the readings of the invented example: a neck with known faults, before and after the work.

Run as a script it rewrites `src/evenfall/invented/*.csv`. Everything is seeded; the readings carry
a reading error of the stated standard uncertainty, and the work misses the plan a little, as work
does. Invented throughout.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np

from evenfall.instrument import read_specification, string_lines
from evenfall.levelling import make_plan
from evenfall.neck import default_bow
from evenfall.sheets import SheetFile, read_measurement

HERE = Path(__file__).resolve().parents[2] / "src" / "evenfall" / "invented"
U_MM = 0.004
GAUGE = "digital height gauge"


def sheet(rows: list[tuple[str, object, object, float]], note: str) -> str:
    """Return readings as a hand sheet."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    stream.write(f"# {note} Invented example.\n")
    names = ["quantity", "string", "fret", "value", "unit", "uncertainty", "state"]
    writer.writerow([*names, "measured_with"])
    for quantity, string, fret, value in rows:
        writer.writerow([quantity, string, fret, f"{value:.3f}", "mm", f"{U_MM}", "strung", GAUGE])
    return stream.getvalue()


def readings(
    crown_top: np.ndarray, height: np.ndarray, nut: np.ndarray, saddle: np.ndarray, seed: int
) -> list[tuple[str, object, object, float]]:
    """Return one reading of everything, each with its own reading error."""
    rng = np.random.default_rng(seed)

    def read(value: float) -> float:
        return value + U_MM * rng.standard_normal()

    rows: list[tuple[str, object, object, float]] = []
    strings, frets = crown_top.shape
    rows += [("nut_slot", k + 1, "", read(nut[k])) for k in range(strings)]
    rows += [("saddle", k + 1, "", read(saddle[k])) for k in range(strings)]
    for j in range(frets):
        rows.append(("crown_height", "", j + 1, read(float(height[:, j].min()))))
        rows += [("crown_top", k + 1, j + 1, read(crown_top[k, j])) for k in range(strings)]
    return rows


def main() -> None:
    """Write both sheets."""
    specification, _ = read_specification((HERE / "tesquil.spec.toml").read_text(encoding="utf-8"))
    lines = string_lines(specification)
    bow = default_bow(specification, lines)
    rng = np.random.default_rng(648)
    strings, frets = specification.string_count, specification.frets
    relief = 0.36
    top = relief * bow.frets
    top += 0.014 * rng.standard_normal(frets) + 0.005 * rng.standard_normal((strings, frets))
    bass = np.linspace(0.0, 1.0, strings)  # 0 = treble
    top[:, 4] += 0.075  # not fully seated
    top[:, 10] += 0.090 * bass  # lifted at the bass end
    top[:, 15] += 0.090 * (1.0 - bass)  # lifted at the treble end
    top[:3, :3] -= 0.03  # worn by first-position chords
    action = np.array([t.value_mm for t in specification.target.action]) + 0.28
    first = np.array([t.value_mm for t in specification.target.first_fret_gap]) + 0.04
    x1, x12 = lines.station_mm[:, 1], lines.station_mm[:, specification.scale.reference_fret]
    over_first = relief * bow.frets[:, 0] + first
    over_ref = relief * bow.frets[:, specification.scale.reference_fret - 1] + action
    slope = (over_ref - over_first) / (x12 - x1)
    nut = over_first - slope * x1
    saddle = nut + slope * lines.saddle_station_mm
    # the stand of the height gauge stood anywhere: any straight datum will do
    datum = 21.4 + 0.0031 * lines.station_mm
    saddle = saddle + 21.4 + 0.0031 * lines.saddle_station_mm
    nut, top = nut + datum[:, 0], top + datum[:, 1:]
    height = np.full((strings, frets), 1.195)
    height[:3, :3] -= 0.03
    before = sheet(readings(top, height, nut, saddle, 1), "Tesquil UY-0417 as received.")
    (HERE / "tesquil-before.csv").write_text(before, encoding="utf-8")

    found, _ = read_measurement([SheetFile("tesquil-before.csv", before.encode())], specification)
    plan = make_plan(specification, found)
    print(plan.status, plan.method, plan.metal_mm, plan.reason)
    cut = np.where(plan.removal_mm > 0.0, plan.removal_mm + 0.003 * rng.standard_normal(), 0.0)
    cut = np.maximum(0.0, cut)
    top_after = top + (plan.relief_change_mm + 0.006) * bow.frets - cut
    nut_after = nut + (plan.nut_after_mm - found.nut_mm) + 0.003 * rng.standard_normal(strings)
    saddle_after = (
        saddle + (plan.saddle_after_mm - found.saddle_mm) + 0.006 * rng.standard_normal(strings)
    )
    # the gauge was set up again, so the datum is another one
    tilt = 0.4 - 0.0012 * lines.station_mm
    rows = readings(
        top_after + tilt[:, 1:],
        height - cut,
        nut_after + tilt[:, 0],
        saddle_after + 0.4 - 0.0012 * lines.saddle_station_mm,
        2,
    )
    after = sheet(rows, "Tesquil UY-0417 after the work.")
    (HERE / "tesquil-after.csv").write_text(after, encoding="utf-8")


if __name__ == "__main__":
    main()
