"""Policies, trust, users and identities of sources, as they are written in a file."""

from __future__ import annotations

from pathlib import Path

import pytest

from app.config.plant import Plant
from watchedpot.sources.wiring import (
    ModbusChannel,
    ModbusIdentity,
    ModbusSource,
    OpcuaIdentity,
    OpcuaSecurity,
    OpcuaSource,
    OpcuaUser,
    RegisterTable,
    SecurityMode,
    SecurityPolicy,
    ValueType,
    WordOrder,
)

OPCUA = 'namespace_uri = "urn:potsim:plc"\n'
MODBUS = "address_base = 1\n"

SECURE = """
[sources.security]
policy = "Basic256Sha256"
certificate_path = "pki/ours.der"
key_path = "/etc/keys/ours.pem"
trusted_folder = "pki/trusted"
"""

USER = """
[sources.user]
name = "anna"
password_path = "anna.password"
"""


def opcua_with(*tables: str) -> tuple[str, str]:
    """Change that adds tables to the OPC UA source."""
    return OPCUA, OPCUA + "".join(tables)


def sources(plant: Plant, *changes: tuple[str, str]) -> tuple[ModbusSource, OpcuaSource]:
    """Both sources of the changed configuration."""
    plant.change(*changes)
    modbus, opcua = plant.load().sources
    assert isinstance(modbus, ModbusSource)
    assert isinstance(opcua, OpcuaSource)
    return modbus, opcua


def test_without_these_tables_nothing_is_protected(plant: Plant) -> None:
    """No policy, no user, no identity."""
    modbus, opcua = sources(plant)
    assert (opcua.security, opcua.user, opcua.identity, modbus.identity) == (None,) * 4


def test_policy_none_is_no_protection(plant: Plant) -> None:
    """It may be said, and says nothing."""
    _, opcua = sources(plant, opcua_with('[sources.security]\npolicy = "none"\n'))
    assert opcua.security is None


def test_relative_paths_start_at_the_file(plant: Plant) -> None:
    """Absolute ones stay; the mode is sign_and_encrypt where none is named."""
    _, opcua = sources(plant, opcua_with(SECURE, USER))
    folder = Path(plant.load().files[0]).parent
    assert opcua.security == OpcuaSecurity(
        SecurityPolicy.BASIC256SHA256,
        SecurityMode.SIGN_AND_ENCRYPT,
        certificate_path=str(folder / "pki/ours.der"),
        key_path="/etc/keys/ours.pem",
        trusted_folder=str(folder / "pki/trusted"),
    )
    assert opcua.user == OpcuaUser(name="anna", password_path=str(folder / "anna.password"))


def test_an_identity_has_the_namespace_of_its_source(plant: Plant) -> None:
    """Unless it names another one; a text or a number."""
    _, opcua = sources(
        plant, opcua_with('[sources.identity]\nnode = "s=serial"\nexpected = "A-17"\n')
    )
    assert opcua.identity == OpcuaIdentity("urn:potsim:plc", "s=serial", "A-17")
    _, opcua = sources(
        plant,
        opcua_with(
            '[sources.identity]\nnode = "s=serial"\nexpected = 17\n'
            'namespace_uri = "urn:demo:device"\n'
        ),
    )
    assert opcua.identity == OpcuaIdentity("urn:demo:device", "s=serial", 17)


def test_an_identity_over_modbus_is_read_like_a_channel(plant: Plant) -> None:
    """Its address counts from the source's base, its words have an order."""
    modbus, _ = sources(
        plant,
        (
            MODBUS,
            MODBUS + '[sources.identity]\ntable = "input_registers"\naddress = 101\n'
            'type = "uint32"\nword_order = "low_first"\nexpected = 70017.0\n',
        ),
    )
    channel = ModbusChannel(
        "identity",
        RegisterTable.INPUT_REGISTERS,
        100,
        ValueType.UINT32,
        word_order=WordOrder.LOW_FIRST,
    )
    assert modbus.identity == ModbusIdentity(channel, 70017.0)


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        (
            'trusted_folder = "pki/trusted"\n',
            "",
            "security: expected server_certificate_path or trusted_folder, got none;",
        ),
        (
            "trusted_folder",
            'server_certificate_path = "x"\ntrusted_folder',
            "security: expected server_certificate_path or trusted_folder, got"
            " server_certificate_path and trusted_folder;",
        ),
        (
            "trusted_folder",
            "trust_any_server = true\ntrusted_folder",
            "security: expected server_certificate_path or trusted_folder, got trusted_folder and"
            " trust_any_server;",
        ),
        (
            "trusted_folder",
            'crl_folder = "x"\nserver_certificate_path',
            "security.crl_folder: expected it together with trusted_folder, got it alone;",
        ),
        (
            'certificate_path = "pki/ours.der"\n',
            "",
            "security.certificate_path: expected a file, got none;",
        ),
        (
            'policy = "Basic256Sha256"',
            'policy = "Basic128Rsa15"',
            'security.policy: expected "none" or "Basic256Sha256" or "Aes128Sha256RsaOaep" or'
            ' "Aes256Sha256RsaPss", got "Basic128Rsa15";',
        ),
    ],
)
def test_a_table_of_security_that_is_not_whole_is_refused(
    plant: Plant, old: str, new: str, fault: str
) -> None:
    """Each with the key that is wrong, before anything is opened."""
    assert fault in plant.fault(opcua_with(SECURE), (old, new))


def test_keys_that_policy_none_would_ignore_are_refused(plant: Plant) -> None:
    """Somebody who names a certificate believes that it is used."""
    faults = plant.faults(opcua_with('[sources.security]\npolicy = "none"\ntrusted_folder = "x"\n'))
    assert len(faults) == 1
    assert 'expected no such key with policy = "none"' in faults[0]


@pytest.mark.parametrize(
    "security", ["", '[sources.security]\npolicy = "none"\n', SECURE + 'mode = "sign"\n']
)
def test_a_user_on_a_channel_that_others_can_read_is_refused(plant: Plant, security: str) -> None:
    """Open, and only signed."""
    fault = plant.fault(opcua_with(security, USER))
    assert "user: expected an encrypted channel for a user, got one that others can read" in fault


@pytest.mark.parametrize(
    ("user", "came"),
    [
        ('name = "anna"', "name"),
        ('password_path = "x"', "password_path"),
        ('name = "anna"\nkey_path = "x"', "name, key_path"),
        ('name = "a"\npassword_path = "x"\ncertificate_path = "y"\nkey_path = "z"', "name, pass"),
        ("", "none"),
    ],
)
def test_a_user_is_one_whole_pair(plant: Plant, user: str, came: str) -> None:
    """Name and password, or certificate and key: not halves, and not both."""
    fault = plant.fault(opcua_with(SECURE, f"[sources.user]\n{user}\n"))
    assert f"or certificate_path and key_path, got {came}" in fault


def test_a_password_in_the_file_is_refused_and_not_shown(plant: Plant) -> None:
    """Only the name of a file with it may stand there."""
    faults = plant.faults(opcua_with(SECURE, '[sources.user]\nname = "a"\npassword = "hunter2"\n'))
    assert any("expected no secret in a configuration file" in fault for fault in faults)
    assert not any("hunter2" in fault for fault in faults)


@pytest.mark.parametrize("value", ["true", "inf", "nan", "[1]"])
def test_an_identity_is_a_text_or_a_number(plant: Plant, value: str) -> None:
    """A yes or no would be true of half of all devices."""
    fault = plant.fault(opcua_with(f'[sources.identity]\nnode = "s=serial"\nexpected = {value}\n'))
    assert "identity.expected: expected a text or a finite number, got" in fault


@pytest.mark.parametrize(
    ("keys", "fault"),
    [
        (
            'table = "coils"\naddress = 1\ntype = "int16"',
            "identity.type: expected a type that fits",
        ),
        ('table = "holding_registers"\naddress = 1\ntype = "uint32"', "identity.word_order: expec"),
        (
            'table = "holding_registers"\naddress = 0\ntype = "int16"',
            "address: expected 1 to 65536",
        ),
        (
            'table = "holding_registers"\naddress = 65536\ntype = "int32"\n'
            'word_order = "low_first"',
            "address: expected 1 to 65535",
        ),
    ],
)
def test_an_identity_over_modbus_must_be_readable(plant: Plant, keys: str, fault: str) -> None:
    """As every channel of a source."""
    table = f"[sources.identity]\n{keys}\nexpected = 17.0\n"
    assert fault in plant.fault((MODBUS, MODBUS + table))


@pytest.mark.parametrize(
    ("tables", "notice"),
    [
        (
            SECURE.replace('trusted_folder = "pki/trusted"', "trust_any_server = true"),
            "sources.lens_4.security: any server is believed, whoever it is",
        ),
        (
            SECURE + 'mode = "sign"\n',
            "sources.lens_4.security: values are signed, but can be read on the way",
        ),
    ],
)
def test_a_weak_choice_is_noted(plant: Plant, tables: str, notice: str) -> None:
    """It can be used, and it is said what it is worth."""
    plant.change(opcua_with(tables))
    assert notice in plant.load().notices
