"""The key of a workplace, and the signatures that it puts under the last entries of a dossier.

The key lies in the user's own folder, outside every archive, and is made when it is first needed.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from evenfall.errors import At, BrokenFileError, RequestError
from evenfall.files import write_atomically

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

_PURPOSE = b"evenfall: last entry of a dossier\n"
_FILE_PURPOSE = b"evenfall: exchange file\n"


@dataclass(frozen=True, slots=True)
class Signature:
    """Who signed what: an entry and, through it, all before it."""

    entry: str
    key: str  # the public key, hexadecimal
    at: str
    signature: str

    def holds(self) -> bool:
        """Say whether the key made this signature for this entry and time."""
        return _holds(self.key, self.signature, _message(self.entry, self.at))


class SigningKey:
    """A private key; `public` names it to partners."""

    def __init__(self, key: Ed25519PrivateKey) -> None:
        self._key = key
        self.public = key.public_key().public_bytes_raw().hex()

    def sign(self, entry: str, at: str) -> Signature:
        """Return the signature under an entry."""
        made = self._key.sign(_message(entry, at)).hex()
        return Signature(entry, self.public, at, made)

    def sign_file(self, content: bytes) -> str:
        """Return the signature of the manifest of an exchange file."""
        return self._key.sign(_FILE_PURPOSE + content).hex()


def file_signature_holds(key: str, signature: str, content: bytes) -> bool:
    """Say whether a key signed the manifest of an exchange file."""
    return _holds(key, signature, _FILE_PURPOSE + content)


def settings_folder() -> Path:
    """Return the folder of the user's own settings."""
    if named := os.environ.get("EVENFALL_SETTINGS"):
        return Path(named)
    base = os.environ.get("XDG_CONFIG_HOME") or os.environ.get("APPDATA")
    return (Path(base) if base else Path.home() / ".config") / "evenfall"


def signing_key() -> SigningKey:
    """Return the user's key, made now if there is none; only the user can read its file."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    path = settings_folder() / "signing-key"
    at = At(file=str(path))
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        if not path.exists():
            made = Ed25519PrivateKey.generate().private_bytes_raw().hex()
            _write_once(path, made)
        if os.name != "nt" and path.stat().st_mode & 0o077:
            raise RequestError(
                "Other users can read the signing key; take that right away (mode 600), or remove "
                "the file if somebody may have copied it: a new key is made.",
                at=at,
            )
        return SigningKey(Ed25519PrivateKey.from_private_bytes(bytes.fromhex(path.read_text())))
    except OSError as error:
        raise RequestError(
            "The signing key cannot be kept ({reason}); make the folder writable.",
            at=at,
            reason=(error.strerror or str(error)).lower(),
        ) from None
    except ValueError:
        raise BrokenFileError(
            "The signing key is damaged; put it back from a copy, or remove the file and a new key "
            "is made.",
            at=at,
        ) from None


def trusted_keys() -> tuple[str, ...]:
    """Return the keys of partners whose files may be filed, and the user's own."""
    path = settings_folder() / "trusted-keys"
    kept = path.read_text(encoding="utf-8").split() if path.is_file() else []
    return (*kept, signing_key().public)


def trust(key: str) -> None:
    """Trust a partner's key from now on; it may be written in groups."""
    key = "".join(key.split()).lower()
    if not re.fullmatch("[0-9a-f]{64}", key):
        raise RequestError(
            "{key:quoted} is not a key; it has 64 digits 0 to 9 and a to f, as the partner reads "
            "them out.",
            key=key,
        )
    if key not in trusted_keys():
        path = settings_folder() / "trusted-keys"
        before = path.read_text(encoding="utf-8") if path.is_file() else ""
        write_atomically(path, f"{before}{key}\n")


def _write_once(path: Path, content: str) -> None:
    """Write a new file whole, readable by its owner alone; a file of another process wins."""
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(handle, "w") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())
    try:
        if not path.exists():
            os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)


def _message(entry: str, at: str) -> bytes:
    return _PURPOSE + f"{entry} {at}".encode()


def _holds(key: str, signature: str, message: bytes) -> bool:
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        made_by = Ed25519PublicKey.from_public_bytes(bytes.fromhex(key))
        made_by.verify(bytes.fromhex(signature), message)
    except (InvalidSignature, ValueError):
        return False
    return True
