"""Every reason to read again: a case that asks for it, and one near it that does not.

The thresholds are our judgement. What is checked here is that each stands where it is said to.
"""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from evenfall.errors import GATE_CODES
from evenfall.gates import next_readings, open_gates
from evenfall.instrument import read_specification
from evenfall.measurement import Direct, Origin, Scanned
from gates.looked_at import codes, heights, line_of, looked_at, raised, sound
from made_heights import changed
from necks.invented import Bump, neck
from necks.kinds import specification, text
from necks.readings import Reader, exact, read

if TYPE_CHECKING:
    from evenfall.arrays import FloatArray
    from evenfall.measurement import Measurement

ELECTRIC = specification("electric")


def asked(found: Measurement, kind: str = "electric") -> set[str]:
    """Return the codes of what is asked for again."""
    return codes(looked_at(specification(kind), found))


def of_neck(kind: str = "electric", **how: Any) -> Measurement:
    """Return an exact reading of a neck made to order, with a gauge good to 0.005 mm."""
    found = exact(neck(kind, **how))
    u = np.full(found.heights.height_mm.shape, 0.005)
    return replace(found, heights=replace(found.heights, own_u_mm=u))


@pytest.mark.parametrize("kind", ["electric", "classical", "bass", "ukulele", "mandolin", "fan"])
def test_a_sound_neck_asks_for_nothing(kind: str) -> None:
    assert not asked(sound(kind)[1], kind)


# ---- crowns -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("under_mm", "fires"), [(-0.03, True), (-0.01, False), (0.05, False)])
def test_an_open_string_through_a_crown(under_mm: float, fires: bool) -> None:
    truth = neck("electric")
    rise = float(truth.gap_mm(9)[2]) - under_mm
    found = raised(of_neck(), 9, 2, rise)
    [gate] = [g for g in looked_at(ELECTRIC, found).found if g.code == "string-through-crown"] or [
        None
    ]
    assert (gate is not None) == fires
    if gate is not None:
        assert (gate.at.frets, gate.at.strings) == ((9,), (3,))
        assert "0.030 mm" in gate.sentence


def test_copied_columns_rows_and_runs() -> None:
    _, found = sound()

    def column(height: FloatArray) -> FloatArray:
        height[2, 1:-1] = height[4, 1:-1]
        return height

    def row(height: FloatArray) -> FloatArray:
        height[:, 7] = height[:, 6]
        return height

    def run(height: FloatArray) -> FloatArray:
        height[1, 4:12] = height[1, 4]
        return height

    for change, place in ((column, (3, 5)), (row, (6, 7)), (run, (2,))):
        gates = looked_at(ELECTRIC, heights(found, change)).found
        [gate] = [g for g in gates if g.code == "copied-figures"]
        assert place in (gate.at.frets, gate.at.strings)


@pytest.mark.slow
def test_figures_that_repeat_by_chance_are_no_copies() -> None:
    """A gauge that shows hundredths and scatters by less gives the same figure again and again."""
    truth = neck("ukulele")
    for seed in range(20):
        chance = np.random.default_rng([seed, 5])
        found = read(truth, chance, Reader(u_mm=0.004, step_mm=0.01))
        assert "copied-figures" not in asked(found, "ukulele")


def test_three_figures_are_no_readings() -> None:
    def few(height: FloatArray) -> FloatArray:
        height[:, 1:-1] = np.round(height[:, 1:-1] / 2.0) * 2.0
        return height

    assert "copied-figures" in asked(heights(sound()[1], few))


def test_a_neck_without_any_gap_is_no_reading() -> None:
    flat = heights(sound()[1], np.zeros_like)
    [gate] = [g for g in looked_at(ELECTRIC, flat).found if g.code == "copied-figures"]
    assert "zero" in gate.sentence


@pytest.mark.parametrize(("spread_mm", "fires"), [(0.25, True), (0.06, False)])
def test_crowns_that_scatter(spread_mm: float, fires: bool) -> None:
    chance = np.random.default_rng(3)

    def noise(height: FloatArray) -> FloatArray:
        height[:, 1:-1] += spread_mm * chance.standard_normal(height[:, 1:-1].shape)
        return height

    assert ("scatter" in asked(heights(of_neck(), noise))) == fires


@pytest.mark.quick(3)
@pytest.mark.parametrize(
    ("string", "by_mm", "fires"),
    [
        (3, 0.15, True),
        (3, 0.09, False),
        (3, -0.35, True),
        (3, -0.25, False),
        (1, 0.24, True),
        (1, 0.16, False),
        (6, -0.35, True),
    ],
)
def test_one_crown_off_its_own_fret(string: int, by_mm: float, fires: bool) -> None:
    gates = looked_at(ELECTRIC, raised(of_neck(), 7, string - 1, by_mm)).found
    named = [g.at for g in gates if g.code == "lone-crown"]
    assert (((7,), (string,)) in [(at.frets, at.strings) for at in named]) == fires


@pytest.mark.quick(2)
@pytest.mark.parametrize("kind", ["electric", "bass"])
@pytest.mark.parametrize("by_mm", [-0.5, 0.5, -0.27])
def test_the_crowns_beside_one_that_is_off_are_not_blamed(kind: str, by_mm: float) -> None:
    for k in range(specification(kind).string_count):
        gates = looked_at(specification(kind), raised(of_neck(kind), 7, k, by_mm)).found
        named = [g.at.strings for g in gates if g.code == "lone-crown"]
        assert named == ([(k + 1,)] if abs(by_mm) > 0.3 else [])


def test_a_tilted_fret_and_a_worn_crown_are_not_alone() -> None:
    assert "lone-crown" not in asked(of_neck(bumps=[Bump(7, 0.0, 0.28)]))
    wear = np.zeros((6, 22))
    wear[1, 2] = 0.4
    assert "lone-crown" not in asked(of_neck(wear_mm=wear))


@pytest.mark.parametrize(
    ("bump", "fires"),
    [
        (Bump(9, 0.28), True),
        (Bump(9, 0.22), False),
        (Bump(9, 0.0, 0.33), True),
        (Bump(9, 0.0, 0.27), False),
        (Bump(9, -0.34), True),
        (Bump(9, -0.26), False),
    ],
)
def test_a_fret_that_is_not_seated(bump: Bump, fires: bool) -> None:
    gates = looked_at(ELECTRIC, of_neck(bumps=[bump])).found
    assert ([g.at.frets for g in gates if g.code == "not-seated"] == [(9,)]) == fires


def test_one_crown_off_is_asked_about_once() -> None:
    assert asked(raised(of_neck(), 7, 2, 0.4)) == {"lone-crown"}


def test_worn_frets_and_a_rising_tongue_are_seated() -> None:
    wear = np.zeros((6, 22))
    wear[:, 4] = 0.35
    assert "not-seated" not in asked(of_neck(wear_mm=wear))
    assert "not-seated" not in asked(of_neck(joint_rise_mm=0.35))


@pytest.mark.parametrize(("over_mm", "fires"), [(0.07, True), (0.04, False)])
def test_a_crown_over_new_wire(over_mm: float, fires: bool) -> None:
    found = of_neck()
    height = found.crown_height_mm.copy()
    height[3, 4] = ELECTRIC.fretwire.crown_height_mm + over_mm
    gates = looked_at(ELECTRIC, replace(found, crown_height_mm=height)).found
    assert ([g.at.frets for g in gates if g.code == "over-new-wire"] == [(5,)]) == fires


# ---- shape --------------------------------------------------------------------------------------


def arched(share: float) -> Measurement:
    """Return readings whose arch across the strings is a share of the board's."""
    flat, full = of_neck(arched=False), of_neck()

    def between(height: FloatArray) -> FloatArray:
        return (1.0 - share) * flat.heights.height_mm + share * height

    return heights(full, between)


@pytest.mark.parametrize(
    ("share", "fires"), [(1.0, False), (0.8, False), (0.5, True), (0.0, False), (-1.0, True)]
)
def test_the_arch_is_the_boards_or_none(share: float, fires: bool) -> None:
    """The board's sagitta is some 1 mm: a half of it is neither the board's arch nor none."""
    assert ("arch" in asked(arched(share))) == fires


@pytest.mark.parametrize(
    ("off_mm", "slot_mm", "fires"), [(0.2, 0.0, True), (0.2, 0.2, False), (0.1, 0.0, False)]
)
def test_a_row_of_one_string(off_mm: float, slot_mm: float, fires: bool) -> None:
    def row(height: FloatArray) -> FloatArray:
        height[2, 1:-1] += off_mm
        height[2, 0] += slot_mm
        return height

    gates = looked_at(ELECTRIC, heights(of_neck(), row)).found
    assert ([g.at.strings for g in gates if g.code == "arch"] == [(3,)]) == fires


@pytest.mark.parametrize(("twist_mm", "fires"), [(1.4, True), (0.6, False)])
def test_a_twisted_neck(twist_mm: float, fires: bool) -> None:
    def twisted(height: FloatArray) -> FloatArray:
        along, across = np.linspace(0.0, 1.0, height.shape[1]), np.linspace(-0.5, 0.5, len(height))
        return height + twist_mm * across[:, None] * along

    assert ("arch" in asked(heights(of_neck(), twisted))) == fires


@pytest.mark.parametrize(
    ("fret", "by_mm", "fires"), [(8, 0.12, True), (8, 0.04, False), (17, 0.12, False)]
)
def test_a_step_on_the_way(fret: int, by_mm: float, fires: bool) -> None:
    """Near the joint, fret 17, a step may be the neck's own."""

    def moved(height: FloatArray) -> FloatArray:
        height[:, fret:-1] += by_mm
        return height

    found = heights(of_neck(), moved)
    gates = looked_at(ELECTRIC, found).found
    assert ([g.at.frets for g in gates if g.code == "step"] == [(fret,)]) == fires
    still = Direct("crown-top", 1, 1, float(found.crown_top_mm[0, 0]), 0.005)
    assert "step" not in codes(looked_at(ELECTRIC, replace(found, direct=(still,))))


# ---- settings -----------------------------------------------------------------------------------


def shifted(k: int, column: int, by_mm: float, kind: str = "electric") -> Measurement:
    """Return readings with the nut (0) or the saddle (-1) of string k raised."""

    def change(height: FloatArray) -> FloatArray:
        height[k, column] += by_mm
        return height

    return heights(of_neck(kind), change)


def of_neck_action(string: int) -> float:
    """Return the true action of a string of the neck that readings here are of [mm]."""
    return ELECTRIC.target.action[string - 1].value_mm


@pytest.mark.parametrize(
    ("k", "column", "by_mm", "fires"),
    [
        (2, -1, 1.0, True),
        (2, -1, 0.6, False),
        (2, 0, 0.35, True),
        (2, 0, 0.2, False),
        (0, 0, 0.33, False),  # an outer string is compared with a line that does not reach it
        (0, 0, 0.6, True),
    ],
)
def test_a_string_out_of_line(k: int, column: int, by_mm: float, fires: bool) -> None:
    gates = looked_at(ELECTRIC, shifted(k, column, by_mm)).found
    assert any(g.code == "out-of-line" and g.at.strings == (k + 1,) for g in gates) == fires


@pytest.mark.parametrize(("by_mm", "on"), [(0.6, (3,)), (0.1, ())])
def test_an_action_in_doubt_is_asked_for_by_hand(by_mm: float, on: tuple[int, ...]) -> None:
    """Out of line, but by less than stops a plan: a feeler tells the string from the slip."""
    found = shifted(2, -1, by_mm)
    outer = tuple(Direct("action", k, 12, float(of_neck_action(k)), 0.02) for k in (1, 6))
    found = replace(found, direct=outer)
    asked = [f.at.strings for f in next_readings(ELECTRIC, found) if f.at.field == "action"]
    assert asked == ([on] if on else [])
    by_hand = Direct("action", 3, 12, float(of_neck_action(3)), 0.02)
    told = codes(looked_at(ELECTRIC, replace(found, direct=(*outer, by_hand))))
    assert ("hand-check" in told) == bool(on)


@pytest.mark.parametrize(
    ("kind", "column", "by_mm", "fires"),
    [
        ("twelve-string", -1, 0.65, True),
        ("twelve-string", -1, 0.55, False),
        ("mandolin", -1, -0.65, True),
        ("mandolin", 0, 0.23, True),
        ("mandolin", 0, 0.18, False),
    ],
)
def test_strings_of_a_course_are_compared_with_each_other(
    kind: str, column: int, by_mm: float, *, fires: bool
) -> None:
    """A saddle shows by half in the action, a nut slot nearly whole in the first-fret gap."""
    fret = 1 if column == 0 else 12
    gates = looked_at(specification(kind), shifted(2, column, by_mm, kind)).found
    of_course = [g for g in gates if g.code == "out-of-line" and g.at.frets == (fret,)]
    assert [g.at.strings for g in of_course] == ([(3, 4)] if fires else [])


def test_a_string_of_a_course_that_is_far_off_is_named_alone() -> None:
    """Off by 0.6 mm of action it is out of line with the other courses as well."""
    one = looked_at(specification("mandolin"), shifted(2, -1, 1.2, "mandolin")).found
    assert any(g.code == "out-of-line" and g.at.strings == (3,) for g in one)


def test_a_course_whose_other_strings_hide_the_slip_is_found() -> None:
    """The course lies low as a whole: its misread string stands on the others' line."""
    kind = "twelve-string"

    def low(height: FloatArray) -> FloatArray:
        height[2:4, -1] -= 0.35
        height[2, -1] += 0.7
        return height

    gates = looked_at(specification(kind), heights(of_neck(kind), low)).found
    assert [g.at.strings for g in gates if g.code == "out-of-line"] == [(3, 4)]


def test_strings_of_a_course_that_are_asked_for_other_actions_differ_beside_those() -> None:
    """Both read as high as asked for before: now one is 0.35 mm under what is asked of it."""
    made = specification("twelve-string")
    limits = list(made.target.action)
    limits[2] = replace(limits[2], value_mm=limits[2].value_mm + 0.35)
    made = replace(made, target=replace(made.target, action=tuple(limits)))
    [gate] = [g for g in looked_at(made, of_neck("twelve-string")).found if g.at.strings == (3, 4)]
    assert gate.sentence.startswith(
        "Measured from what is asked of each, the actions of strings 3 and 4, which are one "
        "course, differ by 0.350 mm at fret 12."
    )


def test_both_strings_of_a_course_that_differ_are_read_by_hand() -> None:
    """By the heights alone either of the two may have been misread."""
    made, found = specification("twelve-string"), shifted(2, -1, 0.5, "twelve-string")
    [told] = [f for f in next_readings(made, found) if f.at.field == "action"]
    assert {3, 4} <= set(told.at.strings)


@pytest.mark.parametrize(("share", "fires"), [(0.3, True), (0.5, False), (2.4, False), (2.9, True)])
def test_an_action_out_of_reason(share: float, fires: bool) -> None:
    asked_mm = np.array([limit.value_mm for limit in ELECTRIC.target.action])
    gates = looked_at(ELECTRIC, of_neck(action_mm=share * asked_mm)).found
    assert any(g.code == "out-of-reason" and g.at.frets == (12,) for g in gates) == fires


@pytest.mark.parametrize(
    ("share", "fires"), [(-1.2, True), (0.2, False), (4.5, False), (6.0, True)]
)
def test_a_first_fret_gap_out_of_reason(share: float, fires: bool) -> None:
    asked_mm = np.array([limit.value_mm for limit in ELECTRIC.target.first_fret_gap])
    gates = looked_at(ELECTRIC, of_neck(first_fret_gap_mm=share * asked_mm)).found
    assert any(g.code == "out-of-reason" and g.at.frets == (1,) for g in gates) == fires


@pytest.mark.parametrize(("count", "words"), [(1, "under it again."), (6, "under each of them")])
def test_as_many_slots_are_read_again_as_gaps_are_out_of_reason(count: int, words: str) -> None:
    gap_mm = np.array([limit.value_mm for limit in ELECTRIC.target.first_fret_gap])
    gap_mm[:count] *= 6.0
    gates = looked_at(ELECTRIC, of_neck(first_fret_gap_mm=gap_mm)).found
    [gate] = [g for g in gates if g.code == "out-of-reason"]
    assert f"Read the nut slot {words}" in gate.sentence


@pytest.mark.parametrize(("relief_mm", "fires"), [(1.1, True), (0.7, False), (-0.2, True)])
def test_a_relief_out_of_reason_asks_for_a_straightedge(relief_mm: float, fires: bool) -> None:
    found = of_neck(relief_mm=relief_mm)
    gates = [g for g in looked_at(ELECTRIC, found).found if "straightedge" in g.sentence]
    assert bool(gates) == fires
    laid = replace(found, direct=(Direct("relief", 3, 8, relief_mm, 0.02),))
    assert not [g for g in looked_at(ELECTRIC, laid).found if g.code == "out-of-reason"]


def test_actions_in_the_opposite_order() -> None:
    asked_mm = np.array([limit.value_mm for limit in ELECTRIC.target.action])
    assert "order" in asked(of_neck(action_mm=asked_mm[::-1]))
    assert "order" not in asked(of_neck(action_mm=np.full(6, asked_mm.mean())))


def numbered_from_the_bass(kind: str) -> str:
    """Return a specification whose strings are numbered the wrong way round."""
    count = specification(kind).string_count
    turned = text(kind)
    for number in range(1, count + 1):
        turned = turned.replace(f"\nnumber = {number}\n", f"\nnumber = <{count + 1 - number}>\n")
    return turned.replace("<", "").replace(">", "")


@pytest.mark.parametrize(("kind", "fires"), [("electric", True), ("twelve-string", True)])
def test_strings_numbered_from_the_bass(kind: str, fires: bool) -> None:
    turned, _ = read_specification(numbered_from_the_bass(kind))
    found = exact(neck(kind))
    gates = open_gates(turned, found, line_of(turned, found)).found
    assert any(g.code == "order" and not g.at.frets for g in gates) == fires


def test_a_re_entrant_tuning_is_in_order() -> None:
    higher = text("ukulele").replace('pitch = "A4"', 'pitch = "F4"')
    for given, fires in ((higher, False), (higher.replace("reentrant = true\n", ""), True)):
        made, _ = read_specification(given)
        assert ("order" in codes(looked_at(made, exact(neck("ukulele"))))) == fires


@pytest.mark.parametrize(
    ("old", "new", "strings"),
    [
        ('pitch = "B3"\ngauge = 0.33', 'pitch = "B2"\ngauge = 0.16', (2,)),
        ('pitch = "E4"\ngauge = 0.254', 'pitch = "E5"\ngauge = 0.45', (1,)),
        ('pitch = "G3"\ngauge = 0.432', 'pitch = "G3"\ngauge = 0.56', (3,)),
        (
            'pitch = "B3"\ngauge = 0.33\nmaterial = "steel"',
            'pitch = "B3"\ngauge = 0.6\nmaterial = "nylon"',
            (1, 3),
        ),
        ('pitch = "G3"\ngauge = 0.432', 'pitch = "G3"\ngauge = 0.48', None),
    ],
)
def test_strings_that_no_set_has(old: str, new: str, strings: tuple[int, ...] | None) -> None:
    assert old in text("electric")
    made, _ = read_specification(text("electric").replace(old, new))
    named = [g.at.strings for g in looked_at(made, of_neck()).found if g.code == "tension"]
    assert (strings in named) if strings else not named


# ---- the sheet as a whole -----------------------------------------------------------------------


@pytest.mark.parametrize(("u_mm", "fires"), [(0.035, True), (0.025, False)])
def test_readings_too_coarse(u_mm: float, fires: bool) -> None:
    assert ("coarse" in asked(changed(of_neck(), crown_top_u_mm=u_mm))) == fires


def test_readings_without_tension() -> None:
    assert "unstrung" in asked(replace(of_neck(), strung=False))


@pytest.mark.quick(3)
@pytest.mark.parametrize(
    ("quantity", "string", "fret", "off_mm", "fires"),
    [
        ("action", 1, 12, 0.09, False),
        ("action", 1, 12, 0.13, True),
        ("action", 6, 12, -0.13, True),
        ("relief", 3, 8, 0.06, False),
        ("relief", 3, 8, -0.10, True),
        ("relief", 0, 8, 0.25, True),
        ("crown-top", 2, 9, 0.015, False),
        ("crown-top", 2, 9, 0.03, True),
    ],
)
def test_a_check_by_hand(quantity: Any, string: int, fret: int, off_mm: float, fires: bool) -> None:
    """3.6 standard uncertainties: 0.11 of an action (u 0.03), 0.07 of a relief (u 0.02)."""
    truth, found = neck("electric"), of_neck()
    row = max(string, 1) - 1
    if quantity == "action":
        right, u = float(truth.gap_mm(fret)[row]), 0.03
    elif quantity == "relief":
        x = truth.lines.station_mm[row, 1:]
        top = truth.crown_top_mm[row]
        right, u = float(np.interp(x[fret - 1], x[[0, -1]], top[[0, -1]]) - top[fret - 1]), 0.02
    else:
        right, u = float(truth.crown_top_mm[row, fret - 1]), 0.005
    one = Direct(quantity, string, fret, right + off_mm, u)
    gates = looked_at(ELECTRIC, replace(found, direct=(one,)))
    assert [check.agrees for check in gates.checks] == [not fires]
    assert (codes(gates) == {"hand-check"}) == fires
    made = replace(one, checks=False)
    assert not looked_at(ELECTRIC, replace(found, direct=(made,))).checks


@pytest.mark.parametrize(("off_mm", "fires"), [(0.03, True), (0.015, False)])
def test_a_datum_that_drifted(off_mm: float, fires: bool) -> None:
    """4.7 standard uncertainties of 0.005 mm are 0.0235 mm."""
    found = of_neck()
    first = Direct("crown-top", 1, 1, float(found.crown_top_mm[0, 0]) + off_mm, 0.005)
    [gate] = looked_at(ELECTRIC, replace(found, direct=(first,))).found or [None]
    assert (gate is not None and gate.code == "drift") == fires


def test_what_is_missing_asks_for_nothing() -> None:
    """A scan has no nut and no saddle, and a crown may not have been read."""
    found = of_neck()
    bare = changed(
        found,
        nut_mm=np.nan,
        nut_origin=Origin.MISSING,
        nut_u_mm=np.nan,
        saddle_mm=np.nan,
        saddle_origin=Origin.MISSING,
        saddle_u_mm=np.nan,
    )
    assert not asked(bare)
    keep = np.ones((6, 24), dtype=bool)
    keep[2, 5:9] = False
    assert not asked(replace(found, heights=found.heights.only(keep)))


def test_a_scan_that_leaves_the_first_fret_open_is_asked_about() -> None:
    found = of_neck()
    frets = found.heights.frets
    values = {
        field.name: np.full(frets, np.nan) if "Array" in str(field.type) else np.nan
        for field in fields(Scanned)
    }
    values |= {
        name: np.zeros(0)
        for name in values
        if name.startswith("board_") and "Array" in str(Scanned.__annotations__[name])
    }
    for still_open in (True, False):
        scanned = Scanned(
            **{**values, "scale_mm": 648.0, "numbering_open": still_open, "strings": None}
        )
        assert ("numbering" in asked(replace(found, scanned=scanned))) is still_open


def test_every_gate_has_been_seen() -> None:
    """Each code stands in one of the tests above."""
    source = Path(__file__).read_text(encoding="utf-8")
    assert [code for code in GATE_CODES if f'"{code}"' not in source] == []
