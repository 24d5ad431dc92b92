"""Results as the content of files; nothing is written here."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from evenfall.errors import Progress, silent

if TYPE_CHECKING:
    from evenfall.units import LengthUnit


class Drawable(Protocol):
    """An outcome that has pictures."""

    def pictures(self, unit: LengthUnit | None, progress: Progress, /) -> dict[str, str]:
        """Return SVG text by name."""
        ...


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


def pictures_of(
    outcome: Drawable, folder: Path | None, unit: LengthUnit, progress: Progress = silent
) -> dict[Path, bytes]:
    """Return an outcome's pictures as files in a folder; none if no folder was named."""
    if folder is None:
        return {}
    return picture_files(outcome.pictures(unit, progress), folder, progress)
