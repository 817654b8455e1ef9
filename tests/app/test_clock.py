"""Real time, fast time, and time that goes on behind an earlier run."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass

import pytest

from support.clock import START_UTC_NS, FakeClock, run_virtual
from watchedpot.app import clock
from watchedpot.app.clock import FastClock, SystemClock, continued
from watchedpot.core.model import Instant

S = 1_000_000_000


@dataclass
class Computer:
    """Both clocks of a computer as the module asks them; they follow a virtual loop."""

    utc_ns: int = START_UTC_NS
    monotonic_from_ns: int = 7_000 * S

    def time_ns(self) -> int:
        """Return UTC."""
        return self.utc_ns + self._loop_ns()

    def monotonic_ns(self) -> int:
        """Return the time since some start."""
        return self.monotonic_from_ns + self._loop_ns()

    def _loop_ns(self) -> int:
        try:
            return round(asyncio.get_running_loop().time() * S)
        except RuntimeError:
            return 0


@pytest.fixture
def computer(monkeypatch: pytest.MonkeyPatch) -> Computer:
    """A computer whose clocks the test sets."""
    computer = Computer()
    monkeypatch.setattr(clock, "time", computer)
    return computer


def slept_s(at: clock.Clock, mono_ns: int) -> float:
    """Real seconds that waiting for a moment takes."""

    async def waited() -> float:
        loop = asyncio.get_running_loop()
        began_s = loop.time()
        await at.sleep_until(mono_ns)
        return loop.time() - began_s

    return run_virtual(waited())


def test_system_time_is_the_computers(computer: Computer) -> None:
    """Both times come as the computer has them."""
    assert SystemClock().now() == Instant(computer.utc_ns, computer.monotonic_from_ns)


@pytest.mark.parametrize(("in_s", "expected_s"), [(1.5, 1.5), (0.0, 0.0), (-3.0, 0.0)])
def test_system_time_is_awaited(computer: Computer, in_s: float, expected_s: float) -> None:
    """A moment to come is waited for, one gone by is not."""
    mono_ns = computer.monotonic_from_ns + round(in_s * S)
    assert slept_s(SystemClock(), mono_ns) == pytest.approx(expected_s)


def test_fast_time_agrees_at_its_start(computer: Computer) -> None:
    """At the start it is the start, and the monotonic side is 0."""
    assert FastClock(computer.utc_ns, 60.0).now() == Instant(computer.utc_ns, 0)


@pytest.mark.parametrize(("gone_s", "cell_s"), [(1, 30), (-5, 0), (3600, 108_000)])
def test_fast_time_runs_faster(computer: Computer, gone_s: int, cell_s: int) -> None:
    """A second is thirty; before the start it stands still."""
    fast = FastClock(computer.utc_ns - gone_s * S, 30.0)
    assert fast.now() == Instant(fast.start_utc_ns + cell_s * S, cell_s * S)


def test_fast_time_ignores_steps_of_utc(computer: Computer) -> None:
    """Once made, it follows the clock that never steps."""
    fast = FastClock(computer.utc_ns, 30.0)
    computer.utc_ns += 3600 * S
    assert fast.now() == Instant(fast.start_utc_ns, 0)


@pytest.mark.parametrize(("cell_s", "expected_s"), [(60, 2.0), (0, 0.0), (-60, 0.0)])
def test_fast_time_is_awaited(computer: Computer, cell_s: int, expected_s: float) -> None:
    """A minute of the cell is two seconds at thirty times the speed."""
    fast = FastClock(computer.utc_ns, 30.0)
    assert slept_s(fast, cell_s * S) == pytest.approx(expected_s)


def test_a_start_to_come_is_awaited(computer: Computer) -> None:
    """The wait for the start itself is real time."""
    fast = FastClock(computer.utc_ns + 10 * S, 30.0)
    assert slept_s(fast, 60 * S) == pytest.approx(12.0)


def test_a_new_ledger_begins_on_the_clock_itself() -> None:
    """Without an earlier run nothing is shifted."""
    fake = FakeClock()
    assert continued(fake, None) is fake


def test_time_goes_on_after_a_restart_of_the_computer() -> None:
    """The monotonic side begins anew at 0 and is taken on by what passed in UTC."""
    last = Instant(START_UTC_NS - 90 * S, 500_000 * S)
    fake = FakeClock()
    going_on = continued(fake, last)
    assert going_on.now() == Instant(START_UTC_NS, 500_090 * S)
    fake.advance(5.0)
    assert going_on.now() == Instant(START_UTC_NS + 5 * S, 500_095 * S)


@pytest.mark.parametrize("ahead_s", [0, 1, 3600])
def test_utc_behind_the_record_is_no_time(ahead_s: int) -> None:
    """A clock that was set back since the last run makes no time run backwards."""
    last = Instant(START_UTC_NS + ahead_s * S, 500_000 * S)
    assert continued(FakeClock(), last).now().mono_ns == 500_000 * S + 1


def test_continued_time_is_awaited() -> None:
    """A moment of the continued clock is waited for as long as it is away."""
    fake = FakeClock()
    going_on = continued(fake, Instant(START_UTC_NS - S, 500_000 * S))
    assert slept_s(going_on, 500_001 * S + 4 * S) == pytest.approx(4.0)
