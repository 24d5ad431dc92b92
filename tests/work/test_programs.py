"""Programs: what they cut, and what an independent interpreter makes of them."""

from __future__ import annotations

import math
import re
from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from draws import draws, some
from evenfall.errors import RequestError
from evenfall.work.crown_lines import Lie, lie_by_touch
from evenfall.work.toolpath import rolled_over, seconds, spread_order
from evenfall.work.trace import trace
from work.interpreter import ends_of, interpreted, without_sign_of_zero
from work.made_programs import INCH, KINDS, MM, heights_at_crossings, made_job, varied_jobs

VARIED = dict(varied_jobs())


def test_there_are_twenty_varied_plans() -> None:
    assert len(VARIED) == 20


def test_passes_take_as_long_as_their_moves() -> None:
    speeds = {"rapid_mm_per_s": 50.0, "most_feed_mm_per_s": 20.0, "plunge_feed_mm_per_s": 5.0}
    machine = SimpleNamespace(acceleration_mm_per_s2=100.0, safe_height_mm=13.0, **speeds)
    there = np.array([[0.0, 0.0, 0.0], [40.0, 0.0, 0.0]])
    one, other = (
        SimpleNamespace(points_mm=points, feed_mm_per_s=10.0, approach_z_mm=3.0)
        for points in (there, np.add(there, [40.0, 100.0, 0.0]))
    )
    # by hand: 10 mm down at 20 mm/s, 3 at 5, 40 at 10; 10 up never reach the 50 mm/s of a rapid
    alone = (0.5 + 0.2) + (0.6 + 0.05) + (4.0 + 0.1) + 2.0 * math.sqrt(10.0 / 100.0)
    assert seconds([one], machine) == pytest.approx(alone)  # type: ignore[list-item, arg-type]
    both = 2.0 * alone + 100.0 / 50.0 + 50.0 / 100.0  # and 100 mm aside between them
    assert seconds([one, other], machine) == pytest.approx(both)  # type: ignore[list-item, arg-type]


@pytest.mark.quick(1)
@pytest.mark.parametrize("name", VARIED)
def test_the_interpreter_reads_every_varied_plan_as_we_do(name: str, tmp_path) -> None:
    read_by_both(made_job(**VARIED[name]).program(), tmp_path)


def read_by_both(text: str, folder) -> None:
    canonical = interpreted(text, folder)
    assert canonical.refused == ""
    traced = trace(text)
    assert without_sign_of_zero(ends_of(traced)) == without_sign_of_zero(canonical.moves)
    assert canonical.messages[-1].startswith("end of program")
    assert len(traced.line) > 50


def check_crowns(job, text: str) -> None:
    """Check tops at crossings, the line, and that nothing else was touched."""
    digit = job.machine.digit_mm
    _, patches = job.cut(text)
    most = 0.0
    for crown, patch, top in heights_at_crossings(job, patches):
        middle = int(np.abs(patch.across_mm).argmin())
        along = patch.height_mm[:, middle]
        assert (crown.planned(patch.at_mm) - along).max() < 1e-6
        cut = crown.removal_mm > 0.0
        over = (top - crown.planned(crown.at_mm))[cut]
        assert over.min(initial=0.0) > -1e-6
        # at a touch of the wheel too light for a digit the crown stays as it is
        most = max(most, over.max(initial=0.0))
        lowered = patch.before_mm - patch.height_mm
        board = np.abs(patch.across_mm) >= crown.wire_half_mm
        assert lowered[:, board].max() == 0.0
        if not crown.is_cut:
            assert lowered.max() == 0.0
    assert 0.0 < most < 0.001 + digit
    assert job.faults(text) == []


@pytest.mark.slow
@given(
    st.sampled_from(sorted(KINDS)),
    st.integers(0, 1000),
    st.sampled_from([MM, INCH]),
    st.booleans(),
    st.booleans(),
)
@draws(12)
def test_crowns_end_on_the_plan_and_nothing_else_is_touched(
    kind: str, seed: int, machine: str, wheel: bool, unstrung: bool
) -> None:
    wheel = wheel and machine == MM and not KINDS[kind].get("fanned")
    job = made_job(
        seed,
        machine=machine,
        cutter=1 if wheel else 2,
        state="unstrung" if unstrung else "strung",
        most=2,
        **KINDS[kind],
    )
    check_crowns(job, job.program())


@pytest.mark.slow
@example(seed=67, turn=0.0, slope=0.004383263504154968, wheel=False)
@given(
    seed=st.integers(0, 100),
    turn=st.floats(-0.008, 0.008),
    slope=st.floats(-0.01, 0.01),
    wheel=st.booleans(),
)
@draws(4)
def test_a_neck_that_lies_askew_is_cut_the_same(
    seed: int, turn: float, slope: float, wheel: bool
) -> None:
    lie = Lie(3.217, -1.408, 12.5033, turn, slope, 0.7 * slope)
    job = made_job(seed, cutter=1 if wheel else 2, lie=lie, most=2)
    check_crowns(job, job.program())


@pytest.mark.slow
def test_mm_and_inch_programs_give_one_result() -> None:
    tops = {}
    for machine in (MM, INCH):
        job = made_job(5, machine=machine, cutter=2)
        _, patches = job.cut(job.program())
        tops[machine] = np.array([top for *_, top in heights_at_crossings(job, patches)])
        digit = job.machine.digit_mm
    assert np.abs(tops[MM] - tops[INCH]).max() < 0.001 + digit


@pytest.mark.slow
def test_a_mirrored_neck_is_cut_as_its_mirror_image() -> None:
    right, left = made_job(3, cutter=1), made_job(3, cutter=1, left=True)
    one, other = trace(right.program()), trace(left.program())
    assert len(one.line) == len(other.line)
    results = []
    for job in (right, left):
        _, patches = job.cut(job.program())
        by_string = [
            top[np.argsort(crown.strings)] for crown, _, top in heights_at_crossings(job, patches)
        ]
        results.append(np.array(by_string))
    assert np.abs(results[0] - results[1]).max() < 0.001 + right.machine.digit_mm
    assert right.piece.crown_point(1, 1)[1] == pytest.approx(-left.piece.crown_point(1, 1)[1])


@pytest.mark.slow
@pytest.mark.parametrize("machine", some([MM, INCH], 1))
def test_a_lifted_program_cuts_nothing(machine: str) -> None:
    job = made_job(2, machine=machine, lift_mm=2.0)
    text = job.program()
    assert re.search(r"^\(lift: ", text, re.MULTILINE)
    _, patches = job.cut(text)
    assert not any(patch.cut.any() for patch in patches)
    assert job.faults(text) == []
    found = job.faults(text.replace("(lift: ", "(nothing: "))
    assert found, "without its word a program that cuts nothing does not carry out the plan"


@pytest.mark.slow
def test_bytes_follow_from_the_plan_alone() -> None:
    assert made_job(4).program() == made_job(4).program()
    text = made_job(4, machine=INCH).program()
    assert text.isascii()
    numbers = re.findall(r"[XYZ]-?\d+\.(\d+)", text)
    assert set(map(len, numbers)) == {4}
    assert "-0.0000" not in text


def test_the_header_says_what_the_program_is_for() -> None:
    job = made_job(4, fixture=True)
    head, _, body = job.program().partition("\nG21 ")
    for word in (job.plan.code, "state: strung", "unit: mm", "work offset: G54", "cutter T1"):
        assert word in head
    for caution in ("starts nothing", "Dry run", "Guards", "hearing", "extraction", "manual"):
        assert caution in head.replace(")\n(- ", " ")
    assert "invented" in head
    assert body.startswith("G17 G90 G94 G54 G40 G49 G64 P0.01")
    assert body.rstrip().endswith(f"(MSG, end of program {job.plan.code}: all passes done)\nM2\n%")


def test_neighbours_never_follow_one_another() -> None:
    for count in range(4, 25):
        frets = list(range(1, count + 1))
        order = spread_order(frets)
        assert sorted(order) == frets
        assert min(abs(a - b) for a, b in pairwise(order)) > 1


def test_a_round_rolls_over_a_line_without_cutting_it() -> None:
    at = np.arange(-10.0, 10.0, 0.01)
    line = -at * at / 500.0
    wanted = np.linspace(-5.0, 5.0, 23)
    low = rolled_over(at, line, 12.0, wanted)
    for place, z in zip(wanted, low, strict=True):
        near = np.abs(at - place) < 12.0
        round_ = z + 12.0 - np.sqrt(144.0 - (at[near] - place) ** 2)
        assert -1e-9 < (round_ - line[near]).min() < 1e-6


def test_three_places_say_how_the_neck_lies() -> None:
    piece = made_job(1).piece
    lie = Lie(2.0, -3.0, 7.5, 0.011, 0.004, -0.006)
    names = [(1, 1), (1, 6), (22, 3)]
    touched = {
        name: tuple(lie.placed(np.array(piece.crown_point(*name))).tolist()) for name in names
    }
    found = lie_by_touch(piece, touched)
    for value, wanted in zip(
        (found.x_mm, found.y_mm, found.z_mm, found.turn_rad, found.slope_x_ratio),
        (lie.x_mm, lie.y_mm, lie.z_mm, lie.turn_rad, lie.slope_x_ratio),
        strict=True,
    ):
        assert value == pytest.approx(wanted, abs=1e-9)
    for wrong in (
        {(1, 1): touched[1, 1]},
        {**touched, (22, 3): (touched[22, 3][0] + 9.0, *touched[22, 3][1:])},
        {(1, 1): touched[1, 1], (1, 6): touched[1, 6], (1, 3): (36.0, 0.0, 7.0)},
        {**touched, (22, 3): (*touched[22, 3][:2], 40.0)},
    ):
        with pytest.raises(RequestError):
            lie_by_touch(piece, wrong)


def test_a_wheel_is_refused_where_it_cannot_crown() -> None:
    with pytest.raises(RequestError, match="slants"):
        made_job(1, fanned=True, cutter=1).passes()
    assert made_job(1, fanned=True).passes()[0].cutter.number == 2
    with pytest.raises(RequestError, match="no cutter 9"):
        made_job(1, cutter=9).passes()
