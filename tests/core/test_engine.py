"""The engine's promises as properties, and what a cell does with its own signals."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import astuple, fields, replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from support.account import dose_s, readings
from support.cells import (
    AGEING,
    AMBIENT,
    BUILD_UP,
    CEILING_C,
    CHARGE_ID,
    COLD,
    DISPENSING,
    HIGH_C,
    HOSE,
    HOT,
    LOW_C,
    MATERIAL,
    OUTPUT,
    PARTS,
    POT_LIFE_S,
    SETPOINT,
    SYRINGE,
    SYRINGE_OUTPUT,
    SYRINGE_SETPOINT,
    TEMPERATURE,
    UNSEEN,
    WIPED,
    Cells,
    alarm,
    alarm_story,
    block,
    cell,
    entry,
    full_cell,
    hose,
    instant,
    line,
    nozzle,
    of_kind,
    run,
    second,
    syringe,
    tank_cell,
    thermal_cell,
    zone,
)
from support.strategies import (
    DAY,
    DIPPED,
    WARMED_UP,
    Stretch,
    chaos,
    cut,
    only,
    stories,
    told,
    without_sight,
)
from watchedpot.core import engine, rates, soak
from watchedpot.core.dose import Dose, held_dose
from watchedpot.core.engine import CellPlan, CellState
from watchedpot.core.exposure import total
from watchedpot.core.model import (
    ARRAY_FIELDS,
    Block,
    Entry,
    EntryKind,
    Event,
    EventKind,
    Loading,
    Quality,
    join_blocks,
)
from watchedpot.core.rules import AlarmKind, ChargeRules, SoakRules
from watchedpot.core.snapshot import (
    Activity,
    Advice,
    AlarmState,
    CellSnapshot,
    ChargeState,
    Exposure,
    Phase,
    Why,
)
from watchedpot.core.units import NANO
from watchedpot.core.zone import ZoneState

FULL = full_cell()
CELLS = {"plain": FULL, "syringe": thermal_cell(), "tank": tank_cell()}
SAME = settings(derandomize=True, deadline=None, database=None, max_examples=30)
FEWER = settings(SAME, max_examples=10)

of_every_cell = pytest.mark.parametrize("which", CELLS)
with_a_charge = pytest.mark.parametrize("which", ["syringe", "tank"])


def two_sources(rows: Block) -> list[Block]:
    """The same rows as two sources serve them: temperatures here, the cell's signals there."""
    of_first = [n for n in rows.channels if n.endswith(("/temperature", "/output", "/ambient"))]
    rest = [name for name in rows.channels if name not in of_first]
    return [only(rows, of_first, "heat"), only(rows, rest, "plc")]


def row_by_row(rows: Block) -> list[Block]:
    """A block a row."""
    return [rows.rows(n, n + 1) for n in range(len(rows))]


def accounts(state: CellState) -> list[Exposure]:
    """Each zone's account over all activities."""
    return [total(zone_state.account) for zone_state in state.zones]


def without_resets(plan: CellPlan) -> CellPlan:
    """The same cell without the signals that take an index back."""
    return engine.plan_cell(replace(plan.rules, charge_id=None, wiped=None))


def seen_dose(dose: Dose) -> tuple[int, int]:
    """The part of a dose that was seen. [ns]."""
    return dose.low_ns - dose.low_blind_ns, dose.high_ns - dose.high_blind_ns


def signature(events: Sequence[Event]) -> str:
    """Events as text, so that equal means equal in every digit."""
    return "\n".join(map(repr, events))


def assert_same(
    plan: CellPlan, one: Sequence[Block | Entry], other: Sequence[Block | Entry]
) -> None:
    """Both ways give the same events and the same state."""
    state, events = run(plan, *one)
    again, pieced = run(plan, *other)
    assert signature(pieced) == signature(events)
    assert again == state


# What the stories are about


def reached(events: Sequence[Event]) -> set[str]:
    """What happened, in a few words each."""
    found = {event.kind.value for event in events}
    for event in events:
        if event.kind in {EventKind.PHASE_CHANGED, EventKind.CHARGE_STATE_CHANGED}:
            found.add(str(event.detail("to")))
        elif event.kind is EventKind.CHARGE_CHANGED:
            found.add(str(event.detail("how")))
        elif event.kind is EventKind.ALARM_CHANGED:
            found.add(f"alarm {event.detail('alarm')} {event.detail('input')}")
    return found


_OF_A_CHARGE = {
    *("heating", "soaking", "ready", "setback", "recovering", "cooling", "off"),
    *("near_limit", "spent", "overheated", "warming", "found", "air_moist", "air_dry", "wiped"),
    *("excursion_opened", "excursion_ended", "production_started", "production_stopped"),
    *(f"alarm {kind} on" for kind in ("unseen", "before_ready", "pot_life", "cold", "hot")),
    *("alarm build_up on", "alarm degradation on", "alarm hot worse", "alarm unseen off"),
    "alarm before_ready off",
}
REACHES = {
    "syringe": _OF_A_CHARGE | {"signal", "charge_suspected", "age_unknown", "in_life"},
    "tank": _OF_A_CHARGE | {"refill", "in_life"},
}
"""What the laws are to be proven over: a law that meets none of it would say nothing."""

OFTEN = {
    *("soaking", "recovering", "ready", "near_limit", "spent", "overheated", "setback"),
    *("alarm before_ready on", "alarm pot_life on", "alarm unseen on", "alarm cold on"),
    *("charge_suspected", "signal", "refill", "air_moist", "wiped"),
}
"""What stories must not only reach by chance."""


@pytest.mark.parametrize("which", REACHES)
def test_a_day_of_a_cell_brings_all_that_a_charge_can_live(which: str) -> None:
    """Every phase, every state of a charge and every alarm is reached by one fixed story."""
    plan = CELLS[which]
    _, events = run(plan, told(plan, DAY))
    assert REACHES[which] - reached(events) == set()


@pytest.mark.parametrize("which", REACHES)
def test_the_drawn_stories_reach_what_the_laws_are_about(which: str) -> None:
    """Each of what matters most in at least five of a hundred stories like those drawn there."""
    plan, counts = CELLS[which], Counter[str]()

    @settings(SAME, max_examples=100)
    @given(stories(plan))
    def tell(rows: Block) -> None:
        counts.update(reached(run(plan, rows)[1]))

    tell()
    assert {what for what in OFTEN & REACHES[which] if counts[what] < 5} == set()


# P1


@of_every_cell
@SAME
@given(st.data())
def test_no_sequence_of_readings_makes_it_raise(which: str, data: st.DataObject) -> None:
    """P1: any quality, nan, order and repeats give a state that can be shown and recorded."""
    plan = CELLS[which]
    blocks = data.draw(st.lists(chaos(plan), min_size=1, max_size=4))
    state, _ = run(plan, *blocks)
    taken = sum(sum(zone_state.readings) for zone_state in state.zones) / len(state.zones)
    assert taken + state.ignored_rows == sum(map(len, blocks))
    shown = engine.snapshot(state, plan)
    assert (shown is None) == (taken == 0)
    adapter = TypeAdapter(CellState)
    assert adapter.validate_json(adapter.dump_json(state)) == state


@of_every_cell
@FEWER
@given(st.data())
def test_a_story_leaves_a_state_that_can_be_shown_and_recorded(
    which: str, data: st.DataObject
) -> None:
    """P1: the same for what a cell may live, after each of its rows."""
    plan = CELLS[which]
    adapter, state = TypeAdapter(CellState), engine.start(plan)
    for rows in row_by_row(data.draw(stories(plan))):
        state, _ = engine.step(state, rows, plan)
        assert engine.snapshot(state, plan) is not None
        assert adapter.validate_json(adapter.dump_json(state)) == state
        assert engine.adopt(state, plan) == state


@of_every_cell
@SAME
@given(st.data())
def test_two_sources_in_any_order_never_make_it_raise(which: str, data: st.DataObject) -> None:
    """P1: the same when two sources come in turn, each with times of its own."""
    plan = CELLS[which]
    blocks = data.draw(st.lists(chaos(plan), min_size=1, max_size=4))
    state, _ = run(plan, *(part for rows in blocks for part in two_sources(rows)))
    assert all(account.blind_ns >= 0 for account in accounts(state))
    assert state.at is None or engine.snapshot(state, plan) is not None


# P2


@of_every_cell
@SAME
@given(st.data())
def test_cutting_a_series_changes_nothing(which: str, data: st.DataObject) -> None:
    """P2: step(a + b) is step(a) then step(b), states and events to the last digit."""
    plan = CELLS[which]
    whole = data.draw(stories(plan))
    assert_same(plan, [whole], data.draw(cut(whole)))


@of_every_cell
@FEWER
@given(st.data())
def test_row_by_row_is_the_same_as_at_once(which: str, data: st.DataObject) -> None:
    """P2: live operation, a row a step, against a replay in one block."""
    plan = CELLS[which]
    whole = data.draw(stories(plan))
    assert_same(plan, [whole], row_by_row(whole))


@of_every_cell
@pytest.mark.parametrize("rows_each", [1, 2, 3, 7, 20])
def test_a_day_is_the_same_in_pieces_of_any_length(which: str, rows_each: int) -> None:
    """P2: the fixed story in which all happens that can, also as two sources serve it."""
    plan = CELLS[which]
    whole = told(plan, DAY)
    starts = range(0, len(whole), rows_each)
    pieces = [whole.rows(n, min(n + rows_each, len(whole))) for n in starts]
    assert_same(plan, [whole], pieces)
    heat, plc = two_sources(whole)
    parts = [part for piece in pieces for part in two_sources(piece)]
    by_source = sorted(parts, key=lambda part: part.source == "heat")
    assert_same(plan, [plc, heat], by_source)


@of_every_cell
@SAME
@given(st.data())
def test_cutting_chaos_changes_nothing(which: str, data: st.DataObject) -> None:
    """P2: it holds for rows without any sense, late and repeated ones among them."""
    plan = CELLS[which]
    whole = data.draw(chaos(plan))
    assert_same(plan, [whole], data.draw(cut(whole)))


@of_every_cell
@SAME
@given(st.data())
def test_cutting_one_of_two_sources_changes_nothing(which: str, data: st.DataObject) -> None:
    """P2: it holds source by source, whatever the other one told before."""
    plan = CELLS[which]
    heat, plc = two_sources(data.draw(stories(plan)))
    assert_same(plan, [plc, heat], [*data.draw(cut(plc)), *data.draw(cut(heat))])


_LOADED = entry(EntryKind.CHARGE_LOADED, "", at_s=0.0, subject="b_2")
_SAID = st.sampled_from(
    (
        _LOADED,
        replace(_LOADED, loading=Loading(age_s=400.0)),
        replace(_LOADED, loading=Loading(mass_kg=0.2, is_refill=True)),
        entry(EntryKind.CHARGE_KEPT, "", at_s=0.0),
        entry(EntryKind.WIPED, "", at_s=0.0),
        entry(EntryKind.ACKNOWLEDGE, "/pot_life", at_s=0.0),
        entry(EntryKind.SHELVE, "/before_ready", at_s=0.0, duration_s=45.0),
    )
)


@of_every_cell
@SAME
@given(st.data())
def test_cutting_around_what_people_say_changes_nothing(which: str, data: st.DataObject) -> None:
    """P2: an entry between two rows cuts the series; further cuts beside it add nothing."""
    plan = CELLS[which]
    whole, said = data.draw(stories(plan)), data.draw(_SAID)
    at = data.draw(st.integers(1, len(whole)))
    before, after = whole.rows(0, at), whole.rows(at, len(whole))
    said = replace(
        said,
        target=plan.rules.id + said.target,
        at=instant(int(before.mono_ns[-1]) / NANO),
    )
    pieces: list[Block | Entry] = [*data.draw(cut(before)), said, *data.draw(cut(after))]
    assert_same(plan, [before, said, after], pieces)


def test_a_charge_number_with_a_fraction_is_the_same_charge_in_one_block_and_in_two() -> None:
    """P2: a controller that gives its charge number as 7.2 and 7.4 has loaded nothing."""
    plan = cell(zone(), charge_id=CHARGE_ID)
    rows = block({TEMPERATURE: [115.0, 115.0], CHARGE_ID: [7.2, 7.4]})
    _, at_once = run(plan, rows)
    _, in_two = run(plan, rows.rows(0, 1), rows.rows(1, 2))
    assert signature(at_once) == signature(in_two)


def test_a_dip_of_another_zone_that_begins_later_is_no_common_cause_in_one_block_either() -> None:
    """P2: what follows a dip says nothing about it, whether it is in the same block or not."""
    plan = CELLS["syringe"]
    alone = [*WARMED_UP, *DIPPED, Stretch(rows=3)]
    later = told(plan, [*alone, Stretch(rows=4, others_c=108.0), Stretch(rows=4)])
    _, at_once = run(plan, later)
    assert_same(plan, [later], row_by_row(later))
    assert len(of_kind(at_once, EventKind.CHARGE_SUSPECTED)) == 1
    together = [stretch._replace(others_c=stretch.reservoir_c) for stretch in alone]
    _, shared = run(plan, told(plan, together))
    assert not of_kind(shared, EventKind.CHARGE_SUSPECTED)


# P3 is a test of the whole daemon; P4 to P9 follow.


@of_every_cell
@SAME
@given(st.data())
def test_totals_never_fall_within_a_charge(which: str, data: st.DataObject) -> None:
    """P4: account and wear only grow until a charge is loaded or a nozzle wiped."""
    plan = without_resets(CELLS[which])
    state = engine.start(plan)
    for piece in data.draw(cut(data.draw(stories(plan)))):
        before = state
        state, _ = engine.step(state, piece, plan)
        for old, new in zip(before.zones, state.zones, strict=True):
            assert new.build_up_ns >= old.build_up_ns
            assert new.degradation_ns >= old.degradation_ns
            for was, is_now in zip(old.account, new.account, strict=True):
                for name in (field.name for field in fields(Exposure)):
                    assert getattr(is_now, name) >= getattr(was, name)


@with_a_charge
@SAME
@given(st.data())
def test_the_dose_never_falls_within_a_charge(which: str, data: st.DataObject) -> None:
    """P4: no part of it, whatever comes, until another charge is loaded or melt is added."""
    plan = CELLS[which]
    state = engine.start(plan)
    for rows in row_by_row(data.draw(st.one_of(stories(plan), chaos(plan)))):
        before = state
        state, events = engine.step(state, rows, plan)
        changes = of_kind(events, EventKind.CHARGE_CHANGED)
        if all(event.detail("how") == "found" for event in changes):
            was, is_now = before.zones[0].dose, state.zones[0].dose
            assert all(new >= old for old, new in zip(astuple(was), astuple(is_now), strict=True))
            for fact in ("is_near", "is_spent", "is_overheated", "is_heated", "is_soaked"):
                assert getattr(state.charge, fact) >= getattr(before.charge, fact)


@of_every_cell
@SAME
@given(st.data())
def test_no_reading_makes_a_total_anything_but_a_whole_number(
    which: str, data: st.DataObject
) -> None:
    """P4: nan and infinity on the wire leave every total an integer, none below zero."""
    plan = CELLS[which]
    state, _ = run(plan, *data.draw(st.lists(chaos(plan), min_size=1, max_size=3)))
    for zone_state in state.zones:
        numbers = [zone_state.build_up_ns, zone_state.degradation_ns, *astuple(zone_state.dose)]
        numbers += [
            getattr(part, field.name) for part in zone_state.account for field in fields(Exposure)
        ]
        assert all(type(number) is int and number >= 0 for number in numbers)


@of_every_cell
@SAME
@given(st.data())
def test_totals_add_up_over_neighbouring_stretches(which: str, data: st.DataObject) -> None:
    """P5: over A then B is over A and B, split at a sample that both share."""
    plan = without_resets(CELLS[which])
    whole = data.draw(stories(plan))
    at = data.draw(st.integers(1, len(whole)))
    together, _ = run(plan, whole)
    first, _ = run(plan, whole.rows(0, at))
    second_part, _ = run(plan, whole.rows(at - 1, len(whole)))
    sums = [a + b for a, b in zip(accounts(first), accounts(second_part), strict=True)]
    assert sums == accounts(together)
    for a, b, both in zip(first.zones, second_part.zones, together.zones, strict=True):
        assert a.degradation_ns + b.degradation_ns == both.degradation_ns


@with_a_charge
@SAME
@given(st.data())
def test_the_dose_adds_up_over_neighbouring_stretches(which: str, data: st.DataObject) -> None:
    """P5: of what is seen to the nanosecond; all of it where the shared sample is good."""
    plan = CELLS[which]
    charge = replace(plan.rules.charge, start_age_s=None)
    plan = without_resets(engine.plan_cell(replace(plan.rules, charge=charge)))
    whole = data.draw(stories(plan))
    at = data.draw(st.integers(1, len(whole)))
    together, first, second_part = (
        run(plan, rows)[0].zones[0].dose
        for rows in (whole, whole.rows(0, at), whole.rows(at - 1, len(whole)))
    )
    both = first + second_part
    assert seen_dose(both) == seen_dose(together)
    if (whole.quality[at - 1] == Quality.GOOD).all():
        assert both == together


_BETTER = {
    AlarmState.NORMAL.value,
    AlarmState.RETURNED_UNACKNOWLEDGED.value,
    AlarmState.LATCHED_UNACKNOWLEDGED.value,
    AlarmState.LATCHED_ACKNOWLEDGED.value,
    AlarmState.SUPPRESSED_BY_DESIGN.value,
}


def silence_after(rows: Block, gone_s: int) -> Block:
    """Rows in which nothing can be read, behind others."""
    start_s = int(rows.mono_ns[-1]) / NANO + 1.0
    return without_sight(block(dict.fromkeys(rows.channels, 0.0), start_s=start_s, rows=gone_s))


@of_every_cell
@SAME
@given(st.data(), st.integers(1, 40))
def test_readings_that_are_not_good_clear_and_complete_nothing(
    which: str, data: st.DataObject, gone_s: int
) -> None:
    """P6: while nothing good comes no alarm gets better, no phase or excursion changes."""
    plan = CELLS[which]
    rows = data.draw(stories(plan))
    state, _ = run(plan, rows)
    after, events = run(plan, silence_after(rows, gone_s), state=state)
    assert not of_kind(events, EventKind.PHASE_CHANGED)
    assert not of_kind(events, EventKind.EXCURSION_ENDED)
    assert not of_kind(events, EventKind.AIR_DRY)
    seen_ns = int(rows.mono_ns[-1])
    for event in of_kind(events, EventKind.ALARM_CHANGED):
        if event.at.mono_ns <= seen_ns:
            continue  # what the last row before the silence brought about
        is_better = event.detail("to") in _BETTER and event.detail("from") != event.detail("to")
        # A suppression ends at its time: from then on the alarm is shown again, not better.
        assert not is_better or event.detail("input") == "unsuppress"
        assert event.detail("input") not in {"off", "eased"}
    assert [z.phase for z in after.zones] == [z.phase for z in state.zones]
    assert [z.build_up_ns for z in after.zones] == [z.build_up_ns for z in state.zones]
    shown = engine.snapshot(after, plan)
    assert shown is not None
    assert {zone_shown.phase for zone_shown in shown.zones} == {Phase.UNKNOWN}


def coldest_axis_c(state: ZoneState, plan: CellPlan) -> float:
    """The axis by the slowest estimate; of a timer minus what it still asks for. [degC or ns]."""
    core, core_plan = state.core, plan.zones[0].core
    assert core is not None
    assert core_plan is not None
    if core_plan.model is None:
        return -float(core.owed_ns)
    return 23.0 if core.model is None else soak.now_c(core.model, core_plan.model).low_c


@with_a_charge
@SAME
@given(st.data(), st.integers(1, 600))
def test_silence_warms_no_core_and_stops_no_dose(
    which: str, data: st.DataObject, gone_s: int
) -> None:
    """P6: no soak is completed by what is not seen; a hot charge goes on ageing in it.

    The moment after the last row is where everything that was seen has been counted: behind
    it the core is no warmer, and when it is seen again no warmer either.
    """
    plan = CELLS[which]
    rows = data.draw(stories(plan))
    state, _ = run(plan, rows)
    seen, _ = run(plan, silence_after(rows, 1), state=state)
    gone, _ = run(plan, silence_after(rows, gone_s + 1), state=state)
    back, _ = run(
        plan,
        block(
            dict.fromkeys((plan.rules.zones[0].temperature,), 115.0),
            start_s=int(rows.mono_ns[-1]) / NANO + gone_s + 2.0,
        ),
        state=gone,
    )
    was, is_now, again = seen.zones[0], gone.zones[0], back.zones[0]
    assert is_now.core == was.core
    assert coldest_axis_c(again, plan) <= coldest_axis_c(was, plan) + 1e-9
    core_before, core_after = was.core, is_now.core
    assert core_before is not None
    assert core_after is not None
    assert core_after.is_soaked == core_before.is_soaked
    for old, new in zip(astuple(was.dose), astuple(is_now.dose), strict=True):
        assert new >= old
    assert seen_dose(is_now.dose) == seen_dose(was.dose)
    if state.zones[0].last_good_c is not None and state.zones[0].last_good_c >= 60.0:
        assert is_now.dose.low_ns > was.dose.low_ns
        assert is_now.dose.high_ns > was.dose.high_ns


@of_every_cell
@SAME
@given(st.data())
def test_every_elapsed_nanosecond_is_in_one_place(which: str, data: st.DataObject) -> None:
    """P7: below + inside + above + blind is the time from the first row to the newest."""
    plan = CELLS[which]
    whole = data.draw(stories(plan))
    for state in (run(plan, whole)[0], run(plan, *data.draw(cut(whole)))[0]):
        for account in accounts(state):
            parts = account.below_ns, account.inside_ns, account.above_ns, account.blind_ns
            assert min(parts) >= 0
            assert sum(parts) == account.elapsed_ns == int(whole.mono_ns[-1] - whole.mono_ns[0])
            assert 0.0 <= account.coverage <= 1.0


@of_every_cell
@SAME
@given(st.data())
def test_nothing_is_credited_after_the_last_sample(which: str, data: st.DataObject) -> None:
    """P7: a long silence behind the last good row is blind, every nanosecond of it."""
    plan = CELLS[which]
    rows = data.draw(stories(plan))
    state, _ = run(plan, rows)
    late_s = int(rows.mono_ns[-1]) / NANO + 3600.0
    late = block({z.temperature: None for z in plan.rules.zones}, start_s=late_s)
    after, _ = run(plan, late, state=state)
    passed_ns = int(late.mono_ns[0] - rows.mono_ns[-1])
    for old, new in zip(accounts(state), accounts(after), strict=True):
        assert new.seen_ns == old.seen_ns
        assert new.blind_ns - old.blind_ns == passed_ns
    for old_zone, new_zone in zip(state.zones, after.zones, strict=True):
        assert seen_dose(new_zone.dose) == seen_dose(old_zone.dose)


@SAME
@given(
    st.lists(st.floats(120.0, 140.0), min_size=2, max_size=20),
    st.floats(0.1, 3.0),
)
def test_degradation_lies_between_its_rates_at_the_coldest_and_hottest(
    temps_c: list[float], period_s: float
) -> None:
    """P8: for lo <= T <= hi it is no less than rate(lo) t and no more than rate(hi) t."""
    state, _ = run(cell(zone()), nozzle(temps_c, period_s=period_s))
    bounds_c = np.array([min(temps_c), max(temps_c)])
    account = accounts(state)[0]
    coldest, hottest = rates.arrhenius(bounds_c, ref_c=HIGH_C, ea_j_per_mol=80e3) * account.seen_ns
    # A line that touches the edge from above has no time on it; each step rounds to 1 ns.
    assert state.zones[0].degradation_ns <= hottest + len(temps_c)
    if min(temps_c) > HIGH_C:
        assert state.zones[0].degradation_ns >= coldest - len(temps_c)


@SAME
@given(
    st.lists(st.floats(80.0, 109.9), min_size=2, max_size=20),
    st.floats(0.1, 3.0),
)
def test_build_up_lies_between_its_rates_at_the_warmest_and_coldest(
    temps_c: list[float], period_s: float
) -> None:
    """P8: the same for the viscosity excess of a cold nozzle."""
    state, _ = run(cell(zone()), nozzle(temps_c, period_s=period_s))
    bounds_c = np.array([max(temps_c), min(temps_c)])
    warmest, coldest = (
        rates.arrhenius(bounds_c, ref_c=LOW_C, ea_j_per_mol=-50e3) - 1.0
    ) * accounts(state)[0].seen_ns
    assert warmest - len(temps_c) <= state.zones[0].build_up_ns <= coldest + len(temps_c)


@SAME
@given(
    st.lists(st.floats(41.0, 160.0), min_size=2, max_size=20),
    st.floats(0.1, 60.0),
)
def test_the_dose_lies_between_its_rates_at_the_coldest_and_hottest(
    temps_c: list[float], period_s: float
) -> None:
    """P8: the same for the age of a charge by either bound; no more than at the ceiling."""
    state, _ = run(cell(syringe()), block({SYRINGE: temps_c}, period_s=period_s))
    ageing = AGEING.ageing
    assert ageing is not None
    aged, seen_ns = state.zones[0].dose, accounts(state)[0].seen_ns
    least, most = (
        held_dose(bound_c, seen_ns, ageing, ceiling_c=CEILING_C)
        for bound_c in (min(temps_c), max(temps_c))
    )
    for low, dose_ns, high in zip(least, (aged.low_ns, aged.high_ns), most, strict=True):
        # A step is good to a billionth, and rounds to 1 ns.
        assert low * (1.0 - 1e-8) - len(temps_c) <= dose_ns <= high * (1.0 + 1e-8) + len(temps_c)
    assert (aged.low_blind_ns, aged.high_blind_ns) == (0, 0)


@with_a_charge
@SAME
@given(st.data())
def test_the_dose_is_what_another_quadrature_makes_of_the_readings(
    which: str, data: st.DataObject
) -> None:
    """P8: to a millionth, with all that was not seen."""
    rules = CELLS[which].rules
    of_charge = rules.zones[0]
    plan = without_resets(
        engine.plan_cell(replace(rules, charge=replace(rules.charge, start_age_s=None)))
    )
    rows = data.draw(stories(plan))
    ageing = of_charge.material.ageing
    assert ageing is not None
    assert of_charge.setpoint is not None
    expected_s = dose_s(
        readings([rows], of_charge.temperature),
        readings([rows], of_charge.setpoint),
        ageing,
        ceiling_c=CEILING_C,
        max_gap_s=of_charge.max_gap_s,
    )
    aged = run(plan, rows)[0].zones[0].dose
    assert (aged.low_ns / NANO, aged.high_ns / NANO) == pytest.approx(
        expected_s, rel=1e-6, abs=1e-6
    )


@SAME
@given(
    st.lists(st.one_of(st.none(), st.floats(-20.0, 160.0)), min_size=2, max_size=20),
    st.floats(1.0, 60.0),
)
def test_a_core_lies_between_its_start_and_what_its_wall_has_been(
    temps_c: list[float | None], period_s: float
) -> None:
    """P8: by every estimate, to the tenth of a kelvin that the model is good to."""
    plan = cell(syringe())
    state, _ = run(plan, block({SYRINGE: temps_c}, period_s=period_s))
    core, core_plan = state.zones[0].core, plan.zones[0].core
    seen_c = [temp_c for temp_c in temps_c if temp_c is not None]
    assert core is not None
    assert core_plan is not None
    assert core_plan.model is not None
    assert (core.model is None) == (not seen_c)
    if core.model is not None:
        now = soak.now_c(core.model, core_plan.model)
        for temp_c in (now.low_c, now.best_c, now.high_c, now.mean_c):
            assert min(23.0, *seen_c) - 0.1 <= temp_c <= max(23.0, *seen_c) + 0.1


@SAME
@given(
    st.lists(
        st.tuples(st.floats(23.0, 160.0), st.booleans(), st.floats(0.0, 23.0)),
        min_size=1,
        max_size=10,
    )
)
def test_a_tip_lies_between_its_room_and_its_block(rows: list[tuple[float, bool, float]]) -> None:
    """P8: with flow or without, by geometry."""
    plan = CELLS["syringe"]
    for n, (block_c, flows, room_c) in enumerate(rows):
        shown = block({TEMPERATURE: block_c, DISPENSING: float(flows), AMBIENT: room_c})
        tip_c = run(plan, shown)[0].zones[1].tip_c
        assert room_c <= tip_c <= block_c, n


@of_every_cell
@SAME
@given(st.data())
def test_step_changes_nothing_it_was_given(which: str, data: st.DataObject) -> None:
    """P9: read-only arrays do, and the state before is the same afterwards."""
    plan = CELLS[which]
    one = st.one_of(chaos(plan), stories(plan))
    state, planned = engine.start(plan), repr(plan)
    for rows in data.draw(st.lists(one, min_size=1, max_size=3)):
        for name in ARRAY_FIELDS:
            getattr(rows, name).flags.writeable = False
        copies = {name: getattr(rows, name).copy() for name in ARRAY_FIELDS}
        before, looked = repr(state), hash(state)
        after, _ = engine.step(state, rows, plan)
        assert repr(state) == before
        assert hash(state) == looked
        for name, copy in copies.items():
            np.testing.assert_array_equal(getattr(rows, name), copy)
        state = after
    assert repr(plan) == planned


# What a cell does with its own signals


def test_late_and_repeated_rows_are_dropped_and_counted() -> None:
    """A row that is not later than all before it says nothing new, in one block or in two."""
    plan = cell(zone())
    late = nozzle([115.0, 150.0, 150.0, 115.0], at_s=[0.0, -1.0, 0.0, 1.0])
    state, events = run(plan, late, nozzle([150.0], at_s=[1.0]))
    assert state.ignored_rows == 3
    assert not of_kind(events, EventKind.EXCURSION_OPENED)
    assert accounts(state)[0] == Exposure(inside_ns=NANO)


def test_each_source_has_an_order_of_its_own() -> None:
    """A row is late only against rows of its own source."""
    plan = cell(zone())
    state, _ = run(
        plan,
        block({DISPENSING: [1.0]}, start_s=10.0, source="plc"),
        block({TEMPERATURE: [115.0, 115.0]}, start_s=5.0, source="heat"),
    )
    assert state.ignored_rows == 0
    assert dict(state.rows) == {"plc": 10 * NANO, "heat": 6 * NANO}


def test_an_empty_block_changes_nothing() -> None:
    """No rows, no state, no events; not even a cell that has begun."""
    plan = cell(zone())
    state, events = run(plan, nozzle([115.0]).rows(0, 0))
    assert state == engine.start(plan)
    assert not events
    assert engine.snapshot(state, plan) is None


def test_production_starts_with_the_melt_and_stops_a_hold_after_it() -> None:
    """Each is told once, with the parts counter of its row."""
    plan = cell(zone(), production_hold_s=5.0, parts=PARTS)
    flows = [0.0] * 3 + [1.0] * 4 + [0.0] * 10
    rows = block({TEMPERATURE: 115.0, DISPENSING: flows, PARTS: list(map(float, range(17)))})
    _, events = run(plan, rows)
    started = of_kind(events, EventKind.PRODUCTION_STARTED)
    stopped = of_kind(events, EventKind.PRODUCTION_STOPPED)
    assert [(second(e), e.detail("parts")) for e in started] == [(3.0, 3)]
    assert [(second(e), e.detail("parts")) for e in stopped] == [(12.0, 12)]


def test_production_that_stops_while_only_temperatures_come_is_told_all_the_same() -> None:
    """Every start has its stop, whichever source brings the row that ends the hold."""
    plan = cell(zone(), production_hold_s=5.0)
    _, events = run(
        plan,
        block({DISPENSING: [1.0]}, source="plc"),
        block({TEMPERATURE: [115.0] * 11}, start_s=0.5, source="heat"),
        block({DISPENSING: [0.0]}, start_s=12.0, source="plc"),
    )
    assert len(of_kind(events, EventKind.PRODUCTION_STARTED)) == 1
    assert len(of_kind(events, EventKind.PRODUCTION_STOPPED)) == 1


def test_a_cell_without_a_dispensing_signal_counts_as_producing() -> None:
    """A cold nozzle alarms there; whether production runs is shown as not known."""
    plan = cell(zone(alarm(AlarmKind.COLD)), dispensing=None)
    state, events = run(plan, block({TEMPERATURE: [115.0, 115.0, 105.0], SETPOINT: 115.0}))
    assert [to for _, to in alarm_story(events, AlarmKind.COLD)][-1] == "unacknowledged"
    shown = engine.snapshot(state, plan)
    assert shown is not None
    assert shown.is_in_production is None
    assert shown.is_dispensing is None
    assert state.zones[0].build_up_ns == 0
    ready = shown.zones[0].exposure[Activity.READY_IDLE]
    assert ready.elapsed_ns == 2 * NANO


def test_a_lost_dispensing_signal_is_believed_for_its_hold_and_then_unknown() -> None:
    """Behind the hold time goes to the activity that says so, and builds nothing up."""
    plan = cell(zone(), gate_hold_s=2.0)
    flows = [1.0, *[None] * 9]
    state, _ = run(plan, nozzle([105.0] * 10, dispensing=flows))
    shown = engine.snapshot(state, plan)
    assert shown is not None
    assert shown.is_dispensing is None
    of = shown.zones[0].exposure
    assert of[Activity.DISPENSING].elapsed_ns == 3 * NANO
    assert of[Activity.UNKNOWN].elapsed_ns == 6 * NANO


def test_a_wipe_is_seen_where_the_signal_rises() -> None:
    """Build-up is taken back at that row and begins again behind it."""
    plan = cell(zone(), wiped=WIPED)
    rows = block(
        {TEMPERATURE: 105.0, SETPOINT: 115.0, DISPENSING: 1.0, WIPED: [0.0] * 5 + [1.0] * 6}
    )
    until_wipe, _ = run(plan, rows.rows(0, 5))
    state, events = run(plan, rows)
    (wiped,) = of_kind(events, EventKind.WIPED)
    assert second(wiped) == 5.0
    one_second_ns = until_wipe.zones[0].build_up_ns // 4
    assert state.zones[0].build_up_ns == 5 * one_second_ns
    assert wiped.detail("build_up_s") == pytest.approx(5 * one_second_ns / NANO, abs=1e-9)


@pytest.mark.parametrize("before", [[], [None]])
def test_a_wipe_signal_that_is_up_when_first_seen_is_no_wipe(before: list[float | None]) -> None:
    """A gap begins nothing: only seen down, then seen up, is a wipe."""
    plan = cell(zone(), wiped=WIPED)
    _, events = run(plan, block({TEMPERATURE: 115.0, WIPED: [*before, 1.0, 1.0]}))
    assert not of_kind(events, EventKind.WIPED)


def test_a_charge_change_takes_its_degradation_with_it() -> None:
    """0 is no name: a controller that restarts with the same charge has loaded nothing."""
    plan = cell(
        zone(alarm(AlarmKind.DEGRADATION, limit_s=3.0, is_latching=True)), charge_id=CHARGE_ID
    )
    charges = [7.0] * 10 + [0.0] * 3 + [7.0] * 3 + [8.0] * 2
    rows = block({TEMPERATURE: 121.0, SETPOINT: 115.0, CHARGE_ID: charges})
    state, events = run(plan, rows)
    changes = of_kind(events, EventKind.CHARGE_CHANGED)
    told_of = ("charge_id", "previous", "how")
    assert [(second(e), *map(e.detail, told_of)) for e in changes] == [
        (0.0, "7", None, "found"),
        (16.0, "8", "7", "signal"),
    ]
    assert state.charge.id == "8"
    assert state.zones[0].degradation_ns == pytest.approx(1.066 * NANO, rel=0.01)
    story = alarm_story(events, AlarmKind.DEGRADATION)
    assert [to for _, to in story] == [
        "unacknowledged",
        "latched_unacknowledged",
        "returned_unacknowledged",
    ]
    assert [at for at, _ in story][1:] == [16.0, 16.0]


def test_a_charge_that_is_first_named_late_was_there_all_the_time() -> None:
    """It is found, not loaded: nothing is taken back, and nobody knows how old it was."""
    plan = cell(zone(), charge_id=CHARGE_ID)
    charges = [0.0] * 10 + [7.0] * 10
    state, events = run(plan, block({TEMPERATURE: 125.0, SETPOINT: 115.0, CHARGE_ID: charges}))
    (found,) = of_kind(events, EventKind.CHARGE_CHANGED)
    assert (second(found), found.detail("how"), found.detail("age_s")) == (10.0, "found", None)
    assert (state.charge.id, state.charge.loaded, state.charge.state) == (
        "7",
        None,
        ChargeState.AGE_UNKNOWN,
    )
    alike, _ = run(plan, block({TEMPERATURE: [125.0] * 20, SETPOINT: 115.0}))
    assert state.zones[0].degradation_ns == alike.zones[0].degradation_ns > 0


def test_a_cell_that_is_told_how_old_its_charge_is_counts_on_from_there() -> None:
    """The age of the charge that is there when the account begins."""
    plan = cell(syringe(), charge_id=CHARGE_ID, charge=ChargeRules(start_age_s=400.0))
    rows = block({SYRINGE: [115.0] * 101, SYRINGE_SETPOINT: 115.0, CHARGE_ID: 7.0})
    state, _ = run(plan, rows)
    shown = engine.snapshot(state, plan)
    assert shown is not None
    assert (shown.charge.dose_low_s, shown.charge.dose_high_s) == (500.0, 500.0)
    assert shown.charge.is_age_known
    assert shown.charge.state is ChargeState.NEAR_LIMIT


def test_a_pack_that_was_said_to_be_loaded_explains_its_own_dip() -> None:
    """The wall dips because of the charge that was named: that is no sign of another one."""
    plan = cell(syringe(soak=None), charge_id=CHARGE_ID)
    temps = [115.0] * 20 + [111.0] * 40 + [115.0] * 5
    shown: dict[str, Cells] = {
        SYRINGE: temps,
        SYRINGE_SETPOINT: 115.0,
        SYRINGE_OUTPUT: [30.0] * 20 + [100.0] * 45,
        DISPENSING: 0.0,
    }
    for named_at, is_suspected in ((15, False), (25, False), (65, True)):
        charges = [7.0] * named_at + [8.0] * (65 - named_at)
        _, events = run(plan, block(shown | {CHARGE_ID: charges}))
        assert bool(of_kind(events, EventKind.CHARGE_SUSPECTED)) is is_suspected


def test_a_charge_is_marked_overheated_once_and_a_new_one_is_not() -> None:
    """However often the ceiling is passed; loading another charge takes the mark away."""
    plan = cell(zone())
    over = line((0, 115.0), (5, 145.0), (10, 115.0), (15, 145.0), (20, 115.0))
    state, events = run(plan, nozzle(over))
    marks = of_kind(events, EventKind.CHARGE_OVERHEATED)
    assert [second(e) for e in marks] == [pytest.approx(25 / 6, abs=1e-9)]
    assert state.charge.is_overheated
    load = entry(EntryKind.CHARGE_LOADED, "lens_4", at_s=21.0, subject="b_2")
    state, events = run(plan, load, state=state)
    assert not state.charge.is_overheated
    assert of_kind(events, EventKind.CHARGE_CHANGED)[0].detail("charge_id") == "b_2"


def test_a_charge_loaded_while_the_zone_is_over_the_ceiling_is_overheated_too() -> None:
    """The new charge meets the same heat: the first good reading says so again."""
    plan = cell(zone())
    state, _ = run(plan, nozzle([115.0, 145.0, 145.0]))
    load = entry(EntryKind.CHARGE_LOADED, "lens_4", at_s=2.5, subject="b_2")
    state, _ = run(plan, load, nozzle([145.0] * 5, start_s=3.0), state=state)
    assert state.charge.id == "b_2"
    assert state.charge.is_overheated


# The alarm that a zone is not seen


def test_zones_not_seen_for_one_cause_are_one_alarm() -> None:
    """Both zones go with their source: one alarm of the cell, dated from the last good row."""
    unseen = alarm(AlarmKind.UNSEEN, on_delay_s=5.0, off_delay_s=2.0, deadband_k=0.0)
    plan = cell(zone(), hose(), alarms=(unseen,))
    temps = [115.0] * 11 + [None] * 10 + [115.0] * 5
    state, events = run(plan, block({TEMPERATURE: temps, HOSE: temps}))
    story = alarm_story(events, AlarmKind.UNSEEN)
    assert story == [(15.0, "unacknowledged"), (23.0, "returned_unacknowledged")]
    raised, cleared = of_kind(events, EventKind.ALARM_CHANGED)
    assert raised.detail("zones") == "hose nozzle"
    assert raised.detail("onset_ns") == 10 * NANO
    assert cleared.detail("zones") == ""
    assert state.unseen_zones == ()


def test_a_cell_that_never_sees_a_zone_alarms_from_its_first_row() -> None:
    """The account opens with the first row; nothing good after it is worth the alarm."""
    unseen = alarm(AlarmKind.UNSEEN, on_delay_s=5.0)
    _, events = run(cell(zone(), alarms=(unseen,)), nozzle([None] * 10))
    assert alarm_story(events, AlarmKind.UNSEEN) == [(5.0, "unacknowledged")]


def test_a_cell_without_that_alarm_still_knows_which_zones_it_does_not_see() -> None:
    """The names are kept for the day the alarm is configured."""
    state, events = run(cell(zone(), hose()), nozzle([115.0, None]))
    assert state.unseen_zones == ("hose", "nozzle")
    assert state.tracks == ()
    assert not of_kind(events, EventKind.ALARM_CHANGED)


# What people say

WITH_ALARMS = cell(
    zone(
        alarm(AlarmKind.HOT, deadband_k=0.0),
        alarm(AlarmKind.BUILD_UP, limit_s=1.0, is_latching=True, deadband_k=0.0),
    ),
    hose(),
    alarms=(alarm(AlarmKind.UNSEEN),),
)


def hot_state() -> CellState:
    """A cell whose nozzle has alarmed hot and is still too hot."""
    return run(WITH_ALARMS, nozzle([115.0, 125.0, 125.0]))[0]


def hot_alarm(state: CellState) -> AlarmState:
    """State of the nozzle's hot alarm."""
    return state.zones[0].tracks[0].alarm.state


def test_an_acknowledgement_is_recorded_with_who_and_why() -> None:
    """A person's input comes back as the event of its alarm."""
    said = entry(EntryKind.ACKNOWLEDGE, HOT, at_s=3.0, why="fan is off")
    state, (_, event) = run(WITH_ALARMS, said, state=hot_state())
    assert hot_alarm(state) is AlarmState.ACKNOWLEDGED
    assert event.kind is EventKind.ALARM_CHANGED
    assert (event.detail("who"), event.detail("why")) == ("operator", "fan is off")
    assert event.at == instant(3.0)


@pytest.mark.parametrize(
    ("kind", "after"),
    [
        (EntryKind.SHELVE, AlarmState.SHELVED),
        (EntryKind.TAKE_OUT_OF_SERVICE, AlarmState.OUT_OF_SERVICE),
    ],
)
def test_a_person_can_put_an_alarm_aside_and_take_it_back(
    kind: EntryKind, after: AlarmState
) -> None:
    """Taken back, the condition of that moment decides: still hot is unacknowledged."""
    back = {
        EntryKind.SHELVE: EntryKind.UNSHELVE,
        EntryKind.TAKE_OUT_OF_SERVICE: EntryKind.RETURN_TO_SERVICE,
    }[kind]
    aside, _ = run(WITH_ALARMS, entry(kind, HOT, at_s=3.0, duration_s=600.0), state=hot_state())
    assert hot_alarm(aside) is after
    again, _ = run(WITH_ALARMS, entry(back, HOT, at_s=4.0), state=aside)
    assert hot_alarm(again) is AlarmState.UNACKNOWLEDGED


def test_the_alarm_of_the_cell_takes_inputs_too() -> None:
    """It is named by cell and kind, without a zone."""
    said = entry(EntryKind.ACKNOWLEDGE, UNSEEN, at_s=3.0)
    state, (_, event) = run(WITH_ALARMS, said, state=hot_state())
    assert [track.alarm.state for track in state.tracks] == [AlarmState.ACKNOWLEDGED]
    assert event.zone == ""


@pytest.mark.parametrize(
    ("said", "why"),
    [
        (entry(EntryKind.ACKNOWLEDGE, BUILD_UP, at_s=3.0), "the alarm is normal"),
        (
            entry(EntryKind.SHELVE, HOT, at_s=3.0),
            "this alarm is shelved for more than 0 and at most 480 min",
        ),
        (entry(EntryKind.RESET, COLD, at_s=3.0), "the cell has no such alarm"),
        (entry(EntryKind.RESET, "housing_7/nozzle/hot", at_s=3.0), "the cell has no such thing"),
        (entry(EntryKind.WIPED, "lens_4/hose", at_s=3.0), "the cell has no such thing"),
        (entry(EntryKind.WIPED, "lens_4/tank", at_s=3.0), "the cell has no such thing"),
        (entry(EntryKind.CHARGE_LOADED, "lens_4", at_s=3.0), "the charge has no id"),
        (
            entry(EntryKind.CHARGE_LOADED, "lens_4/nozzle", at_s=3.0, subject="b"),
            "the cell has no such thing",
        ),
    ],
    ids=lambda value: value.kind.value if isinstance(value, Entry) else "",
)
def test_an_entry_that_makes_no_sense_is_refused_with_a_reason(said: Entry, why: str) -> None:
    """The state stays; the person is told by an event."""
    before = hot_state()
    state, (event,) = run(WITH_ALARMS, said, state=before)
    assert state == before
    assert event.kind is EventKind.ENTRY_REFUSED
    assert event.detail("why") == why
    assert (event.detail("entry"), event.detail("target")) == (said.kind.value, said.target)


def test_a_wipe_that_a_person_tells_takes_the_build_up_back() -> None:
    """Of the named nozzle, or of every nozzle of the cell; its latched alarm is reset."""
    rows = nozzle(line((0, 115.0), (2, 100.0), (30, 100.0)))
    full, _ = run(WITH_ALARMS, rows)
    assert full.zones[0].build_up_ns > NANO
    for target in ("lens_4", "lens_4/nozzle"):
        said = entry(EntryKind.WIPED, target, at_s=31.0)
        state, events = run(WITH_ALARMS, said, state=full)
        assert state.zones[0].build_up_ns == 0
        (wiped,) = of_kind(events, EventKind.WIPED)
        assert wiped.detail("who") == "operator"
        assert [to for _, to in alarm_story(events, AlarmKind.BUILD_UP)] == [
            "latched_unacknowledged",
            "returned_unacknowledged",
        ]


def test_a_wipe_in_a_cell_without_a_nozzle_is_refused() -> None:
    """Nothing was wiped, and the person learns it."""
    plan = cell(hose())
    _, events = run(plan, entry(EntryKind.WIPED, "lens_4", at_s=1.0))
    assert [event.kind for event in events] == [EventKind.ENTRY_REFUSED]


# Another configuration


def test_a_state_under_the_same_configuration_goes_on_unchanged() -> None:
    """Adopting what one has is the identity."""
    state = hot_state()
    assert engine.adopt(state, WITH_ALARMS) == state


def test_a_state_under_another_configuration_keeps_what_is_still_there() -> None:
    """Known zones and alarms go on, new ones start, others are forgotten."""
    state = hot_state()
    plan = cell(
        zone(alarm(AlarmKind.COLD), alarm(AlarmKind.HOT)),
        hose(id="tank"),
        alarms=(alarm(AlarmKind.UNSEEN),),
    )
    adopted = engine.adopt(state, plan)
    assert [z.id for z in adopted.zones] == ["nozzle", "tank"]
    assert adopted.zones[0].account == state.zones[0].account
    assert [track.id for track in adopted.zones[0].tracks] == [COLD, HOT]
    assert adopted.zones[0].tracks[1] == state.zones[0].tracks[0]
    assert adopted.tracks == state.tracks
    assert adopted.unseen_zones == ("tank",)
    assert adopted.zones[1] == engine.start(plan).zones[1]


def test_a_timer_that_ran_out_with_the_last_row_in_sight_goes_on_as_it_was() -> None:
    """Its core counts as warm with the next good row, before a restart or behind one."""
    plan = cell(syringe(soak=SoakRules(ready_c=LOW_C, timer_s=123.0)))
    temps = [115.0] * 125 + [None] * 5
    state, _ = run(plan, block({SYRINGE: temps, SYRINGE_SETPOINT: 115.0}))
    core = state.zones[0].core
    assert core is not None
    assert (core.is_soaked, core.owed_ns) == (False, 0)
    assert engine.adopt(state, plan) == state


def test_an_alarm_that_got_a_second_stage_starts_anew() -> None:
    """Its delays no longer fit."""
    plan = cell(zone(alarm(AlarmKind.HOT), alarm(AlarmKind.OVER_CEILING)))
    adopted = engine.adopt(hot_state(), plan)
    assert adopted.zones[0].tracks == engine.start(plan).zones[0].tracks
    assert adopted.tracks == ()


def test_a_moved_window_dates_no_crossing_into_the_future() -> None:
    """The next row is judged by the new edges, though no line between the rows crosses them."""
    state, _ = run(cell(zone()), nozzle([115.0, 115.0], setpoint_c=118.0))
    plan = cell(zone(low_c=117.0))
    adopted = engine.adopt(state, plan)
    after, events = run(plan, nozzle([115.5, 115.5], start_s=2.0, setpoint_c=118.0), state=adopted)
    assert after.zones[0].is_below
    (opened,) = of_kind(events, EventKind.EXCURSION_OPENED)
    assert 1.0 <= second(opened) <= 2.0


def test_a_moved_window_over_a_level_line_does_not_raise() -> None:
    """The same when the temperature has not moved at all."""
    state, _ = run(cell(zone()), nozzle([115.0, 115.0]))
    plan = cell(zone(low_c=117.0))
    after, _ = run(plan, nozzle([115.0], start_s=2.0), state=engine.adopt(state, plan))
    assert after.zones[0].is_below


# What the outputs are shown


def test_the_snapshot_shows_each_signal_while_it_is_fresh() -> None:
    """Numbers of the newest row; the signals of the cell only within their hold."""
    plan = cell(
        zone(output=OUTPUT, alarms=(alarm(AlarmKind.HOT),)),
        parts=PARTS,
        ambient=AMBIENT,
        gate_hold_s=3.0,
        alarms=(alarm(AlarmKind.UNSEEN),),
    )
    signals = {TEMPERATURE: 115.5, SETPOINT: 115.0, OUTPUT: 22.0, DISPENSING: 1.0}
    rows = block({**signals, PARTS: 41.0, AMBIENT: 23.5}, rows=2)
    state, _ = run(plan, rows)
    shown = engine.snapshot(state, plan)
    assert shown is not None
    assert (shown.is_dispensing, shown.is_in_production) == (True, True)
    assert (shown.parts, shown.ambient_c, shown.at) == (41, 23.5, instant(1.0))
    zone_shown = shown.zones[0]
    assert (zone_shown.temp_c, zone_shown.setpoint_c, zone_shown.output_percent) == (
        115.5,
        115.0,
        22.0,
    )
    assert [a.id for a in shown.alarms] == [HOT, UNSEEN]
    late, _ = run(plan, block({TEMPERATURE: [115.5]}, start_s=10.0), state=state)
    shown = engine.snapshot(late, plan)
    assert shown is not None
    assert (shown.is_dispensing, shown.parts, shown.ambient_c) == (None, None, None)
    assert (shown.zones[0].setpoint_c, shown.zones[0].output_percent) == (None, None)


def lived(which: str, *stretches: Stretch) -> CellSnapshot:
    """A cell with a charge after some stretches, as it is shown."""
    plan = CELLS[which]
    shown = engine.snapshot(run(plan, told(plan, stretches))[0], plan)
    assert shown is not None
    return shown


def test_the_snapshot_shows_the_charge_with_its_outlook() -> None:
    """Eight minutes of dispensing 30 mg/s from a full tank, at the reference temperature."""
    shown = lived("tank", Stretch(rows=1), Stretch(rows=48, is_flowing=True))
    charge = shown.charge
    assert (charge.id, charge.loaded, charge.is_age_known) == ("7", None, True)
    assert charge.state is ChargeState.NEAR_LIMIT
    assert charge.pot_life_s == POT_LIFE_S
    assert charge.life_used == pytest.approx((60.0 + 480.0) / POT_LIFE_S, abs=1e-9)
    assert charge.estimated_share == 0.0
    assert charge.expires_in_s == pytest.approx(60.0, abs=1e-6)
    # Melt is counted from the row that shows it flowing.
    assert charge.mass_kg == pytest.approx(0.5 - 3e-5 * 470.0)
    assert (charge.empty_in_s, charge.residence_s) == (None, None), "too short a record"


def test_the_snapshot_of_a_tank_shows_how_old_its_melt_comes_out() -> None:
    """The mean residence, and what is older than the pot life behind the hose."""
    shown = lived("tank", Stretch(rows=1), Stretch(rows=70, is_flowing=True))
    charge = shown.charge
    use_kg_per_s = 3e-5 * 690.0 / 700.0
    mass_kg = 0.5 - 3e-5 * 690.0
    assert charge.mass_kg == pytest.approx(mass_kg)
    assert charge.residence_s == pytest.approx(mass_kg / use_kg_per_s)
    assert charge.empty_in_s == pytest.approx(mass_kg / use_kg_per_s)
    delay_s = 75e-6 * 1100.0 / use_kg_per_s
    assert shown.zones[1].transport_delay_s == pytest.approx(delay_s)
    # All of it: what comes out of the hose is older than that already.
    assert delay_s > POT_LIFE_S
    assert charge.older_share == 1.0
    assert (charge.state, charge.expires_in_s) == (ChargeState.SPENT, 0.0)


def test_the_snapshot_of_a_tank_tells_no_share_where_its_temperature_is_not_seen() -> None:
    """The residence is one of masses; a cold tank has no melt that is too old."""
    flowing = [Stretch(rows=1), Stretch(rows=70, is_flowing=True)]
    gone = lived("tank", *flowing, Stretch(rows=1, grade=int(Quality.BAD)))
    assert gone.charge.residence_s is not None
    assert gone.charge.older_share is None
    cold = lived("tank", *flowing, Stretch(rows=1, reservoir_c=25.0))
    assert cold.charge.older_share == 0.0


def test_the_snapshot_of_a_cell_without_a_charge_of_its_own_has_no_age() -> None:
    """No pot life, no dose, no mass."""
    charge = lived("plain", *WARMED_UP).charge
    figures = (charge.dose_low_s, charge.pot_life_s, charge.life_used, charge.estimated_share)
    assert figures == (None, None, None, None)
    assert (charge.mass_kg, charge.residence_s, charge.state) == (
        None,
        None,
        ChargeState.AGE_UNKNOWN,
    )


def test_the_snapshot_of_a_pack_has_no_residence() -> None:
    """It is not mixed; nobody knows how full it was found."""
    charge = lived("syringe", Stretch(rows=1), Stretch(rows=70, is_flowing=True)).charge
    assert (charge.residence_s, charge.older_share, charge.mass_kg) == (None, None, None)
    assert charge.life_used is not None


def test_the_snapshot_of_a_tank_without_a_pot_life_has_a_residence_all_the_same() -> None:
    """No share of it is too old."""
    plan = CELLS["tank"]
    tank = replace(plan.rules.zones[0], material=MATERIAL)
    bare = engine.plan_cell(replace(plan.rules, zones=(tank, *plan.rules.zones[1:])))
    rows = told(bare, [Stretch(rows=1), Stretch(rows=70, is_flowing=True)])
    shown = engine.snapshot(run(bare, rows)[0], bare)
    assert shown is not None
    assert shown.charge.residence_s is not None
    assert (shown.charge.older_share, shown.charge.life_used) == (None, None)


def test_the_snapshot_shows_the_dew_point_while_it_is_measured() -> None:
    """At the pressure of the line, with its limit; nothing where it is not watched."""
    moist, dry = lived("syringe", Stretch(is_moist=True)).air, lived("syringe", Stretch()).air
    assert moist is not None
    assert dry is not None
    assert moist.dew_point_c == pytest.approx(5.0, abs=1e-9)
    assert (moist.max_c, moist.is_moist, dry.is_moist) == (-20.0, True, False)
    lost = lived("syringe", Stretch(is_moist=True), Stretch(rows=1, others=int(Quality.BAD))).air
    assert lost is not None
    assert (lost.dew_point_c, lost.is_moist) == (None, True)
    compressed = lived("tank", Stretch(is_moist=True)).air
    assert compressed is not None
    # 60 % at 25 degC is a dew point of 16.7 degC; at four times the pressure it is wet.
    assert compressed.dew_point_c is not None
    assert 38.0 < compressed.dew_point_c < 42.0
    assert lived("plain", Stretch()).air is None


def test_the_snapshot_says_what_to_do() -> None:
    """Wait while the core soaks, purge what stood still or is new, then run."""
    waiting = lived("syringe", *WARMED_UP[:1]).advice
    assert (waiting.advice, waiting.why, waiting.zone) == (Advice.WAIT, Why.SOAKING, "syringe")
    assert waiting.ready_in_s is not None
    assert 100.0 < waiting.ready_in_s < 200.0
    stale = lived("syringe", *WARMED_UP).advice
    assert (stale.advice, stale.why) == (Advice.PURGE_FIRST, Why.IDLE)
    running = lived("syringe", *WARMED_UP, Stretch(rows=2, is_flowing=True)).advice
    assert (running.advice, running.why) == (Advice.RUN, Why.NEAR_LIMIT)
    new = lived("syringe", *WARMED_UP, *[s._replace(charge=8.0) for s in WARMED_UP]).advice
    assert (new.advice, new.why) == (Advice.PURGE_FIRST, Why.NEW_CHARGE)


def test_melt_that_stood_for_too_long_is_purged_first() -> None:
    """Ten minutes after it last moved; a cell that does not tell is not asked."""
    for is_told, why in ((True, Why.IDLE), (False, Why.ALL_WELL)):
        plan = cell(zone(), dispensing=DISPENSING if is_told else None)
        rows = nozzle([115.0] * 700, dispensing=[1.0] * 5 + [0.0] * 695)
        fresh, _ = run(plan, rows.rows(0, 600))
        stale, _ = run(plan, rows.rows(600, 700), state=fresh)
        shown = [engine.snapshot(state, plan) for state in (fresh, stale)]
        assert [one.advice.why for one in shown if one is not None] == [Why.ALL_WELL, why]


def test_a_room_that_is_told_stays_the_room_of_the_tip() -> None:
    """Its newest reading, however old, before the room that is assumed."""
    plan = CELLS["syringe"]
    rooms: list[Cells] = [23.0, [5.0, None, None, None, None]]
    shown = [
        engine.snapshot(run(plan, block({TEMPERATURE: 115.0, AMBIENT: room}, rows=5))[0], plan)
        for room in rooms
    ]
    warm, cold = (one.zones[1].tip for one in shown if one is not None)
    assert warm is not None
    assert cold is not None
    assert warm.temp_c is not None
    assert cold.temp_c is not None
    assert cold.temp_c < warm.temp_c
    assert cold.uncertainty_k != warm.uncertainty_k


def test_a_setpoint_may_come_from_another_source_than_the_temperature() -> None:
    """It is noted when it comes and held for the rows of the other one."""
    plan = cell(zone())
    _, events = run(
        plan,
        block({SETPOINT: [115.0]}, source="plc"),
        block({TEMPERATURE: [60.0, 60.0]}, start_s=1.0, source="heat"),
    )
    changes = of_kind(events, EventKind.PHASE_CHANGED)
    assert [e.detail("to") for e in changes] == ["heating"]


def test_events_of_one_block_stand_in_the_order_of_the_rows_that_show_them() -> None:
    """Whatever zone or machine they come from."""
    rows = line((0, 25.0), (10, 115.0), (20, 145.0), (30, 105.0))
    block_of_all = block(
        {
            TEMPERATURE: rows,
            SETPOINT: 115.0,
            HOSE: rows[::-1],
            DISPENSING: [float(n % 2) for n in range(31)],
        }
    )
    _, events = run(FULL, block_of_all)
    assert len(events) > 10
    shown_by = [-(-e.at.mono_ns // NANO) for e in events]
    assert all(a <= b + 1 for a, b in pairwise(shown_by))


def test_joining_what_was_cut_is_the_whole_again() -> None:
    """The pieces that these tests cut are views of the same rows."""
    whole = nozzle(line((0, 100.0), (9, 118.0)))
    joined = join_blocks([whole.rows(0, 4), whole.rows(4, 10)])
    assert signature(run(FULL, joined)[1]) == signature(run(FULL, whole)[1])
    assert set(whole.quality.ravel().tolist()) == {Quality.GOOD}


# What a signal must not undo


def test_a_charge_that_a_person_loaded_stays_until_the_controller_names_another() -> None:
    """A controller that goes on showing its old number has not loaded the old charge again."""
    plan = cell(zone(), charge_id=CHARGE_ID)
    shown = {TEMPERATURE: 115.0, CHARGE_ID: 7.0}
    state, _ = run(
        plan,
        block(shown, rows=2),
        entry(EntryKind.CHARGE_LOADED, "lens_4", at_s=1.5, subject="b_2"),
        block(shown, start_s=2.0, rows=2),
    )
    assert state.charge.id == "b_2"
    state, _ = run(plan, block(shown | {CHARGE_ID: 8.0}, start_s=4.0), state=state)
    assert state.charge.id == "8"


def test_the_time_of_a_cell_never_goes_back() -> None:
    """A source that is read later with earlier rows does not make the snapshot older."""
    plan = cell(zone())
    state, _ = run(
        plan,
        block({DISPENSING: [1.0]}, start_s=10.0, source="plc"),
        block({TEMPERATURE: [115.0]}, start_s=5.0, source="heat"),
    )
    assert state.at == instant(10.0)


@pytest.mark.parametrize("duration_s", [float("nan"), float("inf")])
def test_shelving_for_no_length_of_time_is_refused(duration_s: float) -> None:
    """Neither nan nor for ever; it is refused, not raised."""
    said = entry(EntryKind.SHELVE, HOT, at_s=3.0, duration_s=duration_s)
    _, (event,) = run(WITH_ALARMS, said, state=hot_state())
    assert event.kind is EventKind.ENTRY_REFUSED


def test_melt_is_idle_since_it_last_flowed() -> None:
    """On both clocks of the row that showed it; not known before it ever did."""
    plan = cell(zone())
    still = nozzle([115.0] * 3, dispensing=0.0)
    state, _ = run(plan, still)
    before = engine.snapshot(state, plan)
    assert before is not None
    assert before.idle_since is None
    flowing = nozzle([115.0] * 6, dispensing=[0.0, 1.0, 1.0, 0.0, 0.0, 0.0], start_s=3.0)
    state, _ = run(plan, flowing, state=state)
    after = engine.snapshot(state, plan)
    assert after is not None
    assert after.idle_since == instant(5.0)
