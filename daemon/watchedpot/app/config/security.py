"""How a source is protected, and how it is known again: policies, trust, users, identities.

Files are only named here and not opened: whoever plans or reports with the same configuration
need not be able to read a key. They are read at each connection, and ``check --connect`` says
what is wrong with them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from watchedpot.app.config import model
from watchedpot.app.config.faults import Faults, Place
from watchedpot.sources.wiring import (
    ModbusChannel,
    ModbusIdentity,
    OpcuaIdentity,
    OpcuaSecurity,
    OpcuaSource,
    OpcuaUser,
    RegisterTable,
    SecurityMode,
    SecurityPolicy,
    Source,
    ValueType,
    WordOrder,
)

_BITS = (RegisterTable.COILS, RegisterTable.DISCRETE_INPUTS)
_LAST_ADDRESS = 65535


@dataclass(frozen=True, slots=True)
class Protection:
    """What is added to a source that was wired without it."""

    security: OpcuaSecurity | None = None
    user: OpcuaUser | None = None
    opcua: OpcuaIdentity | None = None
    modbus: ModbusIdentity | None = None

    def of(self, source: Source) -> Source:
        """The source with its protection."""
        if isinstance(source, OpcuaSource):
            return replace(source, security=self.security, user=self.user, identity=self.opcua)
        return replace(source, identity=self.modbus)


def protection(
    source: model.Source, place: Place, faults: Faults, notices: list[str]
) -> Protection:
    """Protection of one source as it was written; meaningless where faults were found."""
    if isinstance(source, model.ModbusSource):
        return Protection(modbus=_modbus_identity(source, place.at("identity"), faults))
    folder = Path(place.file).parent
    security = _security(source, folder, place.at("security"), faults, notices)
    return Protection(
        security=security,
        user=_user(source, folder, security, place, faults),
        opcua=_opcua_identity(source),
    )


def _security(
    source: model.OpcuaSource, folder: Path, place: Place, faults: Faults, notices: list[str]
) -> OpcuaSecurity | None:
    table = source.security
    if table is None or faults.concern(place.at("policy")):
        return None
    if table.policy is SecurityPolicy.NONE:
        for key in sorted(table.model_fields_set - {"policy"}):
            faults.add(
                place.at(key),
                'expected no such key with policy = "none", got one',
                "name a policy, or take the key out",
            )
        return None
    for key in ("certificate_path", "key_path"):
        if not faults.has(table, key, place):
            faults.add(
                place.at(key),
                "expected a file, got none",
                "make certificate and key with: watchedpot certificate",
            )
    _check_trust(table, place, faults, notices)
    if table.mode is SecurityMode.SIGN:
        notices.append(f"{place.path}: values are signed, but can be read on the way")
    return OpcuaSecurity(
        policy=table.policy,
        mode=table.mode,
        certificate_path=_in(folder, table.certificate_path) or "",
        key_path=_in(folder, table.key_path) or "",
        server_certificate_path=_in(folder, table.server_certificate_path),
        trusted_folder=_in(folder, table.trusted_folder),
        crl_folder=_in(folder, table.crl_folder),
        trust_any_server=table.trust_any_server,
        host_name=table.host_name,
        demand_key_usage=table.demand_key_usage,
    )


def _check_trust(
    table: model.OpcuaSecurity, place: Place, faults: Faults, notices: list[str]
) -> None:
    """One way to know the server, or the plain word that none is wanted."""
    ways = [
        key
        for key in ("server_certificate_path", "trusted_folder")
        if faults.has(table, key, place)
    ]
    if table.trust_any_server:
        ways.append("trust_any_server")
        notices.append(f"{place.path}: any server is believed, whoever it is")
    if len(ways) != 1:
        came = " and ".join(ways) or "none"
        faults.add(
            place,
            f"expected server_certificate_path or trusted_folder, got {came}",
            "a protected channel is worth nothing to a server that nobody knows",
        )
    if table.crl_folder is not None and "trusted_folder" not in ways:
        faults.add(
            place.at("crl_folder"),
            "expected it together with trusted_folder, got it alone",
            "authorities are only believed with trusted_folder",
        )


def _user(
    source: model.OpcuaSource,
    folder: Path,
    security: OpcuaSecurity | None,
    place: Place,
    faults: Faults,
) -> OpcuaUser | None:
    table, at = source.user, place.at("user")
    if table is None:
        return None
    pairs = (("name", "password_path"), ("certificate_path", "key_path"))
    written = [pair for pair in pairs if any(faults.has(table, key, at) for key in pair)]
    if len(written) != 1 or not all(faults.has(table, key, at) for key in written[0]):
        came = ", ".join(key for pair in written for key in pair if faults.has(table, key, at))
        faults.add(
            at,
            "expected name and password_path, or certificate_path and key_path, got"
            f" {came or 'none'}",
            "name one pair, whole",
        )
    if not faults.concern(place.at("security")) and (security is None or not security.is_encrypted):
        faults.add(
            at,
            "expected an encrypted channel for a user, got one that others can read",
            'set a policy and mode = "sign_and_encrypt" in the table security of this source',
        )
    return OpcuaUser(
        name=table.name,
        password_path=_in(folder, table.password_path),
        certificate_path=_in(folder, table.certificate_path),
        key_path=_in(folder, table.key_path),
    )


def _opcua_identity(source: model.OpcuaSource) -> OpcuaIdentity | None:
    table = source.identity
    if table is None:
        return None
    return OpcuaIdentity(
        namespace_uri=table.namespace_uri or source.namespace_uri,
        identifier=table.node,
        expected=table.expected,
    )


def _modbus_identity(
    source: model.ModbusSource, place: Place, faults: Faults
) -> ModbusIdentity | None:
    table = source.identity
    if table is None:
        return None
    if (table.type is ValueType.BOOL) != (table.table in _BITS):
        faults.add(
            place.at("type"),
            f'expected a type that fits table = "{table.table}", got "{table.type}"',
            "coils and discrete inputs hold bits, registers hold numbers",
        )
    channel = ModbusChannel(
        name="identity",
        table=table.table,
        address=table.address - source.address_base,
        type=table.type,
        word_order=table.word_order or WordOrder.HIGH_FIRST,
        swap_bytes=table.swap_bytes,
    )
    if channel.width > 1 and table.word_order is None:
        faults.add(
            place.at("word_order"),
            "expected an order of words, got none",
            f"{table.type} takes {channel.width} registers and the order cannot be guessed",
        )
    if not 0 <= channel.address <= _LAST_ADDRESS + 1 - channel.width:
        base = source.address_base
        faults.add(
            place.at("address"),
            f"expected {base} to {_LAST_ADDRESS + base + 1 - channel.width}, got {table.address}",
            f"addresses count from address_base = {base} of source {source.id}",
        )
    return ModbusIdentity(channel, table.expected)


def _in(folder: Path, path: str | None) -> str | None:
    """Path as the daemon finds it: relative ones start at the folder of the file."""
    return None if path is None else str(folder / path)
