"""Shades that a grey print and a colour-blind reader can tell apart."""

from __future__ import annotations

from itertools import pairwise

import pytest

from evenfall.pictures import inks
from pictures.drawing import contrast, lightness

RAMPS = {"risk": inks.RISK_RAMP, "metal": inks.METAL_RAMP}


@pytest.mark.parametrize("ramp", RAMPS)
def test_every_shade_is_darker_than_the_one_before_by_a_visible_step(ramp: str) -> None:
    steps = [lightness(a.fill) - lightness(b.fill) for a, b in pairwise(RAMPS[ramp])]
    # A just noticeable difference is about 1 unit of L*; print and viewing take several.
    assert min(steps) >= 8.0


def test_positions_under_the_attack_stand_apart_in_grey_and_in_shape() -> None:
    safe = [s for s, bound in zip(inks.RISK_RAMP, inks.RISK_SHARES, strict=False) if bound >= 1.0]
    risky = inks.RISK_RAMP[len(safe) :]
    assert min(lightness(s.fill) for s in safe) - max(lightness(s.fill) for s in risky) >= 25.0
    assert {s.teeth for s in safe} == {0}
    assert len({s.teeth for s in risky} - {0}) == len(risky) == 3


@pytest.mark.parametrize("ramp", RAMPS)
def test_text_can_be_read_on_every_shade(ramp: str) -> None:
    # WCAG 2.2, success criterion 1.4.3: 4.5 to 1 for text of this size.
    assert all(contrast(shade.fill, shade.ink) >= 4.5 for shade in RAMPS[ramp])


def test_inks_can_be_read_on_paper_and_wash() -> None:
    for ink in (inks.INK, inks.QUIET, inks.RISK):
        for ground in (inks.PAPER, inks.WASH, inks.RISK_WASH):
            assert contrast(ink, ground) >= 4.5, (ink, ground)


def test_second_voice_can_be_read_on_the_lightest_risk_shades() -> None:
    assert all(contrast(inks.QUIET, shade.fill) >= 4.5 for shade in inks.RISK_RAMP[:2])


def test_the_measures_know_black_and_white() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert lightness("#ffffff") == pytest.approx(100.0)
    assert lightness("#777777") == pytest.approx(50.03, abs=0.05)  # sRGB 119 is mid grey
    assert lightness("#000000") == 0.0
