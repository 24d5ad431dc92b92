"""Small undamaged files of every format, made by the libraries that others write them with."""

from __future__ import annotations

import io
import struct
import tempfile
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pye57
import tifffile
import trimesh
import x3pio
from numpy.typing import NDArray
from trimesh.exchange import obj, ply, stl

FloatArray = NDArray[np.float64]

POINTS = np.array(
    [[0.0, 0.0, 1.5], [10.25, 0.0, 1.25], [10.25, 5.5, 1.0], [0.0, 5.5, -0.75], [20.5, 2.75, 0.5]]
)
"""Numbers that single precision holds exactly."""

FACES = np.array([[0, 1, 2], [0, 2, 3], [1, 4, 2]])
HEIGHTS = np.array([[1.5, 1.25, 1.0, 0.5], [0.25, np.nan, -0.75, 2.0], [1.0, 1.0, 1.0, 1.0]])


def text(
    points: FloatArray = POINTS,
    *,
    header: str = "x,y,z",
    delimiter: str = ",",
    decimal: str = ".",
    end: str = "\n",
    form: str = "%.6f",
) -> bytes:
    """Return points as text."""
    rows = [delimiter.join(form % v for v in row).replace(".", decimal) for row in points]
    return end.join([header, *rows, ""] if header else [*rows, ""]).encode()


def parquet(points: FloatArray = POINTS, *, names: str = "xyz", **more: list[object]) -> bytes:
    """Return points as a Parquet table."""
    table = {name: points[:, at] for at, name in enumerate(names)}
    stream = io.BytesIO()
    pq.write_table(pa.table({**table, **more}), stream)
    return stream.getvalue()


def npy(array: NDArray[np.generic] = HEIGHTS) -> bytes:
    """Return an array as NumPy saves it."""
    stream = io.BytesIO()
    np.save(stream, array)
    return stream.getvalue()


def npz(**arrays: object) -> bytes:
    """Return arrays as NumPy saves them together."""
    stream = io.BytesIO()
    np.savez_compressed(stream, **{k: np.asarray(v) for k, v in arrays.items()})
    return stream.getvalue()


def tiff(counts: NDArray[np.generic] | None = None, **how: object) -> bytes:
    """Return a picture of heights."""
    stream = io.BytesIO()
    picture = np.arange(12, dtype=np.uint16).reshape(3, 4) if counts is None else counts
    tifffile.imwrite(stream, picture, **how)
    return stream.getvalue()


def mesh() -> trimesh.Trimesh:
    """Return three triangles."""
    return trimesh.Trimesh(POINTS, FACES, process=False)


def ply_file(encoding: str = "binary") -> bytes:
    """Return a mesh as PLY."""
    return bytes(ply.export_ply(mesh(), encoding=encoding))


def ply_points(order: str = "<", kind: str = "float", extra: bool = True) -> bytes:
    """Return points as binary PLY of either byte order, with a colour."""
    name = "little" if order == "<" else "big"
    head = f"ply\nformat binary_{name}_endian 1.0\ncomment made for a test\nelement vertex 5\n"
    code = {"float": "f", "double": "d", "short": "h"}[kind]
    head += "".join(f"property {kind} {axis}\n" for axis in "xyz")
    if extra:
        head += "property uchar red\n"
    rows = [
        struct.pack(f"{order}3{code}", *(int(v) if code == "h" else v for v in row))
        + (b"\x07" if extra else b"")
        for row in POINTS
    ]
    return head.encode() + b"end_header\n" + b"".join(rows)


def stl_file() -> bytes:
    """Return a mesh as binary STL."""
    return bytes(stl.export_stl(mesh()))


def stl_text() -> bytes:
    """Return a mesh as ASCII STL."""
    return str(stl.export_stl_ascii(mesh())).encode()


def obj_file() -> bytes:
    """Return a mesh as OBJ."""
    return str(obj.export_obj(mesh())).encode()


def x3p(heights: FloatArray = HEIGHTS) -> bytes:
    """Return a height map as X3P, in metres."""
    stream = io.BytesIO()
    x3pio.write(stream, heights * 1e-3, x_scale=1e-4, y_scale=2e-4)
    return stream.getvalue()


def e57(
    points: FloatArray = POINTS,
    *,
    rotation: FloatArray | None = None,
    translation: FloatArray | None = None,
    invalid: list[int] | None = None,
) -> bytes:
    """Return points as E57."""
    data = {f"cartesian{axis}": points[:, at].copy() for at, axis in enumerate("XYZ")}
    if invalid is not None:
        data["cartesianInvalidState"] = np.array(invalid, dtype=np.int8)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "scan.e57"
        file = pye57.E57(str(path), mode="w")
        file.write_scan_raw(data, rotation=rotation, translation=translation)
        file.close()
        return path.read_bytes()


def zipped(**files: bytes) -> bytes:
    """Return files in a zip archive."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return stream.getvalue()


#: One sound file of every format: format and its content.
SOUND: dict[str, Callable[[], bytes]] = {
    "text": text,
    "text-spaces": lambda: text(header="", delimiter="  "),
    "text-commas": lambda: text(header="x [mm];y [mm];z [µm]", delimiter=";", decimal=","),
    "text-matrix": lambda: (
        b"# Width: 4 mm\n# Height: 3 mm\n# Value units: um\n1 2 3\n4 5 6\n7 8 9\n"
    ),
    "parquet": parquet,
    "npy": lambda: npy(POINTS),
    "npz": lambda: npz(z=HEIGHTS, x_step=0.1, y_step=0.2, unit="mm"),
    "tiff": tiff,
    "tiff-packed": lambda: tiff(compression="zlib"),
    "ply": ply_file,
    "ply-ascii": lambda: ply_file("ascii"),
    "ply-big": lambda: ply_points(">"),
    "stl": stl_file,
    "stl-ascii": stl_text,
    "obj": obj_file,
    "x3p": x3p,
    "e57": e57,
}
