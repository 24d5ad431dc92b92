"""NumPy files: a height map with steps, or points; one array or several under names."""

from __future__ import annotations

import tokenize
import zipfile
import zlib
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.lib import format as npy

from evenfall.errors import BrokenFileError, UnsupportedError
from evenfall.scans.formats.scan import (
    MOST_POINTS,
    Scan,
    ScanFile,
    check_swelling,
    claims_more,
    cloud,
    damage,
    no_points,
    not_used,
    too_many,
    unit_named,
)
from evenfall.scans.formats.sidecar import Sidecar, steps_for
from evenfall.scans.surface import HeightMap

if TYPE_CHECKING:
    from numpy.typing import NDArray

UNPACKING = (
    *(zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError),
    UnicodeDecodeError,  # the name of a part
)
"""What the zip library raises over a damaged archive or a packing that it does not know."""

UNREADABLE_HEADER = (ValueError, SyntaxError, TypeError, tokenize.TokenError)
"""What NumPy raises over the header of a damaged array, which it reads as Python's own words."""

_HEIGHT_NAMES = ("z", "heights", "height")
_POINT_NAMES = ("points", "xyz")
UNEVEN_SHARE = 1e-3
"""Steps of a grid that differ by more than this share of themselves are uneven."""

LEAST_CELLS = 2
"""A height map has at least so many rows and columns."""

DEFLATE_RATIO = 1032
"""No zip member unpacks to more than this many times its packed size (zlib's own limit)."""


def read_npy(file: ScanFile) -> Scan:
    """Return the scan in a NumPy array file: heights as rows and columns, or points as rows."""
    with file.path.open("rb") as stream:
        return _scan(file, file.scan, _array(file, stream, file.size))


def read_npz(file: ScanFile) -> Scan:
    """Return the scan in a NumPy archive: x, y and z, or heights with steps.

    Points: arrays x, y and z of one length, or `points`. A height map: z with rows and columns,
    with x_step and y_step, or with x and y along columns and rows; `unit` if it is there.
    """
    with damage(zipfile.BadZipFile), zipfile.ZipFile(file.path) as archive:
        entries = {e.filename.removesuffix(".npy").lower(): e for e in archive.infolist()}
        wanted = (*_HEIGHT_NAMES, *_POINT_NAMES, "x", "y", "x_step", "y_step", "unit")
        arrays: dict[str, NDArray[Any]] = {}
        for name in (name for name in wanted if name in entries):
            entry = entries[name]
            if entry.flag_bits & 1:
                raise UnsupportedError("The archive is locked with a password; save it without.")
            check_packing(entry)
            with damage(*UNPACKING), archive.open(entry) as stream:
                arrays[name] = _array(file, stream, entry.file_size)
        unused = not_used(sorted(set(entries) - set(arrays)))
        bare = replace(file.scan, left_out=unused).in_unit(_unit(arrays), "file")
    for name in _POINT_NAMES:
        if name in arrays:
            return _scan(file, bare, arrays[name])
    for name in _HEIGHT_NAMES:
        if name in arrays:
            return _named_arrays(file, bare, arrays[name], arrays)
    raise UnsupportedError(
        "The archive holds neither points nor z; save x, y and z, or z with x_step and y_step."
    )


def check_packing(entry: zipfile.ZipInfo) -> None:
    """Refuse a member of an archive that claims to unpack to more than packing or scans do."""
    most = DEFLATE_RATIO * (entry.compress_size + 64)
    if entry.file_size > most:
        raise claims_more(entry.file_size, "bytes in one part", most)
    check_swelling(entry.compress_size, entry.file_size)


def _unit(arrays: dict[str, NDArray[Any]]) -> str | None:
    given = arrays.get("unit")
    if given is None or given.dtype.kind not in "US" or given.size != 1:
        return None
    code = "latin-1"
    if given.dtype.kind == "U":  # decoded here: NumPy makes letters even of numbers that are none
        given, code = given.astype(given.dtype.newbyteorder("<")), "utf-32-le"
    named = unit_named(given.tobytes().decode(code, "replace").rstrip("\0"))
    return named[0] if named and named[1] == 1.0 else None


def _named_arrays(
    file: ScanFile, bare: Scan, z: NDArray[Any], arrays: dict[str, NDArray[Any]]
) -> Scan:
    """Return the scan in arrays x, y and z."""
    x, y = arrays.get("x"), arrays.get("y")
    if x is not None and y is not None and x.shape == z.shape == y.shape:
        points = np.empty((z.size, 3), dtype=np.result_type(x, y, z, np.float32))
        for at, part in enumerate((x, y, z)):
            points[:, at] = part.reshape(-1)
        return cloud(bare, _numbers(points))
    if z.ndim != 2:
        raise UnsupportedError(
            "The array z has {count:count dimension}, and x and y do not go with it; heights have "
            "rows and columns, points have x, y and z of one length.",
            count=z.ndim,
        )
    if "x_step" in arrays and "y_step" in arrays:
        steps = tuple(float(arrays[n].reshape(-1)[0]) for n in ("x_step", "y_step"))
    elif x is not None and y is not None and (y.size, x.size) == z.shape:
        steps = (_even_step(x, "x"), _even_step(y, "y"))
    else:
        known = steps_for(file)
        steps = (known.x_step, known.y_step)
        bare = bare if bare.unit else bare.in_unit(known.unit, known.unit_from)
    if not all(np.isfinite(s) and s != 0.0 for s in steps):
        raise UnsupportedError("A step of the height map is not a length; save x_step and y_step.")
    return replace(bare, content=HeightMap(as_heights(z, missing=None, scale=1.0), *steps))


def _even_step(places: NDArray[Any], axis: str) -> float:
    """Return the step of evenly spaced places."""
    flat = places.reshape(-1).astype(float)
    if len(flat) < 2:
        raise UnsupportedError("One single {axis} makes no height map.", axis=axis)
    steps = np.diff(flat)
    middle = float(np.median(steps))
    # rounding of the places themselves is no unevenness
    grain = 4.0 * float(np.spacing(np.abs(places).max()))
    if not np.all(np.abs(steps - middle) <= UNEVEN_SHARE * abs(middle) + grain):
        raise UnsupportedError(
            "The places {axis} are not evenly spaced; save the scan as points instead.", axis=axis
        )
    return float(flat[-1] - flat[0]) / (len(flat) - 1)


def _scan(file: ScanFile, bare: Scan, array: NDArray[Any]) -> Scan:
    """Return the scan in one array, points or heights."""
    if array.dtype.names:
        names = {name.lower(): name for name in array.dtype.names}
        if not {"x", "y", "z"} <= names.keys():
            raise UnsupportedError(
                "The array has the fields {names:quoted}; points need x, y and z.",
                names=array.dtype.names[:8],
            )
        flat = array.reshape(-1)
        points = np.stack([flat[names[a]] for a in "xyz"], axis=1)
        unused = sorted(name for low, name in names.items() if low not in ("x", "y", "z"))
        return cloud(bare, _numbers(points), left_out=not_used(unused))
    if array.ndim == 2 and array.shape[1] == 3:
        return cloud(bare, _numbers(array))
    if array.ndim != 2:
        raise UnsupportedError(
            "The array has the shape {shape}; a height map has rows and columns, points have rows "
            "of x, y, z.",
            shape=str(array.shape),
        )
    if not array.size:
        raise no_points()
    return height_map(bare, array, steps_for(file))


def _numbers(points: NDArray[Any]) -> NDArray[Any]:
    """Return points as floating-point numbers."""
    if points.dtype.kind not in "fiu":
        raise _no_numbers(points)
    if points.dtype.kind == "f" and points.dtype.itemsize in (4, 8) and points.flags.writeable:
        return np.ascontiguousarray(points)
    return np.ascontiguousarray(points, dtype=np.float64)


def _no_numbers(array: NDArray[Any]) -> UnsupportedError:
    return UnsupportedError("The array holds {kind:quoted}, not numbers.", kind=str(array.dtype))


def as_heights(array: NDArray[Any], *, missing: Any, scale: Any) -> NDArray[Any]:
    """Return counts as heights, NaN where there is no reading."""
    if array.dtype.kind not in "fiu":
        raise _no_numbers(array)
    if not array.size:
        raise no_points()
    if min(array.shape) < LEAST_CELLS:
        raise UnsupportedError(
            "A height map of {columns} x {rows} cells is a line, no board.",
            columns=array.shape[1],
            rows=array.shape[0],
        )
    gaps = None if missing is None else array == missing
    small = array.dtype.itemsize <= 2 or (array.dtype.kind == "f" and array.dtype.itemsize <= 4)
    heights: NDArray[Any] = array.astype(np.float32 if small else np.float64, copy=False)
    if scale != 1.0:
        heights = (heights * scale).astype(heights.dtype)
    if gaps is not None and gaps.any():
        heights = heights.copy() if heights is array else heights
        heights[gaps] = np.nan
    wild = np.isinf(heights)
    if wild.any():
        heights = np.where(wild, np.nan, heights)
    if not np.isfinite(heights).any():
        raise UnsupportedError("Every cell of the height map is without a reading.")
    return heights


def height_map(bare: Scan, counts: NDArray[Any], known: Sidecar) -> Scan:
    """Return the scan whose counts a sidecar, or the caller, says the steps and the scale of."""
    heights = as_heights(counts, missing=known.missing, scale=known.z_scale or 1.0)
    scan = replace(
        bare,
        content=HeightMap(heights, known.x_step, known.y_step),
        left_out=(*bare.left_out, *known.left_out),
    )
    return scan if scan.unit else scan.in_unit(known.unit, known.unit_from)


def _array(file: ScanFile, stream: Any, size: int) -> NDArray[Any]:
    """Return one array of an NPY stream whose length is known, its header checked against it."""
    with damage(*UNREADABLE_HEADER):
        major, _ = npy.read_magic(stream)
        read_header = npy.read_array_header_1_0 if major == 1 else npy.read_array_header_2_0
        shape, fortran, dtype = read_header(stream)
    if dtype.hasobject:
        raise UnsupportedError(
            "The array holds Python objects, which are not read because they can run code; save "
            "plain numbers."
        )
    count = 1
    for length in shape:
        count *= int(length)
    if count < 0 or min(shape, default=0) < 0:
        raise BrokenFileError("The header of the array gives a negative size; save it again.")
    have = size - stream.tell()
    if count * dtype.itemsize > have:
        raise claims_more(count, "numbers", have // max(1, dtype.itemsize))
    if count > 3 * MOST_POINTS:
        raise too_many(count)
    if len(shape) > 2:
        raise UnsupportedError(
            "The array has {count} dimensions; heights have rows and columns, points have x, y and "
            "z of one length.",
            count=len(shape),
        )
    data = bytearray(count * dtype.itemsize)
    view = memoryview(data)
    at = 0
    while at < len(data):
        file.done(at / len(data))
        got = stream.readinto(view[at : at + (1 << 24)])
        if not got:
            raise claims_more(len(data), "bytes", at)
        at += got
    array = np.frombuffer(data, dtype=dtype, count=count)
    if not dtype.isnative:
        array = array.astype(dtype.newbyteorder("="))
    return array.reshape(shape, order="F" if fortran else "C")
