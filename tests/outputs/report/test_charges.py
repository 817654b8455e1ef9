"""Charges of a span with what was said of them and how they ended."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from outputs.report import sample
from outputs.report.sample import at, entered, event
from watchedpot.core.model import Event, EventKind
from watchedpot.outputs.ledger import Batch
from watchedpot.outputs.report.charges import Charge, charges
from watchedpot.outputs.report.facts import Facts
from watchedpot.outputs.report.verdicts import Made, Numbers, made


def nothing_made() -> Made:
    """No parts."""
    return made((), ("nozzle",))


def charges_of(*events: Event, from_s: float = 0, to_s: float = 100) -> tuple[Charge, ...]:
    """Charges of a span without parts."""
    said = [each for each in events if each.kind is EventKind.ENTERED]
    told = [each for each in events if each.kind is not EventKind.ENTERED]
    span_ns = {"from_ns": at(from_s).utc_ns, "to_ns": at(to_s).utc_ns}
    return charges(told, said, nothing_made(), **span_ns)


def loaded(second: float, name: str, how: str = "signal") -> Event:
    """A charge that became known."""
    return event(EventKind.CHARGE_CHANGED, second, charge_id=name, how=how, age_s=0.0)


def test_the_sample_has_two(facts: Facts) -> None:
    """One found and soon replaced, one loaded with all that was said of it."""
    found, used = facts.charges
    assert (found.id, found.how, found.parts, found.ended_ns) == ("41", "found", 0, at(50).utc_ns)
    assert (used.id, used.lot, used.who, used.ended_ns) == ("42", "L-7", "Q. Engineer", None)
    assert (used.parts, used.numbers) == (50, Numbers(101, 150))
    assert (used.begin_age_s, used.end_age_s) == (450.0, 1580.0)
    assert used.life_used == pytest.approx(1580.0 / 28_800.0)
    assert used.said["out_of_store_s"] == 3600.0


def test_the_state_at_the_end_is_why_it_ended() -> None:
    """Spent before it was changed; the state of the next one does not count."""
    change = EventKind.CHARGE_STATE_CHANGED
    first, second = charges_of(
        loaded(0, "1"),
        event(change, 10, charge_id="1", to="near_limit"),
        event(change, 20, charge_id="1", to="spent"),
        loaded(30, "2"),
        event(change, 40, charge_id="2", to="in_life"),
    )
    assert (first.end_state, second.end_state) == ("spent", "in_life")


def test_an_overheated_charge_stays_so() -> None:
    """Whatever state it has later."""
    (one,) = charges_of(
        loaded(0, "1"),
        event(EventKind.CHARGE_OVERHEATED, 10, "nozzle", temp_c=150.0),
        event(EventKind.CHARGE_STATE_CHANGED, 20, charge_id="1", to="spent"),
    )
    assert one.is_overheated


def test_only_charges_of_the_span_are_told() -> None:
    """Those that ended before it and those that came after it are not."""
    told = [loaded(second, name) for second, name in ((-50, "1"), (-20, "2"), (50, "3"), (90, "4"))]
    found = charges_of(*told, from_s=0, to_s=80)
    assert [each.id for each in found] == ["2", "3"]
    assert found[1].ended_ns is None  # it ended after the span


def test_a_charge_that_was_kept_is_no_new_one() -> None:
    """Somebody only said that it is still the same."""
    assert len(charges_of(loaded(0, "1"), loaded(10, "1", "kept"))) == 1


def test_what_was_said_belongs_to_its_charge() -> None:
    """By its name, said before or with its loading; a date said only there counts."""
    expires_ns = at(1e6).utc_ns
    first, second = charges_of(
        loaded(0, "1"),
        entered("charge_loaded", 5, subject="2", lot="L-9", expires_utc_ns=expires_ns),
        loaded(10, "2"),
        entered("charge_loaded", 20, subject="2", lot="L-10"),
    )
    assert (first.said, first.lot, first.expires_ns) == ({}, "", None)
    assert (second.lot, second.expires_ns, second.who) == ("L-9", expires_ns, "Q. Engineer")


def test_without_a_change_there_is_no_charge() -> None:
    """A ledger in which no charge was ever told of."""
    assert charges_of() == ()


def test_a_charge_without_a_name_is_still_one() -> None:
    """Ages of no part are not known."""
    (one,) = charges_of(event(EventKind.CHARGE_CHANGED, 0, charge_id=None, how="signal"))
    assert (one.id, one.begin_age_s, one.end_age_s, one.parts) == ("", None, None, 0)


def test_ages_that_are_not_known_stay_so(tmp_path: Path) -> None:
    """The last known one counts, none if there is none."""
    path = tmp_path / "a.ledger"
    parts = [sample.part(n, 20 * n, age_s=None, life_used=None) for n in (1, 2)]
    batch = Batch((), (loaded(0, "42"), *parts))
    sample.record(path, batch, config=sample.config_text(sample.RULES))
    (one,) = sample.facts_of(path).charges
    assert (one.parts, one.end_age_s, one.life_used) == (2, None, None)
    assert np.isnan(sample.facts_of(path).made.age_s).all()
