"""A private authority for one site, and the certificates it signs: the broker's, and one for each node.

Elliptic keys on P-256, which small boards work out in about a second. A board's calendar starts between 2000 and 2021 and is
never set, so certificates begin before that; a board cannot see that one has run out, the host can, and `wheelpit keys`
makes those anew that soon will. Source for the extensions: RFC 5280, sections 4.2.1.3, 4.2.1.6, 4.2.1.9 and 4.2.1.12.
"""

from __future__ import annotations

import datetime as dt
import ipaddress
import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from wheelpit.errors import WheelpitError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

BEGIN: Final = dt.datetime(1999, 12, 31, tzinfo=dt.UTC)
_AUTHORITY_YEARS: Final = 20
_NODE_YEARS: Final = 20
_SERVER_DAYS: Final = 730
RENEW_DAYS: Final = 90
_LONGEST_NAME: Final = 64  # of a common name, RFC 5280, appendix A.1


class AuthorityError(WheelpitError):
    """The authority's files are not usable, or not there."""


@dataclass(frozen=True, slots=True)
class Authority:
    """Who signs."""

    key: ec.EllipticCurvePrivateKey
    certificate: x509.Certificate


def _write_private(path: Path, content: bytes) -> None:
    """Write a file that only its owner can read, whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.part")
    part.unlink(missing_ok=True)
    with os.fdopen(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)


def _pem(certificate: x509.Certificate) -> bytes:
    return certificate.public_bytes(serialization.Encoding.PEM)


def _der(certificate: x509.Certificate) -> bytes:
    return certificate.public_bytes(serialization.Encoding.DER)


def _key_bytes(key: ec.EllipticCurvePrivateKey, encoding: serialization.Encoding) -> bytes:
    return key.private_bytes(encoding, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())


def _name(words: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, words[:_LONGEST_NAME])])


def _builder(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePublicKey, until: dt.datetime
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(BEGIN)
        .not_valid_after(until)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key), critical=False)
    )


def _usage(*, signs: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=signs,
        crl_sign=signs,
        encipher_only=False,
        decipher_only=False,
    )


def authority(folder: Path, site: str, now: dt.datetime) -> Authority:
    """Return a site's authority: the one in a folder, or a new one if there is none.

    Raises:
        AuthorityError: one of its two files is missing or unusable; a new authority would lock every node out, so it is
            never made in place of another.

    """
    key_file, file = folder / "ca-key.pem", folder / "ca.pem"
    if key_file.exists() != file.exists():
        missing = file if key_file.exists() else key_file
        msg = (
            f"{missing} is missing: put it back from a copy. To begin a new authority move the other file away too; every "
            "node and the host then need the new ca files"
        )
        raise AuthorityError(msg)
    if file.exists():
        try:
            key = serialization.load_pem_private_key(key_file.read_bytes(), None)
            certificate = x509.load_pem_x509_certificate(file.read_bytes())
        except (ValueError, TypeError) as error:
            msg = f"the authority in {folder} cannot be read ({error}): put its files back from a copy"
            raise AuthorityError(msg) from error
        if not isinstance(key, ec.EllipticCurvePrivateKey) or key.public_key() != certificate.public_key():
            msg = f"{key_file} is not the key of {file}: put both back from one copy"
            raise AuthorityError(msg)
        return Authority(key, certificate)
    made = ec.generate_private_key(ec.SECP256R1())
    name = _name(f"Wheelpit authority of {site}")
    certificate = (
        _builder(name, name, made.public_key(), now + dt.timedelta(days=365 * _AUTHORITY_YEARS))
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(signs=True), critical=True)
        .sign(made, hashes.SHA256())
    )
    _write_private(key_file, _key_bytes(made, serialization.Encoding.PEM))
    _write_private(folder / "ca.der", _der(certificate))
    _write_private(file, _pem(certificate))
    return Authority(made, certificate)


def _alternative(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)


def _sign(
    by: Authority,
    subject: str,
    until: dt.datetime,
    usage: x509.ObjectIdentifier,
    names: Sequence[x509.GeneralName] = (),
) -> tuple[ec.EllipticCurvePrivateKey, x509.Certificate]:
    key = ec.generate_private_key(ec.SECP256R1())
    builder = (
        _builder(_name(subject), by.certificate.subject, key.public_key(), until)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([usage]), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(by.certificate.public_key()),  # type: ignore[arg-type] # ours is elliptic
            critical=False,
        )
    )
    if names:
        builder = builder.add_extension(x509.SubjectAlternativeName(names), critical=False)
    return key, builder.sign(by.key, hashes.SHA256())


def server(folder: Path, by: Authority, names: Sequence[str], now: dt.datetime) -> bool:
    """Make the broker's certificate for its names and addresses, if it is missing, other, or soon over.

    Returns:
        Whether it was made.

    Raises:
        AuthorityError: a name cannot stand in a certificate.

    """
    file = folder / "server.pem"
    try:
        wanted = [_alternative(name) for name in names]
    except ValueError as error:
        msg = f"{', '.join(names)}: no such name can stand in a certificate ({error}); use plain host names and addresses"
        raise AuthorityError(msg) from error
    if (folder / "server-key.pem").exists() and _still_good(file, by, wanted, now):
        return False
    until = now + dt.timedelta(days=_SERVER_DAYS)
    key, certificate = _sign(by, names[0], until, ExtendedKeyUsageOID.SERVER_AUTH, wanted)
    _write_private(folder / "server-key.pem", _key_bytes(key, serialization.Encoding.PEM))
    _write_private(file, _pem(certificate))
    return True


def _still_good(file: Path, by: Authority, wanted: Sequence[x509.GeneralName], now: dt.datetime) -> bool:
    if not file.exists():
        return False
    try:
        certificate = x509.load_pem_x509_certificate(file.read_bytes())
        certificate.verify_directly_issued_by(by.certificate)
        told = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except Exception:  # noqa: BLE001 - whatever is wrong with it, another one is made
        return False
    return set(told) == set(wanted) and certificate.not_valid_after_utc - now > dt.timedelta(days=RENEW_DAYS)


def _is_ours(file: Path, by: Authority) -> bool:
    try:
        x509.load_der_x509_certificate(file.read_bytes()).verify_directly_issued_by(by.certificate)
    except Exception:  # noqa: BLE001 - not there, of another authority, no certificate: another one is made
        return False
    return True


def node(folder: Path, by: Authority, user: str, now: dt.datetime) -> bool:
    """Make a node's certificate and key in the form that a board reads, and lay the authority's beside it.

    Returns:
        Whether they were made.

    """
    _write_private(folder / "ca.der", _der(by.certificate))
    file, key_file = folder / "client.der", folder / "client-key.der"
    if key_file.exists() and _is_ours(file, by):
        return False
    until = now + dt.timedelta(days=365 * _NODE_YEARS)
    key, certificate = _sign(by, user, until, ExtendedKeyUsageOID.CLIENT_AUTH)
    _write_private(key_file, _key_bytes(key, serialization.Encoding.DER))
    _write_private(file, _der(certificate))
    return True


def host(folder: Path, by: Authority, user: str, now: dt.datetime) -> bool:
    """Make the host's own certificate and key, for brokers that ask for one; return whether they were made."""
    file, key_file = folder / "host.pem", folder / "host-key.pem"
    if key_file.exists() and file.exists():
        return False
    until = now + dt.timedelta(days=365 * _NODE_YEARS)
    key, certificate = _sign(by, user, until, ExtendedKeyUsageOID.CLIENT_AUTH)
    _write_private(key_file, _key_bytes(key, serialization.Encoding.PEM))
    _write_private(file, _pem(certificate))
    return True
