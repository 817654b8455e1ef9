"""From a snapshot to the state: what is told, and what no longer is."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from outputs import samples
from outputs.samples import S
from outputs.web.asking import at, make_snapshot
from watchedpot.core.model import Instant, Quality, Reason
from watchedpot.core.rules import AlarmKind
from watchedpot.core.snapshot import (
    Advice,
    AdviceSnapshot,
    AlarmState,
    CellSnapshot,
    LinkState,
    SourceSnapshot,
    Why,
)
from watchedpot.outputs.web.model import State
from watchedpot.outputs.web.state import state
from watchedpot.outputs.wording import finding_sentence

SOURCE = SourceSnapshot(
    id="lens_4",
    protocol="opcua",
    is_up=True,
    polls=3600,
    failures={Reason.NO_ANSWER: 2},
    overruns=0,
    connections=1,
    last_answer=at(3599.25),
    lateness_s=0.004,
    round_trip_s=0.003,
    skew_s=None,
    lateness_buckets=(),
    lateness_sum_s=0.0,
    link=LinkState.SILENT,
    diagnosis="no answer within 2 s; check that the controller runs",
    requests=7200,
    rejected={Reason.IMPLAUSIBLE: 5},
    certificate_expires_ns=at(7200.0).utc_ns,
)


def shown(cell: CellSnapshot, *, now_s: float = 3600.0) -> dict[str, Any]:
    """One cell as the interface tells it."""
    return whole(cell, now_s=now_s)["cells"][0]  # type: ignore[no-any-return]


def whole(cell: CellSnapshot, *, now_s: float = 3600.0, speed: float = 1.0) -> dict[str, Any]:
    """The state of a daemon with one cell, as JSON has it."""
    snapshot = replace(make_snapshot(), cells=(cell,), sources=(SOURCE,))
    found = state(
        snapshot, at(now_s), stand_still_limit_s=30.0, speed=speed, parts_since=lambda _: 4
    )
    assert State.model_validate_json(found.model_dump_json()) == found
    told: dict[str, Any] = json.loads(found.model_dump_json())
    return told


def make_cell(**changes: Any) -> CellSnapshot:
    """The sample cell on the clock of the daemon of these tests."""
    return replace(samples.make_cell(), at=at(3599.5), idle_since=at(3590.0), **changes)


def test_the_daemon_tells_its_own_health() -> None:
    """Times to the millisecond, what stands still, source and record."""
    told = whole(make_cell(), speed=30.0)
    assert told["at"] == "2025-11-01T13:26:40.000Z"
    assert told["started"] == "2025-11-01T12:26:40.000Z"
    assert (told["is_well"], told["stands_still"], told["speed"]) == (True, [], 30.0)
    source = told["sources"][0]
    assert (source["failures"], source["rejected"]) == ({"no_answer": 2}, {"implausible": 5})
    assert (source["link"], source["requests"]) == ("silent", 7200)
    assert source["diagnosis"] == "no answer within 2 s; check that the controller runs"
    assert source["certificate_expires"] == "2025-11-01T14:26:40.000Z"
    assert told["ledger"] == {
        "is_writing": True,
        "last_commit": "2025-11-01T13:26:39.200Z",
        "pending": 0,
        "dropped": 0,
        "size_bytes": 4096,
    }
    later = whole(make_cell(), now_s=3640.0)
    assert not later["is_well"]
    assert [one["what"] for one in later["stands_still"]] == [
        "polls of lens_4",
        "evaluation",
        "commit",
    ]


def test_a_cell_tells_its_advice_its_charge_and_its_zones() -> None:
    """The sample cell, key by key."""
    cell = shown(make_cell())
    assert (cell["word"], cell["level"], cell["is_outdated"]) == ("RUN", "normal", False)
    assert cell["sentence"] == f"lens_4: RUN: {cell['reason']}"
    assert cell["reason"] == "every zone is ready and in its window"
    assert cell["age_s"] == 0.5
    assert cell["idle_since"] == "2025-11-01T13:26:30.000Z"
    assert cell["judged"] == {
        "clear": 41_000,
        "clear_with_note": 12,
        "review": 3,
        "unknown": 2,
        "quarantine": 1,
    }
    charge = cell["charge"]
    assert charge["expires_at"] == "2025-11-01T15:31:39.500Z"
    assert charge["empty_at"] == "2025-11-01T16:46:39.500Z"
    assert charge["sentence"].startswith("lens_4 charge charge_0042: 35 % of its pot life used")
    assert cell["number"] == {"label": "charge left", "text": "2 h 05 min"}
    syringe, nozzle = cell["zones"]
    assert (syringe["position"], nozzle["position"]) == ("inside", "below")
    assert syringe["core"]["is_soaked"]
    assert syringe["core"]["ready_at"] is None
    assert nozzle["tip"]["sentence"].startswith("lens_4 nozzle: tip about 110")
    assert nozzle["status"] == "0x00000000"
    assert nozzle["readings"] == {"good": 3590, "missing": 10}
    assert nozzle["exposure"] == {
        "below_s": 312.5,
        "inside_s": 2400.0,
        "above_s": 0.0,
        "blind_s": 1.500000001,
        "under_ks": 14_271.25,
        "over_ks": 0.0,
        "coverage": pytest.approx(2712.5 / 2714.000000001),
    }


def test_only_alarms_that_stand_are_told_with_a_cell() -> None:
    """Those put aside too, with the suspect parts since they were raised."""
    cell = make_cell()
    aside = replace(cell.alarms[1], state=AlarmState.SHELVED)
    told = shown(replace(cell, alarms=(*cell.alarms, aside)))["alarms"]
    assert [(one["id"], one["parts_since"]) for one in told] == [
        ("lens_4/nozzle/cold", 4),
        ("lens_4/unseen", 4),
    ]


def test_the_limit_of_an_index_stands_with_its_zone() -> None:
    """It is that of the zone's own alarm; null where there is none."""
    cell = make_cell()
    wear = samples.make_alarm(
        "lens_4", "nozzle", AlarmKind.BUILD_UP, AlarmState.NORMAL, stage=0, raised=0
    )
    zones = shown(replace(cell, alarms=(replace(wear, limit_s=30.0),)))["zones"]
    assert [zone["build_up_limit_s"] for zone in zones] == [None, 30.0]
    assert zones[1]["degradation_limit_s"] is None


def test_a_finding_is_told_with_its_evidence() -> None:
    """The likeliest cause first, in the same sentence as everywhere."""
    found = shown(make_cell(findings=(samples.NO_HEAT,)))["findings"]
    assert len(found) == 1
    assert found[0]["severity"] == "hold"
    assert [one["cause"] for one in found[0]["candidates"]] == ["no_heat", "part_of_heat"]
    assert found[0]["candidates"][0]["certainty"] == 0.84
    assert found[0]["onset"] == "2025-11-01T13:23:20.000Z"
    assert found[0]["ended"] is None
    assert found[0]["sentence"] == finding_sentence(samples.NO_HEAT)


def test_a_zone_on_its_way_out_says_when() -> None:
    """As moments, of the cell's newest row."""
    cell = make_cell()
    zones = (replace(cell.zones[0], leaving=samples.LEAVING), *cell.zones[1:])
    leaving = shown(replace(cell, zones=zones))["zones"][0]["leaving"]
    assert (leaving["edge"], leaving["toward_c"]) == ("low", 24.0)
    assert leaving["at"] == "2025-11-01T13:27:19.500Z"
    assert leaving["earliest"] < leaving["at"] < leaving["latest"]
    assert shown(cell)["zones"][0]["leaving"] is None


def test_of_a_cell_of_the_past_nothing_is_told_that_may_have_changed() -> None:
    """No temperature, setpoint, core, tip, forecast or flow; the word says to check the data."""
    cell = shown(make_cell(), now_s=3610.0)
    assert (cell["word"], cell["advice"], cell["level"]) == ("CHECK DATA", "check_data", "unknown")
    assert cell["is_outdated"]
    assert cell["reason"].startswith("nothing new since 13:26:39; hold dispensing")
    assert cell["number"] == {"label": "nothing seen for", "text": "10.5 s"}
    for name in ("is_dispensing", "is_in_production", "parts", "ambient_c", "ready_at"):
        assert cell[name] is None
    for zone in cell["zones"]:
        assert (zone["phase"], zone["position"]) == ("unknown", "unknown")
        for name in ("temp_c", "setpoint_c", "output_percent", "core", "tip"):
            assert zone[name] is None
    for name in ("expires_at", "empty_at", "left_at_expiry"):
        assert cell["charge"][name] is None
    assert "2 h" not in cell["charge"]["sentence"]
    assert cell["alarms"]


@pytest.mark.parametrize(
    ("advice", "level"),
    [
        (AdviceSnapshot(Advice.CUT_HEAT, Why.OVER_CEILING, "nozzle"), "act"),
        (AdviceSnapshot(Advice.HOLD, Why.ZONE_COLD, "nozzle"), "act"),
        (AdviceSnapshot(Advice.CHECK_SENSOR, Why.READING_BAD, "nozzle"), "attention"),
        (AdviceSnapshot(Advice.CHANGE_CHARGE, Why.SPENT), "attention"),
        (AdviceSnapshot(Advice.CHECK_DATA, Why.NOT_SEEN), "unknown"),
        (AdviceSnapshot(Advice.WAIT, Why.SOAKING, "syringe", 240.0), "wait"),
        (AdviceSnapshot(Advice.PURGE_FIRST, Why.NEW_CHARGE), "wait"),
        (AdviceSnapshot(Advice.RUN, Why.NEAR_LIMIT), "wait"),
        (AdviceSnapshot(Advice.RUN, Why.ALL_WELL), "normal"),
    ],
)
def test_each_advice_has_a_level(advice: AdviceSnapshot, level: str) -> None:
    """And the reason is the sentence without cell and word."""
    cell = shown(make_cell(advice=advice))
    assert cell["level"] == level
    assert cell["sentence"] == f"lens_4: {cell['word']}: {cell['reason']}"
    assert cell["word"] == advice.advice.value.replace("_", " ").upper()


def test_the_number_that_matters_follows_the_advice() -> None:
    """Ready in; the zone it is about; what is left of the charge, or that this is not known."""
    waiting = shown(make_cell(advice=AdviceSnapshot(Advice.WAIT, Why.SOAKING, "syringe", 240.0)))
    assert waiting["number"] == {"label": "ready in", "text": "4 min 00 s"}
    assert waiting["ready_at"] == "2025-11-01T13:30:39.500Z"
    cold = shown(make_cell(advice=AdviceSnapshot(Advice.HOLD, Why.ZONE_COLD, "nozzle")))
    assert cold["number"] == {"label": "nozzle", "text": "114.3 degC"}
    cell = make_cell()
    unknown = replace(cell.charge, is_age_known=False, empty_in_s=None)
    assert shown(replace(cell, charge=unknown))["number"]["text"] == "not known"


@pytest.mark.parametrize(
    ("temp_c", "position"),
    [
        (114.9, "below"),
        (115.0, "inside"),
        (126.0, "inside"),
        (126.1, "above"),
        (130.1, "over_ceiling"),
        (None, "unknown"),
        (float("nan"), "unknown"),
    ],
)
def test_a_reading_is_placed_by_its_window(temp_c: float | None, position: str) -> None:
    """Both edges belong to the window; what is no number is unknown and null."""
    cell = make_cell()
    zone = replace(cell.zones[0], temp_c=temp_c, quality=Quality.GOOD)
    told = shown(replace(cell, zones=(zone,)))["zones"][0]
    assert told["position"] == position
    assert (told["temp_c"] is None) == (position == "unknown")


def test_a_forecast_beyond_ten_years_is_none() -> None:
    """It would be no date that JSON or a person can use."""
    cell = make_cell()
    forever = replace(cell.charge, expires_in_s=1e300, empty_in_s=float("inf"))
    charge = shown(replace(cell, charge=forever))["charge"]
    assert (charge["expires_at"], charge["empty_at"]) == (None, None)


def test_a_cell_that_counts_no_parts_has_judged_none() -> None:
    """All verdicts are there."""
    assert set(shown(make_cell(judged=()))["judged"].values()) == {0}


def test_a_cell_restored_from_another_clock_has_no_negative_age() -> None:
    """Its row lies in the future of this run."""
    later = Instant(at(3600.0).utc_ns + S, at(3600.0).mono_ns + S)
    cell = shown(replace(make_cell(), at=later))
    assert cell["age_s"] == 0.0
    assert cell["is_outdated"]
