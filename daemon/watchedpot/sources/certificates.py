"""Whether a certificate is to be trusted, and why not, in a sentence.

Follows the steps of OPC UA Part 4, 6.1.3 (Determining if a Certificate is trusted): signature
chain, validity, name, use, revocation. A certificate is trusted because a person put it, or the
one that signed it, into a folder; nothing is trusted because it came over the wire.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path

from cryptography import x509
from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.asymmetric.types import PrivateKeyTypes
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from watchedpot.core.units import NANO

FINGERPRINT_DIGITS = 16
"""Leading hexadecimal digits of a SHA-256 fingerprint that are shown [1]; 64 bits tell any two
certificates of a plant apart, and a person can compare them."""

LEAST_KEY_BITS = 2048
MOST_KEY_BITS = 4096
"""Key lengths that all three supported policies allow, OPC UA Part 7, 6.6.161 ff. [bit]"""

LONGEST_CHAIN = 6
"""Certificates from a server's to the one that is trusted [1]; a plant has two or three."""

SUFFIXES = frozenset({".der", ".pem", ".crt", ".cer", ".crl"})

PEM = b"-----BEGIN"

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

Certificate = x509.Certificate
Revocations = x509.CertificateRevocationList


class NotTrusted(Exception):  # noqa: N818 - as its neighbours in errors
    """A certificate is not believed.

    Attributes
    ----------
    problem
        Why not.
    hint
        What a person can do.
    """

    def __init__(self, problem: str, hint: str = "") -> None:
        super().__init__(problem)
        self.problem = problem
        self.hint = hint


@dataclass(frozen=True, slots=True)
class Trust:
    """What a person has said may be believed.

    Attributes
    ----------
    pinned
        The only certificate that is accepted; None for ``trusted``.
    trusted
        Certificates that are accepted, and those whose signature is.
    revocations
        Lists of revoked certificates; None where they are not asked for.
    place
        Where ``pinned`` or ``trusted`` is from, for hints.
    trusts_any
        Whether any certificate will do that is valid now.
    """

    pinned: Certificate | None = None
    trusted: tuple[Certificate, ...] = ()
    revocations: tuple[Revocations, ...] | None = None
    place: str = ""
    trusts_any: bool = False


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the certificate of a peer must say.

    Attributes
    ----------
    application_uri
        What the peer says it is called; None: not looked at.
    host_name
        Name or address that must be in it; None: not looked at.
    demand_key_usage
        Whether it must name the uses that OPC UA Part 6, 6.2.2 asks of an application.
    """

    application_uri: str | None = None
    host_name: str | None = None
    demand_key_usage: bool = False


def certificates_of(content: bytes) -> tuple[Certificate, ...]:
    """Certificates of a file or of a message: PEM, or DER with one after the other.

    Raises
    ------
    ValueError
        It holds none.
    """
    if PEM in content:
        return tuple(x509.load_pem_x509_certificates(content))
    found = tuple(x509.load_der_x509_certificate(part) for part in _der_parts(content))
    if not found:
        msg = "no certificate"
        raise ValueError(msg)
    return found


def _der_parts(content: bytes) -> Iterator[bytes]:
    """Each outermost sequence of a DER text (X.690, 8.1.3: length octets)."""
    while content:
        if len(content) < 2 or content[0] != 0x30:
            msg = "not a sequence of DER certificates"
            raise ValueError(msg)
        size, head = content[1], 2
        if size & 0x80:
            head += size & 0x7F
            size = int.from_bytes(content[2:head], "big")
        if not 0 < head + size <= len(content):
            msg = "a DER certificate that is cut off"
            raise ValueError(msg)
        yield content[: head + size]
        content = content[head + size :]


def read_certificates(path: Path) -> tuple[Certificate, ...]:
    """Certificates of a file, the first one foremost.

    Raises
    ------
    NotTrusted
        It cannot be read, or holds none.
    """
    try:
        return certificates_of(path.read_bytes())
    except OSError as exc:
        problem = f"expected a readable certificate {path}, got: {exc.strerror}"
        raise NotTrusted(problem) from exc
    except ValueError as exc:
        raise NotTrusted(f"expected a certificate in PEM or DER in {path}, got: {exc}") from exc


def read_key(path: Path) -> rsa.RSAPrivateKey:
    """RSA key of a PEM file without a password.

    Raises
    ------
    NotTrusted
        It cannot be read, or is something else.
    """
    try:
        key = _key_of(path.read_bytes())
    except OSError as exc:
        raise NotTrusted(f"expected a readable key {path}, got: {exc.strerror}") from exc
    except (ValueError, TypeError, UnsupportedAlgorithm) as exc:
        # The text of the cause could quote what is in the file.
        raise NotTrusted(f"expected a private key in PEM, without a password, in {path}") from exc
    if not isinstance(key, rsa.RSAPrivateKey):
        raise NotTrusted(f"expected an RSA key in {path}", "OPC UA's policies here are for RSA")
    return key


@lru_cache(maxsize=16)
def _key_of(content: bytes) -> PrivateKeyTypes:
    """Key of the text of a file.

    Kept, since checking one takes a seventh of a second, in which no source would be polled.
    """
    return serialization.load_pem_private_key(content, password=None)


def read_folder(folder: Path) -> tuple[Certificate, ...]:
    """All certificates of a folder, by file name.

    Raises
    ------
    NotTrusted
        The folder, or a file in it, cannot be read.
    """
    return tuple(one for path in _files(folder) for one in read_certificates(path))


def read_revocations(folder: Path) -> tuple[Revocations, ...]:
    """All lists of revoked certificates of a folder, by file name.

    Raises
    ------
    NotTrusted
        The folder, or a file in it, cannot be read: a list that is not known could name any.
    """
    found = []
    for path in _files(folder):
        try:
            content = path.read_bytes()
            load = x509.load_pem_x509_crl if PEM in content else x509.load_der_x509_crl
            found.append(load(content))
        except OSError as exc:
            raise NotTrusted(f"expected a readable list {path}, got: {exc.strerror}") from exc
        except ValueError as exc:
            problem = f"expected a list of revoked certificates in {path}, got: {exc}"
            raise NotTrusted(problem) from exc
    return tuple(found)


def _files(folder: Path) -> list[Path]:
    try:
        return sorted(path for path in folder.iterdir() if path.suffix.lower() in SUFFIXES)
    except OSError as exc:
        raise NotTrusted(f"expected a readable folder {folder}, got: {exc.strerror}") from exc


def fingerprint(certificate: Certificate) -> str:
    """Begin of the SHA-256 fingerprint, for a person to compare."""
    return certificate.fingerprint(hashes.SHA256()).hex()[:FINGERPRINT_DIGITS]


def called(certificate: Certificate) -> str:
    """Common name and fingerprint."""
    names = certificate.subject.get_attributes_for_oid(NameOID.COMMON_NAME)
    name = str(names[0].value) if names else "(without a name)"
    shown = "".join(sign if sign.isprintable() else "?" for sign in name)[:64]
    return f"{shown}, SHA-256 {fingerprint(certificate)}"


def application_uri(certificate: Certificate) -> str | None:
    """URI of the application that a certificate stands for (OPC UA Part 6, 6.2.2)."""
    names = _alternative_names(certificate)
    uris = names.get_values_for_type(x509.UniformResourceIdentifier) if names else []
    return uris[0] if uris else None


def expires_ns(certificates: Iterable[Certificate]) -> int | None:
    """UTC [ns] at which the first of some certificates ends; None without any."""
    ends = [certificate.not_valid_after_utc for certificate in certificates]
    return int((min(ends) - EPOCH).total_seconds()) * NANO if ends else None


def check(chain: Sequence[Certificate], trust: Trust, wanted: Wanted, *, at: datetime) -> None:
    """Accept the certificate of a peer.

    Parameters
    ----------
    chain
        What the peer showed, its own certificate first, perhaps those of its signers.
    trust
        What may be believed.
    wanted
        What the certificate must say.
    at
        Now, in UTC.

    Raises
    ------
    NotTrusted
        It is not accepted.

    Source
    ------
    OPC UA Part 4, 6.1.3. Other than there, the chain need not go on beyond the first trusted one.
    """
    try:
        _check(chain, trust, wanted, at)
    except (ValueError, UnsupportedAlgorithm, x509.DuplicateExtension) as exc:
        # What a peer shows can be anything; parts of it are only looked into here.
        raise NotTrusted(f"the certificate of the server does not read: {exc}") from exc


def _check(chain: Sequence[Certificate], trust: Trust, wanted: Wanted, at: datetime) -> None:
    """The steps, in the order in which they say the most."""
    leaf = chain[0]
    _check_validity(leaf, at)
    _check_key(leaf)
    _check_names(leaf, wanted)
    if wanted.demand_key_usage:
        _check_usage(leaf)
    if trust.trusts_any:
        return
    if trust.pinned is not None:
        if leaf != trust.pinned:
            raise NotTrusted(
                f"the server shows another certificate ({called(leaf)}) than the pinned one"
                f" ({called(trust.pinned)})",
                f"replace {trust.place} if a qualified person confirms the new one",
            )
        return
    path = _path(chain, trust, at)
    if trust.revocations is not None:
        _check_revocations(path, chain, trust, trust.revocations, at)


def _check_validity(certificate: Certificate, at: datetime) -> None:
    begin, end = certificate.not_valid_before_utc, certificate.not_valid_after_utc
    if begin <= at <= end:
        return
    raise NotTrusted(
        f"the certificate {called(certificate)} is valid from {begin:%Y-%m-%d %H:%M} to"
        f" {end:%Y-%m-%d %H:%M} UTC, and now is {at:%Y-%m-%d %H:%M}",
        "renew it, or correct the clock that is wrong",
    )


def _check_key(certificate: Certificate) -> None:
    key = certificate.public_key()
    if isinstance(key, rsa.RSAPublicKey) and LEAST_KEY_BITS <= key.key_size <= MOST_KEY_BITS:
        return
    came = f"RSA of {key.key_size} bit" if isinstance(key, rsa.RSAPublicKey) else "another kind"
    raise NotTrusted(
        f"expected an RSA key of {LEAST_KEY_BITS} to {MOST_KEY_BITS} bit in the certificate"
        f" {called(certificate)}, got {came}",
        "make a new one on the device",
    )


def _alternative_names(certificate: Certificate) -> x509.SubjectAlternativeName | None:
    try:
        return certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (x509.ExtensionNotFound, ValueError):
        return None


def _check_names(certificate: Certificate, wanted: Wanted) -> None:
    names = _alternative_names(certificate)
    uris = names.get_values_for_type(x509.UniformResourceIdentifier) if names else []
    if wanted.application_uri is not None and wanted.application_uri not in uris:
        raise NotTrusted(
            f"the server calls itself {wanted.application_uri}, its certificate"
            f" {called(certificate)} is for {uris[0] if uris else 'no application'}",
            "make a new certificate on the device",
        )
    host = wanted.host_name
    if host is not None and not (names and _names_host(names, host)):
        raise NotTrusted(
            f"expected {host} among the hosts of the certificate {called(certificate)}",
            "correct host_name, or make a new certificate on the device",
        )


def _names_host(names: x509.SubjectAlternativeName, host: str) -> bool:
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return host.lower() in (name.lower() for name in names.get_values_for_type(x509.DNSName))
    return address in names.get_values_for_type(x509.IPAddress)


def _check_usage(certificate: Certificate) -> None:
    """Uses of an application instance certificate of a server (OPC UA Part 6, 6.2.2)."""
    extensions = certificate.extensions
    try:
        use = extensions.get_extension_for_class(x509.KeyUsage).value
        extended = extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    except x509.ExtensionNotFound:
        is_fit = False
    else:
        is_fit = (
            use.digital_signature
            and use.content_commitment
            and use.key_encipherment
            and use.data_encipherment
            and ExtendedKeyUsageOID.SERVER_AUTH in extended
        )
    if not is_fit:
        raise NotTrusted(
            f"the certificate {called(certificate)} does not name the uses of an OPC UA server",
            "make a new one on the device, or set demand_key_usage = false",
        )


def _path(chain: Sequence[Certificate], trust: Trust, at: datetime) -> list[Certificate]:
    """Certificates from the peer's to the first one that is trusted."""
    path = [chain[0]]
    while path[-1] not in trust.trusted:
        signer = _signer(path[-1], (*trust.trusted, *chain[1:]), depth=len(path) - 1)
        if signer is None or signer in path or len(path) == LONGEST_CHAIN:
            raise NotTrusted(
                f"certificate of the server is not trusted: {called(chain[0])}",
                f"copy it to {trust.place} if a qualified person confirms it",
            )
        _check_validity(signer, at)
        path.append(signer)
    return path


def _signer(
    certificate: Certificate, candidates: Iterable[Certificate], *, depth: int
) -> Certificate | None:
    """The one that signed a certificate and was allowed to."""
    for candidate in candidates:
        if candidate.subject == certificate.issuer and _may_sign(candidate, depth=depth):
            try:
                certificate.verify_directly_issued_by(candidate)
            except (InvalidSignature, ValueError, TypeError, UnsupportedAlgorithm):
                continue
            return candidate
    return None


def _may_sign(certificate: Certificate, *, depth: int) -> bool:
    """Whether it is an authority's; a device's own certificate vouches for nobody else.

    ``depth`` counts the authorities between it and the peer (RFC 5280, 4.2.1.9).
    """
    try:
        basic = certificate.extensions.get_extension_for_class(x509.BasicConstraints).value
    except (x509.ExtensionNotFound, ValueError):
        return False
    if not basic.ca or (basic.path_length is not None and basic.path_length < depth):
        return False
    try:
        use = certificate.extensions.get_extension_for_class(x509.KeyUsage).value
    except x509.ExtensionNotFound:
        return True
    return use.key_cert_sign


def _check_revocations(
    path: Sequence[Certificate],
    chain: Sequence[Certificate],
    trust: Trust,
    revocations: Sequence[Revocations],
    at: datetime,
) -> None:
    """None of the path is on the list of its signer, and each signer has a list."""
    for number, certificate in enumerate(path):
        if certificate.subject == certificate.issuer:
            continue  # signed by itself: nobody else could take it back
        candidates = (*path[number + 1 : number + 2], *trust.trusted, *chain[1:])
        signer = _signer(certificate, candidates, depth=number)
        lists = [one for one in revocations if signer is not None and _is_of(one, signer)]
        if any(
            one.get_revoked_certificate_by_serial_number(certificate.serial_number) for one in lists
        ):
            raise NotTrusted(
                f"the certificate {called(certificate)} has been revoked by its authority",
                "have a new one made on the device",
            )
        if not any(_is_current(one, at) for one in lists):
            raise NotTrusted(
                f"no current list of revoked certificates is there for the authority that signed"
                f" {called(certificate)}",
                "put its newest list into crl_folder",
            )


def _is_of(revocations: Revocations, signer: Certificate) -> bool:
    """Whether a list was signed by an authority."""
    key = signer.public_key()
    return (
        revocations.issuer == signer.subject
        and isinstance(key, rsa.RSAPublicKey)
        and revocations.is_signature_valid(key)
    )


def _is_current(revocations: Revocations, at: datetime) -> bool:
    following = revocations.next_update_utc
    return revocations.last_update_utc <= at and (following is None or at <= following)
