"""How the pages travel: an address to listen at, and TLS for every one but this machine's own."""

from __future__ import annotations

import errno
import ipaddress
import logging
import os
import socket
import ssl
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from evenfall.errors import At, EvenfallError, RequestError

LOG = logging.getLogger("evenfall.web")
HOST = "127.0.0.1"
_LOOK_S = 3600.0


def is_own(host: str) -> bool:
    """Say whether an address can be reached from this machine alone."""
    with suppress(ValueError):
        return ipaddress.ip_address(host).is_loopback
    return host == "localhost"


def listen(port: int, host: str = HOST) -> socket.socket:
    """Return a socket that listens at an address: without one, at that of this machine alone."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # named as TCP, so that asyncio sends small answers at once
    made = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    if os.name == "posix":
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind((host, port))
        made.listen(128)  # so that who reads the address may call at once
    except OSError as error:
        made.close()
        if isinstance(error, socket.gaierror) or error.errno == errno.EADDRNOTAVAIL:
            raise RequestError(
                "{host:quoted} is not an address of this machine; name one, or 0.0.0.0 for all.",
                at=At(field="host"),
                host=host,
            ) from None
        raise RequestError(
            "Port {port} is in use or not allowed; choose another, or 0 for any that is free.",
            at=At(field="port"),
            port=port,
        ) from None
    return made


def own_names(host: str) -> tuple[str, ...]:
    """Return by which names a browser calls this machine, where it listens at an address."""
    if host not in ("0.0.0.0", "::"):  # noqa: S104 (it is asked about, not bound)
        return (host,)
    names = [socket.gethostname().lower()]
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        asking.connect(("192.0.2.1", 9))  # nothing is sent: it only says by which address it would
        names.append(asking.getsockname()[0])
    return tuple(dict.fromkeys(names))


def context(certificate: Path, key: Path) -> ssl.SSLContext:
    """Return what speaks TLS 1.2 and 1.3 by a certificate and its key."""
    made = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    made.minimum_version = ssl.TLSVersion.TLSv1_2
    made.set_ciphers("ECDHE+AESGCM:ECDHE+CHACHA20")
    made.options |= ssl.OP_NO_RENEGOTIATION

    def no_password() -> str:
        raise RequestError(
            "The key is locked by a password, and nobody is there to type it; take one without.",
            at=At(file=str(key)),
        )

    for path in (certificate, key):
        if not path.is_file():
            raise RequestError(
                "There is no such file; check its name and folder.", at=At(file=str(path))
            )
    try:
        made.load_cert_chain(certificate, key, no_password)
    except (ssl.SSLError, OSError):
        raise RequestError(
            "Certificate and key do not belong together, or one of them is not a PEM file; give "
            "both "
            "as they came from whoever made them.",
            at=At(file=str(certificate)),
        ) from None
    return made


def kept_fresh(
    made: ssl.SSLContext,
    pair: tuple[Path, Path],
    renew: Callable[[], object] | None = None,
    *,
    every_s: float = _LOOK_S,
    stop: threading.Event | None = None,
) -> None:
    """Take a certificate that was renewed into use for whoever comes from now on, until stopped.

    `renew` makes ours again before it runs out; of one that is given, its files are watched.
    """
    stop = stop or threading.Event()
    before, newest = _changed_ns(pair), made

    def by_newest(one: ssl.SSLObject | ssl.SSLSocket, _name: str | None, _: ssl.SSLContext) -> None:
        one.context = newest

    # whole contexts are exchanged: who calls while one loads a pair would find half of it
    made.sni_callback = by_newest
    while not stop.wait(every_s):
        try:
            if renew is not None:
                renew()
            now = _changed_ns(pair)
            if now != before:
                newest = context(*pair)  # what does not go together is not taken
                before = now
                from evenfall.web.certificates import ends

                LOG.info("certificate", extra={"told": {"until": ends(pair[0])}})
        except (EvenfallError, OSError) as error:
            LOG.warning("certificate", extra={"told": {"reason": str(error)}})


def _changed_ns(pair: tuple[Path, Path]) -> list[int]:
    return [path.stat().st_mtime_ns for path in pair]
