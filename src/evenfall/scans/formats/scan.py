"""What every reader of scans hands back, and what all of them share."""

from __future__ import annotations

import importlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.errors import (
    At,
    BrokenFileError,
    Finding,
    Progress,
    RequestError,
    UnsupportedError,
    silent,
)
from evenfall.scans.surface import HeightMap, Mesh
from evenfall.wording import Sentence, plain_line, sentence

if TYPE_CHECKING:
    from numpy.typing import NDArray

MOST_POINTS = 200_000_000
"""More points than this no one board needs: 480 mm x 60 mm at 0.012 mm steps."""

SWOLLEN_BYTES, SWOLLEN_RATIO = 64_000_000, 100.0
"""Measured heights pack to a half or a tenth; what packs to less than a hundredth is a trap."""

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
class ScanOptions:
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
                "The unit {given:quoted} is not known; use {known:or}.",
                at=At(field="unit"),
                given=self.unit,
                known=tuple(UNIT_NAMES),
            )
        if self.step is not None and not all(np.isfinite(s) and s > 0.0 for s in self.step):
            raise RequestError("A step must be greater than zero.", at=At(field="step"))


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
        What says it: "option", "file", "standard" or "sidecar"; empty if nothing.
    left_out
        What the file holds and could not be used.
    findings
        What is odd about it.
    """

    file: str
    format: str
    because: Sentence
    content: NDArray[Any] | HeightMap | Mesh
    unit: str | None = None
    unit_from: str = ""
    left_out: tuple[Sentence, ...] = ()
    findings: tuple[Finding, ...] = ()

    @property
    def point_count(self) -> int:
        """Number of points, of cells or of triangles."""
        if isinstance(self.content, HeightMap):
            return int(self.content.heights.size)
        if isinstance(self.content, Mesh):
            return len(self.content.triangles)
        return len(self.content)

    def in_unit(self, unit: str | None, said_by: str) -> Scan:
        """Return the scan in a unit that something says; as it is where nothing does."""
        return replace(self, unit=unit, unit_from=said_by) if unit else self

    def summary(self) -> Sentence:
        """Return what was recognised, by what, how much it holds, and in which unit."""
        return sentence(
            "{file}: {format} ({because}); {holds}, in {unit}, as the {unit_from} says."
            if self.unit
            else "{file}: {format} ({because}); {holds}, in a unit not stated.",
            file=self.file,
            format=self.format,
            because=self.because,
            holds=self._holds(),
            unit=self.unit,
            unit_from=self.unit_from,
        )

    def _holds(self) -> Sentence:
        if isinstance(self.content, HeightMap):
            rows, columns = self.content.heights.shape
            missing = int(np.count_nonzero(~np.isfinite(self.content.heights)))
            return sentence(
                "a height map of {columns} x {rows} cells, {across:g} x {down:g} {unit} apart, "
                "{missing:percent.1} of them missing"
                if missing
                else "a height map of {columns} x {rows} cells, {across:g} x {down:g} {unit} apart",
                columns=columns,
                rows=rows,
                across=float(self.content.column_step),
                down=float(self.content.row_step),
                unit=self.unit or "units",
                missing=100.0 * missing / max(1, rows * columns),
            )
        if isinstance(self.content, Mesh):
            return sentence(
                "{count:,} triangles of {edge:.2g} % of its length (median by area)",
                count=len(self.content.triangles),
                edge=100.0 * usual_edge(self.content.triangles),
            )
        return sentence("{count:,} points", count=len(self.content))


@dataclass(frozen=True, slots=True)
class ScanFile:
    """A file that is being read."""

    path: Path  # the file
    scan: Scan  # what is known of it before: its name, what it is, and what it was recognised by
    options: ScanOptions = field(default_factory=ScanOptions)  # what the caller knows about it
    progress: Progress = silent  # told how far reading is
    library: Any = None  # the optional library that the format needs; None if it needs none

    @property
    def size(self) -> int:
        """Size of the file in bytes."""
        return self.path.stat().st_size

    def done(self, share: float) -> None:
        """Tell which share of it is read."""
        self.progress(f"Reading {self.scan.file}", min(1.0, share))


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
    """Rows x, y, z that grow as they arrive, so that no header is ever believed in advance.

    How many are expected is only a guess.
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


def cloud(scan: Scan, points: NDArray[Any], *, left_out: tuple[Sentence, ...] = ()) -> Scan:
    """Return the scan with points as its content, incomplete rows left out and counted.

    Points are rows x, y, z, shape (N, 3); they are overwritten.
    """
    if not len(points):
        raise no_points()
    rows, incomplete = finite_rows(points)
    if not len(rows):
        raise UnsupportedError(
            "All {count:,} points are without a height; there is nothing to measure.",
            count=incomplete,
        )
    if incomplete:
        lacking = sentence(
            "{count:,} {count:plural row lacks|rows lack} a number ({share:percent.1}).",
            count=incomplete,
            share=100.0 * incomplete / (incomplete + len(rows)),
        )
        left_out += (lacking,)
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
            "rounded to {share:.1e} of the scan's length; move the scan to zero before it is "
            "saved, or save it in double precision.",
            share=grain / extent,
        ),
    )


def not_used(names: Sequence[str]) -> tuple[Sentence, ...]:
    """Return the sentence about columns or fields that nothing reads; none if there are none."""
    if not names:
        return ()
    few, more = tuple(names[:8]), len(names) - 8
    text = "Not used: {names:quoted} and {more} more." if more > 0 else "Not used: {names:quoted}."
    return (sentence(text, names=few, more=more),)


def no_points() -> UnsupportedError:
    """Return the error for a sound file that holds nothing."""
    return UnsupportedError("The file is sound but holds no points; export the scan again.")


def too_many(count: int) -> UnsupportedError:
    """Return the error for more points than are read."""
    return UnsupportedError(
        "The file holds {count:,} points or more, and at most {most:,} are read; thin the scan out "
        "or cut away what is not fretboard.",
        count=count,
        most=MOST_POINTS,
    )


def check_swelling(packed_bytes: int, unpacked_bytes: int) -> None:
    """Refuse, before any of it is unpacked, what swells to far more than measured heights do."""
    if unpacked_bytes > SWOLLEN_BYTES and unpacked_bytes > SWOLLEN_RATIO * max(packed_bytes, 1):
        raise UnsupportedError(
            "The file would unpack to {times:,.0f} times its size, so nearly all of its values are "
            "the same; export what was measured alone.",
            times=unpacked_bytes / max(packed_bytes, 1),
        )


def claims_more(claimed: int, what: str, room: int | None = None) -> BrokenFileError:
    """Return the error for a header that claims more of something than the file can hold."""
    room_for = sentence("room for {room:,}", room=room)
    return BrokenFileError(
        "The header claims {claimed:,} {what}, but the file has {room}; it was cut short or "
        "damaged, so export or copy it again.",
        claimed=claimed,
        what=what,
        room=sentence("fewer") if room is None else room_for,
    )


@contextmanager
def damage(*raised: type[Exception]) -> Iterator[None]:
    """Turn what a library raises over a damaged file into one sentence.

    Errors of our own pass, `Cancelled` among them.
    """
    try:
        with np.errstate(all="ignore"):
            yield
    except raised as error:
        raise BrokenFileError(
            "The file is damaged ({cause}); export or copy it again.",
            cause=plain_line(str(error)[:150]).rstrip(".") or type(error).__name__,
        ) from None


def library(name: str, what: str) -> Any:
    """Return the optional library that a format needs."""
    try:
        return importlib.import_module(name)
    except ImportError:
        raise UnsupportedError(
            "Reading {what} needs the library {package}, which is not installed; in the folder of "
            "evenfall's own files, python3 dev.py setup installs it.",
            what=what,
            package=name.partition(".")[0],
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
