"""Another controller at the old one's address: namespaces in another order, another tank.

Usage: python other_plc.py HOST PORT
The same identifiers stand in a namespace that comes first, where they are of a cabinet at 20 degC.
"""

from __future__ import annotations

import asyncio
import logging
import sys

from asyncua import ua
from asyncua.server.server import Server

NAMES = ("syringe", "nozzle")
CABINET_C, MELT_C = 20.0, 111.5


async def serve(host: str, port: int) -> None:
    """Serve until the process ends."""
    logging.disable(logging.ERROR)
    server = Server()
    await server.init()
    server.set_endpoint(f"opc.tcp://{host}:{port}/potsim")
    for uri, temp_c in (("urn:cabinet", CABINET_C), ("urn:potsim:plc", MELT_C)):
        index = ua.Int16(await server.register_namespace(uri))
        for name in NAMES:
            node_id = ua.NodeId(ua.String(f"lens_4.{name}.temperature"), index)
            kind = ua.VariantType.Float
            await server.nodes.objects.add_variable(node_id, name, temp_c, kind)
    async with server:
        await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(serve(sys.argv[1], int(sys.argv[2])))
