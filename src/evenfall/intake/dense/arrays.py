"""NumPy files: a height map with steps, or points; one array or several under names."""

from __future__ import annotations

import zipfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.lib import format as npy

from evenfall.crowns.surface import HeightMap
from evenfall.errors import BrokenFileError, UnsupportedError
from evenfall.intake.dense.scan import (
    MOST_POINTS,
    Options,
    Progress,
    Scan,
    claims_more,
    cloud,
    file_size,
    no_points,
    reading,
    silent,
    too_many,
    unit_named,
)
from evenfall.intake.dense.sidecar import steps_for

if TYPE_CHECKING:
    from numpy.typing import NDArray

_HEIGHT_NAMES = ("z", "heights", "height")
_POINT_NAMES = ("points", "xyz")
UNEVEN_SHARE = 1e-3
"""Steps of a grid that differ by more than this share of themselves are uneven."""

DEFLATE_RATIO = 1032
"""No zip member unpacks to more than this many times its packed size (zlib's own limit)."""


def read_npy(path: Path, options: Options, progress: Progress = silent) -> Scan:
    """Return the scan in a NumPy array file.

    Parameters
    ----------
    path
        The file: heights as rows and columns, or points as rows x, y, z.
    options
        What the caller knows about it; the steps may also stand in a sidecar.
    progress
        Told how far reading is.

    Raises
    ------
    BrokenFileError
        The file is damaged or shorter than its header says.
    UnsupportedError
        It holds something else than heights or points, or nothing says its steps.
    """
    progress(f"reading {path.name}", 0.0)
    with reading(path.name, "NumPy file"), path.open("rb") as stream:
        array = _array(stream, file_size(path), path.name)
    return _scan(path, array, options, "NumPy array", "the file starts with \\x93NUMPY")


def read_npz(path: Path, options: Options, progress: Progress = silent) -> Scan:
    """Return the scan in a NumPy archive: x, y and z, or heights with steps.

    Parameters
    ----------
    path
        The file. Points: arrays x, y and z of one length, or `points`. A height map: z with rows
        and columns, with x_step and y_step, or with x and y along columns and rows; `unit` if
        it is there.
    options
        What the caller knows about it.
    progress
        Told how far reading is.

    Raises
    ------
    BrokenFileError, UnsupportedError
        As `read_npy`.
    """
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
        unused = tuple(sorted(set(entries) - set(arrays)))
    left = (f"Not used: {', '.join(unused[:8])}.",) if unused else ()
    for name in _POINT_NAMES:
        if name in arrays:
            return _scan(path, arrays[name], _with_unit(options, arrays), "NumPy archive", why,
                         left_out=left, from_file="unit" in arrays)  # fmt: skip
    height = next((arrays[name] for name in _HEIGHT_NAMES if name in arrays), None)
    if height is None:
        raise UnsupportedError(
            "The archive holds neither points nor z; save x, y and z, or z with x_step and y_step.",
            where=path.name,
        )
    unit = _unit(arrays)
    scan = Scan(path.name, "NumPy archive", why, height, unit, "the file" if unit else "", left)
    return _named_arrays(path, height, arrays, options, scan)


def _with_unit(options: Options, arrays: dict[str, NDArray[Any]]) -> Options:
    unit = _unit(arrays)
    return Options(unit or options.unit, options.step)


def _unit(arrays: dict[str, NDArray[Any]]) -> str | None:
    if "unit" not in arrays:
        return None
    named = unit_named(str(arrays["unit"].reshape(-1)[0]) if arrays["unit"].size else "")
    return named[0] if named and named[1] == 1.0 else None


def _named_arrays(
    path: Path, z: NDArray[Any], arrays: dict[str, NDArray[Any]], options: Options, scan: Scan
) -> Scan:
    """Return the scan in arrays x, y and z."""
    unit = scan.unit
    x, y = arrays.get("x"), arrays.get("y")
    with reading(path.name, "NumPy archive"):
        if x is not None and y is not None and x.shape == z.shape == y.shape:
            points = np.empty((z.size, 3), dtype=np.result_type(x, y, z, np.float32))
            for at, part in enumerate((x, y, z)):
                points[:, at] = part.reshape(-1)
            return cloud(scan, points)
        if z.ndim != 2:
            raise UnsupportedError(
                f"The array z has {z.ndim} dimensions, and x and y do not go with it; heights have "
                "rows and columns, points have x, y and z of one length.",
            )
        if "x_step" in arrays and "y_step" in arrays:
            steps = tuple(float(arrays[n].reshape(-1)[0]) for n in ("x_step", "y_step"))
        elif x is not None and y is not None and (y.size, x.size) == z.shape:
            steps = (_even_step(x, "x"), _even_step(y, "y"))
        else:
            known = steps_for(path, options)
            steps = (known.x_step, known.y_step)
            unit = unit or known.unit
        if not all(np.isfinite(s) and s != 0.0 for s in steps):
            raise UnsupportedError("A step of the height map is no length; save x_step and y_step.")
        content = HeightMap(_heights(z, None, 1.0, path.name), *steps)
    return replace(scan, content=content, unit=unit)


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


def _scan(
    path: Path,
    array: NDArray[Any],
    options: Options,
    kind: str,
    why: str,
    *,
    left_out: tuple[str, ...] = (),
    from_file: bool = False,
) -> Scan:
    """Return the scan in one array, points or heights."""
    bare = Scan(
        path.name, kind, why, array, options.unit if from_file else None,
        "the file" if from_file and options.unit else "", left_out,
    )  # fmt: skip
    if array.dtype.names:
        names = {name.lower(): name for name in array.dtype.names}
        if not {"x", "y", "z"} <= names.keys():
            raise UnsupportedError(
                f"The array has the fields {', '.join(array.dtype.names)[:80]}; points need x, y "
                "and z.",
                where=path.name,
            )
        flat = array.reshape(-1)
        points = np.stack([flat[names[a]] for a in "xyz"], axis=1)
        unused = sorted(name for low, name in names.items() if low not in ("x", "y", "z"))
        left = (f"Not used: {', '.join(unused)}.",) if unused else ()
        return cloud(bare, _numbers(points, path.name), left_out=left)
    if array.ndim == 2 and array.shape[1] == 3:
        return cloud(bare, _numbers(array, path.name))
    if array.ndim != 2:
        raise UnsupportedError(
            f"The array has the shape {array.shape}; a height map has rows and columns, points "
            "have rows of x, y, z.",
            where=path.name,
        )
    if not array.size:
        raise no_points(path.name)
    known = steps_for(path, options)
    with reading(path.name, kind):
        heights = _heights(array, known.missing, known.z_scale or 1.0, path.name)
    left = (*left_out, *((f"Steps from {known.file}.",) if known.file else ()))
    return Scan(
        path.name, kind, why, HeightMap(heights, known.x_step, known.y_step), known.unit,
        known.unit_from, left,
    )  # fmt: skip


def _numbers(points: NDArray[Any], name: str) -> NDArray[Any]:
    """Return points as floating-point numbers."""
    if points.dtype.kind not in "fiu":
        raise UnsupportedError(f"The array holds {points.dtype}, not numbers.", where=name)
    if points.dtype.kind == "f" and points.dtype.itemsize in (4, 8) and points.flags.writeable:
        return np.ascontiguousarray(points)
    return np.ascontiguousarray(points, dtype=np.float64)


def _heights(array: NDArray[Any], missing: Any, scale: Any, name: str) -> NDArray[Any]:
    """Return heights as floating-point numbers, NaN where there is no reading."""
    if array.dtype.kind not in "fiu":
        raise UnsupportedError(f"The array holds {array.dtype}, not numbers.", where=name)
    if not array.size:
        raise no_points(name)
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


def as_heights(array: NDArray[Any], *, missing: Any, scale: Any, name: str) -> NDArray[Any]:
    """Return counts as heights, NaN where there is no reading.

    Parameters
    ----------
    array
        Counts, shape (rows, columns).
    missing
        Value that stands for no reading; None for none.
    scale
        Height of one count.
    name
        Name of the file.

    Raises
    ------
    UnsupportedError
        They are no numbers, or none is there.
    """
    return _heights(array, missing, scale, name)


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
