"""The Prometheus page of hand-built snapshots."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import replace
from math import isfinite
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.openmetrics.parser import (
    text_string_to_metric_families as parse_openmetrics,
)
from prometheus_client.parser import text_string_to_metric_families as parse_plain

from watchedpot.core.model import Instant, Quality, Reason
from watchedpot.core.rules import AlarmKind, Priority, ZoneKind
from watchedpot.core.snapshot import (
    Activity,
    AlarmSnapshot,
    AlarmState,
    CellSnapshot,
    Exposure,
    LedgerSnapshot,
    Phase,
    Snapshot,
    SourceSnapshot,
    ZoneSnapshot,
)
from watchedpot.outputs.metrics import CONTENT_TYPE_OPENMETRICS, Metrics

GOLDEN = Path(__file__).parent.parent / "golden" / "metrics.txt"
START_UTC_NS = 1_762_000_000_000_000_000
S = 1_000_000_000


def at(seconds: float) -> Instant:
    """Moment so long after the daemon started."""
    ns = round(seconds * S)
    return Instant(START_UTC_NS + ns, ns)


def make_zone(
    id_: str, kind: ZoneKind, phase: Phase, *, temp_c: float | None, setpoint_c: float | None
) -> ZoneSnapshot:
    """Zone of a cell in the middle of a shift."""
    return ZoneSnapshot(
        id=id_,
        kind=kind,
        phase=phase,
        temp_c=temp_c,
        quality=Quality.GOOD,
        reason=Reason.NONE,
        status=0,
        last_good=at(3599.5),
        setpoint_c=setpoint_c,
        output_percent=22.5,
        low_c=115.0,
        high_c=126.0,
        ceiling_c=130.0,
        stale_after_s=3.0,
        exposure={
            Activity.DISPENSING: Exposure(
                below_ns=12_500_000_000,
                inside_ns=2_400_000_000_000,
                above_ns=0,
                blind_ns=1_500_000_000,
                under_nks=21_250_000_000,
            ),
            Activity.HEATING: Exposure(
                below_ns=300_000_000_000, under_nks=14_250_000_000_000, blind_ns=1
            ),
        },
        build_up_ns=2_750_000_000,
        degradation_ns=0,
        readings={Quality.GOOD: 3590, Quality.MISSING: 10},
        excursions={"low": 2, "high": 0},
    )


def make_alarm(
    cell: str, zone: str, kind: AlarmKind, state: AlarmState, *, stage: int, raised: int
) -> AlarmSnapshot:
    """Alarm of high priority."""
    return AlarmSnapshot(
        id=f"{cell}/{zone}/{kind}" if zone else f"{cell}/{kind}",
        cell=cell,
        zone=zone,
        kind=kind,
        state=state,
        stage=stage,
        since=at(3000.0),
        raised=raised,
        priority=Priority.HIGH,
        cause="no heat reaches the nozzle",
        consequence="parts with too little adhesive",
        response="hold dispensing and check the heater",
        time_to_respond_s=60.0,
    )


def make_cell(id_: str) -> CellSnapshot:
    """Cell of a syringe and a nozzle that has just gone cold."""
    return CellSnapshot(
        id=id_,
        at=at(3599.5),
        zones=(
            make_zone("syringe", ZoneKind.SYRINGE, Phase.READY, temp_c=120.25, setpoint_c=120.0),
            make_zone("nozzle", ZoneKind.NOZZLE, Phase.READY, temp_c=114.3, setpoint_c=None),
        ),
        alarms=(
            make_alarm(id_, "nozzle", AlarmKind.COLD, AlarmState.UNACKNOWLEDGED, stage=1, raised=2),
            make_alarm(id_, "", AlarmKind.UNSEEN, AlarmState.NORMAL, stage=0, raised=0),
        ),
        is_dispensing=True,
        is_in_production=True,
        parts=41878,
        charge_id="charge_0042",
        is_overheated=False,
        ambient_c=None,
        ignored_rows=3,
    )


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
    """Snapshot whose first zone is another."""
    cell = snapshot.cells[0]
    return replace(snapshot, cells=(replace(cell, zones=(zone, *cell.zones[1:])),))


SYRINGE = {"cell": "lens_4", "heat_zone": "syringe"}
NOZZLE = {"cell": "lens_4", "heat_zone": "nozzle"}
TEMPERATURE = "watchedpot_heat_zone_temperature_celsius"


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
def test_hostile_names_come_back_as_they_were(cell: str, zone: str) -> None:
    r"""Quotes, backslashes, line feeds and anything else in a name survive both formats."""
    snapshot = make_snapshot()
    named = replace(snapshot.cells[0].zones[0], id=zone)
    cells = (replace(snapshot.cells[0], id=cell, zones=(named,), alarms=()),)
    metrics = Metrics(lambda: replace(snapshot, cells=cells), lambda: at(3600.0))
    for accept, parse in (("", parse_plain), ("application/openmetrics-text", parse_openmetrics)):
        body, _ = metrics.encode(accept)
        found = [
            sample.labels
            for family in parse(body.decode())
            for sample in family.samples
            if sample.name == TEMPERATURE
        ]
        assert found == [{"cell": cell, "heat_zone": zone}]


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


def test_a_faulted_hour_adds_no_series() -> None:
    """The series of one configuration are those of its first scrape, or fewer."""
    fresh = make_snapshot()
    cell = fresh.cells[0]
    blank = tuple(
        replace(zone, exposure={}, readings={}, excursions={}, output_percent=1.0, setpoint_c=1.0)
        for zone in cell.zones
    )
    first = replace(
        fresh,
        cells=(replace(cell, zones=blank, ambient_c=20.0),),
        sources=(replace(fresh.sources[0], failures={}),),
    )
    known = set(samples(scrape(first)))
    of_zone = 11 + (5 - 1) + (5 - 1) + (7 - 1) + (2 - 1) + 6 * (4 + 2) + 2 + 2
    of_source = 8 + 14 + (3 + 1) + 2
    expected = 2 * of_zone + 2 * (3 + 9) + 8 + of_source + 10 + 4 + 8 * 2
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
            faulted = replace(
                fresh,
                cells=(replace(cell, zones=zones, alarms=alarms, charge_id=str(state), parts=7),),
                sources=(replace(fresh.sources[0], failures=dict.fromkeys(Reason, 3)),),
            )
            assert set(samples(scrape(faulted))) <= known


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
