"""The process that reads E57: whatever a damaged file does to the library stays in here.

It is started with the path of a file and writes to standard output: one byte that says what
follows, eight bytes for its length, and the content. P: points as rows of three doubles. U: names
of fields that are not used. E: an error. N: no points. D: done.
"""

from __future__ import annotations

import importlib
import json
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

PIECE_POINTS = 1 << 18

_PLAIN = ("cartesianX", "cartesianY", "cartesianZ")
_ROUND = ("sphericalRange", "sphericalAzimuth", "sphericalElevation")


class _RefusedError(Exception):
    """The file cannot be used."""

    def __init__(self, kind: str, text: str, **values: object) -> None:
        super().__init__(text)
        self.kind, self.text, self.values = kind, text, values


def main() -> None:
    """Read the file named on the command line and send what it holds."""
    libe57 = importlib.import_module("pye57.libe57")
    try:
        # not pye57.E57: that class removes a file which it cannot open
        image = libe57.ImageFile(sys.argv[1], "r")
        try:
            _send_scans(libe57, image)
        finally:
            image.close()
    except _RefusedError as error:
        _send_error(error)
    except libe57.E57Exception as error:
        cause = (str(error).strip().splitlines() or [type(error).__name__])[0]
        cause = cause.split("(Error")[0].strip()[:150]
        text = "The file is damaged ({cause}); export or copy it again."
        _send_error(_RefusedError("broken", text, cause=cause))


def _send(kind: bytes, data: bytes = b"") -> None:
    out = sys.stdout.buffer
    out.write(kind + len(data).to_bytes(8, "little"))
    out.write(data)
    out.flush()


def _send_error(error: _RefusedError) -> None:
    told = {"kind": error.kind, "text": error.text, "values": error.values}
    _send(b"E", json.dumps(told).encode())


def _send_scans(e57: Any, image: Any) -> None:
    root = image.root()
    if not root.isDefined("data3D") or not len(root["data3D"]):
        _send(b"N")
        return
    scans = root["data3D"]
    for number in range(len(scans)):
        entry = scans[number]
        vector = entry["points"]
        prototype = e57.StructureNode(vector.prototype())
        fields = [prototype.get(i).elementName() for i in range(prototype.childCount())]
        axes = next((a for a in (_PLAIN, _ROUND) if set(a) <= set(fields)), None)
        if axes is None:
            text = "A scan in the file holds {names:quoted}, no coordinates."
            raise _RefusedError("unsupported", text, names=fields[:8])
        unused = [f for f in fields if f not in axes and not f.endswith("InvalidState")]
        _send(b"U", json.dumps(unused).encode())
        turn, shift = _pose(entry)
        for rows in _rows(e57, image, vector, axes, fields):
            _send(b"P", np.ascontiguousarray(rows @ turn.T + shift).tobytes())
    _send(b"D")


def _rows(
    e57: Any, image: Any, vector: Any, axes: tuple[str, ...], fields: list[str]
) -> Iterator[NDArray[Any]]:
    """Yield the rows of one scan, piece by piece; points marked invalid hold NaN."""
    flag = next((f for f in fields if f.endswith("InvalidState") and f[0] == axes[0][0]), None)
    room = max(1, min(PIECE_POINTS, int(vector.childCount())))
    columns = {name: np.empty(room, dtype=np.float64) for name in axes}
    if flag:
        columns[flag] = np.zeros(room, dtype=np.int8)
    buffers = e57.VectorSourceDestBuffer()
    for name, column in columns.items():
        buffers.append(e57.SourceDestBuffer(image, name, column, room, True, True))
    reader = vector.reader(buffers)
    try:
        while got := reader.read():
            rows = np.column_stack([columns[name][:got] for name in axes])
            if axes == _ROUND:
                rows = _from_round(rows)
            if flag:
                rows[columns[flag][:got] != 0] = np.nan
            yield rows
    finally:
        reader.close()


def _from_round(rows: NDArray[Any]) -> NDArray[Any]:
    """Return points from range, azimuth and elevation (ASTM E2807, section 8.4.4)."""
    distance, azimuth, elevation = rows.T
    flat = distance * np.cos(elevation)
    return np.column_stack(
        [flat * np.cos(azimuth), flat * np.sin(azimuth), distance * np.sin(elevation)]
    )


def _pose(entry: Any) -> tuple[NDArray[Any], NDArray[Any]]:
    """Return rotation and shift of a scan into the common frame."""
    turn, shift = np.eye(3), np.zeros(3)
    if not entry.isDefined("pose"):
        return turn, shift
    pose = entry["pose"]
    if pose.isDefined("translation"):
        shift = np.array([pose["translation"][axis].value() for axis in "xyz"], dtype=float)
    if pose.isDefined("rotation"):
        q = np.array([pose["rotation"][part].value() for part in "wxyz"], dtype=float)
        norm = float(np.linalg.norm(q))
        if not 0.5 < norm < 2.0:
            raise _RefusedError("broken", "The turn of a scan is not a rotation; export it again.")
        w, x, y, z = q / norm
        turn = np.array(
            [
                [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
                [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
                [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
            ]
        )
    return turn, shift
