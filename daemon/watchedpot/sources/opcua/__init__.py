"""Devices that speak OPC UA; the only room that names asyncua.

``refusals`` says what a refusal means, ``trust`` finds out with whom we speak, ``session`` holds
one connection, ``device`` reads the channels over it, ``polling`` makes the poller.
"""

from __future__ import annotations

from watchedpot.sources.opcua.device import Acquaintance, OpcuaDevice
from watchedpot.sources.opcua.polling import poller, probe

__all__ = ["Acquaintance", "OpcuaDevice", "poller", "probe"]
