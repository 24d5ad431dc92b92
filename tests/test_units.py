"""Lengths and uncertainties as people read them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenfall.pages.typesetting import kept_together
from evenfall.units import LengthUnit, length_text, uncertainty_text


@given(st.floats(1e-12, 100.0), st.sampled_from(["mm", "in"]))
def test_a_uncertainty_is_never_shown_as_none(u_mm: float, unit: LengthUnit) -> None:
    """An uncertainty shown as 0.000 would claim that the value is exact."""
    shown = uncertainty_text(u_mm, unit)
    assert float(shown.split()[0]) > 0.0
    if float(length_text(u_mm, unit).split()[0]) > 0.0:
        assert shown == length_text(u_mm, unit)


def test_no_uncertainty_and_unknown_uncertainty_are_shown_as_such() -> None:
    assert uncertainty_text(0.0) == "0.000 mm"
    assert uncertainty_text(float("nan")) == "–"
    assert uncertainty_text(0.0004, "in") == "0.0001 in"


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ("at least 0.700 mm (0.0276 in).", "at least 0.700~mm (0.0276~in)."),
        ("bears 125 % of the attack", "bears 125~% of the attack"),
        ("Crown height of fret 5 under string 1", "Crown height of fret~5 under string~1"),
        ("under strings 2 to 6, an attack of 0.44 to 0.58 N", "under strings~2 to 6, an attack"),
        ("on 12 frets; 2 instruments; 3 inlays", "on 12 frets; 2 instruments; 3 inlays"),
    ],
)
def test_a_number_keeps_its_unit_on_the_line(text: str, kept: str) -> None:
    assert kept_together(text).replace("\N{NO-BREAK SPACE}", "~").startswith(kept)
