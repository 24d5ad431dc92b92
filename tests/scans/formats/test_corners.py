"""Corners of a mesh that pass by: each kept once, as NumPy's `unique` has it; a few to judge by."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from draws import draws
from evenfall.scans.formats import corners
from evenfall.scans.formats.corners import DistinctPoints, FewRows


def bits(points: np.ndarray[tuple[int, int], np.dtype[np.float32]]) -> set[bytes]:
    return {row.tobytes() for row in points}


@given(
    seed=st.integers(0, 2**32 - 1),
    different=st.integers(1, 4000),
    pieces=st.lists(st.integers(0, 9000), min_size=1, max_size=5),
    expected=st.integers(0, 5000),
)
@draws(60)
def test_each_point_is_kept_once_whatever_was_expected(
    seed: int, different: int, pieces: list[int], expected: int
) -> None:
    rng = np.random.default_rng(seed)
    pool = rng.choice(np.float32([0.0, -0.0, 0.05, 1.5, np.nan, np.inf, 1e-40]), (different, 3))
    pool[::2] = rng.normal(size=(len(pool[::2]), 3)).astype(np.float32)
    kept = DistinctPoints(expected)
    given_rows = [pool[rng.integers(0, different, count)] for count in pieces]
    for rows in given_rows:
        kept.add(rows)
    found = kept.done()
    wanted = np.unique(np.concatenate(given_rows).view(np.uint32), axis=0)
    assert found.dtype == np.float32
    assert len(found) == len(wanted)
    assert bits(found) == bits(wanted.view(np.float32))


def test_many_points_in_many_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(corners, "PIECE_CORNERS", 1000)
    x, y = np.meshgrid(np.arange(500) * 0.05, np.arange(80) * 0.05)
    grid = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)]).astype(np.float32)
    kept = DistinctPoints(0)
    for _ in range(3):
        kept.add(grid)
    assert np.array_equal(np.sort(kept.done().view("f4,f4,f4").ravel()),
                          np.sort(grid.view("f4,f4,f4").ravel()))  # fmt: skip


@given(st.lists(st.integers(0, 30_000), min_size=1, max_size=8))
@draws(40)
def test_few_rows_are_spread_evenly(sizes: list[int]) -> None:
    few, at = FewRows(), 0
    for size in sizes:
        few.add(np.arange(at, at + size))
        at += size
    assert few.count == at
    rows = few.rows
    every = 1
    while -(-at // every) >= 2 * corners.ENOUGH_ROWS:
        every *= 2
    assert np.array_equal(rows, np.arange(0, at, every))
