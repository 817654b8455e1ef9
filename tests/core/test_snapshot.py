"""What the outputs may know: exposure adds up."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from watchedpot.core.snapshot import (
    Activity,
    Advice,
    AlarmState,
    ChargeState,
    Exposure,
    Phase,
    Why,
)

_PARTS = st.builds(Exposure, *[st.integers(0, 10**18)] * 6)


def test_an_account_that_has_not_begun_is_fully_covered() -> None:
    """Nothing elapsed, nothing missed; no division by zero."""
    assert Exposure().coverage == 1.0
    assert Exposure().elapsed_ns == 0


def test_seen_and_blind_are_all_that_elapsed() -> None:
    """Coverage is the seen share."""
    account = Exposure(below_ns=1, inside_ns=2, above_ns=3, blind_ns=2)
    assert (account.seen_ns, account.elapsed_ns, account.coverage) == (6, 8, 0.75)


@settings(derandomize=True, deadline=None, database=None)
@given(_PARTS, _PARTS, _PARTS)
def test_exposures_add_up_in_any_order(a: Exposure, b: Exposure, c: Exposure) -> None:
    """Integers: associative, commutative, with an empty account as zero."""
    assert (a + b) + c == a + (b + c)
    assert a + b == b + a
    assert a + Exposure() == a
    assert (a + b).elapsed_ns == a.elapsed_ns + b.elapsed_ns
    assert (a + b).under_nks == a.under_nks + b.under_nks
    assert (a + b).over_nks == a.over_nks + b.over_nks


def test_there_are_nine_alarm_states_six_activities_and_eight_phases() -> None:
    """A new one must find its place in every output, as must a state of a charge or an advice."""
    assert (len(AlarmState), len(Activity), len(Phase)) == (9, 6, 8)
    assert (len(ChargeState), len(Advice), len(Why)) == (7, 8, 27)
