"""Play map: every strip shows what the play test says, for every size of instrument."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenfall.instrument import Specification
from evenfall.pictures import inks
from evenfall.pictures.play_map import play_map
from evenfall.strings.playtest import Attack, PlayTest, Settings
from evenfall.strings.playtest.play_test import AWAY, BAND_HZ, TOWARDS, Strikes, Verdict
from pictures.drawing import SVG, contents, contrast, faults, groups, lightness, shown
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


def strips(cell: ElementTree.Element) -> list[tuple[float, Verdict, str]]:
    """Return what a cell shows from the top: place [px], verdict by its marks, and the fret."""
    found = [(float(dot.attrib["cy"]), Verdict.CLEAN, "0") for dot in cell.iter(f"{SVG}circle")]
    teeth, numbers = list(cell.iter(f"{SVG}path")), list(cell.iter(f"{SVG}text"))
    for ground in cell.iter(f"{SVG}rect"):
        top, high = float(ground.attrib["y"]), float(ground.attrib["height"])
        fret = [n for n in numbers if top < float(n.attrib["y"]) < top + high]
        assert len(fret) == 1
        tooth = [
            m
            for m in teeth
            if top
            < float(m.attrib["d"].split("L")[0].strip("M ").replace(",", " ").split()[1])
            < top + high
        ]
        verdict = Verdict.TOUCHES if tooth else Verdict.RATTLES
        crosses = [
            m
            for m in cell.iter(f"{SVG}line")
            if m.attrib["y1"] != m.attrib["y2"] and top < float(m.attrib["y1"]) < top + high
        ]
        assert len(crosses) == (2 if verdict is Verdict.RATTLES else 0)
        assert ground.attrib["fill"] == inks.LIGHT[inks.PLAY_SHADES[verdict].fill]
        found.append((top + high / 2, verdict, fret[0].text or ""))
    return sorted(found)


@settings(max_examples=25, deadline=None)
@given(sizes, st.integers(1, 6), st.integers(0, 99))
def test_maps_of_any_size_show_the_play_test(size: tuple[int, int], levels: int, seed: int) -> None:
    spec = specification(*size, name="Long " * 30 + "<&> name")
    test = made(spec, levels, seed=seed)
    picture = play_map(spec, test, title=spec.name)
    assert faults(picture) == []
    cells = groups(picture, "string", "stopped-fret")
    assert len(cells) == size[0] * size[1]
    for (k, p), cell in cells.items():
        place = int(k) - 1, int(p)
        shown_strips = strips(cell)
        assert [v for _, v, _ in shown_strips] == test.worst[place].tolist()
        for a, (_, verdict, fret) in enumerate(shown_strips):
            if verdict is Verdict.CLEAN:
                continue
            first = int(np.nanargmin(test.first_contact_s[(*place, a)]))
            assert int(fret) == test.first_contact_fret[(*place, a, first)]
    forces = [f"{attack.force_n[0]:.2f}" for attack in test.attacks]
    assert all(force in contents_of(picture) for force in forces)


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
