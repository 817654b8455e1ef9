"""A device in a process of its own, so that its work is not counted as ours.

    python serve.py modbus|opcua PORT

Prints ``ready`` and serves until it is ended: 20 registers that hold ten 32-bit floats, or 20
variables, all of them ``VALUE_C``.
"""

from __future__ import annotations

import asyncio
import logging
import struct
import sys

from asyncua import ua
from asyncua.server.server import Server

from support.raw_modbus import Asked, RawModbus

VALUE_C = 118.5
NAMESPACE = "urn:bench:device"
NODES = 20


def answer(asked: Asked) -> bytes:
    """Frame of floats that are all alike, high word first."""
    return asked.words(struct.unpack(">2H", struct.pack(">f", VALUE_C)) * (asked.count // 2))


async def serve_modbus(port: int) -> None:
    """Registers, until cancelled."""
    async with RawModbus(answer, port=port) as server:
        print("ready", flush=True)
        while True:
            await asyncio.sleep(1.0)
            server.asked.clear()


async def serve_opcua(port: int) -> None:
    """Variables, until cancelled."""
    server = Server()
    await server.init()
    server.set_endpoint(f"opc.tcp://127.0.0.1:{port}/")
    index = ua.Int16(await server.register_namespace(NAMESPACE))
    for number in range(NODES):
        node = ua.NodeId(ua.String(f"value_{number}"), index)
        await server.nodes.objects.add_variable(
            node, f"value_{number}", VALUE_C, ua.VariantType.Float
        )
    async with server:
        print("ready", flush=True)
        await asyncio.Event().wait()


if __name__ == "__main__":
    logging.disable(logging.CRITICAL)
    asyncio.run({"modbus": serve_modbus, "opcua": serve_opcua}[sys.argv[1]](int(sys.argv[2])))
