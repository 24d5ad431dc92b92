"""What goes out of an archive: one signed file for a partner, or a folder of tables."""

from __future__ import annotations

import os
import shutil
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from evenfall.errors import At, Progress, RequestError
from evenfall.records import Archive
from evenfall.records.exchange import pack
from evenfall.records.signing import signing_key

if TYPE_CHECKING:
    from evenfall.records.extracts import Form


def write_parcel(
    archive: Archive, dossiers: Sequence[str], to: Path, shown: str, progress: Progress
) -> tuple[int, int]:
    """Write dossiers into one signed file; return how many entries, and how many in full."""
    part = _part(to)
    try:
        with part.open("xb") as stream:
            counts = pack(archive, dossiers, stream, signing_key(), shown=shown, progress=progress)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(part, to)
    except OSError as error:
        raise _unwritten(to, error) from None
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
    return counts


def write_tables(
    archive: Archive, dossiers: Sequence[str], to: Path, form: Form, progress: Progress
) -> dict[str, int]:
    """Write dossiers as tables into a folder that is new or empty; return their lengths."""
    from evenfall.records.extracts import write_extract

    part = _part(to)
    try:
        if to.is_dir() and any(to.iterdir()):
            raise RequestError(
                "There are files in this folder already; name a new one.", at=At(file=str(to))
            )
        part.mkdir(parents=True)
        counts = write_extract(archive, dossiers, part, form, progress)
        if to.is_dir():
            to.rmdir()
        os.replace(part, to)
    except OSError as error:
        raise _unwritten(to, error) from None
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return counts


def _part(to: Path) -> Path:
    if to.name in ("", ".."):  # "." and "/", whatever lies in them
        raise RequestError(
            "This is a folder that is there already; name a new one.", at=At(str(to))
        )
    return to.with_name(f".{to.name}.{os.getpid()}.part")


def _unwritten(to: Path, error: OSError) -> RequestError:
    return RequestError(
        "The file cannot be written ({reason}); choose another folder or name.",
        at=At(file=str(to)),
        reason=(error.strerror or str(error)).lower(),
    )
