"""Buzz force map and removal map: the numbers shown are the data, for every size of instrument."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from draws import draws
from evenfall.pictures import inks
from evenfall.pictures.fret_map import (
    buzz_force_cells,
    buzz_force_map,
    removal_cells,
    removal_map,
)
from evenfall.requirement import State
from evenfall.units import MM_PER_INCH
from pictures.drawing import SVG, contents, faults, groups, number, parsed, path_points, shown
from pictures.instruments import measurement, plan, specification

SPEC = specification()
PLAN, SWING = plan(SPEC, measurement(SPEC, uneven_mm=0.05))
ATTACK = np.array(SPEC.player.attack_n)

sizes = st.tuples(st.integers(3, 12), st.integers(5, 36))


def fill(cell) -> str:
    return cell.find(f"{SVG}rect").attrib["fill"]


def marks(cell) -> int:
    """Return the number of tooth marks, or -1 for a cross."""
    if len(cell.findall(f"{SVG}line")) == 2:
        return -1
    return sum(len(path_points(p.attrib["d"])) // 2 for p in cell.findall(f"{SVG}path"))


@draws(25)
@given(sizes, st.integers(0, 99), st.sampled_from(["mm", "in"]))
def test_maps_of_any_size_are_in_order_and_show_the_data(
    size: tuple[int, int], seed: int, unit: str
) -> None:
    strings, frets = size
    spec = specification(strings, frets, name="Long " * 30 + "<&> name")
    rng = np.random.default_rng(seed)
    force = rng.lognormal(-0.8, 1.2, size) - 0.1
    attack = rng.uniform(0.1, 0.9, strings)
    first = rng.integers(1, frets + 1, size)
    picture = buzz_force_map(spec, force, attack, title=spec.name, critical_fret=first)
    assert faults(picture) == []
    cells = groups(picture, "string", "stopped-fret")
    assert len(cells) == strings * frets
    for (k, i), cell in cells.items():
        value = force[int(k) - 1, int(i)]
        told = number(contents(cell)[0])
        within = 0.051 if value < -0.09 else 0.0051 if value < 9.99 else 0.51
        assert told == pytest.approx(value, abs=within)
        share = contents(cell)[1]
        expected = math.floor(100.0 * value / attack[int(k) - 1] + 1e-4)
        far = ">999" if expected > 999 else "<−99" if expected < -99 else ""
        assert share == far if far else number(share) == expected
        if value < 1.2 * attack[int(k) - 1]:
            assert contents(cell)[2] == str(first[int(k) - 1, int(i)])

    made, _ = plan(spec, measurement(spec, seed=seed))
    picture = removal_map(spec, made, unit=unit)
    assert faults(picture) == []
    cells = groups(picture, "string", "fret")
    assert len(cells) == strings * frets
    scale, least = (1.0, 0.0005) if unit == "mm" else (MM_PER_INCH, 0.00005)
    for (k, j), cell in cells.items():
        value = made.removal_mm[int(k) - 1, int(j) - 1] / scale
        numbers = contents(cell)
        assert numbers or value <= least + 1e-9
        if numbers:
            assert number(numbers[0]) == pytest.approx(value, abs=10.1 * least)
            assert value < 1.0 or number(numbers[0]) == pytest.approx(value, abs=1.01 * least)


@pytest.mark.parametrize(
    ("share", "shade", "teeth"),
    [
        (2.0, 0, 0),
        (1.5, 0, 0),
        (1.499, 1, 0),
        (1.2, 1, 0),
        (1.199, 2, 0),
        (1.0, 2, 0),
        (0.9999, 3, 1),
        (0.8, 3, 1),
        (0.799, 4, 2),
        (0.001, 4, 2),
        (0.0, 5, 2),
        (-0.3, 5, 2),
        (math.inf, 0, 0),
    ],
)
def test_each_share_of_the_attack_gets_its_shade_and_its_mark(
    share: float, shade: int, teeth: int
) -> None:
    force = np.full((6, 22), 9.0)
    force[2, 5] = share * ATTACK[2]
    cell = groups(buzz_force_map(SPEC, force, ATTACK, title="t"), "string", "stopped-fret")[
        "3", "5"
    ]
    assert fill(cell) == inks.LIGHT[inks.RISK_RAMP[shade].fill]
    assert marks(cell) == teeth
    # what is rounded never looks safer than its class
    rounded = "∞" if math.isinf(share) else str(math.floor(100 * share + 1e-4))
    assert contents(cell)[1] == rounded.replace("-", "−")


def test_marks_follow_the_state_of_a_note_whatever_its_margin() -> None:
    force = 2.0 * np.ones((6, 22)) * ATTACK[:, None]
    force[:, 1:4] *= [0.45, 0.3, -0.1]
    states = np.full((6, 22), State.HOLDS)
    states[0, :4] = State.FAILS
    states[1, :4] = State.AS_GOOD
    states[2, 0] = State.UNKNOWN
    picture = buzz_force_map(SPEC, force, ATTACK, title="t", note_state=states)
    cells = groups(picture, "string", "stopped-fret")
    assert [marks(cells["1", str(i)]) for i in range(5)] == [1, 1, 2, 2, 0]
    assert [marks(cells["2", str(i)]) for i in range(5)] == [-1, -1, -1, -1, 0]
    assert [marks(cells["3", str(i)]) for i in range(5)] == [0, 0, 0, 0, 0]
    words = shown(picture).replace("\n", " ")
    assert "4 of 132 positions fail; 4 buzz as they would over level frets" in words
    refused = np.zeros((6, 22), dtype=bool)
    said = shown(
        buzz_force_map(SPEC, force, ATTACK, title="t", note_state=states, refused=refused)
    ).replace("\n", " ")
    assert "4 of 132 positions fail by these readings, none for certain; 4 buzz" in said
    refused[0, :4] = True
    said = shown(
        buzz_force_map(SPEC, force, ATTACK, title="t", note_state=states, refused=refused)
    ).replace("\n", " ")
    assert "4 of 132 positions fail; 4 buzz as they would" in said
    assert "fails, under 80 %" in words
    assert "Marks count the specification's extra clearance and its tolerance as well" in words
    assert "as good as level frets" not in shown(buzz_force_map(SPEC, force, ATTACK, title="t"))
    with pytest.raises(ValueError, match="note_state"):
        buzz_force_map(SPEC, force, ATTACK, title="t", note_state=states[:, :3])


def test_a_note_that_fails_is_not_counted_among_those_that_touch_lightly() -> None:
    force = 2.0 * np.ones((6, 22)) * ATTACK[:, None]
    touch = 1.5 * np.ones((6, 22)) * ATTACK[:, None]
    touch[0, :5] *= 0.5
    states = np.full((6, 22), State.HOLDS)
    states[0, 0], states[0, 1] = State.FAILS, State.AS_GOOD
    more = {"title": "t", "touch_force_n": touch}
    said = " ".join(shown(buzz_force_map(SPEC, force, ATTACK, note_state=states, **more)).split())
    assert "3 more touch a fret lightly without buzzing" in said
    said = " ".join(shown(buzz_force_map(SPEC, force, ATTACK, **more)).split())
    assert "5 more touch a fret lightly without buzzing" in said


def test_a_cell_as_data_holds_what_the_picture_shows() -> None:
    force = PLAN.buzz_force_before_n
    made = (
        ("stopped-fret", buzz_force_cells, buzz_force_map, {"critical_fret": np.full((6, 22), 9)}),
        ("fret", removal_cells, removal_map, {}),
    )
    for column, cells_of, draw, more in made:
        taken = (force, ATTACK) if cells_of is buzz_force_cells else (PLAN,)
        title = {"title": "t"} if cells_of is buzz_force_cells else {}
        drawn = groups(draw(SPEC, *taken, **title, **more), "string", column)
        cells = cells_of(SPEC, *taken, **more)
        assert len(cells) == len(drawn) == 132
        for cell in cells:
            seen, data = drawn[str(cell.string), str(cell.column)], cell.as_dict()
            assert seen.attrib["data-class"] == data["class"]
            assert inks.LIGHT[f"@{data['class']}"] == fill(seen)
            assert contents(seen) == data["text"]
            assert seen.findtext(f"{SVG}title") == data["label"]
            assert marks(seen) == {"": 0, "cross": -1, "tooth": 1, "teeth": 2}[data["marks"]]
        assert len(json.dumps([cell.as_dict() for cell in cells])) < 32_000


def test_the_headline_counts_and_gives_the_range() -> None:
    force = np.full((6, 22), 0.9)
    force[3, 7], force[1, 2], force[0, 0] = 0.123, 0.2, 3.456
    picture = buzz_force_map(SPEC, force, ATTACK, title="Before")
    said = " ".join(shown(picture).split("\n"))
    assert "2 of 132 positions buzz below the player's attack" in said
    assert "Lowest margin: 30 % (0.12 N), string 4 stopped at fret 7" in said
    assert "Highest: 987 % (3.46 N), string 1 open" in said
    assert "2 of 132" in parsed(picture).find(f"{SVG}desc").text


def test_what_is_not_known_is_not_called_safe() -> None:
    force = np.full((6, 22), np.nan)
    picture = buzz_force_map(SPEC, force, ATTACK, title="t")
    assert "No buzz force is known." in shown(picture)
    assert "not known" in shown(picture)
    force[0, 0] = 0.1
    picture = buzz_force_map(SPEC, force, ATTACK, title="t")
    assert "1 of 1 positions buzzes below the player's attack" in shown(picture)
    assert contents(groups(picture, "string", "stopped-fret")["2", "3"]) == ["–", "–"]
    assert faults(picture) == []


def test_the_legend_names_every_threshold_and_every_attack() -> None:
    words = shown(buzz_force_map(SPEC, PLAN.buzz_force_before_n, ATTACK, title="t"))
    assert all(shade.name in words for shade in inks.RISK_RAMP)
    assert all(f"{attack:.2f} N" in words for attack in ATTACK)
    assert all(string.pitch in words for string in SPEC.strings)


def test_a_buzz_force_map_of_the_wrong_shape_is_refused() -> None:
    with pytest.raises(ValueError, match="shape"):
        buzz_force_map(SPEC, np.ones((6, 21)), ATTACK, title="t")
    with pytest.raises(ValueError, match="critical_fret"):
        buzz_force_map(SPEC, np.ones((6, 22)), ATTACK, title="t", critical_fret=np.ones((6, 1)))
    with pytest.raises(ValueError, match="negative"):
        buzz_force_map(SPEC, np.ones((6, 22)), -1.0 * ATTACK, title="t")


def test_without_any_attack_what_clears_at_rest_bears_more_than_is_asked() -> None:
    """A plan may bear no attack at all, where the limits leave no room: still a map."""
    force = np.where(np.arange(22) == 3, -0.1, 0.4) * np.ones((6, 1))
    picture = buzz_force_map(SPEC, force, 0.0 * ATTACK, title="t")
    assert faults(picture) == []
    words = shown(picture)
    assert words.count(">999") == 6 * 21
    assert words.count("<−99") == 6


def test_the_treble_string_is_on_top_and_the_nut_at_the_left() -> None:
    picture = buzz_force_map(SPEC, PLAN.buzz_force_before_n, ATTACK, title="t")
    cells = groups(picture, "string", "stopped-fret")

    def corner(k: int, i: int) -> tuple[float, float]:
        rect = cells[str(k), str(i)].find(f"{SVG}rect")
        return float(rect.attrib["x"]), float(rect.attrib["y"])

    assert corner(1, 0)[1] < corner(6, 0)[1]
    assert corner(1, 0)[0] < corner(1, 1)[0] < corner(1, 21)[0]


def test_sums_and_least_heights_stand_under_each_fret() -> None:
    picture = removal_map(SPEC, PLAN)
    totals = {j: contents(g)[0] for (j,), g in groups(picture, "sum").items()}
    least = {j: contents(g)[0] for (j,), g in groups(picture, "lowest").items()}
    assert len(least) == 22
    for j in range(22):
        told = number(totals.get(str(j + 1), "0"))
        assert told == pytest.approx(PLAN.removal_mm[:, j].sum(), abs=0.00051)
        left = PLAN.crown_height_after_mm[:, j].min()
        assert number(least[str(j + 1)]) == pytest.approx(left, abs=0.00051)
    assert f"{PLAN.removal_mm.sum():.3f} mm altogether" in shown(picture)
    assert f"Lowest crown after the work: {PLAN.lowest_crown_mm:.3f} mm" in shown(picture)


def test_shades_of_removal_follow_the_share_of_what_may_come_off() -> None:
    removal = np.zeros((6, 22))
    left = np.full((6, 22), 1.0)
    for j, share in enumerate((0.05, 0.2, 0.4, 0.9, 1.0)):
        removal[0, j], left[0, j] = 0.4 * share, 0.75 + 0.4 * (1 - share)
    made = replace(PLAN, removal_mm=removal, crown_height_after_mm=left)
    cells = groups(removal_map(SPEC, made), "string", "fret")
    fills = [fill(cells["1", str(j)]) for j in range(1, 6)]
    assert fills == [inks.LIGHT[inks.METAL_RAMP[i].fill] for i in (1, 2, 3, 4, 4)]
    nothing = cells["2", "1"]
    assert fill(nothing) == inks.LIGHT[inks.METAL_RAMP[0].fill] == inks.LIGHT[inks.PAPER]
    assert contents(nothing) == []


def test_a_crown_at_its_minimum_is_underlined() -> None:
    left = PLAN.crown_height_after_mm.copy()
    free = removal_map(SPEC, replace(PLAN, crown_height_after_mm=left))
    left[2, 4] = 0.75
    held = removal_map(SPEC, replace(PLAN, crown_height_after_mm=left))
    assert held.count('stroke-width="1.2"') == free.count('stroke-width="1.2"') + 1


def test_replaced_frets_are_marked_and_named() -> None:
    words = shown(removal_map(SPEC, replace(PLAN, replaced_frets=(3, 4))))
    assert "New wire on frets 3 and 4." in words
    assert "new wire" in words
    assert "new wire" not in shown(removal_map(SPEC, PLAN)).lower()


def test_a_plan_without_metal_says_so() -> None:
    nothing = replace(PLAN, removal_mm=np.zeros((6, 22)))
    picture = removal_map(SPEC, nothing, unit="in")
    assert "No metal comes off." in shown(picture)
    assert faults(picture) == []
    with pytest.raises(ValueError, match="not for"):
        removal_map(specification(4, 22), PLAN)


def test_lowest_crowns_in_inches_do_not_run_together() -> None:
    lowest = groups(removal_map(SPEC, PLAN, unit="in"), "lowest").values()
    assert {len(contents(one)[0]) for one in lowest} == {len(".044")}


def test_inches_have_four_decimals() -> None:
    cells = groups(removal_map(SPEC, PLAN, unit="in"), "string", "fret")
    written = [contents(c)[0] for c in cells.values() if contents(c)]
    assert written
    assert all(w.startswith(".") and len(w) == 5 for w in written)


def test_the_rule_against_overlap_would_see_crowded_cells() -> None:
    picture = buzz_force_map(SPEC, PLAN.buzz_force_before_n, ATTACK, title="t")
    assert faults(picture.replace('font-size="9"', 'font-size="16"')) != []
