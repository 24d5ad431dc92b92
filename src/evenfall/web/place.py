"""Where the pages are served: by which names, over TLS or not, and what that asks for."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Place:
    """How a browser comes to these pages; without anything, from this machine alone."""

    hosts: tuple[str, ...] = ()  # names, each with its port where it is not the scheme's own
    secure: bool = False  # whether the browser comes by TLS
    accounts: bool = False  # whether nobody comes in without an account
    authority: bytes = b""  # our own certificate to be trusted, PEM; empty without one

    def base(self, host: str) -> str:
        """Return the address of these pages as who asks by a host calls them."""
        return f"{'https' if self.secure else 'http'}://{host}"

    @property
    def fingerprint(self) -> str:
        """The SHA-256 of our own certificate, as devices show it; "" without one."""
        if not self.authority:
            return ""
        from cryptography.hazmat.primitives.hashes import SHA256
        from cryptography.x509 import load_pem_x509_certificate

        return load_pem_x509_certificate(self.authority).fingerprint(SHA256()).hex(":").upper()
