"""Play map: every strip shows what the play test says, for every size of instrument."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from draws import draws
from evenfall.instrument import Specification
from evenfall.pictures import inks
from evenfall.pictures.play_map import play_cells, play_map
from evenfall.strings.playtest import Attack, PlayTest, Settings
from evenfall.strings.playtest.play_test import AWAY, BAND_HZ, TOWARDS, Strikes, Verdict
from pictures.drawing import SVG, contents, contrast, faults, groups, lightness, path_points, shown
from pictures.instruments import specification

sizes = st.tuples(st.integers(3, 12), st.integers(5, 36))


def made(
    spec: Specification, levels: int, *, seed: int = 0, verdict: np.ndarray | None = None
) -> PlayTest:
    """Return a made-up play test; only what a picture shows makes sense in it."""
    rng = np.random.default_rng(seed)
    shape = (spec.string_count, spec.frets, levels, 2)
    what = rng.integers(0, 3, shape) if verdict is None else verdict
    touched = what > 0
    position = np.arange(spec.frets)[None, :, None, None]
    fret = np.where(touched, rng.integers(position + 1, spec.frets + 1, shape), 0)
    some = np.zeros(shape)
    return PlayTest(
        string_numbers=tuple(s.number for s in spec.strings),
        attacks=tuple(
            Attack(f"level {a}", tuple(rng.uniform(0.05, 49.0, shape[0]))) for a in range(levels)
        ),
        directions=(AWAY, TOWARDS),
        duration_s=0.25,
        settings=Settings(),
        verdict=what,
        first_contact_s=np.where(touched, rng.uniform(0.0, 0.25, shape), np.nan),
        first_contact_fret=fret,
        impulse_n_s=np.zeros((*shape, spec.frets)),
        largest_strike_n_s=some,
        strike_count=touched.astype(int),
        strikes_over_count=(what > 1).astype(int),
        peak_force_n=some,
        energy_lost_share=some,
        penetration_um=some,
        spectrum_n_s=np.zeros((*shape, len(BAND_HZ))),
        played=touched,
        strikes=Strikes(
            np.zeros((0, 4), int), np.zeros(0, int), np.zeros(0), np.zeros(0), np.zeros(0),
            np.zeros(0),
        ),
        touch_force_n=np.ones((*shape[:2], 2)),
        buzz_force_n=np.ones((*shape[:2], 2)),
        rate_hz=np.full(shape[:2], 96e3),
        mode_count=np.full(shape[:2], 100),
    )  # fmt: skip


def verdict_of(strip: ElementTree.Element) -> Verdict:
    """Return the verdict that the marks of a strip show: a dot, one tooth or two."""
    if list(strip.iter(f"{SVG}circle")):
        return Verdict.CLEAN
    (teeth,) = strip.iter(f"{SVG}path")
    return {3: Verdict.TOUCHES, 5: Verdict.RATTLES}[len(path_points(teeth.attrib["d"]))]


@pytest.mark.slow
@draws(25)
@given(sizes, st.integers(1, 6), st.integers(0, 99))
def test_maps_of_any_size_show_the_play_test(size: tuple[int, int], levels: int, seed: int) -> None:
    spec = specification(*size, name="Long " * 30 + "<&> name")
    test = made(spec, levels, seed=seed)
    picture = play_map(spec, test, title=spec.name)
    assert faults(picture) == []
    by_place = groups(picture, "string", "stopped-fret", *(["strip"] if levels > 1 else []))
    assert len(by_place) == size[0] * size[1] * levels
    cells = play_cells(spec, test)
    assert len(cells) == len(by_place)
    for cell in cells:
        k, p, a = cell.string - 1, cell.column, cell.strip
        strip = by_place[tuple(map(str, (k + 1, p, a)))[: 3 if levels > 1 else 2]]
        verdict = int(test.worst[k, p, a])
        assert verdict_of(strip) is cell_verdict(cell.mark) is Verdict(verdict)
        ground = strip.find(f"{SVG}rect")
        assert ground is not None
        assert ground.attrib["fill"] == inks.LIGHT[inks.PLAY_SHADES[verdict].fill]
        assert strip.attrib["data-class"] == cell.as_dict()["class"]
        if verdict:
            first = int(np.nanargmin(test.first_contact_s[k, p, a]))
            fret = str(test.first_contact_fret[k, p, a, first])
            assert contents(strip) == cell.as_dict()["text"] == [fret]
    forces = [f"{attack.force_n[0]:.2f}" for attack in test.attacks]
    assert all(force in contents_of(picture) for force in forces)


def cell_verdict(mark: str) -> Verdict:
    return Verdict(["", "tooth", "teeth"].index(mark))


def contents_of(picture: str) -> list[str]:
    return contents(ElementTree.fromstring(picture))  # noqa: S314 (our own drawing)


def test_the_heading_counts_every_level() -> None:
    spec = specification()
    verdict = np.zeros((6, 22, 2, 2), int)
    verdict[0, 0, 1, 0], verdict[2, 5, 1, 1], verdict[5, 21, 1, :] = 1, 2, (1, 2)
    picture = play_map(spec, made(spec, 2, verdict=verdict), title="Played")
    said = " ".join(shown(picture).split("\n"))
    assert "Of 132 positions, level 0: none touches; level 1: 129 clean, 1 touch, 2 rattle." in said
    assert "from the top: level 0, level 1" in said
    assert "1 % of the pluck's own impulse" in said


def test_shades_can_be_told_apart_without_colour_and_read() -> None:
    steps = [lightness(inks.LIGHT[shade.fill]) for shade in inks.PLAY_SHADES]
    assert min(np.diff(steps[::-1])) > 20.0
    for shade in inks.PLAY_SHADES:
        assert contrast(inks.LIGHT[shade.ink], inks.LIGHT[shade.fill]) > 4.5


def test_one_direction_is_named() -> None:
    spec = specification(4, 12)
    test = made(spec, 1)
    one = replace(
        test,
        directions=(AWAY,),
        verdict=test.verdict[..., :1],
        first_contact_s=test.first_contact_s[..., :1],
        first_contact_fret=test.first_contact_fret[..., :1],
    )
    assert "plucked away from the board" in shown(play_map(spec, one, title="t"))


def test_a_test_of_another_instrument_is_refused() -> None:
    with pytest.raises(ValueError, match="5 strings and 22 frets"):
        play_map(specification(5, 22), made(specification(6, 22), 1), title="t")
