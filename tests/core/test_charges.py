"""The charge: a total table of its states, what is left of it, charges that are remembered."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from typing import Any

import pytest

from support.cells import SYRINGE, SYRINGE_SETPOINT, block, instant, of_kind, run, second
from support.reservoir import (
    CEILING_C,
    HELD_C,
    HOUR_S,
    POT_LIFE_S,
    charged_cell,
    material,
    outlet,
    parts,
    reservoir,
    shift,
    shown,
)
from watchedpot.core.charges import (
    LEAST_FILL,
    LEAST_RECORD_NS,
    REMEMBERED,
    Charge,
    Flowed,
    Life,
    Outlook,
    Remembered,
    judged,
    laid_aside,
    mass_left_kg,
    outlook,
    recalled,
    state_event,
    use_kg_per_s,
    weighed,
)
from watchedpot.core.dose import Dose
from watchedpot.core.model import EventKind
from watchedpot.core.rules import CellRules, ChargeRules
from watchedpot.core.snapshot import ChargeState
from watchedpot.core.units import NANO, ns

FACTS = (
    "is_age_known",
    "is_doubted",
    "is_overheated",
    "is_heated",
    "is_soaked",
    "is_near",
    "is_spent",
)


def expected(facts: dict[str, bool]) -> ChargeState:
    """What each combination of facts means, written down here on its own."""
    if facts["is_overheated"]:
        return ChargeState.OVERHEATED
    if facts["is_spent"]:
        return ChargeState.SPENT
    if not facts["is_age_known"] or facts["is_doubted"]:
        return ChargeState.AGE_UNKNOWN
    if facts["is_near"]:
        return ChargeState.NEAR_LIMIT
    if facts["is_soaked"]:
        return ChargeState.IN_LIFE
    return ChargeState.WARMING if facts["is_heated"] else ChargeState.LOADED


def test_every_combination_of_facts_has_its_state() -> None:
    """A hundred and twenty-eight combinations, and each of the seven states among them."""
    seen = set()
    for told in product((False, True), repeat=len(FACTS)):
        facts = dict(zip(FACTS, told, strict=True))
        state = Charge(**facts).state  # type: ignore[arg-type]
        assert state is expected(facts)
        seen.add(state)
    assert seen == set(ChargeState)


BAD = ("is_doubted", "is_overheated", "is_spent")
WORST_FIRST = (
    ChargeState.OVERHEATED,
    ChargeState.SPENT,
    ChargeState.AGE_UNKNOWN,
    ChargeState.NEAR_LIMIT,
    ChargeState.IN_LIFE,
    ChargeState.WARMING,
    ChargeState.LOADED,
)


@pytest.mark.parametrize("fact", [*BAD, "is_near"])
def test_a_worse_fact_never_makes_a_charge_look_better(fact: str) -> None:
    """Whatever else is known of it."""
    for told in product((False, True), repeat=len(FACTS)):
        facts = dict(zip(FACTS, told, strict=True))
        before, after = (
            Charge(**(facts | {fact: is_so})).state  # type: ignore[arg-type]
            for is_so in (False, True)
        )
        assert WORST_FIRST.index(after) <= WORST_FIRST.index(before)


def test_nothing_else_than_its_facts_makes_the_state() -> None:
    """Id, mass and times change nothing."""
    bare = Charge(is_age_known=True, is_soaked=True)
    known = replace(
        bare, id="7", loaded=instant(5.0), mass_kg=0.03, flowed_ns=NANO, elapsed_ns=NANO
    )
    assert known.state is bare.state is ChargeState.IN_LIFE


def full(**changes: Any) -> Charge:
    """A full cartridge of 300 cc, loaded when the account began."""
    return replace(Charge(is_age_known=True, mass_kg=0.33), **changes)


CARTRIDGE = ChargeRules(fill_kg=0.33, flow_kg_per_s=10e-6)


def rules(charge: ChargeRules = CARTRIDGE, **of_material: Any) -> CellRules:
    """The rules of a cell whose charge weighs 330 g and is delivered at 10 mg/s."""
    zone = reservoir(material=material(**of_material))
    return charged_cell(zone, outlet(), charge=charge).rules


def flowed(dispensing_s: float, elapsed_s: float) -> Flowed:
    """Times of the account in seconds."""
    return Flowed(ns(dispensing_s), ns(elapsed_s))


def test_consumption_is_flow_times_the_time_of_dispensing() -> None:
    """Since loading only: what the account counted before is not its own."""
    charge = full(flowed_ns=ns(500.0), elapsed_ns=ns(2000.0))
    now = flowed(1500.0, 4500.0)
    left_kg = mass_left_kg(charge, now, flow_kg_per_s=10e-6)
    assert left_kg == pytest.approx(0.33 - 0.010)
    assert use_kg_per_s(charge, now, flow_kg_per_s=10e-6) == pytest.approx(4e-6)


def test_what_is_not_known_is_not_forecast() -> None:
    """No mass, no flow, no record yet, nothing dispensed."""
    now = flowed(1000.0, 2500.0)
    assert mass_left_kg(full(mass_kg=None), now, flow_kg_per_s=10e-6) is None
    assert mass_left_kg(full(), now, flow_kg_per_s=None) is None
    assert use_kg_per_s(full(), now, flow_kg_per_s=None) is None
    early = Flowed(NANO, LEAST_RECORD_NS - 1)
    assert use_kg_per_s(full(), early, flow_kg_per_s=10e-6) is None
    assert use_kg_per_s(full(), replace(early, elapsed_ns=LEAST_RECORD_NS), flow_kg_per_s=10e-6)
    assert use_kg_per_s(full(), flowed(0.0, 2500.0), flow_kg_per_s=10e-6) is None


def test_a_charge_is_never_quite_empty() -> None:
    """A forecast divides by what is left: two parts in a hundred always are."""
    left_kg = mass_left_kg(full(), flowed(1e6, 1e6), flow_kg_per_s=10e-6)
    assert left_kg == LEAST_FILL * 0.33


def test_weighing_starts_the_count_of_consumption() -> None:
    """From that moment of the account."""
    now = flowed(1000.0, 2500.0)
    charge = weighed(full(), now, 0.2)
    assert (charge.mass_kg, charge.flowed_ns, charge.elapsed_ns) == (
        0.2,
        now.flowed_ns,
        now.elapsed_ns,
    )
    assert mass_left_kg(charge, now, flow_kg_per_s=10e-6) == 0.2
    assert weighed(charge, now, None).mass_kg is None


@pytest.mark.parametrize(
    ("dose", "is_near", "is_spent"),
    [
        (Dose(low_ns=79, high_ns=79), False, False),
        (Dose(low_ns=80, high_ns=3), True, False),
        (Dose(low_ns=3, high_ns=99), True, False),
        (Dose(low_ns=100, high_ns=3), True, True),
        (Dose(low_ns=3, high_ns=100), True, True),
    ],
)
def test_a_life_is_judged_by_the_stricter_bound(
    dose: Dose, *, is_near: bool, is_spent: bool
) -> None:
    """At the limit counts as passed, and what was judged before is judged anew."""
    for before in (Charge(), Charge(is_near=True, is_spent=True)):
        charge = judged(before, dose, near_ns=80.0, spent_ns=100.0)
        assert (charge.is_near, charge.is_spent) == (is_near, is_spent)


def test_a_big_charge_expires_long_before_it_is_empty() -> None:
    """330 g at a mean of 4 mg/s: 22.9 h to empty, of 8 h at 110 degC; 65 % are left then.

    Common practice, no source. Dispensing two fifths of the time at 10 mg/s.
    """
    charge = full()
    first = Life(Dose(), flowed(240.0, 600.0), HELD_C)
    seen = outlook(charge, first, rules())
    assert seen.use_kg_per_s == pytest.approx(4e-6)
    assert seen.empty_in_s is not None
    assert seen.expires_in_s is not None
    assert seen.left_at_expiry is not None
    # Ten minutes went by until the mean said something.
    assert (seen.empty_in_s + 600.0) / HOUR_S == pytest.approx(22.9, abs=0.05)
    assert seen.expires_in_s == POT_LIFE_S
    assert seen.left_at_expiry == pytest.approx(0.65, abs=0.01)
    assert seen.life_used == 0.0


def test_an_outlook_follows_dose_and_temperature() -> None:
    """Half of the life gone at the reference; nothing is foretold without a reading."""
    half = Dose(low_ns=ns(4 * HOUR_S), high_ns=ns(3 * HOUR_S))
    life = Life(half, flowed(5760.0, 4 * HOUR_S), HELD_C)
    seen = outlook(full(), life, rules())
    assert (seen.life_used, seen.expires_in_s) == (0.5, 4 * HOUR_S)
    unseen = outlook(full(), replace(life, temp_c=None), rules())
    assert (unseen.life_used, unseen.expires_in_s, unseen.left_at_expiry) == (0.5, None, None)
    assert unseen.empty_in_s == seen.empty_in_s
    cool = outlook(full(), replace(life, temp_c=30.0), rules())
    assert (cool.expires_in_s, cool.left_at_expiry) == (None, None)
    spent = outlook(full(), replace(life, dose=Dose(low_ns=ns(POT_LIFE_S))), rules())
    assert (spent.life_used, spent.expires_in_s) == (1.0, 0.0)


@pytest.mark.parametrize(
    ("charge_rules", "mass_kg"),
    [
        (ChargeRules(fill_kg=0.33), 0.33),
        (ChargeRules(flow_kg_per_s=10e-6), 0.33),
        (CARTRIDGE, None),
    ],
)
def test_an_outlook_tells_only_what_is_known(
    charge_rules: ChargeRules, mass_kg: float | None
) -> None:
    """Without flow, a full charge's mass or its own mass nothing is said of what is left."""
    life = Life(Dose(), flowed(1000.0, 2500.0), HELD_C)
    seen = outlook(full(mass_kg=mass_kg), life, rules(charge_rules))
    assert seen.left_at_expiry is None
    assert (seen.empty_in_s is None) == (seen.mass_kg is None)
    assert seen.expires_in_s == POT_LIFE_S


def test_a_material_without_a_pot_life_only_runs_out() -> None:
    """No age, but mass and consumption."""
    life = Life(Dose(), flowed(1000.0, 2500.0), HELD_C)
    seen = outlook(full(), life, rules(ageing=None))
    assert (seen.life_used, seen.expires_in_s, seen.left_at_expiry) == (None, None, None)
    assert seen.mass_kg == pytest.approx(0.32)
    assert seen.empty_in_s == pytest.approx(0.32 / 4e-6)


def test_a_cell_without_a_reservoir_has_no_outlook() -> None:
    """Nothing is known of its charge."""
    life = Life(Dose(), flowed(1000.0, 2500.0), HELD_C)
    assert outlook(full(), life, charged_cell(outlet()).rules) == Outlook()


def test_the_event_of_a_state_tells_the_outlook() -> None:
    """From, to, and what is left at that moment; nothing of it in a cell without a reservoir."""
    charge = full(id="7", is_near=True)
    life = Life(Dose(low_ns=ns(6.4 * HOUR_S)), flowed(9216.0, 6.4 * HOUR_S), HELD_C)
    event = state_event(ChargeState.IN_LIFE, charge, instant(5.0), life, rules())
    assert (event.kind, event.at, event.cell, event.zone) == (
        EventKind.CHARGE_STATE_CHANGED,
        instant(5.0),
        "lens_4",
        "",
    )
    told = dict(event.details)
    assert (told["charge_id"], told["from"], told["to"]) == ("7", "in_life", "near_limit")
    assert told["life_used"] == pytest.approx(0.8)
    assert told["expires_in_s"] == pytest.approx(1.6 * HOUR_S)
    seen = outlook(charge, life, rules())
    assert (told["empty_in_s"], told["left_at_expiry"]) == (seen.empty_in_s, seen.left_at_expiry)
    bare = state_event(ChargeState.LOADED, charge, instant(5.0), None, rules())
    assert [value for name, value in bare.details if name.endswith(("_s", "used", "expiry"))] == [
        None
    ] * 4


def test_a_charge_that_is_taken_out_is_remembered_by_its_id() -> None:
    """With its age, and whether that was known and not in doubt."""
    aged = Dose(low_ns=5, high_ns=7)
    shelf = laid_aside((), Charge("7", is_age_known=True, is_overheated=True), aged)
    assert shelf == (Remembered("7", aged, is_age_known=True, is_overheated=True),)
    assert recalled(shelf, "7") == shelf[0]
    assert recalled(shelf, "8") is None
    doubted = laid_aside(shelf, Charge("7", is_age_known=True, is_doubted=True), Dose(low_ns=9))
    assert doubted == (Remembered("7", Dose(low_ns=9), is_age_known=False, is_overheated=False),)


def test_a_charge_without_a_name_cannot_be_remembered() -> None:
    """There would be nothing to find it by."""
    assert laid_aside((), Charge(is_age_known=True), Dose(low_ns=5)) == ()


def test_no_more_charges_are_remembered_than_there_is_room_for() -> None:
    """The newest ones, each of them once, with its newest age."""
    shelf: tuple[Remembered, ...] = ()
    ids = [*range(40), *range(20, 30), *range(3)]
    for age_ns, number in enumerate(ids):
        shelf = laid_aside(shelf, Charge(str(number)), Dose(low_ns=age_ns))
    newest = list(dict.fromkeys(str(number) for number in reversed(ids)))[:REMEMBERED]
    assert [known.id for known in reversed(shelf)] == newest
    assert len(shelf) == REMEMBERED
    for known in shelf:
        assert known.dose.low_ns == len(ids) - 1 - ids[::-1].index(int(known.id))


def test_a_charge_is_loaded_then_warming_then_in_life() -> None:
    """Hot to the touch at 50 degC; in its life once it is warm to the core."""
    plan = charged_cell(charge=ChargeRules(start_age_s=0.0))
    state, _ = run(plan, shift([23.0] * 10))
    assert state.charge.state is ChargeState.LOADED
    warm_up = [23.0 + 0.25 * second for second in range(348)] + [HELD_C] * 2400
    state, events = run(plan, shift(warm_up, start_s=10.0), state=state)
    changes = of_kind(events, EventKind.CHARGE_STATE_CHANGED)
    assert [(e.detail("from"), e.detail("to")) for e in changes] == [
        ("loaded", "warming"),
        ("warming", "in_life"),
    ]
    assert second(changes[0]) == pytest.approx(10.0 + (50.0 - 23.0) / 0.25, abs=1e-6)
    (ready,) = (
        second(e)
        for e in of_kind(events, EventKind.PHASE_CHANGED, "syringe")
        if e.detail("to") == "ready"
    )
    assert second(changes[1]) == ready


def test_a_reservoir_without_soak_is_in_life_with_a_warm_wall() -> None:
    """There is nothing else to wait for."""
    plan = charged_cell(reservoir(soak=None), outlet(), charge=ChargeRules(start_age_s=0.0))
    state, events = run(plan, shift([23.0 + 0.25 * n for n in range(348)]))
    assert state.charge.state is ChargeState.IN_LIFE
    in_life = of_kind(events, EventKind.CHARGE_STATE_CHANGED)[-1]
    assert second(in_life) == pytest.approx((105.0 - 23.0) / 0.25, abs=1e-6)


def test_a_life_is_near_its_limit_and_then_over_wherever_it_was_spent() -> None:
    """6.4 of 8 h at 110 degC, idle or dispensing, and the rest of them.

    Common practice, no source: all hot time counts, not only dispensing.
    """
    rows = round(8.5 * HOUR_S / 10.0)
    flows = parts((rows // 2, 0.0), (rows - rows // 2, 1.0))
    plan = charged_cell(
        reservoir(max_gap_s=15.0),
        outlet(max_gap_s=15.0),
        charge=replace(CARTRIDGE, start_age_s=0.0),
        gate_hold_s=15.0,
    )
    state, events = run(plan, shift(HELD_C, dispensing=flows, period_s=10.0))
    changes = of_kind(events, EventKind.CHARGE_STATE_CHANGED)
    assert [e.detail("to") for e in changes] == ["warming", "in_life", "near_limit", "spent"]
    near, spent = changes[-2:]
    assert second(near) == pytest.approx(6.4 * HOUR_S, abs=1e-6)
    assert second(spent) == pytest.approx(8.0 * HOUR_S, abs=1e-6)
    assert near.detail("life_used") == pytest.approx(0.8, abs=1e-3)
    assert near.detail("expires_in_s") == pytest.approx(1.6 * HOUR_S, abs=11.0)
    assert state.charge.state is ChargeState.SPENT
    assert shown(state, plan).charge.expires_in_s == 0.0


@pytest.mark.parametrize(
    ("setpoint_c", "held_c"), [(85.0, HELD_C), (120.0, 120.0), (None, HELD_C), (200.0, CEILING_C)]
)
def test_blind_time_ages_at_the_higher_of_last_reading_and_setpoint(
    setpoint_c: float | None, held_c: float
) -> None:
    """Ten minutes unseen: all of them count, are marked as estimated, and the age is no less.

    Common practice, no source. What is charged is the dose of a line held there and seen.
    """
    plan = charged_cell(charge=ChargeRules(start_age_s=0.0))
    seen_rows = shift([HELD_C] * 11, setpoint_c=HELD_C)
    state, _ = run(plan, seen_rows)
    before = state.zones[0].dose
    blind = block({SYRINGE: [None] * 601, SYRINGE_SETPOINT: setpoint_c}, start_s=11.0)
    gone, _ = run(plan, blind, state=state)
    aged = gone.zones[0].dose
    held = (
        run(charged_cell(charge=ChargeRules(start_age_s=0.0)), shift([held_c] * 601))[0]
        .zones[0]
        .dose
    )
    first_s = 1.0  # from the last good reading on, at what was told until then
    for name in ("low", "high"):
        grown = getattr(aged, f"{name}_ns") - getattr(before, f"{name}_ns")
        assert grown == getattr(aged, f"{name}_blind_ns")
        expected_ns = getattr(held, f"{name}_ns") + first_s * NANO
        assert grown == pytest.approx(expected_ns, rel=2e-3)
    assert shown(gone, plan).charge.estimated_share == pytest.approx(
        aged.high_blind_ns / aged.high_ns
        if aged.high_ns > aged.low_ns
        else aged.low_blind_ns / aged.low_ns
    )
