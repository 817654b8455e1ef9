"""What is new, pushed to every page that listens (server-sent events).

One task renders the state once for each publication and wakes the listeners; each takes the newest
there is when it gets round to it. A listener that reads slowly skips what came meanwhile, and there
is no queue that could grow. They are woken one by one with a pause in between, so that a poll that
falls due meanwhile goes first.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass, field

from watchedpot.core.model import Instant
from watchedpot.core.snapshot import Snapshot
from watchedpot.outputs.web.model import iso

MAX_LISTENERS = 250
"""Pages that may listen at a time [1]; further ones ask again later."""

GAP_S, BEAT_S = 1.0, 2.0
"""Shortest time between two states, and longest time without a word, in real time. [s]"""

PAUSE_S = 0.002
"""Between waking one listener and the next, in real time: 250 of them take half of the gap. [s]"""


class Rendering:
    """The state as JSON, made once for each snapshot however often it is asked for.

    Parameters
    ----------
    snapshot
        Gives the newest snapshot.
    render
        Makes JSON of it; it runs in a thread.
    now_s
        A real time that never steps: a state older than ``GAP_S`` is made anew, since it tells
        ages. [s]
    """

    def __init__(
        self,
        snapshot: Callable[[], Snapshot],
        render: Callable[[Snapshot], bytes],
        now_s: Callable[[], float],
    ) -> None:
        self._snapshot = snapshot
        self._render = render
        self._now_s = now_s
        self._one_at_a_time = asyncio.Lock()
        self._of: Snapshot | None = None
        self._made_s = 0.0
        self._text = b""

    async def current(self) -> bytes:
        """The state as it is now."""
        async with self._one_at_a_time:
            newest, now_s = self._snapshot(), self._now_s()
            if newest is not self._of or now_s - self._made_s >= GAP_S:
                self._text = await asyncio.to_thread(self._render, newest)
                self._of, self._made_s = newest, now_s
            return self._text


@dataclass(eq=False, slots=True)
class _Listener:
    """One page: whether there is something for it, and what it has been told."""

    states: int
    beats: int
    news: asyncio.Event = field(default_factory=asyncio.Event)


class Live:
    """Tells all who listen what was published.

    Parameters
    ----------
    render
        Gives the state as JSON.
    now
        Gives the present moment, for the beat.
    """

    def __init__(self, render: Callable[[], Awaitable[bytes]], now: Callable[[], Instant]) -> None:
        self._render = render
        self._now = now
        self._published = asyncio.Event()
        self._listeners: set[_Listener] = set()
        self._states = self._beats = 0
        self._state = self._beat = b""
        self._is_over = False

    def __len__(self) -> int:
        """How many listen."""
        return len(self._listeners)

    @property
    def is_full(self) -> bool:
        """Whether nobody else may listen now."""
        return len(self._listeners) >= MAX_LISTENERS

    def publish(self) -> None:
        """Say that there is a new snapshot."""
        self._published.set()

    def close(self) -> None:
        """End every stream."""
        self._is_over = True
        for listener in self._listeners:
            listener.news.set()

    async def run(self) -> None:
        """Tell the listeners, for ever; at most once in ``GAP_S``."""
        loop = asyncio.get_running_loop()
        while True:
            is_new = await self._is_published(within_s=BEAT_S - GAP_S)
            began_s = loop.time()
            if not is_new:
                self._beat = _event("beat", json.dumps({"at": iso(self._now().utc_ns)}).encode())
                self._beats += 1
            elif self._listeners:
                self._state = _event("state", await self._render())
                self._states += 1
            for listener in tuple(self._listeners):
                listener.news.set()
                await asyncio.sleep(PAUSE_S)
            await asyncio.sleep(max(0.0, began_s + GAP_S - loop.time()))

    async def _is_published(self, *, within_s: float) -> bool:
        """Wait for a publication; whether there was one in time."""
        try:
            async with asyncio.timeout(within_s):
                await self._published.wait()
        except TimeoutError:
            return False
        self._published.clear()
        return True

    async def listen(self, is_let_in: Callable[[], bool]) -> AsyncIterator[bytes]:
        """What one page is told: the state at once, then what is new.

        Ends when the daemon does, or when the page may no longer ask. Waits for news of its own
        only; whoever iterates bounds each sending.
        """
        listener = _Listener(self._states, self._beats)
        self._listeners.add(listener)
        try:
            yield _event("state", await self._render())
            while not self._is_over:
                await listener.news.wait()
                listener.news.clear()
                if self._is_over or not is_let_in():
                    return
                told = listener.states, listener.beats
                listener.states, listener.beats = self._states, self._beats
                if told[0] != self._states:
                    yield self._state
                elif told[1] != self._beats:
                    yield self._beat
        finally:
            self._listeners.discard(listener)


def _event(name: str, line: bytes) -> bytes:
    """One event of the stream; JSON without line breaks is one line."""
    return b"event: " + name.encode() + b"\ndata: " + line + b"\n\n"
