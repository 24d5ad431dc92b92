"""NumPy files: a height map with steps, or points; one array or several under names."""

from __future__ import annotations

import zipfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.lib import format as npy

from evenfall.errors import BrokenFileError, UnsupportedError
from evenfall.scans.formats.scan import (
    MOST_POINTS,
    Options,
    Progress,
    Scan,
    claims_more,
    cloud,
    file_size,
    no_points,
    not_used,
    reading,
    silent,
    too_many,
    unit_named,
)
from evenfall.scans.formats.sidecar import steps_for
from evenfall.scans.surface import HeightMap

if TYPE_CHECKING:
    from numpy.typing import NDArray

_HEIGHT_NAMES = ("z", "heights", "height")
_POINT_NAMES = ("points", "xyz")
UNEVEN_SHARE = 1e-3
"""Steps of a grid that differ by more than this share of themselves are uneven."""

LEAST_CELLS = 2
"""A height map has at least so many rows and columns."""

DEFLATE_RATIO = 1032
"""No zip member unpacks to more than this many times its packed size (zlib's own limit)."""


def read_npy(path: Path, options: Options, progress: Progress = silent) -> Scan:
    """Return the scan in a NumPy array file."""
    progress(f"reading {path.name}", 0.0)
    with reading(path.name, "NumPy file"), path.open("rb") as stream:
        array = _array(stream, file_size(path), path.name)
        bare = Scan(path.name, "NumPy array", "the file starts with \\x93NUMPY", array)
        return _scan(bare, array, path, options)


def read_npz(path: Path, options: Options, progress: Progress = silent) -> Scan:
    """Return the scan in a NumPy archive: x, y and z, or heights with steps."""
    why = "a zip archive of NumPy arrays"
    with reading(path.name, "NumPy archive"), zipfile.ZipFile(path) as archive:
        entries = {e.filename.removesuffix(".npy").lower(): e for e in archive.infolist()}
        wanted = (*_HEIGHT_NAMES, *_POINT_NAMES, "x", "y", "x_step", "y_step", "unit")
        arrays: dict[str, NDArray[Any]] = {}
        for at, name in enumerate(name for name in wanted if name in entries):
            entry = entries[name]
            progress(f"reading {path.name}", at / len(entries))
            if entry.flag_bits & 1:
                raise UnsupportedError("The archive is locked with a password; save it without.")
            if entry.file_size > DEFLATE_RATIO * (entry.compress_size + 64):
                raise claims_more(path.name, f"{entry.file_size:,} bytes of {name}", "far less")
            with archive.open(entry) as stream:
                arrays[name] = _array(stream, entry.file_size, path.name)
        unused = sorted(set(entries) - set(arrays))
        bare = Scan(path.name, "NumPy archive", why, np.empty((0, 3)), left_out=not_used(unused))
        if unit := _unit(arrays):
            bare = replace(bare, unit=unit, unit_from="the file")
        for name in _POINT_NAMES:
            if name in arrays:
                return _scan(bare, arrays[name], path, options)
        for name in _HEIGHT_NAMES:
            if name in arrays:
                return _named_arrays(bare, arrays[name], arrays, path, options)
    raise UnsupportedError(
        "The archive holds neither points nor z; save x, y and z, or z with x_step and y_step.",
        where=path.name,
    )


def _unit(arrays: dict[str, NDArray[Any]]) -> str | None:
    given = arrays.get("unit")
    if given is None or given.dtype.kind not in "US" or given.size != 1:
        return None
    word = given.reshape(-1)[0]
    named = unit_named(word.decode("latin-1") if isinstance(word, bytes) else str(word))
    return named[0] if named and named[1] == 1.0 else None


def _named_arrays(
    bare: Scan, z: NDArray[Any], arrays: dict[str, NDArray[Any]], path: Path, options: Options
) -> Scan:
    """Return the scan in arrays x, y and z."""
    x, y = arrays.get("x"), arrays.get("y")
    if x is not None and y is not None and x.shape == z.shape == y.shape:
        points = np.empty((z.size, 3), dtype=np.result_type(x, y, z, np.float32))
        for at, part in enumerate((x, y, z)):
            points[:, at] = part.reshape(-1)
        return cloud(bare, _numbers(points, bare.file))
    if z.ndim != 2:
        raise UnsupportedError(
            f"The array z has {z.ndim} dimensions, and x and y do not go with it; heights have "
            "rows and columns, points have x, y and z of one length."
        )
    unit, unit_from = bare.unit, bare.unit_from
    if "x_step" in arrays and "y_step" in arrays:
        steps = tuple(float(arrays[n].reshape(-1)[0]) for n in ("x_step", "y_step"))
    elif x is not None and y is not None and (y.size, x.size) == z.shape:
        steps = (_even_step(x, "x"), _even_step(y, "y"))
    else:
        known = steps_for(path, options)
        steps = (known.x_step, known.y_step)
        unit, unit_from = (unit, unit_from) if unit else (known.unit, known.unit_from)
    if not all(np.isfinite(s) and s != 0.0 for s in steps):
        raise UnsupportedError("A step of the height map is no length; save x_step and y_step.")
    content = HeightMap(as_heights(z, missing=None, scale=1.0, name=bare.file), *steps)
    return replace(bare, content=content, unit=unit, unit_from=unit_from)


def _even_step(places: NDArray[Any], axis: str) -> float:
    """Return the step of evenly spaced places."""
    flat = places.reshape(-1).astype(float)
    if len(flat) < 2:
        raise UnsupportedError(f"One single {axis} makes no height map.")
    steps = np.diff(flat)
    middle = float(np.median(steps))
    # rounding of the places themselves is no unevenness
    grain = 4.0 * float(np.spacing(np.abs(places).max()))
    if not np.all(np.abs(steps - middle) <= UNEVEN_SHARE * abs(middle) + grain):
        raise UnsupportedError(
            f"The places {axis} are not evenly spaced; save the scan as points instead."
        )
    return float(flat[-1] - flat[0]) / (len(flat) - 1)


def _scan(bare: Scan, array: NDArray[Any], path: Path, options: Options) -> Scan:
    """Return the scan in one array, points or heights."""
    if array.dtype.names:
        names = {name.lower(): name for name in array.dtype.names}
        if not {"x", "y", "z"} <= names.keys():
            fields = ", ".join(array.dtype.names)[:80]
            raise UnsupportedError(f"The array has the fields {fields}; points need x, y and z.")
        flat = array.reshape(-1)
        points = np.stack([flat[names[a]] for a in "xyz"], axis=1)
        unused = sorted(name for low, name in names.items() if low not in ("x", "y", "z"))
        return cloud(bare, _numbers(points, bare.file), left_out=not_used(unused))
    if array.ndim == 2 and array.shape[1] == 3:
        return cloud(bare, _numbers(array, bare.file))
    if array.ndim != 2:
        raise UnsupportedError(
            f"The array has the shape {array.shape}; a height map has rows and columns, points "
            "have rows of x, y, z."
        )
    if not array.size:
        raise no_points(bare.file)
    known = steps_for(path, options)
    heights = as_heights(array, missing=known.missing, scale=known.z_scale or 1.0, name=bare.file)
    left = (f"Steps from {known.file}.",) if known.file else ()
    unit, unit_from = bare.unit or known.unit, bare.unit_from if bare.unit else known.unit_from
    return replace(
        bare,
        content=HeightMap(heights, known.x_step, known.y_step),
        unit=unit,
        unit_from=unit_from,
        left_out=(*bare.left_out, *left),
    )


def _numbers(points: NDArray[Any], name: str) -> NDArray[Any]:
    """Return points as floating-point numbers."""
    if points.dtype.kind not in "fiu":
        raise UnsupportedError(f"The array holds {points.dtype}, not numbers.", where=name)
    if points.dtype.kind == "f" and points.dtype.itemsize in (4, 8) and points.flags.writeable:
        return np.ascontiguousarray(points)
    return np.ascontiguousarray(points, dtype=np.float64)


def as_heights(array: NDArray[Any], *, missing: Any, scale: Any, name: str) -> NDArray[Any]:
    """Return counts as heights, NaN where there is no reading."""
    if array.dtype.kind not in "fiu":
        raise UnsupportedError(f"The array holds {array.dtype}, not numbers.", where=name)
    if not array.size:
        raise no_points(name)
    if min(array.shape) < LEAST_CELLS:
        raise UnsupportedError(
            f"A height map of {array.shape[1]} x {array.shape[0]} cells is a line, no board.",
            where=name,
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
        raise UnsupportedError("Every cell of the height map is without a reading.", where=name)
    return heights


def _array(stream: Any, size: int, name: str) -> NDArray[Any]:
    """Return one array of an NPY stream whose length is known, its header checked against it."""
    try:
        major, _ = npy.read_magic(stream)
        read_header = npy.read_array_header_1_0 if major == 1 else npy.read_array_header_2_0
        shape, fortran, dtype = read_header(stream)
    except ValueError as error:
        raise BrokenFileError(
            f"The array's header cannot be read ({str(error)[:90].rstrip('.')}); save it anew.",
            where=name,
        ) from None
    if dtype.hasobject:
        raise UnsupportedError(
            "The array holds Python objects, which are not read because they can run code; save "
            "plain numbers.",
            where=name,
        )
    count = 1
    for length in shape:
        count *= int(length)
    if count < 0 or min(shape, default=0) < 0:
        raise BrokenFileError("The header of the array gives a negative size.", where=name)
    have = size - stream.tell()
    if count * dtype.itemsize > have:
        raise claims_more(
            name, f"{count:,} numbers ({count * dtype.itemsize:,} bytes)", f"{have:,} bytes"
        )
    if count > 4 * MOST_POINTS:
        raise too_many(count, name)
    data = bytearray(count * dtype.itemsize)
    view = memoryview(data)
    at = 0
    while at < len(data):
        got = stream.readinto(view[at : at + (1 << 24)])
        if not got:
            raise claims_more(name, f"{len(data):,} bytes", f"{at:,}")
        at += got
    array = np.frombuffer(data, dtype=dtype, count=count)
    if not dtype.isnative:
        array = array.astype(dtype.newbyteorder("="))
    return array.reshape(shape, order="F" if fortran else "C")
