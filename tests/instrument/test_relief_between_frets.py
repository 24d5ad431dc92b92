"""The relief as the trade states it, between other frets than the first and the last.

Shares are worked out by hand from a parabola between the two frets.
"""

from __future__ import annotations

import numpy as np
import pytest

from evenfall.errors import SpecificationError
from evenfall.instrument import Specification, read_specification, string_lines
from evenfall.instrument.geometry import relief_share
from evenfall.instrument.starters import starter
from evenfall.neck import default_bow
from evenfall.neck.bow import relief_point, straightedge_gap_mm
from evenfall.sheets.template import empty_sheet


def made(*changes: tuple[str, str]) -> Specification:
    text = starter("electric")
    for old, new in (("# relief_to = 14", "relief_to = 14"), *changes):
        assert old in text
        text = text.replace(old, new)
    return read_specification(text)[0]


def test_a_neck_that_shows_the_stated_relief_has_it() -> None:
    """A bow drawn crown by crown, and a straight line laid over frets 1 and 14 of it."""
    spec = made()
    lines = string_lines(spec)
    crowns = spec.target.relief.value_mm * default_bow(spec, lines).frets
    for over, wanted in (((1, 14), 0.2), ((1, 22), spec.target.relief.value_mm)):
        gap = straightedge_gap_mm(lines, crowns, over)[:, over[0] : over[1]]
        # the deepest place lies between two frets
        assert gap.max(axis=1) == pytest.approx(np.full(6, wanted), rel=0.01)


def test_the_share_is_that_of_a_circle_over_two_chords() -> None:
    """The sagitta of a circle goes with the square of the chord; the bow ends at fret 17.

    Between frets 1 and 14 that lie on the circle: chord squared over 8 R. Over fret 1 and the last
    one, past the joint, the figure of a common neck (joint 17, 22 frets) is 0.59.
    """
    x = 1.0 - 2.0 ** (-np.array([1, 14, 12, 13]) / 12.0)
    inside = relief_share(20.0, 20, 1, 14), relief_share(20.0, 20, 1, 13)
    assert inside[0] / inside[1] == pytest.approx(((x[1] - x[0]) / (x[3] - x[0])) ** 2, rel=1e-9)
    assert relief_share(17.0, 22, 1, 14) == pytest.approx(0.59, abs=0.003)
    assert relief_share(17.0, 22, 1, 22) == 1.0


def test_the_empty_sheet_asks_for_the_relief_as_it_is_stated() -> None:
    spec = made()
    fret, _ = relief_point(spec, string_lines(spec))
    assert 5 <= fret <= 8
    rows = empty_sheet(spec, "csv").decode().splitlines()
    assert any(row.startswith(f"relief,,,{fret} between 1 and 14,") for row in rows)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("# relief_from = 1", "relief_from = 14"), "relief_from must be a lower fret than"),
        (("# relief_from = 1", "relief_from = 40"), "relief_from = 40 is out of range"),
    ],
)
def test_what_cannot_be_is_named(change: tuple[str, str], said: str) -> None:
    with pytest.raises(SpecificationError, match=said):
        made(change)


def test_past_the_joint_there_is_no_relief() -> None:
    with pytest.raises(SpecificationError, match="must be under joint_fret"):
        made(("# relief_from = 1", "relief_from = 18"), ("relief_to = 14", "relief_to = 21"))
