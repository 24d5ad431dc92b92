"""Files at the edges: read whole and bounded, decoded strictly; written whole or not at all."""

from __future__ import annotations

import hashlib
import os
import secrets
import shutil
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from evenfall.errors import (
    At,
    BrokenFileError,
    EvenfallError,
    FormatMismatchError,
    RequestError,
    UnsupportedError,
)

TEXT_LIMIT_BYTES = 8_000_000
"""A text file that a person wrote is far smaller than this."""

LEFT_OVER_S = 3600.0
"""A temporary file of ours that is older was left by a process that was killed."""

_UTF32 = (b"\xff\xfe\x00\x00", b"\x00\x00\xfe\xff")
_UTF16 = (b"\xff\xfe", b"\xfe\xff")
_TEMPORARY = ".evenfall-{}.part"


def read_bytes(path: Path, *, limit_bytes: int) -> bytes:
    """Return the content of a file; `UnsupportedError` where it is larger than the limit."""
    data = read_start(path, limit_bytes + 1)
    if len(data) > limit_bytes:
        raise UnsupportedError(
            "The file is larger than {limit:g} MB, more than any file of this kind holds; check "
            "that it is the right one.",
            at=At(file=str(path)),
            limit=limit_bytes / 1e6,
        )
    return data


def read_start(path: Path, count: int) -> bytes:
    """Return the first bytes of a file; `RequestError` where it is not there or not readable."""
    at = At(file=str(path))
    try:
        if path.is_dir():
            raise RequestError("This is a folder; name a file in it.", at=at)
        if not path.exists():
            raise RequestError("There is no such file; check its name and folder.", at=at)
        if not path.is_file():
            raise RequestError("This is a device, not a file; name a file.", at=at)
        with path.open("rb") as stream:
            return stream.read(count)
    except (OSError, ValueError) as error:  # ValueError: a null character in the name
        raise RequestError(
            "The file cannot be read ({reason}).", at=at, reason=_reason(error)
        ) from None


def same_content(paths: Sequence[Path]) -> tuple[Path, Path] | None:
    """Return two of some files that hold the same bytes, None if all differ."""
    seen: dict[tuple[int, bytes], Path] = {}
    try:
        sizes = [path.stat().st_size for path in paths]
        for path, size in zip(paths, sizes, strict=True):
            if size == 0 or sizes.count(size) == 1:
                continue
            with path.open("rb") as stream:
                key = size, hashlib.file_digest(stream, "sha256").digest()
            if first := seen.get(key):
                return first, path
            seen[key] = path
    except (OSError, ValueError):  # who reads them says why
        return None
    return None


def read_text(path: Path, *, limit_bytes: int = TEXT_LIMIT_BYTES) -> str:
    """Return the text of a file that a person or a spreadsheet wrote; errors as its two steps."""
    return decode_text(read_bytes(path, limit_bytes=limit_bytes), name=str(path))


def decode_text(data: bytes, *, name: str = "") -> str:
    """Return the text in `data`: UTF-8, with or without a byte-order mark, or UTF-16 with one.

    Nothing is guessed: a letter in another encoding would silently become a different one.
    `FormatMismatchError` where this is no text or has another encoding, `BrokenFileError` where
    UTF-16 is cut short; `name` is that of the file, for messages.
    """
    at = At(file=name)
    if data.startswith(_UTF32):
        raise FormatMismatchError("The text is UTF-32; save it as UTF-8.", at=at)
    if data.startswith(_UTF16):
        try:
            text = data.decode("utf-16")
        except UnicodeDecodeError:
            raise BrokenFileError(
                "The UTF-16 text is damaged or cut short; save the file again, as UTF-8.", at=at
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
            at=at,
        )
    return text


def _not_utf8(data: bytes, at: int, name: str) -> EvenfallError:
    """Tell a text in an old one-byte encoding from something that is no text at all."""
    sample = data[:4096]
    controls = sum(byte < 32 and byte not in b"\t\n\r\f" for byte in sample)
    if controls > len(sample) // 50:
        return FormatMismatchError("This is not a text file; check its name.", at=At(file=name))
    return FormatMismatchError(
        "A character here is not UTF-8 (byte {byte:#04x}); in the spreadsheet or editor choose "
        '"Save as", then the encoding UTF-8.',
        at=At(file=name, lines=(data.count(b"\n", 0, at) + 1,)),
        byte=data[at],
    )


def write_atomically(path: Path, data: bytes | str) -> None:
    """Write a file whole or not at all, see `write_together`."""
    write_together({path: data})


def write_together(
    outputs: Mapping[Path, bytes | str], *, folders: Iterable[Path | None] = ()
) -> None:
    """Write several files, all of them whole or none at all, into folders of which some are made.

    Everything goes to temporary names in the same folders first and is flushed to the disk; then
    the files are renamed. On any failure, an interrupt too, what was there before is there again
    and no temporary file is left. A symbolic link stays, and the file that it points to is
    replaced. Text is written as UTF-8, with line ends as they are. `RequestError` where a file or
    a folder cannot be written, or what stands there is of another kind.
    """
    with _made(folders):
        _write(outputs)


@contextmanager
def _made(folders: Iterable[Path | None]) -> Iterator[None]:
    """Make folders; where what is done in them fails they are removed again."""
    made: list[Path] = []
    try:
        for named in folders:
            for folder in reversed([] if named is None else [named, *named.parents]):
                if not folder.exists():
                    try:
                        folder.mkdir()
                    except (OSError, ValueError) as error:
                        raise RequestError(
                            "The folder cannot be made ({reason}); choose another.",
                            at=At(file=str(folder)),
                            reason=_reason(error),
                        ) from None
                    made.append(folder)
        yield
    except BaseException:
        for folder in reversed(made):
            with suppress(OSError):
                folder.rmdir()
        raise


def _write(outputs: Mapping[Path, bytes | str]) -> None:
    staged: list[tuple[Path, str]] = []
    before: dict[Path, str] = {}  # the file that stood there, under another name
    written: list[Path] = []
    path = Path()
    try:
        for path, data in outputs.items():
            target = _replaceable(path)
            _sweep(target.parent)
            staged.append((target, _temporary(target.parent)))
            _fill(staged[-1][1], data.encode("utf-8") if isinstance(data, str) else data)
            if target.exists():
                os.chmod(staged[-1][1], target.stat().st_mode & 0o777)
        for path, (target, temporary) in zip(outputs, staged, strict=True):  # noqa: B007
            if target.exists() and len(staged) > 1:
                before[target] = _temporary(target.parent)
                _keep(target, before[target])
            written.append(target)
            os.replace(temporary, target)
    except BaseException as error:
        for target in written:
            with suppress(OSError):
                if target in before:
                    os.replace(before[target], target)
                elif not os.path.exists(dict(staged)[target]):  # it was renamed to a new name
                    os.remove(target)
        if not isinstance(error, OSError | ValueError):
            raise
        raise _unwritable(path, error) from None
    finally:
        _remove(temporary for _, temporary in staged)
        _remove(before.values())


def _unwritable(path: Path, error: Exception) -> RequestError:
    return RequestError(
        "The file cannot be written ({reason}); choose another folder or name.",
        at=At(file=str(path)),
        reason=_reason(error),
    )


def keep_apart(
    outputs: Iterable[Path | None],
    inputs: Iterable[Path | None],
    *,
    folders: Iterable[Path | None] = (),
) -> None:
    """Refuse, before any work is done, outputs that cannot be written or would take something away.

    None is skipped. `folders` are those that will be made; every other folder must be there.
    """
    path = Path()
    try:
        read = {os.path.realpath(path) for path in inputs if path is not None}
        for path in _outputs_apart(outputs, read, [f for f in folders if f is not None]):
            _replaceable(path)
    except (OSError, ValueError) as error:  # a name too long, the working folder gone
        raise _unwritable(path, error) from None


def _outputs_apart(
    outputs: Iterable[Path | None], read: set[str], made: Sequence[Path]
) -> Iterator[Path]:
    """Yield outputs that are no inputs, no two of one name, each in a folder that is there."""
    for folder in (place for named in made for place in (named, *named.parents)):
        if folder.exists() and not folder.is_dir():
            raise RequestError("This is a file; name a folder.", at=At(file=str(folder)))
    written: set[str] = set()
    for path in outputs:
        if path is None:
            continue
        at = At(file=str(path))
        real = os.path.realpath(path)
        if real in read:
            raise RequestError(
                "This file is read, and the result would be written over it; choose another name "
                "for the output.",
                at=at,
            )
        if real in written:
            raise RequestError(
                "Two outputs would be written under this name; give each its own.", at=at
            )
        written.add(real)
        if not (path.parent.is_dir() or path.parent in made):
            raise RequestError("The folder of this file is not there; make it first.", at=at)
        yield path


def _replaceable(path: Path) -> Path:
    """Return the file that a new one may take the place of: never a link, folder or device.

    Renaming over a device would remove it from the system.
    """
    target = Path(os.path.realpath(path)) if path.is_symlink() else path
    at = At(file=str(path))
    if target.is_dir():
        raise RequestError("This is a folder; name a file in it.", at=at)
    if target.exists() and not target.is_file():
        raise RequestError("This is a device, not a file; name a file.", at=at)
    return target


def _temporary(folder: Path) -> str:
    return str(folder / _TEMPORARY.format(secrets.token_hex(8)))


def _fill(temporary: str, content: bytes) -> None:
    """Write a new file, with the permissions of any new file, and flush it to the disk."""
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    handle = os.open(temporary, flags, 0o666)
    with os.fdopen(handle, "wb") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())


def _keep(target: Path, name: str) -> None:
    """Give a file a second name, or a copy where the disk knows no second names."""
    try:
        os.link(target, name)
    except OSError:
        shutil.copy2(target, name)


def _sweep(folder: Path) -> None:
    """Remove what a process that was killed left in a folder."""
    for left in folder.glob(_TEMPORARY.format("*")):
        with suppress(OSError):
            if time.time() - left.stat().st_mtime > LEFT_OVER_S:
                left.unlink()


def _remove(temporaries: Iterable[str]) -> None:
    for temporary in temporaries:
        with suppress(OSError):
            os.remove(temporary)


def _reason(error: Exception) -> str:
    reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return reason[:1].lower() + reason[1:].rstrip(".")
