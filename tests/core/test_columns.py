"""The cell's own signals over one block: what is held and how long, what cuts the block."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from support.cells import (
    AMBIENT,
    CHARGE_ID,
    DEW_POINT,
    DISPENSING,
    HOSE,
    OUTPUT,
    PARTS,
    SETPOINT,
    TEMPERATURE,
    UTC_NS,
    WIPED,
    Cells,
    block,
    cell,
    hose,
    zone,
)
from watchedpot.core.cell import CellPlan, CellState, Gates, start
from watchedpot.core.columns import CellColumns, Named, charge_name
from watchedpot.core.model import Instant, Quality, Reason
from watchedpot.core.rules import AirRules
from watchedpot.core.series import Held
from watchedpot.core.units import NANO

NAN = float("nan")
PLAN = cell(
    zone(output=OUTPUT),
    hose(),
    parts=PARTS,
    charge_id=CHARGE_ID,
    wiped=WIPED,
    ambient=AMBIENT,
    ambient_c=21.0,
    gate_hold_s=3.0,
    production_hold_s=2.0,
)
AIR = AirRules(line_pa=4e5, measured_pa=1e5)
TEMP, HUMIDITY = "lens_4/air_temperature", "lens_4/air_humidity"


def read(
    columns: Mapping[str, Cells],
    *,
    plan: CellPlan = PLAN,
    told: Mapping[str, Any] | None = None,
    **times: Any,
) -> CellColumns:
    """A block as the cell reads it, after what it was told before."""
    state: CellState = replace(start(plan), **(told or {}))
    return CellColumns(state, block(columns, **times), plan)


def gates(**held: Held) -> Mapping[str, Any]:
    """A state that knows some of the cell's own signals."""
    return {"gates": Gates(**held)}


def same(found: NDArray[np.float64], expected: Sequence[float]) -> bool:
    """Whether two columns are the same, nan being nan."""
    return np.array_equal(found, expected, equal_nan=True)


def test_flow_is_one_no_flow_zero_and_what_is_not_known_minus_one() -> None:
    """Any number above zero flows; before the first good reading nothing is known."""
    rows = read({DISPENSING: [None, 1.0, 0.0, -1.0, 0.25]})
    assert rows.dispensing.tolist() == [-1, 1, 0, 0, 1]


def test_a_signal_is_believed_for_the_hold_and_no_longer() -> None:
    """At three seconds it still is; a nanosecond later nobody knows."""
    at_s = [0.0, 1.0, 3.0, 3.000_000_001, 9.0]
    rows = read({DISPENSING: [1.0, *[None] * 4], PARTS: [7.0, *[None] * 4]}, at_s=at_s)
    assert rows.dispensing.tolist() == [1, 1, 1, -1, -1]
    assert same(rows.parts, [7.0, 7.0, 7.0, NAN, NAN])


def test_a_signal_is_held_from_the_batch_before() -> None:
    """Also where the block has no such channel: another source serves it."""
    told = gates(dispensing=Held(8 * NANO, 1.0), parts=Held(9 * NANO, 40.0))
    rows = read({TEMPERATURE: [115.0] * 4}, told=told, start_s=10.0)
    assert rows.dispensing.tolist() == [1, 1, -1, -1]
    assert same(rows.parts, [40.0, 40.0, 40.0, NAN])


def test_a_cell_without_the_signal_never_flows_and_is_never_in_doubt() -> None:
    """And counts as in production, since nothing says that it is not."""
    rows = read({TEMPERATURE: [115.0] * 3}, plan=cell(zone()), told=None)
    assert rows.dispensing.tolist() == [-1, -1, -1]
    assert not rows.in_production.any()
    rows = read({TEMPERATURE: [115.0] * 3}, plan=cell(zone(), dispensing=None))
    assert rows.dispensing.tolist() == [0, 0, 0]
    assert rows.in_production.all()


def test_a_cell_is_in_production_for_the_hold_after_the_newest_flow() -> None:
    """Two seconds from the last row that showed flow; unknown is no flow."""
    flow = [0.0, 1.0, 0.0, 0.0, 0.0, None, 1.0, None]
    rows = read({DISPENSING: flow})
    expected = [False, True, True, True, False, False, True, True]
    assert rows.in_production.tolist() == expected


def test_production_goes_on_from_the_batch_before() -> None:
    """Flow seen a second before the block counts for one more; long ago counts for nothing."""
    still = {DISPENSING: [0.0] * 4}
    rows = read(still, told={"last_dispensing_ns": 9 * NANO}, start_s=10.0)
    assert rows.in_production.tolist() == [True, True, False, False]
    for long_ago in (None, 7 * NANO):
        rows = read(still, told={"last_dispensing_ns": long_ago}, start_s=10.0)
        assert not rows.in_production.any()


def test_room_temperature_is_told_however_long_ago_or_assumed() -> None:
    """The configured one until a channel says otherwise."""
    rows = read({AMBIENT: [None, 25.0, None]}, at_s=[0.0, 1.0, 1e6])
    assert rows.ambient_c.tolist() == [21.0, 25.0, 25.0]
    rows = read({TEMPERATURE: 115.0}, told=gates(ambient=Held(0, 19.0)), start_s=1e6)
    assert rows.ambient_c.tolist() == [19.0]
    rows = read({AMBIENT: 30.0}, plan=cell(zone(), ambient_c=18.0))
    assert rows.ambient_c.tolist() == [18.0]


def test_only_a_good_finite_value_counts() -> None:
    """An infinity under a good quality is nothing, and neither is a number under a bad one."""
    state = start(PLAN)
    rows = block({PARTS: [1.0, 2.0, 3.0], DISPENSING: 1.0})
    rows.value[1, 0] = np.inf
    rows.quality[2, 0] = Quality.UNCERTAIN
    assert same(CellColumns(state, rows, PLAN).parts, [1.0, 1.0, 1.0])


def test_codes_that_nobody_knows_count_as_not_seen() -> None:
    """A quality of 255 is missing, a reason of 200 is that nobody watched; no row is good."""
    rows = block({TEMPERATURE: [115.0, 115.0]})
    rows.quality[1, 0], rows.reason[1, 0] = 255, 200
    columns = CellColumns(start(PLAN), rows, PLAN)
    assert columns.quality[:, 0].tolist() == [Quality.GOOD, Quality.MISSING]
    assert columns.reason[:, 0].tolist() == [Reason.NONE, Reason.NOT_WATCHED]
    assert columns.is_good[:, 0].tolist() == [True, False]


def test_a_channel_is_found_by_its_name() -> None:
    """Without a name there is none, nor where another source serves it."""
    rows = read({PARTS: [1.0, None, 3.0], DISPENSING: 1.0})
    found = rows.columns(PARTS, slice(1, 3))
    assert found is not None
    assert same(found.value, [NAN, 3.0])
    assert found.is_good.tolist() == [False, True]
    assert rows.columns(None) is None
    assert rows.columns(WIPED) is None


def test_the_rows_of_a_zone_are_those_of_the_piece() -> None:
    """Its own channels, and the cell's signals as they are then."""
    rows = read(
        {
            TEMPERATURE: [110.0, 111.0, None, 113.0],
            SETPOINT: [115.0, 116.0, 117.0, 118.0],
            DISPENSING: [0.0, 1.0, 0.0, 0.0],
            PARTS: [1.0, 2.0, 2.0, 2.0],
            AMBIENT: 22.0,
        }
    )
    rows.block.status[2, 0] = 0x80000000
    found = rows.zone_rows(slice(1, 3), PLAN.zones[0])
    assert found is not None
    assert found.mono_ns.tolist() == [NANO, 2 * NANO]
    assert found.seen_ns.tolist() == [UTC_NS + NANO, UTC_NS + 2 * NANO]
    assert same(found.temp_c, [111.0, NAN])
    assert found.quality.tolist() == [Quality.GOOD, Quality.BAD]
    assert found.reason.tolist() == [Reason.NONE, Reason.STATUS]
    assert found.status.tolist() == [0, 0x80000000]
    assert found.setpoint is not None
    assert found.setpoint.value.tolist() == [116.0, 117.0]
    assert found.output is None
    assert found.dispensing.tolist() == [1, 0]
    assert found.is_in_production.tolist() == [True, True]
    assert found.parts.tolist() == [2.0, 2.0]
    assert found.ambient_c.tolist() == [22.0, 22.0]


def test_a_block_without_its_temperature_has_no_rows_of_a_zone() -> None:
    """Its setpoint alone says nothing of where it is."""
    rows = read({SETPOINT: 115.0, HOSE: 110.0})
    assert rows.zone_rows(slice(0, 1), PLAN.zones[0]) is None
    assert rows.zone_rows(slice(0, 1), PLAN.zones[1]) is not None


def test_the_gates_after_a_piece_are_its_newest_good_values() -> None:
    """What the piece does not tell stays as it was."""
    before = Gates(parts=Held(5, 1.0), ambient=Held(6, 20.0))
    rows = read(
        {
            DISPENSING: [1.0, 0.0, 1.0],
            PARTS: None,
            CHARGE_ID: [7.0, None, 8.0],
            WIPED: [0.0, 1.0, 0.0],
        }
    )
    assert rows.gates(before, slice(0, 2)) == Gates(
        dispensing=Held(NANO, 0.0),
        parts=Held(5, 1.0),
        charge_id=Held(0, 7.0),
        wiped=Held(NANO, 1.0),
        ambient=Held(6, 20.0),
    )


@pytest.mark.parametrize(
    ("before", "wiped", "expected"),
    [
        (None, [0.0, 1.0, 1.0, 0.0, 1.0], {1, 4}),
        (None, [1.0, 1.0, 0.0], set()),
        (0.0, [1.0, 1.0], {0}),
        (1.0, [1.0, 0.0, 1.0], {2}),
        (None, [0.0, None, 1.0], {2}),
        (None, [1.0, None, 1.0], set()),
        (0.0, [0.0, 0.0], set()),
        (0.0, [None, None], set()),
    ],
)
def test_a_wipe_begins_where_it_was_seen_not_to_be_and_then_is(
    before: float | None, wiped: list[float | None], expected: set[int]
) -> None:
    """A signal that stands when the account begins, or behind a gap, begins nothing."""
    told = {} if before is None else gates(wiped=Held(0, before))
    assert read({WIPED: wiped}, told=told, start_s=1.0).wipes == expected


@pytest.mark.parametrize(
    ("before", "named", "expected"),
    [
        (None, [7.0, 7.0], {0: Named("7", None)}),
        (("7", 5), [7.0, 7.0], {}),
        (("7", 5), [8.0, 8.0], {0: Named("8", 5)}),
        (("7", 5), [7.0, 8.0, 8.0, 9.0], {1: Named("8", NANO), 3: Named("9", 3 * NANO)}),
        (("7", 5), [8.0, 7.0], {0: Named("8", 5), 1: Named("7", NANO)}),
        (("7", 5), [0.0, 0.0], {}),
        (("7", 5), [7.0, 0.0, 7.0], {}),
        (("7", 5), [0.0, 7.0, 0.0, None, 8.0], {4: Named("8", 2 * NANO)}),
        (None, [0.0, None, 0.5, -3.0], {}),
        (("7", 5), [7.9, 7.2], {}),
    ],
)
def test_a_charge_is_named_where_another_number_is_told_than_before(
    before: tuple[str, int] | None, named: list[float | None], expected: dict[int, Named]
) -> None:
    """Zero and less are no name; the row tells since when another may lie there."""
    told = {} if before is None else {"named_charge": before[0], "named_ns": before[1]}
    assert read({CHARGE_ID: named}, told=told, start_s=1.0).charges == expected


@settings(derandomize=True, deadline=None, database=None, max_examples=60)
@given(st.lists(st.sampled_from((0.0, 7.0, 8.0, None)), min_size=1), st.integers(0, 20))
def test_names_are_the_same_however_the_rows_are_cut(named: list[float | None], at: int) -> None:
    """Row by row through a plain loop, or in two blocks."""
    expected, newest, since_ns = {}, None, None
    for row, number in enumerate(named):
        if number:
            if charge_name(number) != newest:
                expected[row] = Named(charge_name(number), since_ns)
            newest, since_ns = charge_name(number), row * NANO
    assert read({CHARGE_ID: named}).charges == expected
    first, rest = named[:at], named[at:]
    found: dict[int, Named] = {}
    told: Mapping[str, Any] = {}
    for part, start_row in ((first, 0), (rest, len(first))):
        if part:
            rows = read({CHARGE_ID: part}, told=told, start_s=float(start_row))
            found |= {start_row + row: name for row, name in rows.charges.items()}
            named_ns = rows.newest_name(slice(0, len(part)))
            if named_ns is not None:
                newest_number = [number for number in part if number][-1]
                told = {"named_charge": charge_name(newest_number), "named_ns": named_ns}
    assert found == expected


def test_a_block_is_cut_behind_the_rows_that_reset_something() -> None:
    """Each row once, in order."""
    rows = read({WIPED: [0.0, 1.0, 0.0, 1.0], CHARGE_ID: [7.0, 7.0, 7.0, 8.0]})
    assert rows.cuts() == [0, 1, 3]
    assert read({TEMPERATURE: [115.0] * 3}).cuts() == []


def test_the_newest_name_is_looked_for_in_the_piece_alone() -> None:
    """Zero names nothing."""
    rows = read({CHARGE_ID: [7.0, 0.0, 8.0, 8.0, 0.0]})
    assert rows.newest_name(slice(0, 5)) == 3 * NANO
    assert rows.newest_name(slice(0, 2)) == 0
    assert rows.newest_name(slice(1, 2)) is None
    assert read({TEMPERATURE: 115.0}).newest_name(slice(0, 1)) is None


def test_the_moment_of_a_row_has_both_clocks() -> None:
    """As the block has them."""
    assert read({PARTS: [1.0, 2.0]}).instant(1) == Instant(UTC_NS + NANO, NANO)


def test_a_measured_dew_point_counts_at_the_pressure_of_the_line() -> None:
    """Four times the vapour: 10 degC become 32.6 degC.

    Saturation pressures of 1.228 kPa and 4.91 kPa: steam tables, from memory.
    """
    plan = cell(zone(), dew_point=DEW_POINT, air=AIR)
    found = read({DEW_POINT: [10.0, None, 10.0]}, plan=plan).dew_point(slice(0, 3))
    assert found is not None
    assert found.is_good.tolist() == [True, False, True]
    assert found.value[0] == pytest.approx(32.6, abs=0.1)


def test_a_dew_point_comes_from_temperature_and_humidity_where_both_are_told() -> None:
    """Saturated air of 10 degC is at its dew point; one bad reading of the two is one too many."""
    plan = cell(zone(), air_temperature=TEMP, air_humidity=HUMIDITY, air=AIR)
    columns: dict[str, Cells] = {TEMP: [10.0, 10.0, None], HUMIDITY: [100.0, None, 100.0]}
    found = read(columns, plan=plan).dew_point(slice(0, 3))
    assert found is not None
    assert found.is_good.tolist() == [True, False, False]
    assert found.value[0] == pytest.approx(32.6, abs=0.1)
    only_one = {TEMP: 10.0}, {HUMIDITY: 50.0}, {DISPENSING: 1.0}
    assert [read(one, plan=plan).dew_point(slice(0, 1)) for one in only_one] == [None] * 3


def test_a_measured_dew_point_is_taken_before_a_computed_one() -> None:
    """Where a block has both."""
    plan = cell(zone(), dew_point=DEW_POINT, air_temperature=TEMP, air_humidity=HUMIDITY, air=AIR)
    columns: dict[str, Cells] = {DEW_POINT: 10.0, TEMP: 25.0, HUMIDITY: 1.0}
    found = read(columns, plan=plan).dew_point(slice(0, 1))
    assert found is not None
    assert found.value[0] == pytest.approx(32.6, abs=0.1)


def test_air_that_no_air_can_be_is_not_good() -> None:
    """A humidity of zero has no dew point, and a dew point of 300 degC is none."""
    plan = cell(zone(), dew_point=DEW_POINT, air_temperature=TEMP, air_humidity=HUMIDITY, air=AIR)
    for columns in ({DEW_POINT: 300.0}, {TEMP: 25.0, HUMIDITY: 0.0}):
        found = read(columns, plan=plan).dew_point(slice(0, 1))
        assert found is not None
        assert not found.is_good.any()


def test_a_cell_whose_air_is_not_described_has_no_dew_point() -> None:
    """Without the pressures a number at the sensor says nothing about the line."""
    plan = cell(zone(), dew_point=DEW_POINT)
    assert read({DEW_POINT: 10.0}, plan=plan).dew_point(slice(0, 1)) is None


@pytest.mark.parametrize(("number", "name"), [(7.0, "7"), (7.9, "7"), (123456789.0, "123456789")])
def test_a_charge_is_named_by_the_whole_number(number: float, name: str) -> None:
    """As a controller counts."""
    assert charge_name(number) == name
