"""The pages of the invented instrument say what they said when somebody last read them."""

from __future__ import annotations

import pytest

from pages.golden import EXPECTED, seen, texts

NAMES = sorted(path.name for path in EXPECTED.glob("*.txt"))


@pytest.fixture(scope="module")
def made() -> dict[str, str]:
    return texts()


def test_every_page_has_its_text(made: dict[str, str]) -> None:
    assert sorted(made) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_a_page_says_what_was_read(name: str, made: dict[str, str]) -> None:
    assert made[name].splitlines() == (EXPECTED / name).read_text(encoding="utf-8").splitlines()


def test_the_text_of_a_page_is_what_a_reader_sees() -> None:
    page = (
        "<style>p{}</style><h1>One<small>two</small></h1>"
        "<table><tr><th>a</th><td>b<span>c</span></td></tr></table><svg><text>x</text></svg>"
    )
    assert seen(page) == "One two\na | b c\n"
