"""Small pieces of English."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenfall.work.wording import listed, numbered, plain_line


@pytest.mark.parametrize(
    ("numbers", "text"),
    [
        ([3], "fret 3"),
        ([3, 4], "frets 3 and 4"),
        ([3, 7], "frets 3 and 7"),
        ([2, 3, 4, 5, 8, 11], "frets 2–5, 8 and 11"),
        ([1, 2, 3], "frets 1–3"),
        ([1, 2, 9, 10], "frets 1, 2, 9 and 10"),
    ],
)
def test_numbers_are_listed_as_people_do(numbers, text):
    assert listed("fret", numbers) == text


def test_one_is_one_and_more_are_more():
    assert (numbered(1, "fret"), numbered(0, "fret"), numbered(2, "fret")) == (
        "1 fret",
        "0 frets",
        "2 frets",
    )


@given(st.text())
def test_a_plain_line_is_one_printable_line_and_stays_so(text):
    line = plain_line(text)
    assert line.isprintable()
    assert line == line.strip()
    assert plain_line(line) == line
    line.encode()
