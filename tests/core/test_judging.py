"""Parts as the engine counts and judges them, from readings of one cell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.cells import (
    AGEING,
    CEILING_C,
    CHARGE_ID,
    DISPENSING,
    HOSE,
    MATERIAL,
    PARTS,
    SETPOINT,
    TEMPERATURE,
    USUAL_C,
    UTC_NS,
    WIPED,
    Cells,
    block,
    cell,
    entry,
    hose,
    of_kind,
    run,
    zone,
)
from watchedpot.core import engine
from watchedpot.core.engine import CellPlan
from watchedpot.core.judging import LONGEST_WAIT_NS
from watchedpot.core.model import Block, EntryKind, Event, EventKind
from watchedpot.core.parts import rules_of
from watchedpot.core.rules import (
    ChargeRules,
    FinRules,
    PartRule,
    PartRules,
    TipRules,
    Verdict,
    ZoneKind,
    ZoneRules,
)
from watchedpot.core.units import NANO

PART_ID, JOINED = "lens_4/part_id", "lens_4/joined"
INSPECTION, WIDTH = "lens_4/inspection", "lens_4/bead_width"

FLOWS = (0.0, 1.0, 1.0, 0.0, 0.0)
"""One part in five rows: it is counted with the row that shows the melt standing again."""


def plan(*zones: ZoneRules, **changes: Any) -> CellPlan:
    """A nozzle, or told zones, with a counter of parts."""
    usual: dict[str, Any] = {
        "parts": PARTS,
        "gate_hold_s": 3.0,
        "purge_after_idle_s": 600.0,
        "judging": PartRules(tip_settle_s=0.0),
    }
    return cell(*(zones or (zone(),)), **(usual | changes))


def rows(
    parts: int = 4,
    temps_c: Cells = USUAL_C,
    *,
    start_s: float = 0.0,
    columns: Mapping[str, Cells] | None = None,
) -> Block:
    """Parts of five seconds each, from a wiped nozzle that has been ready for a while."""
    flowing = [0.0, *(list(FLOWS) * parts)]
    made, counted = 0.0, []
    for before, now in zip([0.0, *flowing], flowing, strict=False):
        made += before > now
        counted.append(made)
    told: dict[str, Cells] = {
        TEMPERATURE: temps_c,
        SETPOINT: USUAL_C,
        DISPENSING: flowing,
        PARTS: counted,
        WIPED: [0.0, 1.0] + [0.0] * (len(flowing) - 2),
    }
    return block(told | dict(columns or {}), start_s=start_s)


def wiped(**changes: Any) -> CellPlan:
    """The cell of most tests: its nozzle is wiped with the second row."""
    return plan(wiped=WIPED, **changes)


def made(events: Sequence[Event]) -> list[Event]:
    """The judged parts."""
    return of_kind(events, EventKind.PART_MADE)


def verdicts(events: Sequence[Event]) -> list[tuple[int, str, str]]:
    """Number, verdict and rules of each part, in the order of the record."""
    return [
        (int(e.detail("first") or 0), str(e.detail("verdict")), str(e.detail("rules")))
        for e in made(events)
    ]


def with_at(temps_c: float, *places: int, usual_c: float = USUAL_C, count: int = 21) -> list[float]:
    """A column of the usual temperature, and of another one at some rows."""
    return [temps_c if n in places else usual_c for n in range(count)]


def test_parts_made_in_the_window_are_clear() -> None:
    """Four parts, each seen whole, in its window, from a ready zone: nothing speaks against it."""
    _, events = run(wiped(), rows())
    assert verdicts(events) == [(n, "clear", "") for n in (1, 2, 3, 4)]


def test_a_part_tells_what_it_met() -> None:
    """Its figures are those of the steps in which melt may have flowed."""
    temps_c = [114.0] * 6 + [114.0, 115.0, 116.0, 117.0, 118.0] + [114.0] * 10
    _, events = run(wiped(), rows(temps_c=temps_c))
    part = made(events)[1]
    # Melt flows at rows 7 and 8, so it may from row 6 to row 9: 114 to 117, 3 s.
    assert part.detail("nozzle_min_c") == 114.0
    assert part.detail("nozzle_max_c") == 117.0
    assert part.detail("nozzle_mean_c") == pytest.approx(115.5)
    assert part.detail("nozzle_coverage") == 1.0
    assert part.detail("dispensing_s") == 2.0
    assert part.detail("begun_utc_ns") == UTC_NS + 7 * NANO
    assert part.at.mono_ns == 9 * NANO
    assert part.detail("is_ready") is True


@pytest.mark.parametrize("temp_c", [109.0, 121.0])
def test_a_part_dispensed_outside_the_window_is_quarantined(temp_c: float) -> None:
    """One row outside while melt flows is enough, and the neighbours stay clear."""
    _, events = run(wiped(), rows(temps_c=with_at(temp_c, 7)))
    assert verdicts(events)[0:3] == [
        (1, "clear", ""),
        (2, "quarantine", "outside_window:nozzle"),
        (3, "clear", ""),
    ]


def test_the_step_from_the_last_good_reading_counts_already() -> None:
    """Between a good reading and one outside nobody knows how far the part got."""
    _, events = run(wiped(), rows(temps_c=with_at(109.0, 9, 10)))
    assert verdicts(events)[1] == (2, "quarantine", "outside_window:nozzle")


def test_outside_between_parts_concerns_nobody() -> None:
    """A wipe cools the nozzle while no melt flows."""
    _, events = run(wiped(), rows(temps_c=with_at(105.0, 5, 10)))
    assert [verdict for _, verdict, _ in verdicts(events)] == ["clear"] * 4


@pytest.mark.parametrize(
    ("temp_c", "verdict", "rules"),
    [
        (110.4, "quarantine", "outside_window:nozzle"),  # nearer than the reading is certain
        (110.6, "clear_with_note", "near_edge:nozzle"),
        (111.6, "clear", ""),
    ],
)
def test_the_uncertainty_of_a_reading_is_taken_off_the_window(
    temp_c: float, verdict: str, rules: str
) -> None:
    """Half a kelvin from the edge is outside, a kelvin more is noted: ISO 14253-1's rule."""
    _, events = run(wiped(), rows(temps_c=with_at(temp_c, 7)))
    assert verdicts(events)[1] == (2, verdict, rules)


def test_melt_over_its_ceiling_is_known_even_while_it_stands() -> None:
    """What is overheated between two parts comes with the next one."""
    temps_c = with_at(CEILING_C + 5.0, 10, 11)
    _, events = run(wiped(), rows(temps_c=temps_c))
    number, verdict, rules = verdicts(events)[2]
    assert (number, verdict) == (3, "quarantine")
    assert (PartRule.OVER_CEILING, "nozzle") in rules_of(rules)


def test_a_cold_tip_is_outside_while_its_block_is_not() -> None:
    """Where the tip is estimated, its own limit counts too."""
    fin = FinRules(length_m=7e-3, outer_m=2.5e-3, bore_m=0.6e-3)
    nozzle = zone(tip=TipRules(low_c=112.0, fin=fin), setpoint_c=USUAL_C)
    _, events = run(plan(nozzle, wiped=WIPED), rows())
    part = made(events)[1]
    assert part.detail("rules") == "outside_window:nozzle"
    assert 105.0 < float(part.detail("tip_min_c") or 0.0) < 112.0


def test_parts_made_just_after_a_wipe_are_reviewed() -> None:
    """Its tip is colder than its block for a while; six seconds here."""
    settling = wiped(judging=PartRules(tip_settle_s=6.0))
    _, events = run(settling, rows(temps_c=USUAL_C))
    assert verdicts(events)[:3] == [
        (1, "review", "tip_settling:nozzle"),
        (2, "review", "tip_settling:nozzle"),
        (3, "clear", ""),
    ]


def test_a_single_lost_reading_is_noted() -> None:
    """One row without a reading leaves two seconds blind: doubt enough for a note."""
    temps_c: list[float | None] = [*with_at(0.0)]
    temps_c[7] = None
    _, events = run(wiped(), rows(temps_c=temps_c))
    assert verdicts(events)[1] == (2, "clear_with_note", "lost_readings:nozzle")
    assert made(events)[1].detail("nozzle_coverage") == pytest.approx(1 / 3)


def test_parts_made_unseen_are_unknown_and_the_one_before_is_doubted() -> None:
    """Nobody saw parts 2 and 3; part 1 came just before the loss and is judged again."""
    temps_c: list[float | None] = [*with_at(0.0)]
    temps_c[6:14] = [None] * 8
    judging = PartRules(blind_s=2.0, tip_settle_s=0.0)
    _, events = run(wiped(judging=judging), rows(temps_c=temps_c))
    assert verdicts(events) == [
        (1, "clear", ""),
        (1, "review", "before_loss:nozzle"),
        (2, "unknown", "blind:nozzle"),
        (3, "unknown", "blind:nozzle"),
        (4, "clear", ""),
    ]
    assert [e.detail("because") for e in made(events)][:2] == ["", "readings lost"]


def test_a_loss_while_nothing_is_made_doubts_nothing() -> None:
    """The cell stood for longer than production is held when the readings were lost."""
    temps_c: list[float | None] = [*with_at(0.0, count=30)]
    temps_c[20:28] = [None] * 8
    flowing = [0.0, 0.0, 1.0, 1.0, *[0.0] * 26]
    counted = [0.0] * 4 + [1.0] * 26
    told: dict[str, Cells] = {
        TEMPERATURE: temps_c,
        SETPOINT: USUAL_C,
        DISPENSING: flowing,
        PARTS: counted,
    }
    _, events = run(plan(production_hold_s=5.0), block(told))
    assert len(made(events)) == 1


def test_parts_that_only_the_counter_saw_are_one_range_of_unknown_parts() -> None:
    """After a minute without any reading the counter has moved on by three."""
    before, after = rows(2), rows(2, start_s=70.0)
    counted = after.value.copy()
    counted[:, after.channels.index(PARTS)] += 5.0
    _, events = run(wiped(), before, replace(after, value=counted))
    unseen = made(events)[3]
    assert (unseen.detail("first"), unseen.detail("last")) == (3, 5)
    assert unseen.detail("verdict") == "unknown"
    assert unseen.detail("part_id") is None


def test_dispensing_before_the_zone_is_ready_is_quarantined() -> None:
    """The nozzle is still heating when the second part is made."""
    temps_c = [*[80.0] * 11, *[115.0] * 10]
    _, events = run(wiped(), rows(temps_c=temps_c))
    first = made(events)[0]
    assert (PartRule.BEFORE_READY, "nozzle") in rules_of(str(first.detail("rules")))
    assert first.detail("is_ready") is False
    assert made(events)[3].detail("is_ready") is True


def test_the_first_part_after_a_pause_is_reviewed_unless_the_nozzle_was_wiped() -> None:
    """Melt that stood for longer than it may; a wipe before it makes it fresh again."""
    short = plan(wiped=WIPED, purge_after_idle_s=10.0)
    told: dict[str, Cells] = {
        TEMPERATURE: USUAL_C,
        SETPOINT: USUAL_C,
        DISPENSING: [0.0, 0.0, 1.0, *[0.0] * 15, 1.0, 0.0, 0.0],
        PARTS: [0.0] * 3 + [1.0] * 16 + [2.0] * 2,
        WIPED: [0.0, 1.0, *[0.0] * 19],
    }
    _, events = run(short, block(told))
    assert verdicts(events) == [(1, "clear", ""), (2, "review", "after_idle")]
    _, events = run(short, block(told | {WIPED: [0.0, 1.0, *[0.0] * 14, 1.0, *[0.0] * 4]}))
    assert verdicts(events) == [(1, "clear", ""), (2, "clear", "")]


def test_a_zone_whose_check_has_failed_casts_doubt_until_it_passes_one() -> None:
    """Nobody knows what a sensor reads that was proven wrong."""
    state, _ = run(wiped(), rows(1))
    doubted = replace(state, failed_checks=("nozzle",))
    more = rows(1, start_s=6.0)
    counted = more.value.copy()
    counted[:, more.channels.index(PARTS)] += 1.0
    _, events = run(wiped(), replace(more, value=counted), state=doubted)
    assert verdicts(events) == [(2, "review", "sensor_doubt:nozzle")]


def tank(**changes: Any) -> ZoneRules:
    """A tank of an ageing material under the name of the nozzle's channels."""
    return zone(id="tank", kind=ZoneKind.TANK, material=AGEING, **changes)


def test_a_charge_says_what_it_was_when_the_part_was_made() -> None:
    """Its id, its age by the stricter bound and the share of its life."""
    aged = plan(tank(), wiped=WIPED, charge_id=CHARGE_ID, charge=ChargeRules(start_age_s=60.0))
    _, events = run(aged, rows(columns={CHARGE_ID: 7.0}))
    part = made(events)[3]
    assert part.detail("charge_id") == "7"
    assert part.detail("age_s") == pytest.approx(60.0 + 19.0, abs=0.5)
    assert part.detail("life_used") == pytest.approx(float(part.detail("age_s") or 0.0) / 600.0)
    assert part.detail("verdict") == "clear"


@pytest.mark.parametrize(
    ("start_age_s", "expected"),
    [(None, "unknown_age"), (700.0, "spent_charge")],
)
def test_what_is_wrong_with_the_charge_is_said_of_the_part(
    start_age_s: float | None, expected: str
) -> None:
    """An age that nobody knows is noted, a spent charge reviewed."""
    rules = ChargeRules(start_age_s=start_age_s)
    _, events = run(plan(tank(), wiped=WIPED, charge=rules), rows())
    assert made(events)[1].detail("rules") == expected


def test_a_charge_spent_within_a_block_concerns_the_parts_after_it() -> None:
    """The pot life ends between the second and the third part."""
    rules = ChargeRules(start_age_s=589.0)
    _, events = run(plan(tank(), wiped=WIPED, charge=rules), rows())
    assert [e.detail("rules") for e in made(events)][1:] == ["", "spent_charge", "spent_charge"]


def test_a_charge_past_its_date_or_unfit_is_said_of_the_part() -> None:
    """What a person said of it at loading counts from the row at which it matters."""
    aged = plan(tank(), wiped=WIPED, charge=ChargeRules(start_age_s=0.0))
    state, _ = run(aged, rows(1))
    more = rows(2, start_s=6.0)
    counted = more.value.copy()
    counted[:, more.channels.index(PARTS)] += 1.0
    after = replace(more, value=counted)
    expiring = replace(state.charge, expires_utc_ns=UTC_NS + 12 * NANO)
    _, events = run(aged, after, state=replace(state, charge=expiring))
    assert [e.detail("rules") for e in made(events)] == ["", "unfit_charge"]
    unfit = replace(state.charge, unfit=("too warm in store",))
    _, events = run(aged, after, state=replace(state, charge=unfit))
    assert [e.detail("rules") for e in made(events)] == ["unfit_charge", "unfit_charge"]


def test_the_part_carries_its_id_and_its_inspection() -> None:
    """As they stand when it is counted; the id is that of the part whose melt has stopped."""
    named = wiped(part_id=PART_ID, inspection=INSPECTION, bead_width=WIDTH)
    ids = [500.0] * 7 + [501.0] * 5 + [502.0] * 9
    passed = [1.0] * 9 + [0.0] + [1.0] * 11
    told = rows(columns={PART_ID: ids, INSPECTION: passed, WIDTH: 0.8})
    _, events = run(named, told)
    assert [e.detail("part_id") for e in made(events)] == [500, 501, 502, 502]
    assert [e.detail("inspection") for e in made(events)] == [1, 0, 1, 1]
    assert made(events)[0].detail("bead_width_mm") == 0.8


def test_parts_are_told_by_their_ids_where_there_is_no_counter() -> None:
    """A part is made when another one is named; the one under way has not been made yet."""
    named = plan(wiped=WIPED, parts=None, part_id=PART_ID)
    ids = [0.0] * 2 + [500.0] * 5 + [501.0] * 5 + [0.0] * 3 + [502.0] * 6
    told = rows(columns={PART_ID: ids})
    _, events = run(named, told)
    assert [(e.detail("first"), e.detail("part_id")) for e in made(events)] == [
        (500, 500),
        (501, 501),
    ]
    _, none = run(named, rows(columns={PART_ID: [None] * 21}))
    assert made(none) == []


def test_without_counter_and_id_there_are_no_parts() -> None:
    """Then only the excursions say when."""
    _, events = run(cell(zone()), rows())
    assert made(events) == []


def test_a_part_joined_too_late_is_judged_again() -> None:
    """Open time runs from the first melt of a part to its joining."""
    glued = replace(MATERIAL, open_time_s=6.0)
    joining = plan(zone(id="tank", kind=ZoneKind.TANK, material=glued), wiped=WIPED, joined=JOINED)
    joined = [0.0] * 6 + [1.0] * 9 + [2.0] * 6  # part 1 after 4 s, part 2 after 8 s
    _, events = run(joining, rows(columns={JOINED: joined}))
    late = [e for e in made(events) if e.detail("because")]
    assert [(e.detail("first"), e.detail("joined_s")) for e in late] == [(2, 8.0)]
    assert rules_of(str(late[0].detail("rules"))) == ((PartRule.OPEN_TIME, ""),)


def test_parts_of_one_judgement_are_joined_one_by_one() -> None:
    """A range of parts waits as many joinings as it has parts; the next part waits behind it."""
    glued = replace(MATERIAL, open_time_s=12.0)
    joining = plan(zone(id="tank", kind=ZoneKind.TANK, material=glued), wiped=WIPED, joined=JOINED)
    counted = [0.0] * 6 + [2.0] * 5 + [3.0] * 10  # parts 1 and 2 in one row, part 3 in another
    joined = [0.0] * 8 + [1.0] * 2 + [2.0] * 10 + [3.0]  # each in its turn, part 3 after 14 s
    _, events = run(joining, rows(columns={PARTS: counted, JOINED: joined}))
    late = [(e.detail("first"), e.detail("last")) for e in made(events) if e.detail("because")]
    assert late == [(3, 3)]


def test_what_waits_to_be_joined_through_a_long_pause_counts_as_late() -> None:
    """Nobody saw it joined in time; the joinings after the pause belong to the parts after it."""
    glued = replace(MATERIAL, open_time_s=60.0)
    joining = plan(zone(id="tank", kind=ZoneKind.TANK, material=glued), wiped=WIPED, joined=JOINED)
    before = rows(2, columns={JOINED: [0.0] * 9 + [1.0] * 2})  # part 2 is never seen joined
    state, events = run(joining, before)
    assert [e for e in made(events) if e.detail("because")] == []
    pause_s = LONGEST_WAIT_NS / NANO
    after = rows(2, columns={JOINED: [1.0] * 6 + [2.0] * 5}, start_s=12.0 + pause_s)
    counted = after.value.copy()
    counted[:, after.channels.index(PARTS)] += 2.0
    _, events = run(joining, replace(after, value=counted), state=state)
    late = [e for e in made(events) if e.detail("because") == "joined late"]
    assert [e.detail("first") for e in late] == [2]
    assert (PartRule.OPEN_TIME, "") in rules_of(str(late[0].detail("rules")))


@pytest.mark.parametrize("cut", [0, 20, 23])
def test_a_count_says_that_melt_has_flowed(cut: int) -> None:
    """Even where the dispensing itself fell between two readings, and wherever a piece ends."""
    short = plan(wiped=WIPED, purge_after_idle_s=10.0)
    told: dict[str, Cells] = {
        TEMPERATURE: USUAL_C,
        SETPOINT: USUAL_C,
        DISPENSING: [0.0, 0.0, 1.0, *[0.0] * 23],
        PARTS: [0.0] * 3 + [1.0] * 16 + [2.0] * 4 + [3.0] * 3,
        WIPED: [0.0, 1.0, *[0.0] * 24],
    }
    whole = block(told)
    state, events = run(short, whole.rows(0, cut)) if cut else (None, [])
    _, more = run(short, whole.rows(cut, len(whole)), state=state)
    assert [rules for _, _, rules in verdicts([*events, *more])] == ["", "after_idle", ""]


def test_a_counter_that_jumps_is_told_and_covers_what_may_be_parts() -> None:
    """The numbers that can be parts are uncounted, the rest were never made."""
    counted = [0.0] * 8 + [100.0] * 13
    _, events = run(wiped(), rows(columns={PARTS: counted}))
    jump = of_kind(events, EventKind.COUNTER_JUMPED)[0]
    assert (jump.detail("what"), jump.detail("before"), jump.detail("after")) == ("jump", 0, 100)
    assert verdicts(events) == [(99, "unknown", "uncounted")]


def test_a_counter_reset_while_nothing_was_dispensed_hides_no_part() -> None:
    """A reset at the start of a shift is no suspect part."""
    counted = [7.0, 7.0, 7.0, 0.0, 0.0]
    told: dict[str, Cells] = {
        TEMPERATURE: USUAL_C,
        SETPOINT: USUAL_C,
        DISPENSING: 0.0,
        PARTS: counted,
    }
    _, events = run(wiped(), block(told))
    assert made(events) == []
    assert of_kind(events, EventKind.COUNTER_JUMPED)[0].detail("what") == "reset"


def test_a_part_whose_dispensing_was_never_seen_answers_for_the_whole_time() -> None:
    """Shorter than a poll, or not told: then every moment since the part before counts."""
    temps_c = [*[115.0] * 24, 105.0, 115.0, 115.0, 115.0]
    told = rows()
    more: dict[str, Cells] = {
        TEMPERATURE: temps_c[21:],
        SETPOINT: USUAL_C,
        DISPENSING: 0.0,
        PARTS: [4.0] * 6 + [5.0],
    }
    _, events = run(wiped(), told, block(more, start_s=21.0))
    assert verdicts(events)[4:] == [(5, "quarantine", "outside_window:nozzle")]
    assert made(events)[4].detail("is_ready") is None


def test_a_count_with_melt_flowing_belongs_to_both_parts() -> None:
    """The next part has begun by then: what that step met speaks against both."""
    flowing = [1.0] * 9
    counted = [0.0] * 4 + [1.0] * 4 + [2.0]
    told: dict[str, Cells] = {
        TEMPERATURE: with_at(105.0, 4, count=9),
        SETPOINT: USUAL_C,
        DISPENSING: flowing,
        PARTS: counted,
    }
    _, events = run(wiped(), block(told))
    assert [verdict for _, verdict, _ in verdicts(events)] == ["quarantine", "quarantine"]


def test_a_rule_can_be_turned_off_or_sharpened() -> None:
    """The configuration says what each rule concludes."""
    judging = PartRules(
        verdicts=((PartRule.OUTSIDE_WINDOW, Verdict.CLEAR), (PartRule.NEAR_EDGE, Verdict.REVIEW)),
        tip_settle_s=0.0,
    )
    temps_c = [*with_at(105.0, 7)[:10], *with_at(111.0, 2, count=11)]
    _, events = run(wiped(judging=judging), rows(temps_c=temps_c))
    assert verdicts(events)[1:3] == [(2, "clear", ""), (3, "review", "near_edge:nozzle")]


def test_verdicts_are_counted() -> None:
    """For whoever wants totals without the record; a second judgement counts no part twice."""
    state, _ = run(wiped(), rows(temps_c=with_at(105.0, 7)))
    assert dict(zip(Verdict, state.parts.judged, strict=True)) == {
        Verdict.CLEAR: 3,
        Verdict.NOTE: 0,
        Verdict.REVIEW: 0,
        Verdict.UNKNOWN: 0,
        Verdict.QUARANTINE: 1,
    }


HELD_S = 20.0
"""Dispensing time in which the melt of the hose is used up."""


def fed(**changes: Any) -> CellPlan:
    """A tank, and a hose that holds the melt of twenty seconds of dispensing."""
    flow = 1e-5
    density = 1100.0
    return plan(
        zone(id="tank", kind=ZoneKind.TANK, material=AGEING, max_gap_s=3.0),
        hose(material=AGEING, hold_up_m3=HELD_S * flow / density),
        charge=ChargeRules(flow_kg_per_s=flow, start_age_s=0.0),
        **({"dispensing": DISPENSING} | changes),
    )


def flowing_rows(seconds: int, tank_c: Cells, *, hose_c: Cells = USUAL_C) -> Block:
    """Melt flows all the time, and a part is made every four seconds."""
    counted = [float(n // 4) for n in range(seconds)]
    told: dict[str, Cells] = {
        TEMPERATURE: tank_c,
        HOSE: hose_c,
        SETPOINT: USUAL_C,
        DISPENSING: 1.0,
        PARTS: counted,
    }
    return block(told)


def against(events: Sequence[Event], rule: PartRule, zone_id: str) -> list[int]:
    """Numbers of the parts against which a rule speaks."""
    return [
        int(e.detail("first") or 0)
        for e in made(events)
        if (rule, zone_id) in rules_of(str(e.detail("rules")))
    ]


def test_melt_of_the_tank_speaks_when_it_arrives() -> None:
    """Cold for ten seconds at 100 s: no part then, those from half a residence time on."""
    tank_c = [105.0 if 100 <= n < 110 else USUAL_C for n in range(240)]
    _, events = run(fed(), flowing_rows(240, tank_c))
    found = against(events, PartRule.OUTSIDE_WINDOW, "tank")
    # Melt of 100 s arrives from 110 s (part 28) until three residence times later, 170 s.
    assert found[0] in {27, 28}
    assert found[-1] in {42, 43, 44}
    assert found == list(range(found[0], found[-1] + 1))


def test_a_hot_hose_spoils_what_it_holds_and_not_the_charge() -> None:
    """Melt that is followed answers for itself; that of a hot tank is the charge."""
    hot_c = [CEILING_C + 5.0 if 100 <= n < 104 else USUAL_C for n in range(240)]
    state, events = run(fed(), flowing_rows(240, USUAL_C, hose_c=hot_c))
    assert not state.charge.is_overheated
    found = against(events, PartRule.OVER_CEILING, "hose")
    assert {26, 31} <= set(found)
    assert 45 not in found
    state, events = run(fed(), flowing_rows(240, hot_c))
    assert state.charge.is_overheated
    assert against(events, PartRule.OVERHEATED_CHARGE, "")[-1] == 59


def test_a_cold_hose_is_not_held_against_melt_that_nobody_said_to_flow() -> None:
    """A controller that restarts with cold zones: no part hours later is suspect for it."""
    hose_c = [90.0 if n < 8 else USUAL_C for n in range(240)]
    told = flowing_rows(240, USUAL_C, hose_c=hose_c)
    value, quality = told.value.copy(), told.quality.copy()
    place = told.channels.index(DISPENSING)
    value[:10, place], quality[:10, place] = np.nan, 2
    _, events = run(fed(gate_hold_s=0.5), replace(told, value=value, quality=quality))
    assert against(events, PartRule.OUTSIDE_WINDOW, "hose") == []
    _, whole = run(fed(), told)
    assert len(against(whole, PartRule.OUTSIDE_WINDOW, "hose")) > 10


def test_figures_of_the_tank_are_those_of_the_mean_delay() -> None:
    """Twenty seconds after it was warmer, a part tells of it."""
    tank_c = [117.0 if 100 <= n < 104 else USUAL_C for n in range(240)]
    _, events = run(fed(), flowing_rows(240, tank_c))
    warm = [e.detail("first") for e in made(events) if e.detail("tank_max_c") == 117.0]
    assert 31 in warm  # dispensed from 120 s to 124 s
    assert 26 not in warm
    assert 36 not in warm


def test_a_hose_that_is_cold_now_concerns_the_melt_that_is_in_it() -> None:
    """All of it: the melt about to leave and the melt that came just now."""
    hose_c = [105.0 if 100 <= n < 104 else USUAL_C for n in range(240)]
    _, events = run(fed(), flowing_rows(240, USUAL_C, hose_c=hose_c))
    found = against(events, PartRule.OUTSIDE_WINDOW, "hose")
    assert {25, 26, 31} <= set(found)
    assert 24 not in found


def test_a_short_loss_of_a_tank_is_bearable() -> None:
    """What feeds a long hose changes slowly: a few seconds unseen make no part unknown."""
    tank_c: list[float | None] = [USUAL_C] * 240
    tank_c[100:102] = [None, None]
    _, events = run(fed(), flowing_rows(240, tank_c))
    assert against(events, PartRule.BLIND, "tank") == []
    tank_c[100:130] = [None] * 30
    _, events = run(fed(), flowing_rows(240, tank_c))
    assert {31, 32} <= set(against(events, PartRule.BLIND, "tank"))


def test_zones_and_counter_may_come_from_two_sources() -> None:
    """Each source moves on what it tells: figures from one, counts and results from the other."""
    names = {"part_id": PART_ID, "joined": JOINED, "inspection": INSPECTION}
    told = plan(tank(), wiped=WIPED, charge=ChargeRules(start_age_s=0.0), **names)
    whole = rows(2)
    heat = [name for name in whole.channels if name in {TEMPERATURE, SETPOINT}]
    batches = []
    for row in range(len(whole)):
        one = whole.rows(row, row + 1)
        shown = dict(zip(one.channels, one.value[0].tolist(), strict=True))
        batches += [
            block({name: shown[name] for name in heat}, start_s=row, source="heat"),
            block(
                {name: shown[name] for name in shown if name not in heat},
                start_s=row + 0.5,
                source="plc",
            ),
        ]
    _, events = run(told, *batches)
    assert verdicts(events) == [(1, "clear", ""), (2, "clear", "")]
    part = made(events)[1]
    assert (part.detail("nozzle_min_c"), part.detail("tank_min_c")) == (None, USUAL_C)
    assert (part.detail("part_id"), part.detail("inspection")) == (None, None)
    _, by_id = run(plan(tank(), parts=None, part_id=PART_ID), *batches)
    assert made(by_id) == []


def test_a_cell_that_does_not_tell_when_it_dispenses_answers_for_all_its_time() -> None:
    """Every step since the part before may have been the one; a loss doubts nothing by itself."""
    temps_c: list[float | None] = [*with_at(105.0, 5)]
    temps_c[11:17] = [None] * 6
    judging = PartRules(blind_s=3.5, tip_settle_s=0.0)
    _, events = run(plan(dispensing=None, judging=judging), rows(temps_c=temps_c))
    assert [(n, verdict) for n, verdict, _ in verdicts(events)] == [
        (1, "clear"),
        (2, "quarantine"),
        (3, "unknown"),
        (3, "unknown"),
        (4, "unknown"),
    ]


pieces = st.lists(st.integers(1, 60), min_size=1, max_size=12)


@given(pieces, st.integers(0, 2**32 - 1))
def test_cutting_changes_no_part(sizes: list[int], seed: int) -> None:
    """With melt on its way, any cut gives the same parts and the same state."""
    temps = [USUAL_C + ((seed >> (n % 29)) & 7) - 4.5 for n in range(240)]
    whole = flowing_rows(240, temps, hose_c=temps[::-1])
    state, events = run(fed(), whole)
    cuts, first = list[Block](), 0
    for size in [*sizes, 240]:
        cuts += [whole.rows(first, min(240, first + size))] if first < 240 else []
        first += size
    again, events_again = run(fed(), *cuts)
    assert events_again == events
    assert again == state


def test_another_configuration_begins_the_part_under_way_anew() -> None:
    """Zones that are others share no figures; the counter goes on."""
    state, _ = run(wiped(), rows(2))
    other = plan(zone(), hose(), wiped=WIPED)
    adopted = engine.adopt(state, other)
    assert adopted.parts.zones == ("nozzle", "hose")
    assert adopted.parts.counter == state.parts.counter
    assert engine.adopt(state, wiped()).parts == state.parts


def test_what_a_person_says_between_rows_does_not_disturb_the_count() -> None:
    """An entry is no row."""
    note = entry(EntryKind.ACKNOWLEDGE, "lens_4/unseen", at_s=8.5)
    told = rows()
    _, events = run(wiped(), told.rows(0, 9), note, told.rows(9, len(told)))
    assert [verdict for _, verdict, _ in verdicts(events)] == ["clear"] * 4
