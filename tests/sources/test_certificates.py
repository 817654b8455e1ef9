"""Which certificates are believed, held against what OpenSSL's command line says of the same files.

OpenSSL is another implementation of RFC 5280 than the library that made and reads them here.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from hypothesis import given
from hypothesis import strategies as st

from support.authority import NOW, OF_AUTHORITY, Identity, made, revocations, rsa_key
from watchedpot.sources.certificates import (
    NotTrusted,
    Trust,
    Wanted,
    application_uri,
    called,
    certificates_of,
    check,
    expires_ns,
    fingerprint,
    read_certificates,
    read_folder,
    read_key,
    read_revocations,
)

URI = "urn:demo:plc"
ANY = Wanted()

ROOT = made("root", is_authority=True)
LOWER = made("lower", is_authority=True, signer=ROOT)
SHORT = made("short", is_authority=True, path_length=0)
BELOW_SHORT = made("below short", is_authority=True, signer=SHORT)
DEVICE = made("device", uri=URI, uses=("digital_signature", "key_cert_sign"))
MUTE = made("mute", is_authority=True, uses=("crl_sign",))
GONE = made("gone", is_authority=True, begin=NOW - timedelta(days=9), end=NOW - timedelta(days=1))

LEAVES = {
    "of itself": made("plc", uri=URI),
    "of root": made("plc root", uri=URI, signer=ROOT),
    "of lower": made("plc lower", uri=URI, signer=LOWER),
    "below short": made("plc short", uri=URI, signer=BELOW_SHORT),
    "of a device": made("plc device", uri=URI, signer=DEVICE),
    "of mute": made("plc mute", uri=URI, signer=MUTE),
    "of gone": made("plc gone", uri=URI, signer=GONE),
    "expired": made(
        "plc old", uri=URI, signer=ROOT, begin=NOW - timedelta(days=9), end=NOW - timedelta(days=1)
    ),
    "not yet": made("plc new", uri=URI, signer=ROOT, begin=NOW + timedelta(days=1)),
}

CASES = [
    ("of itself", ("of itself",), (), True),
    ("of itself", (ROOT,), (), False),
    ("of root", (ROOT,), (), True),
    ("of root", ("of root",), (), True),
    ("of root", (LOWER,), (), False),
    ("of lower", (ROOT,), (), False),
    ("of lower", (ROOT,), (LOWER,), True),
    ("of lower", (LOWER,), (), True),
    ("of lower", (), (LOWER, ROOT), False),
    ("below short", (SHORT,), (BELOW_SHORT,), False),
    ("below short", (BELOW_SHORT,), (), True),
    ("of a device", (DEVICE,), (), False),
    ("of mute", (MUTE,), (), False),
    ("of gone", (GONE,), (), False),
    ("expired", (ROOT,), (), False),
    ("not yet", (ROOT,), (), False),
]


def identity(one: str | Identity) -> Identity:
    """A leaf by its name, or an authority."""
    return LEAVES[one] if isinstance(one, str) else one


def is_believed(
    leaf: Identity,
    trusted: Sequence[Identity],
    shown: Sequence[Identity] = (),
    *,
    lists: Sequence[bytes] | None = None,
    folder: Path | None = None,
    at: datetime = NOW,
) -> bool:
    """What our rules say."""
    revoked = None
    if lists is not None and folder is not None:
        for number, content in enumerate(lists):
            (folder / f"{number}.crl").write_bytes(content)
        revoked = read_revocations(folder)
    trust = Trust(
        trusted=tuple(one.certificate for one in trusted), revocations=revoked, place="trusted"
    )
    try:
        check([leaf.certificate, *(one.certificate for one in shown)], trust, ANY, at=at)
    except NotTrusted:
        return False
    return True


def openssl_believes(
    folder: Path,
    leaf: Identity,
    trusted: Sequence[Identity],
    shown: Sequence[Identity],
    *options: str,
) -> bool:
    """What ``openssl verify`` says, with any of the trusted ones as an anchor."""
    files = {"leaf": [leaf], "trusted": trusted, "shown": shown}
    for name, holders in files.items():
        pem = b"".join(one.certificate.public_bytes(Encoding.PEM) for one in holders)
        (folder / f"{name}.pem").write_bytes(pem)
    if not trusted:
        return False  # it takes no empty file
    command = ["openssl", "verify", "-partial_chain", "-no-CApath", "-no-CAstore"]
    command += ["-CAfile", str(folder / "trusted.pem"), *options]
    if shown:
        command += ["-untrusted", str(folder / "shown.pem")]
    done = subprocess.run(
        [*command, str(folder / "leaf.pem")], capture_output=True, text=True, check=False
    )
    return done.returncode == 0


needs_openssl = pytest.mark.skipif(
    shutil.which("openssl") is None, reason="this machine cannot: it has no openssl command"
)


@pytest.mark.parametrize(("leaf", "trusted", "shown", "expected"), CASES)
def test_a_certificate_is_believed_by_whom_a_person_trusts(
    leaf: str,
    trusted: tuple[str | Identity, ...],
    shown: tuple[Identity, ...],
    expected: bool,
) -> None:
    """By itself, by an authority, or through authorities that were shown; and by nothing else."""
    assert is_believed(LEAVES[leaf], [identity(one) for one in trusted], shown) is expected


@needs_openssl
@pytest.mark.parametrize(("leaf", "trusted", "shown", "expected"), CASES)
def test_openssl_judges_the_same(
    tmp_path: Path,
    leaf: str,
    trusted: tuple[str | Identity, ...],
    shown: tuple[Identity, ...],
    expected: bool,
) -> None:
    """Each expectation above is also that of ``openssl verify``."""
    anchors = [identity(one) for one in trusted]
    assert openssl_believes(tmp_path, LEAVES[leaf], anchors, shown) is expected


@needs_openssl
@pytest.mark.parametrize("is_revoked", [False, True])
def test_a_revoked_certificate_is_not_believed_by_either(tmp_path: Path, is_revoked: bool) -> None:
    """The list of the authority decides, for us as for ``openssl verify -crl_check``."""
    leaf = LEAVES["of root"]
    content = revocations(ROOT, [leaf] if is_revoked else [])
    (tmp_path / "lists").mkdir()
    ours = is_believed(leaf, [ROOT], lists=[content], folder=tmp_path / "lists")
    path = tmp_path / "root.crl"
    path.write_bytes(content)
    options = ("-crl_check", "-CRLfile", str(path))
    assert openssl_believes(tmp_path, leaf, [ROOT], (), *options) is ours is not is_revoked


@pytest.mark.parametrize(
    "make_list",
    [
        pytest.param(list, id="no list"),
        pytest.param(lambda: [revocations(LOWER)], id="of another authority"),
        pytest.param(
            lambda: [revocations(ROOT, begin=NOW - timedelta(9), end=NOW - timedelta(1))],
            id="out of date",
        ),
        pytest.param(lambda: [revocations(ROOT, begin=NOW + timedelta(1))], id="not yet"),
        pytest.param(
            lambda: [revocations(Identity(ROOT.certificate, rsa_key("thief")))], id="forged"
        ),
    ],
)
def test_without_a_current_list_nothing_is_known(
    tmp_path: Path, make_list: Callable[[], list[bytes]]
) -> None:
    """Where lists are asked for, an authority without a believable one vouches for nobody."""
    assert not is_believed(LEAVES["of root"], [ROOT], lists=make_list(), folder=tmp_path)


def test_each_authority_on_the_way_needs_its_list(tmp_path: Path) -> None:
    """A lower authority that was revoked by the root takes its devices with it."""
    leaf = LEAVES["of lower"]
    both = [revocations(ROOT), revocations(LOWER)]
    assert is_believed(leaf, [ROOT], [LOWER], lists=both, folder=tmp_path)
    assert not is_believed(
        leaf, [ROOT], [LOWER], lists=[revocations(ROOT, [LOWER]), both[1]], folder=tmp_path
    )


def test_what_a_device_signs_itself_is_not_asked_for_in_a_list(tmp_path: Path) -> None:
    """Nobody else could take it back: its file is taken out of the folder instead."""
    leaf = LEAVES["of itself"]
    assert is_believed(leaf, [leaf], lists=[], folder=tmp_path)


def problem_of(leaf: Identity, trust: Trust, wanted: Wanted = ANY) -> NotTrusted:
    """Why a certificate is not believed."""
    with pytest.raises(NotTrusted) as caught:
        check([leaf.certificate], trust, wanted, at=NOW)
    return caught.value


def test_what_is_not_trusted_is_named_with_a_fingerprint_to_compare() -> None:
    """Common name, sixteen digits of SHA-256, and where a person may put it."""
    leaf = LEAVES["of itself"]
    error = problem_of(leaf, Trust(place="config/trusted"))
    assert error.problem == (
        f"certificate of the server is not trusted: plc, SHA-256 {fingerprint(leaf.certificate)}"
    )
    assert error.hint == "copy it to config/trusted if a qualified person confirms it"


@needs_openssl
def test_the_fingerprint_is_the_one_that_other_tools_show(tmp_path: Path) -> None:
    """The first sixteen digits of ``openssl x509 -fingerprint -sha256``."""
    leaf = LEAVES["of itself"]
    path, _ = leaf.save(tmp_path, "plc")
    command = ["openssl", "x509", "-inform", "der", "-in", str(path), "-noout", "-fingerprint"]
    done = subprocess.run([*command, "-sha256"], capture_output=True, text=True, check=True)
    digits = done.stdout.strip().partition("=")[2].replace(":", "").lower()
    assert digits.startswith(fingerprint(leaf.certificate))
    assert len(fingerprint(leaf.certificate)) == 16


def test_a_name_cannot_forge_a_line_of_the_log() -> None:
    """Control signs of a common name are not shown, and it is cut."""
    evil = made("plc\nlevel=info " + "x" * 40)
    assert called(evil.certificate).startswith("plc?level=info xxx")
    assert "\n" not in called(evil.certificate)


def test_a_weak_or_other_key_is_not_believed() -> None:
    """1024 bit and elliptic curves are none of the three policies'."""
    weak = made("weak", uri=URI, key=rsa_key("weak", 1024))
    error = problem_of(weak, Trust(trusted=(weak.certificate,)))
    assert error.problem.startswith("expected an RSA key of 2048 to 4096 bit")
    assert error.problem.endswith("got RSA of 1024 bit")


def test_uses_are_looked_at_only_where_that_is_demanded() -> None:
    """A certificate that only names a signature is common, and accepted unless it may not be."""
    plain = made("plain", uri=URI, uses=("digital_signature",))
    client = made("client", uri=URI, is_client=True)
    full = LEAVES["of itself"]
    for one, is_fit in ((plain, False), (client, False), (full, True)):
        trust = Trust(trusted=(one.certificate,))
        check([one.certificate], trust, ANY, at=NOW)
        wanted = Wanted(demand_key_usage=True)
        if is_fit:
            check([one.certificate], trust, wanted, at=NOW)
        else:
            assert "does not name the uses" in problem_of(one, trust, wanted).problem


def test_names_are_compared_as_names_are() -> None:
    """Hosts without regard to case, addresses as addresses, applications exactly."""
    leaf = made("named", uri=URI, hosts=["Lens-4.Plant", "10.0.0.7"])
    trust = Trust(trusted=(leaf.certificate,))
    for host in ("lens-4.plant", "10.0.0.7"):
        check([leaf.certificate], trust, Wanted(URI, host), at=NOW)
    for host in ("lens-4", "10.0.0.8"):
        assert (
            f"expected {host} among the hosts"
            in problem_of(leaf, trust, Wanted(host_name=host)).problem
        )
    assert "is for urn:demo:plc" in problem_of(leaf, trust, Wanted("urn:demo:PLC")).problem
    nameless = made("bare")
    bare = Trust(trusted=(nameless.certificate,))
    assert "is for no application" in problem_of(nameless, bare, Wanted(URI)).problem


def test_a_pinned_certificate_must_still_be_valid() -> None:
    """Pinning says who it is, not that its time goes on."""
    old = LEAVES["expired"]
    assert "is valid from" in problem_of(old, Trust(pinned=old.certificate)).problem


def test_certificates_are_read_from_either_form(tmp_path: Path) -> None:
    """PEM or DER, one or several: the order stays."""
    leaf, lower = LEAVES["of lower"].certificate, LOWER.certificate
    for name, encoding in (("first", Encoding.PEM), ("second", Encoding.DER)):
        content = leaf.public_bytes(encoding) + lower.public_bytes(encoding)
        assert certificates_of(content) == (leaf, lower)
        (tmp_path / f"{name}.cer").write_bytes(content)
    (tmp_path / "readme.txt").write_text("not a certificate")
    assert read_folder(tmp_path) == (leaf, lower, leaf, lower)


@pytest.mark.parametrize("content", [b"", b"x", b"\x30", b"\x30\x82\xff\xff\x00", b"\x30\x80\x00"])
def test_what_is_no_certificate_is_a_value_error(content: bytes) -> None:
    """Cut off, empty or something else: nothing hangs and nothing is made of it."""
    with pytest.raises(ValueError, match=r"."):
        certificates_of(content)


@given(st.binary(max_size=200), st.integers(0, 900), st.integers(0, 255))
def test_whatever_a_peer_shows_is_judged_or_refused(junk: bytes, at: int, byte: int) -> None:
    """Noise, and a certificate with one byte changed: never believed, and never another error.

    A byte that says the same leaves the certificate what it was.
    """
    leaf = LEAVES["of root"]
    der = bytearray(leaf.der)
    der[at % len(der)] = byte
    for content in (junk, bytes(der), bytes(der) + junk):
        try:
            chain = certificates_of(content)
            check(chain, Trust(trusted=(ROOT.certificate,)), Wanted(URI), at=NOW)
        except (ValueError, NotTrusted):
            continue
        assert chain[0] == leaf.certificate


def test_files_that_cannot_be_read_are_named(tmp_path: Path) -> None:
    """Path and reason, for certificates, keys, folders and lists."""
    junk = tmp_path / "junk.der"
    junk.write_bytes(b"junk")
    curve = tmp_path / "curve.pem"
    curve.write_bytes(
        ec.generate_private_key(ec.SECP256R1()).private_bytes(
            Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()
        )
    )
    for read, path, words in (
        (read_certificates, tmp_path / "none.der", "expected a readable certificate"),
        (read_certificates, junk, "expected a certificate in PEM or DER"),
        (read_key, tmp_path / "none.pem", "expected a readable key"),
        (read_key, junk, "expected a private key in PEM"),
        (read_key, curve, "expected an RSA key"),
        (read_folder, tmp_path / "none", "expected a readable folder"),
        (read_folder, tmp_path, "expected a certificate in PEM or DER"),
        (read_revocations, tmp_path, "expected a list of revoked certificates"),
    ):
        with pytest.raises(NotTrusted) as caught:
            read(path)
        assert words in caught.value.problem
        assert str(tmp_path) in caught.value.problem


def test_a_key_is_read_anew_when_its_file_changes(tmp_path: Path) -> None:
    """What was read before is only kept for the same text."""
    path = tmp_path / "key.pem"
    for name in ("first", "second", "first"):
        path.write_bytes(Identity(ROOT.certificate, rsa_key(name)).pem)
        assert read_key(path).private_numbers() == rsa_key(name).private_numbers()


def test_the_first_end_counts() -> None:
    """Of several certificates the earliest; without any there is none."""
    ends = [LEAVES["of itself"].certificate, GONE.certificate]
    assert expires_ns(ends) == int((NOW - timedelta(days=1)).timestamp()) * 10**9
    assert expires_ns([]) is None


def test_an_authority_has_no_application() -> None:
    """The URI of a leaf is its application; an authority of this kind has none."""
    assert application_uri(LEAVES["of itself"].certificate) == URI
    assert application_uri(ROOT.certificate) is None
    assert set(OF_AUTHORITY) == {"key_cert_sign", "crl_sign"}
