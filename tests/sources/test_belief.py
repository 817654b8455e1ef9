"""What is believed of readings that could be true: jumps, standstill, heartbeat, scale and unit."""

from __future__ import annotations

import csv
import math
import random
import struct
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from potsim.scenarios import load as load_scenario
from potsim.world import World
from watchedpot.core.model import NO_TIME_NS, Instant, Quality, Reading, Reason, not_good
from watchedpot.core.units import NANO
from watchedpot.sources.belief import Belief
from watchedpot.sources.decode import modbus_decoder, opcua_decoder
from watchedpot.sources.wiring import (
    Channel,
    Conversion,
    Doubt,
    ModbusChannel,
    OpcuaChannel,
    RegisterTable,
    Unit,
    ValueType,
)

pytestmark = pytest.mark.timeout(60)  # stories of many polls, in the interpreter's development mode

UTC_NS = 1_800_000_000 * NANO
CELSIUS = Conversion(unit=Unit.CELSIUS, plausible_low=-50.0, plausible_high=300.0)
FAHRENHEIT = replace(CELSIUS, unit=Unit.FAHRENHEIT)
USUAL = Doubt(max_k_per_s=10.0)
TANK = OpcuaChannel(
    "cell/tank/temperature", "urn:cell", "s=t", ValueType.FLOAT32, CELSIUS, doubt=USUAL
)
SETPOINT = OpcuaChannel("cell/tank/setpoint", "urn:cell", "s=s", ValueType.FLOAT32, CELSIUS)
BEAT = OpcuaChannel(
    "cell/heartbeat", "urn:cell", "s=h", ValueType.UINT32, doubt=Doubt(moves_within_s=10.0)
)

Told = tuple[Quality, Reason]
GOOD: Told = (Quality.GOOD, Reason.NONE)
SLEW: Told = (Quality.BAD, Reason.SLEW)
FROZEN: Told = (Quality.BAD, Reason.FROZEN)
STANDING: Told = (Quality.STALE, Reason.NOT_MOVING)
IMPLAUSIBLE: Told = (Quality.BAD, Reason.IMPLAUSIBLE)


def named(reason: Reason) -> Told:
    """What is told of a reading whose error has a name."""
    return Quality.BAD, reason


def instant(at_s: float) -> Instant:
    """A moment."""
    return Instant(UTC_NS + round(at_s * NANO), round(at_s * NANO))


def decoded(channel: Channel, raw: float, **stamps: int) -> Reading:
    """What the decoder makes of a number on the wire."""
    if isinstance(channel, ModbusChannel):
        layout = {ValueType.INT32: ">i", ValueType.UINT32: ">I", ValueType.INT16: ">h"}
        packed = struct.pack(layout[channel.type], int(raw))
        return modbus_decoder(channel)(struct.unpack(f">{len(packed) // 2}H", packed))
    number = 10 if channel.type is ValueType.FLOAT32 else 7
    value = float(raw) if number == 10 else int(raw)
    source_ns, server_ns = stamps.get("source_ns", NO_TIME_NS), stamps.get("server_ns", NO_TIME_NS)
    return opcua_decoder(channel)(value, number, 0, source_ns=source_ns, server_ns=server_ns)


def told(
    raws: Iterable[float | None],
    *,
    channel: Channel = TANK,
    period_s: float = 1.0,
    start_s: float = 0.0,
) -> list[Told]:
    """What is told of each number of a channel; None is a poll that brought nothing."""
    belief = Belief([channel])
    found = []
    for poll, raw in enumerate(raws):
        if raw is not None:
            at = instant(start_s + poll * period_s)
            reading = belief(at, {channel.name: decoded(channel, raw)})[channel.name]
            assert math.isfinite(reading.value) is (reading.quality is Quality.GOOD)
            found.append((reading.quality, reading.reason))
    return found


def test_what_moves_as_a_zone_does_is_believed() -> None:
    """Noise, heating at 1 K/s and a start from anywhere are good."""
    assert set(told([20.0, 21.0, 20.4, 22.0, *(22.0 + n for n in range(60))])) == {GOOD}


def test_a_jump_for_one_reading_is_never_believed() -> None:
    """One sample 256 tenths off, as of a value torn between its two bytes, and back."""
    assert told([180.0, 180.1, 205.7, 180.1, 180.2]) == [GOOD, GOOD, SLEW, GOOD, GOOD]


def test_a_step_is_believed_one_poll_later() -> None:
    """A probe that is pulled out: 180 to 120 degC, and there it stays."""
    assert told([180.0, 120.0, 118.0, 117.0]) == [GOOD, SLEW, GOOD, GOOD]


def test_a_change_that_goes_on_no_faster_is_believed() -> None:
    """A thin sensor in the air, 8 s of time constant: each second poll at least is good.

    Source: first-order lag, 180 to 25 degC.
    """
    cooling = [25.0 + 155.0 * math.exp(-n / 8.0) for n in range(40)]
    found = told(cooling)
    assert all(GOOD in pair for pair in pairwise(found))
    assert set(found[20:]) == {GOOD}


def test_a_change_that_goes_on_faster_and_faster_is_not() -> None:
    """15, then 45, then 90 K in a second is no temperature of a zone."""
    assert told([100.0, 115.0, 160.0, 250.0]) == [GOOD, SLEW, SLEW, SLEW]


def test_jumps_to_and_fro_are_never_believed() -> None:
    """A value that alternates between two places far apart confirms neither, only the old one."""
    assert told([180.0, 60.0, 240.0, 60.0, 240.0, 180.0]) == [GOOD, *[SLEW] * 4, GOOD]


def test_a_short_poll_does_not_make_noise_a_jump() -> None:
    """A step of 1 K in 50 ms is the resolution of a register, not 20 K/s."""
    assert set(told([180.0, 181.0, 180.0, 182.0], period_s=0.05)) == {GOOD}


def test_a_slow_poll_lets_no_torn_value_through() -> None:
    """Every 5 s, and after three polls that brought nothing: 25.6 K off is not believed."""
    assert told([180.0, 205.6, 180.0], period_s=5.0) == [GOOD, SLEW, GOOD]
    assert told([180.0, *[None] * 3, 205.6, 180.0]) == [GOOD, SLEW, GOOD]
    assert set(told([180.0, 190.0, 201.0], period_s=5.0)) == {GOOD}


def test_after_a_gap_more_may_have_changed() -> None:
    """100 K are too many for a second and few enough for a quarter of an hour."""
    assert told([180.0, *[None] * 900, 80.0]) == [GOOD, GOOD]


def test_a_jump_must_be_confirmed_soon() -> None:
    """What comes again after a minute without readings confirms nothing by itself."""
    fast = replace(TANK, doubt=Doubt(max_k_per_s=0.5))
    assert told([180.0, 120.0, *[None] * 60, 120.0], channel=fast) == [GOOD, SLEW, SLEW]


WIDE = ModbusChannel(
    "cell/tank/temperature",
    RegisterTable.HOLDING_REGISTERS,
    0,
    ValueType.INT32,
    Conversion(scale=0.001, unit=Unit.CELSIUS, plausible_low=-50.0, plausible_high=400.0),
    doubt=USUAL,
)


@given(
    raws=st.lists(st.integers(100_000, 300_000), min_size=3, max_size=12),
    torn=st.integers(0, 11),
    is_high_new=st.booleans(),
)
def test_a_torn_value_never_gets_through(raws: list[int], torn: int, *, is_high_new: bool) -> None:
    """Thousandths of a degree in two registers, one pair half old and half new, wherever it is.

    The true values drift by less than the limit; what is good is never far from the truth.
    """
    smooth = [raws[0] + (raw - raws[0]) // 40 for raw in raws]
    belief = Belief([WIDE])
    for poll, (before, now) in enumerate(zip([smooth[0], *smooth], smooth, strict=False)):
        seen = now
        if poll == torn:
            high, low = (now, before) if is_high_new else (before, now)
            seen = high // 65_536 * 65_536 + low % 65_536
        reading = belief(instant(poll), {WIDE.name: decoded(WIDE, seen)})[WIDE.name]
        if reading.quality is Quality.GOOD:
            assert abs(reading.value - now / 1000.0) <= 10.0


def test_the_first_number_of_two_registers_must_come_twice() -> None:
    """65.536 K off at the very start, or after a silence, would have nothing to be held against."""
    assert told([245_536, 180_000, 180_100], channel=WIDE) == [SLEW, SLEW, GOOD]
    later = [180_000, 180_000, *[None] * 20, 245_536, 180_000, 180_000]
    assert told(later, channel=WIDE) == [SLEW, GOOD, SLEW, SLEW, GOOD]


def test_a_torn_float_is_off_by_no_more_than_a_step_of_its_high_word() -> None:
    """What the module says of floats: 1 K from 128 to 256 degC, 0.5 K from 64 to 128 degC.

    Source: IEEE 754, 7 bits of the fraction stand in the high word; tried over 20,000 pairs.
    """
    rng = random.Random(4)
    for low_c, high_c, most_k in ((128.0, 255.0, 1.0), (64.0, 127.0, 0.5)):
        for _ in range(10_000):
            old_c, new_c = rng.uniform(low_c, high_c), rng.uniform(low_c, high_c)
            old, new = struct.pack(">f", old_c), struct.pack(">f", new_c)
            (torn_c,) = struct.unpack(">f", new[:2] + old[2:])
            assert abs(torn_c - new_c) <= most_k


def counter(name: str) -> ModbusChannel:
    """A whole number in two registers."""
    return ModbusChannel(name, RegisterTable.HOLDING_REGISTERS, 20, ValueType.UINT32)


def test_a_torn_counter_never_gets_through() -> None:
    """65535 to 65536 seen as 0 or as 131071 for one poll."""
    parts = counter("cell/parts")
    for torn in (0, 131_071):
        assert told([65_535, torn, 65_536, 65_537], channel=parts) == [GOOD, SLEW, GOOD, GOOD]


def test_the_ids_of_parts_count_on() -> None:
    """A new part with each poll is believed at once, also beyond one register."""
    assert told([70_000, 70_001, 70_002, 70_003], channel=counter("cell/part_id")) == [GOOD] * 4


def test_a_counter_that_starts_again_is_believed() -> None:
    """From a few to 0 at once, from a hundred thousand with the next poll."""
    parts = counter("cell/parts")
    assert told([1200, 0, 1, 2], channel=parts) == [GOOD] * 4
    assert told([100_000, 0, 1, 2], channel=parts) == [GOOD, SLEW, GOOD, GOOD]


def test_a_new_charge_beyond_one_register_must_be_read_twice() -> None:
    """Half of the old id and half of the new one would be a charge that never was."""
    charge = counter("cell/charge_id")
    old, torn, new = 0x0001_0005, 0x0001_0007, 0x0002_0007
    assert told([old, torn, new, new], channel=charge) == [GOOD, SLEW, SLEW, GOOD]
    assert told([41, 42, 43], channel=charge) == [GOOD] * 3


def test_a_number_that_stands_still_too_long_is_frozen() -> None:
    """To the last bit for more than a minute, then it moves and is good again."""
    channel = replace(TANK, doubt=Doubt(frozen_after_s=60.0))
    noisy = [180.0 + 0.01 * (n % 7) for n in range(20)]
    found = told([*noisy, *[180.123] * 90, 180.125], channel=channel)
    assert found[:81] == [GOOD] * 81
    assert found[81:110] == [FROZEN] * 29
    assert found[110] == GOOD


def test_a_coarse_register_at_rest_is_not_frozen_once_it_has_shown_its_step() -> None:
    """Whole degrees that change every 100 s: what ends by the smallest step is usual.

    A run of 100 readings is seen to stand still for 99 s, so 198 s are granted.
    """
    channel = replace(TANK, doubt=Doubt(frozen_after_s=150.0))
    coarse = [180.0 + n // 100 % 2 for n in range(1000)]
    assert set(told(coarse, channel=channel)) == {GOOD}
    still = told([*coarse, *[181.0] * 400], channel=channel)
    assert set(still[:1099]) == {GOOD}
    assert set(still[1099:]) == {FROZEN}


def test_what_ended_with_a_jump_is_not_learned() -> None:
    """A reading that froze and came back elsewhere was not at rest."""
    channel = replace(TANK, doubt=Doubt(frozen_after_s=30.0))
    begin = [180.0, 180.1, 180.0, 180.1]
    found = told([*begin, *[180.0] * 50, 150.0, 150.1, *[150.2] * 50], channel=channel)
    assert found.count(FROZEN) == 2 * 19


def test_silence_is_not_standing_still() -> None:
    """The same number before and after a minute without readings says nothing of that minute."""
    channel = replace(TANK, doubt=Doubt(frozen_after_s=30.0))
    assert set(told([180.0, *[None] * 60, 180.0, 180.0], channel=channel)) == {GOOD}


def beats(
    counts: Sequence[float | None],
    *,
    period_s: float = 1.0,
    channels: Sequence[Channel] = (TANK, BEAT),
) -> list[Told]:
    """What is told of a steady tank beside a heartbeat; None is one that cannot be read."""
    belief = Belief(channels)
    found = []
    for poll, count in enumerate(counts):
        beat = not_good(Quality.BAD, Reason.ADDRESS) if count is None else decoded(BEAT, count)
        readings = {TANK.name: decoded(TANK, 180.0), BEAT.name: beat}
        tank = belief(instant(poll * period_s), readings)[TANK.name]
        found.append((tank.quality, tank.reason))
    return found


def test_a_heartbeat_that_stands_still_makes_all_stale() -> None:
    """From the moment at which it stands still for more than 10 s until it moves again."""
    found = beats([*range(5), *[4] * 15, 5, 6])
    assert found == [*[GOOD] * 15, *[STANDING] * 5, GOOD, GOOD]


def test_a_heartbeat_may_go_backwards_or_toggle() -> None:
    """It restarts with the controller, wraps, or is a bit."""
    assert set(beats([100, 101, 0, 1, 65_535, 0])) == {GOOD}
    assert set(beats([n // 5 % 2 for n in range(60)])) == {GOOD}


def test_a_heartbeat_that_cannot_be_read_does_not_move() -> None:
    """A register that is gone does not vouch for the others."""
    assert beats([1, 2, *[None] * 12]) == [*[GOOD] * 12, *[STANDING] * 2]


def test_a_heartbeat_speaks_for_its_cell_where_each_has_one() -> None:
    """Two controllers behind one gateway: only the one that stands still is stale."""
    other = replace(BEAT, name="press/heartbeat")
    belief = Belief([TANK, BEAT, other, replace(TANK, name="press/tank/temperature")])
    readings: dict[str, Reading] = {}
    for poll in range(15):
        readings = {
            TANK.name: decoded(TANK, 180.0),
            "press/tank/temperature": decoded(TANK, 170.0),
            BEAT.name: decoded(BEAT, poll),
            other.name: decoded(BEAT, 7),
        }
        readings = belief(instant(poll), readings)
    assert readings[TANK.name].quality is Quality.GOOD
    assert readings[BEAT.name].quality is Quality.GOOD
    assert readings["press/tank/temperature"].reason is Reason.NOT_MOVING
    assert readings[other.name].reason is Reason.NOT_MOVING


STAMPED = replace(TANK, doubt=Doubt(source_time_within_s=5.0))


def stamped(stamps_s: Sequence[tuple[float | None, float | None]]) -> list[Told]:
    """What is told of readings with these source and server times, one a second."""
    belief = Belief([STAMPED])
    found = []
    for poll, pair in enumerate(stamps_s):
        source_ns, server_ns = (
            NO_TIME_NS if at is None else UTC_NS + round(at * NANO) for at in pair
        )
        reading = decoded(STAMPED, 180.0, source_ns=source_ns, server_ns=server_ns)
        judged = belief(instant(poll), {STAMPED.name: reading})[STAMPED.name]
        found.append((judged.quality, judged.reason))
    return found


def test_a_source_time_that_stands_still_means_an_old_value() -> None:
    """Also where the server's time stands still with it, so that its age seems to be none."""
    for server in (None, 0.0):
        found = stamped([(0.0, server)] * 10)
        assert found == [*[GOOD] * 6, *[STANDING] * 4]


def test_a_source_time_that_the_server_knows_to_be_old_is_stale_at_once() -> None:
    """Six seconds behind its server, whatever the time is here: a clock that is off is no age."""
    off_s = -7200.0
    assert stamped([(off_s + n - 6.0, off_s + n) for n in range(3)]) == [STANDING] * 3
    assert stamped([(off_s + n - 1.0, off_s + n) for n in range(3)]) == [GOOD] * 3


def test_a_source_time_from_the_future_makes_nothing_fresh_for_ever() -> None:
    """Two hours ahead it has no age, but it must move."""
    assert stamped([(7200.0 + n, float(n)) for n in range(10)]) == [GOOD] * 10
    assert stamped([(7200.0, float(n)) for n in range(10)]) == [*[GOOD] * 6, *[STANDING] * 4]


def test_without_a_source_time_the_rule_is_off() -> None:
    """No stamp, or that of 1601, which the device reads as none, says nothing."""
    assert stamped([(None, float(n)) for n in range(20)]) == [GOOD] * 20


def test_a_clock_that_steps_back_moves() -> None:
    """A controller whose clock is set is not stale."""
    assert stamped([(n if n < 5 else n - 3600.0, None) for n in range(10)]) == [GOOD] * 10


@pytest.mark.parametrize(
    ("conversion", "before", "after", "reason"),
    [
        (CELSIUS, 180.0, 1801.0, Reason.TEN_TIMES_TOO_LARGE),
        (CELSIUS, 20.0, 203.0, Reason.TEN_TIMES_TOO_LARGE),
        (CELSIUS, 180.0, 18.0, Reason.TEN_TIMES_TOO_SMALL),
        (CELSIUS, 180.0, 356.2, Reason.LOOKS_LIKE_DEGF),
        (CELSIUS, 120.0, 248.0, Reason.LOOKS_LIKE_DEGF),
        (FAHRENHEIT, 356.0, 180.0, Reason.LOOKS_LIKE_DEGC),
        (FAHRENHEIT, 356.0, 3560.0, Reason.TEN_TIMES_TOO_LARGE),
        (FAHRENHEIT, 356.0, 35.6, Reason.TEN_TIMES_TOO_SMALL),
    ],
)
def test_a_known_error_of_scale_or_unit_is_named(
    conversion: Conversion, before: float, after: float, reason: Reason
) -> None:
    """It is named at once, for as long as it lasts, and good again when it is over.

    Source: 0 degC = 32 degF, 100 degC = 212 degF.
    """
    channel = replace(TANK, conversion=conversion)
    found = told([before, before, *[after] * 5, before, before], channel=channel)
    assert found == [GOOD, GOOD, *[named(reason)] * 5, GOOD, GOOD]


def test_a_wrong_scale_stays_named_while_the_zone_heats() -> None:
    """A tenth of 20 to 180 degC is 2 to 18, and never a cold machine."""
    heating = [(20.0 + n) / 10.0 for n in range(160)]
    assert set(told([20.0, *heating])[1:]) == {named(Reason.TEN_TIMES_TOO_SMALL)}


def test_a_wrong_scale_stays_named_over_a_silence() -> None:
    """The controller restarts and still tells tenths."""
    found = told([180.0, 18.0, *[None] * 60, 17.8, 17.9])
    assert found == [GOOD, *[named(Reason.TEN_TIMES_TOO_SMALL)] * 3]


def test_a_restart_with_another_scale_is_named() -> None:
    """After a minute no zone has gone from 180 to 18 degC."""
    assert told([180.0, *[None] * 60, 18.0]) == [GOOD, named(Reason.TEN_TIMES_TOO_SMALL)]


def test_a_cold_machine_is_not_a_wrong_scale() -> None:
    """After a night off it is cold, and 20 degC is no tenth of 180 even within a minute."""
    assert told([180.0, *[None] * 40_000, 18.0]) == [GOOD, GOOD]
    assert told([180.0, *[None] * 60, 22.0, 22.0]) == [GOOD, SLEW, GOOD]
    assert set(told([18.0, 18.0, 18.1])) == {GOOD}


def test_a_step_that_was_named_in_error_is_released_as_it_warms() -> None:
    """A probe that fell to 18.0 degC and is put back: ten times 30 degC is outside the range."""
    found = told([180.0, 18.0, *(18.0 + 0.5 * n for n in range(60))])
    assert found[1] == named(Reason.TEN_TIMES_TOO_SMALL)
    assert set(found[30:]) == {GOOD}


def test_an_open_sensor_is_not_a_wrong_scale() -> None:
    """The end of a thermocouple's range is not ten times what was read."""
    assert told([180.0, 1372.0, 850.0, 3276.7]) == [GOOD, *[IMPLAUSIBLE] * 3]


def test_the_setpoint_names_what_was_wrong_from_the_start() -> None:
    """1795 beside a setpoint of 180 is ten times too large; within the range nothing is said."""
    belief = Belief([TANK, SETPOINT])
    for raw, expected in (
        (1795.0, Reason.TEN_TIMES_TOO_LARGE),
        (1372.0, Reason.IMPLAUSIBLE),
        (355.0, Reason.LOOKS_LIKE_DEGF),
        (18.0, Reason.NONE),
    ):
        belief = Belief([TANK, SETPOINT])
        readings = {TANK.name: decoded(TANK, raw), SETPOINT.name: decoded(SETPOINT, 180.0)}
        assert belief(instant(0), readings)[TANK.name].reason is expected


def test_a_setpoint_names_nothing_that_comes_later() -> None:
    """A number within the range after it is judged as if no setpoint had been there."""
    belief = Belief([TANK, SETPOINT])
    beside = decoded(SETPOINT, 180.0)
    first = belief(instant(0), {TANK.name: decoded(TANK, 355.0), SETPOINT.name: beside})
    assert first[TANK.name].reason is Reason.LOOKS_LIKE_DEGF
    later = belief(instant(1), {TANK.name: decoded(TANK, 295.0), SETPOINT.name: beside})
    assert later[TANK.name].quality is Quality.GOOD


def test_a_setpoint_may_jump() -> None:
    """A person types 18 for 180, and that is what the controller aims at."""
    assert told([180.0, 18.0, 180.0], channel=SETPOINT) == [GOOD] * 3


def test_a_runaway_that_is_there_at_the_start_is_believed() -> None:
    """Within the range nothing but its own past speaks against a number: it must alarm."""
    assert told([290.0, 291.0]) == [GOOD, GOOD]


ALL = (
    replace(TANK, doubt=Doubt(10.0, 30.0, 5.0)),
    replace(TANK, name="cell/hose/temperature", conversion=FAHRENHEIT),
    replace(WIDE, name="cell/nozzle/temperature"),
    SETPOINT,
    counter("cell/parts"),
    counter("cell/charge_id"),
)

numbers = (
    st.sampled_from([0.0, 18.0, 20.0, 180.0, 180.1, 356.0, 1800.0, 65_536.0, 1e6])
    | st.floats(-60.0, 400.0)
    | st.floats(width=32)
)
stamps = st.just(NO_TIME_NS) | st.integers(-NANO, 20 * NANO).map(lambda ns: UTC_NS + ns)


@st.composite
def readings_of(draw: st.DrawFn, channel: Channel) -> Reading:
    """Anything that a decoder can make of the wire."""
    kind = draw(st.sampled_from(["number"] * 6 + ["lost", "uncertain"]))
    if kind == "lost":
        reason = draw(st.sampled_from([reason for reason in Reason if reason]))
        return not_good(draw(st.sampled_from([q for q in Quality if q])), reason)
    number = draw(numbers)
    if isinstance(channel, ModbusChannel):
        whole = int(number) if math.isfinite(number) else 0
        low, high = (0, 2**32 - 1) if channel.type is ValueType.UINT32 else (-(2**31), 2**31 - 1)
        return decoded(channel, max(low, min(high, whole)))
    reading = decoded(channel, number, source_ns=draw(stamps), server_ns=draw(stamps))
    if kind == "uncertain" and reading.quality is Quality.GOOD:
        return reading._replace(quality=Quality.UNCERTAIN, reason=Reason.STATUS)
    return reading


polls = st.lists(
    st.tuples(
        st.sampled_from([0.05, 1.0, 1.0, 1.0, 5.0, 60.0, 4000.0]),
        st.fixed_dictionaries({channel.name: readings_of(channel) for channel in ALL}),
    ),
    max_size=12,
)
Polls = list[tuple[float, dict[str, Reading]]]


def judged(story: Polls, channels: Sequence[Channel] = ALL) -> list[dict[str, Reading]]:
    """What is believed of a story, poll by poll."""
    belief = Belief(channels)
    at_s = 0.0
    found = []
    for span_s, readings in story:
        at_s += span_s
        found.append(belief(instant(at_s), readings))
    return found


@given(story=polls)
def test_nothing_is_made_good_or_changed(story: Polls) -> None:
    """A good reading stays as it was or becomes not good; any other keeps quality and number."""
    for (_, before), after in zip(story, judged(story), strict=True):
        assert list(before) == list(after)
        for name, reading in after.items():
            came = before[name]
            assert reading[3:] == came[3:]
            if reading.quality is Quality.GOOD:
                assert reading == came
                assert came.quality is Quality.GOOD
            elif came.quality is Quality.GOOD:
                assert math.isnan(reading.value)
                assert reading.reason
            else:
                assert reading.quality is came.quality
                assert (reading.value == came.value) or math.isnan(came.value)
                assert reading.reason is came.reason or came.reason is Reason.IMPLAUSIBLE


@given(story=polls, order=st.permutations(range(len(ALL))))
def test_the_order_of_the_channels_does_not_matter(story: Polls, order: list[int]) -> None:
    """Neither where they are told nor where they are read."""
    names = [ALL[place].name for place in order]
    turned = [(span_s, {name: readings[name] for name in names}) for span_s, readings in story]
    first = [{name: row[name][1:3] for name in names} for row in judged(story)]
    second = judged(turned, [ALL[place] for place in order])
    assert first == [{name: row[name][1:3] for name in names} for row in second]


@given(story=polls, other=polls, place=st.integers(0, len(ALL) - 1))
def test_one_channel_does_not_touch_another(story: Polls, other: Polls, place: int) -> None:
    """Whatever one brings, the quality of the others is as it was."""
    changed = ALL[place].name
    mixed = [
        (span_s, {**readings, changed: another[1][changed]})
        for (span_s, readings), another in zip(story, other, strict=False)
    ]
    for before, after in zip(judged(story), judged(mixed), strict=False):
        for name in before:
            if name != changed:
                assert before[name].quality is after[name].quality


@given(story=polls)
def test_the_same_story_is_judged_alike(story: Polls) -> None:
    """Nothing but the readings and their times decides."""
    first, second = judged(story), judged(story)
    assert [[r[1:3] for r in row.values()] for row in first] == [
        [r[1:3] for r in row.values()] for row in second
    ]


@given(story=polls)
def test_what_was_handed_over_is_left_alone(story: Polls) -> None:
    """The readings that came are those that are still there."""
    before = [list(readings.items()) for _, readings in story]
    judged(story)
    for items, (_, readings) in zip(before, story, strict=True):
        assert [name for name, _ in items] == list(readings)
        assert all(kept is readings[name] for name, kept in items)


def test_a_channel_that_is_not_known_is_passed_on() -> None:
    """Belief judges what it was told of, and drops nothing."""
    reading = Reading(3.0)
    assert Belief([TANK])(instant(0), {"cell/spare": reading})["cell/spare"] is reading


def test_a_real_heater_is_believed_from_its_first_to_its_last_reading(datasets: Path) -> None:
    """A lab heater with two coarse sensors, one reading a second, and a quarter of an hour of it.

    Steps of 0.32 K, and at most 20 equal readings in a row: with 30 s none of them is frozen.
    Source: step test of an open lab kit (heater_step_test.csv, see its README).
    """
    with (datasets / "heater_step_test.csv").open(newline="", encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    assert len(rows) > 900
    channel = replace(TANK, doubt=Doubt(max_k_per_s=10.0, frozen_after_s=30.0))
    for sensor in ("T1", "T2"):
        assert set(told([float(row[sensor]) for row in rows], channel=channel)) == {GOOD}


@pytest.mark.parametrize("scenario", ["healthy_shift", "tank_refill", "lunch_setback"])
def test_no_zone_of_a_sound_cell_is_doubted(scenario: str) -> None:
    """Heating, setback, refills of cold melt, purges and noise, with every rule in force.

    Source: the simulator, which shares no code with this.
    """
    world = World(load_scenario(scenario), start_ns=UTC_NS)
    strict = Doubt(max_k_per_s=10.0, frozen_after_s=60.0)
    beliefs = {}
    for name, cell in world.cells.items():
        zones = [f"{name}/{zone.name}/temperature" for zone in cell.plant.zones]
        channels = [replace(TANK, name=zone, doubt=strict) for zone in zones]
        beat = replace(BEAT, name=f"{name}/heartbeat")
        beliefs[name] = (Belief([*channels, beat]), channels, beat)
    while world.t_s < 1800.0:
        world.scan()
        for name, (belief, channels, beat) in beliefs.items():
            panel = world.cells[name].panel
            readings = {beat.name: decoded(beat, panel.heartbeat)}
            for channel, zone in zip(channels, panel.zones, strict=True):
                readings[channel.name] = decoded(channel, zone.shown_c)
            judged = belief(instant(world.t_s), readings)
            assert all(reading.quality is Quality.GOOD for reading in judged.values())
