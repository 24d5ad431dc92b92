"""Programs that are wrong on purpose: each is caught, with its line."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from evenfall.errors import ProgramError, RequestError
from evenfall.work.descriptions import Box
from evenfall.work.trace import trace
from work.interpreter import interpreted
from work.made_programs import INCH, made_job


@pytest.fixture(scope="module")
def job():
    return made_job(3, frets=14, cutter=1, fixture=True, most=2)


@pytest.fixture(scope="module")
def sound(job) -> str:
    text = job.program()
    assert job.faults(text) == []
    assert job.warnings(text) == []
    return text


def lines_of(job, text: str, code: str) -> list[int]:
    """Return the lines of all faults of a code; every fault has to be an error with words."""
    found = job.faults(text)
    assert all(one.severity == "error" and one.sentence.endswith(".") for one in found)
    return [line for one in found if one.code == code for line in one.at.lines]


def line_with(text: str, pattern: str, after: int = 0) -> int:
    """Return the first line, counted from 1, that matches a pattern."""
    for number, line in enumerate(text.split("\n"), start=1):
        if number > after and re.search(pattern, line):
            return number
    raise AssertionError(f"no line matches {pattern}")


def changed(text: str, number: int, new: str) -> str:
    lines = text.split("\n")
    lines[number - 1] = new
    return "\n".join(lines)


def middle_move(job, text: str) -> int:
    """Return the line of a move in the middle of a pass that is the last over its fret."""
    _, patches = job.cut(text)
    fret = next(p for p in patches if job.piece.crowns[p.fret - 1].is_cut)
    crown = job.piece.crowns[fret.fret - 1]
    middle = int(abs(fret.across_mm).argmin())
    deep = crown.removal(fret.at_mm) * (abs(fret.at_mm) < 15.0)
    return int(fret.line[int(deep.argmax()), middle])


def test_one_height_lowered(job, sound: str) -> None:
    line = middle_move(job, sound)
    was = sound.split("\n")[line - 1]
    z = re.search(r"Z(-?[\d.]+)", was)
    if z is None:
        line += 1
        was = sound.split("\n")[line - 1]
        z = re.search(r"Z(-?[\d.]+)", was)
    assert z is not None
    wrong = changed(sound, line, was.replace(z[0], f"Z{float(z[1]) - 0.2:.3f}"))
    # the move to the lowered place and the one from it both cut too deep
    assert set(lines_of(job, wrong, "program-cut")) & {line, line + 1}
    deep = next(one for one in job.faults(wrong) if one.code == "program-cut")
    assert deep.said.values["under"] == pytest.approx(0.2, abs=0.01)


@pytest.mark.slow
def test_a_rapid_through_a_fret(job, sound: str) -> None:
    line = line_with(sound, r"^G0 X", after=line_with(sound, r"M3$") + 10)
    wrong = changed(sound, line, f"{sound.split(chr(10))[line - 1]} Z-1.000")
    assert line in lines_of(job, wrong, "program-rapid")


def test_a_feed_over_the_limit(job, sound: str) -> None:
    line = line_with(sound, r"^G1 Y.* F")
    wrong = changed(sound, line, re.sub(r"F[\d.]+", "F1500.1", sound.split("\n")[line - 1]))
    assert lines_of(job, wrong, "program-limit") == [line]


def test_a_missing_tool_change(job, sound: str) -> None:
    line = line_with(sound, r"^T1 M6")
    wrong = changed(sound, line, "")
    assert lines_of(job, wrong, "program-tool") == [line_with(wrong, r"^G1 ")]


def test_a_wrong_work_offset(job, sound: str) -> None:
    line = line_with(sound, r"G54 G40")
    wrong = changed(sound, line, sound.split("\n")[line - 1].replace("G54", "G55"))
    assert lines_of(job, wrong, "program-state") == [line_with(sound, "G54 G40")]


def test_a_program_for_the_unstrung_neck_used_strung(job) -> None:
    other = made_job(3, frets=14, cutter=1, fixture=True, most=2, state="unstrung").program()
    found = job.faults(other)
    assert [one.at.lines for one in found if one.code == "program-state"] == [
        (line_with(other, r"^\(state: unstrung"),)
    ]
    # and it would really cut wrong
    assert any(one.code == "program-cut" for one in found)


def test_a_clamp_in_the_way(job, sound: str) -> None:
    crown = next(one for one in job.piece.crowns if one.is_cut)
    top = job.piece.top_mm + 5.0
    y = crown.high_mm + 2.0
    clamp = Box("side clamp", crown.x_mm - 5.0, crown.x_mm + 5.0, y, y + 10.0, top)
    blocked = replace(job, fixture=replace(job.fixture, boxes=(clamp,)))
    (line,) = lines_of(blocked, sound, "program-place")
    assert sound.split("\n")[line - 1].startswith("G1")


def wide_wheel(job, mm: float):
    wide = replace(job.cutters[0], body_width_mm=mm)
    return replace(job, cutters=(wide, *job.cutters[1:]))


@pytest.mark.slow
def test_a_cutter_wider_than_the_gap_between_the_last_frets(job, sound: str) -> None:
    crowns = job.piece.crowns
    gap = crowns[-1].x_mm - crowns[-2].x_mm
    wide = wide_wheel(job, 2.0 * gap)
    with pytest.raises(RequestError, match="would touch fret"):
        wide.passes()
    # by hand all the same: the simulated cut finds it
    lines = lines_of(wide, sound, "program-cut")
    assert lines
    assert all(sound.split("\n")[line - 1].startswith("G1") for line in lines)


def test_a_program_over_its_travel(job, sound: str) -> None:
    far = replace(job, fixture=replace(job.fixture, zero_x_mm=600.0))
    (line,) = lines_of(far, sound, "program-limit")
    there = re.search(r"X([\d.]+)", sound.split("\n")[line - 1])
    assert there is not None
    assert float(there[1]) > 300.0


@pytest.mark.slow
def test_what_the_interpreter_lets_pass_is_ours_to_judge(job, sound: str, tmp_path) -> None:
    far = sound.replace("\nM5\nM9\n", "\nG0 X9000.000\nM5\nM9\n")
    standing = changed(sound, line_with(sound, r"^S\d+ M3"), "")
    for wrong, code in ((far, "program-limit"), (standing, "program-tool")):
        assert wrong != sound
        assert interpreted(wrong, tmp_path).refused == ""
        assert lines_of(job, wrong, code)
    foreign = sound.replace("(plan:", "(µ plan:")
    assert interpreted(foreign, tmp_path).refused == ""
    with pytest.raises(ProgramError, match="plain ASCII"):
        trace(foreign)


@pytest.mark.slow
def test_a_worn_cutter_and_a_missing_message(job, sound: str) -> None:
    wheel = job.cutters[0]
    short = replace(wheel.uses["nickel silver"], life_mm=100.0)
    worn = replace(wheel, uses={**wheel.uses, "nickel silver": short})
    assert lines_of(replace(job, cutters=(worn, *job.cutters[1:])), sound, "program-life")
    silent = re.sub(r"\n\(MSG, end of program.*\)", "", sound)
    assert lines_of(job, silent, "program-state") == [line_with(silent, r"^M2")]


def test_a_program_for_another_plan(job, sound: str) -> None:
    wrong = re.sub(r"\(plan: \w+\)", "(plan: 0000000000)", sound)
    assert lines_of(job, wrong, "program-state") == [line_with(wrong, r"^\(plan:")]


def test_a_pass_left_out(job, sound: str) -> None:
    line = line_with(sound, r"^M5$", after=100)
    start = max(n for n in range(1, line) if sound.split("\n")[n - 1].startswith("(fret "))
    lines = sound.split("\n")
    wrong = "\n".join(lines[: start - 1] + lines[line - 1 :])
    found = [one for one in job.faults(wrong) if one.code == "program-cut"]
    assert found
    assert "too high" in found[0].sentence


def test_a_tool_length_and_a_program_cut_short(job, sound: str) -> None:
    line = line_with(sound, r"^T1 M6")
    with pytest.raises(ProgramError, match="tool length offset") as caught:
        job.faults(changed(sound, line, "T1 M6\nG43 H7"))
    assert caught.value.findings[0].at.lines == (line + 1,)
    with pytest.raises(ProgramError, match="cut short"):
        job.faults(sound[: len(sound) // 2].rpartition("\n")[0] + "\n")


def test_a_spindle_turning_backwards(job, sound: str) -> None:
    line = line_with(sound, r"^S\d+ M3")
    assert lines_of(job, sound.replace(" M3\n", " M4\n", 1), "program-tool") == [line]


@pytest.mark.slow
def test_working_feeds_beyond_the_chip_load(job, sound: str) -> None:
    line = line_with(sound, r"^G1 Y.* F")
    feed = re.search(r"F([\d.]+)", sound.split("\n")[line - 1])
    assert feed is not None
    for times, found in ((20.0, [line]), (1.4, [line]), (1.2, [])):
        faster = sound.replace(feed[0] + "\n", f"F{times * float(feed[1]):.1f}\n")
        assert lines_of(job, faster, "program-limit") == found


@pytest.mark.slow
@pytest.mark.parametrize("comment", ["state: unstrung", "plan: 0000000000"])
def test_a_second_comment_that_contradicts_the_first(job, sound: str, comment: str) -> None:
    line = line_with(sound, r"^\(material")
    wrong = changed(sound, line, f"({comment})")
    assert lines_of(job, wrong, "program-state") == [line]


def between_moves(text: str, apart: int) -> tuple[tuple[str, int, str], ...]:
    """Return programs that are wrong between two moves, the line that is warned of, and words."""
    first = line_with(text, r"^G1 Z-")
    middle = line_with(text, r"^G1 Y", after=first + apart)
    was = text.split("\n")[middle - 1]
    return (
        (changed(text, line_with(text, r"^M8$"), "()"), first, "extraction"),
        (changed(text, line_with(text, r"^G4 P"), "()"), first, "up to speed"),
        (changed(text, line_with(text, r"^G4 P"), "G4 P0.2"), first, "up to speed"),
        (changed(text, middle, f"{was}\nM0"), middle + 1, "stops in the work"),
        (changed(text, middle, f"{was}\nG4 P30"), middle + 1, "waits 30.0 s"),
        (text + "G0 X0 Y0 Z-50\n", text.count("\n") + 1, "is not run"),
        (changed(text, line_with(text, r"^M8$"), "M8 M49"), line_with(text, r"^M8$"), "M49"),
        (text.replace(" Q0", "", 1), line_with(text, " Q0$"), "drawn together"),
    )


def warned_of(job, wrong: str, line: int, said: str) -> None:
    (found,) = job.warnings(wrong)
    assert (found.severity, found.at.lines) == ("warning", (line,))
    assert said in found.sentence


SHORT = """\
G21 G17 G90 G94 G54 G40 G49 G64 P0.010 Q0
G0 Z60
T1 M6
S764 M3
M8
G4 P5
G0 X300 Y-10
G1 Z-0.5 F100
G1 Y10
G0 Z60
M5
M9
M2
"""


def test_what_happens_between_two_moves_is_warned_of(job) -> None:
    assert job.warnings(SHORT) == []
    for wrong, line, said in between_moves(SHORT, 0):
        warned_of(job, wrong, line, said)


@pytest.mark.slow
def test_what_happens_between_the_moves_is_warned_of(job, sound: str) -> None:
    for wrong, line, said in between_moves(sound, 20):
        warned_of(job, wrong, line, said)


def test_a_wheel_dragged_along_its_axis_cuts_wherever_it_goes(job, sound: str) -> None:
    down = line_with(sound, r"^G1 Z")
    lines = sound.split("\n")[: down - 1]
    x, _, z = job.piece.crown_point(5, 1)
    _, y, _ = job.piece.crown_point(5, 4)
    moves = f"G0 X{x - 6.0:.3f} Y{y:.3f}\nG1 Z{z - 8.0:.3f} F300\nG1 X{x + 6.0:.3f}\n"
    _, patches = job.cut("\n".join(lines) + "\n" + moves + "G0 Z80\nM5\nM2\n")
    crown = next(p for p in patches if p.fret == 5)
    assert (crown.before_mm - crown.height_mm).max() == pytest.approx(8.0, abs=1.0)


def test_a_program_of_moves_alone_has_nothing_between_them(job) -> None:
    assert job.warnings("%\nG21 G17 G90 G94 G54 G40 G49 G61\nG0 Z60\n%\n") == []


@pytest.mark.slow
def test_a_stated_lift_is_compared_with_the_path(job, sound: str) -> None:
    dry = replace(job, lift_mm=20.0).program()
    assert job.faults(dry) == []
    line = line_with(dry, r"^\(lift")
    wrong = changed(dry, line, "(lift: 19.800 mm)")
    assert lines_of(job, wrong, "program-lift") == [line]
    # the comment alone, over the program that cuts
    line = line_with(sound, r"^\(material")
    wrong = changed(sound, line, "(lift: 20.000 mm over the work)")
    assert lines_of(job, wrong, "program-lift") == [line]
    assert lines_of(job, wrong, "program-cut")


@pytest.mark.slow
def test_a_lift_stated_otherwise_or_twice_is_refused(job) -> None:
    dry = replace(job, lift_mm=20.0).program()
    line = line_with(dry, r"^\(lift")
    for told in ("20.200 mm", "high", "2.000 mm"):
        assert lines_of(job, changed(dry, line, f"(lift: {told})"), "program-lift") == [line]
    twice = changed(dry, line, "(lift: 20.000 mm)\n(lift: 30.000 mm)")
    assert lines_of(job, twice, "program-lift") == [line]


@pytest.mark.slow
def test_a_dry_run_in_inches_is_lifted_as_stated() -> None:
    inch = made_job(4, machine=INCH, lift_mm=20.0)
    assert inch.faults(inch.program()) == []


@pytest.mark.slow
def test_what_hangs_on_what_ran_before_has_to_be_stated(job, sound: str) -> None:
    line = line_with(sound, r"^G21 ")
    was = sound.split("\n")[line - 1]
    for word in ("G21", "G90", "G94", "G17", "G40", "G49"):
        wrong = changed(sound, line, was.replace(f"{word} ", "", 1))
        found = [one for one in job.faults(wrong) if one.code == "program-state"]
        assert len(found) == 1, word
        assert "does not say" in found[0].sentence
        assert f"{word}" in found[0].sentence
    assert re.search(r"G64 P0.010 Q0$", was)


def at_end(text: str, *blocks: str) -> tuple[str, int]:
    """Return a program with blocks of the ball end before its end, and the line of their first."""
    line = line_with(text, r"^M5$", after=100)
    tool = ["M5", "T2 M6", "S8000 M3", "G4 P5"]
    lines = text.split("\n")
    return "\n".join([*lines[: line - 1], *tool, *blocks, "G0 Z60", *lines[line - 1 :]]), line + 4


@pytest.mark.slow
@pytest.mark.parametrize(
    ("blocks", "code", "which"),
    [
        (("G0 X600 Y0", "G0 Z5"), "program-rapid", 1),  # where a body or bridge may be
        (("G0 X300 Y140", "G0 Z-30"), "program-rapid", 1),
        (("G0 X650 Y0", "G1 Z1.9 F300"), "program-place", 1),
        (("G0 X300 Y36", "G1 Z-6 F300"), "program-place", 1),  # beside the neck
        (("G0 X300 Y0", "G1 Z0.4 F300"), "program-place", 1),  # over the board
        (("M6",), "program-tool", 0),
        (("M5", "T1 M6 S764 M3"), "program-tool", 1),
    ],
)
def test_moves_and_changes_that_no_program_needs(
    job, sound: str, blocks: tuple[str, ...], code: str, which: int
) -> None:
    wrong, first = at_end(sound, *blocks)
    assert first + which in lines_of(job, wrong, code)


def test_the_first_move_goes_up_alone(job, sound: str) -> None:
    line = line_with(sound, r"^G0 Z")
    assert lines_of(job, changed(sound, line, "G0 X100 Y0 Z60"), "program-rapid") == [line]


def test_what_moves_before_the_work_offset_is_called(job, sound: str) -> None:
    late, line = at_end(sound.replace("G54 G40", "G40", 1), "G54")
    assert late.split("\n")[line - 1] == "G54"
    assert lines_of(job, late, "program-state") == [line_with(sound, r"^G0 Z")]


@pytest.mark.slow
def test_a_feed_of_another_unit_is_not_taken_over(job, sound: str) -> None:
    # a controller reads F before it changes the unit, and keeps the feed that it has
    line = line_with(sound, r"^G1 Y", after=60)
    was = sound.split("\n")[line - 1]
    for blocks in ("G20 F50\nG21", "G20\nG21", "G21 F3000"):
        with pytest.raises(ProgramError, match="feed \\(F\\) in its unit"):
            job.faults(changed(sound, line, f"{blocks}\n{was}"))
    arc = "G93 G91.1 G18 G2 X310 I5 K0 F20"
    with pytest.raises(ProgramError, match="not read with G93"):
        job.faults(at_end(sound, "G0 X300 Y0", arc)[0])
    found = job.faults(at_end(sound, "G0 X300 Y0", "G18 G2 X310 I5 K0 F300")[0])
    assert ["centres of its arcs" in one.sentence for one in found] == [True]


def test_a_spindle_that_starts_or_stops_where_it_should_not(job, sound: str) -> None:
    middle = line_with(sound, r"^G1 Y", after=line_with(sound, r"^G1 Z-") + 20)
    said = [one.sentence for one in job.warnings(changed(sound, middle, "M5\nG0 Z40"))]
    assert any("starts or stops in the work" in one for one in said)
    high = line_with(sound, r"^G0 X", after=middle)
    (found,) = job.warnings(changed(sound, high, f"M0\n{sound.split(chr(10))[high - 1]}"))
    assert "with the spindle on" in found.sentence


@pytest.mark.slow
def test_corners_that_are_rounded_too_far(job, sound: str) -> None:
    for word in ("G64", "G64 P0.5", "G64 P0.01 Q0.2"):
        line = line_with(sound, r"^G64 P", after=line_with(sound, "M3$"))
        wrong = changed(sound, line, word)
        assert lines_of(job, wrong, "program-limit") == [line + 1]


@pytest.mark.slow
def test_a_cutter_changed_or_left_in_the_work(job, sound: str) -> None:
    last = max(n for n, line in enumerate(sound.split("\n"), 1) if line.startswith("G0 Z"))
    approach = sound.split("\n")[last - 2]
    assert approach.startswith("G1 Z")
    wrong = changed(changed(sound, last, "()"), last - 1, "()")
    assert line_with(wrong, "^M2") in lines_of(job, wrong, "program-rapid")
    wrong = changed(sound, last, "T2 M6\nS8000 M3\nG0 Z40")
    wrong = changed(wrong, last - 1, "()")
    assert last in lines_of(job, wrong, "program-rapid")


def test_a_cut_into_the_side_of_a_crown_between_strings(job, sound: str) -> None:
    crown = next(one for one in job.piece.crowns if one.is_cut)
    t = 0.5 * (crown.at_mm[0] + crown.at_mm[1])
    x, y = crown.place(t)
    z = float(crown.planned([t])[0]) - 1.05
    line = line_with(sound, r"^M5$", after=100)
    aside = f"T2 M6\nS8000 M3\nG4 P5\nG0 X{x + 1.9:.3f} Y{y:.3f}\nG1 Z{z:.3f} F200\nG1 Y{y + 2:.3f}"
    wrong = changed(sound, line, f"{aside}\nG0 Z40\nM5")
    found = [one for one in job.faults(wrong) if "side of fret" in one.sentence]
    assert [one.at.lines[0] for one in found]
    assert found[0].at.lines[0] in (line + 4, line + 5)


def test_a_program_without_a_fixture_says_what_is_not_judged(job, sound: str) -> None:
    (found,) = replace(job, fixture=None).warnings(sound)
    assert "clamps and the ends of travel" in found.sentence


@pytest.mark.slow
def test_a_wrapped_comment_is_no_label(job) -> None:
    # the reason breaks exactly before a word that is a label elsewhere
    from evenfall.wording import sentence

    for pad in range(60, 92):
        said = sentence("{why}", why=f"{'x' * pad} state: unstrung plan: 0000000000 lift: 3.000 mm")
        text = replace(job, piece=replace(job.piece, said=said)).program()
        assert [line for line in text.split("\n") if line.startswith("(state:")] == [
            "(state: strung)"
        ]
        assert not re.search(r"^\((lift|plan: 0{10})", text, re.MULTILINE)


def test_a_plain_machine_of_few_decimals_is_refused() -> None:
    from evenfall.errors import DescriptionError
    from evenfall.work.descriptions import read_description
    from evenfall.workshop import Source

    text = Source.invented("row.machine.toml").text()
    with pytest.raises(DescriptionError, match="decimals are too few"):
        read_description(text.replace("decimals = 4", "decimals = 2"))


@pytest.mark.slow
def test_all_of_a_cut_taken_off_at_once() -> None:
    job = made_job(3, cutter=1, fixture=True, most=2)  # its last frets have the most to come off
    bold = replace(job.cutters[0], depth_of_cut_mm=1.0)
    wrong = replace(job, cutters=(bold, *job.cutters[1:])).program()
    assert len(wrong) < len(job.program())
    found = [one for one in job.faults(wrong) if one.code == "program-limit"]
    assert all("off at once" in one.sentence for one in found)
    deep = {one.said.values["deep"] for one in found}
    assert max(deep) == pytest.approx(max(c.removal_mm.max() for c in job.piece.crowns), abs=0.01)
    assert all(wrong.split("\n")[one.at.lines[0] - 1].startswith("G1") for one in found)
