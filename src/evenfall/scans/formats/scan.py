"""What every reader of scans hands back, and what all of them share."""

from __future__ import annotations

import importlib
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.errors import (
    BrokenFileError,
    EvenfallError,
    Finding,
    RequestError,
    UnsupportedError,
)
from evenfall.scans.surface import HeightMap, Mesh

if TYPE_CHECKING:
    from numpy.typing import NDArray

Progress = Callable[[str, float], None]
"""Told what is being done and which share of it is done, 0 to 1."""

MOST_POINTS = 200_000_000
"""More points than this no one board needs: 480 mm x 60 mm at 0.012 mm steps."""

PIECE_POINTS = 1 << 18
"""Points read at a time."""

UNIT_NAMES: dict[str, tuple[str, ...]] = {
    "mm": ("mm", "millimetre", "millimeter", "millimetres", "millimeters"),
    "um": ("um", "µm", "μm", "micron", "microns", "micrometre", "micrometer", "micrometers"),
    "cm": ("cm", "centimetre", "centimeter"),
    "m": ("m", "metre", "meter", "metres", "meters"),
    "in": ("in", "inch", "inches", '"'),
}
"""Units that a scan may be in, and how files write them."""

OTHER_UNITS_MM: dict[str, float] = {"nm": 1e-6, "thou": 0.0254, "mil": 0.0254}
"""Units [mm] that are read too, but turned into mm at once."""


@dataclass(frozen=True, slots=True)
class Options:
    """What the caller knows about files that do not say it themselves.

    Parameters
    ----------
    unit
        Unit of the coordinates: mm, um, cm, m or in; None to go by the file.
    step
        Distance between the columns and between the rows of a bare height map, in that unit.
    """

    unit: str | None = None
    step: tuple[Any, Any] | None = None

    def __post_init__(self) -> None:
        if self.unit is not None and self.unit not in UNIT_NAMES:
            raise RequestError(
                f"The unit {self.unit!r} is not known; use one of {', '.join(UNIT_NAMES)}.",
                where="--length-unit",
            )
        if self.step is not None and not all(np.isfinite(s) and s > 0.0 for s in self.step):
            raise RequestError("A step must be longer than nothing.", where="--step")


@dataclass(frozen=True, slots=True)
class Scan:
    """A scan as a file holds it.

    Parameters
    ----------
    file
        Name of the file.
    format
        What it is, in words.
    because
        What it was recognised by.
    content
        Points as rows x, y, z, shape (N, 3); or a `HeightMap`; or a `Mesh`.
    unit
        Unit of the coordinates; None if nothing says it.
    unit_from
        What says it: "the option", "the file", "the standard", "the sidecar"; empty if nothing.
    left_out
        What the file holds and could not be used, a sentence each.
    findings
        What is odd about it.
    """

    file: str
    format: str
    because: str
    content: NDArray[Any] | HeightMap | Mesh
    unit: str | None = None
    unit_from: str = ""
    left_out: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()

    @property
    def point_count(self) -> int:
        """Number of points, of cells or of triangles."""
        if isinstance(self.content, HeightMap):
            return int(self.content.heights.size)
        if isinstance(self.content, Mesh):
            return len(self.content.triangles)
        return len(self.content)

    @property
    def facet_share(self) -> float | None:
        """Longest edge of the usual triangle over the scan's length; None for measured points."""
        if not isinstance(self.content, Mesh):
            return None
        return usual_edge(self.content.triangles)

    def summary(self) -> str:
        """Return one sentence: what was recognised, by what, how much it holds, in which unit."""
        if isinstance(self.content, HeightMap):
            rows, columns = self.content.heights.shape
            missing = int(np.count_nonzero(~np.isfinite(self.content.heights)))
            holds = (
                f"a height map of {columns} x {rows} cells, {self.content.column_step:g} x "
                f"{self.content.row_step:g} {self.unit or 'units'} apart"
            )
            if missing:
                holds += f", {missing / max(1, rows * columns):.1%} of them missing"
        elif isinstance(self.content, Mesh):
            holds = f"{len(self.content.triangles):,} triangles"
            if (share := self.facet_share) is not None:
                holds += f" of {100.0 * share:.2g} % of its length (median by area)"
        else:
            holds = f"{len(self.content):,} points"
        unit = f"in {self.unit}, as {self.unit_from} says" if self.unit else "in a unit not stated"
        return f"{self.file}: {self.format} ({self.because}); {holds}, {unit}."


@np.errstate(all="ignore")  # absurd coordinates are told from sound ones elsewhere
def usual_edge(triangles: NDArray[Any]) -> float:
    """Return the area-weighted median of longest edges, as a share of the mesh's length."""
    chosen = triangles[:: max(1, len(triangles) // 20_000)].astype(float)
    chosen = chosen[np.isfinite(chosen).all(axis=(1, 2))]
    if not len(chosen):
        return 0.0
    edges = np.roll(chosen, -1, axis=1) - chosen
    longest = np.linalg.norm(edges, axis=2).max(axis=1)
    area = np.linalg.norm(np.cross(edges[:, 0], edges[:, 1]), axis=1)
    order = np.argsort(longest)
    total = np.cumsum(area[order])
    if not total[-1] > 0.0:
        return 0.0
    length = float(np.ptp(chosen.reshape(-1, 3), axis=0).max())
    at = min(int(np.searchsorted(total, 0.5 * total[-1])), len(order) - 1)
    return float(longest[order[at]]) / max(length, 1e-300)


class GrowingPoints:
    """Rows x, y, z that grow as they arrive, so that no header's promise is ever paid in advance.

    Parameters
    ----------
    expected_count
        How many are expected; only a guess.
    dtype
        Type of the numbers.
    """

    def __init__(self, expected_count: int, dtype: Any = np.float64) -> None:
        self._rows = np.empty((max(1, min(expected_count, PIECE_POINTS)), 3), dtype=dtype)
        self._expected = expected_count
        self.count = 0

    def reserve(self, more_count: int) -> NDArray[Any]:
        """Return room for more rows, shape (more, 3), to be filled and then kept with `keep`."""
        need = self.count + more_count
        if need > MOST_POINTS:
            raise too_many(need)
        have = len(self._rows)
        if need > have:
            wanted = max(need, min(self._expected, 8 * have), int(1.3 * have))
            self._rows.resize((wanted, 3), refcheck=False)
        return self._rows[self.count : need]

    def keep(self, more_count: int) -> None:
        """Count rows that were filled."""
        self.count += more_count

    def add(self, rows: NDArray[Any]) -> None:
        """Add rows."""
        self.reserve(len(rows))[:] = rows
        self.keep(len(rows))

    @property
    def so_far(self) -> NDArray[Any]:
        """Rows there are, shape (count, 3); adding more may move them."""
        return self._rows[: self.count]

    def done(self) -> NDArray[Any]:
        """Return all rows, shape (N, 3); nothing may be added afterwards."""
        rows = self._rows
        rows.resize((self.count, 3), refcheck=False)
        return rows


def finite_rows(points: NDArray[Any]) -> tuple[NDArray[Any], int]:
    """Return the rows without NaN or infinity, and how many had one; works in place by pieces."""
    kept = 0
    for start in range(0, len(points), PIECE_POINTS):
        piece = points[start : start + PIECE_POINTS]
        if kept == start and np.isfinite(piece.sum()):  # one wild number would spoil the sum
            kept += len(piece)
            continue
        sound = np.isfinite(piece).all(axis=1)
        many = int(np.count_nonzero(sound))
        if kept != start or many != len(piece):
            points[kept : kept + many] = piece[sound]
        kept += many
    return points[:kept], len(points) - kept


def cloud(scan: Scan, points: NDArray[Any], *, left_out: tuple[str, ...] = ()) -> Scan:
    """Return the scan with points as its content, incomplete rows left out and counted."""
    if not len(points):
        raise no_points(scan.file)
    rows, incomplete = finite_rows(points)
    if not len(rows):
        raise UnsupportedError(
            f"All {incomplete} points are without a height; there is nothing to measure.",
            where=scan.file,
        )
    if incomplete:
        share = incomplete / (incomplete + len(rows))
        rows_word = "rows lack" if incomplete > 1 else "row lacks"
        left_out += (f"{incomplete:,} {rows_word} a number ({share:.1%}).",)
    findings = scan.findings + _coarse_numbers(rows)
    return replace(scan, content=rows, left_out=scan.left_out + left_out, findings=findings)


def _coarse_numbers(points: NDArray[Any]) -> tuple[Finding, ...]:
    """Return a finding if single precision, far from zero, rounds the coordinates visibly."""
    if points.dtype.itemsize > 4:
        return ()
    few = points[:: max(1, len(points) // 100_000)]
    extent = float(np.max(np.ptp(few.astype(float), axis=0)))
    grain = float(np.spacing(np.abs(few).max(axis=0)).max())
    # a crown's height is to be known to a millionth of a board's length
    if not extent > 0.0 or grain < 1e-6 * extent:
        return ()
    return (
        Finding(
            "scan",
            "The coordinates are stored in single precision far from zero, so that they are "
            f"rounded to {grain / extent:.1e} of the scan's length; move the scan to zero before "
            "it is saved, or save it in double precision.",
            "scan",
        ),
    )


def not_used(names: Sequence[str]) -> tuple[str, ...]:
    """Return the sentence about columns or fields that nothing reads; none if there are none."""
    if not names:
        return ()
    shown = ["".join(c if c.isprintable() else "?" for c in name)[:30] for name in names[:8]]
    return (f"Not used: {', '.join(shown)}{' …' if len(names) > 8 else ''}.",)


def no_points(file: str) -> UnsupportedError:
    """Return the error for a sound file that holds nothing."""
    return UnsupportedError("The file is sound but holds no points; export the scan again.",
                            where=file)  # fmt: skip


def too_many(count: int, file: str = "") -> UnsupportedError:
    """Return the error for more points than are read."""
    return UnsupportedError(
        f"The file holds {count:,} points or more, and at most {MOST_POINTS:,} are read; thin the "
        "scan out or cut away what is not fretboard.",
        where=file,
    )


def claims_more(file: str, claimed: str, room: str) -> BrokenFileError:
    """Return the error for a header that promises more than the file can hold."""
    return BrokenFileError(
        f"The header promises {claimed}, but the file has {room}; it was cut short or damaged, so "
        "export or copy it again.",
        where=file,
    )


@contextmanager
def reading(file: str, what: str) -> Iterator[None]:
    """Turn whatever a library raises over a damaged file into one sentence."""
    try:
        # damaged numbers make libraries warn and sums overflow; what matters is checked in the end
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")
            yield
    except EvenfallError as error:
        if not error.where:
            error.where = file
        raise
    except MemoryError:
        raise UnsupportedError(
            "There is not enough memory for this file; thin the scan out.", where=file
        ) from None
    except Exception as error:  # noqa: BLE001, RUF100 (libraries raise anything over hostile bytes)
        cause = " ".join(str(error).strip().split("\n")[0].split())[:150].rstrip(".")
        raise BrokenFileError(
            f"The {what} is damaged ({cause or type(error).__name__}); export or copy it again.",
            where=file,
        ) from None


def library(name: str, what: str) -> Any:
    """Return an optional library."""
    try:
        return importlib.import_module(name)
    except ImportError:
        package = name.partition(".")[0]
        raise UnsupportedError(
            f"Reading {what} needs the library {package}; install the extra for scans: "
            'pip install "evenfall[scans]".'
        ) from None


def unit_named(text: str) -> tuple[str, float] | None:
    """Return the unit that a word names and what to multiply by to be in it; None if it is none."""
    word = text.strip().strip("[](){}<>.,:;").strip().lower()
    for unit, names in UNIT_NAMES.items():
        if word in names:
            return unit, 1.0
    if word in OTHER_UNITS_MM:
        return "mm", OTHER_UNITS_MM[word]
    return None


def file_size(path: Path) -> int:
    """Return the size of a file in bytes."""
    return path.stat().st_size


def silent(what: str, share: float) -> None:
    """Take no notice of progress."""
    del what, share
