"""Reading a scan takes at most about twice the memory of its points."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import tifffile

from evenfall.intake.dense import text_blocks
from intake.dense.samples import ply_points

COUNT = 3_000_000

MEASURE = """
import sys
from pathlib import Path
from evenfall.intake.dense import Options, read_scan

def memory(name):
    (line,) = [l for l in open("/proc/self/status") if l.startswith(name)]
    return 1024 * int(line.split()[1])

options = Options("mm", (0.1, 0.2)) if sys.argv[3] else None
read_scan(Path(sys.argv[1]), options)  # libraries are loaded now
open("/proc/self/clear_refs", "w").write("5")  # the peak starts afresh
before = memory("VmRSS")
scan = read_scan(Path(sys.argv[2]), options)
print(memory("VmHWM") - before, scan.point_count)
"""


def peak(small: Path, large: Path, *, steps: bool = False) -> tuple[int, int]:
    """Return what reading a large file adds to the memory of a process that has read a small one.

    Both numbers: bytes more at the peak, and points read.
    """
    done = subprocess.run(
        [sys.executable, "-c", MEASURE, str(small), str(large), "1" * steps],
        capture_output=True,
        text=True,
        check=True,
    )
    more, count = map(int, done.stdout.split())
    return more, count


def board(count: int) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """Return points on a grid, with heights that pack badly."""
    rng = np.random.default_rng(3)
    at = np.arange(count)
    return np.column_stack([at % 9600 * 0.05, at // 9600 * 0.2, rng.normal(0.0, 0.1, count)])


def write(path: Path, kind: str, count: int) -> None:
    points = board(count)
    if kind == "Parquet":
        table = pa.table({axis: points[:, at] for at, axis in enumerate("xyz")})
        pq.write_table(table, path, row_group_size=count)  # one group: nothing may be read whole
    elif kind == "text":
        with path.open("w") as stream:
            stream.write("x,y,z\n")
            for start in range(0, count, 100_000):
                np.savetxt(stream, points[start : start + 100_000], "%.4f", delimiter=",")
    elif kind == "PLY":
        head = ply_points(extra=False).split(b"end_header\n")[0]
        head = head.replace(b"vertex 5", b"vertex %d" % count)
        path.write_bytes(head + b"end_header\n" + points.astype("<f4").tobytes())
    elif kind == "NumPy":
        with path.open("wb") as stream:
            np.save(stream, points)
    elif kind.startswith("STL"):
        triangle = np.dtype([("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")])
        made = np.zeros(count // 3, dtype=triangle)
        # neighbours share corners, as in any mesh
        corners = points[np.arange(count // 3)[:, None] + np.arange(3)]
        if kind == "STL":  # as large as CAD makes them
            corners = corners[:, :1] + [[0.0, 0.0, 0.0], [90.0, 0.0, 0.0], [0.0, 9.0, 0.0]]
        made["v"] = corners
        path.write_bytes(bytes(80) + np.uint32(len(made)).tobytes() + made.tobytes())
    else:
        counts = (points[: count // 1000 * 1000, 2] * 1000 + 5000).astype(np.uint16)
        tifffile.imwrite(path, counts.reshape(-1, 1000))
        path.with_suffix(".toml").write_text("x_step = 1\ny_step = 1\nz_scale = 0.001\n")


@pytest.mark.slow
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only on Linux")
@pytest.mark.parametrize("kind", ["Parquet", "text", "PLY", "NumPy", "STL", "STL, fine", "TIFF"])
def test_memory_stays_within_twice_the_points_own_size(tmp_path: Path, kind: str) -> None:
    small, large = tmp_path / "small.dat", tmp_path / "large.dat"
    write(small, kind, 6000)
    write(large, kind, COUNT)
    more, count = peak(small, large, steps=kind == "TIFF")
    own = {"PLY": 12, "STL": 36, "TIFF": 4}.get(kind, 24) * count
    if kind == "STL, fine":  # its triangles are the points
        own = 36 * (COUNT // 3)
    # a block in work on top of that: its text, and the same as numbers
    assert more < 2 * own + 8 * text_blocks.BLOCK_BYTES
    print(f"{kind}: {more / own:.2f} times the points' own size")
    assert more > 0.5 * own, "the measurement itself does not work"
