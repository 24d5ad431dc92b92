"""Maps of a scan laid level: medians of cells and of windows, against NumPy's own."""

from __future__ import annotations

import numpy as np

from evenfall.scans.laid_flat import WINDOW_MM, cell_medians, strip_map


def test_medians_of_cells_are_those_of_their_values() -> None:
    chance = np.random.default_rng(3)
    shape, many = (7, 5), 400
    row, column = chance.integers(0, 7, many), chance.integers(0, 5, many)
    column[column == 3] = 2  # one column of cells stays empty
    value = np.where(chance.uniform(size=many) < 0.02, 1e200, chance.normal(size=many))
    median, count = cell_medians((row, column), shape, value)
    for i in range(7):
        for j in range(5):
            inside = value[(row == i) & (column == j)]
            assert count[i, j] == len(inside)
            if len(inside):
                assert median[i, j] == np.median(inside)
            else:
                assert np.isnan(median[i, j])


def test_the_board_is_the_median_around() -> None:
    chance = np.random.default_rng(4)
    x = np.concatenate([chance.uniform(0.0, 60.0, 8000), chance.uniform(90.0, 120.0, 6000)])
    points = np.column_stack([x, chance.uniform(0.0, 6.0, len(x)), chance.normal(size=len(x))])
    strips = strip_map(points)
    heights = strips.relative_mm + strips.board_mm
    for strip in range(len(strips.y_mm)):
        for bin_ in range(0, len(strips.x_mm), 40):  # the board is taken at every fourth bin
            half = int(0.5 * WINDOW_MM / 0.25)
            around = heights[strip, max(0, bin_ - half) : bin_ + half]
            if np.isfinite(around).any():
                assert np.isclose(strips.board_mm[strip, bin_], np.nanmedian(around), atol=1e-12)
