"""Figures and signs of bins, against the closed forms of a first-order zone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watchedpot.core.bins import BIN_S, COLUMNS, NO_OUTPUT, NONE_MK, Bins
from watchedpot.core.learned import Learned, ZoneFacts, first_learned, zone_figures
from watchedpot.core.model import Reason
from watchedpot.core.rules import ZoneKind
from watchedpot.core.signs import KEPT, LONG, PHASE_CODE, Carried, Seen, Sign, ZoneFigures, look
from watchedpot.core.snapshot import Phase

SAME = settings(derandomize=True, deadline=None, database=None, max_examples=40)
ROOM_C, SETPOINT_C = 23.0, 115.0
KNOWN = replace(
    first_learned("nozzle", ZoneKind.NOZZLE),
    need_per_k=0.25,
    full_rate=0.5,
    rested=5,
    driven=5,
    step_mk=100,
)
FACTS = ZoneFacts(
    ZoneKind.NOZZLE, SETPOINT_C, 110.0, 120.0, 50.0, has_output=True, is_wipe_told=True
)


def bins(temps_c: np.ndarray, output: np.ndarray | float, **columns: int | np.ndarray) -> Bins:
    """Bins of one zone of two good rows each, whatever else is told of them."""
    k = temps_c.size
    usual: dict[str, int | np.ndarray] = {
        "rows": 2,
        "good": 2,
        "outputs": 2,
        "setpoint_mk": round(1000 * SETPOINT_C),
        "room_mk": round(1000 * ROOM_C),
        "phase": PHASE_CODE[Phase.READY],
    }
    known = dict.fromkeys(COLUMNS, 0) | usual | columns
    found = {n: np.broadcast_to(np.asarray(v, np.int64), (1, k)).copy() for n, v in known.items()}
    found["temp_mk"] = np.where(
        found["good"] > 0, np.rint(1000.0 * temps_c).astype(np.int64), NONE_MK
    )
    found["output"] = np.broadcast_to(np.rint(100.0 * np.asarray(output)).astype(np.int64), (1, k))
    index = np.arange(k)
    return Bins(index, index, np.zeros(k, dtype=np.int64), found)


def seen(some: Bins, known: Learned = KNOWN, facts: ZoneFacts = FACTS) -> Seen:
    """Figures and signs of them."""
    return look((Carried(),), some, zone_figures([known], [facts]))


def first(found: Seen, sign: Sign) -> int | None:
    """First bin with a sign, None if it never is on."""
    places = np.flatnonzero(found.mask[0] & sign.bit)
    return int(places[0]) if places.size else None


def at_rest(count: int) -> np.ndarray:
    """A zone that stands at its setpoint."""
    return np.full(count, SETPOINT_C)


REST = 0.25 * (SETPOINT_C - ROOM_C)


@SAME
@given(start_c=st.floats(90.0, 150.0), output=st.floats(0.0, 100.0))
def test_what_arrives_is_what_is_given(start_c: float, output: float) -> None:
    """Along the exact course of a first-order zone as much heat arrives as its heater gives.

    Source: closed form of the first-order step response (analysis): T tends to room plus
    output over need with the time constant 100 / (need * rate).
    """
    tau_s = 100.0 / (0.25 * 0.5)
    end_c = ROOM_C + output / 0.25
    time_s = BIN_S * np.arange(40.0)
    temps_c = end_c + (start_c - end_c) * np.exp(-time_s / tau_s)
    figures = seen(bins(temps_c, output)).figures
    assert np.allclose(figures.long_arrives[0, 15:], output, atol=1.0)
    assert np.allclose(figures.short_arrives[0, 15:], output, atol=1.5)
    assert np.isnan(figures.long_rate[0, :14]).all()


def test_natural_cooling_is_newtons_law() -> None:
    """Without heat a zone falls as fast as its cooling figure says, and has the sign of it.

    Source: Newton's law of cooling in closed form (analysis).
    """
    time_s = BIN_S * np.arange(60.0)
    cooled_c = ROOM_C + (SETPOINT_C - ROOM_C) * np.exp(-time_s / 800.0)
    found = seen(bins(cooled_c, 100.0))
    assert np.allclose(-found.figures.short_rate[0, 8:], found.figures.cooling[0, 8:], rtol=0.05)
    assert first(found, Sign.COOLS) is not None
    assert first(found, Sign.STARVED) is not None
    assert first(found, Sign.FALLEN) is None


def test_a_zone_at_rest_has_no_sign_of_trouble() -> None:
    """At its setpoint with its usual output it is back, and nothing else is to be seen."""
    mask = int(seen(bins(at_rest(80), REST)).mask[0, -1])
    allowed = {Sign.BACK, Sign.OUTPUT_READ, Sign.WIPE_TOLD}
    assert {sign for sign in Sign if mask & sign.bit} == allowed


FALLS = at_rest(40) - np.concatenate((np.zeros(30), 3.0 * np.arange(1.0, 11.0)))
LEAPS = at_rest(40) + np.concatenate((np.zeros(30), np.full(10, 40.0)))
DEGF = np.where(np.arange(40) < 30, SETPOINT_C, 1.8 * SETPOINT_C + 32.0)


@pytest.mark.parametrize(
    ("sign", "temps_c", "output", "columns", "within_bins"),
    [
        (Sign.DROPS, FALLS, 90.0, {}, 4),
        (Sign.FALLEN, FALLS, 90.0, {}, 4),
        (Sign.LOW, FALLS, 90.0, {}, 4),
        (Sign.LEAPT, LEAPS, 0.0, {}, 2),
        (Sign.HIGH, LEAPS, 0.0, {}, 3),
        (Sign.SCALED, DEGF, 22.0, {}, 2),
        (Sign.UNANSWERED, DEGF, 22.0, {}, 10),
        (Sign.BELOW_ROOM, at_rest(40) - 100.0, 90.0, {}, 0),
        (Sign.NO_RISE, at_rest(40) - 20.0, 100.0, {}, 0),
        (Sign.MORE, at_rest(60), 2.0 * REST, {}, 0),
        (Sign.DOUBLE, at_rest(60), 2.0 * REST, {}, 0),
        (Sign.FIFTH_MORE, at_rest(60), 1.25 * REST, {}, 0),
        (Sign.UNASKED, at_rest(40) + np.arange(40.0), 0.0, {}, 0),
        (Sign.UNASKED_LONG, at_rest(40) + np.arange(40.0), 0.0, {}, 0),
        (Sign.CYCLES, at_rest(90), np.where(np.arange(90) // 10 % 2, 100.0, 0.0), {}, 0),
        (Sign.HIGH_SETPOINT, at_rest(40), REST, {"setpoint_mk": 150_000}, 0),
        (Sign.STILL, at_rest(40), REST, {"still_ns": 100 * 10**9}, 0),
        (
            Sign.ALL_STILL,
            at_rest(40),
            REST,
            {"still_ns": 100 * 10**9, "out_still_ns": 100 * 10**9},
            0,
        ),
        (Sign.DRIVEN, at_rest(40), 1.5 * REST, {"still_ns": 100 * 10**9}, 0),
        (Sign.FLOWING, at_rest(4), REST, {"flowing": 1}, 0),
        (Sign.PRODUCING, at_rest(4), REST, {"producing": 1}, 0),
        (Sign.WIPED, at_rest(4), REST, {"wiped": 1}, 0),
        (Sign.HEATING, at_rest(4), REST, {"phase": PHASE_CODE[Phase.HEATING]}, 0),
        (Sign.SETBACK, at_rest(4), REST, {"phase": PHASE_CODE[Phase.SETBACK]}, 0),
        (Sign.OFF, at_rest(4), REST, {"phase": PHASE_CODE[Phase.COOLING]}, 0),
        (Sign.COLD_BEFORE, at_rest(40) - 30.0, 100.0, {}, 0),
        (Sign.HOT_BEFORE, at_rest(40) + 20.0, 0.0, {}, 0),
        (Sign.MORE_SETTLED, at_rest(340), 1.4 * REST, {}, 0),
    ],
)
def test_each_sign_has_its_picture(
    sign: Sign,
    temps_c: np.ndarray,
    output: float | np.ndarray,
    columns: dict[str, int],
    within_bins: int,
) -> None:
    """A sign comes on by what it is about, and within the bins told where something happens."""
    place = first(seen(bins(temps_c, output, **columns)), sign)
    assert place is not None
    if within_bins:
        assert 30 <= place <= 30 + within_bins
    assert first(seen(bins(at_rest(90), REST)), sign) is None


SYRINGE = replace(first_learned("syringe", ZoneKind.SYRINGE), rested=5, driven=5, step_mk=100)
SYRINGE_FACTS = FACTS._replace(kind=ZoneKind.SYRINGE)
OPEN = at_rest(90) - np.clip(0.4 * (np.arange(90.0) - 30.0), 0.0, 12.0)
"""The sleeve stands open for a minute: it falls 0.2 K/s, four times as fast as without heat."""


@pytest.mark.parametrize(("flowing", "is_opened"), [(0, True), (1, False)])
def test_a_pack_that_falls_for_long_while_no_melt_flows_was_opened(
    flowing: int, is_opened: bool
) -> None:
    """The same fall while it is dispensed from is something else."""
    some = bins(OPEN, np.where(np.arange(90) < 30, 18.0, 70.0), flowing=flowing)
    found = seen(some, SYRINGE, SYRINGE_FACTS)
    place = first(found, Sign.OPENED)
    assert (first(found, Sign.STANDS) is not None) is is_opened
    assert (place is not None) is is_opened
    assert place is None or 30 + 15 <= place <= 30 + 21


def test_a_sensor_that_slips_opens_nothing() -> None:
    """A reading that falls by its own lag is down, and rises again, before half a minute is over.

    Source: first-order lag in closed form (analysis).
    """
    time_s = BIN_S * (np.arange(90.0) - 30.0)
    slipped = at_rest(90) - np.where(time_s > 0.0, 8.0 * (1.0 - np.exp(-time_s / 10.0)), 0.0)
    slipped += np.where(time_s > 6.0, 0.1 * (time_s - 6.0), 0.0)
    found = seen(
        bins(slipped, np.where(time_s > 0.0, 80.0, 18.0)),
        SYRINGE,
        SYRINGE_FACTS,
    )
    assert first(found, Sign.DIPPED) is not None
    assert first(found, Sign.OPENED) is None


def test_a_setback_is_no_zone_that_was_hot() -> None:
    """A zone on its way down to a lowered setpoint has not been too hot."""
    lowered = bins(at_rest(40) + 20.0, 0.0, phase=PHASE_CODE[Phase.SETBACK])
    assert first(seen(lowered), Sign.HOT_BEFORE) is None


@pytest.mark.parametrize(
    ("reason", "sign"),
    [
        (Reason.STATUS, Sign.SENSOR),
        (Reason.NOT_FINITE, Sign.SENSOR),
        (Reason.IMPLAUSIBLE, Sign.UNREADABLE),
        (Reason.TYPE, Sign.UNREADABLE),
        (Reason.SLEW, Sign.UNREADABLE),
        (Reason.LOOKS_LIKE_DEGF, Sign.MISREAD),
        (Reason.TEN_TIMES_TOO_LARGE, Sign.MISREAD),
        (Reason.FROZEN, Sign.REPEATED),
        (Reason.FILL_VALUE, Sign.ZEROED),
        (Reason.NOT_MOVING, Sign.STOPPED),
        (Reason.NO_ANSWER, Sign.SILENT),
        (Reason.NO_CONNECTION, Sign.SILENT),
    ],
)
def test_each_reason_has_its_sign(reason: Reason, sign: Sign) -> None:
    """Bins without a good row are signs of why they have none."""
    good = np.where(np.arange(10) < 5, 2, 0)
    found = seen(bins(at_rest(10), REST, good=good, reason=np.where(good > 0, 0, int(reason))))
    place = first(found, sign)
    assert place in {5, 6}


@pytest.mark.parametrize(
    "nobody",
    [{"rows": 0}, {"reason": int(Reason.NOT_WATCHED)}],
    ids=["no rows", "rows that say so"],
)
def test_a_monitor_that_was_away_has_not_lost_the_link(nobody: dict[str, int]) -> None:
    """Bins in which nobody watched are no sign of silence, nor the end of one."""
    away = np.arange(40) >= 10
    told = {name: np.where(away, value, 2) for name, value in nobody.items()}
    found = seen(bins(at_rest(40), REST, **({"good": np.where(away, 0, 2)} | told)))
    assert first(found, Sign.SILENT) is None
    lost = np.where(np.arange(40) >= 10, 0, 2)
    rows = np.where(np.arange(40) >= 20, 0, 2)
    found = seen(bins(at_rest(40), REST, good=lost, rows=rows, reason=int(Reason.NO_ANSWER)))
    assert found.mask[0, 15] & Sign.SILENT.bit
    assert found.mask[0, -1] & Sign.SILENT.bit


OF_HEAT = (Sign.UNASKED, Sign.FALLEN, Sign.DROPS, Sign.LITTLE, Sign.STARVED, Sign.NO_RISE)


def test_a_reading_that_leapt_says_nothing_of_heat() -> None:
    """A sensor that opens upscale and comes back cooled is no run-away, and did not fall out.

    Source: what moves faster than any heat is no temperature (process notes); meanwhile the zone
    cools by Newton's law, unheated.
    """
    place = np.arange(260)
    cooled_c = ROOM_C + (SETPOINT_C - ROOM_C) * np.exp(-BIN_S * (place - 60) / 800.0)
    back_c = cooled_c[200] + 0.35 * BIN_S * np.arange(60.0)
    temps_c = np.where(place < 60, SETPOINT_C, 299.0)
    temps_c[200:] = np.minimum(back_c, SETPOINT_C)
    output = np.where(place < 60, REST, np.where(place < 200, 0.0, 100.0))
    found = seen(bins(temps_c, output))
    assert first(found, Sign.ASTRAY) == 60
    assert found.mask[0, 199] & Sign.ASTRAY.bit
    assert not found.mask[0, -1] & Sign.ASTRAY.bit
    assert {sign for sign in OF_HEAT if first(found, sign) is not None} == set()


def test_a_run_away_that_was_seen_is_not_over_when_its_sensor_opens() -> None:
    """What was known of its heat stays while the reading is astray."""
    rising_c = SETPOINT_C + 0.5 * BIN_S * np.arange(40.0)
    temps_c = np.concatenate((at_rest(20), rising_c, np.full(40, 299.0)))
    found = seen(bins(temps_c, np.where(np.arange(100) < 20, REST, 0.0)))
    assert found.mask[0, 58] & Sign.UNASKED.bit
    assert found.mask[0, -1] & Sign.UNASKED.bit


def test_a_sensor_that_is_put_back_reads_the_truth_again() -> None:
    """A leap from far below is the way back, however far above the setpoint it ends."""
    temps_c = np.concatenate((at_rest(40), np.full(40, 35.0), np.full(20, 150.0)))
    found = seen(bins(temps_c, 0.0))
    assert first(found, Sign.FALLEN) is not None
    assert first(found, Sign.ASTRAY) is None


def blind_loop(jitter: float, points_per_s: float) -> np.ndarray:
    """Output of a loop whose reading stands still off its setpoint: its integral goes on."""
    rng = np.random.default_rng(5)
    return REST + points_per_s * BIN_S * np.arange(80.0) + rng.normal(0.0, jitter, 80)


def test_a_loop_that_ramps_while_its_reading_stands_is_blind() -> None:
    """Deviation 0.2 K, gain 8 %/K, integral time 120 s: its output goes up by 0.0133 % a second.

    Source: PI law, d(output)/dt = gain * deviation / integral time (textbook).
    """
    still = {"still_ns": 2 * 10**9 * np.arange(80)}
    driven = first(
        seen(bins(at_rest(80), blind_loop(0.0, 8.0 * 0.2 / 120.0), **still)), Sign.DRIVEN
    )
    assert driven is not None
    assert driven * BIN_S <= 130.0
    falling = blind_loop(0.0, -0.0133)
    assert first(seen(bins(at_rest(80), falling, **still)), Sign.DRIVEN) is not None


@pytest.mark.parametrize(
    ("jitter", "points_per_s"), [(0.3, 0.0133), (0.0, 0.0), (0.0, 0.004), (0.05, 0.0133)]
)
def test_a_loop_that_sees_or_rests_is_not(jitter: float, points_per_s: float) -> None:
    """One that trembles has a live reading; one that rests, or hardly moves, drives nothing."""
    still = {"still_ns": 2 * 10**9 * np.arange(80)}
    found = seen(bins(at_rest(80), blind_loop(jitter, points_per_s), **still))
    assert first(found, Sign.STILL) is not None
    assert first(found, Sign.DRIVEN) is None


@pytest.mark.parametrize("step_k", [0.5, 1.0])
@pytest.mark.parametrize("up", [1.0, -1.0])
def test_a_single_step_of_a_coarse_reading_is_no_fall_and_no_heat(step_k: float, up: float) -> None:
    """From one value to the next, through a mean of both, is a rate of nothing.

    Source: least squares of a step, 0.15 of it a second over five bins (computed by hand).
    """
    place = np.arange(60)
    moved_k = up * step_k * np.clip((place - 39) / 2.0, 0.0, 1.0)
    tank = replace(KNOWN, full_rate=0.2, need_per_k=0.16)
    facts = FACTS._replace(kind=ZoneKind.TANK)
    coarse = {"step_mk": round(1000 * step_k)}
    for output in (0.0, 100.0):
        found = seen(bins(at_rest(60) + moved_k, output, **coarse), tank, facts)
        shown = {sign for sign in (*OF_HEAT, Sign.FALLS, Sign.COOLS) if first(found, sign)}
        assert shown <= {Sign.NO_RISE}


def test_a_coarse_reading_that_falls_by_many_steps_falls() -> None:
    """A sensor that falls out shows on a reading in whole kelvins as well."""
    fallen_c = 30.0 + (SETPOINT_C - 30.0) * np.exp(-BIN_S * np.arange(20.0) / 20.0)
    temps_c = np.round(np.concatenate((at_rest(30), fallen_c)))
    found = seen(bins(temps_c, 100.0, step_mk=1000))
    fell = first(found, Sign.FALLEN)
    assert fell is not None
    assert fell <= 33


def test_one_trouble_since_its_first_moment() -> None:
    """Flawed bins no more than half a minute apart are one stretch; a later one is another."""
    broken = np.isin(np.arange(120), (20, 30, 44, 100)).astype(np.int64)
    flawed_s = seen(bins(at_rest(120), REST, broken=broken)).figures.flawed_s[0]
    assert flawed_s[[19, 20, 30, 44, 59, 60, 100]].tolist() == [0, 2, 22, 50, 80, 0, 2]


def test_not_seeing_keeps_what_was_seen() -> None:
    """A zone that starved when it was lost has not stopped starving."""
    time_s = BIN_S * np.arange(80.0)
    cooled_c = ROOM_C + (SETPOINT_C - ROOM_C) * np.exp(-time_s / 800.0)
    good = np.where(np.arange(80) < 50, 2, 0)
    found = seen(bins(cooled_c, 100.0, good=good, reason=int(Reason.NO_ANSWER)))
    assert found.mask[0, 49] & Sign.STARVED.bit
    assert found.mask[0, -1] & Sign.STARVED.bit


def test_a_wipe_is_known_for_as_long_as_its_dip() -> None:
    """A dip goes on for half a minute behind its wipe, and is never looked at without it."""
    place = np.arange(240)
    fallen_k = np.where((place > 30) & (place <= 46), 1.2 * (place - 30), 0.0)
    wiped = ((place >= 30) & (place < 34)).astype(np.int64)
    mask = seen(bins(at_rest(240) - fallen_k, REST, wiped=wiped)).mask[0]
    assert mask[47] & Sign.DIPPED.bit
    assert not mask[-1] & Sign.DIPPED.bit
    assert ((mask & Sign.DIPPED.bit > 0) <= (mask & Sign.WIPED.bit > 0)).all()


def test_a_sign_waits_for_its_patience() -> None:
    """A short picture of a fall is no sign, nor is one that pauses for a bin over."""
    more = np.where(np.arange(80) < 20, 2.0 * REST, REST)
    assert first(seen(bins(at_rest(80), more)), Sign.MORE_LONG) is None


def test_without_output_nothing_is_said_of_the_heater() -> None:
    """Where no output is read no sign of one comes on."""
    facts = FACTS._replace(has_output=False)
    none = np.full(60, NO_OUTPUT / 100.0)
    cooled_c = ROOM_C + (SETPOINT_C - ROOM_C) * np.exp(-BIN_S * np.arange(60.0) / 800.0)
    found = seen(bins(cooled_c, none), facts=facts)
    heater = (Sign.FULL, Sign.NONE_ASKED, Sign.LITTLE, Sign.STARVED, Sign.NO_RISE, Sign.MORE)
    assert all(first(found, sign) is None for sign in (*heater, Sign.UNASKED, Sign.OUTPUT_READ))
    assert first(found, Sign.COOLS) is not None


def test_a_setpoint_is_looked_at_only_with_a_good_reading() -> None:
    """A restarting controller that shows a setpoint of zero has not changed it."""
    good = np.where((np.arange(40) >= 20) & (np.arange(40) < 25), 0, 2)
    told = np.where(good > 0, round(1000 * SETPOINT_C), 0)
    found = seen(bins(at_rest(40), REST, good=good, setpoint_mk=told))
    assert first(found, Sign.STEPPED) is None
    moved = np.where(np.arange(40) >= 20, 118_000, round(1000 * SETPOINT_C))
    assert first(seen(bins(at_rest(40), REST, setpoint_mk=moved)), Sign.STEPPED) == 20


@SAME
@given(cut=st.integers(1, 79), seed=st.integers(0, 1000))
def test_any_cut_gives_the_same_signs(cut: int, seed: int) -> None:
    """P2: figures and signs of bins in two pieces are those of all at once, to the last digit."""
    rng = np.random.default_rng(seed)
    temps_c = SETPOINT_C + np.cumsum(rng.normal(0.0, 0.8, 80))
    temps_c[30:50] += 60.0 * (seed % 2)
    whole = bins(
        temps_c,
        rng.uniform(0.0, 100.0, 80),
        good=np.where(rng.random(80) < 0.9, 2, 0),
        broken=(rng.random(80) < 0.1).astype(np.int64),
        flowing=(rng.random(80) < 0.3).astype(np.int64),
    )
    zones: ZoneFigures = zone_figures([KNOWN], [FACTS])
    once = look((Carried(),), whole, zones)
    left = look((Carried(),), whole.part(0, cut), zones)
    right = look(left.carried, whole.part(cut, 80), zones)
    assert right.carried == once.carried
    assert np.concatenate((left.mask, right.mask), axis=1).tolist() == once.mask.tolist()
    assert np.array_equal(
        right.figures.long_arrives, once.figures.long_arrives[:, cut:], equal_nan=True
    )
    assert len(once.carried[0].temp_mk) == KEPT


@SAME
@given(
    step_mk=st.integers(-400, 400),
    missing=st.lists(st.integers(KEPT, KEPT + 60), max_size=40, unique=True),
)
def test_a_gap_changes_no_rate(step_mk: int, missing: list[int]) -> None:
    """On a straight course each seen bin has the slopes and the change of the whole course.

    A gap longer than what is held over leaves them not known; a bin that is not seen has none.
    """
    size = KEPT + 64
    temps_c = SETPOINT_C + step_mk / 1000.0 * np.arange(size)
    good = np.full(size, 2)
    good[missing] = 0
    whole = seen(bins(temps_c, REST)).figures
    some = seen(bins(temps_c, REST, good=good)).figures
    is_seen = good > 0
    for name in ("short_rate", "long_rate", "fallen_k"):
        ours, wanted = getattr(some, name)[0], getattr(whole, name)[0]
        assert np.isnan(ours[~is_seen]).all()
        is_told = is_seen & np.isfinite(ours)
        assert ours[is_told] == pytest.approx(wanted[is_told], abs=1e-4)
        assert is_told[:KEPT].sum() > KEPT - LONG


def test_a_zone_that_cooled_unseen_has_not_dropped() -> None:
    """Half a minute without readings while it cools as without heat: no sensor is blamed for it."""
    cooling = 0.25 * (SETPOINT_C - ROOM_C) * 0.5 / 100.0
    time_s = BIN_S * np.arange(2 * KEPT)
    temps_c = np.where(time_s < 60.0, SETPOINT_C, SETPOINT_C - cooling * (time_s - 60.0))
    good = np.full(time_s.size, 2)
    good[50:64] = 0
    found = seen(bins(temps_c, np.where(time_s < 60.0, REST, 100.0), good=good))
    assert first(found, Sign.DROPS) is None
    assert first(found, Sign.FALLEN) is None
    assert (found.mask[0, 64:] & Sign.COOLS.bit).all()


@pytest.mark.parametrize("lag_s", [4.0, 8.0, 10.0])
def test_a_fall_that_comes_to_rest_is_no_starved_zone(lag_s: float) -> None:
    """A slipped sensor settles within its lag; what is without heat goes on falling."""
    time_s = BIN_S * np.arange(2 * KEPT) - 60.0
    fallen_k = np.where(time_s > 0.0, 5.0 * (1.0 - np.exp(-np.maximum(time_s, 0.0) / lag_s)), 0.0)
    output = np.where(time_s > 0.0, 80.0, REST)
    slipped = seen(bins(SETPOINT_C - fallen_k, output), known=day_one())
    assert first(slipped, Sign.STARVED) is None
    unheated_k = 0.115 * np.maximum(time_s, 0.0)
    assert first(seen(bins(SETPOINT_C - unheated_k, output), known=day_one()), Sign.STARVED)


def day_one() -> Learned:
    """What is taken for true of a hose of which nothing is learned."""
    return first_learned("hose", ZoneKind.HOSE)


def test_a_reading_that_leaps_once_is_no_unasked_heat() -> None:
    """A sensor pressed home shows 3 K more at once; a welded relay as much in 8 s, and goes on."""
    time_s = BIN_S * np.arange(2 * KEPT) - 60.0
    pressed = np.where(time_s > 0.0, SETPOINT_C + 3.0, SETPOINT_C)
    off = np.where(time_s > 0.0, 0.0, REST)
    assert first(seen(bins(pressed, off)), Sign.UNASKED) is None
    welded = SETPOINT_C + 0.36 * np.maximum(time_s, 0.0)
    place = first(seen(bins(welded, off)), Sign.UNASKED)
    assert place is not None
    assert time_s[place] <= 20.0
