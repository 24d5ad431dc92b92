"""Nut slots, saddle and fret ends: what is cut, and what is caught."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from draws import draws
from evenfall.errors import DescriptionError, RequestError
from evenfall.work.crown_lines import Lie
from evenfall.work.descriptions import read_description
from evenfall.work.part_check import contacts, planned_contacts
from evenfall.work.part_lines import slot_places
from evenfall.work.program_check import simulated_measurement
from evenfall.work.trace import trace
from work.made_programs import INCH, KINDS, MM, made_job, parts_text
from work.test_program_check import changed, line_with, lines_of

NOT_FRETS = ("fret ends", "nut", "saddle")


@pytest.fixture(scope="module")
def job():
    return made_job(3, frets=12, parts=parts_text(), cuts=("nut", "saddle"), fixture=True)


@pytest.fixture(scope="module")
def sound(job) -> str:
    text = job.program()
    assert job.faults(text) == []
    assert job.warnings(text) == []
    return text


@pytest.fixture(scope="module")
def slots():
    """Return a job that cuts the nut alone, and its sound program, which is a tenth as long."""
    job = made_job(3, frets=12, parts=parts_text(), cuts=("nut",))
    text = job.program()
    assert job.faults(text) == []
    return job, text


@pytest.fixture(scope="module")
def patches(job, sound: str):
    return job.cut(sound)[1]


def check_parts(job, text: str) -> None:
    """Check heights at the contacts, floors, tops and ends, and that nothing else was touched."""
    _, patches = job.cut(text)
    digit = job.machine.digit_mm
    for patch in patches:
        lowered = patch.before_mm - patch.height_mm
        if patch.part is not None:
            under = patch.part.after(patch.at_mm, patch.across_mm) - patch.height_mm
            assert under.max() < 5e-4
            if patch.part.is_cut:
                over = contacts(patch, patch.part) - planned_contacts(patch.part)
                assert -1e-6 < over.min() <= over.max() < 0.001 + digit
            else:
                assert lowered.max() == 0.0
            continue
        crown = job.piece.crowns[patch.fret - 1]
        board = np.abs(patch.across_mm) >= crown.wire_half_mm
        assert lowered[:, board].max() == 0.0
        middle = int(np.abs(patch.across_mm).argmin())
        bevel = crown.bevel(patch.at_mm)
        ends = np.minimum(patch.before_mm[:, middle], bevel) - patch.height_mm[:, middle]
        assert np.abs(ends).max() < 0.03
    assert job.faults(text) == []


@pytest.mark.slow
@given(
    st.sampled_from(sorted(KINDS)),
    st.integers(0, 1000),
    st.sampled_from([MM, INCH]),
    st.booleans(),
    st.sampled_from(["bone", "synthetic"]),
)
@example(kind="left-handed fan", seed=7, machine=MM, gaps=True, material="bone")
@draws(4)
def test_nut_saddle_and_ends_are_cut_to_the_plan(
    kind: str, seed: int, machine: str, gaps: bool, material: str
) -> None:
    spacing = "equal gaps" if gaps else "equal centres"
    parts = parts_text(spacing=spacing, material=material)
    if machine == INCH:  # the description has its own unit
        assert read_description(parts).unit == "mm"
    job = made_job(seed, machine=machine, parts=parts, cuts=NOT_FRETS, **KINDS[kind])
    check_parts(job, job.program())


@pytest.mark.slow
@given(turn=st.floats(-0.008, 0.008), slope=st.floats(-0.008, 0.008))
@draws(3)
def test_nut_and_saddle_of_a_neck_that_lies_askew(turn: float, slope: float) -> None:
    lie = Lie(3.2, -1.4, 12.5, turn, slope, 0.6 * slope)
    job = made_job(5, lie=lie, parts=parts_text(), cuts=("nut", "saddle"))
    check_parts(job, job.program())


def test_equal_gaps_leave_the_same_room_between_all_strings() -> None:
    spec = made_job(1).specification
    gauge = np.array([one.gauge_mm for one in spec.strings])
    centres, gaps = (slot_places(spec, one) for one in ("equal centres", "equal gaps"))
    assert np.ptp(np.diff(centres)) < 1e-9
    between = -np.diff(gaps) - 0.5 * (gauge[1:] + gauge[:-1])
    assert np.ptp(between) < 1e-9
    assert gaps[[0, -1]].tolist() == centres[[0, -1]].tolist()


@pytest.mark.slow
def test_slots_fall_towards_the_tuners_and_are_as_wide_as_described(job, patches) -> None:
    slots = [one for one in patches if one.part is not None and one.part.part == "nut"]
    assert len(slots) == 6
    for slot in slots:
        floor = slot.height_mm.min(axis=1)
        angle = np.degrees(np.arctan(-np.diff(floor) / np.diff(slot.at_mm)))
        assert angle == pytest.approx(8.0, abs=0.1)
        string = job.specification.strings[slot.part.string - 1]
        # at half its width over the floor a slot is open that wide, less a column
        deep = slot.height_mm[0] <= floor[0] + 0.5 * (string.gauge_mm + 0.05)
        wide = np.ptp(slot.across_mm[deep])
        assert abs(wide - string.gauge_mm - 0.05) < 0.045


def test_the_saddle_meets_every_string_where_it_is_compensated() -> None:
    text = made_job(1).specification.text
    for number, setback in enumerate((1.2, 1.6, 2.1, 1.3, 1.8, 2.4), start=1):
        text = re.sub(
            rf"(number = {number}\n(?:.*\n)*?)saddle_setback = [\d.]+",
            rf"\g<1>saddle_setback = {setback}",
            text,
        )
    from evenfall.instrument import read_specification, string_lines
    from evenfall.work.part_lines import saddle_line

    job = made_job(1)
    spec, _ = read_specification(text)
    lines = string_lines(spec)
    work = read_description(parts_text()).saddle
    part = saddle_line(spec, job.plan, work, found_mm=job.plan.measurement.saddle_mm, cut=True)
    x, y = part.place(part.at_mm, part.aside_mm)
    order = list(part.strings)
    assert x == pytest.approx(lines.saddle_x_mm[order])
    assert y == pytest.approx(lines.saddle_y_mm[order])
    thin = replace(work, thickness_mm=1.0)
    with pytest.raises(RequestError, match="take a saddle of at least"):
        saddle_line(spec, job.plan, thin, found_mm=job.plan.measurement.saddle_mm, cut=True)


def test_what_is_left_of_the_nut_is_measured(slots) -> None:
    left_as_planned(slots[0], slots[0].cut(slots[1])[1], "nut")


@pytest.mark.slow
def test_what_is_left_of_nut_and_saddle_is_measured(job, patches) -> None:
    left_as_planned(job, patches, "nut", "saddle")


def left_as_planned(job, patches, *parts: str) -> None:
    """Hold the measured floors and tops against the plan, and see that wrong ones show."""
    after = simulated_measurement(job.plan, job.piece, patches, job.machine)
    for part in parts:
        read, planned = getattr(after, f"{part}_mm"), getattr(job.plan, f"{part}_after_mm")
        assert np.abs(read - planned).max() < 0.001 + job.machine.digit_mm
    # and a wrong one shows: the floor of one slot left 0.1 mm high
    wrong = [
        replace(one, height_mm=one.height_mm + 0.1 * (one.part is not None)) for one in patches
    ]
    after = simulated_measurement(job.plan, job.piece, wrong, job.machine)
    assert np.abs(after.nut_mm - job.plan.nut_after_mm).min() > 0.09


def lowered(text: str, line: int, by: float) -> str:
    was = text.split("\n")[line - 1]
    z = re.search(r"Z(-?[\d.]+)", was)
    assert z is not None
    return changed(text, line, was.replace(z[0], f"Z{float(z[1]) - by:.3f}"))


@pytest.mark.quick(1)
@pytest.mark.parametrize("what", ["nut, slot of string 2", "saddle"])
def test_one_height_lowered(what: str, request: pytest.FixtureRequest) -> None:
    names = ("job", "sound") if what == "saddle" else ("slots",)
    made = [request.getfixturevalue(name) for name in names]
    job, sound = made if what == "saddle" else made[0]
    last = max(n for n, line in enumerate(sound.split("\n"), 1) if line.startswith(f"({what}"))
    line = line_with(sound, r"^G1 .*Y.*Z", after=last + 2)
    wrong = lowered(sound, line, 0.2)
    assert set(lines_of(job, wrong, "program-cut")) & {line, line + 1}


@pytest.mark.slow
def test_a_slot_or_a_saddle_left_out(job, sound: str) -> None:
    lines = sound.split("\n")
    starts = [n for n, line in enumerate(lines) if line.startswith("(nut, slot of string 1,")]
    ends = [n for n, line in enumerate(lines) if n > starts[-1] and line.startswith("G0 Z")]
    wrong = "\n".join(lines[: starts[0]] + lines[ends[0] + 1 :])
    found = [one.sentence for one in job.faults(wrong)]
    assert any("nut slot of string 1" in one and "too high" in one for one in found)


@pytest.mark.slow
def test_a_nut_that_is_not_to_be_cut_is_looked_after(job, sound: str) -> None:
    frets = made_job(3, frets=12, parts=parts_text(), cuts=("saddle",))
    found = [one.sentence for one in frets.faults(sound)]
    assert any("nut slot" in one and "not to be cut" in one for one in found)
    # nor does it need a description
    plain = made_job(3, frets=12)
    text = plain.program()
    line = line_with(text, r"^\(fret", after=line_with(text, "M3$"))
    through = changed(text, line, "G0 X-2 Y0\nG1 Z3 F300\nG1 Z0 F100\nG1 Y20\nG0 Z40")
    found = [one for one in plain.faults(through) if one.code == "program-cut"]
    assert any("nut slot" in one.sentence for one in found)


def test_what_no_cutter_can_do_is_refused(job) -> None:
    wide = tuple(one for one in job.cutters if one.number != 4)
    with pytest.raises(RequestError, match="No cutter fits the slot of string 1"):
        replace(job, cutters=wide).program()
    for name, what in (("length_mm", 0.5), ("taper_rad", 0.3)):
        other = tuple(replace(one, **{name: what}) for one in job.cutters)
        with pytest.raises(RequestError, match="No cutter fits the slot"):
            replace(job, cutters=other).program()
    with pytest.raises(RequestError, match="has to rise"):
        made_job(3, frets=12, parts=parts_text(stock=0.0))
    steep = read_description(parts_text().replace("[fret_ends]", "[fret_ends]\nangle = 60"))
    assert steep.ends.angle_rad == pytest.approx(np.pi / 3.0)
    with pytest.raises(DescriptionError, match=r"no \[nut\]"):
        read_description('schema = "evenfall/parts@1"\n[parts]\nname = "none"\n')


def test_a_cutter_in_a_material_that_it_is_not_for(slots) -> None:
    job, sound = slots
    metal = {"nickel silver": next(iter(job.cutters[1].uses.values()))}
    cutters = tuple(replace(one, uses=metal) if one.number == 5 else one for one in job.cutters)
    found = [
        one for one in replace(job, cutters=cutters).faults(sound) if one.code == "program-tool"
    ]
    assert "works in it here" in found[0].sentence


def test_a_cutter_deeper_than_it_is_long(slots) -> None:
    job, sound = slots
    cutters = tuple(replace(one, length_mm=0.5) for one in job.cutters)
    (line, *_) = lines_of(replace(job, cutters=cutters), sound, "program-place")
    assert sound.split("\n")[line - 1].startswith("G1")


@pytest.mark.slow
def test_a_cut_away_from_the_work(job, sound: str) -> None:
    line = line_with(sound, r"^M5$", after=100)
    wrong = changed(sound, line, "G0 X520 Y0\nG1 Z-4 F200\nG0 Z40\nM5")
    assert lines_of(job, wrong, "program-place") == [line + 1]


@pytest.mark.slow
def test_lifted_nut_and_saddle_cut_nothing() -> None:
    job = made_job(3, frets=12, parts=parts_text(), lift_mm=15.0)
    text = job.program()
    _, patches = job.cut(text)
    assert not any(patch.cut.any() for patch in patches)
    assert job.faults(text) == []


@pytest.mark.slow
def test_a_deeper_slot_is_cut_where_there_is_one() -> None:
    parts = "\n".join(parts_text(stock=0.0).split("[saddle]")[:1])
    job = made_job(3, frets=12, parts=parts)
    nut = made_job(3, frets=12, parts=parts, cuts=("nut",))
    assert all(one.is_cut for one in nut.piece.parts)
    check_parts(nut, nut.program())
    assert len(trace(nut.program()).line) < len(trace(job.program()).line)
