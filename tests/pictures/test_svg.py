"""The SVG writer, and the checks that the other tests of pictures rely on."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenfall.pictures import svg
from pictures.drawing import SVG, about_wide, faults, parsed, path_points

any_text = st.text(st.characters(exclude_categories=()), max_size=60)


@given(any_text, any_text)
def test_any_text_of_a_user_gives_valid_xml_that_says_the_same(title: str, words: str) -> None:
    picture = svg.document(
        40, [svg.group([svg.text(5, 20, words)], label=title, note=words)], title=title,
        description=words,
    )  # fmt: skip
    root = parsed(picture)
    allowed = "".join(c for c in words.replace("\t", " ").replace("\n", " ") if _in_xml(c))
    assert root.find(f".//{SVG}text").text == (allowed or None)
    assert root.find(f".//{SVG}g").attrib["data-note"] == allowed


def _in_xml(character: str) -> bool:
    """Say whether XML 1.0 may hold a character (fifth edition, production 2), controls aside."""
    code = ord(character)
    return (
        0x20 <= code < 0x7F or 0x80 <= code <= 0xD7FF or 0xE000 <= code <= 0xFFFD or code >= 0x10000
    )


@given(st.text(st.characters(codec="utf-8"), max_size=200), st.floats(40.0, 600.0))
def test_text_is_cut_to_the_room_it_has(words: str, room: float) -> None:
    assert svg.text_width_px(svg.shortened(words, 10.0, room), 10.0) <= room
    rows = svg.wrapped(words, 10.0, room, most=3)
    assert len(rows) <= 3
    assert all(svg.text_width_px(row, 10.0) <= room for row in rows)


def test_wrapping_keeps_every_word_while_there_is_room() -> None:
    words = "the string comes closest over the ninth fret and touches nothing"
    assert " ".join(svg.wrapped(words, 10.0, 150.0, most=9)) == words
    assert svg.wrapped(words, 10.0, 150.0, most=2)[-1].endswith("…")


def test_a_number_and_its_unit_stay_on_one_line() -> None:
    for room in range(40, 300, 3):
        rows = svg.wrapped("it reaches 0.086 mm below, at 0.45 N or 96 % of it", 10.0, room, most=9)
        assert not any(row.startswith(("mm", "N ", "%")) for row in rows), rows


def test_the_width_estimate_has_room_to_spare_but_not_twice_what_is_needed() -> None:
    # Widths of the Liberation Sans face at 100 px, read off in a browser; that of the words is the
    # sum of its advance widths (from memory).
    for words, wide in (("0123456789", 556.15), ("touch force", 494.7), ("±", 54.88)):
        assert wide <= svg.text_width_px(words, 100.0) <= 1.3 * wide


def test_text_that_cannot_be_read_on_paper_is_refused() -> None:
    with pytest.raises(ValueError, match="cannot be read"):
        svg.text(0, 0, "x", size_px=8.9)


@given(st.lists(st.tuples(st.floats(0.5, 40.0), st.floats(-80.0, 80.0)), min_size=2, max_size=12))
def test_a_smooth_line_goes_through_its_points_and_never_past_them(
    steps: list[tuple[float, float]],
) -> None:
    x, points = 0.0, []
    for dx, y in steps:
        x += dx
        points.append((x, y))
    d = parsed(svg.path(points, smooth=True)).attrib["d"]
    drawn = path_points(d)
    assert drawn[::3] == pytest.approx([pytest.approx(p, abs=0.006) for p in points])
    for (start, end), first, second in zip(
        pairwise(drawn[::3]), drawn[1::3], drawn[2::3], strict=True
    ):
        low, high = min(start[1], end[1]) - 0.02, max(start[1], end[1]) + 0.02
        assert low <= first[1] <= high
        assert low <= second[1] <= high  # a Bezier arc lies within its control points
        assert start[0] <= first[0] <= second[0] <= end[0]


def test_names_inside_two_pictures_never_meet() -> None:
    def names(title: str) -> set[str]:
        root = parsed(svg.document(10, [], title=title, description="d"))
        return {e.attrib["id"] for e in root.iter() if "id" in e.attrib}

    assert names("one").isdisjoint(names("two"))
    assert names("one") == names("one")


@pytest.mark.parametrize(
    ("bad", "fault"),
    [
        ('<text x="-3" y="20" font-size="10">out</text>', "outside"),
        ('<text x="60" y="20" font-size="10">far too long for it</text>', "outside"),
        ('<text x="5" y="20" font-size="8">small</text>', "too small"),
        ('<text x="5" y="20" font-size="10">on</text>' * 2, "overlap"),
        ("<style/>", "<"),
        ('<rect x="nan" y="0" width="1" height="1"/>', "number"),
        ('<rect fill="url(#p)"/>', "reference"),
    ],
)
def test_the_checks_see_a_bad_picture(bad: str, fault: str) -> None:
    good = svg.document(40, [svg.text(5, 20, "good")], title="t", description="d", width_px=100)
    assert faults(good) == []
    assert any(fault in said for said in faults(good.replace("</svg>", f"{bad}</svg>")))
    assert "no role" in faults(good.replace('role="img" ', ""))
    assert faults(good.replace("aria-labelledby", "data-x")) != []


def test_the_rule_of_thumb_for_widths_is_near_the_truth() -> None:
    for words, wide in (("0123456789", 556.15), ("touch force", 494.7)):
        assert 0.9 * wide <= about_wide(words, 100.0) <= 1.15 * wide
