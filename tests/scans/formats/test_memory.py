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
from numpy.typing import NDArray

from evenfall.scans.formats import text_blocks
from scans.formats.samples import ply_points

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

COUNT = 3_000_000
TEXT_COUNT = 1_000_000
"""Points of text and fine meshes: the text of one is 200 MB, and its triangles are 70 MB."""

KINDS = (
    "Parquet", "text", "PLY", "NumPy", "TIFF", "STL, coarse", "STL, fine", "STL text, coarse",
    "STL text, fine", "OBJ, coarse", "OBJ, fine", "PLY mesh, coarse", "PLY mesh, fine",
)  # fmt: skip
LONG = ("text", "STL, fine", "STL text, fine", "OBJ, fine")

MEASURE = """
import sys
from pathlib import Path
from evenfall.scans.formats import ScanOptions, read_scan

def memory(name):
    (line,) = [l for l in open("/proc/self/status") if l.startswith(name)]
    return 1024 * int(line.split()[1])

options = ScanOptions("mm", (0.1, 0.2)) if sys.argv[3] else None
read_scan(Path(sys.argv[1]), options)  # libraries are loaded now
open("/proc/self/clear_refs", "w").write("5")  # the peak starts afresh
before = memory("VmRSS")
scan = read_scan(Path(sys.argv[2]), options)
more = memory("VmHWM") - before
content = scan.content
for part in ("heights", "triangles"):
    content = getattr(content, part, content)
print(more, content.nbytes)
"""


def peak(small: Path, large: Path, *, steps: bool = False) -> tuple[int, int]:
    """Return what reading a large file adds to the memory of a process that has read a small one.

    Both in bytes: more at the peak, and the size of what was read.
    """
    done = subprocess.run(
        [sys.executable, "-c", MEASURE, str(small), str(large), "1" * steps],
        capture_output=True,
        text=True,
        check=True,
    )
    more, own = map(int, done.stdout.split())
    return more, own


def board(count: int) -> FloatArray:
    """Return points on a grid, with heights that pack badly."""
    rng = np.random.default_rng(3)
    at = np.arange(count)
    return np.column_stack([at % 9600 * 0.05, at // 9600 * 0.2, rng.normal(0.0, 0.1, count)])


def mesh(points: FloatArray, *, fine: bool) -> tuple[FloatArray, IntArray]:
    """Return corners and faces: a scanner's, all points joined; or large ones, as CAD has them."""
    if not fine:
        some = points[: len(points) // 9, None]
        corners = some + np.array([[0.0, 0.0, 0.0], [90.0, 0.0, 0.0], [0.0, 9.0, 0.0]])
        return corners.reshape(-1, 3), np.arange(3 * len(some)).reshape(-1, 3)
    points = points[: len(points) // 9600 * 9600] * [1.0, 0.25, 0.1]  # whole rows of the board
    at = np.arange(len(points)).reshape(-1, 9600)
    a, b, c, d = (q.ravel() for q in (at[:-1, :-1], at[:-1, 1:], at[1:, 1:], at[1:, :-1]))
    return points, np.column_stack([a, b, c, a, c, d]).reshape(-1, 3)


def stl(path: Path, corners: FloatArray, faces: IntArray) -> None:
    triangle = np.dtype([("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")])
    made = np.zeros(len(faces), dtype=triangle)
    made["v"] = corners[faces]
    path.write_bytes(bytes(80) + np.uint32(len(made)).tobytes() + made.tobytes())


def stl_text(path: Path, corners: FloatArray, faces: IntArray) -> None:
    facet = "facet normal 0 0 1\nouter loop\n" + 3 * "vertex %.4f %.4f %.4f\n"
    with path.open("w") as stream:
        stream.write("solid board\n")
        np.savetxt(stream, corners[faces].reshape(-1, 9), facet + "endloop\nendfacet")
        stream.write("endsolid board\n")


def ply_mesh(path: Path, corners: FloatArray, faces: IntArray) -> None:
    rows = np.empty(len(faces), dtype=[("n", "u1"), ("v", "<i4", (3,))])
    rows["n"], rows["v"] = 3, faces
    head = (
        f"ply\nformat binary_little_endian 1.0\nelement vertex {len(corners)}\n"
        "property float x\nproperty float y\nproperty float z\n"
        f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    path.write_bytes(head.encode() + corners.astype("<f4").tobytes() + rows.tobytes())


def obj(path: Path, corners: FloatArray, faces: IntArray) -> None:
    with path.open("w") as stream:
        np.savetxt(stream, corners, "v %.4f %.4f %.4f")
        np.savetxt(stream, faces + 1, "f %d %d %d")


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
    elif kind.startswith(("STL", "OBJ", "PLY mesh")):
        corners, faces = mesh(points, fine="fine" in kind)
        writers = {"STL": stl, "OBJ": obj, "STL text": stl_text, "PLY mesh": ply_mesh}
        writers[kind.partition(",")[0]](path, corners, faces)
    else:
        counts = (points[: count // 1000 * 1000, 2] * 1000 + 5000).astype(np.uint16)
        tifffile.imwrite(path, counts.reshape(-1, 1000))
        path.with_suffix(".toml").write_text("x_step = 1\ny_step = 1\nz_scale = 0.001\n")


@pytest.mark.slow
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only on Linux")
@pytest.mark.parametrize("kind", KINDS)
def test_memory_stays_within_twice_the_points_own_size(tmp_path: Path, kind: str) -> None:
    small, large = tmp_path / "small.dat", tmp_path / "large.dat"
    write(small, kind, 20_000)
    count = TEXT_COUNT if kind in LONG else COUNT
    write(large, kind, count)
    more, own = peak(small, large, steps=kind == "TIFF")
    if "fine" in kind:  # its triangles are not kept
        assert own == count // 9600 * 9600 * (24 if kind.startswith("OBJ") else 12)
    # a block in work on top of that: its text, and the same as numbers
    assert more < 2 * own + 8 * text_blocks.BLOCK_BYTES
    print(f"{kind}: {more / own:.2f} times the points' own size")
    assert more > 0.5 * own, "the measurement itself does not work"
