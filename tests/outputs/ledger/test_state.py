"""The core's state as JSON."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchedpot.core.model import Instant, Loading, Quality
from watchedpot.core.snapshot import ChargeState, Phase
from watchedpot.errors import LedgerError
from watchedpot.outputs.ledger.state import dump_state, load_state


@dataclass(frozen=True, slots=True)
class Inner:
    """A zone of a state."""

    phase: Phase
    quality: Quality
    last_good: Instant | None
    residues: tuple[float, ...]
    edges: tuple[tuple[int, bool], ...] = ()


@dataclass(frozen=True, slots=True)
class Outer:
    """A state of nested values."""

    cell: str
    total_nks: int
    zones: tuple[Inner, ...]
    counts: dict[Quality, int]
    charge_id: str | None = None


@dataclass(frozen=True, slots=True)
class OuterLater:
    """The same after a field was added."""

    cell: str
    total_nks: int
    zones: tuple[Inner, ...]
    counts: dict[Quality, int]
    charge_id: str | None = None
    parts: int = 0


@dataclass(frozen=True, slots=True)
class Charge:
    """A charge of a state, with what a person said of it."""

    state: ChargeState
    loading: Loading | None
    dose_ns: tuple[int, int]
    nodes_c: tuple[float, ...]
    loaded: Instant | None = None


INSTANTS = st.builds(Instant, st.integers(), st.integers())
INNERS = st.builds(
    Inner,
    st.sampled_from(Phase),
    st.sampled_from(Quality),
    st.none() | INSTANTS,
    st.lists(st.floats(allow_nan=False)).map(tuple),
    st.lists(st.tuples(st.integers(), st.booleans())).map(tuple),
)
OUTERS = st.builds(
    Outer,
    st.text(st.characters(codec="utf-8")),
    st.integers(-(10**30), 10**30),
    st.lists(INNERS, max_size=3).map(tuple),
    st.dictionaries(st.sampled_from(Quality), st.integers()),
    st.none() | st.just("charge 7"),
)


@given(OUTERS)
def test_a_state_reads_back_equal(state: Outer) -> None:
    """Nested tuples, enums, None, floats to the last bit and long integers come back equal."""
    again = load_state(Outer, dump_state(state))
    assert again == state
    assert repr(again) == repr(state)  # tells -0.0 from 0.0, and an enum from its value


FINITE = st.floats(allow_nan=False, allow_infinity=False)
LOADINGS = st.builds(Loading, FINITE, st.none() | FINITE, FINITE, st.none() | FINITE)
CHARGES = st.builds(
    Charge,
    st.sampled_from(ChargeState),
    st.none() | LOADINGS,
    st.tuples(st.integers(0, 10**30), st.integers(0, 10**30)),
    st.lists(FINITE, max_size=40).map(tuple),
    st.none() | INSTANTS,
)


@given(CHARGES)
def test_a_charge_reads_back_equal(charge: Charge) -> None:
    """Its state, its doses and each node of its temperature come back to the last bit."""
    again = load_state(Charge, dump_state(charge))
    assert again == charge
    assert repr(again) == repr(charge)


def test_a_state_may_hold_nan() -> None:
    """A nan comes back as nan, not as None."""
    inner = Inner(Phase.OFF, Quality.BAD, None, (math.nan, math.inf))
    again = load_state(Inner, dump_state(inner))
    assert math.isnan(again.residues[0])
    assert again.residues[1] == math.inf


OUTER = Outer("lens_4", 5, (), {Quality.GOOD: 1})


@pytest.mark.parametrize(
    ("kind", "text", "fault"),
    [
        (OuterLater, dump_state(OUTER), "it has other fields"),
        (Outer, dump_state(OuterLater("lens_4", 5, (), {})), "it has other fields"),
        (Outer, b'{"cell":"lens_4"}', "total_nks: Field required"),
        (Outer, b"{", "text: Invalid JSON: EOF while parsing an object at line 1 column 1"),
    ],
    ids=["a field more", "a field less", "missing", "cut off"],
)
def test_a_state_of_another_version_is_refused(kind: type, text: bytes, fault: str) -> None:
    """Nothing is guessed: the error says what does not fit."""
    with pytest.raises(LedgerError) as caught:
        load_state(kind, text)
    assert str(caught.value) == (
        f"state of type {kind.__name__}: what was recorded does not read back, {fault};"
        " start the version of watchedpot that recorded it, or begin a new ledger"
    )


def test_a_value_of_another_type_is_refused() -> None:
    """A text where a number was is no number, even if it looks like one."""
    text = dump_state(OUTER).replace(b'"total_nks":5', b'"total_nks":"5"')
    with pytest.raises(LedgerError, match="total_nks"):
        load_state(Outer, text)
