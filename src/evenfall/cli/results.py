"""How every command ends: the use case runs, files are written together, the result is shown."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

from evenfall.cli.desk import tell
from evenfall.cli.door import (
    WORDS,
    json_option,
    pictures_option,
    show_json,
    show_written,
    unit_option,
)
from evenfall.cli.waiting import Waiting
from evenfall.errors import Progress
from evenfall.units import LengthUnit

if TYPE_CHECKING:
    from evenfall.cli.reports import Lengths
    from evenfall.workshop.outputs import Shown

    Made = TypeVar("Made", bound=Shown)


class Result(NamedTuple):
    """Where and how a result is wanted: folder for pictures, JSON, unit."""

    pictures: Path | None
    as_json: bool
    unit: LengthUnit | None

    def of(
        self,
        step: Callable[[Any, Progress], Made],
        request: object,
        show: Callable[[Made, Lengths], None],
        *,
        files: Callable[[Made, Progress], dict[Path, bytes]] = lambda _made, _told: {},
        filed: Callable[[Made, dict[Path, bytes]], str] = lambda _made, _written: "",
        outputs: Iterable[Path | None] = (),
        inputs: Iterable[Path | None] = (),
        folders: Iterable[Path | None] = (),
    ) -> Made:
        """Run a use case, write its files and pictures together, and show the result.

        `filed` files it in an archive and says so in a line. `outputs`, `inputs` and `folders` are
        checked first, see `evenfall.files.keep_apart`.
        """
        from evenfall.cli.reports import Lengths
        from evenfall.files import keep_apart, write_together
        from evenfall.workshop.outputs import picture_files

        inputs, folders = list(inputs), [self.pictures, *folders]
        keep_apart(outputs, inputs, folders=folders)
        with Waiting() as waiting:
            made = step(request, waiting)
            lengths = Lengths.asked(self.unit, made.unit)
            written = files(made, waiting)
            if self.pictures is not None:
                drawings = made.pictures(lengths.unit, waiting)
                written |= picture_files(drawings, self.pictures, waiting)
            keep_apart(written, inputs, folders=folders)
            line = filed(made, written)  # first: what the archive refuses leaves no file either
            write_together(written, folders=folders)
        if self.as_json:
            show_json(made.as_dict(lengths.unit, WORDS))
        else:
            show(made, lengths)
            show_written(written)
        tell(line, as_json=self.as_json)
        return made


def result_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add `--pictures`, `--json` and `--unit`; the command gets them as one `result`."""

    @pictures_option
    @json_option
    @unit_option
    @wraps(command)
    def gathered(
        *, pictures: Path | None, as_json: bool, unit: LengthUnit | None, **rest: Any
    ) -> Any:
        return command(result=Result(pictures, as_json, unit), **rest)

    return gathered
