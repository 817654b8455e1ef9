"""What marks and tallies come to: verdicts, figures, the way of the melt."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.cells import AGEING, MATERIAL, hose, instant, zone
from watchedpot.core.counting import Count
from watchedpot.core.parts import (
    BIT,
    NONE_MK,
    Made,
    OpenPart,
    PartPlan,
    Slug,
    Tally,
    Transit,
    judged,
    judged_again,
    plan_parts,
    rules_of,
    worst,
)
from watchedpot.core.rules import (
    VERDICTS,
    CellRules,
    ChargeRules,
    PartRule,
    PartRules,
    Verdict,
    ZoneKind,
)

tallies = st.builds(
    Tally,
    st.integers(0, 255),
    st.integers(-1000, 200_000),
    st.integers(-1000, 200_000),
    st.integers(-1000, 200_000),
    st.integers(-1000, 200_000),
    *[st.integers(0, 10**12)] * 3,
)


def plan(judging: PartRules = PartRules()) -> PartPlan:  # noqa: B008 - frozen
    """Of a cell with a nozzle only."""
    return plan_parts(CellRules("lens_4", (zone(),), judging=judging))


def part(tally: Tally, **changes: object) -> OpenPart:
    """A part under way in that cell."""
    usual = OpenPart(instant(0.0), (tally,), (0,), begun=instant(1.0))
    return replace(usual, **changes)  # type: ignore[arg-type]


def made(under_way: OpenPart, *, is_certain: bool = True, last: int = 1) -> Made:
    """That part as it is counted."""
    return Made(
        Count(0, 1, last, 0, is_certain), instant(9.0), under_way, 0, None, None, None, None
    )


GOOD = Tally(0, 115_000, 116_000, sum_mk_us=231_000_000_000, seen_us=2_000_000)


@given(tallies, tallies, tallies)
def test_tallies_add_in_any_order(one: Tally, two: Tally, three: Tally) -> None:
    """So that no cutting of a series changes a part; nothing adds nothing."""
    assert (one + two) + three == one + (two + three) == (three + one) + two
    assert one + Tally() == one


def test_every_rule_has_a_verdict_and_a_mark_of_its_own() -> None:
    """A rule that nobody thought of would be silent."""
    assert set(VERDICTS) == set(PartRule) == set(BIT)
    assert all(VERDICTS[rule] is not Verdict.CLEAR for rule in PartRule)


def test_the_worst_rule_decides() -> None:
    """The order is that of the verdicts; nothing against a part leaves it clear."""
    told = plan()
    assert worst([], told) is Verdict.CLEAR
    pairs = [(PartRule.NEAR_EDGE, "nozzle"), (PartRule.BLIND, "nozzle"), (PartRule.AFTER_IDLE, "")]
    assert worst(pairs, told) is Verdict.UNKNOWN


@pytest.mark.parametrize("verdict", list(Verdict))
def test_three_verdicts_are_suspect(verdict: Verdict) -> None:
    """Review, unknown and quarantine hold a part back."""
    assert verdict.is_suspect == (verdict.value in {"review", "unknown", "quarantine"})


def test_a_clear_part_has_figures_and_no_rules() -> None:
    """The mean is the integral over the seen time."""
    event = judged(made(part(GOOD)), (), plan())
    assert (event.detail("verdict"), event.detail("rules")) == ("clear", "")
    assert event.detail("nozzle_mean_c") == 115.5
    assert event.detail("tip_min_c") is None
    assert event.detail("reworkable_until_utc_ns") is None


def test_a_part_of_which_nothing_was_seen_has_no_figures() -> None:
    """And no coverage either, if time passed unseen."""
    event = judged(made(part(Tally(blind_us=10**7))), (), plan())
    assert event.detail("nozzle_min_c") is None
    assert event.detail("nozzle_mean_c") is None
    assert event.detail("coverage") == 0.0
    assert event.detail("verdict") == "unknown"


def test_near_an_edge_on_the_way_outside_is_not_told_twice() -> None:
    """Outside says it all."""
    marks = BIT[PartRule.OUTSIDE_WINDOW] | BIT[PartRule.NEAR_EDGE]
    event = judged(made(part(replace(GOOD, marks=marks))), (), plan())
    assert event.detail("rules") == "outside_window:nozzle"


def test_a_count_that_is_not_certain_is_unknown() -> None:
    """Nobody can say which of its numbers was made when."""
    event = judged(made(part(GOOD), is_certain=False, last=3), (), plan())
    assert (event.detail("first"), event.detail("last")) == (1, 3)
    assert (event.detail("verdict"), event.detail("rules")) == ("unknown", "uncounted")


def test_a_rule_that_is_turned_off_is_not_told() -> None:
    """It is as if it did not exist."""
    off = plan(PartRules(verdicts=((PartRule.UNCOUNTED, Verdict.CLEAR),)))
    event = judged(made(part(GOOD), is_certain=False), (), off)
    assert (event.detail("verdict"), event.detail("rules")) == ("clear", "")
    assert judged_again(event, [(PartRule.UNCOUNTED, "")], "late", off) is None


def test_a_part_judged_again_keeps_what_spoke_against_it() -> None:
    """One more rule, a reason, and no change where it is told already."""
    event = judged(made(part(GOOD)), (), plan())
    again = judged_again(event, [(PartRule.BEFORE_LOSS, "nozzle")], "readings lost", plan())
    assert again is not None
    assert (again.at, again.detail("verdict")) == (event.at, "review")
    assert again.detail("because") == "readings lost"
    assert judged_again(again, [(PartRule.BEFORE_LOSS, "nozzle")], "again", plan()) is None


def test_rework_counts_from_the_first_melt() -> None:
    """The part's own beginning, and the material's time."""
    reservoir = zone(id="tank", kind=ZoneKind.TANK, material=AGEING)
    told = plan_parts(CellRules("lens_4", (reservoir,)))
    event = judged(made(part(GOOD)), (), told)
    assert event.detail("reworkable_until_utc_ns") == instant(601.0).utc_ns


def test_rules_read_back() -> None:
    """The text of a part's rules and their zones."""
    assert rules_of("") == ()
    assert rules_of("blind:tank,open_time") == ((PartRule.BLIND, "tank"), (PartRule.OPEN_TIME, ""))


def test_melt_takes_its_time() -> None:
    """Mean and reach of a hose of 20 s behind which a nozzle holds 10 s."""
    way = Transit(own_us=20, below_us=10)
    assert way.mean(100, 104) == (70, 94)
    assert way.reach(100, 104) == (10, 99)


def test_without_a_flow_melt_is_not_followed() -> None:
    """Then the moment counts, also of a hose that is known to hold melt."""
    rules = CellRules("lens_4", (hose(material=AGEING, hold_up_m3=1e-5), zone(material=AGEING)))
    assert plan_parts(rules).transits == (None, None)
    fed = replace(rules, charge=ChargeRules(flow_kg_per_s=1e-5))
    # 1e-5 m3 of 1100 kg/m3 at 1e-5 kg/s are 1100 s.
    assert plan_parts(fed).transits == (Transit(1_100_000_000, 0), None)
    assert plan_parts(fed).slug_us == 137_500_000
    unknown = replace(rules, zones=(hose(material=MATERIAL, hold_up_m3=1e-5), zone()))
    assert plan_parts(replace(unknown, charge=fed.charge)).transits == (None, None)


def test_overheated_melt_of_a_nozzle_reaches_the_next_parts() -> None:
    """What else a nozzle was counts at its moment only."""
    rules = CellRules(
        "lens_4",
        (zone(material=AGEING, hold_up_m3=1e-8),),
        charge=ChargeRules(flow_kg_per_s=1e-5),
    )
    told = plan_parts(rules)
    marks = BIT[PartRule.OVER_CEILING] | BIT[PartRule.OUTSIDE_WINDOW]
    slug = Slug(0, (replace(GOOD, marks=marks),))
    event = judged(made(part(GOOD)), (slug,), told)
    assert event.detail("rules") == "over_ceiling:nozzle"


def test_melt_from_before_the_account_is_taken_as_it_is_now() -> None:
    """Nothing is known of it, so nothing speaks against it."""
    rules = CellRules(
        "lens_4",
        (hose(material=AGEING, hold_up_m3=1e-5), zone()),
        charge=ChargeRules(flow_kg_per_s=1e-5),
    )
    two = OpenPart(instant(0.0), (GOOD, GOOD), (0, 0), begun=instant(1.0))
    event = judged(made(two), (), plan_parts(rules))
    assert event.detail("hose_mean_c") == 115.5
    assert event.detail("verdict") == "clear"


def test_nothing_has_a_value_of_its_own() -> None:
    """No temperature is taken for the lowest of nothing."""
    assert Tally().low_mk == NONE_MK > 10**9
