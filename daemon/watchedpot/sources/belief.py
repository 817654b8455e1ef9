"""Whether a reading is believed in the light of earlier ones and of what stands beside it.

Pure: state in, nothing asked of the world. What cannot be true by itself was refused before, in
``decode``. Here a number that could be true is held against the heartbeat of its device, its
stamp, its own past and what a heat zone can do. Nothing is ever corrected or made good.

What can be told, and what cannot:

- A jump must come twice. A value torn between two writes comes once, so it never gets through;
  a probe that is pulled out shows one poll later. Off by less than ``max_k_per_s`` it is not
  told from a true change. A float32 torn between its words is off by at most one step of its
  high word: 1 K from 128 to 256 degC, 0.5 K below.
- A wrong scale or unit is named when it sets in: the new number is what a known error makes of
  the old one, sooner than a zone can change. One that was there before the first reading is
  named only outside the plausible range and beside a setpoint; within it nothing tells it from
  a cold machine.
- A name holds while the number fits it better than it fits itself, so that a scale that is
  wrong while the zone heats stays named. It ends with the next jump, or where the named number
  would be outside the range.
- Standing still counts only while it is seen: no span longer than ``SEEN_S`` is counted.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from watchedpot.core.model import NO_TIME_NS, Instant, Quality, Reading, Reason
from watchedpot.core.units import seconds
from watchedpot.sources.decode import Implausible
from watchedpot.sources.wiring import Channel, Conversion, ModbusChannel, Unit, ValueType

SEEN_S = 10.0
"""Longest span between two readings that counts as seen, as the longest for which one is fresh [s].
"""

LEAST_SPAN_S = 1.0
"""Span for which a change at the limit is allowed, however short the poll is [s].

Noise and resolution are not rates, so a shorter one would only doubt them.
"""

ZONE_K_PER_S = 1.0
"""Faster than this over minutes no heated block is [K/s].

200 W into 0.2 kg of aluminium (900 J/(kg K)) make 1.1 K/s; most zones are slower, and all cool
more slowly than they heat. Derived, and generous over minutes.
"""

ALIKE_K = 5.0
"""How near a wrong scale or unit must bring a number to what was believed [K]: noise times ten."""

USUAL_RUNS = 2.0
"""How many times the longest run that ended by itself is no longer usual [1]."""

LONGEST_USUAL = 10.0
"""Longest run that is learned, in times of ``frozen_after_s`` [1]."""

WORD = 65_536
"""Numbers that one register can hold [1]."""


_Reckoning = Callable[[float], float]


def _not_believed(reading: Reading, quality: Quality, reason: Reason) -> Reading:
    """The reading without its number, its status and stamps kept."""
    return Reading(math.nan, quality, reason, reading.status, reading.source_ns, reading.server_ns)


class _Standstill:
    """How long something was seen to stand still."""

    __slots__ = ("at_ns", "still_s", "value")

    def __init__(self) -> None:
        self.value: float | None = None
        self.still_s = 0.0
        self.at_ns = 0

    def see(self, value: float | None, at_ns: int) -> float:
        """Time for which it has stood still, with this look; None is a look at nothing [s]."""
        span_s = seconds(at_ns - self.at_ns)
        self.at_ns = at_ns
        if value is not None and value != self.value:
            self.value, self.still_s = value, 0.0
        elif 0.0 < span_s <= SEEN_S:
            self.still_s += span_s
        return self.still_s


class _Frozen:
    """A number that repeats to its last bit for longer than this channel's resolution explains.

    A coarse register at rest rightly repeats for minutes. So the longest run that ended in the
    smallest step of the channel is learned, and only twice that is too long.
    """

    __slots__ = ("_after_s", "_step", "_still", "_usual_s")

    def __init__(self, after_s: float) -> None:
        self._after_s = after_s
        self._still = _Standstill()
        self._step: float | None = None
        self._usual_s = 0.0

    def is_frozen(self, came: float, at_ns: int) -> bool:
        """Whether it has stood still for too long."""
        before, run_s = self._still.value, self._still.still_s
        now_s = self._still.see(came, at_ns)
        if before is not None and came != before:
            step = abs(came - before)
            if self._step is not None and step <= 2.0 * self._step:
                longest_s = LONGEST_USUAL * self._after_s
                self._usual_s = min(longest_s, max(self._usual_s, run_s))
            self._step = step if self._step is None else min(step, self._step)
        return now_s > max(self._after_s, USUAL_RUNS * self._usual_s)


class _Stamp:
    """A source stamp that is to move with each scan of the device."""

    __slots__ = ("_still", "_within_s")

    def __init__(self, within_s: float) -> None:
        self._within_s = within_s
        self._still = _Standstill()

    def is_old(self, reading: Reading, at_ns: int) -> bool:
        """Whether it stands still, or is older than it may be by the server's own clock.

        A reading without a stamp says nothing here. A stamp from the future has no age, but it
        must move all the same.
        """
        if reading.source_ns == NO_TIME_NS:
            return False
        if self._still.see(reading.source_ns, at_ns) > self._within_s:
            return True
        if reading.server_ns == NO_TIME_NS:
            return False
        age_s = seconds(reading.server_ns - reading.source_ns)
        return age_s > self._within_s


def _in_device_unit(conversion: Conversion, change: Callable[[float], float]) -> _Reckoning:
    """A change of the number as the device gives it, seen in degC."""
    if conversion.unit is not Unit.FAHRENHEIT:
        return change
    return lambda came_c: (change(came_c * 1.8 + 32.0) - 32.0) / 1.8


def _errors(conversion: Conversion) -> tuple[tuple[Reason, _Reckoning], ...]:
    """Known errors of scale and unit, each with what the number would be without it."""
    scales = (
        (Reason.TEN_TIMES_TOO_LARGE, _in_device_unit(conversion, lambda number: number / 10.0)),
        (Reason.TEN_TIMES_TOO_SMALL, _in_device_unit(conversion, lambda number: number * 10.0)),
    )
    if conversion.unit is Unit.FAHRENHEIT:
        return (*scales, (Reason.LOOKS_LIKE_DEGC, lambda came_c: came_c * 1.8 + 32.0))
    return (*scales, (Reason.LOOKS_LIKE_DEGF, lambda came_c: (came_c - 32.0) / 1.8))


@dataclass(frozen=True, slots=True)
class _Named:
    """An error of scale or unit that explains what comes.

    Attributes
    ----------
    would_be
        From what comes to what it would be without the error.
    newest
        What the newest number would be. [degC]
    """

    reason: Reason
    would_be: _Reckoning
    newest: float


class _Change:
    """How a temperature may change from one reading to the next."""

    __slots__ = (
        *("_allowed_k_per_s", "_believed", "_believed_ns", "_errors", "_held", "_held_from"),
        *("_held_ns", "_high", "_is_torn_whole", "_low", "_named"),
    )

    def __init__(self, channel: Channel, max_k_per_s: float) -> None:
        conversion = channel.conversion
        self._allowed_k_per_s = max_k_per_s
        self._errors = _errors(conversion)
        self._low = -math.inf if conversion.plausible_low is None else conversion.plausible_low
        self._high = math.inf if conversion.plausible_high is None else conversion.plausible_high
        self._is_torn_whole = _is_wide_integer(channel)
        self._believed: float | None = None
        self._believed_ns = 0
        self._held: float | None = None
        self._held_ns = 0
        self._held_from: float | None = None
        self._named: _Named | None = None

    def doubt(self, came: float, at_ns: int, *, is_inside: bool, setpoint: float | None) -> Reason:
        """Why the number is not believed; NONE: it is, and the next one is held against it."""
        if self._is_still_named(came):
            return self._named.reason if self._named else Reason.NONE
        self._named = None
        if not is_inside:
            if reason := self._name(came):
                return reason
            # What stands beside it names a number that is refused anyway, and no later one.
            beside = self._error(came, setpoint)
            return beside.reason if beside else Reason.IMPLAUSIBLE
        span_s = seconds(at_ns - self._believed_ns)
        if self._believed is not None:
            is_near = abs(came - self._believed) <= self._allowed_k(span_s)
            if not is_near and (reason := self._name(came)):
                return reason
        else:
            is_near = not self._is_torn_whole
        # An integer of two words can be torn by anything: after a gap nothing vouches for it.
        if self._is_torn_whole and span_s > SEEN_S:
            is_near = False
        if is_near or self._confirms(came, at_ns):
            self._believed, self._believed_ns, self._held = came, at_ns, None
            return Reason.NONE
        self._held, self._held_ns, self._held_from = came, at_ns, self._believed
        return Reason.SLEW

    def _allowed_k(self, span_s: float) -> float:
        """Change that is believed at once: at the limit for a second, then as a zone changes.

        At the limit for minutes a torn value would pass after any slow poll or short silence.
        """
        later_k_per_s = min(self._allowed_k_per_s, ZONE_K_PER_S)
        later_s = max(0.0, span_s - LEAST_SPAN_S)
        return self._allowed_k_per_s * LEAST_SPAN_S + later_k_per_s * later_s

    def _confirms(self, came: float, at_ns: int) -> bool:
        """Whether a number that was held back comes again, or goes on its way no faster."""
        if self._held is None:
            return False
        span_s = seconds(at_ns - self._held_ns)
        if span_s > SEEN_S:
            return False
        step = came - self._held
        if abs(step) <= self._allowed_k(span_s):
            return True
        if self._held_from is None:
            return False
        first = self._held - self._held_from
        return step * first > 0.0 and abs(step) <= abs(first)

    def _is_still_named(self, came: float) -> bool:
        """Whether the error that was named explains this number better than no error does."""
        named = self._named
        if named is None:
            return False
        would_be = named.would_be(came)
        if not self._low <= would_be <= self._high:
            return False
        if abs(would_be - named.newest) >= abs(came - named.newest):
            return False
        self._named = _Named(named.reason, named.would_be, would_be)
        return True

    def _name(self, came: float) -> Reason:
        """The known error by which a number is what was believed; kept for those to come."""
        self._named = self._error(came, self._believed)
        if self._named is None:
            return Reason.NONE
        self._held = None
        return self._named.reason

    def _error(self, came: float, expected: float | None) -> _Named | None:
        """The known error that brings a number nearest to what was to be expected."""
        found: _Named | None = None
        nearest = ALIKE_K
        for reason, would_be in self._errors:
            number = would_be(came)
            if expected is None or not self._low <= number <= self._high:
                continue
            if abs(number - expected) <= nearest:
                nearest = abs(number - expected)
                found = _Named(reason, would_be, number)
        return found


class _Words:
    """A counter or an id of two registers or more, which the device may write word by word.

    A change that moves more than the low word may be half old and half new, so it must be
    confirmed: a counter by a number near it, the id of a charge by itself. Ids of parts count.
    """

    __slots__ = ("_believed", "_held", "_is_id")

    def __init__(self, *, is_id: bool) -> None:
        self._is_id = is_id
        self._believed: float | None = None
        self._held: float | None = None

    def is_doubted(self, came: float) -> bool:
        """Whether it must come again."""
        before, held = self._believed, self._held
        is_fine = before is None or not self._may_be_torn(before, came)
        if not is_fine and held is not None:
            is_fine = came == held if self._is_id else abs(came - held) < WORD / 2
        if is_fine:
            self._believed, self._held = came, None
            return False
        self._held = came
        return True

    def _may_be_torn(self, before: float, came: float) -> bool:
        if self._is_id:
            return came != before and max(abs(before), abs(came)) >= WORD
        return abs(came - before) >= WORD / 2


def _is_wide_integer(channel: Channel) -> bool:
    """Whether a device can tear the value: a whole number in more than one register."""
    is_float = channel.type in (ValueType.FLOAT32, ValueType.FLOAT64)
    return isinstance(channel, ModbusChannel) and channel.width > 1 and not is_float


def _words_of(channel: Channel) -> _Words | None:
    """Rule of a wide whole number that is not scaled; None for any other channel."""
    conversion = channel.conversion
    is_plain = (conversion.scale, conversion.offset, conversion.unit) == (1.0, 0.0, Unit.NONE)
    if not (_is_wide_integer(channel) and is_plain):
        return None
    return _Words(is_id=channel.name.endswith("/charge_id"))


class _Track:
    """What is remembered of one channel."""

    __slots__ = ("_change", "_frozen", "_setpoint", "_stamp", "_words")

    def __init__(self, channel: Channel) -> None:
        doubt = channel.doubt
        self._change = _Change(channel, doubt.max_k_per_s) if doubt.max_k_per_s else None
        self._frozen = _Frozen(doubt.frozen_after_s) if doubt.frozen_after_s else None
        self._stamp = _Stamp(doubt.source_time_within_s) if doubt.source_time_within_s else None
        self._words = _words_of(channel)
        self._setpoint = f"{channel.name.rpartition('/')[0]}/setpoint"

    def judged(self, at_ns: int, reading: Reading, readings: Mapping[str, Reading]) -> Reading:
        """The reading, or what is left of it."""
        if isinstance(reading, Implausible):
            return self._named(at_ns, reading, readings)
        if reading.quality is not Quality.GOOD:
            return reading
        if self._stamp and self._stamp.is_old(reading, at_ns):
            return _not_believed(reading, Quality.STALE, Reason.NOT_MOVING)
        reason = self._doubt(at_ns, reading.value)
        return _not_believed(reading, Quality.BAD, reason) if reason else reading

    def _doubt(self, at_ns: int, came: float) -> Reason:
        """Why a number is not believed, NONE if it is."""
        if self._frozen and self._frozen.is_frozen(came, at_ns):
            return Reason.FROZEN
        if self._words and self._words.is_doubted(came):
            return Reason.SLEW
        if self._change:
            return self._change.doubt(came, at_ns, is_inside=True, setpoint=None)
        return Reason.NONE

    def _named(self, at_ns: int, reading: Implausible, readings: Mapping[str, Reading]) -> Reading:
        if self._change is None:
            return reading
        beside = readings.get(self._setpoint)
        is_known = beside is not None and beside.quality is Quality.GOOD
        setpoint = beside.value if beside is not None and is_known else None
        reason = self._change.doubt(reading.came, at_ns, is_inside=False, setpoint=setpoint)
        return _not_believed(reading, Quality.BAD, reason)


class _Heartbeat:
    """A value that must keep changing while the device's program runs."""

    __slots__ = ("_name", "_still", "_within_s")

    def __init__(self, name: str, within_s: float) -> None:
        self._name = name
        self._still = _Standstill()
        self._within_s = within_s

    def stands(self, at_ns: int, readings: Mapping[str, Reading]) -> bool:
        """Whether it has not moved for too long; one that cannot be read does not move."""
        reading = readings.get(self._name)
        is_seen = reading is not None and reading.quality is Quality.GOOD
        value = reading.value if reading is not None and is_seen else None
        return self._still.see(value, at_ns) > self._within_s


class Belief:
    """What is believed of one source, poll by poll.

    Parameters
    ----------
    channels
        Of the source, each with what is doubted of it.
    """

    def __init__(self, channels: Sequence[Channel]) -> None:
        self._tracks = {channel.name: _Track(channel) for channel in channels}
        self._heartbeats = {
            channel.name: _Heartbeat(channel.name, within_s)
            for channel in channels
            if (within_s := channel.doubt.moves_within_s) is not None
        }
        self._governed = {channel.name: self._governors(channel.name) for channel in channels}

    def _governors(self, name: str) -> tuple[str, ...]:
        """Heartbeats that speak for a channel: that of its own cell, else all of the source."""
        cell = name.partition("/")[0]
        own = tuple(each for each in self._heartbeats if each.partition("/")[0] == cell)
        return own or tuple(self._heartbeats)

    def __call__(self, at: Instant, readings: dict[str, Reading]) -> dict[str, Reading]:
        """The same channels, those that are not believed made not good; never raises.

        Only a good reading can lose its quality, and none gains any. Nothing depends on the
        order of the channels, and none on another but on the heartbeat; the setpoint beside a
        temperature only helps to say what is wrong with one that is refused already.

        Parameters
        ----------
        at
            When they were received; not before the readings of the call before.
        readings
            As they were decoded.
        """
        at_ns = at.mono_ns
        standing = {name for name, beat in self._heartbeats.items() if beat.stands(at_ns, readings)}
        return {
            name: self._judged(name, at_ns, reading, readings, standing)
            for name, reading in readings.items()
        }

    def _judged(
        self,
        name: str,
        at_ns: int,
        reading: Reading,
        readings: Mapping[str, Reading],
        standing: set[str],
    ) -> Reading:
        track = self._tracks.get(name)
        if track is None:
            return reading
        if standing and not standing.isdisjoint(self._governed[name]):
            if reading.quality is Quality.GOOD:
                return _not_believed(reading, Quality.STALE, Reason.NOT_MOVING)
            return reading
        return track.judged(at_ns, reading, readings)
