"""The command that makes the client certificate; what it made is read back by OpenSSL."""

from __future__ import annotations

import shutil
import stat
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from watchedpot.app.certificate import CERTIFICATE_FILE, DEFAULT_DAYS, KEY_FILE
from watchedpot.app.cli import main

URI = "urn:demo:watchedpot"


def run(*arguments: str) -> int:
    """Exit code of the command."""
    return main(["certificate", *arguments])


def openssl(*arguments: str) -> str:
    """What another implementation says."""
    done = subprocess.run(["openssl", *arguments], capture_output=True, text=True, check=True)
    return done.stdout


needs_openssl = pytest.mark.skipif(
    shutil.which("openssl") is None, reason="this machine cannot: it has no openssl command"
)


@needs_openssl
def test_the_certificate_says_what_opc_ua_asks_for(tmp_path: Path) -> None:
    """URI, hosts and uses of OPC UA Part 6, 6.2.2, as OpenSSL prints them."""
    assert run("--out", str(tmp_path), "--uri", URI, "--host", "lens-pc", "--host", "10.0.0.2") == 0
    text = openssl(
        *("x509", "-inform", "der", "-in", str(tmp_path / CERTIFICATE_FILE), "-noout", "-text")
    )
    lines = [line.strip() for line in text.splitlines()]
    assert f"URI:{URI}, DNS:lens-pc, IP Address:10.0.0.2" in lines
    assert (
        "Digital Signature, Non Repudiation, Key Encipherment, Data Encipherment, Certificate Sign"
        in lines
    )
    assert "TLS Web Client Authentication" in lines
    assert "CA:FALSE" in lines
    assert "Public-Key: (2048 bit)" in lines
    assert "Signature Algorithm: sha256WithRSAEncryption" in lines


@needs_openssl
def test_key_and_certificate_belong_together(tmp_path: Path) -> None:
    """The public key of both is one, and the certificate is signed by it."""
    run("--out", str(tmp_path), "--uri", URI)
    certificate, key = str(tmp_path / CERTIFICATE_FILE), str(tmp_path / KEY_FILE)
    pem = tmp_path / "pem"
    pem.write_text(openssl("x509", "-inform", "der", "-in", certificate))
    assert openssl("x509", "-in", str(pem), "-noout", "-pubkey") == openssl(
        "pkey", "-in", key, "-pubout"
    )
    assert "OK" in openssl("verify", "-check_ss_sig", "-CAfile", str(pem), str(pem))


def test_only_the_owner_can_read_the_key(tmp_path: Path) -> None:
    """Mode 600 for the key; the certificate may be read by all."""
    run("--out", str(tmp_path), "--uri", URI)
    assert stat.S_IMODE((tmp_path / KEY_FILE).stat().st_mode) == 0o600
    assert stat.S_IMODE((tmp_path / CERTIFICATE_FILE).stat().st_mode) & 0o022 == 0


@pytest.mark.parametrize("name", [KEY_FILE, CERTIFICATE_FILE])
def test_nothing_is_ever_written_over(
    tmp_path: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file that is there stays as it is, and the other one is not made."""
    (tmp_path / name).write_text("precious")
    assert run("--out", str(tmp_path), "--uri", URI) == 1
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text() == "precious"
    assert "nothing was written" in capsys.readouterr().err


def test_it_says_what_to_do_next(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Fingerprint, keys of the configuration, and who confirms; never the key itself."""
    run("--out", str(tmp_path / "new"), "--uri", URI)
    said = capsys.readouterr().out
    for words in ("SHA-256", "certificate_path and key_path", "qualified person", "--connect"):
        assert words in said
    assert "PRIVATE" not in said


def test_showing_it_prints_the_same_fingerprint(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What the maker printed is what a reader of the file sees."""
    run("--out", str(tmp_path), "--uri", URI)
    said = capsys.readouterr().out
    (fingerprint,) = (line.split()[-1] for line in said.splitlines() if line[:7] == "SHA-256")
    assert run("--show", str(tmp_path / CERTIFICATE_FILE)) == 0
    shown = capsys.readouterr().out
    assert f"watchedpot, SHA-256 {fingerprint}\n  application {URI}\n" in shown
    end = datetime.now(UTC) + timedelta(days=DEFAULT_DAYS)
    assert f"{end:%Y-%m-%d}" in shown


def test_showing_what_is_none_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A key is no certificate, and nothing of it is printed."""
    run("--out", str(tmp_path), "--uri", URI)
    capsys.readouterr()
    assert run("--show", str(tmp_path / KEY_FILE)) == 1
    printed = capsys.readouterr()
    assert "expected a certificate in PEM or DER" in printed.err
    assert "PRIVATE" not in printed.out + printed.err


@pytest.mark.parametrize(
    "arguments",
    [
        ("--out", "x", "--uri", "watchedpot"),
        ("--out", "x", "--uri", URI, "--days", "0"),
        ("--out", "x", "--uri", URI, "--days", "7301"),
        ("--out", "x", "--uri", URI, "--host", "a b"),
        ("--uri", URI),
        ("--out", "x", "--show", "y"),
    ],
)
def test_arguments_that_make_no_certificate_are_refused(arguments: tuple[str, ...]) -> None:
    """Exit code 2, before any file is made."""
    with pytest.raises(SystemExit) as caught:
        run(*arguments)
    assert caught.value.code == 2


def test_a_name_is_needed_to_make_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without --uri nothing is made."""
    assert run("--out", str(tmp_path / "new")) == 1
    assert "--uri: expected what the daemon is called, got none" in capsys.readouterr().err
    assert not (tmp_path / "new").exists()
