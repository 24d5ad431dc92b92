"""Corners of a mesh while its file passes by: each point kept once, and a few triangles to judge.

Neither holds the mesh, so that reading a scanner's mesh needs little more memory than its points.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.arrays import BoolArray, IntArray
from evenfall.scans.formats.scan import GrowingPoints

if TYPE_CHECKING:
    from numpy.typing import NDArray


ENOUGH_ROWS = 20_000
"""So many triangles show of which kind a mesh is."""

PIECE_CORNERS = 1 << 17
"""Corners looked up at a time."""

FULLEST_SHARE = 0.6
"""The table of places is kept emptier than this: fuller ones make the search for a place long."""

GROWTH = 1.4
"""The table grows by this factor."""

_PASSING = 1 << 31
"""Numbers from here on stand for corners of the piece being added, below for points kept."""


class FewRows:
    """Every so-many-th of the rows that pass by: all of a few, 20,000 to 40,000 of many."""

    def __init__(self) -> None:
        self.count = 0
        self._every = 1
        self._kept: list[NDArray[Any]] = []
        self._kept_count = 0

    def add(self, rows: NDArray[Any]) -> None:
        """Let rows pass by."""
        few = rows[-self.count % self._every :: self._every]
        self.count += len(rows)
        self._kept.append(few.copy())
        self._kept_count += len(few)
        while self._kept_count >= 2 * ENOUGH_ROWS:
            half = self.rows[::2].copy()
            self._kept, self._kept_count, self._every = [half], len(half), 2 * self._every

    @property
    def rows(self) -> NDArray[Any]:
        """Those kept, shape (K, ...); there must have been some."""
        return np.concatenate(self._kept)


class DistinctPoints:
    """Points of which each is kept once, however often it comes, in about the order of coming.

    An open hash table holds their numbers: four bytes for a place, no copy of the points. Points
    are the same if their bits are. How many are expected is only a guess.
    """

    def __init__(self, expected_count: int) -> None:
        self._points = GrowingPoints(expected_count, np.float32)
        self._places = np.zeros(int(expected_count / FULLEST_SHARE) + 1, dtype=np.uint32)

    def add(self, corners: NDArray[Any]) -> None:
        """Keep those that are new."""
        for start in range(0, len(corners), PIECE_CORNERS):
            piece = np.ascontiguousarray(corners[start : start + PIECE_CORNERS], dtype=np.float32)
            self._make_room(len(piece))
            self._add(piece)

    def done(self) -> NDArray[Any]:
        """Return the points, shape (N, 3); nothing may be added afterwards."""
        self._places = np.empty(0, dtype=np.uint32)
        return self._points.done()

    def _add(self, piece: NDArray[np.float32]) -> None:
        """Let all corners of a piece search at once.

        Who finds a free place is new; who finds its like is done; the others go one place on.
        """
        words = piece.view(np.uint32)
        places = self._first_places(words)
        passing = np.arange(_PASSING, _PASSING + len(words), dtype=np.uint32)
        waiting = np.arange(len(words))
        while len(waiting):
            won = self._claim(places, passing[waiting])
            first = self._points.count
            self._points.add(piece[waiting[won]])
            self._places[places[won]] = _numbers(first, self._points.count)
            waiting, places = waiting[~won], places[~won]
            found = np.take(self._points.so_far, self._places[places] - 1, axis=0).view(np.uint32)
            other = (found != np.take(words, waiting, axis=0)).any(axis=1)
            waiting, places = waiting[other], self._next(places[other])

    def _make_room(self, more_count: int) -> None:
        """Keep the table empty enough for more points, even if all of them are new."""
        have = self._points.count
        need = int((have + more_count) / FULLEST_SHARE) + 1
        if need <= len(self._places):
            return
        size = max(need, int(GROWTH * len(self._places)))
        self._places = np.empty(0, dtype=np.uint32)  # gone before the next one comes
        self._places = np.zeros(size, dtype=np.uint32)
        for start in range(0, have, PIECE_CORNERS):
            piece = self._points.so_far[start : start + PIECE_CORNERS]
            places = self._first_places(piece.view(np.uint32))
            numbers = _numbers(start, start + len(piece))
            while len(places):
                others = ~self._claim(places, numbers)
                places, numbers = self._next(places[others]), numbers[others]

    def _claim(self, places: IntArray, numbers: NDArray[np.uint32]) -> BoolArray:
        """Put numbers in those places that are free; return which of them are there now."""
        free = np.flatnonzero(self._places[places] == 0)[::-1]
        # of several that claim one place the last write counts: backwards, so the first one wins
        self._places[places[free]] = numbers[free]
        held: BoolArray = self._places[places] == numbers
        return held

    def _next(self, places: IntArray) -> IntArray:
        return (places + 1) % len(self._places)

    def _first_places(self, words: NDArray[np.uint32]) -> IntArray:
        """Return where the search for each corner starts: its bits mixed, spread over the table."""
        mixed = words[:, 0] * np.uint64(0x9E3779B97F4A7C15)
        mixed ^= (words[:, 1] + np.uint64(0x632BE59BD9B4E019)) * np.uint64(0xC2B2AE3D27D4EB4F)
        mixed ^= (words[:, 2] + np.uint64(0x85157AF5D1B54A33)) * np.uint64(0x165667B19E3779F9)
        mixed ^= mixed >> np.uint64(32)
        mixed *= np.uint64(0xD6E8FEB86659FD93)
        mixed >>= np.uint64(32)
        mixed *= np.uint64(len(self._places))
        mixed >>= np.uint64(32)
        return mixed.astype(np.intp)


def _numbers(start: int, end: int) -> NDArray[np.uint32]:
    """Return what stands in the table for the points from `start` to before `end`; 0 is free."""
    return np.arange(start + 1, end + 1, dtype=np.uint32)
