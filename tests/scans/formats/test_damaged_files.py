"""Damaged files: whatever the damage, a scan or one of the three foreseen errors comes out.

`fuzz.py` does the same for as long as one likes, guided by coverage; what it found worth keeping
lies in `corpus/` and is read in every run.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from draws import draws
from scans.formats.fuzz import CORPUS, FORESEEN, READERS, damaged, damaged_inside, feed, seeds

QUICK = [reader for reader in READERS if reader != "e57"]
"""Readers that start no other process."""


def test_the_corpus_holds_something_for_every_reader() -> None:
    assert {path.name for path in CORPUS.iterdir() if path.is_dir()} == set(READERS)
    sizes = [path.stat().st_size for path in CORPUS.rglob("*") if path.is_file()]
    assert sum(sizes) < 300_000


@pytest.mark.quick(5)
@pytest.mark.parametrize("reader", [*QUICK, pytest.param("e57", marks=pytest.mark.slow)])
def test_the_corpus_is_read_or_refused(tmp_path: Path, reader: str) -> None:
    outcomes = [feed(data, tmp_path) for data in seeds(reader)]
    assert "scan" in outcomes
    assert set(outcomes) <= {"scan", *(kind.__name__ for kind in FORESEEN)}


@pytest.mark.parametrize("reader", QUICK)
def test_random_damage(tmp_path_factory: pytest.TempPathFactory, reader: str) -> None:
    files = seeds(reader)
    folder = tmp_path_factory.mktemp(reader)

    @draws(150)
    @given(st.sampled_from(range(len(files))), st.integers(0, 2**32), st.booleans())
    def hurt(number: int, seed: int, inside: bool) -> None:
        chance = random.Random(seed)  # noqa: S311 (no secret depends on it)
        feed((damaged_inside if inside else damaged)(files[number], chance), folder)

    hurt()


@pytest.mark.slow
def test_random_damage_of_e57(tmp_path: Path) -> None:
    chance = random.Random(57)  # noqa: S311
    (sound, *_) = seeds("e57")
    for _ in range(15):  # a process each
        feed(damaged_inside(sound, chance), tmp_path)


@given(st.binary(max_size=400))
@draws(200)
def test_any_bytes(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    feed(data, tmp_path_factory.mktemp("bytes"))


@given(st.text(alphabet='0123456789.,;: \t\nxyzeE+-#"', max_size=300))
@draws(300)
def test_any_text_of_numbers(tmp_path_factory: pytest.TempPathFactory, content: str) -> None:
    feed(content.encode(), tmp_path_factory.mktemp("text"))


@pytest.mark.quick(1)
@pytest.mark.parametrize("reader", sorted(QUICK))
def test_a_file_cut_anywhere(tmp_path: Path, reader: str) -> None:
    for whole in seeds(reader)[: len(READERS[reader])]:
        for end in {*range(0, len(whole), max(1, len(whole) // 60)), len(whole) - 1}:
            feed(whole[:end], tmp_path)
