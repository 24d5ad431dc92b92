"""Files opened: what a door was given becomes a specification, readings or a plan."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.codec.parsing import JSON_LIMIT_BYTES, kind_and_version, parse_json
from evenfall.errors import (
    At,
    BrokenFileError,
    EvenfallError,
    Finding,
    FindingsError,
    RequestError,
    UnsupportedError,
)
from evenfall.files import TEXT_LIMIT_BYTES, decode_text, read_bytes, read_start
from evenfall.instrument import Specification, read_specification
from evenfall.measurement import Measurement
from evenfall.measurement.missing import missing_places
from evenfall.names import of_two
from evenfall.plan import Plan
from evenfall.wording import Sentence, sentence

_MEMORY = Path("/dev/shm")  # noqa: S108 (a folder in memory, where the system has one)
_SMALL_BYTES = 1_000_000


@dataclass(frozen=True, slots=True)
class Source:
    """A file to read: on disk, or handed in with its content.

    Parameters
    ----------
    name
        Path as it was given, or the name that came with the content.
    content
        Its bytes; None for a file on disk.
    path
        Where it lies on disk, if that is not what its name says.

    Examples
    --------
    >>> Source("tesquil.spec.toml", b"[model]").text()
    '[model]'
    >>> Source.invented("tesquil-before.csv")
    Source(name='tesquil-before.csv')
    """

    name: str
    content: bytes | None = field(default=None, repr=False)
    path: Path | None = field(default=None, repr=False)

    @property
    def on_disk(self) -> Path:
        """Where a file on disk lies."""
        return self.path or Path(self.name)

    @classmethod
    def invented(cls, name: str) -> Source:
        """Return one of the files of an invented instrument that come with the program."""
        return cls(name, (resources.files("evenfall") / "invented" / name).read_bytes())

    def read(self, limit_bytes: int) -> bytes:
        """Return the whole content, refused over a limit."""
        if self.content is None:
            return read_bytes(self.on_disk, limit_bytes=limit_bytes)
        if len(self.content) > limit_bytes:
            raise UnsupportedError(
                "The file is larger than {limit:.0f} MB, more than any file of this kind holds; "
                "check that it is the right one.",
                at=At(file=self.name),
                limit=limit_bytes / 1e6,
            )
        return self.content

    def text(self, limit_bytes: int = TEXT_LIMIT_BYTES) -> str:
        """Return the content as text."""
        return decode_text(self.read(limit_bytes), name=self.name)

    def start(self, count: int) -> bytes:
        """Return the first bytes."""
        if self.content is None:
            return read_start(self.on_disk, count)
        return self.content[:count]


@dataclass(frozen=True, slots=True)
class Opened:
    """An instrument as its files show it."""

    specification: Specification  # what it is to be
    measurement: Measurement  # its readings
    plan: Plan | None = None  # the plan, if the file was one
    findings: tuple[Finding, ...] = ()  # what is worth knowing about a hand sheet


@dataclass(frozen=True, slots=True)
class InstrumentRequest:
    """Which instrument something is wanted of."""

    source: Source  # measurement file, or a hand sheet; where a plan makes sense, a plan too
    specification: Source | None = None  # specification of a hand sheet
    serial: str = ""  # serial number of a hand sheet's instrument

    def open(self, *, plans: bool = False) -> Opened:
        """Return what the files hold; a plan is refused unless `plans`."""
        return open_instrument(self.source, self.specification, serial=self.serial, plans=plans)


def open_specification(source: Source) -> tuple[Specification, tuple[Finding, ...]]:
    """Return a specification and what is unusual about it."""
    return _specification(source.text(), source.name)


@lru_cache(maxsize=64)
def _specification(text: str, name: str) -> tuple[Specification, tuple[Finding, ...]]:
    """Return the specification in a text, which a server is asked for again and again."""
    return read_specification(text, source=name)


def open_instrument(
    source: Source,
    specification: Source | None = None,
    *,
    serial: str = "",
    plans: bool = False,
) -> Opened:
    """Return what a measurement file, a hand sheet with its specification, or a plan holds."""
    if not _is_json(source):
        if specification is None:
            raise RequestError(
                "This is not a measurement file; to read it as a hand sheet, name the "
                "specification with {door_spec}.",
                at=At(file=source.name),
            )
        return read_sheets([source], *open_specification(specification), serial=serial)
    if serial:
        raise RequestError(
            "A measurement file names its instrument already; give the serial when the sheet is "
            "read.",
            at=At(file=source.name),
        )
    with _about(source):
        values = _json(source)
        plan = None
        if plans and kind_and_version(values)[0] == "plan":
            plan = Plan.from_dict(values)
        measurement = plan.measurement if plan else Measurement.from_dict(values)
    own = _own_specification(measurement, source)
    if specification is not None:
        named, _ = open_specification(specification)
        if named.content_hash != measurement.specification_hash:
            raise RequestError(
                "The {what} was made with another specification than the one named; leave that "
                "out, or measure again with it.",
                at=At(file=source.name),
                what=sentence("plan" if plan else "measurement"),
            )
    return Opened(own, measurement, plan)


def open_plan(source: Source) -> tuple[Specification, Plan]:
    """Return a plan and the specification that it was made for."""
    with _about(source):
        plan = Plan.from_dict(_json(source))
    return _own_specification(plan.measurement, source), plan


def open_worked(
    sources: Sequence[Source], after: Measurement, judged: Plan | None = None
) -> list[Plan]:
    """Return plans that were worked before readings were taken, oldest first.

    Each counts once, however often it is named, and the one that is `judged` is not among them.
    """
    seen = set() if judged is None else {judged.content_hash}
    plans = []
    for source in sources:
        made = open_plan(source)[1]
        before = made.measurement
        if before.crown_height_mm.shape != after.crown_height_mm.shape or of_two(
            before.serial, after.serial
        ):
            raise RequestError(
                "This plan is for another instrument than the readings are of.",
                at=At(file=source.name, field="worked"),
            )
        if made.content_hash not in seen:
            if before.heights == after.heights:
                raise RequestError(
                    "This plan was made from these very readings, so it was not worked before "
                    "them. Give the readings that were taken after its work.",
                    at=At(file=source.name, field="worked"),
                )
            seen.add(made.content_hash)
            plans.append(made)
    return plans


def specification_of_plan(plan: Plan) -> Specification:
    """Return the specification that a plan was made for."""
    return _own_specification(plan.measurement, Source("plan"))


def open_another(measurement: Measurement, source: Source) -> Opened:
    """Return another reading of an instrument: of a measurement file, or of a hand sheet."""
    if _is_json(source):
        return open_instrument(source)
    specification = _own_specification(measurement, source)
    return read_sheets([source], specification, serial=measurement.serial)


def require_same(first: Measurement, other: Measurement, *, file: str, field: str) -> None:
    """Refuse readings that were filed under the number of another instrument than the first."""
    if of_two(first.serial, other.serial):
        raise RequestError(
            "These are readings of {other:quoted}, not of {first:quoted}; give readings of one "
            "instrument.",
            at=At(file=file, field=field),
            other=other.serial,
            first=first.serial,
        )


def read_sheets(
    sources: Sequence[Source],
    specification: Specification,
    remarks: tuple[Finding, ...] = (),
    *,
    serial: str = "",
) -> Opened:
    """Return the readings of hand sheets or a scan, `remarks` before what was found in them."""
    from evenfall.readings import read_files

    with on_disk(sources) as paths:
        taken = read_files(paths, specification, serial=serial)
    return Opened(specification, taken.measurement, None, (*remarks, *taken.findings))


@contextmanager
def on_disk(sources: Sequence[Source]) -> Iterator[list[Path]]:
    """Yield a path of its own name for each source: readings are known by the names of their files.

    What was handed in, or is kept under another name, lies in a folder of its own meanwhile.

    An error about one of them names it as it was given.
    """
    # typed sheets are read at each key: in memory where there is any, not on a disk that flushes
    small = sum(len(source.content or b"") for source in sources) < _SMALL_BYTES
    memory = _MEMORY if small and os.access(_MEMORY, os.W_OK) else None
    with tempfile.TemporaryDirectory(dir=memory) as folder:
        paths = []
        for number, source in enumerate(sources):
            path, name = source.on_disk, Path(source.name).name or "file"
            if source.content is not None or path.name != name:
                path = Path(folder) / str(number) / name
                path.parent.mkdir()
                _put(source, path)
            paths.append(path)
        try:
            yield paths
        except EvenfallError as error:
            pairs = list(zip(paths, sources, strict=True))
            given = {name: s.name for path, s in pairs for name in (path.name, str(path))}
            error.at = replace(error.at, file=given.get(error.at.file, error.at.file))
            if isinstance(error, FindingsError):
                error.findings = tuple(
                    found.placed(replace(found.at, file=given.get(found.at.file, found.at.file)))
                    for found in error.findings
                )
            raise


def _put(source: Source, path: Path) -> None:
    """Put a file in place; of one on disk a link, for scans are large, where there are links."""
    if source.content is not None:
        path.write_bytes(source.content)
        return
    try:
        path.symlink_to(source.on_disk.absolute())
    except OSError:
        shutil.copyfile(source.on_disk, path)


def heights(
    measurement: Measurement, plan: Plan | None = None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return nut, crown tops and saddle over the datum [mm]: as found, or after the plan."""
    nut, tops, saddle = (
        (measurement.nut_mm, measurement.crown_top_mm, measurement.saddle_mm)
        if plan is None
        else (plan.nut_after_mm, plan.crown_top_after_mm, plan.saddle_after_mm)
    )
    if lacking := lacking_heights(nut, tops, saddle):
        raise RequestError(
            "The measurement lacks {lacking:list}. Read them and measure again.", lacking=lacking
        )
    return nut, tops, saddle


def lacking_heights(
    nut_mm: FloatArray, crown_top_mm: FloatArray, saddle_mm: FloatArray
) -> tuple[Sentence, ...]:
    """Return which heights are not known, each kind with its places."""
    kinds = {"crown tops": crown_top_mm, "nut slots": nut_mm, "saddle heights": saddle_mm}
    return tuple(
        sentence("{what} of {places}", what=what, places=missing_places(~np.isfinite(of)))
        for what, of in kinds.items()
        if not np.isfinite(of).all()
    )


def _own_specification(measurement: Measurement, source: Source) -> Specification:
    own, _ = read_specification(
        measurement.specification_text, source=f"specification in {source.name}"
    )
    if own.content_hash != measurement.specification_hash:
        raise BrokenFileError(
            "The specification inside does not match its hash; make the file again.",
            at=At(file=source.name),
        )
    return own


def _is_json(source: Source) -> bool:
    """Say whether a file that is there holds a JSON object rather than a sheet."""
    return source.start(64).lstrip(b"\xef\xbb\xbf \t\r\n")[:1] == b"{"


def _json(source: Source) -> Any:
    return parse_json(source.read(JSON_LIMIT_BYTES), name=source.name)


@contextmanager
def _about(source: Source) -> Iterator[None]:
    """Name the file in an error about it."""
    try:
        yield
    except EvenfallError as error:
        error.at = error.at.in_file(source.name)
        raise
