"""The reader of programs beside the independent interpreter."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from draws import draws, some
from evenfall.errors import ProgramError
from evenfall.work.trace import CHORD_MM, block_fault, noted, trace
from work.interpreter import ends_of, interpreted, needed, without_sign_of_zero

BAD = sorted((Path(__file__).parents[1] / "golden" / "programs" / "bad").glob("*.ngc"))
HEAD = "G21 G17 G90 G94 G54 G40 G49 G64 P0.01\nT1 M6\nS3000 M3\nG0 Z25\n"


def test_there_are_twenty_programs_broken_on_purpose() -> None:
    assert len(BAD) == 20


@pytest.mark.parametrize("path", some(BAD, 3), ids=lambda path: path.stem)
def test_what_the_interpreter_refuses_is_refused_with_its_line(path: Path, tmp_path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    with pytest.raises(ProgramError) as refused:
        trace(text, source=path.name)
    (finding,) = refused.value.findings
    (line,) = finding.at.lines
    interpreter = interpreted(text, tmp_path)
    assert interpreter.refused
    assert interpreter.refused.splitlines()[-1] == text.splitlines()[line - 1]


@pytest.mark.parametrize(
    "block",
    [
        "O100 CALL",
        "o100 while [#1 lt 5]",
        "#1=5",
        "G1 X#1 F100",
        "G92 X0",
        "G10 L2 P1 X5",
        "G53 G0 Z0",
        "G28",
        "G81 X1 Z-1 R2 F100",
        "G41 D1",
        "M98 P1",
        "/G0 X5",
        "G0 A90",
        "G1 X5 F100 P3",
        "(µ)",
        "(DEBUG,#1)",
        "N5 N6 G0 X1",
        "G2 X1 Y1 I1 P2 F100",
        "G0 X" + "1" * 300,
        "G91 G0 X1",
        "M6",
        "M3",
    ],
)
def test_what_could_hide_a_move_is_refused_in_one_sentence(block: str) -> None:
    said = block_fault(block)
    assert said is not None
    assert str(said).count(".") >= 1
    assert block_fault("G0 X1 Y2 (a comment)") is None


def test_comments_messages_and_offsets_keep_their_lines() -> None:
    read = trace("(state: unstrung)\nG21 G90 G55\n(MSG, ready )\nG0 Z5 ; up\nM30\n")
    assert list(noted(read, "state")) == [("unstrung", 1)]
    assert read.messages == (("ready", 3),)
    assert read.offsets == (("G55", 2),)
    assert read.comments[-1] == ("up", 4)
    assert read.end_line == 5


def test_feed_speed_and_tool_belong_to_each_move() -> None:
    read = trace(
        "G20 G90 G94\nT3 M6\nG0 Z1\nS600 M4\nG1 X1 F60\nG95 F0.01\nX2\nG93 X4 F2\nM5\n"
        "G94 F60\nG1 X5\nM2\n"
    )
    feeds = read.feed_mm_per_s
    assert np.isnan(feeds[0])
    assert feeds[1:].tolist() == pytest.approx([25.4, 0.01 * 25.4 * 10, 2 * 25.4 / 30, 25.4])
    assert read.speed_hz.tolist() == [0.0, 10.0, 10.0, 10.0, 0.0]
    assert read.tool.tolist() == [3] * 5


def test_an_arc_is_chords_that_lie_on_it() -> None:
    read = trace("G21 G90 G17\nG0 X10 Y0 Z1\nG3 X-10 Y0 Z0 I-10 J0 F100\nG2 X10 Y0 R-10\nM2\n")
    arc = read.arc
    middle = 0.5 * (read.start_mm + read.end_mm)[arc]
    assert np.hypot(read.end_mm[arc][:, 0], read.end_mm[arc][:, 1]) == pytest.approx(10.0)
    assert (10.0 - np.hypot(middle[:, 0], middle[:, 1])).max() < 1.5 * CHORD_MM
    assert read.length_mm[arc].sum() == pytest.approx(np.hypot(10 * np.pi, 1) + 10 * np.pi, 1e-4)


def test_too_many_moves_are_refused_before_they_are_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("evenfall.work.trace.MOST_MOVES", 3)
    with pytest.raises(ProgramError, match="has over 3 moves; split it") as error:
        trace("G21 G90 M03\nno block\nG1 X1 (\n" + "x2\n" * 3)
    assert error.value.findings[0].at.lines == (6,)
    few = "G21 G90\nG0 X1\n; X2\n(turn X3)\n(turn Y4)\nG4 P0\n"
    assert len(trace(few + "M2\n" + "G1 X5\n" * 9).line) == 1
    assert len(trace("%\n" + few + "(the end) m 030\n" + "G1 X5\n" * 9).line) == 1


@pytest.mark.slow
def test_circles_without_end_are_refused_in_time() -> None:
    circles = "G21 G90 G17\nG0 X0 Y0 Z5\nF1000\n" + "G2 X0 Y0 I400 J0\n" * 5000
    with pytest.raises(ProgramError, match="has over 500000 moves; split it"):
        trace(circles + "M2\n")


COORDINATE = st.integers(-99_999, 99_999).map(lambda n: n / 10_000)
BLOCK = st.one_of(
    st.tuples(
        st.sampled_from(["G0", "G1", "", "G01", "g1"]), st.sets(st.sampled_from("XYZ"), min_size=1)
    ),
    st.just(("G91", set())),
    st.just(("G90", set())),
    st.just(("quarter", set())),
)


@st.composite
def programs(draw) -> str:
    """Draw programs of moves in either unit, absolute and incremental, with quarter circles."""
    unit = draw(st.sampled_from(["G20", "G21"]))
    lines = [f"{unit} G17 G90 G94 G54", "F100", "G0 X0 Y0 Z1"]
    absolute = True
    for word, axes in draw(st.lists(BLOCK, max_size=25)):
        if word in ("G90", "G91"):
            absolute = word == "G90"
            lines.append(word)
        elif word == "quarter":
            plane, end, centre = draw(
                st.sampled_from(
                    [
                        ("G17", "X1.5 Y1.5", "I0 J1.5"),
                        ("G18", "X1.5 Z1.5", "I0 K1.5"),
                        ("G19", "Y1.5 Z1.5", "J0 K1.5"),
                    ]
                )
            )
            turn = draw(st.sampled_from(["G2", "G3"]))
            lines.append(f"G91 {plane} {turn} {end} {centre}")
            lines.append("G90" if absolute else "G91")
        else:
            words = " ".join(f"{axis}{draw(COORDINATE):.4f}" for axis in sorted(axes))
            lines.append(f"{word or 'G1'} {words} (move)")
    return "\n".join([*lines, "M2", ""])


@pytest.mark.slow
@given(programs())
@draws(60)
def test_any_program_reads_as_the_interpreter_reads_it(text: str) -> None:
    import tempfile

    needed()
    with tempfile.TemporaryDirectory() as folder:
        canonical = interpreted(text, Path(folder))
    assert canonical.refused == ""
    ours = ends_of(trace(text))
    assert without_sign_of_zero(ours) == without_sign_of_zero(canonical.moves)


@pytest.mark.parametrize("axis", ["X0", "Y0", "X0 Y0", "X1", "Y1"])
def test_a_move_aside_before_the_cutter_is_up_is_noted_even_to_zero(axis: str) -> None:
    assert trace(f"G21 G90\nG0 {axis}\nG0 Z5\nM2\n").aside_line == 2
    assert trace(f"G21 G90\nG0 Z5\nG0 {axis}\nM2\n").aside_line == 0
