"""What can be seen in the bins of a zone: figures of its heat, and signs with their patience.

Theory of operation
-------------------
A heated zone is close to first order. At rest the heater gives ``need`` percent, which is in
proportion to the temperature above the room; every percent more or less warms or cools it by a
hundredth of its full rate:

    slope = full_rate * (output - need) / 100     need = need_per_k * (T - room)

So slope and temperature tell how much heat *arrives*, whatever the controller asks for:

    arrives = need + 100 * slope / full_rate

Heat that is asked for and does not arrive, heat that arrives unasked, and a reading that falls
faster than without any heat (arrives < 0, which no heater and no room can do) are the three
things that the rules of ``causes`` are about. ``need_per_k`` and ``full_rate`` are learned of
each zone; they begin with those of its kind.

A sign is a condition that has held for a while, and is over when it has not for another while.
All are computed for whole columns of bins at once; only where one of them changes does anything
else have to be looked at.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import IntEnum
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from watchedpot.core.bins import BIN_S, NO_OUTPUT, NONE_MK, Bins, Bools, Ints
from watchedpot.core.model import Reason
from watchedpot.core.rules import ZoneKind
from watchedpot.core.snapshot import Phase
from watchedpot.core.units import NANO

Floats: TypeAlias = NDArray[np.float64]

KEPT = 60
"""Bins that are kept of the past: two minutes, for what shows late. [1]"""

SHORT, LONG = 5, 15
"""Bins of a short and a long look: 10 and 30 s. [1]"""

FLAW_GAP = 15
"""Bins between two flawed ones of one loose contact: half a minute; common practice. [1]"""

RAMP = 55
"""Bins through which the output of a blind loop goes one way. [1]"""

RAMP_LEAST, RAMP_BACK = 100, 1
"""How far it goes at least, and back at most from one bin to the next; a loop that sees its
zone trembles by more than the first within seconds. [0.01 %]"""

GOES_ON = 0.75
"""Share of its fall over the long look that a fall still has which is not over; common practice:
without heat it loses a hundredth of its rate within the look (closed form). [1]"""

NEVER = -(2**40)
"""A bin before all others."""

HELD_TEMP, HELD_OUTPUT = LONG, SHORT
"""Bins for which a value stands in for those that are missing. [1]"""

PHASES = tuple(Phase)
PHASE_CODE = {phase: code for code, phase in enumerate(PHASES)}

COARSE_MK = 250
"""From this step on equal values say nothing: whole shifts of them are healthy (process notes:
17 to 24 s in 8 h at 0.1 K, all of the 8 h at 0.5 K; computed there). [mK]"""


class KindFigures(NamedTuple):
    """What zones of a kind are like before anything is learned of one.

    Attributes
    ----------
    need_per_k
        Output that holds a kelvin above the room. [%/K]
    full_rate
        How fast full output warms it, losses aside. [K/s]
    lag_s
        Until a change of output shows. [s]
    """

    need_per_k: float
    full_rate: float
    lag_s: float


KINDS = {
    ZoneKind.NOZZLE: KindFigures(0.23, 0.48, 6.0),
    ZoneKind.SYRINGE: KindFigures(0.20, 0.27, 10.0),
    ZoneKind.CARTRIDGE: KindFigures(0.20, 0.15, 15.0),
    ZoneKind.HOSE: KindFigures(0.40, 0.45, 20.0),
    ZoneKind.TANK: KindFigures(0.16, 0.20, 30.0),
}
"""Common practice for zones of the usual size and power, no source; learned as soon as may be."""


class Sign(IntEnum):
    """What can be seen of a zone, in the order of its bits.

    Attributes
    ----------
    bit
        Its place in a mask.
    """

    bit: int

    # of its data
    SENSOR = 0  # readings come, and are none
    UNREADABLE = 1  # they are beyond what can be, or of another kind
    ZEROED = 2  # they are the code that stands for nothing
    SILENT = 3  # none come
    STOPPED = 4  # what comes does not move
    # of what is wanted of it
    OFF = 5
    SETBACK = 6
    HEATING = 7
    RECOVERING = 8
    STEPPED = 9  # its setpoint was changed of late
    HIGH_SETPOINT = 10
    # of what is done with it
    FLOWING = 11  # melt flowed of late
    PRODUCING = 12
    WIPED = 13  # of late
    # of its temperature
    LOW = 14
    HIGH = 15
    BACK = 16  # near its setpoint
    FALLS = 17
    COOLS = 18  # as fast as without heat
    DROPS = 19  # faster than without heat
    DIPPED = 20  # dropped of late
    FALLEN = 21  # dropped further than a touch explains, and not come back
    BELOW_ROOM = 22
    LEAPT = 23  # risen faster than full heat can
    # of its heater
    FULL = 24
    NONE_ASKED = 25
    FULL_OF_LATE = 26
    LITTLE = 27  # much less heat arrives than is asked for
    STARVED = 28  # much is asked for, and hardly any arrives
    NO_RISE = 29  # long at full output, and not rising
    UNASKED = 30  # heat arrives that is not asked for
    UNASKED_LONG = 31
    MORE = 32  # steady, at more output than this takes
    DOUBLE = 33
    FIFTH_MORE = 34
    CYCLES = 35
    # of what does not move
    STILL = 36
    DRIVEN = 37  # the output went one way while the reading stood still
    ALL_STILL = 38
    OUT_STILL = 39
    # more of its heater
    ASKS = 40  # much more than it takes
    STARVED_LONG = 41
    MORE_LONG = 42
    UNANSWERED = 43  # far from its setpoint, and the controller does not mind
    SILENT_LONG = 44
    # what it is
    OUTPUT_READ = 45
    WIPE_TOLD = 46  # the cell says when it is wiped
    PACK = 47
    TANK = 48
    CHARGED = 49  # another charge came of late
    TREMBLES = 50  # its output does, as with a live reading
    SOAKS = 51  # what lies in it may still take heat
    LIVE = 52  # it is not seen, and its heater is still controlled
    SCALED = 53  # its reading leapt by a factor of ten, or as from degC to degF
    PUSHED = 54  # it is not seen, and its controller gives much
    ASTRAY = 55  # its reading is where it leapt to: that is no temperature
    MISREAD = 56  # its source knows the wrong unit or scale in it
    REPEATED = 57  # its source has had the same number for too long
    # of a reservoir that may be opened, and of a zone that was cold
    STANDS = 58  # a pack, and no melt flows: it may be taken out
    OPENED = 59  # while it stood it fell for long against much heat, of late
    COLD_BEFORE = 60  # it was far below its setpoint within the last hour and a half
    MORE_SETTLED = 61  # ten minutes at more output than it takes
    HOT_BEFORE = 62  # it was far above its setpoint a while ago, as after a setpoint put right

    def __init__(self, place: int) -> None:
        self.bit = 1 << place


class Patience(NamedTuple):
    """How many seconds a condition must hold, and must not hold for it to be over. [s]."""

    on_s: float = BIN_S
    off_s: float = BIN_S


_DEFAULT = Patience()
PATIENCE: dict[Sign, Patience] = {
    Sign.SENSOR: Patience(2.0, 4.0),
    Sign.UNREADABLE: Patience(2.0, 4.0),
    Sign.ZEROED: Patience(2.0, 4.0),
    Sign.SILENT: Patience(4.0, 4.0),
    Sign.STOPPED: Patience(4.0, 4.0),
    Sign.STEPPED: Patience(2.0, 180.0),
    Sign.FLOWING: Patience(2.0, 20.0),
    Sign.PRODUCING: Patience(2.0, 4.0),
    Sign.WIPED: Patience(2.0, 300.0),
    Sign.LOW: Patience(4.0, 4.0),
    Sign.HIGH: Patience(4.0, 2.0),
    Sign.TREMBLES: Patience(10.0, 20.0),
    Sign.BACK: Patience(10.0, 6.0),
    Sign.FALLS: Patience(6.0, 10.0),
    Sign.COOLS: Patience(10.0, 14.0),
    Sign.DROPS: Patience(2.0, 12.0),
    Sign.DIPPED: Patience(2.0, 240.0),
    Sign.FALLEN: Patience(2.0, 10.0),
    Sign.BELOW_ROOM: Patience(10.0, 10.0),
    Sign.LEAPT: Patience(2.0, 60.0),
    Sign.FULL: Patience(4.0, 6.0),
    Sign.NONE_ASKED: Patience(4.0, 4.0),
    Sign.FULL_OF_LATE: Patience(4.0, 60.0),
    Sign.LITTLE: Patience(8.0, 12.0),
    Sign.STARVED: Patience(10.0, 14.0),
    Sign.NO_RISE: Patience(20.0, 10.0),
    Sign.UNASKED: Patience(8.0, 6.0),
    Sign.UNASKED_LONG: Patience(16.0, 6.0),
    Sign.MORE: Patience(30.0, 30.0),
    Sign.DOUBLE: Patience(30.0, 30.0),
    Sign.FIFTH_MORE: Patience(40.0, 30.0),
    Sign.CYCLES: Patience(20.0, 120.0),
    Sign.STILL: Patience(2.0, 2.0),
    Sign.DRIVEN: Patience(4.0, 4.0),
    Sign.ALL_STILL: Patience(2.0, 20.0),
    Sign.STARVED_LONG: Patience(300.0, 14.0),
    Sign.MORE_LONG: Patience(1200.0, 60.0),
    Sign.UNANSWERED: Patience(16.0, 6.0),
    Sign.SILENT_LONG: Patience(14.0, 4.0),
    Sign.CHARGED: Patience(2.0, 900.0),
    Sign.SOAKS: Patience(2.0, 1800.0),
    Sign.SCALED: Patience(2.0, 30.0),
    Sign.ASTRAY: Patience(2.0, 2.0 * LONG),
    Sign.MISREAD: Patience(2.0, 4.0),
    Sign.REPEATED: Patience(2.0, 4.0),
    # Longer than the pause between two doses; and longer than any sensor of a pack lags.
    Sign.STANDS: Patience(14.0, 2.0),
    Sign.OPENED: Patience(30.0, 900.0),
    Sign.COLD_BEFORE: Patience(10.0, 5400.0),
    Sign.MORE_SETTLED: Patience(600.0, 60.0),
    Sign.HOT_BEFORE: Patience(2.0, 600.0),
}
"""Where it is not one bin either way; common practice, tuned on invented plants."""

ON_BINS = np.array([int(PATIENCE.get(s, _DEFAULT).on_s // BIN_S) for s in Sign])[:, None]
OFF_BINS = np.array([int(PATIENCE.get(s, _DEFAULT).off_s // BIN_S) for s in Sign])[:, None]
_BITS = np.array([sign.value for sign in Sign])[:, None]
_ALL = slice(None)


@dataclass(frozen=True, slots=True, eq=False)
class ZoneFigures:
    """What is known of m zones, as columns (m, 1).

    Attributes
    ----------
    need_per_k, full_rate, lag_s
        As of their kind, or learned. [%/K, K/s, s]
    noise_k
        Scatter of a bin around its neighbours. [K]
    still_s
        Longest that a healthy reading stands still, nan where that says nothing. [s]
    all_still_s
        The same of everything that its source serves. [s]
    usual_c, low_c, high_c, off_c
        Usual setpoint, window, and below what the zone is off. [degC]
    is_learned, is_driven
        Whether ``need_per_k``, and ``full_rate``, are this zone's own.
    has_output, is_wipe_told
        Whether its heater output is read, and a wipe is told.
    is_pack, is_tank
        Whether a charge is changed here as a whole, or topped up.
    is_coarse
        Whether its reading moves in steps so large, or not known, that equal values say nothing.
    """

    need_per_k: Floats
    full_rate: Floats
    lag_s: Floats
    noise_k: Floats
    still_s: Floats
    all_still_s: Floats
    usual_c: Floats
    low_c: Floats
    high_c: Floats
    off_c: Floats
    is_learned: Bools
    is_driven: Bools
    has_output: Bools
    is_wipe_told: Bools
    is_pack: Bools
    is_tank: Bools
    is_coarse: Bools


@dataclass(frozen=True, slots=True)
class Carried:
    """What the signs of a zone go on from.

    Attributes
    ----------
    temp_mk, output
        The newest ``KEPT`` bins; ``NONE_MK`` and ``NO_OUTPUT`` where nothing is known. [mK, 0.01 %]
    setpoint_mk
        The newest setpoint, ``NONE_MK`` before one was told. [mK]
    flawed
        The first and the newest bin of the newest rows that an open sensor may give.
    held, missed
        For how many bins the condition of each sign has held, has not; no more than needed.
    mask
        The signs that are on.
    """

    temp_mk: tuple[int, ...] = ()
    output: tuple[int, ...] = ()
    setpoint_mk: int = NONE_MK
    flawed: tuple[int, int] = (NEVER, NEVER)
    held: tuple[int, ...] = (0,) * len(Sign)
    missed: tuple[int, ...] = (0,) * len(Sign)
    mask: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Figures:
    """The figures of m zones over k bins, all (m, k).

    Attributes
    ----------
    temp_c, setpoint_c, room_c, off_k
        Reading, setpoint (or the usual one), room, and reading above setpoint. [degC, K]
    short_rate, long_rate
        Slope over the short and the long look; nan in a bin that is not seen. [K/s]
    output, short_output, long_output
        Newest, and means over the looks; nan where not known. [%]
    need
        Output that holds this temperature above the room. [%]
    cooling
        How fast the zone cools without heat. [K/s]
    short_arrives, long_arrives
        Heat that arrives, as output. [%]
    fallen_k
        Change within 6 s; nan in a bin that is not seen. [K]
    still_s, out_still_s
        For how long reading and output are the same. [s]
    flawed_s
        Since when rows have been lost now and then, 0 where none were of late. [s]
    is_seen
        Whether there was a good row.
    """

    temp_c: Floats
    setpoint_c: Floats
    room_c: Floats
    off_k: Floats
    short_rate: Floats
    long_rate: Floats
    output: Floats
    short_output: Floats
    long_output: Floats
    need: Floats
    cooling: Floats
    short_arrives: Floats
    long_arrives: Floats
    fallen_k: Floats
    still_s: Floats
    out_still_s: Floats
    flawed_s: Floats
    is_seen: Bools

    def at(self, zone: int, place: int) -> dict[str, float]:
        """All figures of one zone in one bin, by name."""
        return {name: float(getattr(self, name).item(zone, place)) for name in _FIGURES}


_FIGURES = tuple(item.name for item in fields(Figures))


class Seen(NamedTuple):
    """The figures and signs of k bins, and what the next ones go on from.

    Attributes
    ----------
    mask : (m, k) int64
        The signs that are on.
    temp_mk, outputs : (m, KEPT + k) int64
        With the past before them. [mK, 0.01 %]
    """

    figures: Figures
    mask: Ints
    temp_mk: Ints
    outputs: Ints
    carried: tuple[Carried, ...]


def look(before: tuple[Carried, ...], bins: Bins, zones: ZoneFigures) -> Seen:
    """Figures and signs of some bins, at least one."""
    temps = _with_past([zone.temp_mk for zone in before], bins.temp_mk, NONE_MK)
    outputs = _with_past([zone.output for zone in before], bins.output, NO_OUTPUT)
    setpoint_mk, first_mk = _setpoints(before, bins)
    flawed = _flaws(before, bins)
    figures = _figures(bins, zones, (temps, outputs), setpoint_mk, flawed)
    wanted = _conditions(figures, bins, zones, (temps, outputs), (setpoint_mk, first_mk))
    _mistrust(wanted, before, _has_come_down(figures, temps, zones))
    held, missed, is_on = _patient(before, wanted)
    mask = _masks(is_on)
    carried = tuple(
        Carried(
            tuple(temps[zone, -KEPT:].tolist()),
            tuple(outputs[zone, -KEPT:].tolist()),
            int(setpoint_mk[zone, -1]),
            (int(flawed[0][zone, -1]), int(flawed[1][zone, -1])),
            tuple(held[:, zone].tolist()),
            tuple(missed[:, zone].tolist()),
            int(mask[zone, -1]),
        )
        for zone in range(len(before))
    )
    return Seen(figures, mask, temps, outputs, carried)


def _masks(is_on: Bools) -> Ints:
    """Signs (signs, m, k) as bits of whole numbers (m, k)."""
    octets = np.zeros((*is_on.shape[1:], 8), dtype=np.uint8)
    octets[..., : (len(Sign) + 7) // 8] = np.moveaxis(
        np.packbits(is_on, axis=0, bitorder="little"), 0, -1
    )
    masks: Ints = octets.view("<i8")[..., 0]
    return masks


def _with_past(past: list[tuple[int, ...]], new: Ints, none: int) -> Ints:
    """New columns behind the last ``KEPT`` of the past."""
    rows = [(none,) * (KEPT - len(row)) + row for row in past]
    return np.concatenate((np.array(rows, dtype=np.int64).reshape(len(past), KEPT), new), axis=1)


def _setpoints(before: tuple[Carried, ...], bins: Bins) -> tuple[Ints, Ints]:
    """The setpoint at each bin, and the one before the first.

    It is looked at only where the temperature is good: a controller that restarts and shows
    zeros everywhere has said nothing.
    """
    first = np.array([[zone.setpoint_mk] for zone in before], dtype=np.int64)
    told = np.where(bins.good > 0, bins.setpoint_mk, NONE_MK)
    return _held(np.concatenate((first, told), axis=1), NONE_MK, None)[:, 1:], first


def _held(columns: Ints, none: int, limit: int | None) -> Ints:
    """Each place without a value with the newest one before, no further back than the limit."""
    is_known = columns != none
    if is_known.all():
        return columns
    places = np.arange(columns.shape[1])
    newest = np.maximum.accumulate(np.where(is_known, places, -1), axis=1)
    held = np.take_along_axis(columns, np.maximum(newest, 0), axis=1)
    is_held = newest >= 0
    if limit is not None:
        is_held &= places - newest <= limit
    return np.where(is_held, held, none)


def _flaws(before: tuple[Carried, ...], bins: Bins) -> tuple[Ints, Ints]:
    """The first and the newest bin of the newest flawed ones, at each bin.

    A contact that opens for a moment now and then is one trouble since its first moment.
    """
    first, newest = (np.array([[zone.flawed[n]] for zone in before]) for n in (0, 1))
    is_flawed = bins.broken > 0
    at = np.where(is_flawed, bins.index, NEVER)
    newest = np.maximum.accumulate(np.concatenate((newest, at), axis=1), axis=1)
    is_first = is_flawed & (bins.index - newest[:, :-1] > FLAW_GAP)
    at = np.where(is_first, bins.index, NEVER)
    first = np.maximum.accumulate(np.concatenate((first, at), axis=1), axis=1)
    return first[:, 1:], newest[:, 1:]


def _figures(
    bins: Bins,
    zones: ZoneFigures,
    past: tuple[Ints, Ints],
    setpoint_mk: Ints,
    flawed: tuple[Ints, Ints],
) -> Figures:
    """The figures of the new bins."""
    temps, outputs = past
    is_flawed = bins.index - flawed[1] <= FLAW_GAP
    held_mk = _held(temps, NONE_MK, HELD_TEMP)
    is_known, is_seen = held_mk != NONE_MK, bins.good > 0
    temp_c = np.where(is_known[:, KEPT:], held_mk[:, KEPT:] / 1000.0, np.nan)
    room_c = bins.room_mk / 1000.0
    has_setpoint = (setpoint_mk != NONE_MK) & (setpoint_mk >= 1000.0 * zones.off_c)
    setpoint_c = np.where(has_setpoint, setpoint_mk / 1000.0, zones.usual_c)
    held_out = _held(outputs, NO_OUTPUT, HELD_OUTPUT)
    short_output, long_output = _mean(held_out, SHORT), _mean(held_out, LONG)
    bridged_mk = _bridged(temps, held_mk)
    short_rate, long_rate = (
        np.where(is_seen, _slope(bridged_mk, is_known, size), np.nan) for size in (SHORT, LONG)
    )
    need = np.maximum(zones.need_per_k * (temp_c - room_c), 0.0)
    fallen_k = np.where(
        is_seen & is_known[:, KEPT - 3 : -3],
        (bridged_mk[:, KEPT:] - bridged_mk[:, KEPT - 3 : -3]) / 1000.0,
        np.nan,
    )
    # The mean of the long look stood some way back: there its need was another.
    long_need = need - zones.need_per_k * long_rate * (BIN_S * (LONG - 1) / 2.0)
    return Figures(
        temp_c=temp_c,
        setpoint_c=setpoint_c,
        room_c=room_c,
        off_k=temp_c - setpoint_c,
        short_rate=short_rate,
        long_rate=long_rate,
        output=np.where(held_out[:, KEPT:] >= 0, held_out[:, KEPT:] / 100.0, np.nan),
        short_output=short_output,
        long_output=long_output,
        need=need,
        cooling=need * zones.full_rate / 100.0,
        short_arrives=need + 100.0 * short_rate / zones.full_rate,
        long_arrives=long_need + 100.0 * long_rate / zones.full_rate,
        fallen_k=fallen_k,
        still_s=bins.still_ns / NANO,
        out_still_s=bins.out_still_ns / NANO,
        flawed_s=np.where(is_flawed, BIN_S * (bins.index - flawed[0] + 1.0), 0.0),
        is_seen=is_seen,
    )


def _bridged(temps: Ints, held_mk: Ints) -> Ints:
    """The same with those that are missing on the straight line between their neighbours.

    What a zone lost while nobody looked it lost bit by bit: held until it is seen again it would
    seem to have dropped. Where the newest is missing nothing is told of a rate, so that nothing
    depends on what comes later.
    """
    if held_mk is temps:
        return temps
    places = np.arange(temps.shape[1])
    bridged = held_mk.copy()
    for zone, row in zip(temps, bridged, strict=True):
        known = np.flatnonzero(zone != NONE_MK)
        if known.size:
            line_mk = np.rint(np.interp(places, known, zone[known])).astype(np.int64)
            row[:] = np.where(row == NONE_MK, NONE_MK, line_mk)
    return bridged


def _slope(held_mk: Ints, is_known: Bools, size: int) -> Floats:
    """Least squares slope over the newest bins, in K/s; nan where one of them is not known."""
    middle = (size - 1) // 2
    newest = held_mk[:, KEPT - size + 1 :]
    places = np.arange(newest.shape[1])
    # Each bin by its distance from the middle of its look: whole numbers, so exact.
    starts = places[: newest.shape[1] - size + 1] + middle
    over_mk = _sums(places * newest, size) - starts * _sums(newest, size)
    known = _sums(is_known[:, KEPT - size + 1 :], size) == size
    squares = middle * (middle + 1) * size // 3
    return np.where(known, over_mk / (1000.0 * BIN_S * squares), np.nan)


def _mean(held_out: Ints, size: int) -> Floats:
    """Mean output over the newest bins, in %; nan where one of them is not known."""
    newest = held_out[:, KEPT - size + 1 :]
    known = _sums(newest >= 0, size) == size
    return np.where(known, _sums(newest, size) / (100.0 * size), np.nan)


def _sums(columns: Ints | Bools, size: int) -> Ints:
    """Sums over every so many neighbouring columns (m, n - size + 1), exact."""
    sums: Ints
    if columns.shape[1] == size:  # as of a live cell
        sums = columns.sum(axis=1, dtype=np.int64, keepdims=True)
        return sums
    running = np.cumsum(columns, axis=1, dtype=np.int64)
    sums = running[:, size - 1 :].copy()
    sums[:, 1:] -= running[:, :-size]
    return sums


def _one_of(codes: tuple[int, ...], count: int) -> Bools:
    """A table of which codes are meant."""
    return np.isin(np.arange(count), codes)


_SENSOR = _one_of((Reason.STATUS, Reason.NULL, Reason.NOT_FINITE), len(Reason))
_UNREADABLE = _one_of((Reason.IMPLAUSIBLE, Reason.TYPE, Reason.SHAPE, Reason.SLEW), len(Reason))
_MISREAD = _one_of(
    (
        *(Reason.TEN_TIMES_TOO_LARGE, Reason.TEN_TIMES_TOO_SMALL),
        *(Reason.LOOKS_LIKE_DEGF, Reason.LOOKS_LIKE_DEGC),
    ),
    len(Reason),
)
_OFF = _one_of(
    tuple(PHASE_CODE[each] for each in (Phase.OFF, Phase.COOLING, Phase.UNKNOWN)), len(Phase)
)
_COLD = _one_of(
    tuple(
        PHASE_CODE[each] for each in (Phase.SETBACK, Phase.HEATING, Phase.RECOVERING, Phase.SOAKING)
    ),
    len(Phase),
)


def _conditions(
    f: Figures,
    bins: Bins,
    zones: ZoneFigures,
    past: tuple[Ints, Ints],
    setpoints: tuple[Ints, Ints],
) -> tuple[Bools, Bools]:
    """What holds in each bin (signs, m, k), and what must hold for a sign to be over.

    Comparisons with nan are false: what is not known is no sign.
    """
    temps, outputs = past
    is_on = np.zeros((len(Sign), *f.temp_c.shape), dtype=np.bool_)
    _data_conditions(is_on, bins, temps)
    _wanted_conditions(is_on, bins, zones, setpoints)
    _reading_conditions(is_on, f, zones)
    _heater_conditions(is_on, f, zones, outputs)
    _still_conditions(is_on, f, zones, outputs)
    _resolve(is_on, f, bins)
    is_over = ~is_on
    is_over[Sign.HIGH], is_over[Sign.LOW] = f.off_k < 1.2, f.off_k > -1.2
    # What fell is up again, or nobody wants it warm.
    is_over[Sign.FALLEN] = (f.is_seen & (f.off_k > -3.0)) | is_on[Sign.OFF]
    is_over[_UNSEEN_KEEPS] &= f.is_seen
    is_over[[Sign.SILENT, Sign.SILENT_LONG]] &= _is_watched(bins)
    return is_on, is_over


_TOLD = [
    sign.value
    for sign in (
        *(Sign.SENSOR, Sign.UNREADABLE, Sign.ZEROED, Sign.STOPPED, Sign.MISREAD, Sign.REPEATED),
    )
]
"""Signs of rows that come and are not good."""


def _data_conditions(is_on: Bools, bins: Bins, temps: Ints) -> None:
    """Signs of what keeps a reading from being known; one row that is not good is none."""
    is_seen = bins.good > 0
    is_lost = (bins.rows > 0) & ~is_seen
    is_twice = (bins.rows > 1) | (temps[:, KEPT - 1 : -1] == NONE_MK)
    is_bad, reason = is_lost & is_twice, bins.reason
    is_on[Sign.SENSOR] = is_bad & _SENSOR[reason]
    is_on[Sign.UNREADABLE] = is_bad & _UNREADABLE[reason]
    is_on[Sign.ZEROED] = is_bad & (reason == int(Reason.FILL_VALUE))
    is_on[Sign.STOPPED] = is_bad & (reason == int(Reason.NOT_MOVING))
    is_on[Sign.MISREAD] = is_bad & _MISREAD[reason]
    is_on[Sign.REPEATED] = is_bad & (reason == int(Reason.FROZEN))
    is_told = is_on[_TOLD].any(axis=0)
    is_on[Sign.SILENT] = is_on[Sign.SILENT_LONG] = ~is_seen & ~is_told & _is_watched(bins)


def _is_watched(bins: Bins) -> Bools:
    """Whether there was somebody to see: a lost link sends rows that say so."""
    is_watched: Bools = (bins.rows > 0) & (bins.reason != int(Reason.NOT_WATCHED))
    return is_watched


def _wanted_conditions(
    is_on: Bools, bins: Bins, zones: ZoneFigures, setpoints: tuple[Ints, Ints]
) -> None:
    """Signs of what is wanted of a zone, done with it, and of what it is."""
    phase = bins.phase
    is_reservoir = zones.is_pack | zones.is_tank
    is_on[Sign.OFF] = _OFF[phase]
    is_on[Sign.SETBACK] = phase == PHASE_CODE[Phase.SETBACK]
    is_on[Sign.HEATING] = phase == PHASE_CODE[Phase.HEATING]
    is_on[Sign.RECOVERING] = phase == PHASE_CODE[Phase.RECOVERING]
    is_on[Sign.CHARGED] = (bins.charged > 0) & is_reservoir
    is_on[Sign.SOAKS] = (_COLD[phase] | is_on[Sign.CHARGED]) & is_reservoir
    told_mk, first_mk = setpoints
    before_mk = np.concatenate((first_mk, told_mk[:, :-1]), axis=1)
    is_on[Sign.STEPPED] = (np.abs(told_mk - before_mk) >= 1000) & (before_mk != NONE_MK)
    is_on[Sign.HIGH_SETPOINT] = told_mk > 1000.0 * zones.high_c
    is_on[Sign.FLOWING] = bins.flowing > 0
    is_on[Sign.PRODUCING] = bins.producing > 0
    is_on[Sign.WIPED] = bins.wiped > 0
    is_on[Sign.OUTPUT_READ] = zones.has_output
    is_on[Sign.WIPE_TOLD] = zones.is_wipe_told
    is_on[Sign.PACK], is_on[Sign.TANK] = zones.is_pack, zones.is_tank
    is_on[Sign.STANDS] = zones.is_pack & (bins.flowing == 0) & (bins.rows > 0)


def _reading_conditions(is_on: Bools, f: Figures, zones: ZoneFigures) -> None:
    """Signs of the temperature alone."""
    seen, is_hot = f.is_seen, ~is_on[Sign.OFF]
    scatter = np.maximum(zones.noise_k, 0.03)
    drift = 0.03 * zones.full_rate / 10.0 + 0.12 * scatter / BIN_S / LONG  # K/s, within noise
    is_on[Sign.LOW] = seen & (f.off_k < -2.0)
    # Further than any loop overshoots, and than a setback goes.
    is_on[Sign.COLD_BEFORE] = seen & (f.off_k < -25.0)
    is_on[Sign.HOT_BEFORE] = seen & (f.off_k > 18.0) & ~is_on[Sign.SETBACK]
    is_on[Sign.HIGH] = seen & (f.off_k > 2.0)
    is_on[Sign.BACK] = seen & (np.abs(f.off_k) < 1.2)
    is_falling = seen & (f.short_rate < -0.12 * f.cooling - drift) & (f.off_k < -0.6)
    is_on[Sign.FALLS] = is_falling & (f.long_rate < -drift)
    unheated = f.short_rate / np.maximum(f.cooling, 1e-6)
    # Until its rate is learned a zone may well cool twice as fast as its kind does.
    slowest, fastest = np.where(zones.is_driven, -0.6, -0.5), np.where(zones.is_driven, -1.5, -2.4)
    is_on[Sign.COOLS] = is_falling & (unheated <= slowest) & (unheated >= fastest)
    quickest = np.maximum(np.where(zones.is_driven, 1.9, 2.6) * f.cooling, 0.15)
    is_drop = (
        seen & is_hot & (f.off_k < -0.5) & (-f.fallen_k > np.maximum(6.0 * quickest, 7.0 * scatter))
    )
    is_on[Sign.DROPS] = is_on[Sign.DIPPED] = is_drop
    far_k = np.maximum(4.5, 36.0 * f.cooling)
    further_k = np.maximum(6.5, 2.6 * 20.0 * f.cooling)
    is_far = (-f.fallen_k > far_k) | (-10.0 * f.short_rate > further_k)
    is_on[Sign.FALLEN] = seen & is_far & is_hot & (f.off_k < -3.0)
    is_on[Sign.BELOW_ROOM] = seen & (f.temp_c < f.room_c - 4.0) & (f.short_output >= 50.0)
    is_on[Sign.LEAPT] = seen & (f.fallen_k > _leap_k(zones)) & is_hot
    before_c = f.temp_c - f.fallen_k
    # A sensor that is put back where it fell from leaps as well, and reads the truth again.
    is_way_back = (before_c < f.setpoint_c - 10.0) & ~is_on[Sign.HEATING]
    is_on[Sign.ASTRAY] = is_on[Sign.LEAPT] & ~is_way_back
    is_degf = np.abs(f.temp_c - 1.8 * before_c - 32.0) < 2.5
    is_ten = np.abs(f.temp_c - 10.0 * before_c) < 25.0
    is_on[Sign.SCALED] = is_on[Sign.LEAPT] & (f.fallen_k > 20.0) & (is_degf | is_ten)


def _leap_k(zones: ZoneFigures) -> Floats:
    """No heat moves a zone so far within 6 s. [K]."""
    return np.maximum(6.0, 12.0 * zones.full_rate)


_UNSEEN_KEEPS = [
    sign.value
    for sign in Sign
    if sign
    not in (
        *(Sign.SENSOR, Sign.UNREADABLE, Sign.ZEROED, Sign.SILENT, Sign.STOPPED, Sign.FLOWING),
        *(Sign.MISREAD, Sign.REPEATED),
        *(Sign.PRODUCING, Sign.WIPED, Sign.STEPPED, Sign.DIPPED, Sign.FALLEN, Sign.OFF),
        *(Sign.SILENT_LONG, Sign.CHARGED, Sign.SOAKS, Sign.NONE_ASKED, Sign.LIVE),
        Sign.PUSHED,
    )
]
"""Signs that not seeing does not end."""


_OF_HEAT = [
    *(Sign.FALLS, Sign.COOLS, Sign.DROPS, Sign.DIPPED, Sign.FALLEN, Sign.LITTLE, Sign.STARVED),
    *(Sign.STARVED_LONG, Sign.NO_RISE, Sign.UNASKED, Sign.UNASKED_LONG, Sign.MORE, Sign.MORE_LONG),
    *(Sign.DOUBLE, Sign.FIFTH_MORE, Sign.MORE_SETTLED, Sign.OPENED, Sign.HOT_BEFORE),
]
"""Signs that ask what heat does: they need a temperature."""


def _has_come_down(f: Figures, temps: Ints, zones: ZoneFigures) -> Bools:
    """Whether a reading that leapt is where it may be a temperature again.

    It is near its setpoint or below, or it has come down as no zone does, however far.
    """
    now, then = temps[:, KEPT - LONG - 1 :], temps[:, KEPT - LONG - 4 : -3]
    is_known = (now != NONE_MK) & (then != NONE_MK)
    fell = is_known & (then - now > 1000.0 * _leap_k(zones))
    has_fallen = sliding_window_view(fell, LONG + 2, axis=1).any(axis=2)
    return f.is_seen & ((f.off_k < _NEAR_K) | has_fallen)


_NEAR_K = 4.0  # no leap of a sensor ends so near to a setpoint and stays


def _mistrust(
    wanted: tuple[Bools, Bools], before: tuple[Carried, ...], has_come_down: Bools
) -> None:
    """Let nothing be said of heat by a reading that leapt, nor taken back, while it is astray."""
    is_on, is_over = wanted
    is_over[Sign.ASTRAY] = has_come_down | is_on[Sign.OFF]
    is_astray = _patient(before, wanted, [Sign.ASTRAY])[2][0]
    is_on[_OF_HEAT] &= ~is_astray
    is_over[_OF_HEAT] &= ~is_astray


def _heater_conditions(is_on: Bools, f: Figures, zones: ZoneFigures, outputs: Ints) -> None:
    """Signs that need the heater output."""
    seen, off_k = f.is_seen, f.off_k
    is_idle = f.short_rate < 0.04 * zones.full_rate
    missing = f.long_output - f.long_arrives
    is_on[Sign.FULL] = seen & (f.output >= 90.0)
    is_on[Sign.ASKS] = seen & (f.short_output >= np.maximum(2.0 * f.need, f.need + 16.0))
    is_on[Sign.UNANSWERED] = seen & (
        ((off_k < -8.0) & (f.short_output < np.minimum(60.0, 2.0 * f.need + 20.0)))
        | ((off_k > 25.0) & (f.short_output > 5.0))
    )
    is_on[Sign.NONE_ASKED] = f.output <= 2.0
    is_on[Sign.PUSHED] = ~seen & (outputs[:, KEPT:] >= 6000)
    is_on[Sign.LIVE] = ~seen & (outputs[:, KEPT:] > 400)
    is_on[Sign.FULL_OF_LATE] = seen & (f.output >= 60.0)
    is_on[Sign.LITTLE] = (
        seen
        & (missing > np.maximum(9.0, 0.35 * f.long_output))
        & (f.short_arrives < 0.5 * f.short_output)
        & (off_k < -0.8)
        & (f.long_rate < 0.0)
    )
    is_on[Sign.OPENED] = (
        is_on[Sign.STANDS]
        & seen
        & (f.short_output >= np.maximum(1.6 * f.need, f.need + 10.0))
        & (f.short_rate < -0.02)
    )
    much = np.maximum(np.minimum(2.2 * f.need, 80.0), 35.0)
    is_on[Sign.STARVED] = is_on[Sign.STARVED_LONG] = (
        seen
        & (f.short_output >= much)
        & (f.short_arrives < 0.25 * f.short_output)
        & (f.long_arrives < 0.35 * f.long_output)
        # A zone without heat goes on falling; a sensor that has slipped comes to rest.
        & (f.short_rate < np.minimum(GOES_ON * f.long_rate, 0.0))
        & (off_k < -1.5)
    )
    is_on[Sign.NO_RISE] = (
        seen
        & (f.long_output >= 90.0)
        & is_idle
        & (f.long_rate < 0.06 * zones.full_rate)
        & (off_k < -2.0)
    )
    is_unasked = (
        seen
        & (f.output <= 2.0)
        & (f.short_arrives >= np.maximum(30.0, np.minimum(1.4 * f.need, 50.0)))
        & ((f.short_rate > 0.12 * zones.full_rate) | (off_k > 10.0))
        # A sensor that is pressed home leaps once; heat goes on.
        & ((f.fallen_k > 3.0 * f.short_rate) | (off_k > 10.0))
        & (off_k > 0.3)
    )
    is_on[Sign.UNASKED] = is_on[Sign.UNASKED_LONG] = is_unasked
    is_steady = (
        seen
        & (np.abs(f.long_rate) < np.maximum(0.25 * f.cooling, 0.01))
        & (np.abs(off_k) < 2.5)
        & zones.is_learned
    )
    more = f.long_output / np.maximum(f.long_arrives, 1.0)
    is_on[Sign.MORE] = is_steady & (more >= 1.3) & (f.long_output - f.long_arrives > 4.0)
    is_on[Sign.MORE_SETTLED] = is_on[Sign.MORE_LONG] = is_on[Sign.MORE]
    is_on[Sign.DOUBLE] = is_steady & (more >= 1.75) & (more <= 2.35)
    is_on[Sign.FIFTH_MORE] = is_steady & (more >= 1.12) & (more <= 1.5)
    extreme = (outputs >= 9500) | ((outputs <= 300) & (outputs >= 0))
    side = np.where(extreme, np.where(outputs >= 9500, 1, -1), 0)
    swings = _swings(side)
    share = _sums(extreme[:, 1:], KEPT) / KEPT
    is_on[Sign.CYCLES] = seen & (swings >= 2) & (share >= 0.8)
    moves = np.abs(outputs[:, KEPT - LONG + 1 :] - outputs[:, KEPT - LONG : -1])
    trembling = _sums(moves, LONG) / LONG
    is_on[Sign.TREMBLES] = seen & (trembling >= 15.0)
    is_on[Sign.OUT_STILL] = seen & (f.out_still_s >= 20.0)


def _swings(side: Ints) -> Ints:
    """How often within the newest bins the output went from one end to the other."""
    places = np.arange(side.shape[1])
    newest = np.maximum.accumulate(np.where(side != 0, places, -1), axis=1)
    held = np.where(newest >= 0, np.take_along_axis(side, np.maximum(newest, 0), axis=1), 0)
    return _sums(held[:, 1:] * held[:, :-1] < 0, KEPT)


LEAST_STEPS = 2.5
"""A coarse reading falls by three steps before its fall is one. [1]"""

_ONE_STEP = tuple(size // 2 * (size // 2 + 1) / 2.0 for size in (SHORT, LONG))
_SQUARES = tuple(float(np.sum(np.square(np.arange(size) - size // 2))) for size in (SHORT, LONG))
SHORT_STEP, LONG_STEP = (
    one / (BIN_S * all_) for one, all_ in zip(_ONE_STEP, _SQUARES, strict=True)
)
"""Slope that a look finds in a single step of the reading, of a kelvin. [1/s]"""


def _resolve(is_on: Bools, f: Figures, bins: Bins) -> None:
    """Let a coarse reading say nothing of heat that a single step of it would say as well."""
    step_k = bins.step_mk / 1000.0
    is_fine = bins.step_mk < COARSE_MK
    is_on[[Sign.DROPS, Sign.DIPPED, Sign.FALLEN]] &= is_fine | (-f.fallen_k > LEAST_STEPS * step_k)
    is_short = is_fine | (np.abs(f.short_rate) > 1.2 * SHORT_STEP * step_k)
    is_long = is_fine | (np.abs(f.long_rate) > 1.2 * LONG_STEP * step_k)
    is_on[[Sign.FALLS, Sign.COOLS, Sign.STARVED, Sign.STARVED_LONG]] &= is_short & is_long
    is_on[Sign.LITTLE] &= is_long
    is_hot = f.off_k > 10.0 + step_k
    is_on[[Sign.UNASKED, Sign.UNASKED_LONG]] &= is_short | is_hot


def _still_conditions(is_on: Bools, f: Figures, zones: ZoneFigures, outputs: Ints) -> None:
    """Signs of what does not move."""
    is_on[Sign.STILL] = f.is_seen & (f.still_s >= zones.still_s) & ~is_on[Sign.OFF]
    has_moved = (np.abs(f.long_output - f.need) >= 5.0) & zones.is_learned & (f.out_still_s < 10.0)
    is_on[Sign.DRIVEN] = is_on[Sign.STILL] & (has_moved | _ramps(outputs))
    # Equal values of a coarse reading say nothing; that its output moves says that it lives.
    still_s = np.where(zones.is_coarse, np.inf, f.still_s)
    still_s = np.where(zones.has_output, np.minimum(still_s, f.out_still_s), still_s)
    is_still = (still_s >= zones.all_still_s) & np.isfinite(zones.all_still_s) & f.is_seen
    is_on[Sign.ALL_STILL] = is_still.all(axis=0, keepdims=True) & ~is_on[Sign.OFF]


def _ramps(outputs: Ints) -> Bools:
    """Whether the output has gone one way for long without ever turning back.

    So does the integral of a loop whose reading stands still off its setpoint.
    """
    looked_at = outputs[:, KEPT - RAMP + 1 :]
    steps = sliding_window_view(np.diff(looked_at, axis=1), RAMP - 1, axis=1)
    is_known = sliding_window_view(looked_at, RAMP, axis=1).min(axis=2) >= 0
    is_one_way = (steps.min(axis=2) >= -RAMP_BACK) | (steps.max(axis=2) <= RAMP_BACK)
    moved = looked_at[:, RAMP - 1 :] - looked_at[:, : 1 - RAMP]
    half = looked_at[:, RAMP - 1 :] - looked_at[:, RAMP // 2 : -(RAMP // 2)]
    # Straight: the later half is about a half of it.
    is_straight = np.abs(2 * half - moved) <= 0.4 * np.abs(moved)
    ramps: Bools = is_known & is_one_way & is_straight & (np.abs(moved) >= RAMP_LEAST)
    return ramps


def _patient(
    before: tuple[Carried, ...], wanted: tuple[Bools, Bools], of: list[Sign] | slice = _ALL
) -> tuple[Ints, Ints, Bools]:
    """Conditions made signs: ages at the end (signs, m), and which are on (signs, m, k).

    Nearly every sign stays what it is; only the others are gone through bin by bin.
    """
    is_on, is_over = wanted[0][of], wanted[1][of]
    on_bins, off_bins = ON_BINS[of], OFF_BINS[of]
    held = np.array([zone.held for zone in before], dtype=np.int64).T[of]
    missed = np.array([zone.missed for zone in before], dtype=np.int64).T[of]
    masks = np.array([zone.mask for zone in before], dtype=np.int64)
    was_on = ((masks >> _BITS[of]) & 1) > 0
    stays_off = (held == 0) & (missed >= off_bins) & ~is_on.any(axis=2) & is_over.all(axis=2)
    stays_on = (held >= on_bins) & (missed == 0) & is_on.all(axis=2) & ~is_over.any(axis=2)
    moves = np.where(was_on, ~stays_on, ~stays_off)
    sign, _ = np.nonzero(moves)
    size = is_on.shape[2]
    places = np.arange(1, size + 1, dtype=np.int32)
    on, over = _ages(is_on[moves], held[moves]), _ages(is_over[moves], missed[moves])
    first = np.where(was_on[moves], 0, -1).astype(np.int32)[:, None]
    on_at = np.where(on >= on_bins[sign], places, first)
    off_at = np.where(over >= off_bins[sign], places, -1 - first)
    signs = np.repeat(was_on[..., None], size, axis=2)
    signs[moves] = np.maximum.accumulate(on_at, axis=1) >= np.maximum.accumulate(off_at, axis=1)
    held[moves], missed[moves] = on[:, -1], over[:, -1]
    return np.minimum(held, on_bins), np.minimum(missed, off_bins), signs


def _ages(condition: Bools, before: Ints) -> NDArray[np.int32]:
    """For how many bins each condition (rows, k) has held, this one included."""
    places = np.arange(condition.shape[1], dtype=np.int32)
    broken = np.where(condition, (-1 - before).astype(np.int32)[:, None], places)
    return places - np.maximum.accumulate(broken, axis=1)
