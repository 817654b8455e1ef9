"""May we dispense: every advice and every reason, worst first."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.cells import alarm, entry, run
from support.reservoir import (
    HELD_C,
    HOUR_S,
    ROOM_C,
    charged_cell,
    outlet,
    reservoir,
    shift,
    shown,
    soaked,
)
from watchedpot.core.model import EntryKind, Instant, Quality, Reason
from watchedpot.core.readiness import advice
from watchedpot.core.rules import AlarmKind, Priority, ZoneKind
from watchedpot.core.snapshot import (
    Advice,
    AdviceSnapshot,
    AlarmSnapshot,
    AlarmState,
    Candidate,
    Cause,
    ChargeSnapshot,
    ChargeState,
    CoreSnapshot,
    FindingSnapshot,
    Phase,
    Severity,
    Why,
    ZoneSnapshot,
)

CEILING_C = 140.0
LIVING = ChargeSnapshot(
    id="7",
    state=ChargeState.IN_LIFE,
    loaded=None,
    is_age_known=True,
    is_overheated=False,
    dose_low_s=0.0,
    dose_high_s=0.0,
    pot_life_s=28800.0,
    life_used=0.0,
    estimated_share=0.0,
    expires_in_s=None,
    mass_kg=None,
    empty_in_s=None,
    left_at_expiry=None,
    residence_s=None,
    older_share=None,
)


def zone(name: str, **changes: object) -> ZoneSnapshot:
    """A zone that stands ready."""
    ready = ZoneSnapshot(
        id=name,
        kind=ZoneKind.NOZZLE,
        phase=Phase.READY,
        temp_c=115.0,
        quality=Quality.GOOD,
        reason=Reason.NONE,
        status=0,
        last_good=None,
        setpoint_c=115.0,
        output_percent=None,
        low_c=110.0,
        high_c=120.0,
        ceiling_c=CEILING_C,
        stale_after_s=3.0,
        exposure={},
        build_up_ns=0,
        degradation_ns=0,
        readings={},
        excursions={},
    )
    return replace(ready, **changes)  # type: ignore[arg-type]


def warning(kind: AlarmKind, **changes: object) -> AlarmSnapshot:
    """An alarm that is on and that nobody has seen."""
    raised = AlarmSnapshot(
        id=f"lens_4/nozzle/{kind.value}",
        cell="lens_4",
        zone="nozzle",
        kind=kind,
        state=AlarmState.UNACKNOWLEDGED,
        stage=1,
        since=None,
        raised=1,
        priority=Priority.HIGH,
        cause="a cause",
        consequence="a consequence",
        response="a response",
        time_to_respond_s=60.0,
    )
    return replace(raised, **changes)  # type: ignore[arg-type]


def core(ready_in_s: float | None, *, is_soaked: bool = False) -> CoreSnapshot:
    """A core that is warm after a time."""
    return CoreSnapshot(100.0, 105.0, 99.0, 101.0, 106.0, is_soaked, ready_in_s, is_assumed=False)


@dataclass(frozen=True, slots=True)
class Situation:
    """All that an advice is made from."""

    zones: tuple[ZoneSnapshot, ...] = (zone("syringe"), zone("nozzle"))
    alarms: tuple[AlarmSnapshot, ...] = ()
    charge: ChargeSnapshot = LIVING
    is_stale_melt: bool = False
    is_new_charge: bool = False
    findings: tuple[FindingSnapshot, ...] = ()

    def told(self) -> AdviceSnapshot:
        """The advice."""
        return advice(
            self.zones,
            self.alarms,
            self.charge,
            is_stale_melt=self.is_stale_melt,
            is_new_charge=self.is_new_charge,
            findings=self.findings,
        )


Fact = Callable[[Situation], Situation]


def with_zone(name: str, **changes: object) -> Fact:
    """One zone more."""
    return lambda so_far: replace(so_far, zones=(*so_far.zones, zone(name, **changes)))


def with_alarm(kind: AlarmKind, **changes: object) -> Fact:
    """One alarm more."""
    return lambda so_far: replace(so_far, alarms=(*so_far.alarms, warning(kind, **changes)))


def finding(cause: Cause, severity: Severity, **changes: object) -> FindingSnapshot:
    """A finding of the nozzle that lasts."""
    now = Instant(0, 0)
    one = FindingSnapshot(
        id="lens_4/1",
        severity=severity,
        onset=now,
        told=now,
        candidates=(Candidate(cause, 0.8),),
        not_ruled_out=(),
        zones=("nozzle",),
        alarms=(),
        numbers="",
        first_action="",
    )
    return replace(one, **changes)  # type: ignore[arg-type]


def with_finding(cause: Cause, severity: Severity, **changes: object) -> Fact:
    """One finding more."""
    return lambda so_far: replace(
        so_far, findings=(*so_far.findings, finding(cause, severity, **changes))
    )


def with_charge(state: ChargeState) -> Fact:
    """The charge in another state."""
    return lambda so_far: replace(so_far, charge=replace(so_far.charge, state=state))


def unseen(name: str, quality: Quality, reason: Reason) -> Fact:
    """A zone without a good reading."""
    return with_zone(name, phase=Phase.UNKNOWN, temp_c=None, quality=quality, reason=reason)


def all_well(so_far: Situation) -> Situation:
    """Nothing."""
    return so_far


FACTS: tuple[tuple[Fact, Advice, Why, str], ...] = (
    (with_zone("z", temp_c=CEILING_C + 0.1), Advice.CUT_HEAT, Why.OVER_CEILING, "z"),
    (
        with_finding(Cause.STUCK_ON, Severity.CRITICAL),
        Advice.CUT_HEAT,
        Why.HEAT_RUNS_ON,
        "nozzle",
    ),
    (with_finding(Cause.NO_HEAT, Severity.HOLD), Advice.HOLD, Why.NO_HEAT, "nozzle"),
    (with_alarm(AlarmKind.HOT), Advice.HOLD, Why.ZONE_HOT, "nozzle"),
    (
        unseen("z", Quality.BAD, Reason.FILL_VALUE),
        Advice.CHECK_SENSOR,
        Why.READING_BAD,
        "z",
    ),
    (unseen("z", Quality.MISSING, Reason.NO_CONNECTION), Advice.CHECK_DATA, Why.NOT_SEEN, "z"),
    (with_finding(Cause.LINK, Severity.SOON), Advice.CHECK_DATA, Why.DATA_DOUBTED, "nozzle"),
    (with_charge(ChargeState.AGE_UNKNOWN), Advice.CHECK_DATA, Why.AGE_UNKNOWN, ""),
    (with_charge(ChargeState.OVERHEATED), Advice.CHANGE_CHARGE, Why.OVERHEATED, ""),
    (with_charge(ChargeState.SPENT), Advice.CHANGE_CHARGE, Why.SPENT, ""),
    (with_zone("z", phase=Phase.OFF), Advice.WAIT, Why.OFF, "z"),
    (with_zone("z", phase=Phase.COOLING), Advice.WAIT, Why.COOLING, "z"),
    (with_zone("z", phase=Phase.SETBACK), Advice.WAIT, Why.SETBACK, "z"),
    (with_zone("z", phase=Phase.HEATING), Advice.WAIT, Why.HEATING, "z"),
    (with_zone("z", phase=Phase.RECOVERING), Advice.WAIT, Why.RECOVERING, "z"),
    (with_zone("z", phase=Phase.SOAKING), Advice.WAIT, Why.SOAKING, "z"),
    (with_alarm(AlarmKind.BUILD_UP), Advice.PURGE_FIRST, Why.BUILT_UP, "nozzle"),
    (
        lambda so_far: replace(so_far, is_new_charge=True),
        Advice.PURGE_FIRST,
        Why.NEW_CHARGE,
        "",
    ),
    (lambda so_far: replace(so_far, is_stale_melt=True), Advice.PURGE_FIRST, Why.IDLE, ""),
    (with_charge(ChargeState.NEAR_LIMIT), Advice.RUN, Why.NEAR_LIMIT, ""),
    (all_well, Advice.RUN, Why.ALL_WELL, ""),
)
"""Each fact with what it advises, worst first."""

ALIKE: tuple[tuple[Fact, Advice, Why, str], ...] = (
    (with_alarm(AlarmKind.COLD), Advice.HOLD, Why.ZONE_COLD, "nozzle"),
    (with_alarm(AlarmKind.OVER_CEILING), Advice.HOLD, Why.ZONE_HOT, "nozzle"),
    (
        with_finding(Cause.SENSOR_LOW, Severity.CRITICAL),
        Advice.CUT_HEAT,
        Why.READS_LOW,
        "nozzle",
    ),
    (
        with_finding(Cause.FROZEN_AT_CONTROLLER, Severity.CRITICAL),
        Advice.CUT_HEAT,
        Why.LOOP_BLIND,
        "nozzle",
    ),
    (
        with_finding(Cause.ZONES_CROSSED, Severity.CRITICAL),
        Advice.CUT_HEAT,
        Why.FINDING,
        "nozzle",
    ),
    (
        with_finding(Cause.ALL_HEAT_LOST, Severity.HOLD, zones=()),
        Advice.HOLD,
        Why.NO_HEAT,
        "",
    ),
    (with_finding(Cause.WRONG_SETPOINT, Severity.HOLD), Advice.HOLD, Why.WRONG_SETPOINT, "nozzle"),
    (
        with_finding(Cause.SENSOR_SLIPPED, Severity.SOON),
        Advice.CHECK_SENSOR,
        Why.READING_DOUBTED,
        "nozzle",
    ),
    (
        with_finding(Cause.SENSOR_BREAK, Severity.HOLD),
        Advice.CHECK_SENSOR,
        Why.READING_DOUBTED,
        "nozzle",
    ),
    (
        with_finding(Cause.FROZEN_IN_DATA, Severity.HOLD),
        Advice.CHECK_DATA,
        Why.DATA_DOUBTED,
        "nozzle",
    ),
    (with_finding(Cause.PART_OF_HEAT, Severity.SOON), Advice.RUN, Why.ALL_WELL, ""),
    (with_finding(Cause.DRAFT, Severity.NOTE), Advice.RUN, Why.ALL_WELL, ""),
    (
        with_finding(Cause.STUCK_ON, Severity.CRITICAL, ended=Instant(0, 0)),
        Advice.RUN,
        Why.ALL_WELL,
        "",
    ),
)
"""Further facts of the same rank as one above."""


@pytest.mark.parametrize(("fact", "to_do", "why", "where"), [*FACTS, *ALIKE])
def test_each_fact_alone_has_its_advice(fact: Fact, to_do: Advice, why: Why, where: str) -> None:
    """With its reason and the zone it is about."""
    assert fact(Situation()).told() == AdviceSnapshot(to_do, why, where)


def test_every_advice_and_every_reason_is_reached_worst_first() -> None:
    """The table of facts has all of them, in the order of the advices."""
    rows = [*FACTS, *ALIKE]
    assert {to_do for _, to_do, _, _ in rows} == set(Advice)
    assert {why for _, _, why, _ in rows} == set(Why)
    ranks = [list(Advice).index(to_do) for _, to_do, _, _ in FACTS]
    assert ranks == sorted(ranks)


OF_CHARGE = {Why.AGE_UNKNOWN, Why.OVERHEATED, Why.SPENT, Why.NEAR_LIMIT}


def test_of_any_two_facts_the_worse_is_told() -> None:
    """In whichever order they came; a charge has one state at a time."""
    pairs = 0
    for worse, better in combinations(FACTS, 2):
        if worse[2] in OF_CHARGE and better[2] in OF_CHARGE:
            continue
        for first, then in ((worse[0], better[0]), (better[0], worse[0])):
            told = then(first(Situation())).told()
            assert (told.advice, told.why) == (worse[1], worse[2])
            pairs += 1
    assert pairs == 2 * (21 * 20 // 2 - 6)


MILD = tuple(fact for fact, _, why, _ in (*FACTS, *ALIKE) if why not in OF_CHARGE)


@settings(derandomize=True, deadline=None, database=None, max_examples=200)
@given(st.lists(st.sampled_from(MILD), max_size=6), st.sampled_from(FACTS))
def test_a_fact_more_never_gives_a_better_advice(
    before: list[Fact], more: tuple[Fact, Advice, Why, str]
) -> None:
    """Whatever is known already, and it is at least as bad as the fact alone."""
    situation = Situation()
    for fact in before:
        situation = fact(situation)
    was, is_now = situation.told().advice, more[0](situation).told().advice
    order = list(Advice)
    assert order.index(is_now) <= order.index(was)
    assert order.index(is_now) <= order.index(more[1])


@pytest.mark.parametrize("state", list(AlarmState))
@pytest.mark.parametrize("kind", [AlarmKind.COLD, AlarmKind.HOT, AlarmKind.OVER_CEILING])
def test_an_alarm_holds_whatever_a_person_did_with_it(kind: AlarmKind, state: AlarmState) -> None:
    """Acknowledged, shelved or out of service: what counts is the condition."""
    on = Situation(alarms=(warning(kind, state=state),))
    assert on.told().advice is Advice.HOLD
    off = Situation(alarms=(warning(kind, state=state, stage=0),))
    assert off.told().advice is Advice.RUN


@pytest.mark.parametrize(
    "kind",
    [AlarmKind.DEGRADATION, AlarmKind.UNSEEN, AlarmKind.BEFORE_READY, AlarmKind.POT_LIFE],
)
def test_other_alarms_are_no_reason_of_their_own(kind: AlarmKind) -> None:
    """What they are about is looked at itself."""
    assert Situation(alarms=(warning(kind),)).told().advice is Advice.RUN


@pytest.mark.parametrize("state", list(AlarmState))
def test_what_built_up_must_be_purged_until_it_is_reset(state: AlarmState) -> None:
    """A latched alarm asks for it as one that is on does."""
    is_latched = state in {AlarmState.LATCHED_ACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED}
    off = Situation(alarms=(warning(AlarmKind.BUILD_UP, state=state, stage=0),))
    assert (off.told().why is Why.BUILT_UP) == is_latched
    on = Situation(alarms=(warning(AlarmKind.BUILD_UP, state=state),))
    assert on.told().why is Why.BUILT_UP


@pytest.mark.parametrize("quality", [Quality.BAD, Quality.UNCERTAIN, Quality.MISSING])
@pytest.mark.parametrize("reason", list(Reason))
def test_a_sensor_is_to_be_checked_only_where_a_reading_arrived(
    quality: Quality, reason: Reason
) -> None:
    """All else is a matter of the data's way."""
    of_sensor = {
        Reason.STATUS,
        Reason.NULL,
        Reason.NOT_FINITE,
        Reason.FILL_VALUE,
        Reason.IMPLAUSIBLE,
        Reason.FROZEN,
        Reason.SLEW,
        Reason.TEN_TIMES_TOO_LARGE,
        Reason.TEN_TIMES_TOO_SMALL,
        Reason.LOOKS_LIKE_DEGF,
        Reason.LOOKS_LIKE_DEGC,
    }
    told = unseen("z", quality, reason)(Situation()).told()
    is_sensor = quality is not Quality.MISSING and reason in of_sensor
    assert told.advice is (Advice.CHECK_SENSOR if is_sensor else Advice.CHECK_DATA)
    assert told.zone == "z"


def test_a_broken_sensor_is_told_before_lost_data_of_another_zone() -> None:
    """In whichever order the zones stand."""
    lost = unseen("a", Quality.MISSING, Reason.NO_ANSWER)
    broken = unseen("b", Quality.BAD, Reason.STATUS)
    assert broken(lost(Situation())).told().zone == "b"


def test_a_zone_at_its_ceiling_is_not_above_it() -> None:
    """Only beyond counts, and only where it is seen."""
    assert with_zone("z", temp_c=CEILING_C)(Situation()).told().advice is Advice.RUN
    assert with_zone("z", temp_c=None)(Situation()).told().advice is Advice.RUN


def test_an_unknown_age_matters_only_to_a_material_with_a_pot_life() -> None:
    """Nothing could be said of it otherwise."""
    charge = replace(LIVING, state=ChargeState.AGE_UNKNOWN, pot_life_s=None)
    assert Situation(charge=charge).told() == AdviceSnapshot(Advice.RUN, Why.ALL_WELL)


@pytest.mark.parametrize("phase", [Phase.HEATING, Phase.RECOVERING, Phase.SOAKING])
def test_a_wait_for_warmth_tells_the_longest_forecast(phase: Phase) -> None:
    """Of all cores, since the last one decides."""
    zones = (
        zone("syringe", core=core(900.0), phase=phase),
        zone("tank", core=core(1800.0)),
        zone("hose", core=core(None)),
    )
    assert Situation(zones=zones).told().ready_in_s == 1800.0


@pytest.mark.parametrize("phase", [Phase.OFF, Phase.COOLING, Phase.SETBACK])
def test_a_wait_for_a_person_has_no_forecast(phase: Phase) -> None:
    """Nobody knows when heat will be wanted."""
    zones = (zone("syringe", core=core(900.0), phase=phase),)
    assert Situation(zones=zones).told().ready_in_s is None


@pytest.mark.parametrize("cores", [(), (core(None),), (core(0.0, is_soaked=True),)])
def test_a_wait_of_which_no_core_tells_has_no_forecast(cores: tuple[CoreSnapshot, ...]) -> None:
    """A charge that is warm says nothing about a nozzle that heats."""
    zones = (*(zone("syringe", core=one) for one in cores), zone("nozzle", phase=Phase.HEATING))
    told = Situation(zones=zones).told()
    assert told == AdviceSnapshot(Advice.WAIT, Why.HEATING, "nozzle", None)


def test_the_wait_that_takes_longest_to_end_is_told_first() -> None:
    """A zone that is off before one that soaks, and of two alike the first in flow order."""
    zones = (
        zone("a", phase=Phase.SOAKING),
        zone("b", phase=Phase.OFF),
        zone("c", phase=Phase.OFF),
    )
    told = Situation(zones=zones).told()
    assert (told.why, told.zone) == (Why.OFF, "b")


def test_an_acknowledged_cold_nozzle_is_still_a_hold() -> None:
    """Through the whole cell: acknowledging an alarm warms nothing."""
    plan = charged_cell(reservoir(), outlet(alarm(AlarmKind.COLD)))
    state = soaked(plan)
    cold = shift(HELD_C, nozzle_c=[120.0, 110.0, 108.0], dispensing=1.0, start_s=HOUR_S + 1.0)
    state, _ = run(plan, cold, state=state)
    assert shown(state, plan).advice == AdviceSnapshot(Advice.HOLD, Why.ZONE_COLD, "nozzle")
    said = entry(EntryKind.ACKNOWLEDGE, "lens_4/nozzle/cold", at_s=HOUR_S + 4.0)
    state, events = run(plan, said, state=state)
    assert events[1].detail("to") == "acknowledged"
    assert shown(state, plan).advice == AdviceSnapshot(Advice.HOLD, Why.ZONE_COLD, "nozzle")


def test_a_cell_that_warms_up_from_cold_is_off_then_heats_then_soaks() -> None:
    """The advice of a morning: what is waited for, then a forecast that runs down."""
    plan = charged_cell()
    state, _ = run(plan, shift(ROOM_C, setpoint_c=0.0, nozzle_setpoint_c=120.0, rows=5))
    assert shown(state, plan).advice == AdviceSnapshot(Advice.CHECK_DATA, Why.AGE_UNKNOWN)
    plan = charged_cell(charge=replace(plan.rules.charge, start_age_s=0.0))
    state, _ = run(plan, shift(ROOM_C, setpoint_c=0.0, rows=5))
    assert shown(state, plan).advice == AdviceSnapshot(Advice.WAIT, Why.OFF, "syringe")
    warm_up = shift([ROOM_C + 0.25 * n for n in range(348)], start_s=5.0)
    state, _ = run(plan, warm_up.rows(0, 100), state=state)
    assert shown(state, plan).advice.why is Why.HEATING
    waits = []
    state, _ = run(plan, warm_up.rows(100, 348), state=state)
    for start_s in (353.0, 553.0, 753.0):
        state, _ = run(plan, shift(HELD_C, start_s=start_s, rows=200), state=state)
        told = shown(state, plan).advice
        assert (told.why, told.zone) == (Why.SOAKING, "syringe")
        waits.append(told.ready_in_s)
    first_s, second_s, third_s = waits
    assert first_s is not None
    assert second_s is not None
    assert third_s is not None
    assert first_s - second_s == pytest.approx(200.0, abs=5.0)
    assert second_s - third_s == pytest.approx(200.0, abs=5.0)
