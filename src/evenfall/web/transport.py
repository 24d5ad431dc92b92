"""How the pages travel: an address to listen at, and TLS for every one but this machine's own.

Without a certificate of the workshop's, one is made here: an authority of our own, which a tablet
is told to trust once, and which can vouch for the names of these pages alone; and a certificate by
it, made again before it runs out. Both keys lie in the user's own folder.
"""

from __future__ import annotations

import errno
import ipaddress
import logging
import os
import socket
import ssl
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from evenfall.errors import At, EvenfallError, RequestError
from evenfall.files import write_atomically

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey
    from cryptography.x509 import Certificate, GeneralName, KeyUsage

LOG = logging.getLogger("evenfall.web")
HOST = "127.0.0.1"
AUTHORITY_DAYS = 3650
CERTIFICATE_DAYS = 365
"""Fewer than the 366 days that Mozilla's "intermediate" TLS configuration allows."""
_SOON = timedelta(days=30)
_LOOK_S = 3600.0
_AUTHORITY, _SERVER = "authority", "server"


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
                LOG.info("certificate", extra={"told": {"until": ends(pair[0])}})
        except (EvenfallError, OSError) as error:
            LOG.warning("certificate", extra={"told": {"reason": str(error)}})


def _changed_ns(pair: tuple[Path, Path]) -> list[int]:
    return [path.stat().st_mtime_ns for path in pair]


def ends(certificate: Path) -> str:
    """Return the day on which a certificate ends."""
    from cryptography.x509 import load_pem_x509_certificate

    return f"{load_pem_x509_certificate(certificate.read_bytes()).not_valid_after_utc:%Y-%m-%d}"


def ends_soon(certificate: Path) -> bool:
    """Say whether a certificate ends within a month, or has ended."""
    return ends(certificate) < f"{datetime.now(UTC) + _SOON:%Y-%m-%d}"


def own_certificate(folder: Path, names: Sequence[str]) -> tuple[Path, Path, bytes]:
    """Return certificate and key for names, made by our own authority, and the authority's.

    The authority stays as long as it can vouch for the names; for another name a new one is made,
    which every tablet has to be told to trust again.
    """
    names = [_canonical(name) for name in names]
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    authority = _kept(folder / f"{_AUTHORITY}.crt")
    if authority is None or not _vouches(authority, names):
        _make_authority(folder, names)
        authority = _kept(folder / f"{_AUTHORITY}.crt")
        assert authority is not None  # noqa: S101 (it was just made)
    server = _kept(folder / f"{_SERVER}.crt")
    if server is None or server.issuer != authority.subject or _named(server) != _general(names):
        _make_certificate(folder, authority, names)
    public = (folder / f"{_AUTHORITY}.crt").read_bytes()
    return folder / f"{_SERVER}.crt", folder / f"{_SERVER}.key", public


def _canonical(name: str) -> str:
    """Return a name as certificates are compared: an address in its shortest form."""
    with suppress(ValueError):
        return str(ipaddress.ip_address(name))
    return name


def _kept(path: Path) -> Certificate | None:
    """Return a certificate that is there, sound and good for a while yet."""
    from cryptography.x509 import load_pem_x509_certificate

    try:
        found = load_pem_x509_certificate(path.read_bytes())
    except (OSError, ValueError):
        return None
    good = found.not_valid_after_utc - _SOON > datetime.now(UTC)
    return found if good and path.with_suffix(".key").is_file() else None


def _general(names: Sequence[str]) -> list[GeneralName]:
    """Return names as a certificate holds them."""
    from cryptography.x509 import DNSName, IPAddress

    made: list[GeneralName] = []
    for name in sorted(set(names)):
        try:
            made.append(IPAddress(ipaddress.ip_address(name)))
        except ValueError:
            made.append(DNSName(name))
    return made


def _named(certificate: Certificate) -> list[GeneralName]:
    from cryptography.x509 import SubjectAlternativeName

    return list(certificate.extensions.get_extension_for_class(SubjectAlternativeName).value)


def _vouches(authority: Certificate, names: Sequence[str]) -> bool:
    from cryptography.x509 import ExtensionNotFound, IPAddress, NameConstraints

    try:
        limits = authority.extensions.get_extension_for_class(NameConstraints).value
    except ExtensionNotFound:
        return False
    permitted = {
        str(one.value.network_address) if isinstance(one, IPAddress) else str(one.value)  # type: ignore[union-attr]
        for one in limits.permitted_subtrees or ()
    }
    return set(map(str, names)) <= permitted


def _make_authority(folder: Path, names: Sequence[str]) -> None:
    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.hazmat.primitives.hashes import SHA256

    key = ec.generate_private_key(ec.SECP256R1())
    said = f"evenfall {key.public_key().public_numbers().x & 0xFFFFFFFF:08x}"
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, said)])
    limits: list[GeneralName] = []
    for one in _general(names):
        if isinstance(one, x509.IPAddress):
            limits.append(x509.IPAddress(ipaddress.ip_network(str(one.value))))
        else:
            limits.append(one)
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))
        .not_valid_after(now + timedelta(days=AUTHORITY_DAYS))
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(x509.NameConstraints(limits, None), critical=True)
        .add_extension(_usage(authority=True), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, SHA256())
    )
    _keep(folder, _AUTHORITY, made, key)


def _make_certificate(folder: Path, authority: Certificate, names: Sequence[str]) -> None:
    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.hazmat.primitives.hashes import SHA256
    from cryptography.hazmat.primitives.serialization import load_pem_private_key
    from cryptography.x509.oid import ExtendedKeyUsageOID

    signing = load_pem_private_key((folder / f"{_AUTHORITY}.key").read_bytes(), None)
    assert isinstance(signing, ec.EllipticCurvePrivateKey)  # noqa: S101 (we made it)
    key = ec.generate_private_key(ec.SECP256R1())
    now = datetime.now(UTC)
    issuer = authority.extensions.get_extension_for_class(x509.SubjectKeyIdentifier).value
    made = (
        x509.CertificateBuilder()
        .subject_name(x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "evenfall")]))
        .issuer_name(authority.subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))
        .not_valid_after(now + timedelta(days=CERTIFICATE_DAYS))
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.SubjectAlternativeName(_general(names)), critical=False)
        .add_extension(_usage(authority=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_subject_key_identifier(issuer), critical=False
        )
        .sign(signing, SHA256())
    )
    _keep(folder, _SERVER, made, key)


def _usage(*, authority: bool) -> KeyUsage:
    from cryptography.x509 import KeyUsage

    return KeyUsage(
        digital_signature=not authority,
        key_cert_sign=authority,
        crl_sign=authority,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        encipher_only=False,
        decipher_only=False,
    )


def _keep(folder: Path, name: str, made: Certificate, key: EllipticCurvePrivateKey) -> None:
    """Keep a certificate and its key; the key for this user alone."""
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

    secret = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    place = folder / f"{name}.key"
    place.unlink(missing_ok=True)
    with os.fdopen(os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as stream:
        stream.write(secret)
    write_atomically(folder / f"{name}.crt", made.public_bytes(Encoding.PEM))
