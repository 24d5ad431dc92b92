"""The level line: which frets stand out, by how much and where, and that nothing else does.

The necks are made here: what was built into one is what has to be found in it.
How near: our choice.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from draws import draws, some
from evenfall.instrument import Specification, read_specification, string_lines
from evenfall.instrument.geometry import board_drop_mm
from evenfall.measurement import Heights, Measurement, Origin, Shared
from evenfall.neck import LevelLine, default_bow, level_line
from evenfall.neck.level_line import StandsOut
from evenfall.neck.wear import wear_read
from levelling.necks import SCALES, Wishes, mirrored, readings, specification, text
from necks import invented
from necks.readings import Reader, read

FloatArray = NDArray[np.float64]

PLAIN = specification(Wishes(strings=3, frets=20))
GUITAR = specification(Wishes(strings=6, frets=22, joint=17.0))
BASS = specification(Wishes(strings=4, frets=20, joint=16.0, scale="length = 863.6"))
UKULELE = specification(Wishes(strings=4, frets=15, joint=12.0, scale="length = 381.0"))
FAN = specification(Wishes(strings=7, frets=24, joint=18.0, scale=SCALES[2]))
KINDS = {"guitar": GUITAR, "bass": BASS, "ukulele": UKULELE, "fan": FAN}
kinds = pytest.mark.parametrize("spec", KINDS.values(), ids=list(KINDS))


def neck(
    spec: Specification,
    off_mm: FloatArray | float = 0.0,
    *,
    u_mm: float = 0.004,
    seed: int | None = None,
    **kept: Any,
) -> Measurement:
    """Return readings of a smooth neck with what is off, noise if there is a seed."""
    found = readings(spec, noise_mm=0.0, u_mm=u_mm, **kept)
    tops = found.crown_top_mm - board_drop_mm(spec, string_lines(spec))[:, 1:] + off_mm
    if seed is not None:
        tops = tops + np.random.default_rng(seed).normal(0.0, u_mm, tops.shape)
    return found.with_heights(crown_top_mm=tops, nut_mm=found.nut_mm, saddle_mm=found.saddle_mm)


def line_of(spec: Specification, found: Measurement, smallest_cut_mm: float = 0.02) -> LevelLine:
    lines = string_lines(spec)
    return level_line(spec, found, lines, default_bow(spec, lines), smallest_cut_mm)


def off(spec: Specification, frets: dict[int, float], strings: Any = slice(None)) -> FloatArray:
    """Return how far crowns are off: these frets under these strings."""
    made = np.zeros((spec.string_count, spec.frets))
    for fret, size in frets.items():
        made[strings, fret - 1] = size
    return made


def named(line: LevelLine) -> dict[int, float]:
    return {one.fret: one.size_mm for one in line.standing}


# ---- a sound neck --------------------------------------------------------------------------------


@kinds
@pytest.mark.parametrize("relief_mm", [-0.05, 0.0, 0.3])
def test_the_line_goes_through_the_crowns_of_a_level_neck(
    spec: Specification, relief_mm: float
) -> None:
    found = neck(spec, relief_mm=relief_mm)
    line = line_of(spec, found)
    assert line.standing == ()
    assert np.abs(line.level_mm - found.crown_top_mm).max() < 1e-6
    assert not line.off_mm.any()
    assert line.relief_mm == pytest.approx(relief_mm, abs=1e-6)
    assert line.hump_mm == 0.0
    assert line.fall_away_mm == pytest.approx(0.0, abs=1e-6)
    assert (line.taken_mm == line.level_mm).all()
    assert not line.follows_arch


def test_a_datum_that_follows_the_arch_is_told_from_one_that_does_not() -> None:
    """Strings that diverge on a cylinder of 60 mm are bent along their length.

    From 18 to 26 mm off the middle: (26 - 18)² / (8 x 60) = 0.13 mm over the whole string.
    """
    round_board = text(Wishes(strings=6, frets=22, joint=17.0))
    for end in ("radius_nut = 254.0", "radius_last = 305.0"):
        round_board = round_board.replace(end, f"{end.partition(' ')[0]} = 60.0")
    spec, _ = read_specification(round_board)
    drop = board_drop_mm(spec, string_lines(spec))[:, 1:]
    along, over = neck(spec, drop, seed=1, u_mm=0.002), neck(spec, seed=1, u_mm=0.002)
    assert line_of(spec, along).follows_arch
    assert not line_of(spec, over).follows_arch
    for found in (along, over):
        assert line_of(spec, found).standing == ()
        assert np.abs(line_of(spec, found).level_mm - found.crown_top_mm).max() < 0.008


@kinds
def test_what_the_board_does_past_the_joint_is_told_from_high_frets(spec: Specification) -> None:
    past = np.maximum(0.0, np.arange(1, spec.frets + 1) - spec.board.joint_fret)
    turned = past / past[-1] * np.ones((spec.string_count, 1))
    falling = line_of(spec, neck(spec, -0.15 * turned, seed=2))
    assert falling.fall_away_mm == pytest.approx(0.15, abs=0.03)
    assert falling.standing == ()
    assert falling.hump_mm == 0.0
    assert not falling.off_mm.any()
    rising = line_of(spec, neck(spec, 0.15 * turned, seed=2))
    assert rising.hump_mm == pytest.approx(0.15, abs=0.03)
    assert rising.fall_away_mm == 0.0
    assert rising.off_mm[:, -1] == pytest.approx(0.15, abs=0.03)
    assert not rising.off_mm[:, : int(spec.board.joint_fret)].any()
    for line in (falling, rising):
        assert line.relief_mm == pytest.approx(0.15, abs=0.02)


# ---- frets that stand out ------------------------------------------------------------------------


@pytest.mark.quick(8)
@kinds
@pytest.mark.parametrize(
    "steps",
    [
        {9: 0.10},
        {9: -0.10},
        {3: -0.10, 5: -0.10},
        {8: 0.08, 9: 0.12},
        {11: -0.12, 12: -0.08},
        {8: 0.10, 9: 0.10, 10: 0.10},
        {6: 0.07, 7: 0.09, 8: 0.11, 9: 0.08},
        {4: 0.10, 5: -0.10},
        {1: 0.10},
        {2: 0.10, 3: 0.10},
        {14: -0.10, 15: 0.10},
        {3: 0.10, 13: -0.10},
    ],
    ids=str,
)
@pytest.mark.parametrize("u_mm", [0.002, 0.005])
def test_the_frets_that_are_off_are_named_and_no_others(
    spec: Specification, steps: dict[int, float], u_mm: float
) -> None:
    line = line_of(spec, neck(spec, off(spec, steps), seed=3, u_mm=u_mm))
    assert named(line) == pytest.approx(steps, abs=0.012 + 2.0 * u_mm)
    everywhere = tuple(range(1, spec.string_count + 1))
    assert {one.strings for one in line.standing} == {everywhere}


@pytest.mark.quick(8)
@pytest.mark.parametrize("relief_mm", [-0.1, 0.0, 0.4])
@pytest.mark.parametrize(
    "steps",
    [
        {9: 0.10},
        {3: 0.10, 5: 0.10},
        {11: -0.12, 12: -0.08},
        {2: 0.10},
        {1: -0.10, 2: -0.10},
        {19: -0.10, 20: 0.10},
        {20: -0.10},
        {3: 0.10, 17: -0.10},
    ],
    ids=str,
)
def test_frets_are_named_at_both_ends_of_a_neck_without_a_joint(
    steps: dict[int, float], relief_mm: float
) -> None:
    made = neck(PLAIN, off(PLAIN, steps), seed=0, relief_mm=relief_mm, u_mm=0.002)
    line = line_of(PLAIN, made)
    assert named(line) == pytest.approx(steps, abs=0.02)
    assert {one.strings for one in line.standing} == {(1, 2, 3)}


def test_a_neck_of_five_frets_is_looked_at_too() -> None:
    spec = specification(Wishes(strings=3, frets=5))
    assert set(named(line_of(spec, neck(spec, off(spec, {3: 0.1}))))) == {3}


def test_where_all_frets_scatter_a_truly_high_one_still_stands_out() -> None:
    """Crowns uneven by 0.03 mm, not all of them named, and the high one is."""
    for seed in range(5):
        rough = np.random.default_rng(seed).normal(0.0, 0.03, (3, 20))
        assert len({one.fret for one in line_of(PLAIN, neck(PLAIN, rough)).standing}) <= 10
        assert 9 in named(line_of(PLAIN, neck(PLAIN, rough + off(PLAIN, {9: 0.25}))))


def test_a_tilted_fret_is_high_on_its_side_only() -> None:
    tilt = np.linspace(0.0, 0.10, 6)
    for sign in (1, -1):  # high at the bass end, high at the treble end
        crowns = np.zeros((6, 22))
        crowns[:, 10] = tilt[::sign]
        line = line_of(GUITAR, neck(GUITAR, crowns, seed=4))
        (fret,) = line.standing
        assert fret.fret == 11
        assert fret.tilt_mm == pytest.approx(sign * 0.10, abs=0.02)
        assert fret.size_mm == pytest.approx(0.10, abs=0.015)
        assert set(fret.strings) >= ({3, 4, 5, 6} if sign > 0 else {1, 2, 3, 4})
        assert (line.off_mm >= 0.0).all()  # its low end is not low


@pytest.mark.parametrize("stated_mm", [0.007, 0.016, 0.03])
def test_a_fret_worn_under_half_of_the_strings_stands_high_under_none(stated_mm: float) -> None:
    worn = off(BASS, {5: -0.20, 7: -0.23}, [0]) + off(BASS, {5: -0.15, 7: -0.18}, [1])
    for seed in range(4):
        made = neck(BASS, worn, u_mm=0.007, seed=seed)
        stated = neck(BASS, u_mm=stated_mm)  # how sure readings are said to be, not how they fell
        made = stated.with_heights(
            crown_top_mm=made.crown_top_mm, nut_mm=made.nut_mm, saddle_mm=made.saddle_mm
        )
        line = line_of(BASS, replace(made, crown_height_mm=made.crown_height_mm + worn))
        assert set(named(line)) == {5, 7}
        assert (line.off_mm <= 0.0).all()


def test_a_crown_that_is_high_on_a_worn_fret_is_high_by_what_was_read() -> None:
    for low, high in (([-0.15, 0.0], 0.06), ([-0.15, -0.03], 0.045), ([-0.06, 0.0], 0.06)):
        crowns = np.zeros((4, 20))
        crowns[:, 6] = [*low, 0.0, high]
        line = line_of(BASS, neck(BASS, crowns, u_mm=0.005, seed=1))
        assert line.off_mm[3, 6] == pytest.approx(high, abs=0.015)


def test_one_crown_is_named_alone_and_so_are_two_neighbours() -> None:
    line = line_of(GUITAR, neck(GUITAR, off(GUITAR, {7: 0.08}, [3]), seed=5))
    ((fret, strings),) = [(one.fret, one.strings) for one in line.standing]
    assert (fret, strings) == (7, (4,))
    assert line.off_mm[3, 6] == pytest.approx(0.08, abs=0.015)
    line = line_of(GUITAR, neck(GUITAR, off(GUITAR, {7: 0.08}, [0, 1]), seed=5))
    assert [(one.fret, one.strings) for one in line.standing] == [(7, (1, 2))]


def test_a_single_crown_is_low_only_by_much_or_where_wear_was_read() -> None:
    def found(size: float, worn: float) -> tuple[int, ...]:
        dip = off(GUITAR, {7: -size}, [3])
        made = neck(GUITAR, dip, seed=6, u_mm=0.002)
        read = made.crown_height_mm + np.where(dip < 0.0, -worn, 0.0)
        return tuple(named(line_of(GUITAR, replace(made, crown_height_mm=read))))

    assert found(0.04, 0.0) == ()
    assert found(0.08, 0.0) == (7,)
    assert found(0.04, 0.10) == (7,)


def test_worn_first_frets_do_not_bend_the_line() -> None:
    """Frets 1 to 4 worn by 0.15 mm, and their crowns read so."""
    worn = off(GUITAR, dict.fromkeys(range(1, 5), -0.15))
    made = neck(GUITAR, worn, seed=7)
    line = line_of(GUITAR, replace(made, crown_height_mm=made.crown_height_mm + worn))
    assert set(named(line)) == {1, 2, 3, 4}
    assert np.abs(line.level_mm - neck(GUITAR).crown_top_mm).max() < 0.02


@kinds
def test_less_than_the_smallest_cut_is_taken_as_level(spec: Specification) -> None:
    made = neck(spec, off(spec, {6: 0.03}), seed=8, u_mm=0.002)
    assert set(named(line_of(spec, made, 0.02))) == {6}
    assert set(named(line_of(spec, made, 0.04))) == set()
    assert not line_of(spec, made, 0.04).off_mm.any()


# ---- noise and what is missing -------------------------------------------------------------------


@pytest.mark.slow
@kinds
@pytest.mark.parametrize("u_mm", some([0.02, 0.005, 0.002], 1))
def test_level_necks_are_hardly_ever_named(spec: Specification, u_mm: float) -> None:
    """25 necks: the chance of one name is about 1 % a neck, of three in all under 0.2 %."""
    lines = [line_of(spec, neck(spec, seed=seed, u_mm=u_mm)) for seed in range(25)]
    assert sum(bool(line.standing) for line in lines) <= 2


@kinds
def test_crowns_that_were_not_read_are_on_the_line(spec: Specification) -> None:
    steps = off(spec, {9: 0.10, 10: 0.10})
    made = neck(spec, steps, seed=9)
    heights = made.heights
    gone = np.zeros(heights.height_mm.shape, dtype=bool)
    gone[1:, 9] = True  # of fret 9 only string 1 was read
    gone[0, 4:7] = True
    missing = line_of(spec, replace(made, heights=heights.only(~gone)))
    origin = np.where(gone, np.int8(Origin.INTERPOLATED), heights.origin)
    filled = line_of(spec, replace(made, heights=replace(heights, origin=origin)))
    for line in (missing, filled):
        assert (line.read == ~gone[:, 1:-1]).all()
        assert not line.off_mm[~line.read].any()
        assert np.isfinite(line.level_mm).all()
        assert {one.fret: one.strings for one in line.standing} == {
            9: (1,),
            10: tuple(range(1, spec.string_count + 1)),
        }
        assert np.abs(line.level_mm - neck(spec).crown_top_mm).max() < 0.02


@kinds
def test_a_string_without_readings_keeps_what_was_interpolated(spec: Specification) -> None:
    made = neck(spec, off(spec, {9: 0.10}), seed=10)
    origin = made.heights.origin.copy()
    origin[1, 1:-1] = Origin.INTERPOLATED
    line = line_of(spec, replace(made, heights=replace(made.heights, origin=origin)))
    assert set(named(line)) == {9}
    assert np.abs(line.level_mm - neck(spec).crown_top_mm).max() < 0.02
    only = ~np.zeros(made.heights.height_mm.shape, dtype=bool)
    only[1, 1:-1] = False
    line = line_of(spec, replace(made, heights=made.heights.only(only)))
    assert set(named(line)) == {9}


def test_without_any_reading_nothing_is_said() -> None:
    made = neck(GUITAR)
    ends = np.zeros(made.heights.height_mm.shape, dtype=bool)
    ends[:, [0, -1]] = True
    line = line_of(GUITAR, replace(made, heights=made.heights.only(ends)))
    assert not line.read.any()
    assert line.standing == ()
    assert np.isfinite(line.level_mm).all()


def with_shared(made: Measurement, by: Any, size_mm: float) -> Measurement:
    effect = np.full(made.heights.height_mm.shape, size_mm)
    return replace(made, heights=made.heights.sharing(Shared("crown-top-reading", by, effect)))


def test_what_a_fret_shares_is_not_averaged_over_its_strings() -> None:
    """A fret 0.03 mm high: sure with readings of their own, not with one error for the fret."""
    made = neck(GUITAR, off(GUITAR, {9: 0.03}), u_mm=0.006)
    alone = line_of(GUITAR, made)
    assert set(named(alone)) == {9}
    assert alone.u_mm[2, 8] == pytest.approx(0.0065, abs=0.0007)
    shared = replace(made, heights=replace(made.heights, own_u_mm=0.0 * made.heights.own_u_mm))
    shared = with_shared(shared, "fret", 0.010)
    assert named(line_of(GUITAR, shared)) == {}
    assert line_of(GUITAR, shared).u_mm[2, 8] == pytest.approx(0.010, abs=0.003)


@pytest.mark.parametrize("by", ["all", "string"])
def test_what_all_crowns_share_names_no_fewer(by: Any) -> None:
    made = neck(GUITAR, off(GUITAR, {9: 0.03}), u_mm=0.004)
    line, plain = line_of(GUITAR, with_shared(made, by, 0.2)), line_of(GUITAR, made)
    assert named(line) == pytest.approx(named(plain), abs=1e-3)
    assert line.u_mm == pytest.approx(plain.u_mm, abs=1e-3)


# ---- of every neck -------------------------------------------------------------------------------


@pytest.mark.slow
@draws(25)
@given(
    spec=st.sampled_from(list(KINDS.values())),
    seed=st.integers(0, 10**6),
    u_mm=st.sampled_from([0.002, 0.005, 0.02]),
    frets=st.dictionaries(st.integers(1, 15), st.floats(-0.15, 0.15), max_size=5),
)
def test_neither_datum_nor_numbering_changes_what_stands_out(
    spec: Specification, seed: int, u_mm: float, frets: dict[int, float]
) -> None:
    made = neck(spec, off(spec, frets), seed=seed, u_mm=u_mm)
    line = line_of(spec, made)
    station = string_lines(spec).station_mm[:, 1:]
    chance = np.random.default_rng(seed)
    tilted = chance.normal(20.0, 5.0, (len(station), 1)) + station * chance.normal(0.0, 0.01)
    moved = line_of(
        spec,
        made.with_heights(
            crown_top_mm=made.crown_top_mm + tilted, nut_mm=made.nut_mm, saddle_mm=made.saddle_mm
        ),
    )
    assert moved.off_mm == pytest.approx(line.off_mm, abs=2e-5)
    assert moved.level_mm - tilted == pytest.approx(line.level_mm, abs=2e-5)
    if not spec.scale.fanned:
        turned = line_of(spec, mirrored(made))
        assert turned.off_mm[::-1] == pytest.approx(line.off_mm, abs=2e-5)
        assert turned.relief_mm == pytest.approx(line.relief_mm, abs=2e-5)


@draws(25)
@given(
    spec=st.sampled_from(list(KINDS.values())),
    seed=st.integers(0, 10**6),
    size=st.floats(0.0, 0.2),
    fret=st.integers(1, 15),
)
def test_a_line_says_one_thing(spec: Specification, seed: int, size: float, fret: int) -> None:
    """Its parts agree with each other."""
    line = line_of(spec, neck(spec, off(spec, {fret: size}), seed=seed))
    assert line.taken_mm - line.level_mm == pytest.approx(line.off_mm, abs=1e-9)
    sizes = np.abs(line.off_mm[line.off_mm != 0.0])
    assert (sizes >= 0.02).all()
    for one in line.standing:
        of = line.off_mm[np.array(one.strings) - 1, one.fret - 1]
        assert (np.sign(of) == np.sign(one.size_mm)).all()
        assert one.mean_mm == pytest.approx(of.mean(), abs=1e-9)
    with pytest.raises(ValueError, match="read-only"):
        line.level_mm[0, 0] = 0.0


@pytest.mark.parametrize("count", [1, 2, 3, 12])
def test_few_and_many_strings_and_frets(count: int) -> None:
    for frets in (5, 36):
        spec = specification(Wishes(strings=max(count, 3), frets=frets))
        made = neck(spec, off(spec, {3: 0.12}), seed=11, u_mm=0.002)
        rows = slice(0, count)
        heights = Heights.independent(
            nut_mm=made.nut_mm[rows],
            crown_top_mm=made.crown_top_mm[rows],
            saddle_mm=made.saddle_mm[rows],
            crown_top_u_mm=0.002,
        )
        crowns = {
            name: getattr(made, name)[rows]
            for name in (
                "crown_height_mm",
                "crown_height_u_mm",
                "crown_height_origin",
                "crown_height_degrees_of_freedom",
            )
        }
        few = replace(spec, strings=spec.strings[rows])
        lines = replace(
            string_lines(spec),
            **{
                name: getattr(string_lines(spec), name)[rows]
                for name in ("station_mm", "saddle_station_mm", "x_mm", "y_mm")
            },
        )
        bow = default_bow(few, lines)
        line = level_line(few, replace(made, heights=heights, **crowns), lines, bow, 0.02)
        assert named(line).get(3, 0.0) == pytest.approx(0.12, abs=0.04)


@pytest.mark.slow
@pytest.mark.parametrize("rise_mm", [-0.25, 0.0, 0.25])
def test_a_turn_that_crowns_show_leaves_the_relief_as_sure_as_none(rise_mm: float) -> None:
    """A line without the turn counts by its likelihood, so not where crowns refute it."""
    scored, u_mm = [], []
    for seed in range(12):
        chance = np.random.default_rng(seed)
        truth = invented.neck("acoustic", joint_rise_mm=rise_mm, roughness_mm=0.004, chance=chance)
        line = line_of(truth.specification, read(truth, chance, Reader(0.005)))
        u_mm.append(line.relief_u_mm)
        scored.append((line.relief_mm - truth.relief_mm) / line.relief_u_mm)
    assert max(u_mm) < 0.02
    # twelve normal errors: 0.45 to 1.5 covers 98 % of their root mean square
    assert 0.45 < np.sqrt(np.mean(np.square(scored))) < 1.5


def test_a_turn_that_crowns_hardly_show_is_left_open() -> None:
    """With coarse readings nobody can say whether a slight turn is one: the relief is less sure."""
    found = {}
    for u_mm in (0.002, 0.03):
        chance = np.random.default_rng(3)
        truth = invented.neck("acoustic", joint_rise_mm=-0.04)
        line = line_of(truth.specification, read(truth, chance, Reader(u_mm)))
        found[u_mm] = line.relief_open_u_mm
    assert found[0.03] > 3.0 * found[0.002]


# ---- what crowns leave open ----------------------------------------------------------------------


def test_frets_off_next_to_the_nut_leave_open_where_the_line_lies_there() -> None:
    """Frets 2 to 5 stand high, or fret 1 lies low: the readings of a bowed neck say both."""
    sure = line_of(GUITAR, neck(GUITAR, seed=6, u_mm=0.002))
    group = off(GUITAR, {2: 0.075, 3: 0.06, 4: 0.09, 5: 0.06})
    for seed in range(4):
        made = neck(GUITAR, group, seed=seed, u_mm=0.002)
        line = line_of(GUITAR, made)
        error = line.level_mm[:, 0] - (neck(GUITAR, u_mm=0.002).crown_top_mm[:, 0])
        assert (line.level_open_u_mm[:, 0] > 3.0 * sure.level_open_u_mm[:, 0]).all()
        assert (np.abs(error) < 3.0 * line.level_open_u_mm[:, 0]).all()


def test_light_wear_is_read_from_the_stretch_and_not_from_one_crown() -> None:
    """Crowns read to 0.01 mm: 0.03 of wear is told where eight crowns agree, not where one does."""
    made = neck(GUITAR)
    wire = GUITAR.fretwire.crown_height_mm
    noise = 0.01 * np.random.default_rng(8).standard_normal(made.crown_top_mm.shape)

    def light(lost: FloatArray) -> FloatArray:
        crowns = replace(
            made,
            crown_height_mm=wire - lost + noise,
            crown_height_u_mm=np.full_like(noise, 0.01),
            crown_height_origin=np.full(noise.shape, Origin.READ, dtype=np.int8),
        )
        counts, light_mm, worn = wear_read(GUITAR, crowns)
        assert not worn.any()
        assert not counts.any()
        return light_mm

    stretch = off(GUITAR, {1: 0.03, 2: 0.03, 3: 0.03, 4: 0.03}, [0, 1])
    assert light(stretch)[:2, :4] == pytest.approx(0.03, abs=0.015)
    assert light(stretch)[3:, 8:].mean() < 0.004
    alone = off(GUITAR, {15: 0.03}, [4])
    assert light(alone)[4, 14] < 0.03


def test_a_fret_high_and_low_is_said_to_be_neither() -> None:
    line = line_of(GUITAR, neck(GUITAR, np.zeros((6, 22)), seed=4))
    assert str(line.said) == "Every fret is level."
    worn = (StandsOut(5, (4,), 0.03, 0.03, -0.2), StandsOut(5, (1, 2), -0.2, -0.2, -0.2))
    assert str(replace(line, standing=worn).said) == "Fret 5 is uneven across the strings."
    more = (*worn, StandsOut(7, (1,), -0.2, -0.2, 0.0), StandsOut(9, (1,), -0.2, -0.2, 0.0))
    said = str(replace(line, standing=more).said)
    assert said == "Frets 7 and 9 lie low, fret 5 is uneven across the strings."
