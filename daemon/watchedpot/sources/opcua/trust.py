"""With whom we speak: certificates of both sides, before anything secret is said.

The server's certificate is asked for on a channel of its own, judged by our own rules, and then
pinned for the connection that follows; so each reason against it has its sentence. Whoever only
copied a certificate cannot open that connection, since it has not the key.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from asyncua import ua
from asyncua.client.client import Client
from asyncua.crypto import security_policies
from asyncua.ua.uaerrors import UaError
from cryptography.hazmat.primitives.asymmetric.rsa import RSAPrivateKey

from watchedpot.errors import SourceNotTrusted, SourceRefused
from watchedpot.sources.certificates import (
    Certificate,
    NotTrusted,
    Trust,
    Wanted,
    application_uri,
    called,
    certificates_of,
    check,
    expires_ns,
    read_certificates,
    read_folder,
    read_key,
    read_revocations,
)
from watchedpot.sources.wiring import OpcuaSecurity, OpcuaUser, SecurityMode, SecurityPolicy

POLICIES: dict[SecurityPolicy, type[security_policies.SecurityPolicy]] = {
    SecurityPolicy.BASIC256SHA256: security_policies.SecurityPolicyBasic256Sha256,
    SecurityPolicy.AES128_SHA256_RSAOAEP: security_policies.SecurityPolicyAes128Sha256RsaOaep,
    SecurityPolicy.AES256_SHA256_RSAPSS: security_policies.SecurityPolicyAes256Sha256RsaPss,
}

MODES = {
    SecurityMode.SIGN: ua.MessageSecurityMode.Sign,
    SecurityMode.SIGN_AND_ENCRYPT: ua.MessageSecurityMode.SignAndEncrypt,
}

LONGEST_PASSWORD = 4096
"""A password file longer than this is another file [byte]."""


@dataclass(frozen=True, slots=True)
class Ours:
    """What we show: certificate with chain, and the key to it."""

    certificate: Certificate
    chain: tuple[Certificate, ...]
    key: RSAPrivateKey
    application_uri: str


def our_certificate(where: str, security: OpcuaSecurity) -> Ours:
    """Our certificate and key, as the files say now.

    Raises
    ------
    SourceNotTrusted
        They cannot be used.
    """
    try:
        certificate, *chain = read_certificates(Path(security.certificate_path))
        key = read_key(Path(security.key_path))
    except NotTrusted as exc:
        hint = exc.hint or "make both with: watchedpot certificate"
        raise SourceNotTrusted(where, exc.problem, hint=hint) from exc
    if key.public_key() != certificate.public_key():
        raise SourceNotTrusted(
            where,
            f"the key {security.key_path} does not belong to our certificate {called(certificate)}",
            hint="name the two files that were made together",
        )
    if (uri := application_uri(certificate)) is None:
        raise SourceNotTrusted(
            where,
            f"our certificate {called(certificate)} is for no application",
            hint="make one with: watchedpot certificate",
        )
    return Ours(certificate, tuple(chain), key, uri)


def trust_of(where: str, security: OpcuaSecurity) -> Trust:
    """What may be believed, as the files say now.

    Raises
    ------
    SourceNotTrusted
        It cannot be found out.
    """
    try:
        if security.server_certificate_path is not None:
            pinned = read_certificates(Path(security.server_certificate_path))[0]
            return Trust(pinned=pinned, place=security.server_certificate_path)
        if security.trusted_folder is not None:
            revocations = None
            if security.crl_folder is not None:
                revocations = read_revocations(Path(security.crl_folder))
            return Trust(
                trusted=read_folder(Path(security.trusted_folder)),
                revocations=revocations,
                place=security.trusted_folder,
            )
    except NotTrusted as exc:
        raise SourceNotTrusted(where, exc.problem, hint=exc.hint) from exc
    if security.trust_any_server:
        return Trust(trusts_any=True)
    raise SourceNotTrusted(
        where,
        "no certificate of the server is known",
        hint="name server_certificate_path or trusted_folder",
    )


async def secure(where: str, client: Client, finder: Client, security: OpcuaSecurity) -> int | None:
    """Judge the server and set the client up for a protected channel to it.

    Waits for one short connection of ``finder``, each step bounded by its timeout; whoever
    cancels it disconnects both clients' sockets.

    Parameters
    ----------
    client
        Not yet connected.
    finder
        Another one to the same server, used up by this.

    Returns
    -------
    int
        When the first of both sides' certificates ends, in UTC. [ns]

    Raises
    ------
    SourceNotTrusted
        The server is not believed, or our own files cannot be used.
    SourceRefused
        It does not offer what was configured.
    """
    ours, trust = our_certificate(where, security), trust_of(where, security)
    endpoint = _offered(where, await finder.connect_and_get_server_endpoints(), security)
    chain = _shown_chain(where, endpoint)
    wanted = Wanted(endpoint.Server.ApplicationUri, security.host_name, security.demand_key_usage)
    _judge(where, chain, trust, wanted)

    async def validate(shown: Certificate, server: ua.ApplicationDescription) -> None:
        """Hold what the server says on the protected channel against what was judged."""
        again = Wanted(server.ApplicationUri, security.host_name, security.demand_key_usage)
        _judge(where, (shown, *chain[1:]), trust, again)

    client.application_uri = ours.application_uri
    client.certificate_validator = validate
    # What client.set_security does in asyncua 2.1, but that reads and checks the key once more.
    client.security_policy = POLICIES[security.policy](  # type: ignore[assignment]
        chain[0], ours.certificate, ours.key, MODES[security.mode], host_cert_chain=ours.chain
    )
    client.uaclient.set_security(client.security_policy)
    return expires_ns((chain[0], ours.certificate))


def _offered(
    where: str, endpoints: list[ua.EndpointDescription], security: OpcuaSecurity
) -> ua.EndpointDescription:
    """The endpoint that is protected as configured."""
    try:
        return Client.find_endpoint(endpoints, MODES[security.mode], POLICIES[security.policy].URI)
    except UaError as exc:
        offers = sorted({_offer(endpoint) for endpoint in endpoints})
        raise SourceRefused(
            where,
            f"expected a channel with {security.policy}, {security.mode}, the server offers"
            f" {' or '.join(offers) or 'none'}",
            hint="correct policy and mode, or have them switched on in the server",
        ) from exc


def _offer(endpoint: ua.EndpointDescription) -> str:
    """Policy and mode of an endpoint, in the words of the configuration where it has some."""
    policy = str(endpoint.SecurityPolicyUri).rpartition("#")[2]
    modes = {theirs: ours.value for ours, theirs in MODES.items()}
    mode = modes.get(endpoint.SecurityMode)
    return f"{policy}, {mode}" if mode else policy.lower()


def _shown_chain(where: str, endpoint: ua.EndpointDescription) -> tuple[Certificate, ...]:
    try:
        return certificates_of(endpoint.ServerCertificate or b"")
    except ValueError as exc:
        raise SourceNotTrusted(where, f"the server shows no certificate: {exc}") from exc


def _judge(where: str, chain: tuple[Certificate, ...], trust: Trust, wanted: Wanted) -> None:
    try:
        check(chain, trust, wanted, at=datetime.now(UTC))
    except NotTrusted as exc:
        raise SourceNotTrusted(where, exc.problem, hint=exc.hint) from exc


def set_user(where: str, client: Client, user: OpcuaUser, security: OpcuaSecurity | None) -> None:
    """Log on as a user, but only where nobody can read along.

    Raises
    ------
    SourceNotTrusted
        The channel is not encrypted, or a file cannot be used.
    """
    is_encrypted = client.security_policy.Mode is ua.MessageSecurityMode.SignAndEncrypt
    if security is None or not security.is_encrypted or not is_encrypted:
        raise SourceNotTrusted(
            where,
            "credentials are not sent over a channel that is not encrypted",
            hint="set a policy and mode = sign_and_encrypt",
        )
    if user.password_path is not None:
        client.set_user(user.name or "")
        client.set_password(_password(where, Path(user.password_path)))
        return
    try:
        certificate = read_certificates(Path(user.certificate_path or ""))[0]
        key = read_key(Path(user.key_path or ""))
    except NotTrusted as exc:
        raise SourceNotTrusted(where, exc.problem, hint=exc.hint) from exc
    client.user_certificate, client.user_private_key = certificate, key


def _password(where: str, path: Path) -> str:
    """First line of a file that others may not read."""
    try:
        mode = path.stat().st_mode
        content = path.read_bytes()[: LONGEST_PASSWORD + 1]
        password = content.decode().split("\n", 1)[0].rstrip("\r")
    except OSError as exc:
        problem = f"expected a readable password file {path}, got: {exc.strerror}"
        raise SourceNotTrusted(where, problem) from exc
    except UnicodeDecodeError as exc:
        raise SourceNotTrusted(where, f"expected UTF-8 text in {path}") from exc
    if mode & 0o077:
        raise SourceNotTrusted(
            where,
            f"the password file {path} can be read by others",
            hint=f"chmod 600 {path}, and change the password",
        )
    if not password or len(content) > LONGEST_PASSWORD:
        raise SourceNotTrusted(where, f"expected a password in the first line of {path}")
    return password
