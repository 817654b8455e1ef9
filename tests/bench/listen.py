"""Pages that listen, in a process of their own, so that their work is not counted as ours.

    python listen.py PORT QUICK SLOW

Opens so many streams that are read at once and so many of which only the beginning is ever read.
Prints ``ready`` when each has had its first event, and when its input ends the number of events
that the quick ones had.
"""

from __future__ import annotations

import asyncio
import sys

REQUEST = b"GET /api/v1/live HTTP/1.1\r\nHost: localhost\r\n\r\n"


class Pages:
    """All of them."""

    def __init__(self) -> None:
        self.events = 0
        self.begun = 0

    async def quick(self, port: int) -> None:
        """Read for ever."""
        reader, writer = await asyncio.open_connection("127.0.0.1", port, limit=2**20)
        writer.write(REQUEST)
        is_new = True
        while line := await reader.readline():
            if line.startswith(b"event:"):
                self.events += 1
                self.begun += is_new
                is_new = False

    async def slow(self, port: int) -> None:
        """Read the beginning and then nothing any more."""
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(REQUEST)
        await reader.readline()
        self.begun += 1
        writer.transport.pause_reading()  # type: ignore[attr-defined]
        await asyncio.Event().wait()


async def main(port: int, quick: int, slow: int) -> None:
    """Listen until the input ends."""
    pages = Pages()
    tasks = [asyncio.ensure_future(pages.quick(port)) for _ in range(quick)]
    tasks += [asyncio.ensure_future(pages.slow(port)) for _ in range(slow)]
    while pages.begun < quick + slow:  # noqa: ASYNC110 - two hundred tasks count
        await asyncio.sleep(0.05)
    print("ready", flush=True)
    pages.events = 0
    await asyncio.to_thread(sys.stdin.read)
    print(pages.events, flush=True)


if __name__ == "__main__":
    asyncio.run(main(*map(int, sys.argv[1:])))
