"""The Prometheus page of hand-built snapshots."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import replace
from math import isfinite
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from prometheus_client.openmetrics.parser import (
    text_string_to_metric_families as parse_openmetrics,
)
from prometheus_client.parser import text_string_to_metric_families as parse_plain

from outputs.samples import AIR, CHARGE, CORE, NO_HEAT, TIP, at, make_cell
from watchedpot.core.model import Instant, Quality, Reason
from watchedpot.core.rules import Verdict, ZoneKind
from watchedpot.core.snapshot import (
    Activity,
    Advice,
    AdviceSnapshot,
    AlarmState,
    Cause,
    CellSnapshot,
    ChargeSnapshot,
    ChargeState,
    Exposure,
    LedgerSnapshot,
    LinkState,
    Phase,
    Severity,
    Snapshot,
    SourceSnapshot,
    TipSnapshot,
    Why,
    ZoneSnapshot,
)
from watchedpot.outputs.metrics import CONTENT_TYPE_OPENMETRICS, Metrics

GOLDEN = Path(__file__).parent.parent / "golden" / "metrics.txt"


def make_source() -> SourceSnapshot:
    """Connection that was lost once."""
    return SourceSnapshot(
        id="lens_4_plc",
        protocol="opcua",
        is_up=True,
        polls=3600,
        failures={Reason.NO_ANSWER: 8, Reason.NO_CONNECTION: 2},
        overruns=1,
        connections=2,
        last_answer=at(3599.5),
        lateness_s=0.004,
        round_trip_s=0.0035,
        skew_s=-0.25,
        lateness_buckets=((0.005, 3400), (0.05, 3590), (0.5, 3592)),
        lateness_sum_s=21.5,
        link=LinkState.UP,
        requests=7190,
        rejected={Reason.IMPLAUSIBLE: 3},
        certificate_expires_ns=4_070_908_800_000_000_000,
    )


def make_snapshot() -> Snapshot:
    """Daemon of one cell, an hour after its start."""
    return Snapshot(
        at=at(3599.6),
        started=at(0.0),
        version="0.1.0",
        config_revision="3f2a9c51",
        cells=(make_cell("lens_4"),),
        sources=(make_source(),),
        ledger=LedgerSnapshot(
            is_writing=True,
            commits=3599,
            failures=0,
            events=17,
            rows=3600,
            pending=1,
            capacity=600,
            dropped=0,
            size_bytes=401_408,
            last_commit=at(3599.0),
        ),
        certificate_expires_ns=4_102_444_800_000_000_000,
    )


def scrape(snapshot: Snapshot, *, now: Instant | None = None, accept: str = "") -> str:
    """Text of one scrape, by default half a second after the newest reading."""
    moment = now if now is not None else at(3600.0)
    body, _ = Metrics(lambda: snapshot, lambda: moment).encode(accept)
    return body.decode()


def samples(text: str) -> dict[tuple[str, frozenset[tuple[str, str]]], float]:
    """Every series of a scrape, as the client library reads it."""
    found: dict[tuple[str, frozenset[tuple[str, str]]], float] = {}
    for family in parse_plain(text):
        for sample in family.samples:
            key = (sample.name, frozenset(sample.labels.items()))
            assert key not in found, f"{key} is served twice"
            found[key] = sample.value
    return found


def value(text: str, name: str, labels: Mapping[str, str] | None = None) -> float | None:
    """Value of one series, None where it is absent."""
    return samples(text).get((name, frozenset((labels or {}).items())))


def with_zone(snapshot: Snapshot, zone: ZoneSnapshot) -> Snapshot:
    """Snapshot in which the zone of that name is another."""
    cell = snapshot.cells[0]
    zones = tuple(zone if each.id == zone.id else each for each in cell.zones)
    return replace(snapshot, cells=(replace(cell, zones=zones),))


SYRINGE = {"cell": "lens_4", "heat_zone": "syringe"}
NOZZLE = {"cell": "lens_4", "heat_zone": "nozzle"}
TEMPERATURE = "watchedpot_heat_zone_temperature_celsius"
ESTIMATED = "watchedpot_heat_zone_estimated_temperature_celsius"
READINGS = "watchedpot_heat_zone_readings_total"


def test_the_whole_page_is_the_one_on_record() -> None:
    """A scrape of one fixed snapshot is the golden text, apart from the process figures."""
    lines = scrape(make_snapshot()).splitlines(keepends=True)
    text = "".join(line for line in lines if not re.match(r"(# HELP |# TYPE )?process_", line))
    if os.environ.get("WATCHEDPOT_UPDATE_GOLDEN") == "1":
        GOLDEN.write_text(text, encoding="utf-8")
    assert text == GOLDEN.read_text(encoding="utf-8")


def test_a_good_temperature_is_served() -> None:
    """The newest good reading is the temperature."""
    assert value(scrape(make_snapshot()), TEMPERATURE, SYRINGE) == 120.25


@pytest.mark.parametrize("quality", [q for q in Quality if q is not Quality.GOOD])
def test_a_temperature_that_is_not_good_is_absent(quality: Quality) -> None:
    """No number is served for a reading that is not good, but its quality and time are."""
    snapshot = make_snapshot()
    zone = replace(snapshot.cells[0].zones[0], quality=quality)
    text = scrape(with_zone(snapshot, zone))
    assert value(text, TEMPERATURE, SYRINGE) is None
    assert value(text, TEMPERATURE, NOZZLE) == 114.3
    labels = {**SYRINGE, "quality": quality.name.lower()}
    assert value(text, "watchedpot_heat_zone_quality", labels) == 1
    assert value(text, "watchedpot_heat_zone_quality", {**SYRINGE, "quality": "good"}) == 0
    assert value(text, "watchedpot_heat_zone_last_good_timestamp_seconds", SYRINGE) is not None


def test_a_temperature_becomes_absent_by_age_alone() -> None:
    """A good reading older than the zone allows is absent at the scrape and counts as stale."""
    snapshot = make_snapshot()
    at_limit = scrape(snapshot, now=at(3602.5))
    beyond = scrape(snapshot, now=at(3602.6))
    assert value(at_limit, TEMPERATURE, SYRINGE) == 120.25
    assert value(beyond, TEMPERATURE, SYRINGE) is None
    assert value(beyond, "watchedpot_heat_zone_setpoint_celsius", SYRINGE) is None
    assert value(beyond, "watchedpot_cell_dispensing", {"cell": "lens_4"}) is None
    assert value(beyond, "watchedpot_heat_zone_quality", {**SYRINGE, "quality": "stale"}) == 1


def test_a_reading_of_another_run_of_the_clock_is_not_fresh() -> None:
    """A monotonic stamp ahead of now, as after a reboot, does not pass for a new reading."""
    snapshot = make_snapshot()
    zone = replace(snapshot.cells[0].zones[0], last_good=at(99_999.0))
    assert value(scrape(with_zone(snapshot, zone)), TEMPERATURE, SYRINGE) is None


def test_a_zone_never_seen_has_the_time_stamp_zero() -> None:
    """The time of the last good reading is there from the first scrape."""
    snapshot = make_snapshot()
    zone = replace(snapshot.cells[0].zones[0], last_good=None, temp_c=None, quality=Quality.MISSING)
    text = scrape(with_zone(snapshot, zone))
    assert value(text, "watchedpot_heat_zone_last_good_timestamp_seconds", SYRINGE) == 0


def test_no_nan_is_ever_served() -> None:
    """A number that is not finite leaves no series."""
    snapshot = make_snapshot()
    zone = replace(snapshot.cells[0].zones[0], temp_c=float("nan"), setpoint_c=float("inf"))
    text = scrape(with_zone(snapshot, zone))
    assert value(text, TEMPERATURE, SYRINGE) is None
    assert value(text, "watchedpot_heat_zone_setpoint_celsius", SYRINGE) is None
    assert all(isfinite(number) for number in samples(text).values())


def test_every_known_counter_starts_at_zero() -> None:
    """Qualities, activities and failure reasons without a count are served as 0."""
    text = scrape(make_snapshot())
    for quality in Quality:
        labels = {**SYRINGE, "quality": quality.name.lower()}
        assert value(text, "watchedpot_heat_zone_readings_total", labels) is not None
    for activity in Activity:
        for part in ("below", "inside", "above", "blind"):
            labels = {**SYRINGE, "range": part, "activity": activity.value}
            assert value(text, "watchedpot_heat_zone_seconds_total", labels) is not None
        for edge in ("low", "high"):
            labels = {**SYRINGE, "edge": edge, "activity": activity.value}
            name = "watchedpot_heat_zone_exposure_kelvin_seconds_total"
            assert value(text, name, labels) is not None
    refused = {"source": "lens_4_plc", "reason": "refused"}
    assert value(text, "watchedpot_source_failures_total", refused) == 0


def test_totals_are_in_base_units() -> None:
    """Nanoseconds become seconds, nano kelvin-seconds kelvin-seconds, percent a ratio."""
    text = scrape(make_snapshot())
    below = {**NOZZLE, "range": "below", "activity": "dispensing"}
    low = {**NOZZLE, "edge": "low", "activity": "dispensing"}
    assert value(text, "watchedpot_heat_zone_seconds_total", below) == 12.5
    assert value(text, "watchedpot_heat_zone_exposure_kelvin_seconds_total", low) == 21.25
    assert value(text, "watchedpot_heat_zone_output_ratio", NOZZLE) == 0.225
    assert value(text, "watchedpot_heat_zone_build_up_seconds", NOZZLE) == 2.75


@pytest.mark.parametrize("state", AlarmState)
def test_an_alarm_is_in_exactly_one_of_nine_states(state: AlarmState) -> None:
    """One series of the nine is 1 and it is that of the snapshot."""
    snapshot = make_snapshot()
    cell = snapshot.cells[0]
    alarm = replace(cell.alarms[0], state=state)
    changed = replace(snapshot, cells=(replace(cell, alarms=(alarm,)),))
    found = {
        dict(labels)["state"]: number
        for (name, labels), number in samples(scrape(changed)).items()
        if name == "watchedpot_alarm_state"
    }
    assert found == {each.value: float(each is state) for each in AlarmState}


def test_an_alarm_of_the_cell_has_an_empty_heat_zone() -> None:
    """Label names do not depend on what an alarm belongs to."""
    labels = {"cell": "lens_4", "heat_zone": "", "alarm": "unseen"}
    assert value(scrape(make_snapshot()), "watchedpot_alarm_raised_total", labels) == 0


ESTIMATES = (
    ESTIMATED,
    "watchedpot_heat_zone_soaked",
    "watchedpot_heat_zone_ready_in_seconds",
    "watchedpot_heat_zone_tip_uncertainty_kelvin",
    "watchedpot_heat_zone_tip_estimated_ratio",
    "watchedpot_heat_zone_transport_delay_seconds",
)
CELL = {"cell": "lens_4"}


def labelled(text: str, name: str, label: str) -> dict[str, float]:
    """Values of one family by one of its labels."""
    return {
        dict(labels)[label]: number
        for (found, labels), number in samples(text).items()
        if found == name
    }


def with_charge(snapshot: Snapshot, charge: ChargeSnapshot) -> Snapshot:
    """Snapshot whose cell has another charge."""
    return replace(snapshot, cells=(replace(snapshot.cells[0], charge=charge),))


def with_advice(snapshot: Snapshot, advice: AdviceSnapshot) -> Snapshot:
    """Snapshot whose cell has another advice."""
    return replace(snapshot, cells=(replace(snapshot.cells[0], advice=advice),))


def test_estimated_temperatures_stand_apart_from_readings() -> None:
    """Core, its bounds, mean and tip are of one family that holds no reading."""
    text = scrape(make_snapshot())
    assert labelled(text, ESTIMATED, "of") == {
        "core": CORE.centre_c,
        "core_low": CORE.centre_low_c,
        "core_high": CORE.centre_high_c,
        "charge_mean": CORE.mean_c,
        "tip": TIP.temp_c,
    }
    assert labelled(text, TEMPERATURE, "heat_zone") == {"syringe": 120.25, "nozzle": 114.3}


def test_every_estimate_says_that_it_is_one() -> None:
    """The help text of whatever is computed and not read begins with that word."""
    cell = all_known(make_cell())
    text = scrape(replace(make_snapshot(), cells=(cell,)))
    helps = dict(line.split(" ", 3)[2:] for line in text.splitlines() if line.startswith("# HELP"))
    outlooks = (
        *("dose_seconds", "life_used_ratio", "expires_in_seconds", "mass_grams"),
        *("empty_in_seconds", "left_at_expiry_ratio", "residence_seconds"),
        "delivered_older_ratio",
    )
    names = (*ESTIMATES, *(f"watchedpot_charge_{name}" for name in outlooks))
    for name in (*names, "watchedpot_cell_ready_in_seconds"):
        assert helps[name].startswith("Estimate"), name


@pytest.mark.parametrize("quality", [q for q in Quality if q is not Quality.GOOD])
def test_an_estimate_goes_with_its_reading(quality: Quality) -> None:
    """Nothing computed from a reading that is not good is served, its limits still are."""
    snapshot = make_snapshot()
    zones = tuple(replace(zone, quality=quality) for zone in snapshot.cells[0].zones)
    text = scrape(replace(snapshot, cells=(replace(snapshot.cells[0], zones=zones),)))
    assert [name for name, _ in samples(text) if name in ESTIMATES] == []
    assert value(text, "watchedpot_heat_zone_core_ready_celsius", SYRINGE) == 105.0
    assert value(text, "watchedpot_heat_zone_core_start_assumed", SYRINGE) == 1
    assert value(text, "watchedpot_heat_zone_tip_low_celsius", NOZZLE) == 105.0


def test_an_estimate_goes_by_age_alone() -> None:
    """What was computed from a reading that has become too old is absent at the scrape."""
    text = scrape(make_snapshot(), now=at(3602.6))
    assert [name for name, _ in samples(text) if name in ESTIMATES] == []


def test_a_soak_by_timer_has_no_core_temperature() -> None:
    """Only whether it is soaked and when it will be are told, never a made-up temperature."""
    snapshot = make_snapshot()
    core = replace(
        CORE,
        centre_c=None,
        mean_c=None,
        centre_low_c=None,
        centre_high_c=None,
        is_soaked=False,
        ready_in_s=90.0,
    )
    text = scrape(with_zone(snapshot, replace(snapshot.cells[0].zones[0], core=core)))
    assert set(labelled(text, ESTIMATED, "of")) == {"tip"}
    assert value(text, "watchedpot_heat_zone_soaked", SYRINGE) == 0
    assert value(text, "watchedpot_heat_zone_ready_in_seconds", SYRINGE) == 90.0


@pytest.mark.parametrize(
    ("tip", "method"),
    [
        (TIP, "geometry"),
        (replace(TIP, is_measured=True), "offset"),
        (None, "block_only"),
    ],
)
def test_what_is_known_of_a_tip_is_said(tip: TipSnapshot | None, method: str) -> None:
    """Each nozzle says by which method its tip is known, or that only the block is."""
    snapshot = make_snapshot()
    nozzle = replace(snapshot.cells[0].zones[1], tip=tip)
    text = scrape(with_zone(snapshot, nozzle))
    assert labelled(text, "watchedpot_heat_zone_tip_info", "method") == {method: 1}
    assert ("tip" in labelled(text, ESTIMATED, "of")) is (tip is not None)


def test_a_zone_without_a_tip_has_no_method() -> None:
    """Only a nozzle has a tip to be known."""
    snapshot = make_snapshot()
    hose = replace(snapshot.cells[0].zones[1], kind=ZoneKind.HOSE, tip=None)
    assert "watchedpot_heat_zone_tip_info" not in scrape(with_zone(snapshot, hose))


def test_a_ratio_that_is_not_known_is_absent() -> None:
    """A dispenser by time and pressure has a flow ratio and no pressure ratio."""
    name = "watchedpot_heat_zone_tip_estimated_ratio"
    assert labelled(scrape(make_snapshot()), name, "of") == {
        "viscosity": 1.25,
        "flow": 0.8,
        "bead_width": 0.875,
    }


def test_the_charge_has_its_dose_by_both_bounds() -> None:
    """Dose, pot life, share and outlook stand in base units."""
    text = scrape(make_snapshot())
    bounds = {"low": 4500.0, "high": 5040.0}
    assert labelled(text, "watchedpot_charge_dose_seconds", "bound") == bounds
    figures = {
        "known": 1.0,
        "overheated": 0.0,
        "age_known": 1.0,
        "loaded_timestamp_seconds": 1_762_000_000.0,
        "pot_life_seconds": 14_400.0,
        "life_used_ratio": 0.35,
        "dose_unseen_ratio": 0.004,
        "expires_in_seconds": 7500.0,
        "mass_grams": 22.5,
        "empty_in_seconds": 12_000.0,
        "left_at_expiry_ratio": 0.34,
        "residence_seconds": None,
        "delivered_older_ratio": None,
    }
    found = {name: value(text, f"watchedpot_charge_{name}", CELL) for name in figures}
    assert found == figures


@pytest.mark.parametrize("state", ChargeState)
def test_a_charge_is_in_exactly_one_state(state: ChargeState) -> None:
    """One series of all states is 1 and it is that of the snapshot."""
    text = scrape(with_charge(make_snapshot(), replace(CHARGE, state=state)))
    found = labelled(text, "watchedpot_charge_state", "state")
    assert found == {each.value: float(each is state) for each in ChargeState}


def test_what_is_not_known_of_a_charge_is_absent() -> None:
    """A nameless charge of a material without pot life has its state, and no number made up."""
    charge = ChargeSnapshot(
        None,
        ChargeState.AGE_UNKNOWN,
        None,
        is_age_known=False,
        is_overheated=True,
        **dict.fromkeys(
            (
                *("dose_low_s", "dose_high_s", "pot_life_s", "life_used", "estimated_share"),
                *("expires_in_s", "mass_kg", "empty_in_s", "left_at_expiry"),
                *("residence_s", "older_share"),
            )
        ),
    )
    text = scrape(with_charge(make_snapshot(), charge))
    found = {name: n for (name, _), n in samples(text).items() if "watchedpot_charge_" in name}
    assert found.pop("watchedpot_charge_state") in {0.0, 1.0}
    assert found == {
        "watchedpot_charge_known": 0.0,
        "watchedpot_charge_overheated": 1.0,
        "watchedpot_charge_age_known": 0.0,
    }


def test_an_age_that_is_not_known_forecasts_nothing() -> None:
    """What was counted so far is served, but not when it would run out."""
    text = scrape(with_charge(make_snapshot(), replace(CHARGE, is_age_known=False)))
    assert value(text, "watchedpot_charge_age_known", CELL) == 0
    assert value(text, "watchedpot_charge_life_used_ratio", CELL) == 0.35
    assert value(text, "watchedpot_charge_expires_in_seconds", CELL) is None
    assert value(text, "watchedpot_charge_left_at_expiry_ratio", CELL) is None
    assert value(text, "watchedpot_charge_empty_in_seconds", CELL) == 12_000.0


def test_the_outlook_of_a_charge_goes_when_nothing_new_comes() -> None:
    """A forecast from the present temperature is absent once that is not present; the age stays."""
    text = scrape(make_snapshot(), now=at(3602.6))
    for name in ("expires_in_seconds", "mass_grams", "empty_in_seconds", "left_at_expiry_ratio"):
        assert value(text, f"watchedpot_charge_{name}", CELL) is None
    assert value(text, "watchedpot_charge_life_used_ratio", CELL) == 0.35


@pytest.mark.parametrize("advice", Advice)
def test_a_cell_has_exactly_one_advice(advice: Advice) -> None:
    """One series of all advices is 1 and it is that of the snapshot."""
    text = scrape(with_advice(make_snapshot(), AdviceSnapshot(advice, Why.ALL_WELL)))
    found = labelled(text, "watchedpot_cell_advice", "advice")
    assert found == {each.value: float(each is advice) for each in Advice}


def test_an_advice_of_the_past_is_to_check_the_data() -> None:
    """Once nothing new has come for too long, the last advice is not served as the present one."""
    name = "watchedpot_cell_advice"
    at_limit = labelled(scrape(make_snapshot(), now=at(3609.5)), name, "advice")
    beyond = labelled(scrape(make_snapshot(), now=at(3609.6)), name, "advice")
    assert (at_limit["run"], at_limit["check_data"]) == (1, 0)
    assert (beyond["run"], beyond["check_data"]) == (0, 1)


def test_the_wait_of_a_cell_is_served() -> None:
    """The forecast of the advice stands beside it, absent where there is none."""
    advice = AdviceSnapshot(Advice.WAIT, Why.SOAKING, "syringe", 720.0)
    name = "watchedpot_cell_ready_in_seconds"
    assert value(scrape(with_advice(make_snapshot(), advice)), name, CELL) == 720.0
    assert value(scrape(make_snapshot()), name, CELL) is None


def test_the_air_is_served_while_it_is_measured() -> None:
    """Without a dew point now, nobody knows whether the air is moist; the limit stays."""
    snapshot = make_snapshot()
    cell = snapshot.cells[0]
    moist = replace(AIR, dew_point_c=-12.0, is_moist=True)
    names = ("dew_point_celsius", "dew_point_limit_celsius", "moist")
    for air, now, expected in (
        (AIR, at(3600.0), [-24.5, -20.0, 0]),
        (moist, at(3600.0), [-12.0, -20.0, 1]),
        (replace(moist, dew_point_c=None), at(3600.0), [None, -20.0, None]),
        (moist, at(3602.6), [None, -20.0, None]),
        (None, at(3600.0), [None, None, None]),
    ):
        text = scrape(replace(snapshot, cells=(replace(cell, air=air),)), now=now)
        assert [value(text, f"watchedpot_cell_air_{name}", CELL) for name in names] == expected


def test_the_lateness_histogram_is_cumulative_and_complete() -> None:
    """The +Inf bucket is there and equals the count, whether or not the source gives it."""
    source = make_source()
    with_inf = replace(source, lateness_buckets=(*source.lateness_buckets, (float("inf"), 3600)))
    name = "watchedpot_source_poll_lateness_seconds"
    for each in (source, with_inf):
        text = scrape(replace(make_snapshot(), sources=(each,)))
        labels = {"source": "lens_4_plc"}
        counts = [
            value(text, f"{name}_bucket", {**labels, "le": bound})
            for bound in ("0.005", "0.05", "0.5", "+Inf")
        ]
        assert counts == [3400, 3590, 3592, 3600]
        assert value(text, f"{name}_count", labels) == 3600
        assert value(text, f"{name}_sum", labels) == 21.5


def test_one_broken_subject_takes_no_other_with_it() -> None:
    """A collector that raises is left out whole and named; all others are served."""
    broken = replace(make_snapshot(), sources=(None,))  # type: ignore[arg-type]
    text = scrape(broken)
    success = {
        dict(labels)["collector"]: number
        for (name, labels), number in samples(text).items()
        if name == "watchedpot_collector_success"
    }
    assert success.pop("sources") == 0
    assert set(success.values()) == {1}
    assert "watchedpot_source_" not in text
    assert value(text, TEMPERATURE, SYRINGE) == 120.25


def test_each_scrape_is_built_from_the_newest_snapshot() -> None:
    """Nothing of an earlier scrape stays: what is gone from the snapshot is gone from the page."""
    current = make_snapshot()
    metrics = Metrics(lambda: current, lambda: at(3600.0))
    first, _ = metrics.encode("")
    current = replace(current, cells=())
    second, _ = metrics.encode("")
    assert b"watchedpot_heat_zone_phase{" in first
    assert b"watchedpot_heat_zone" not in second
    assert b"watchedpot_alarm" not in second


NAMES = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=20)


@given(cell=NAMES, zone=NAMES)
@example(cell="%", zone="%r%%s")
@example(cell='"', zone="a\\n\nb")
def test_hostile_names_come_back_as_they_were(cell: str, zone: str) -> None:
    r"""Quotes, backslashes, line feeds and anything else in a name survive both formats."""
    snapshot = make_snapshot()
    named = replace(snapshot.cells[0].zones[0], id=zone)
    cells = (replace(snapshot.cells[0], id=cell, zones=(named,), alarms=()),)
    metrics = Metrics(lambda: replace(snapshot, cells=cells), lambda: at(3600.0))
    for accept, parse in (("", parse_plain), ("application/openmetrics-text", parse_openmetrics)):
        body, _ = metrics.encode(accept)
        found = [
            (sample.name, sample.labels["cell"], sample.labels["heat_zone"])
            for family in parse(body.decode())
            for sample in family.samples
            if "heat_zone" in sample.labels
        ]
        assert {TEMPERATURE, ESTIMATED, READINGS} <= {name for name, *_ in found}
        assert {(its_cell, its_zone) for _, its_cell, its_zone in found} == {(cell, zone)}


@pytest.mark.parametrize(
    "accept",
    [
        "application/openmetrics-text",
        "application/openmetrics-text; version=1.0.0; charset=utf-8",
        "application/openmetrics-text;version=1.0.0;q=0.6,text/plain;version=0.0.4;q=0.3,*/*;q=0.2",
    ],
)
def test_openmetrics_is_served_to_those_who_ask(accept: str) -> None:
    """The strict parser of the client library reads it, to its end mark, with the same values."""
    snapshot = make_snapshot()
    body, content_type = Metrics(lambda: snapshot, lambda: at(3600.0)).encode(accept)
    assert content_type == CONTENT_TYPE_OPENMETRICS
    assert body.endswith(b"\n# EOF\n")
    found = {
        (sample.name, frozenset(sample.labels.items())): sample.value
        for family in parse_openmetrics(body.decode())  # type: ignore[no-untyped-call]
        for sample in family.samples
        if not sample.name.startswith("process_")
    }
    plain = samples(scrape(snapshot))
    assert found == {key: n for key, n in plain.items() if not key[0].startswith("process_")}


@pytest.mark.parametrize("accept", ["", "*/*", "text/plain; version=0.0.4", "text/html"])
def test_all_others_get_plain_text(accept: str) -> None:
    """Without a wish for OpenMetrics the format is the plain text 0.0.4."""
    snapshot = make_snapshot()
    body, content_type = Metrics(lambda: snapshot, lambda: at(3600.0)).encode(accept)
    assert content_type == "text/plain; version=0.0.4; charset=utf-8"
    assert b"# EOF" not in body
    assert b"\r" not in body


def test_an_accept_header_of_nonsense_gets_plain_text() -> None:
    """A version that is not a number is no reason to refuse a scrape."""
    snapshot = make_snapshot()
    metrics = Metrics(lambda: snapshot, lambda: at(3600.0))
    _, content_type = metrics.encode("application/openmetrics-text; version=abc")
    assert content_type.startswith("text/plain")


def test_each_family_stands_once_and_in_one_piece() -> None:
    """One HELP and one TYPE for each name, and all its series after them."""
    text = scrape(make_snapshot())
    types = [line.split()[2] for line in text.splitlines() if line.startswith("# TYPE")]
    helps = [line.split()[2] for line in text.splitlines() if line.startswith("# HELP")]
    assert len(types) == len(set(types))
    assert types == helps
    order = [family.name for family in parse_plain(text)]
    assert len(order) == len(set(order))


def all_known(cell: CellSnapshot) -> CellSnapshot:
    """Cell of which every figure is known, before anything was counted."""
    zones = tuple(
        replace(
            zone,
            exposure={},
            readings={},
            excursions={},
            output_percent=1.0,
            setpoint_c=1.0,
            tip=zone.tip and replace(zone.tip, pressure_ratio=1.0),
            transport_delay_s=1.0,
        )
        for zone in cell.zones
    )
    charge = replace(CHARGE, residence_s=1.0, older_share=0.0)
    advice = AdviceSnapshot(Advice.WAIT, Why.SOAKING, "syringe", 60.0)
    return replace(cell, zones=zones, ambient_c=20.0, charge=charge, advice=advice, findings=())


def test_a_faulted_hour_adds_no_series() -> None:
    """The series of one configuration are those of its first scrape, or fewer."""
    fresh = make_snapshot()
    cell = all_known(fresh.cells[0])
    source = replace(fresh.sources[0], failures={})
    known = set(samples(scrape(replace(fresh, cells=(cell,), sources=(source,)))))
    of_zone = 11 + (5 - 1) + (5 - 1) + (8 - 1) + (2 - 1) + 6 * (4 + 2) + 2 + 2 + 1
    of_core, of_tip = 4 + 4, 1 + 4 + 3
    of_cell = 7 + 8 + len(Verdict)
    of_charge = 3 + 7 + 2 + 4 + 6
    reasons = len(Reason) - 1
    of_source = 8 + 2 + len(LinkState) + 2 * reasons + (3 + 1) + 2
    expected = 2 * of_zone + of_core + of_tip + 2 * (3 + 9) + of_cell + of_charge + 3
    expected += len(Cause) + len(Severity)
    expected += of_source + 10 + (4 + 1) + 12 * 2
    assert len([name for name, _ in known if not name.startswith("process_")]) == expected
    for quality in Quality:
        for state in AlarmState:
            zones = tuple(
                replace(
                    zone,
                    quality=quality,
                    phase=Phase.UNKNOWN,
                    readings=dict.fromkeys(Quality, 9),
                    exposure={each: Exposure(1, 1, 1, 1, 1, 1) for each in Activity},
                )
                for zone in cell.zones
            )
            alarms = tuple(replace(alarm, state=state, stage=2) for alarm in cell.alarms)
            charge = replace(CHARGE, id=str(state), state=ChargeState.OVERHEATED)
            faulted = replace(
                fresh,
                cells=(
                    replace(
                        cell,
                        zones=zones,
                        alarms=alarms,
                        charge=charge,
                        parts=7,
                        findings=(NO_HEAT, replace(NO_HEAT, id="lens_4/4", ended=NO_HEAT.told)),
                    ),
                ),
                sources=(replace(fresh.sources[0], failures=dict.fromkeys(Reason, 3)),),
            )
            assert set(samples(scrape(faulted))) <= known


def test_a_finding_that_lasts_is_told_by_its_cause_and_severity() -> None:
    """One that has ended is not; nor any of a cell of which nothing is known now, or sought."""
    fresh = make_snapshot()
    assert value(scrape(fresh), "watchedpot_cell_findings", {"cell": "lens_4"}) is None
    assert "watchedpot_cell_findings{" not in scrape(fresh)
    ended = replace(NO_HEAT, id="lens_4/2", ended=NO_HEAT.told, severity=Severity.CRITICAL)
    found = replace(fresh, cells=(replace(fresh.cells[0], findings=(NO_HEAT, ended)),))
    text = scrape(found)
    certainty, count = "watchedpot_cell_finding_certainty", "watchedpot_cell_findings"
    assert value(text, certainty, {"cell": "lens_4", "cause": "no_heat"}) == 0.84
    assert value(text, certainty, {"cell": "lens_4", "cause": "draft"}) == 0.0
    of = [{"cell": "lens_4", "severity": each} for each in ("critical", "hold", "note")]
    assert [value(text, count, labels) for labels in of] == [0.0, 1.0, 0.0]
    assert value(scrape(found, now=at(9000.0)), count, of[1]) is None


def test_process_figures_are_served() -> None:
    """Memory, processor time and open files of the process are part of the page."""
    text = scrape(make_snapshot())
    for name in ("process_resident_memory_bytes", "process_cpu_seconds_total", "process_open_fds"):
        number = value(text, name)
        assert number is not None
        assert number > 0


def test_the_duration_of_each_collector_is_served() -> None:
    """What a collector took is measured by the clock it was given."""
    ticks = iter(range(10_000))
    snapshot = make_snapshot()
    body, _ = Metrics(lambda: snapshot, lambda: at(3600.0 + next(ticks) / 8)).encode("")
    labels = {"collector": "zones"}
    assert value(body.decode(), "watchedpot_collector_duration_seconds", labels) == 0.125
