"""Protected channels to a real server on loopback, with certificates made for the test.

The server shares our library, so the wire itself proves little here; that our rules refuse what
they should is held against certificates made with another tool in test_certificates.
"""

from __future__ import annotations

import logging
import struct
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio
from asyncua import ua
from asyncua.common.utils import ServiceError
from asyncua.crypto.permission_rules import User, UserRole
from asyncua.server.server import Server
from asyncua.server.user_managers import UserManager
from asyncua.ua.status_codes import StatusCodes
from cryptography import x509

from support.authority import NOW, Identity, made, revocations
from support.opcua_bench import OpcuaBench, Wire, serving
from support.running import free_port
from watchedpot.app.certificate import CERTIFICATE_FILE, KEY_FILE, make, save
from watchedpot.core.model import Reading
from watchedpot.core.units import NANO
from watchedpot.errors import SourceNotTrusted, SourceRefused
from watchedpot.sources.certificates import fingerprint
from watchedpot.sources.opcua import OpcuaDevice
from watchedpot.sources.wiring import (
    OpcuaChannel,
    OpcuaSecurity,
    OpcuaSource,
    OpcuaUser,
    SecurityMode,
    SecurityPolicy,
    ValueType,
)

pytestmark = [pytest.mark.integration, pytest.mark.asyncio(loop_scope="module")]

CELL = "urn:demo:cell"
SERVER = "urn:demo:plc"
CLIENT = "urn:demo:watchedpot"
WALL = OpcuaChannel("cell/syringe/wall", CELL, "s=wall", ValueType.FLOAT32)
POLICIES = (
    ua.SecurityPolicyType.NoSecurity,
    ua.SecurityPolicyType.Basic256Sha256_Sign,
    ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt,
    ua.SecurityPolicyType.Aes128Sha256RsaOaep_SignAndEncrypt,
    ua.SecurityPolicyType.Aes256Sha256RsaPss_SignAndEncrypt,
)

OURS = made("watchedpot", uri=CLIENT, is_client=True)
ROOT = made("plant root", is_authority=True)
SELF_SIGNED = made("plc", uri=SERVER, hosts=["127.0.0.1"])
SIGNED = made("signed plc", uri=SERVER, signer=ROOT)


class OneUser(UserManager):
    """Lets in nobody, anna with her password, or whoever has a certificate."""

    def get_user(
        self, iserver: Any, username: Any = None, password: Any = None, certificate: Any = None
    ) -> User | None:
        """User of a log-on, None where it is refused."""
        del iserver
        is_anonymous = username is None and certificate is None
        is_anna = (username, password) == ("anna", "correct horse")
        is_by_certificate = username is None and certificate is not None
        is_known = is_anonymous or is_anna or is_by_certificate
        return User(role=UserRole.User, name=username) if is_known else None


@asynccontextmanager
async def secured(
    identity: Identity, *, policies: tuple[ua.SecurityPolicyType, ...] = POLICIES
) -> AsyncIterator[OpcuaBench]:
    """Server with a certificate and one variable, 110.0 degC."""
    async with serving(
        CELL, port=free_port(), kind=OpcuaBench, prepare=_preparing(identity, policies)
    ) as bench:
        node = ua.NodeId(ua.String("wall"), ua.Int16(2))
        await bench.add(WALL.name, node, 110.0, ua.VariantType.Float)
        yield bench


def _preparing(
    identity: Identity, policies: tuple[ua.SecurityPolicyType, ...]
) -> Callable[[Server], Awaitable[None]]:
    async def prepare(server: Server) -> None:
        server.iserver.set_user_manager(OneUser())
        await server.set_application_uri(SERVER)
        server.set_security_policy(list(policies))
        server.iserver.certificate = identity.certificate
        server.iserver.private_key = identity.key

    return prepare


@pytest.fixture(autouse=True)
def _quiet(caplog: pytest.LogCaptureFixture) -> None:
    """Keep the library's log out of the report."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def plc() -> AsyncIterator[OpcuaBench]:
    """A server whose certificate is signed by itself."""
    async with secured(SELF_SIGNED) as bench:
        yield bench


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def signed_plc() -> AsyncIterator[OpcuaBench]:
    """A server whose certificate is signed by the plant's authority."""
    async with secured(SIGNED) as bench:
        yield bench


@pytest.fixture
def security(tmp_path: Path) -> OpcuaSecurity:
    """Our certificate, and a folder of trusted ones that is empty."""
    certificate, key = OURS.save(tmp_path, "ours")
    (tmp_path / "trusted").mkdir()
    return OpcuaSecurity(
        SecurityPolicy.BASIC256SHA256,
        SecurityMode.SIGN_AND_ENCRYPT,
        str(certificate),
        str(key),
        trusted_folder=str(tmp_path / "trusted"),
    )


def trusting(security: OpcuaSecurity, *identities: Identity) -> OpcuaSecurity:
    """The same, with certificates in the folder."""
    for number, one in enumerate(identities):
        (Path(security.trusted_folder or "") / f"{number}.der").write_bytes(one.der)
    return security


def source(port: int, security: OpcuaSecurity | None, user: OpcuaUser | None = None) -> OpcuaSource:
    """Source with short bounds on a port of loopback."""
    return OpcuaSource(
        "plc",
        f"opc.tcp://127.0.0.1:{port}/",
        (WALL,),
        connect_timeout_s=2.0,
        answer_timeout_s=1.0,
        security=security,
        user=user,
    )


async def read_once(wanted: OpcuaSource) -> tuple[Reading, OpcuaDevice]:
    """Reading of the wall on a connection of its own, and the device that is closed again."""
    device = OpcuaDevice(wanted)
    try:
        await device.connect()
        return (await device.read())[WALL.name], device
    finally:
        await device.close()


async def refusal(wanted: OpcuaSource) -> SourceRefused:
    """Error of a connection that is not made, and that leaves no socket open."""
    port = int(wanted.url.rstrip("/").rpartition(":")[2])
    async with Wire(port) as wire:
        through = replace(wanted, url=f"opc.tcp://127.0.0.1:{wire.port}/")
        with pytest.raises(SourceRefused) as caught:
            await read_once(through)
        await wire.idle()
    return caught.value


@pytest.mark.parametrize(
    ("policy", "mode"),
    [
        (SecurityPolicy.BASIC256SHA256, SecurityMode.SIGN),
        (SecurityPolicy.BASIC256SHA256, SecurityMode.SIGN_AND_ENCRYPT),
        (SecurityPolicy.AES128_SHA256_RSAOAEP, SecurityMode.SIGN_AND_ENCRYPT),
        (SecurityPolicy.AES256_SHA256_RSAPSS, SecurityMode.SIGN_AND_ENCRYPT),
    ],
)
async def test_a_server_in_the_trusted_folder_is_read(
    plc: OpcuaBench, security: OpcuaSecurity, policy: SecurityPolicy, mode: SecurityMode
) -> None:
    """Each policy and mode brings the value, once the server's own certificate is in the folder."""
    wanted = replace(trusting(security, SELF_SIGNED), policy=policy, mode=mode)
    reading, _ = await read_once(source(plc.port, wanted))
    assert reading.value == 110.0


async def test_an_encrypted_channel_shows_no_name_of_a_node(
    plc: OpcuaBench, security: OpcuaSecurity
) -> None:
    """The words that an open channel shows on the wire are not there on an encrypted one."""
    seen = []
    for wanted in (None, trusting(security, SELF_SIGNED)):
        async with Wire(plc.port) as wire:
            await read_once(source(wire.port, wanted))
            await wire.idle()
            seen.append(b"wall" in b"".join(wire.said))
    assert seen == [True, False]


async def test_an_authority_in_the_folder_vouches_for_its_servers(
    signed_plc: OpcuaBench, security: OpcuaSecurity
) -> None:
    """The certificate of the plant's authority is enough for a server that it signed."""
    reading, _ = await read_once(source(signed_plc.port, trusting(security, ROOT)))
    assert reading.value == 110.0


async def test_a_server_that_nobody_confirmed_is_not_trusted(
    plc: OpcuaBench, security: OpcuaSecurity
) -> None:
    """The sentence names the certificate, and what a person can do about it."""
    error = await refusal(source(plc.port, security))
    assert isinstance(error, SourceNotTrusted)
    shown = fingerprint(SELF_SIGNED.certificate)
    assert str(error).partition("/): ")[2] == (
        f"certificate of the server is not trusted: plc, SHA-256 {shown}; copy it to"
        f" {security.trusted_folder} if a qualified person confirms it"
    )


async def test_an_authority_of_another_plant_vouches_for_nobody_here(
    signed_plc: OpcuaBench, security: OpcuaSecurity
) -> None:
    """An authority of the same name with another key has not signed this certificate."""
    impostor = made("plant root", is_authority=True, key=made("x", is_authority=True).key)
    assert isinstance(
        await refusal(source(signed_plc.port, trusting(security, impostor))), SourceNotTrusted
    )


async def test_a_pinned_certificate_is_enough(
    plc: OpcuaBench, security: OpcuaSecurity, tmp_path: Path
) -> None:
    """The file of the server's certificate takes the place of the folder."""
    path, _ = SELF_SIGNED.save(tmp_path, "plc")
    wanted = replace(security, trusted_folder=None, server_certificate_path=str(path))
    reading, _ = await read_once(source(plc.port, wanted))
    assert reading.value == 110.0


async def test_another_certificate_than_the_pinned_one_is_named(
    plc: OpcuaBench, security: OpcuaSecurity, tmp_path: Path
) -> None:
    """A server that was swapped shows its own name; no timeout hides the reason."""
    other = made("other plc", uri=SERVER)
    path, _ = other.save(tmp_path, "pinned")
    wanted = replace(security, trusted_folder=None, server_certificate_path=str(path))
    error = await refusal(source(plc.port, wanted))
    assert isinstance(error, SourceNotTrusted)
    assert error.problem == (
        f"the server shows another certificate (plc, SHA-256"
        f" {fingerprint(SELF_SIGNED.certificate)}) than the pinned one (other plc, SHA-256"
        f" {fingerprint(other.certificate)})"
    )


async def test_a_server_with_a_copied_certificate_is_not_read(security: OpcuaSecurity) -> None:
    """Whoever shows a trusted certificate without its key never comes to answer."""
    thief = Identity(SELF_SIGNED.certificate, made("thief").key)
    async with secured(thief) as bench:
        wanted = source(bench.port, trusting(security, SELF_SIGNED))
        with pytest.raises(Exception, match=r"protected channel|no connection") as caught:
            await read_once(replace(wanted, connect_timeout_s=0.5))
    assert type(caught.value).__module__ == "watchedpot.errors"
    assert bench.reads == []


async def test_any_server_is_believed_where_that_was_asked_for(
    plc: OpcuaBench, security: OpcuaSecurity
) -> None:
    """Encrypted with whoever answers, as configured."""
    wanted = replace(security, trusted_folder=None, trust_any_server=True)
    reading, _ = await read_once(source(plc.port, wanted))
    assert reading.value == 110.0


async def test_without_any_trust_nothing_is_opened(
    plc: OpcuaBench, security: OpcuaSecurity
) -> None:
    """What the configuration refuses is refused here too."""
    error = await refusal(source(plc.port, replace(security, trusted_folder=None)))
    assert error.problem == "no certificate of the server is known"


async def test_a_revoked_server_is_not_trusted(
    signed_plc: OpcuaBench, security: OpcuaSecurity, tmp_path: Path
) -> None:
    """The authority's list decides, and without a list nothing is known."""
    lists = tmp_path / "lists"
    lists.mkdir()
    wanted = source(signed_plc.port, replace(trusting(security, ROOT), crl_folder=str(lists)))
    assert "no current list" in (await refusal(wanted)).problem
    (lists / "root.crl").write_bytes(revocations(ROOT))
    assert (await read_once(wanted))[0].value == 110.0
    (lists / "root.crl").write_bytes(revocations(ROOT, [SIGNED]))
    assert "has been revoked by its authority" in (await refusal(wanted)).problem


async def test_an_expired_server_is_not_trusted(security: OpcuaSecurity) -> None:
    """The sentence says from when to when it was valid."""
    old = made("old plc", uri=SERVER, begin=NOW - timedelta(days=9), end=NOW - timedelta(days=2))
    async with secured(old) as bench:
        error = await refusal(source(bench.port, trusting(security, old)))
    assert f"to {old.certificate.not_valid_after_utc:%Y-%m-%d %H:%M} UTC" in error.problem


async def test_a_server_of_another_name_than_its_certificate_is_not_trusted(
    security: OpcuaSecurity,
) -> None:
    """A trusted certificate of another application does not help."""
    other = made("misfit", uri="urn:demo:other")
    async with secured(other) as bench:
        error = await refusal(source(bench.port, trusting(security, other)))
    assert f"calls itself {SERVER}, its certificate" in error.problem


async def test_the_host_is_looked_at_where_it_is_named(
    plc: OpcuaBench, security: OpcuaSecurity
) -> None:
    """An address in the certificate is accepted, another name is not."""
    wanted = trusting(security, SELF_SIGNED)
    here = replace(wanted, host_name="127.0.0.1")
    assert (await read_once(source(plc.port, here)))[0].value == 110.0
    error = await refusal(source(plc.port, replace(wanted, host_name="lens-4-plc")))
    assert error.problem.startswith("expected lens-4-plc among the hosts")


async def test_a_certificate_that_is_renewed_is_found_without_a_restart(
    plc: OpcuaBench, security: OpcuaSecurity
) -> None:
    """The folder is read at each connection."""
    wanted = source(plc.port, security)
    await refusal(wanted)
    trusting(security, SELF_SIGNED)
    assert (await read_once(wanted))[0].value == 110.0


async def test_a_policy_that_is_not_offered_is_named_with_what_is(
    security: OpcuaSecurity,
) -> None:
    """No second-best channel is chosen silently."""
    only = (
        ua.SecurityPolicyType.NoSecurity,
        ua.SecurityPolicyType.Aes128Sha256RsaOaep_SignAndEncrypt,
    )
    async with secured(SELF_SIGNED, policies=only) as bench:
        error = await refusal(source(bench.port, trusting(security, SELF_SIGNED)))
    assert error.problem == (
        "expected a channel with Basic256Sha256, sign_and_encrypt, the server offers"
        " Aes128_Sha256_RsaOaep, sign_and_encrypt or none"
    )
    assert not isinstance(error, SourceNotTrusted)


async def test_a_server_that_does_not_know_us_is_said_to(
    plc: OpcuaBench, security: OpcuaSecurity, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The other side's refusal is told from ours."""

    async def unknown(*_: object) -> None:
        raise ServiceError(StatusCodes.BadCertificateUntrusted)

    monkeypatch.setattr(plc.server.iserver, "certificate_validator", unknown)
    error = await refusal(source(plc.port, trusting(security, SELF_SIGNED)))
    assert isinstance(error, SourceNotTrusted)
    assert error.problem.startswith("the server does not trust our certificate: ")
    assert "BadCertificateUntrusted" in error.problem
    assert error.hint == "have it accepted there by a qualified person"


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (0x80130000, "the server does not trust our certificate: "),
        (0x801A0000, "the server does not trust our certificate: "),
        (0x80810000, "the server has no session left for us: "),
    ],
)
async def test_a_channel_that_is_refused_by_a_message_of_the_transport_says_why(
    plc: OpcuaBench, security: OpcuaSecurity, code: int, words: str
) -> None:
    """An error message in place of the answer (OPC UA Part 6, 7.1.2.5: code, then reason).

    BadSecurityChecksFailed, BadCertificateUntrusted and BadTcpNotEnoughResources, as numbers of
    Annex A.2, from memory. The first channel, which only asks for the certificate, is let through.
    """
    opened = 0

    def refuse(message: bytes) -> bytes:
        nonlocal opened
        opened += message[:3] == b"OPN"
        if message[:3] != b"OPN" or opened == 1:
            return message
        return b"ERRF" + struct.pack("<III", 16, code, 0xFFFFFFFF)

    async with Wire(plc.port, alter=refuse) as wire:
        wanted = source(wire.port, trusting(security, SELF_SIGNED))
        with pytest.raises(SourceRefused) as caught:
            await read_once(wanted)
        await wire.idle()
    assert caught.value.problem.startswith(words)


async def test_a_server_that_hangs_up_on_the_channel_most_likely_does_not_know_us(
    plc: OpcuaBench, security: OpcuaSecurity
) -> None:
    """Without a word, right after it told its certificate: said as what it most likely is."""
    async with Wire(plc.port) as wire:
        opened = 0

        def hang_up(message: bytes) -> bytes:
            nonlocal opened
            opened += message[:3] == b"OPN"
            if opened == 2:
                wire.cut()
            return message

        wire.alter = hang_up
        with pytest.raises(SourceNotTrusted, match="ends the connection when a protected channel"):
            await read_once(source(wire.port, trusting(security, SELF_SIGNED)))
        await wire.idle()


async def test_the_server_sees_our_application_uri(
    plc: OpcuaBench, security: OpcuaSecurity, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What we are called is what our certificate says (OPC UA Part 4, 5.6.2)."""
    seen: list[tuple[str, str]] = []

    async def look(certificate: x509.Certificate, client: ua.ApplicationDescription) -> None:
        names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        (uri,) = names.get_values_for_type(x509.UniformResourceIdentifier)
        seen.append((uri, str(client.ApplicationUri)))

    monkeypatch.setattr(plc.server.iserver, "certificate_validator", look)
    await read_once(source(plc.port, trusting(security, SELF_SIGNED)))
    assert seen == [(CLIENT, CLIENT)]


async def test_the_first_of_both_certificates_to_end_is_told(
    plc: OpcuaBench, security: OpcuaSecurity, tmp_path: Path
) -> None:
    """Ours where it ends earlier, else the server's; none without certificates."""
    soon = made("soon", uri=CLIENT, end=NOW + timedelta(days=20))
    certificate, key = soon.save(tmp_path, "soon")
    wanted = trusting(security, SELF_SIGNED)
    for ours, end in (
        (replace(wanted, certificate_path=str(certificate), key_path=str(key)), 20),
        (wanted, 365),
    ):
        _, device = await read_once(source(plc.port, ours))
        expected_s = (NOW + timedelta(days=end)).timestamp()
        assert device.certificate_expires_ns == int(expected_s) * NANO
    _, bare = await read_once(source(plc.port, None))
    assert bare.certificate_expires_ns is None


async def test_a_user_logs_on_with_a_password_from_a_file(
    plc: OpcuaBench, security: OpcuaSecurity, tmp_path: Path
) -> None:
    """The right one is let in; a wrong one is a matter of trust, not of the cable."""
    password = tmp_path / "password"
    password.write_text("correct horse\n")
    password.chmod(0o600)
    wanted = source(plc.port, trusting(security, SELF_SIGNED), OpcuaUser("anna", str(password)))
    assert (await read_once(wanted))[0].value == 110.0
    password.write_text("wrong\n")
    error = await refusal(wanted)
    assert isinstance(error, SourceNotTrusted)
    assert error.problem.startswith("the server does not accept our user: ")
    assert "wrong" not in str(error)


async def test_a_user_logs_on_with_a_certificate(
    plc: OpcuaBench, security: OpcuaSecurity, tmp_path: Path
) -> None:
    """Certificate and key of a user take the place of name and password."""
    certificate, key = made("anna", is_client=True).save(tmp_path, "anna")
    user = OpcuaUser(certificate_path=str(certificate), key_path=str(key))
    wanted = source(plc.port, trusting(security, SELF_SIGNED), user)
    assert (await read_once(wanted))[0].value == 110.0


@pytest.mark.parametrize("is_signed", [False, True])
async def test_credentials_never_leave_on_a_channel_that_is_not_encrypted(
    plc: OpcuaBench, security: OpcuaSecurity, tmp_path: Path, is_signed: bool
) -> None:
    """Neither open nor only signed: no session is asked for, and no password is on the wire."""
    password = tmp_path / "password"
    password.write_text("correct horse\n")
    password.chmod(0o600)
    signed = replace(trusting(security, SELF_SIGNED), mode=SecurityMode.SIGN)
    wanted = source(0, signed if is_signed else None, OpcuaUser("anna", str(password)))
    before = plc.sessions
    async with Wire(plc.port) as wire:
        with pytest.raises(SourceNotTrusted) as caught:
            await read_once(replace(wanted, url=f"opc.tcp://127.0.0.1:{wire.port}/"))
        await wire.idle()
        assert b"correct horse" not in b"".join(wire.said)
    assert caught.value.problem == "credentials are not sent over a channel that is not encrypted"
    assert plc.sessions == before


@pytest.mark.parametrize(
    "unusable",
    [
        (b"correct horse\n", 0o644, "can be read by others"),
        (b"\n", 0o600, "expected a password in the first line"),
        (b"\xff\xfe\n", 0o600, "expected UTF-8 text"),
        (b"x" * 5000, 0o600, "expected a password in the first line"),
        (None, 0o600, "expected a readable password file"),
    ],
)
async def test_a_password_file_that_cannot_be_used_is_named(
    plc: OpcuaBench,
    security: OpcuaSecurity,
    tmp_path: Path,
    unusable: tuple[bytes | None, int, str],
) -> None:
    """Never sent, and never shown."""
    content, mode, problem = unusable
    password = tmp_path / "password"
    if content is not None:
        password.write_bytes(content)
        password.chmod(mode)
    wanted = source(plc.port, trusting(security, SELF_SIGNED), OpcuaUser("anna", str(password)))
    error = await refusal(wanted)
    assert problem in error.problem
    assert "horse" not in str(error)


async def test_our_own_files_that_cannot_be_used_are_named(
    plc: OpcuaBench, security: OpcuaSecurity, tmp_path: Path
) -> None:
    """Missing, of two pairs, or for no application: each with its sentence."""
    wanted = trusting(security, SELF_SIGNED)
    _, other_key = made("stranger").save(tmp_path, "stranger")
    nameless, nameless_key = made("nameless").save(tmp_path, "nameless")
    for changed, problem in (
        (replace(wanted, certificate_path=str(tmp_path / "none")), "expected a readable certific"),
        (replace(wanted, key_path=str(other_key)), "does not belong to our certificate"),
        (replace(wanted, key_path=wanted.certificate_path), "expected a private key in PEM"),
        (
            replace(wanted, certificate_path=str(nameless), key_path=str(nameless_key)),
            "is for no application",
        ),
    ):
        error = await refusal(source(plc.port, changed))
        assert isinstance(error, SourceNotTrusted)
        assert problem in error.problem


async def test_the_certificate_of_the_command_is_accepted(
    plc: OpcuaBench, security: OpcuaSecurity, tmp_path: Path
) -> None:
    """What ``watchedpot certificate`` makes opens a protected channel."""
    save(tmp_path / "made", *make("urn:demo:made"))
    ours = replace(
        trusting(security, SELF_SIGNED),
        certificate_path=str(tmp_path / "made" / CERTIFICATE_FILE),
        key_path=str(tmp_path / "made" / KEY_FILE),
    )
    assert (await read_once(source(plc.port, ours)))[0].value == 110.0
