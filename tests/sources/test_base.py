"""The schedule of a source, in virtual time."""

from __future__ import annotations

import asyncio
import math
import random
from collections.abc import Callable, Coroutine, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from dataclasses import dataclass, field
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.clock import START_UTC_NS, FakeClock, run_virtual
from support.devices import Plant, ScriptedDevice, keeps_contract
from watchedpot.core.model import Block, Instant, Quality, Reading, Reason, not_good
from watchedpot.core.snapshot import LinkState, SourceSnapshot
from watchedpot.core.units import ns
from watchedpot.errors import (
    SourceError,
    SourceNotTrusted,
    SourceRefused,
    SourceSlotTaken,
    SourceTimeout,
    SourceUnreachable,
)
from watchedpot.sources.base import (
    Judge,
    Load,
    Poller,
    WrongShape,
    as_it_came,
    bounded,
    failure_reason,
    link_state,
    next_delay_s,
)

GOOD = {"cell/tank/wall": Reading(180.0), "cell/hose/wall": Reading(170.0)}
BAD = dict.fromkeys(GOOD, not_good(Quality.BAD, Reason.NULL))
UNREACHABLE = SourceUnreachable("source plc", "no connection within 2 s", hint="check the cable")


@dataclass
class Line:
    """One poller with a plant at the far end, and all that came out of it."""

    plant: Plant = field(default_factory=lambda: Plant(dict(GOOD)))
    clock: FakeClock = field(default_factory=FakeClock)
    blocks: list[Block] = field(default_factory=list)
    reports: list[tuple[str, dict[str, object]]] = field(default_factory=list)
    poll_period_s: float = 1.0
    read_bound_s: float = 0.6
    judge: Judge = as_it_came
    hold: Callable[[], AbstractContextManager[None]] = nullcontext

    def poller(self) -> Poller:
        """Make the poller."""
        return Poller(
            "plc",
            "scripted",
            tuple(GOOD),
            self.plant.device,
            clock=self.clock,
            poll_period_s=self.poll_period_s,
            connect_bound_s=10.0,
            read_bound_s=self.read_bound_s,
            reconnect_cap_s=5.0,
            emit=self.blocks.append,
            report=lambda name, /, **fields: self.reports.append((name, fields)),
            rng=random.Random(1),
            judge=self.judge,
            hold=self.hold,
        )

    def times_s(self) -> list[float]:
        """When each row was received."""
        return [round(float(block.mono_ns[0]) / 1e9, 6) for block in self.blocks]

    def reasons(self) -> list[Reason]:
        """Reason of the first channel of each row."""
        return [Reason(block.reason[0, 0]) for block in self.blocks]


async def run_for(duration_s: float, *actions: Coroutine[Any, Any, None]) -> None:
    """Run actions side by side, then cancel them and wait until they have ended."""
    tasks = [asyncio.ensure_future(action) for action in actions]
    await asyncio.sleep(duration_s)
    for task in tasks:
        task.cancel()
    for task in tasks:
        with suppress(asyncio.CancelledError):
            await task


def poll_for(line: Line, duration_s: float) -> Poller:
    """Poll in virtual time."""

    async def main() -> Poller:
        poller = line.poller()
        await run_for(duration_s, poller.run())
        return poller

    return run_virtual(main())


def test_the_wait_doubles_up_to_the_cap() -> None:
    """Without jitter the waits are 0.5, 1, 2, 4, 5, 5 s."""
    waits_s = [next_delay_s(n, base_s=0.5, cap_s=5.0, jitter=0.0) for n in range(1, 7)]
    assert waits_s == [0.5, 1.0, 2.0, 4.0, 5.0, 5.0]


@given(attempt=st.integers(1, 10**9), jitter=st.floats(0.0, 1.0), cap_s=st.floats(0.1, 60.0))
def test_the_wait_never_exceeds_the_cap(attempt: int, jitter: float, cap_s: float) -> None:
    """Any number of attempts waits at most the cap and at least half of the least step."""
    wait_s = next_delay_s(attempt, base_s=0.5, cap_s=cap_s, jitter=jitter)
    assert 0.5 * min(0.5, cap_s) <= wait_s <= cap_s


@pytest.mark.parametrize(
    ("error", "reason"),
    [
        (SourceUnreachable("s", "p"), Reason.NO_CONNECTION),
        (SourceTimeout("s", "p"), Reason.NO_ANSWER),
        (SourceRefused("s", "p"), Reason.REFUSED),
        (WrongShape("s", "p"), Reason.SHAPE),
        (SourceError("s", "p"), Reason.NOT_WATCHED),
    ],
)
def test_each_error_has_its_reason(error: SourceError, reason: Reason) -> None:
    """A row that an error took away says which kind of error it was."""
    assert failure_reason(error) is reason


@pytest.mark.parametrize(
    ("error", "link"),
    [
        (SourceUnreachable("a", "gone"), LinkState.CONNECTING),
        (SourceError("a", "a fault of ours"), LinkState.CONNECTING),
        (SourceTimeout("a", "late"), LinkState.SILENT),
        (SourceRefused("a", "exception 1"), LinkState.REFUSED),
        (WrongShape("a", "two of three"), LinkState.WRONG_ANSWER),
        (SourceNotTrusted("a", "another certificate"), LinkState.NOT_TRUSTED),
        (SourceSlotTaken("a", "no session left"), LinkState.SLOT_TAKEN),
    ],
)
def test_each_error_leaves_the_link_in_a_state(error: SourceError, link: LinkState) -> None:
    """A person reads how the link stands, not which class was raised."""
    assert link_state(error) is link


def test_bounded_turns_whatever_it_meets_into_ours() -> None:
    """A foreign exception becomes a SourceError with the foreign one as its cause."""

    async def broken() -> None:
        raise ValueError("count 126")

    with pytest.raises(SourceError) as caught:
        run_virtual(bounded("source plc", broken(), doing="read", bound_s=1.0))
    assert str(caught.value) == (
        "source plc: read ended in ValueError: count 126;"
        " this is a fault of the program, not of the device"
    )
    assert isinstance(caught.value.__cause__, ValueError)


def test_bounded_ends_at_its_bound() -> None:
    """An action that takes too long is cut off with the bound in the text."""
    with pytest.raises(SourceTimeout, match=r"^source plc: no answer within 0\.5 s$"):
        run_virtual(bounded("source plc", asyncio.sleep(9.0), doing="answer", bound_s=0.5))


class CancelledWithResult(asyncio.CancelledError):
    """What asyncua 2.1 raises when a cancel meets the answer."""


async def answered_too_late() -> None:
    """An action whose answer comes at the moment at which it is cancelled."""
    try:
        await asyncio.sleep(9.0)
    except asyncio.CancelledError as exc:
        raise CancelledWithResult from exc


def test_bounded_knows_its_own_cancel_in_any_class() -> None:
    """A library's own class of cancel, at the bound, is a timeout and does not end the poller."""
    with pytest.raises(SourceTimeout, match=r"^source plc: no answer within 0\.5 s$"):
        run_virtual(bounded("source plc", answered_too_late(), doing="answer", bound_s=0.5))


def test_bounded_passes_on_a_cancel_from_outside_in_any_class() -> None:
    """Who is told to end does so, whatever class the library makes of it."""

    async def main() -> bool:
        task = asyncio.ensure_future(bounded("s", answered_too_late(), doing="x", bound_s=99.0))
        await asyncio.sleep(1.0)
        task.cancel()
        await asyncio.wait({task})
        return task.cancelled()

    assert run_virtual(main())


def test_bounded_passes_on_a_cancel_that_the_action_swallowed() -> None:
    """A library that eats a cancel cannot keep a task alive."""

    async def deaf() -> None:
        with suppress(asyncio.CancelledError):
            await asyncio.sleep(9.0)

    async def main() -> bool:
        task = asyncio.ensure_future(bounded("s", deaf(), doing="close", bound_s=99.0))
        await asyncio.sleep(1.0)
        task.cancel()
        await asyncio.wait({task})
        return task.cancelled()

    assert run_virtual(main())


def test_the_scripted_device_keeps_the_contract() -> None:
    """The fake behaves as pollers expect of a real device."""
    run_virtual(keeps_contract(Plant(dict(GOOD)).device, tuple(GOOD)))


def test_polls_keep_their_phase() -> None:
    """Rows come at start + n periods + the time of the read, without drift."""
    line = Line(Plant(dict(GOOD), read_s=0.3))
    poller = poll_for(line, 5.9)
    assert line.times_s() == [1.3, 2.3, 3.3, 4.3, 5.3]
    status = poller.status()
    assert (status.polls, status.overruns, status.connections) == (5, 0, 1)
    assert status.lateness_s == pytest.approx(0.3)
    assert status.round_trip_s == pytest.approx(0.3)


def test_a_row_holds_the_channels_in_their_order() -> None:
    """The columns are those of the configuration, in whatever order the device answered."""
    line = Line(Plant(dict(reversed(GOOD.items()))))
    poll_for(line, 1.5)
    (block,) = line.blocks
    assert block.channels == tuple(GOOD)
    assert block.value[0].tolist() == [180.0, 170.0]
    assert block.seen_ns[0] == START_UTC_NS + ns(1.0)


def test_an_overrun_is_skipped_and_counted() -> None:
    """A read of 2.5 periods lets two due moments pass and then resumes the phase."""
    line = Line(Plant(dict(GOOD), read_s=2.5), read_bound_s=9.0)
    poller = poll_for(line, 10.0)
    assert line.times_s() == [3.5, 6.5, 9.5]
    assert poller.status().overruns == 6


def test_cell_time_sets_the_period_and_real_time_the_bound() -> None:
    """At sixty times the speed a row a second comes each sixtieth, and a bound stays real."""
    line = Line(clock=FakeClock(speed=60.0))
    poll_for(line, 0.1)
    assert line.times_s() == [1.0, 2.0, 3.0, 4.0, 5.0]
    late = Line(Plant(dict(GOOD), read_s=99.0), clock=FakeClock(speed=60.0), read_bound_s=0.5)
    poll_for(late, 0.6)
    assert late.times_s()[0] == 31.0


def test_missing_rows_come_on_time_while_connecting() -> None:
    """A slow connect yields a MISSING row at each due moment until it is done."""
    line = Line(Plant(dict(GOOD), connect_s=3.4))
    poller = poll_for(line, 4.9)
    assert line.times_s() == [1.0, 2.0, 3.0, 4.0]
    assert line.reasons() == [Reason.NO_CONNECTION] * 3 + [Reason.NONE]
    assert [Quality(block.quality[0, 1]) for block in line.blocks] == [
        *[Quality.MISSING] * 3,
        Quality.GOOD,
    ]
    assert math.isnan(line.blocks[0].value[0, 0])
    assert poller.status().failures[Reason.NO_CONNECTION] == 3


def test_missing_rows_come_on_time_while_backing_off() -> None:
    """A device that is off yields a row at every due moment, and is tried for ever."""
    line = Line(Plant(dict(GOOD), connect_error=UNREACHABLE))
    poll_for(line, 60.5)
    assert line.times_s() == [float(n) for n in range(1, 61)]
    assert set(line.reasons()) == {Reason.NO_CONNECTION}
    gaps_s = [
        b - a for a, b in zip(line.plant.opened_at_s, line.plant.opened_at_s[1:], strict=False)
    ]
    assert all(0.25 <= gap_s <= 5.0 for gap_s in gaps_s)
    assert gaps_s[-1] >= 2.5


def test_a_device_that_comes_back_is_read_within_twice_the_cap() -> None:
    """Off at the start and back after 30 s, it gives a good row by second 40."""
    line = Line(Plant(dict(GOOD), connect_error=UNREACHABLE))

    async def main() -> None:
        line.plant.later(30.0, connect_error=None)
        await run_for(45.0, line.poller().run())

    run_virtual(main())
    first_good = line.reasons().index(Reason.NONE)
    assert 30.0 <= line.times_s()[first_good] <= 40.0
    assert set(line.reasons()[first_good:]) == {Reason.NONE}
    assert [name for name, _ in line.reports] == ["source_lost", "source_up"]


def test_a_loss_is_reported_once_with_a_whole_sentence() -> None:
    """However many polls fail, the change is told once: where, what, effect, hint."""
    line = Line(Plant(dict(GOOD), connect_error=UNREACHABLE))
    poll_for(line, 20.0)
    assert line.reports == [
        (
            "source_lost",
            {
                "source": "plc",
                "reason": "no_connection",
                "text": "source plc: no connection within 2 s; its 2 channels are missing,"
                " next try within 5 s; check the cable",
            },
        )
    ]


def test_a_link_tells_what_is_wrong_until_it_is_up_again() -> None:
    """State and sentence are those of the newest error; a change of state is reported."""
    line = Line(Plant(dict(GOOD), connect_error=UNREACHABLE, certificate_expires_ns=7))
    poller = line.poller()

    async def main() -> list[SourceSnapshot]:
        line.plant.later(3.2, connect_error=SourceSlotTaken("plc", "no session left"))
        line.plant.later(12.2, connect_error=None)
        seen = []
        async with asyncio.TaskGroup() as group:
            run = group.create_task(poller.run())
            for wait_s in (2.5, 9.0, 12.0):
                await asyncio.sleep(wait_s)
                seen.append(poller.status())
            run.cancel()
        return seen

    lost, taken, up = run_virtual(main())
    assert (lost.link, lost.diagnosis) == (
        LinkState.CONNECTING,
        "no connection within 2 s; check the cable",
    )
    assert lost.certificate_expires_ns is None
    assert (taken.link, taken.diagnosis) == (LinkState.SLOT_TAKEN, "no session left")
    assert (up.link, up.diagnosis, up.certificate_expires_ns) == (LinkState.UP, "", 7)
    assert up.requests > taken.requests == 0
    assert line.reports[1] == (
        "source_link",
        {"source": "plc", "link": "slot_taken", "diagnosis": "no session left"},
    )


def test_the_judge_has_the_last_word_on_every_reading() -> None:
    """What it does not believe is emitted as not good, and counted by reason."""
    line = Line()
    poller = line.poller()
    poller._judge = lambda _at, readings: dict.fromkeys(
        readings, not_good(Quality.BAD, Reason.NOT_MOVING)
    )
    run_virtual(run_for(3.5, poller.run()))
    assert line.reasons() == [Reason.NOT_MOVING] * 3
    assert poller.status().rejected == {Reason.NOT_MOVING: 3 * len(GOOD)}


def test_a_silent_device_yields_its_rows_at_the_deadline() -> None:
    """A read without answer ends at its bound, as MISSING, and costs the connection."""
    line = Line(Plant(dict(GOOD), read_s=99.0))
    poll_for(line, 2.4)
    assert line.times_s() == [1.6, 2.0]
    assert line.reasons() == [Reason.NO_ANSWER] * 2
    assert (line.plant.opened, line.plant.closed) == (2, 2)


def test_a_slow_close_delays_no_row() -> None:
    """Closing a broken connection goes on beside the polls."""
    line = Line(Plant(dict(GOOD), close_s=5.0, read_error=UNREACHABLE))
    poll_for(line, 5.5)
    assert line.times_s() == [1.0, 2.0, 3.0, 4.0, 5.0]


def test_a_fault_of_the_program_is_a_missing_row_not_the_end() -> None:
    """An unforeseen exception in a read is reported, and polling goes on."""
    line = Line(Plant(dict(GOOD), read_error=KeyError("wall")))

    async def main() -> None:
        line.plant.later(2.5, read_error=None)
        await run_for(6.5, line.poller().run())

    run_virtual(main())
    assert line.reasons()[0] is Reason.NOT_WATCHED
    assert line.reasons()[-1] is Reason.NONE
    assert "KeyError" in str(line.reports[0][1]["text"])


def test_an_answer_without_a_channel_is_a_fault_of_the_program() -> None:
    """A device that leaves a channel out costs a row, not the poller."""
    line = Line(Plant({"cell/tank/wall": Reading(180.0)}))
    poll_for(line, 1.5)
    assert line.reasons() == [Reason.NOT_WATCHED]


def test_only_a_good_reading_makes_the_next_wait_short_again() -> None:
    """A device that answers without a good value and then drops is not hammered."""
    line = Line(Plant(dict(BAD)))

    async def main(*, is_good: bool) -> int:
        poller = line.poller()
        poller._attempt = 6
        if is_good:
            line.plant.readings = dict(GOOD)
        await run_for(1.5, poller.run())
        return poller._attempt

    assert run_virtual(main(is_good=False)) == 6
    assert run_virtual(main(is_good=True)) == 0


def test_a_dead_device_never_delays_a_healthy_one() -> None:
    """Two pollers in one loop: the rows of one do not depend on the other."""
    dead = Line(Plant(dict(GOOD), read_s=99.0, connect_s=0.1, close_s=3.0))
    healthy = Line(Plant(dict(GOOD), read_s=0.01))

    async def main() -> None:
        await run_for(30.5, dead.poller().run(), healthy.poller().run())

    run_virtual(main())
    assert healthy.times_s() == [n + 0.01 for n in range(1, 31)]
    assert set(healthy.reasons()) == {Reason.NONE}
    assert Reason.NONE not in dead.reasons()


@pytest.mark.parametrize("step", range(90))
def test_a_cancel_at_any_moment_leaves_nothing_open(step: int) -> None:
    """Connecting, reading, closing, waiting: wherever the cancel strikes, all is closed.

    One connection is opened at 0 s, reads for 0.4 of each second, breaks at 1.4 s, is closed
    until 1.6 s, and followed by another; the cancel strikes each 40 ms of it.
    """
    line = Line(Plant(dict(GOOD), connect_s=0.3, read_s=0.4, close_s=0.2))

    async def main() -> None:
        line.plant.later(1.2, read_error=UNREACHABLE)
        await run_for(0.02 + 0.04 * step, line.poller().run())
        assert len(asyncio.all_tasks()) == 1

    run_virtual(main())
    assert line.plant.opened == line.plant.closed >= 1


@given(
    connect_s=st.floats(0.0, 4.0),
    read_s=st.floats(0.0, 4.0),
    close_s=st.floats(0.0, 4.0),
    breaks_at_s=st.floats(0.0, 20.0),
    returns_at_s=st.floats(0.0, 20.0),
    read_bound_s=st.floats(0.1, 5.0),
)
def test_every_due_moment_is_a_row_or_an_overrun(
    *,
    connect_s: float,
    read_s: float,
    close_s: float,
    breaks_at_s: float,
    returns_at_s: float,
    read_bound_s: float,
) -> None:
    """Whatever the device does, a due moment is a row, at once or by the bound, or an overrun."""
    line = Line(
        Plant(dict(GOOD), connect_s=connect_s, read_s=read_s, close_s=close_s),
        read_bound_s=read_bound_s,
    )

    async def main() -> Poller:
        line.plant.later(breaks_at_s, read_error=UNREACHABLE, connect_error=UNREACHABLE)
        line.plant.later(returns_at_s, read_error=None, connect_error=None)
        poller = line.poller()
        await run_for(20.5, poller.run())
        return poller

    status = run_virtual(main()).status()
    times_s = line.times_s()
    assert times_s == sorted(set(times_s))
    late_s = min(read_s, read_bound_s)
    unfinished = math.floor(late_s) + 1
    assert 20 - unfinished <= status.polls + status.overruns <= 20
    for time_s in times_s:
        assert any(
            (time_s - after_s) % 1.0 == pytest.approx(0.0, abs=1e-5)
            or (time_s - after_s) % 1.0 == pytest.approx(1.0, abs=1e-5)
            for after_s in (0.0, late_s)
        )
    assert status.polls == len(line.blocks)
    assert sum(status.failures.values()) == sum(r is not Reason.NONE for r in line.reasons())


def test_the_status_counts_from_zero() -> None:
    """Before the first poll every known reason and every bucket is there, at 0."""
    status = Line().poller().status()
    assert set(status.failures.values()) == {0}
    assert {Reason.NO_CONNECTION, Reason.NO_ANSWER, Reason.SHAPE} <= set(status.failures)
    assert status.lateness_buckets[-1] == (math.inf, 0)
    assert (status.is_up, status.last_answer, status.skew_s) == (False, None, None)


def test_the_lateness_of_answers_fills_a_cumulative_histogram() -> None:
    """Three answers 0.3 s late stand in every bucket from 0.5 s up, and in the sum."""
    poller = poll_for(Line(Plant(dict(GOOD), read_s=0.3)), 3.9)
    buckets = dict(poller.status().lateness_buckets)
    assert (buckets[0.25], buckets[0.5], buckets[math.inf]) == (0, 3, 3)
    assert poller.status().lateness_sum_s == pytest.approx(0.9)


def test_skew_is_server_time_minus_ours() -> None:
    """A server two hours ahead is two hours ahead, by the newest stamp of the answer."""
    stamped = {
        "cell/tank/wall": Reading(180.0, server_ns=START_UTC_NS + ns(7201.0)),
        "cell/hose/wall": Reading(170.0),
    }
    poller = poll_for(Line(Plant(stamped)), 1.5)
    assert poller.status().skew_s == pytest.approx(7200.0)


def test_a_fault_of_the_judge_costs_rows_and_never_the_poller() -> None:
    """While it raises, rows say NOT_WATCHED; then they are good again, on a new connection."""
    line = Line()
    judged = 0

    def judge(at: Instant, readings: dict[str, Reading]) -> dict[str, Reading]:
        nonlocal judged
        del at
        judged += 1
        if judged == 2:
            raise ZeroDivisionError
        return readings

    line.judge = judge
    poller = poll_for(line, 6.5)
    assert line.reasons().count(Reason.NOT_WATCHED) == 1
    assert line.reasons()[-1] is Reason.NONE
    assert line.plant.opened == line.plant.closed == 2
    assert poller.status().failures[Reason.NOT_WATCHED] == 1


def test_a_device_that_cannot_be_closed_does_not_end_the_poller() -> None:
    """An exception in closing, or a closing that never ends, leaves the rows coming."""

    class Stuck(ScriptedDevice):
        async def close(self) -> None:
            await super().close()
            if line.plant.opened == 1:
                raise ZeroDivisionError
            await asyncio.sleep(1e9)

    line = Line(Plant(dict(GOOD), read_error=UNREACHABLE))
    line.plant.device = lambda: Stuck(line.plant)  # type: ignore[method-assign]
    poll_for(line, 60.5)
    assert len(line.blocks) == 60
    assert line.plant.opened >= 4


def test_what_devices_share_is_held_as_long_as_the_poller_runs() -> None:
    """Held before the first connection, let go of after the last one is closed."""
    line = Line()
    told: list[str] = []

    @contextmanager
    def hold() -> Iterator[None]:
        told.append(f"held, {line.plant.opened} opened")
        try:
            yield
        finally:
            told.append(f"let go, {line.plant.closed} closed")

    line.hold = hold
    poll_for(line, 2.5)
    assert told == ["held, 0 opened", "let go, 1 closed"]


def test_the_load_is_stated_by_poll_and_by_second() -> None:
    """Three requests every half second are six a second."""
    assert Load("modbus_tcp 10.0.0.7:502 unit 1", 3, 0.5).requests_per_s == 6.0
