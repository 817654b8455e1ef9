"""Each alarm in each state as one short sentence."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest

from outputs.samples import make_alarm
from watchedpot.core.rules import AlarmKind
from watchedpot.core.snapshot import AlarmState
from watchedpot.outputs.alarm_words import title

OF_CELL = (AlarmKind.UNSEEN, AlarmKind.BEFORE_READY, AlarmKind.POT_LIFE)
OFF = (
    AlarmState.NORMAL,
    AlarmState.RETURNED_UNACKNOWLEDGED,
    AlarmState.LATCHED_UNACKNOWLEDGED,
    AlarmState.LATCHED_ACKNOWLEDGED,
)
ON = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


def told(kind: AlarmKind, state: AlarmState, stage: int) -> str:
    """The sentence of an alarm of the nozzle, or of the cell."""
    zone = "" if kind in OF_CELL else "nozzle"
    return title(make_alarm("lens_4", zone, kind, state, stage=stage, raised=1))


@pytest.mark.parametrize(
    ("kind", "state", "stage", "sentence"),
    [
        ("cold", "unacknowledged", 1, "nozzle is too cold"),
        ("cold", "suppressed_by_design", 0, "nozzle too cold, suppressed for now by design"),
        ("cold", "normal", 0, "no alarm: nozzle too cold"),
        ("hot", "acknowledged", 1, "nozzle is too hot, acknowledged"),
        ("hot", "unacknowledged", 2, "nozzle is above the limit of the adhesive"),
        ("hot", "returned_unacknowledged", 0, "nozzle was too hot, to be acknowledged"),
        ("over_ceiling", "unacknowledged", 1, "nozzle is above the limit of the adhesive"),
        (
            "build_up",
            "latched_unacknowledged",
            0,
            "adhesive has built up on nozzle, to be acknowledged and reset",
        ),
        (
            "degradation",
            "latched_acknowledged",
            0,
            "adhesive was damaged by heat in nozzle, to be ",
        ),
        ("unseen", "shelved", 1, "a temperature is not seen, shelved"),
        ("before_ready", "out_of_service", 0, "dispensing before ready, out of service"),
        ("pot_life", "unacknowledged", 1, "the pot life of the charge is used up"),
    ],
)
def test_it_says_what_is_and_what_is_owed(kind: str, state: str, stage: int, sentence: str) -> None:
    """First what is wrong, or was; then what is asked of a person."""
    assert told(AlarmKind(kind), AlarmState(state), stage).startswith(sentence)


def test_a_shelving_for_one_shot_says_so() -> None:
    """It ends with the alarm."""
    alarm = make_alarm("c", "nozzle", AlarmKind.HOT, AlarmState.SHELVED, stage=1, raised=1)
    assert title(replace(alarm, is_one_shot=True)) == "nozzle is too hot, shelved until it is over"


@pytest.mark.parametrize("kind", list(AlarmKind))
def test_no_two_states_of_an_alarm_read_the_same(kind: AlarmKind) -> None:
    """Every kind in every state and stage has a short sentence of its own."""
    stages = range(3) if kind is AlarmKind.HOT else range(2)
    found = {
        (state, stage): told(kind, state, stage)
        for state, stage in product(AlarmState, stages)
        if not (state in OFF and stage) and not (state in ON and not stage)
    }
    assert len(set(found.values())) == len(found)
    for sentence in found.values():
        assert 0 < len(sentence) <= 75
        assert sentence[-1].isalnum()
        assert "{" not in sentence
        assert "_" not in sentence
