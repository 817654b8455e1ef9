"""Certificates for tests: authorities, devices, lists of revoked ones, and all that can be wrong.

Made with the library directly and not with the daemon's own command, so that one can be held
against the other.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

NOW = datetime.now(UTC).replace(microsecond=0)
YEAR = timedelta(days=365)
USES = (
    *("digital_signature", "content_commitment", "key_encipherment", "data_encipherment"),
    *("key_agreement", "key_cert_sign", "crl_sign", "encipher_only", "decipher_only"),
)
OF_APPLICATION = USES[:4]
OF_AUTHORITY = ("key_cert_sign", "crl_sign")


@cache
def rsa_key(name: str, bits: int = 2048) -> rsa.RSAPrivateKey:
    """One key for each name; making one takes a tenth of a second."""
    del name
    return rsa.generate_private_key(65537, bits)


@dataclass(frozen=True)
class Identity:
    """A certificate and its key."""

    certificate: x509.Certificate
    key: rsa.RSAPrivateKey

    @property
    def der(self) -> bytes:
        """The certificate as it goes over the wire."""
        return self.certificate.public_bytes(Encoding.DER)

    @property
    def pem(self) -> bytes:
        """The key as it stands in a file."""
        return self.key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())

    def save(self, folder: Path, name: str) -> tuple[Path, Path]:
        """Files of certificate (DER) and key (PEM)."""
        certificate, key = folder / f"{name}.der", folder / f"{name}_key.pem"
        certificate.write_bytes(self.der)
        key.write_bytes(self.pem)
        key.chmod(0o600)
        return certificate, key


def made(
    name: str,
    *,
    uri: str | None = None,
    hosts: Iterable[str] = (),
    signer: Identity | None = None,
    is_authority: bool = False,
    path_length: int | None = None,
    uses: Iterable[str] | None = None,
    begin: datetime = NOW - timedelta(days=1),
    end: datetime = NOW + YEAR,
    key: rsa.RSAPrivateKey | None = None,
    is_client: bool = False,
) -> Identity:
    """Certificate of an application or of an authority; without a signer it signs itself."""
    key = key or rsa_key(name)
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    if uses is None:
        uses = OF_AUTHORITY if is_authority else OF_APPLICATION
    uses = set(uses)
    builder = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(signer.certificate.subject if signer else subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(begin)
        .not_valid_after(end)
        .add_extension(x509.BasicConstraints(is_authority, path_length), critical=True)
        .add_extension(x509.KeyUsage(**{use: use in uses for use in USES}), critical=True)
    )
    names: list[x509.GeneralName] = [x509.UniformResourceIdentifier(uri)] if uri else []
    for host in hosts:
        try:
            names.append(x509.IPAddress(ipaddress.ip_address(host)))
        except ValueError:
            names.append(x509.DNSName(host))
    if names:
        builder = builder.add_extension(x509.SubjectAlternativeName(names), critical=False)
    if not is_authority:
        purpose = ExtendedKeyUsageOID.CLIENT_AUTH if is_client else ExtendedKeyUsageOID.SERVER_AUTH
        builder = builder.add_extension(x509.ExtendedKeyUsage([purpose]), critical=False)
    signing = signer.key if signer else key
    return Identity(builder.sign(signing, hashes.SHA256()), key)


def revocations(
    signer: Identity,
    revoked: Iterable[Identity] = (),
    *,
    begin: datetime = NOW - timedelta(days=1),
    end: datetime = NOW + timedelta(days=30),
) -> bytes:
    """List (DER) of what an authority has taken back."""
    builder = (
        x509.CertificateRevocationListBuilder()
        .issuer_name(signer.certificate.subject)
        .last_update(begin)
        .next_update(end)
    )
    for one in revoked:
        entry = (
            x509.RevokedCertificateBuilder()
            .serial_number(one.certificate.serial_number)
            .revocation_date(begin)
            .build()
        )
        builder = builder.add_revoked_certificate(entry)
    return builder.sign(signer.key, hashes.SHA256()).public_bytes(Encoding.DER)
