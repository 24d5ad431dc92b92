"""An empty hand sheet for an instrument, as a file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from evenfall.errors import At, RequestError
from evenfall.files import write_atomically

if TYPE_CHECKING:
    from pathlib import Path

    from evenfall.instrument import Specification


def write_template(specification: Specification, path: Path) -> None:
    """Write an empty hand sheet for an instrument: `.csv` or `.xlsx` says which kind.

    Parameters
    ----------
    specification
        The instrument.
    path
        Where to.

    Raises
    ------
    RequestError
        The name ends otherwise, or the file cannot be written.
    """
    from evenfall.sheets import empty_sheet

    kind = path.suffix.lower()
    if kind == ".csv":
        write_atomically(path, empty_sheet(specification, "csv"))
    elif kind == ".xlsx":
        write_atomically(path, empty_sheet(specification, "xlsx"))
    else:
        raise RequestError(
            "A template is written as CSV or XLSX; let the name end in .csv or .xlsx.",
            at=At(file=path.name or str(path)),
        )
