"""Certificates of these pages: an authority of our own, and what it vouches for.

An authority is made here, which a tablet is told to trust once, and which can vouch for the names
of these pages alone; and a certificate by it, made again before it runs out. Both keys lie in the
user's own folder.
"""

from __future__ import annotations

import ipaddress
import os
from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)
from cryptography.x509.oid import ExtendedKeyUsageOID

from evenfall.files import write_atomically

AUTHORITY_DAYS = 3650
CERTIFICATE_DAYS = 365
"""Fewer than the 366 days that Mozilla's "intermediate" TLS configuration allows."""
_SOON = timedelta(days=30)
_AUTHORITY, _SERVER = "authority", "server"


def ends(certificate: Path) -> str:
    """Return the day on which a certificate ends."""
    found = x509.load_pem_x509_certificate(certificate.read_bytes())
    return f"{found.not_valid_after_utc:%Y-%m-%d}"


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
        authority = _make_authority(folder, names)
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


def _kept(path: Path) -> x509.Certificate | None:
    """Return a certificate that is there, sound and good for a while yet."""
    try:
        found = x509.load_pem_x509_certificate(path.read_bytes())
    except (OSError, ValueError):
        return None
    good = found.not_valid_after_utc - _SOON > datetime.now(UTC)
    return found if good and path.with_suffix(".key").is_file() else None


def _general(names: Sequence[str]) -> list[x509.GeneralName]:
    """Return names as a certificate holds them."""
    made: list[x509.GeneralName] = []
    for name in sorted(set(names)):
        try:
            made.append(x509.IPAddress(ipaddress.ip_address(name)))
        except ValueError:
            made.append(x509.DNSName(name))
    return made


def _named(certificate: x509.Certificate) -> list[x509.GeneralName]:
    names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName)
    return list(names.value)


def _vouches(authority: x509.Certificate, names: Sequence[str]) -> bool:
    try:
        limits = authority.extensions.get_extension_for_class(x509.NameConstraints).value
    except x509.ExtensionNotFound:
        return False
    permitted = {
        str(one.value.network_address) if isinstance(one, x509.IPAddress) else str(one.value)  # type: ignore[union-attr]
        for one in limits.permitted_subtrees or ()
    }
    return set(map(str, names)) <= permitted


def _make_authority(folder: Path, names: Sequence[str]) -> x509.Certificate:
    key = ec.generate_private_key(ec.SECP256R1())
    name = _called(f"evenfall {key.public_key().public_numbers().x & 0xFFFFFFFF:08x}")
    limits = [
        x509.IPAddress(ipaddress.ip_network(str(one.value)))
        if isinstance(one, x509.IPAddress)
        else one
        for one in _general(names)
    ]
    made = (
        _begun(name, key, AUTHORITY_DAYS, authority=True)
        .issuer_name(name)
        .add_extension(x509.NameConstraints(limits, None), critical=True)
        .sign(key, SHA256())
    )
    _keep(folder, _AUTHORITY, made, key)
    return made


def _make_certificate(folder: Path, authority: x509.Certificate, names: Sequence[str]) -> None:
    signing = load_pem_private_key((folder / f"{_AUTHORITY}.key").read_bytes(), None)
    assert isinstance(signing, ec.EllipticCurvePrivateKey)  # noqa: S101 (we made it)
    key = ec.generate_private_key(ec.SECP256R1())
    issuer = authority.extensions.get_extension_for_class(x509.SubjectKeyIdentifier).value
    made = (
        _begun(_called("evenfall"), key, CERTIFICATE_DAYS, authority=False)
        .issuer_name(authority.subject)
        .add_extension(x509.SubjectAlternativeName(_general(names)), critical=False)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_subject_key_identifier(issuer), critical=False
        )
        .sign(signing, SHA256())
    )
    _keep(folder, _SERVER, made, key)


def _called(name: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)])


def _begun(
    name: x509.Name, key: ec.EllipticCurvePrivateKey, days: int, *, authority: bool
) -> x509.CertificateBuilder:
    """Return what every certificate says: whose it is, how long, and what its key is for."""
    now = datetime.now(UTC)
    usage = x509.KeyUsage(
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
    length = 0 if authority else None
    public = key.public_key()
    return (
        x509.CertificateBuilder()
        .subject_name(name)
        .public_key(public)
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))
        .not_valid_after(now + timedelta(days=days))
        .add_extension(x509.BasicConstraints(ca=authority, path_length=length), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(public), critical=False)
    )


def _keep(folder: Path, name: str, made: x509.Certificate, key: ec.EllipticCurvePrivateKey) -> None:
    """Keep a certificate and its key; the key for this user alone."""
    secret = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    place = folder / f"{name}.key"
    place.unlink(missing_ok=True)
    with os.fdopen(os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as stream:
        stream.write(secret)
    write_atomically(folder / f"{name}.crt", made.public_bytes(Encoding.PEM))
