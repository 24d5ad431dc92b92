"""Scans, pages and photos beside the database: each under the hash of its bytes, once."""

from __future__ import annotations

import hashlib
import os
import secrets
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import IO

from evenfall.errors import At, BrokenFileError, RequestError

_PIECE = 1 << 20
_PART = ".part"


class KeptFiles:
    """A folder of files named by their hash; a file is there whole or not at all."""

    def __init__(self, folder: Path | None) -> None:
        self._folder = folder

    def path(self, sha256: str) -> Path:
        """Return where the file of a hash lies."""
        if self._folder is None:
            raise RequestError(
                "The address names no folder for files; add ?files=FOLDER to it, the same for "
                "everybody who uses this archive."
            )
        return self._folder / sha256[:2] / sha256

    def keep(self, content: bytes | Path | IO[bytes]) -> tuple[str, int]:
        """Keep bytes, or what a file or stream holds; return hash and size, flushed to the disk."""
        folder = self.path("00").parent.parent
        temporary = folder / f"{secrets.token_hex(8)}{_PART}"
        digest, count = hashlib.sha256(), 0
        try:
            folder.mkdir(parents=True, exist_ok=True)
            with temporary.open("xb") as stream:
                for piece in _pieces(content):
                    stream.write(piece)
                    digest.update(piece)
                    count += len(piece)
                stream.flush()
                os.fsync(stream.fileno())
            path = self.path(digest.hexdigest())
            if not path.is_file() or _hash_of(path) != path.name:  # none yet, or a damaged one
                path.parent.mkdir(exist_ok=True)
                os.replace(temporary, path)
                _flush_folder(path.parent)
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise RequestError(
                "The file cannot be kept in the archive ({reason}); nothing was filed.",
                at=At(file=str(folder)),
                reason=reason,
            ) from None
        finally:
            with suppress(OSError):
                temporary.unlink(missing_ok=True)
        return digest.hexdigest(), count

    def read(self, sha256: str) -> bytes:
        """Return the bytes of a hash; `BrokenFileError` where they are gone or others."""
        path = self.path(sha256)
        if fault := self.fault(sha256):
            raise fault
        return path.read_bytes()

    def fault(self, sha256: str) -> BrokenFileError | None:
        """Return what is wrong with a file, found by its hash."""
        path = self.path(sha256)
        at = At(file=str(path))
        if not path.is_file():
            return BrokenFileError(
                "This file of the archive is gone; put it back from a backup.", at=at
            )
        if _hash_of(path) != sha256:
            return BrokenFileError(
                "This file of the archive does not match its hash: it was changed, or copied in "
                "part ({size} bytes are there). Put it back from a backup.",
                at=at,
                size=path.stat().st_size,
            )
        return None

    def names(self) -> Iterator[str]:
        """Yield the hash of every file that is there."""
        if self._folder is not None and self._folder.is_dir():
            for path in sorted(self._folder.glob("??/*")):
                yield path.name

    def left_over(self) -> list[Path]:
        """Return the temporary files of programs that were stopped."""
        if self._folder is None or not self._folder.is_dir():
            return []
        return sorted(self._folder.glob(f"*{_PART}"))


def hash_of(content: bytes | Path) -> str:
    """Return the hash that bytes, or a file, are kept under."""
    return hashlib.sha256(content).hexdigest() if isinstance(content, bytes) else _hash_of(content)


def _pieces(content: bytes | Path | IO[bytes]) -> Iterator[bytes]:
    if isinstance(content, bytes):
        yield content
        return
    if isinstance(content, Path):
        with content.open("rb") as stream:
            yield from _pieces(stream)
        return
    while piece := content.read(_PIECE):
        yield piece


def _hash_of(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _flush_folder(folder: Path) -> None:
    """Flush the names in a folder to the disk, where the system can."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
