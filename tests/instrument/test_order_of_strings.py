"""Pitch falls from string 1 on, unless the model says otherwise."""

from __future__ import annotations

import pytest

from evenfall.errors import SpecificationError
from evenfall.instrument import read_specification
from necks.kinds import ALL_KINDS, text


@pytest.mark.parametrize("kind", ALL_KINDS)
def test_kinds_with_what_they_say_of_themselves_give_no_remark(kind: str) -> None:
    assert not read_specification(text(kind))[1]


@pytest.mark.parametrize(
    ("kind", "line", "string"),
    [("ukulele", "reentrant = true", 4), ("twelve-string", "courses = 6", 6)],
)
def test_rising_pitch_is_remarked_on(kind: str, line: str, string: int) -> None:
    (remark,) = read_specification(text(kind).replace(line, ""))[1]
    assert remark.at.strings == (string,)
    assert "numbered from the treble" in remark.sentence


def test_strings_numbered_from_the_bass_are_remarked_on_once() -> None:
    pitches = ["E4", "B3", "G3", "D3", "A2", "E2"]
    turned = text("electric")
    for number, pitch in enumerate(pitches):
        turned = turned.replace(f'pitch = "{pitch}"', f"pitch = <{5 - number}>")
    for number, pitch in enumerate(pitches):
        turned = turned.replace(f"pitch = <{number}>", f'pitch = "{pitch}"')
    remarks = [r for r in read_specification(turned)[1] if "treble" in r.sentence]
    assert [r.at.strings for r in remarks] == [(2,)]


def test_courses_share_out_the_strings() -> None:
    assert read_specification(text("twelve-string"))[0].strings_per_course == 2
    assert read_specification(text("bass"))[0].strings_per_course == 1
    with pytest.raises(SpecificationError, match="do not share out"):
        read_specification(text("mandolin").replace("courses = 4", "courses = 3"))
