"""Reading and measuring a scan stop when asked: as `Cancelled`, at once, leaving nothing behind."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import numpy as np
import pytest

from evenfall.errors import Cancelled
from evenfall.scans import measure_crowns
from evenfall.scans.formats import ScanOptions, read_scan
from oracles.surfaces import Recipe, make_scan, specification
from scans.formats.samples import SOUND
from scans.formats.test_memory import KINDS, LONG, write


class Stopping:
    """Progress that somebody stops at a call, counted from 1."""

    def __init__(self, call: int) -> None:
        self.call, self.count, self.since = call, 0, 0.0

    def __call__(self, doing: str, share: float) -> None:
        assert doing
        assert 0.0 <= share <= 1.0
        self.count += 1
        if self.count >= self.call:
            self.since = self.since or time.monotonic()
            raise Cancelled


@pytest.mark.quick(10)
@pytest.mark.parametrize("name", SOUND)
def test_every_reader_tells_how_far_it_is_and_stops(tmp_path: Path, name: str) -> None:
    path, options = tmp_path / "scan", ScanOptions("mm", (0.1, 0.2))
    path.write_bytes(SOUND[name]())
    if name.startswith("tiff"):
        (tmp_path / "scan.toml").write_text("x_step = 1\ny_step = 1\nz_scale = 1.0\n")
    before, threads = sorted(tmp_path.iterdir()), threading.active_count()
    watching = Stopping(10**9)
    read_scan(path, options, watching)
    assert watching.count >= 1
    for call in {1, min(2, watching.count)}:
        with pytest.raises(Cancelled) as caught:
            read_scan(path, options, Stopping(call))
        assert type(caught.value) is Cancelled
        assert caught.value.where == ""
    assert sorted(tmp_path.iterdir()) == before
    path.rename(tmp_path / "moved")  # no reader holds it open
    assert threading.active_count() <= threads


@pytest.mark.slow
def test_measuring_stops_at_every_step() -> None:
    spec = specification("ukulele")
    points = make_scan(spec, Recipe(step_x=0.15, step_y=0.4, seed=1)).points_mm
    watching = Stopping(10**9)
    measure_crowns(points, spec, progress=watching)
    assert watching.count > 2 * spec.frets
    threads = threading.active_count()
    for call in range(1, watching.count, 17):
        with pytest.raises(Cancelled):
            measure_crowns(points, spec, progress=Stopping(call))
    assert threading.active_count() == threads


@pytest.mark.slow
def test_looking_for_what_is_not_there_stops_too() -> None:
    points = np.random.default_rng(3).uniform(0.0, 300.0, (20_000, 3)) * [1.0, 1.0, 0.3]
    for call in (1, 2, 5):
        with pytest.raises(Cancelled):
            measure_crowns(points, specification("ukulele"), progress=Stopping(call))


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_a_large_file_is_let_go_of(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "large.dat"
    write(path, kind, 200_000 if kind in LONG else 1_000_000)
    options = ScanOptions("mm", (0.1, 0.2)) if kind == "TIFF" else None
    start, stopping = time.monotonic(), Stopping(2)
    with pytest.raises(Cancelled):
        read_scan(path, options, stopping)
    end = time.monotonic()
    first = f"second call after {stopping.since - start:.2f} s"
    print(f"{kind}: {first}, stopped {end - stopping.since:.3f} s later")
