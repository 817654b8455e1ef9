"""What single steps lay on a part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from support.cells import CEILING_C, USUAL_C, hose, series, zone
from watchedpot.core.parts import BIT, NONE_MK, Tally, plan_parts
from watchedpot.core.rules import CellRules, PartRule, PartRules, TipRules, ZoneRules
from watchedpot.core.snapshot import Phase
from watchedpot.core.steps import ABSURD_C, Chills, Steps, part_steps
from watchedpot.core.units import NANO
from watchedpot.core.walk import ZoneTrace

NOTHING = np.zeros(0, dtype=np.int64)


def trace(
    temps_c: Sequence[float | None],
    *,
    tip_c: Sequence[float | None] | None = None,
    phases: Sequence[tuple[int, Phase]] = ((0, Phase.READY),),
) -> ZoneTrace:
    """A zone over rows a second apart; the first row has none before it."""
    walls = series(list(temps_c))
    tips = walls if tip_c is None else series(list(tip_c))
    return ZoneTrace(walls, tips, list(phases), NOTHING, NOTHING)


def steps(
    *traces: ZoneTrace | None,
    may_flow: Sequence[bool] | None = None,
    doubted: Sequence[str] = (),
    zones: Sequence[ZoneRules] = (),
    chills: Chills = Chills(None, NOTHING),  # noqa: B008 - frozen
    settle_s: int = 0,
) -> Steps:
    """Steps of a cell with a nozzle, or with told zones."""
    told = plan_parts(
        CellRules(
            "lens_4", tuple(zones) or (zone(),), judging=PartRules(tip_settle_s=float(settle_s))
        )
    )
    count = next((len(one.series.step_ns) for one in traces if one is not None), 1)
    flow = np.array([True] * count if may_flow is None else may_flow)
    return part_steps(traces, flow, told, doubted=doubted, chills=chills)


def rules(marks: int) -> set[str]:
    """Names of the zone rules of some marks."""
    named = (PartRule.OUTSIDE_WINDOW, PartRule.OVER_CEILING, PartRule.NEAR_EDGE)
    more = (PartRule.TIP_SETTLING, PartRule.BEFORE_READY, PartRule.BLIND, PartRule.SENSOR_DOUBT)
    return {rule.value for rule in (*named, *more) if marks & BIT[rule]}


def test_a_quiet_zone_has_figures_and_no_marks() -> None:
    """Three rows, two of whose steps are seen: half a kelvin up and down."""
    met = steps(trace([115.0, 115.5, 115.0])).met([(1, 3)])[0]
    assert met.standing == (0,)
    assert met.zones[0] == Tally(
        0, 115_000, 115_500, sum_mk_us=2 * 115_250 * 10**6, seen_us=2_000_000
    )


@pytest.mark.parametrize(
    ("temp_c", "expected"),
    [
        (109.0, {"outside_window"}),
        (111.0, {"near_edge"}),
        (119.2, {"near_edge"}),
        (121.0, {"outside_window"}),
        (CEILING_C + 1.0, {"outside_window", "over_ceiling"}),
    ],
)
def test_either_end_of_a_step_marks_it(temp_c: float, expected: set[str]) -> None:
    """The step to a value and the step from it; the one after that is clean."""
    met = steps(trace([115.0, temp_c, 115.0, 115.0])).met([(1, 2), (2, 3), (3, 4)])
    assert [rules(one.zones[0].marks) for one in met] == [expected, expected, set()]


def test_where_no_melt_flows_only_the_ceiling_marks() -> None:
    """But for a part of which no flow was seen, every mark stands by."""
    met = steps(trace([115.0, 145.0, 115.0]), may_flow=[False] * 3).met([(1, 3)])[0]
    assert rules(met.zones[0].marks) == {"over_ceiling"}
    assert rules(met.standing[0]) == {"outside_window", "over_ceiling"}
    assert met.zones[0].low_mk == NONE_MK


def test_a_step_that_is_not_seen_is_blind_and_nothing_else() -> None:
    """Its time is counted apart; what its ends show is not believed to hold between them."""
    met = steps(trace([115.0, None, 90.0])).met([(1, 3)])[0]
    assert rules(met.standing[0]) == {"blind"}
    assert (met.zones[0].seen_us, met.zones[0].blind_us) == (0, 2_000_000)
    assert met.zones[0].marks == 0  # what blind time comes to is decided for the whole part


def test_a_phase_marks_the_steps_that_it_touches() -> None:
    """Row 2 heats, row 3 is ready again: two steps were not."""
    phases = [(0, Phase.READY), (2, Phase.HEATING), (3, Phase.READY)]
    met = steps(trace([115.0] * 5, phases=phases)).met([(n, n + 1) for n in range(1, 5)])
    assert [rules(one.standing[0]) for one in met] == [
        {"before_ready"},
        {"before_ready"},
        set(),
        set(),
    ]


def test_an_unseen_phase_is_told_by_blindness_alone() -> None:
    """Not seeing is not being unready."""
    met = steps(trace([115.0] * 3, phases=[(0, Phase.UNKNOWN)])).met([(1, 3)])[0]
    assert rules(met.standing[0]) == set()


def test_a_doubted_zone_marks_every_step() -> None:
    """Whatever it shows."""
    met = steps(trace([115.0] * 3), doubted=["nozzle"]).met([(1, 3)])[0]
    assert rules(met.zones[0].marks) == {"sensor_doubt"}


def test_a_tip_has_its_own_limit() -> None:
    """A known tip counts beside its block, and has figures of its own."""
    with_tip = zone(tip=TipRules(low_c=105.0, offset_k=5.0))
    told = trace([115.0] * 3, tip_c=[110.0, 104.0, 110.0])
    met = steps(told, zones=[with_tip]).met([(1, 3)])[0]
    assert rules(met.zones[0].marks) == {"outside_window"}
    assert (met.zones[0].tip_low_mk, met.zones[0].tip_high_mk) == (104_000, 110_000)
    near = steps(trace([115.0] * 3, tip_c=[110.0, 106.0, 110.0]), zones=[with_tip])
    assert rules(near.met([(1, 3)])[0].zones[0].marks) == {"near_edge"}


def test_zones_without_a_tip_beside_one_with_a_tip_have_no_tip() -> None:
    """They share the arrays, not the figures; zones that the block leaves out have nothing."""
    zones = [hose(), zone(tip=TipRules(low_c=105.0, offset_k=5.0)), hose(id="other")]
    told = trace([USUAL_C] * 3)
    met = steps(told, trace([USUAL_C] * 3, tip_c=[110.0] * 3), None, zones=zones).met([(1, 3)])[0]
    assert met.zones[0].tip_low_mk == NONE_MK
    assert met.zones[1].tip_low_mk == 110_000
    assert met.zones[2] == Tally()


def settling(found: Steps) -> list[int]:
    """Steps in which a tip was settling, counted from 0."""
    size = found.marks.shape[-1]
    met = found.met([(n, n + 1) for n in range(size)])
    return [n for n, one in enumerate(met) if "tip_settling" in rules(one.standing[0])]


def test_a_tip_that_was_cold_takes_its_time_to_follow() -> None:
    """Cold at row 1, and so in the steps to and from it: settling for 30 s after row 2."""
    found = steps(trace([115.0, 105.0, *[115.0] * 40]), settle_s=30)
    assert settling(found) == list(range(2, 33))
    assert found.chilled_ns == 2 * NANO


def test_a_tip_that_was_wiped_settles_likewise() -> None:
    """From the last row that shows the wipe, also one of a block before."""
    wiped = np.array([3, 4]) * NANO
    found = steps(trace([115.0] * 50), chills=Chills(None, wiped), settle_s=30)
    assert settling(found) == list(range(4, 35))
    later = steps(trace([115.0] * 50), chills=Chills(-10 * NANO, NOTHING), settle_s=30)
    assert settling(later) == list(range(21))
    assert later.chilled_ns == -10 * NANO


def test_only_a_nozzle_has_a_tip_to_settle() -> None:
    """A hose that was cold is told by its own window."""
    found = steps(trace([115.0, 105.0, 115.0, 115.0]), zones=[hose()], settle_s=30)
    assert settling(found) == []
    assert found.chilled_ns is None


def test_a_block_without_any_zone_lays_nothing() -> None:
    """Another source brought it."""
    assert steps(None).met([(0, 1), (0, 1)])[1].zones == (Tally(),)
    assert steps(None, chills=Chills(5, NOTHING)).chilled_ns == 5
    assert steps(None, chills=Chills(5, np.array([7]))).chilled_ns == 7


def test_a_block_of_one_row_is_reduced_like_any_other() -> None:
    """Its step is the same alone and before others."""
    first = steps(trace([109.0, 115.0])).met([(0, 1)])
    assert steps(trace([109.0])).met([(0, 1)]) == first
    assert first[0].zones[0].blind_us == 0  # nothing was before it


def test_an_absurd_tip_is_still_a_number() -> None:
    """A room reading of 1e300 makes an absurd tip; sums must not overflow for it."""
    with_tip = zone(tip=TipRules(low_c=105.0, offset_k=5.0))
    told = trace([115.0] * 3)
    value = np.concatenate((told.tip.value[:1], [1e300, np.nan, -1e300]))
    wild = told._replace(tip=replace(told.tip, value=value))
    met = steps(wild, zones=[with_tip]).met([(1, 3)])[0]
    assert abs(met.zones[0].tip_low_mk) <= ABSURD_C * 1000
