"""Files at the edges: read whole and bounded, decoded strictly; written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from evenfall.errors import (
    BrokenFileError,
    EvenfallError,
    FormatMismatchError,
    RequestError,
    UnsupportedError,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

TEXT_LIMIT_BYTES = 8_000_000
"""A text file that a person wrote is far smaller than this."""

_UTF32 = (b"\xff\xfe\x00\x00", b"\x00\x00\xfe\xff")
_UTF16 = (b"\xff\xfe", b"\xfe\xff")


def read_bytes(path: Path, *, limit_bytes: int) -> bytes:
    """Return the content of a file.

    Parameters
    ----------
    path
        The file.
    limit_bytes
        Largest size to accept.

    Raises
    ------
    RequestError
        There is no such file, or it cannot be read.
    UnsupportedError
        It is larger than the limit.
    """
    data = read_start(path, limit_bytes + 1)
    if len(data) > limit_bytes:
        raise UnsupportedError(
            f"The file is larger than {limit_bytes / 1e6:g} MB, more than any file of this kind "
            "holds; check that it is the right one.",
            where=path.name,
        )
    return data


def read_start(path: Path, count: int) -> bytes:
    """Return the first bytes of a file.

    Parameters
    ----------
    path
        The file.
    count
        How many bytes at most.

    Raises
    ------
    RequestError
        There is no such file, or it cannot be read.
    """
    name = path.name or str(path)
    try:
        if path.is_dir():
            raise RequestError("This is a folder; name a file in it.", where=name)
        if not path.exists():
            raise RequestError("There is no such file; check its name and folder.", where=name)
        if not path.is_file():
            raise RequestError("This is a device, not a file; name a file.", where=name)
        with path.open("rb") as stream:
            return stream.read(count)
    except (OSError, ValueError) as error:  # ValueError: a null character in the name
        raise RequestError(f"The file cannot be read ({_reason(error)}).", where=name) from None


def read_text(path: Path, *, limit_bytes: int = TEXT_LIMIT_BYTES) -> str:
    """Return the text of a file that a person or a spreadsheet wrote.

    Parameters
    ----------
    path
        The file.
    limit_bytes
        Largest size to accept.

    Raises
    ------
    RequestError, UnsupportedError, FormatMismatchError, BrokenFileError
        As `read_bytes` and `decode_text`.
    """
    return decode_text(read_bytes(path, limit_bytes=limit_bytes), name=path.name)


def decode_text(data: bytes, *, name: str = "") -> str:
    """Return the text in `data`: UTF-8, with or without a byte-order mark, or UTF-16 with one.

    Nothing is guessed: a letter in another encoding would silently become a different one.

    Parameters
    ----------
    data
        The whole file.
    name
        Name of the file, for messages.

    Raises
    ------
    FormatMismatchError
        This is no text, or text in another encoding.
    BrokenFileError
        UTF-16 that is cut short or damaged.
    """
    if data.startswith(_UTF32):
        raise FormatMismatchError("The text is UTF-32; save it as UTF-8.", where=name)
    if data.startswith(_UTF16):
        try:
            text = data.decode("utf-16")
        except UnicodeDecodeError:
            raise BrokenFileError(
                "The UTF-16 text is damaged or cut short; save the file again, as UTF-8.",
                where=name,
            ) from None
    else:
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            raise _not_utf8(data, error.start, name) from None
    if "\0" in text:
        raise FormatMismatchError(
            "The file holds null bytes, so it is not a text file that can be read here; "
            "save it as UTF-8 text.",
            where=name,
        )
    return text


def _not_utf8(data: bytes, at: int, name: str) -> EvenfallError:
    """Tell a text in an old one-byte encoding from something that is no text at all."""
    sample = data[:4096]
    controls = sum(byte < 32 and byte not in b"\t\n\r\f" for byte in sample)
    if controls > len(sample) // 50:
        return FormatMismatchError("This is not a text file; check its name.", where=name)
    line = data.count(b"\n", 0, at) + 1
    return FormatMismatchError(
        f"Line {line} holds a character that is not UTF-8 (byte {data[at]:#04x}); in the "
        'spreadsheet or editor choose "Save as", then the encoding UTF-8.',
        where=name,
    )


def write_atomically(path: Path, data: bytes | str) -> None:
    """Write a file whole or not at all.

    The data goes to a temporary name in the same folder, is flushed to the disk and renamed; on
    any failure the temporary file is removed and what was there before is untouched. A symbolic
    link stays, and the file that it points to is replaced.

    Parameters
    ----------
    path
        The file to write or to replace.
    data
        Its content; text is written as UTF-8, with line ends as they are.

    Raises
    ------
    RequestError
        It cannot be written there, or what stands there is a folder or a device.
    """
    content = data.encode("utf-8") if isinstance(data, str) else data
    temporary = ""
    try:
        target = _replaceable(path)
        handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=".", suffix=".part")
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(temporary, _mode_for(target))
        os.replace(temporary, target)
    except (OSError, ValueError) as error:
        _remove(temporary)
        raise RequestError(
            f"The file cannot be written ({_reason(error)}); choose another folder or name.",
            where=path.name or str(path),
        ) from None
    except BaseException:  # an interrupt must not leave the temporary file behind
        _remove(temporary)
        raise


def keep_apart(outputs: Sequence[Path], inputs: Sequence[Path]) -> None:
    """Refuse to write over what is read, and two files under one name, before any work is done.

    Parameters
    ----------
    outputs
        Files that will be written.
    inputs
        Files that are read.

    Raises
    ------
    RequestError
        Something would be lost.
    """
    read = {os.path.realpath(path) for path in inputs}
    written: set[str] = set()
    for path in outputs:
        real = os.path.realpath(path)
        if real in read:
            raise RequestError(
                "This file is read, and the result would be written over it; choose another name "
                "for the output.",
                where=path.name,
            )
        if real in written:
            raise RequestError(
                "Two outputs would be written under this name; give each its own.", where=path.name
            )
        written.add(real)


def _replaceable(path: Path) -> Path:
    """Return the file that a new one may take the place of: never a link, folder or device.

    Renaming over a device would remove it from the system.
    """
    target = Path(os.path.realpath(path)) if path.is_symlink() else path
    name = path.name or str(path)
    if target.is_dir():
        raise RequestError("This is a folder; name a file in it.", where=name)
    if target.exists() and not target.is_file():
        raise RequestError("This is a device, not a file; name a file.", where=name)
    return target


def _mode_for(path: Path) -> int:
    """Return the permissions of the file to replace, or those of any new file."""
    try:
        return path.stat().st_mode & 0o777
    except OSError:
        mask = os.umask(0)
        os.umask(mask)
        return 0o666 & ~mask


def _remove(temporary: str) -> None:
    if temporary and os.path.exists(temporary):
        os.remove(temporary)


def _reason(error: Exception) -> str:
    reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return reason[:1].lower() + reason[1:].rstrip(".")
