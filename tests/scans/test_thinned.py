"""What is thinned for the eye keeps what the eye looks for."""

from __future__ import annotations

import numpy as np
import pytest

from evenfall.errors import EvenfallError
from evenfall.scans.surface import HeightMap, Mesh
from evenfall.scans.thinned import thinned

RANDOM = np.random.default_rng(5)


def board(count: int = 400_000) -> np.ndarray:
    """Return points of a flat board, 450 by 50, with a hole and one speck of dirt."""
    points = RANDOM.uniform((0.0, 0.0, 0.0), (450.0, 50.0, 0.02), (count, 3))
    hole = np.hypot(points[:, 0] - 200.0, points[:, 1] - 25.0) < 6.0
    return np.concatenate([points[~hole], [[100.0, 10.0, 0.9]]])


def test_holes_and_dirt_stay_and_few_points_do() -> None:
    turn = np.linalg.qr(RANDOM.normal(size=(3, 3)))[0]
    seen, side = thinned(board() @ turn.T, 20_000)
    assert side == pytest.approx(np.sqrt(450.0 * 50.0 / 10_000), rel=0.05)
    assert 5_000 < len(seen) <= 22_000
    assert np.ptp(seen[:, 0]) == pytest.approx(450.0, abs=1.0)
    assert np.ptp(seen[:, 1]) == pytest.approx(50.0, abs=1.0)
    heights = np.abs(seen[:, 2] - np.median(seen[:, 2]))
    assert (heights > 0.5).sum() == 1  # the speck, and nothing else
    speck = seen[np.argmax(heights)]
    x, y = abs(speck[0]), abs(speck[1])
    assert (x, y) == (pytest.approx(125.0, abs=1.0), pytest.approx(15.0, abs=1.0))
    away = np.hypot(np.abs(seen[:, 0]) - 25.0, seen[:, 1])
    sides = [np.hypot(seen[:, 0] - x, seen[:, 1]).min() for x in (25.0, -25.0)]
    assert max(sides) > 4.5  # no point in the hole
    assert away.size == len(seen)


def test_a_height_map_with_missing_cells_and_a_mesh() -> None:
    heights = np.zeros((100, 900))
    heights[40:60, 400:440] = np.nan
    seen, _ = thinned(HeightMap(heights, 0.5, 0.5), 10_000)
    assert np.isfinite(seen).all()
    corners = np.array([[[0, 0, 0], [9, 0, 0], [0, 2, 0]], [[9, 0, 0], [9, 2, 0], [0, 2, 0.5]]])
    assert len(thinned(Mesh(corners.astype(float)))[0]) >= 4


def test_what_shows_nothing_is_refused() -> None:
    with pytest.raises(EvenfallError, match="too few points"):
        thinned(np.full((100, 3), np.nan))
