"""When two serial numbers are of two instruments, and what a label keeps of a long one."""

import pytest

from evenfall.names import of_two, same_name
from evenfall.records.labels import key_of, keys_of

LONG = "A" * 100


@pytest.mark.parametrize(
    ("first", "other"),
    [
        ("UY-0417", "uy-0417"),
        ("UY-0417", " UY-0417 "),
        ("UY-0417", "ＵＹ－０４１７"),
        ("UY-0417", "UY\u20100417"),
        ("UY-0417", "UY\u20110417"),
        ("", "UY-0417"),
        (" ", "UY-0417"),
        ("UY-0417", "\t"),
    ],
)
def test_one_instrument(first: str, other: str) -> None:
    assert not of_two(first, other)
    assert not of_two(other, first)


@pytest.mark.parametrize(
    ("first", "other"),
    [("UY-0417", "UY-0418"), (f"{LONG}1", f"{LONG}2"), ("UY-0417", "UY0417")],
)
def test_two_instruments(first: str, other: str) -> None:
    assert of_two(first, other)
    assert not same_name(first, other)


def test_a_label_keeps_the_key_that_archives_hold() -> None:
    assert key_of(f"{LONG}1") == key_of(f"{LONG}2") == "a" * 80
    assert keys_of("UY\u20110417") == {"uy\u20100417", "uy", "0417", "417"}
