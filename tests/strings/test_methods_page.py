"""The figures on the page about methods are those of the invented guitar."""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path

import pytest

from evenfall.instrument import read_specification, string_lines
from evenfall.strings.excursion import excursion_table
from oracles.parallelogram import parallelogram_excursion_per_newton

PAGE = Path(__file__).resolve().parents[2] / "docs" / "explanation" / "methods.md"
TESQUIL = resources.files("evenfall") / "invented" / "tesquil.spec.toml"


def deeper_percent(string: int, stop: int, *, whole: bool) -> int:
    """Return how much deeper than the ideal string it swings over the next fret [%]."""
    spec, _ = read_specification(TESQUIL.read_text(encoding="utf-8"))
    lines = string_lines(spec)
    k = string - 1
    ideal = parallelogram_excursion_per_newton(
        speaking_length_mm=float(lines.saddle_station_mm[k]),
        tension_n=spec.strings[k].tension_n,
        station_mm=lines.station_mm[k],
        pluck_distance_mm=spec.player.pluck_distance_mm,
    )[stop, stop + 1]
    found = excursion_table(spec, lines)
    real = found.touch_mm_per_n if whole else found.buzz_mm_per_n
    return round(100.0 * (float(real[k, stop, stop + 1] / ideal) - 1.0))


@pytest.mark.slow
def test_how_much_deeper_a_stiff_string_swings() -> None:
    page = " ".join(PAGE.read_text(encoding="utf-8").split())
    for whole, words in (
        (
            False,
            r"the first swing is {f} % deeper open, {f} % stopped at fret 12 and {f} % at fret 21",
        ),
        (True, r"at its deepest it is {f} %, {f} % and {f} %"),
    ):
        told = re.search(words.replace("{f}", r"(-?\d+)"), page)
        assert told is not None
        figures = [int(figure) for figure in told.groups()]
        assert figures == [deeper_percent(1, stop, whole=whole) for stop in (0, 12, 21)]
