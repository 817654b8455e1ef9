"""What is pushed to the pages that listen: once for all, the newest for each, never piling up."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from itertools import pairwise

import pytest

from outputs.web.asking import Seconds, at, make_snapshot
from support.clock import run_virtual
from watchedpot.core.snapshot import Snapshot
from watchedpot.outputs.web import live
from watchedpot.outputs.web.live import BEAT_S, GAP_S, Live, Rendering

BEAT = b'event: beat\ndata: {"at": "2025-11-01T12:26:40.000Z"}\n\n'


@dataclass
class Numbered:
    """State that says how often it was rendered."""

    times: int = 0

    async def __call__(self) -> bytes:
        """Render once more."""
        self.times += 1
        return str(self.times).encode()


def state(number: int) -> bytes:
    """Event of a rendering."""
    return f"event: state\ndata: {number}\n\n".encode()


@asynccontextmanager
async def running() -> AsyncIterator[tuple[Live, Numbered]]:
    """The task that tells the listeners, with nobody listening yet."""
    render = Numbered()
    told = Live(render, lambda: at(0.0))
    task = asyncio.ensure_future(told.run())
    try:
        yield told, render
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


def always() -> bool:
    """A token that stays good."""
    return True


async def heard(stream: AsyncIterator[bytes], *, for_s: float) -> list[tuple[float, bytes]]:
    """What comes within a time, each with when it came."""
    loop, found = asyncio.get_running_loop(), list[tuple[float, bytes]]()
    with suppress(TimeoutError):
        async with asyncio.timeout(for_s):
            async for message in stream:
                found.append((loop.time(), message))
    return found


def test_a_page_gets_the_state_at_once_and_then_a_beat_every_two_seconds() -> None:
    """Also while nothing is published; so silence means that the link is lost."""

    async def listen() -> list[tuple[float, bytes]]:
        async with running() as (told, _):
            return await heard(told.listen(always), for_s=7.5)

    found = run_virtual(listen())
    assert [message for _, message in found] == [state(1), BEAT, BEAT, BEAT, BEAT]
    times = [at_s for at_s, _ in found]
    assert times == [0.0, 1.0, 3.0, 5.0, 7.0]
    assert BEAT_S == 2.0


def test_states_come_at_most_once_a_second_and_the_newest_is_among_them() -> None:
    """Ten publications a second for three seconds: a state a second and no beat."""

    async def listen() -> list[tuple[float, bytes]]:
        async with running() as (told, _):

            async def publish() -> None:
                for _ in range(30):
                    told.publish()
                    await asyncio.sleep(0.1)

            task = asyncio.ensure_future(publish())
            found = await heard(told.listen(always), for_s=4.5)
            await task
            return found

    found = run_virtual(listen())[1:]
    states = [(at_s, message) for at_s, message in found if message != BEAT]
    gaps = [b - a for (a, _), (b, _) in pairwise(states)]
    assert len(states) == 4
    assert min(gaps) >= GAP_S - 1e-9
    assert states[-1][0] == pytest.approx(3.0)


def test_one_rendering_serves_all_who_listen() -> None:
    """Fifty pages, three publications: three renderings besides those at the beginning."""

    async def listen() -> tuple[int, list[list[bytes]]]:
        async with running() as (told, render):
            tasks = [
                asyncio.ensure_future(heard(told.listen(always), for_s=3.9)) for _ in range(50)
            ]
            await asyncio.sleep(0.5)
            assert len(told) == 50
            joined = render.times
            for _ in range(3):
                told.publish()
                await asyncio.sleep(1.0)
            found = [[message for _, message in await task] for task in tasks]
            return render.times - joined, found

    renderings, found = run_virtual(listen())
    assert renderings == 3
    assert len({tuple(messages[1:]) for messages in found}) == 1


def test_nothing_is_rendered_while_nobody_listens() -> None:
    """A daemon without a page does no work for one."""

    async def publish() -> int:
        async with running() as (told, render):
            for _ in range(5):
                told.publish()
                await asyncio.sleep(1.0)
            return render.times

    assert run_virtual(publish()) == 0


def test_a_slow_reader_gets_the_newest_and_not_what_came_meanwhile() -> None:
    """It takes ten seconds over one message; after it comes one, the last."""

    async def listen() -> list[bytes]:
        async with running() as (told, _):
            stream = told.listen(always)
            found = [await anext(stream)]
            for _ in range(10):
                told.publish()
                await asyncio.sleep(1.0)
            found += [await anext(stream), await anext(stream)]
            return found

    assert run_virtual(listen()) == [state(1), state(11), BEAT]


@pytest.mark.parametrize("end", ["closed", "revoked"])
def test_a_stream_ends_with_the_daemon_and_with_its_token(end: str) -> None:
    """At once when the daemon closes, at the next word when the token is revoked."""

    async def listen() -> tuple[float, int]:
        good = [True]
        async with running() as (told, _):
            task = asyncio.ensure_future(heard(told.listen(lambda: good[0]), for_s=60.0))
            await asyncio.sleep(0.25)
            if end == "closed":
                told.close()
            good[0] = end != "revoked"
            await task
            return asyncio.get_running_loop().time(), len(told)

    at_s, left = run_virtual(listen())
    assert left == 0
    assert at_s == (0.25 if end == "closed" else 1.0)


def test_a_page_that_comes_while_the_daemon_ends_is_told_the_state_and_goes() -> None:
    """It does not hold up the end."""

    async def listen() -> list[tuple[float, bytes]]:
        async with running() as (told, _):
            told.close()
            return await heard(told.listen(always), for_s=10.0)

    assert run_virtual(listen()) == [(0.0, state(1))]


def test_only_so_many_may_listen(monkeypatch: pytest.MonkeyPatch) -> None:
    """One that leaves makes room."""
    monkeypatch.setattr(live, "MAX_LISTENERS", 2)

    async def listen() -> list[bool]:
        told = Live(Numbered(), lambda: at(0.0))
        streams = [told.listen(always) for _ in range(2)]
        found = [told.is_full]
        for stream in streams:
            await anext(stream)
        found.append(told.is_full)
        await streams[0].aclose()  # type: ignore[attr-defined]
        return [*found, told.is_full]

    assert run_virtual(listen()) == [False, True, False]


async def test_a_state_is_rendered_once_for_each_snapshot_and_second() -> None:
    """However many ask, and at whatever moment."""
    now_s, shown = Seconds(), [make_snapshot()]
    made: list[Snapshot] = []

    def render(snapshot: Snapshot) -> bytes:
        made.append(snapshot)
        return str(len(made)).encode()

    rendering = Rendering(lambda: shown[0], render, now_s)
    assert await asyncio.gather(*(rendering.current() for _ in range(20))) == [b"1"] * 20
    shown[0] = make_snapshot()
    assert await rendering.current() == b"2"
    now_s.now_s = 0.5
    assert await rendering.current() == b"2"
    now_s.now_s = 1.0
    assert await rendering.current() == b"3"
