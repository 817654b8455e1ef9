"""A certificate for loopback that signs itself, as a trial of TLS needs it."""

from __future__ import annotations

import ipaddress
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import NameOID


def tomorrow() -> datetime:
    """A day from now."""
    return datetime.now(UTC) + timedelta(days=1)


def make_certificate(folder: Path, *, ends: datetime) -> tuple[Path, Path]:
    """Files of a certificate and its key, valid until some moment."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "cell")])
    names = x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))])
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(ends - timedelta(days=2))
        .not_valid_after(ends)
        .add_extension(names, critical=False)
        .sign(key, hashes.SHA256())
    )
    chain_path, key_path = folder / "chain.pem", folder / "key.pem"
    chain_path.write_bytes(made.public_bytes(Encoding.PEM))
    key_path.write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    return chain_path, key_path
