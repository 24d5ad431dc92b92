"""Shades that a grey print and a colour-blind reader can tell apart, in every theme."""

from __future__ import annotations

import re
from itertools import pairwise

import pytest

from evenfall.pictures import inks
from evenfall.pictures.svg import document, text
from pictures.drawing import contrast, lightness, shown

RAMPS = {"risk": inks.RISK_RAMP, "metal": inks.METAL_RAMP, "play": inks.PLAY_SHADES}
THEMES = {"light": inks.LIGHT, "dark": inks.DARK, "print": inks.PRINT}
in_every_theme = pytest.mark.parametrize("theme", THEMES.values(), ids=THEMES)


@in_every_theme
@pytest.mark.parametrize("ramp", RAMPS)
def test_every_shade_stands_out_more_than_the_one_before(ramp: str, theme: inks.Theme) -> None:
    light = [lightness(theme[shade.fill]) for shade in RAMPS[ramp]]
    away = -1.0 if light[0] > 50.0 else 1.0  # always away from the ground
    # A just noticeable difference is about 1 unit of L*; viewing takes several, print more.
    least = 7.0 if theme is inks.DARK else 8.0
    assert min(away * (b - a) for a, b in pairwise(light)) >= least


@in_every_theme
def test_positions_under_the_attack_stand_apart_in_grey(theme: inks.Theme) -> None:
    safe = [s for s, bound in zip(inks.RISK_RAMP, inks.RISK_SHARES, strict=False) if bound >= 1.0]
    risky = inks.RISK_RAMP[len(safe) :]
    apart = (abs(lightness(theme[a.fill]) - lightness(theme[b.fill])) for a in safe for b in risky)
    assert min(apart) >= 25.0
    assert len(risky) == 3


@in_every_theme
@pytest.mark.parametrize("ramp", RAMPS)
def test_text_can_be_read_on_every_shade(ramp: str, theme: inks.Theme) -> None:
    # WCAG 2.2, success criterion 1.4.3: 4.5 to 1 for text of this size.
    assert all(contrast(theme[s.fill], theme[s.ink]) >= 4.5 for s in RAMPS[ramp])


@in_every_theme
def test_inks_can_be_read_on_every_ground(theme: inks.Theme) -> None:
    for ink in (inks.INK, inks.QUIET, inks.RISK):
        for ground in (inks.PAPER, inks.WASH, inks.RISK_WASH):
            assert contrast(theme[ink], theme[ground]) >= 4.5, (ink, ground)


@in_every_theme
def test_second_voice_can_be_read_on_the_lightest_risk_shades(theme: inks.Theme) -> None:
    assert all(contrast(theme[inks.QUIET], theme[s.fill]) >= 4.5 for s in inks.RISK_RAMP[:2])


@in_every_theme
def test_a_picture_holds_the_colours_of_its_theme_and_no_name_of_an_ink(theme: inks.Theme) -> None:
    told = 'a text with ink="@risk" in it'
    picture = document(20.0, [text(4, 14, told)], title=told, description=told, theme=theme)
    assert shown(picture) == told
    assert re.findall(r'fill="([^"]*)"', picture) == [theme[inks.PAPER], theme[inks.INK]]


def test_the_measures_know_black_and_white() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert lightness("#ffffff") == pytest.approx(100.0)
    assert lightness("#777777") == pytest.approx(50.03, abs=0.05)  # sRGB 119 is mid grey
    assert lightness("#000000") == 0.0
