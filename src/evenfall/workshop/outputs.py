"""What a use case hands back, and its results as the content of files; nothing is written here."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from evenfall.codec import plain, with_words
from evenfall.errors import Finding, Progress, silent
from evenfall.pictures.inks import LIGHT, Theme
from evenfall.units import LengthUnit
from evenfall.wording import LIBRARY_WORDS

if TYPE_CHECKING:
    from evenfall.instrument import Specification


class Shown:
    """What a use case hands back, as a door shows it."""

    __slots__ = ()

    @property
    def unit(self) -> LengthUnit:
        """The unit that lengths are shown in where none is asked for."""
        raise NotImplementedError

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Everything worth knowing."""
        raise NotImplementedError

    def values(self) -> dict[str, Any]:
        """Return the result as plain values."""
        raise NotImplementedError

    def as_dict(
        self, unit: LengthUnit = "mm", door: Mapping[str, str] = LIBRARY_WORDS
    ) -> dict[str, Any]:
        """Return result and findings as plain values for JSON, sentences in a unit and in words."""
        return with_words({**self.values(), "findings": plain(self.findings)}, unit, door)

    def drawings(self, _unit: LengthUnit, _theme: Theme) -> dict[str, Callable[[], str]]:
        """Return what draws each picture, by name."""
        return {}

    def pictures(
        self,
        unit: LengthUnit | None = None,
        progress: Progress = silent,
        theme: Theme = LIGHT,
    ) -> dict[str, str]:
        """Return every picture as SVG text by name; without a unit in its own.

        `theme` is one of `evenfall.pictures.inks`.
        """
        return drawn(self.drawings(unit or self.unit, theme), progress)


@dataclass(frozen=True, slots=True)
class Outcome(Shown):
    """What every use case of an instrument hands back."""

    specification: Specification  # what the instrument is to be
    findings_of_readings: tuple[Finding, ...]  # what is worth knowing about its readings

    @property
    def unit(self) -> LengthUnit:
        """The specification's own unit."""
        return self.specification.unit

    @property
    def findings_of_result(self) -> tuple[Finding, ...]:
        """What is worth knowing about the result."""
        return ()

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Everything worth knowing, that of the readings first."""
        return (*self.findings_of_readings, *self.findings_of_result)


def drawn(
    pictures: Mapping[str, Callable[[], str]],
    progress: Progress,
    names: tuple[str, ...] = (),
) -> dict[str, str]:
    """Return the pictures asked for (by default all) as SVG text by name."""
    wanted = names or tuple(pictures)
    made = {}
    for number, name in enumerate(wanted):
        progress("Drawing", number / len(wanted))
        made[name] = pictures[name]()
    return made


def picture_files(
    drawings: Mapping[str, str], folder: Path, progress: Progress = silent
) -> dict[Path, bytes]:
    """Return drawings as SVG and PNG files, by the path that each is to have."""
    from evenfall.pages import svg_to_png

    files: dict[Path, bytes] = {}
    for number, (name, svg) in enumerate(drawings.items()):
        progress("Drawing", number / len(drawings))
        path = folder / name.replace(" ", "-")
        files[path.with_suffix(".svg")] = svg.encode()
        files[path.with_suffix(".png")] = svg_to_png(svg, 1600)
    return files


def json_file(values: Mapping[str, Any]) -> bytes:
    """Return plain values as a JSON file."""
    return (json.dumps(values, indent=1, allow_nan=False) + "\n").encode()
