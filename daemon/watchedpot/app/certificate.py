"""The command that makes the certificate by which OPC UA servers know the daemon.

Signed by itself: a person at the server accepts it by its fingerprint. Key and certificate are
made once and never written over, since what was accepted there would be worth nothing then.
"""

from __future__ import annotations

import argparse
import os
import re
from pathlib import Path
from typing import TYPE_CHECKING

from watchedpot.errors import WatchedpotError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.rsa import RSAPrivateKey
    from cryptography.x509 import Certificate, GeneralName

KEY_BITS = 2048
"""Shortest key that all three policies take, OPC UA Part 7 [bit]; small controllers take no other.
"""

DEFAULT_DAYS = 1825
LONGEST_DAYS = 7300
"""Five years, and at most twenty [days]: longer than most, since somebody must walk to each
server to renew it; the daemon warns before it ends."""

KEY_FILE, CERTIFICATE_FILE = "watchedpot_key.pem", "watchedpot_certificate.der"

_URI = re.compile(r"^[a-z][a-z0-9+.-]*:[!-~]+$", re.IGNORECASE)
_HOST = re.compile(r"^[A-Za-z0-9]([A-Za-z0-9.:-]{0,252})$")


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the others."""
    command = commands.add_parser(
        "certificate", help="make the certificate by which OPC UA servers know us, or show one"
    )
    what = command.add_mutually_exclusive_group(required=True)
    what.add_argument("--out", type=Path, metavar="DIR", help="folder for certificate and key")
    what.add_argument("--show", type=Path, metavar="FILE", help="print what a certificate says")
    command.add_argument(
        "--uri", type=_uri, metavar="urn:...", help="what the daemon is called; with --out needed"
    )
    command.add_argument(
        "--host",
        action="append",
        type=_host,
        default=[],
        metavar="NAME",
        help="name or address of this computer; may be given again",
    )
    command.add_argument(
        "--days",
        type=_days,
        default=DEFAULT_DAYS,
        metavar="N",
        help=f"how long it is valid (default {DEFAULT_DAYS})",
    )
    command.set_defaults(command=_command)


def _uri(text: str) -> str:
    """Reader of the name of an application."""
    if not _URI.match(text):
        msg = f"expected a URI such as urn:plant:watchedpot, got {text!r}"
        raise argparse.ArgumentTypeError(msg)
    return text


def _host(text: str) -> str:
    """Reader of a host's name or address."""
    if not _HOST.match(text):
        msg = f"expected the name or the address of a computer, got {text!r}"
        raise argparse.ArgumentTypeError(msg)
    return text


def _days(text: str) -> int:
    """Reader of a validity."""
    if not text.isdecimal() or not 1 <= int(text) <= LONGEST_DAYS:
        msg = f"expected 1 to {LONGEST_DAYS} days, got {text!r}"
        raise argparse.ArgumentTypeError(msg)
    return int(text)


def _command(options: argparse.Namespace) -> int:
    """Show a certificate, or make one."""
    if options.show is not None:
        return _show(options.show)
    if options.uri is None:
        raise WatchedpotError("--uri", "expected what the daemon is called, got none")
    from watchedpot.sources.certificates import fingerprint

    folder: Path = options.out
    certificate, key = make(options.uri, hosts=options.host, days=options.days)
    save(folder, certificate, key)
    print(
        f"certificate {folder / CERTIFICATE_FILE}\n"
        f"key         {folder / KEY_FILE} (readable by its owner only; keep it here)\n"
        f"application {options.uri}\n"
        f"valid until {certificate.not_valid_after_utc:%Y-%m-%d %H:%M} UTC\n"
        f"SHA-256     {fingerprint(certificate)}\n"
        "\n"
        "Next: name both files in the table [sources.security], as certificate_path and key_path;\n"
        "copy the certificate, never the key, to the server and have a qualified person accept\n"
        "it there by its fingerprint; get the server's certificate by a way that you trust into\n"
        "the folder named by trusted_folder; then run: watchedpot check CONFIG --connect"
    )
    return 0


def make(
    uri: str, *, hosts: list[str] | None = None, days: int = DEFAULT_DAYS
) -> tuple[Certificate, RSAPrivateKey]:
    """New key and the certificate for it, signed by itself.

    Parameters
    ----------
    uri
        What the application is called.
    hosts
        Names and addresses of the computer that it runs on; none is allowed for a client.
    days : int
        How long it is valid. [days]

    Source
    ------
    OPC UA Part 6, 6.2.2 (Application Instance Certificate): URI in the subject's alternative
    name; uses digitalSignature, nonRepudiation, keyEncipherment and dataEncipherment, and
    keyCertSign where it is signed by itself; extended use clientAuth of a client.
    """
    from datetime import UTC, datetime, timedelta

    from cryptography import x509
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import rsa
    from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

    key = rsa.generate_private_key(public_exponent=65537, key_size=KEY_BITS)
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "watchedpot")])
    now = datetime.now(UTC)
    names = [x509.UniformResourceIdentifier(uri), *map(_general_name, hosts or [])]
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        # A server whose clock is somewhat behind must accept it at once.
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=days))
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(
            x509.KeyUsage(
                digital_signature=True,
                content_commitment=True,
                key_encipherment=True,
                data_encipherment=True,
                key_agreement=False,
                key_cert_sign=True,
                crl_sign=False,
                encipher_only=False,
                decipher_only=False,
            ),
            critical=True,
        )
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.CLIENT_AUTH]), critical=False)
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(key.public_key()), critical=False
        )
        .sign(key, hashes.SHA256())
    )
    return certificate, key


def save(folder: Path, certificate: Certificate, key: RSAPrivateKey) -> None:
    """Write both into a folder, the key readable by its owner only; nothing is written over.

    Raises
    ------
    WatchedpotError
        There is a file already, or none can be made.
    """
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

    content = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    for name in (KEY_FILE, CERTIFICATE_FILE):
        if (folder / name).exists():
            _refuse(folder / name, "a file that is there already")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _put(folder / KEY_FILE, content, mode=0o600)
        _put(folder / CERTIFICATE_FILE, certificate.public_bytes(Encoding.DER), mode=0o644)
    except OSError as exc:
        raise WatchedpotError(str(folder), f"expected a folder for files, got: {exc}") from exc


def _put(path: Path, content: bytes, *, mode: int) -> None:
    """Make a file with its mode from the start, so that no moment leaves a key open."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    with os.fdopen(descriptor, "wb") as file:
        file.write(content)


def _refuse(path: Path, came: str) -> None:
    raise WatchedpotError(
        str(path),
        f"expected a new file, got {came}",
        effect="nothing was written",
        hint="servers may know the certificate that is there; name another folder for a new one",
    )


def _show(path: Path) -> int:
    """Print what a person compares of a certificate."""
    from watchedpot.sources.certificates import (
        NotTrusted,
        application_uri,
        called,
        read_certificates,
    )

    try:
        certificates = read_certificates(path)
    except NotTrusted as exc:
        raise WatchedpotError(str(path), exc.problem, hint=exc.hint) from exc
    for certificate in certificates:
        print(
            f"{called(certificate)}\n"
            f"  application {application_uri(certificate) or 'none'}\n"
            f"  valid from  {certificate.not_valid_before_utc:%Y-%m-%d %H:%M} to"
            f" {certificate.not_valid_after_utc:%Y-%m-%d %H:%M} UTC"
        )
    return 0


def _general_name(host: str) -> GeneralName:
    """Name or address in the form that a certificate has it."""
    import ipaddress

    from cryptography import x509

    try:
        return x509.IPAddress(ipaddress.ip_address(host))
    except ValueError:
        return x509.DNSName(host)
