"""The Prometheus page, built fresh from the newest snapshot at each scrape.

A scrape reads memory only, never a device. A temperature that is not good, or too old at the
moment of the scrape, is absent; its time stamp, its quality and the blind seconds never are.

The text is written here and not by the client library, whose encoder takes about ten times as
long: with hundreds of zones it would hold the interpreter, and so the polls, for half a second.
The library still chooses the format, reads the process figures and, in the tests, parses what
is written here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from math import inf, isfinite
from typing import TypeAlias

from prometheus_client import ProcessCollector
from prometheus_client.exposition import CONTENT_TYPE_PLAIN_0_0_4, choose_encoder

from watchedpot.core.model import Instant, Quality, Reason
from watchedpot.core.snapshot import (
    Activity,
    AlarmState,
    CellSnapshot,
    Exposure,
    Phase,
    Snapshot,
    SourceSnapshot,
    ZoneSnapshot,
)
from watchedpot.core.units import seconds

Labels: TypeAlias = tuple[str, ...]
Heads: TypeAlias = dict[Labels, tuple[str, ...]]

OPENMETRICS = "application/openmetrics-text"
CONTENT_TYPE_OPENMETRICS = f"{OPENMETRICS}; version=1.0.0; charset=utf-8"

CELL = ("cell",)
ZONE = ("cell", "heat_zone")
ALARM = ("cell", "heat_zone", "alarm")
SOURCE = ("source",)

QUALITIES = tuple(quality.name.lower() for quality in Quality)
PHASES = tuple(phase.value for phase in Phase)
ALARM_STATES = tuple(state.value for state in AlarmState)
FAILURES = tuple(reason for reason in Reason if reason is not Reason.NONE)
FAILURE_NAMES = tuple(reason.name.lower() for reason in FAILURES)
EDGES = ("low", "high")
RANGES = ("below", "inside", "above", "blind")


class Kind(StrEnum):
    """Type of a metric family, as the text formats name it."""

    COUNTER = "counter"
    GAUGE = "gauge"
    HISTOGRAM = "histogram"
    INFO = "info"


def _escaped(value: str) -> str:
    """Label value in the escaping that both text formats share."""
    return value.replace("\\", r"\\").replace("\n", r"\n").replace('"', r"\"")


@dataclass(slots=True)
class Family:
    """One metric family of one scrape: its header and the lines of its series.

    Attributes
    ----------
    name
        As its series are called: with ``_total`` for counters, ``_info`` for infos.
    labels
        Label names, in the order in which ``add`` takes the values.
    heads
        Text of each series up to its value, by its labels; it outlives the scrape, since
        escaping and joining labels costs more than all the rest.
    """

    name: str
    kind: Kind
    documentation: str
    labels: Labels
    heads: Heads
    lines: list[str] = field(default_factory=list)

    def add(self, labels: Labels, value: float | None) -> None:
        """Add one series; a value that is unknown or not finite leaves none."""
        heads = self.heads.get(labels)
        if heads is None:
            heads = self.heads[labels] = (self._head(labels),)
        if value is not None and isfinite(value):
            self.lines.append(f"{heads[0]}{float(value)!r}\n")

    def add_each(self, labels: Labels, names: Labels, values: Iterable[float]) -> None:
        """Add one series for each value; ``names`` are those of the last label."""
        heads = self.heads.get(labels)
        if heads is None:
            heads = self.heads[labels] = tuple(self._head((*labels, name)) for name in names)
        for head, value in zip(heads, values, strict=True):
            self.lines.append(f"{head}{float(value)!r}\n")

    def add_states(self, labels: Labels, states: Labels, current: str) -> None:
        """Add one series for each state, 1 for the current one and 0 for the others.

        The last label is that of the state.
        """
        key = (*labels, current)
        block = self.heads.get(key)
        if block is None:
            text = "".join(
                f"{self._head((*labels, state))}{float(state == current)!r}\n" for state in states
            )
            block = self.heads[key] = (text,)
        self.lines.append(block[0])

    def add_histogram(
        self, labels: Labels, buckets: Iterable[tuple[float, int]], *, count: int, total: float
    ) -> None:
        """Add one histogram from cumulative counts at or below finite upper bounds."""
        bounds = (*((repr(float(bound)), n) for bound, n in buckets), ("+Inf", count))
        for bound, n in bounds:
            head = self._head((*labels, bound), suffix="_bucket", more=("le",))
            self.lines.append(f"{head}{float(n)!r}\n")
        self.lines.append(f"{self._head(labels, suffix='_sum')}{float(total)!r}\n")
        self.lines.append(f"{self._head(labels, suffix='_count')}{float(count)!r}\n")

    def header(self, *, is_openmetrics: bool) -> str:
        """HELP and TYPE; only OpenMetrics knows infos, and names families without suffix."""
        name, kind = self.name, self.kind
        if is_openmetrics:
            name = name.removesuffix("_total").removesuffix("_info")
        elif kind is Kind.INFO:
            kind = Kind.GAUGE
        return f"# HELP {name} {self.documentation}\n# TYPE {name} {kind}\n"

    def _head(self, values: Labels, *, suffix: str = "", more: Labels = ()) -> str:
        """Text of one series up to its value."""
        names = (*self.labels, *more)
        pairs = ",".join(
            f'{name}="{_escaped(value)}"' for name, value in zip(names, values, strict=True)
        )
        return f"{self.name}{suffix}{{{pairs}}} " if pairs else f"{self.name}{suffix} "


class Metrics:
    """Everything that a scrape returns.

    Each subject has its collector; one that raises is left out whole, says so in
    ``watchedpot_collector_success`` and takes no other with it.

    Parameters
    ----------
    snapshot
        Gives the newest snapshot; called once for each scrape, from any thread.
    now
        Gives the present moment, by which a reading is judged too old.
    """

    def __init__(self, snapshot: Callable[[], Snapshot], now: Callable[[], Instant]) -> None:
        self._snapshot = snapshot
        self._now = now
        # A registry of the library's own would be one for the whole process.
        self._process = ProcessCollector(registry=None)
        self._heads: dict[str, Heads] = {}
        self._collectors: dict[str, Callable[[Snapshot, Instant], Iterator[Family]]] = {
            "zones": self._zones,
            "exposure": self._exposure,
            "alarms": self._alarms,
            "cells": self._cells,
            "sources": self._sources,
            "ledger": self._ledger,
            "daemon": self._daemon,
            "process": self._process_figures,
        }

    def encode(self, accept: str) -> tuple[bytes, str]:
        """One scrape.

        Parameters
        ----------
        accept
            The ``Accept`` header of the request, empty if it had none.

        Returns
        -------
        body : bytes
            The text of all families.
        content_type : str
            Its format: OpenMetrics 1.0.0 where asked for, else the plain text 0.0.4.
        """
        is_openmetrics = _wants_openmetrics(accept)
        parts: list[str] = []
        for family in self._collect():
            if family.lines:
                parts.append(family.header(is_openmetrics=is_openmetrics))
                parts.extend(family.lines)
        if is_openmetrics:
            parts.append("# EOF\n")
        content_type = CONTENT_TYPE_OPENMETRICS if is_openmetrics else CONTENT_TYPE_PLAIN_0_0_4
        return "".join(parts).encode("utf-8", "replace"), content_type

    def _collect(self) -> Iterator[Family]:
        """Families of all collectors that did not raise, then how each of them fared."""
        success = self._gauge(
            "watchedpot_collector_success",
            "Whether the collector of this subject could be read, 1 or 0.",
            ("collector",),
        )
        duration = self._gauge(
            "watchedpot_collector_duration_seconds",
            "How long the collector took in this scrape, in cell time.",
            ("collector",),
        )
        # The snapshot comes first: a reading in it is then never newer than the clock.
        snapshot = self._snapshot()
        now = self._now()
        for name, collect in self._collectors.items():
            start_ns = self._now().mono_ns
            families: tuple[Family, ...] = ()
            is_read = True
            try:
                families = tuple(collect(snapshot, now))
            except Exception:  # one broken subject must not blind the others; it is exported
                is_read = False
            yield from families
            success.add((name,), is_read)
            duration.add((name,), seconds(self._now().mono_ns - start_ns))
        yield success
        yield duration

    def _family(self, name: str, kind: Kind, documentation: str, labels: Labels) -> Family:
        """New family that shares the text of its heads with earlier scrapes."""
        return Family(name, kind, documentation, labels, self._heads.setdefault(name, {}))

    def _gauge(self, name: str, documentation: str, labels: Labels = ()) -> Family:
        return self._family(name, Kind.GAUGE, documentation, labels)

    def _counter(self, name: str, documentation: str, labels: Labels = ()) -> Family:
        return self._family(name, Kind.COUNTER, documentation, labels)

    def _info(self, name: str, documentation: str, labels: Labels) -> Family:
        return self._family(name, Kind.INFO, documentation, labels)

    def _zones(self, snapshot: Snapshot, now: Instant) -> Iterator[Family]:
        """What each zone reads, aims at and is allowed."""
        info = self._info("watchedpot_heat_zone_info", "What the heat zone is.", (*ZONE, "kind"))
        temperature = self._gauge(
            "watchedpot_heat_zone_temperature_celsius",
            "Newest temperature; absent unless it is good and fresh.",
            ZONE,
        )
        setpoint = self._gauge(
            "watchedpot_heat_zone_setpoint_celsius",
            "What the cell's controller aims at; absent unless known.",
            ZONE,
        )
        output = self._gauge(
            "watchedpot_heat_zone_output_ratio",
            "Heater output, 0 to 1; absent unless known.",
            ZONE,
        )
        last_good = self._gauge(
            "watchedpot_heat_zone_last_good_timestamp_seconds",
            "When a good temperature was last received; 0 for never.",
            ZONE,
        )
        stale_after = self._gauge(
            "watchedpot_heat_zone_stale_after_seconds",
            "Age at which a reading no longer says anything about now.",
            ZONE,
        )
        quality = self._gauge(
            "watchedpot_heat_zone_quality",
            "Whether the newest reading may be believed: 1 for its quality, 0 for the others.",
            (*ZONE, "quality"),
        )
        readings = self._counter(
            "watchedpot_heat_zone_readings_total",
            "Temperature readings received, by quality.",
            (*ZONE, "quality"),
        )
        phase = self._gauge(
            "watchedpot_heat_zone_phase",
            "What the zone is doing: 1 for its phase, 0 for the others.",
            (*ZONE, "phase"),
        )
        edge = self._gauge(
            "watchedpot_heat_zone_window_edge_celsius",
            "Edges of the window that the zone is allowed.",
            (*ZONE, "edge"),
        )
        ceiling = self._gauge(
            "watchedpot_heat_zone_ceiling_celsius",
            "Limit of the material, above the window.",
            ZONE,
        )
        for cell, zone, labels in _zones_of(snapshot):
            is_fresh = _is_recent(zone.last_good, now, within_s=zone.stale_after_s)
            is_current = _is_recent(cell.at, now, within_s=zone.stale_after_s)
            is_good = zone.quality is Quality.GOOD and is_fresh
            shown = zone.quality
            if zone.quality is Quality.GOOD and not is_fresh:
                shown = Quality.STALE
            info.add((*labels, zone.kind.value), 1)
            temperature.add(labels, zone.temp_c if is_good else None)
            setpoint.add(labels, zone.setpoint_c if is_current else None)
            output.add(labels, _ratio(zone.output_percent) if is_current else None)
            last_good.add(labels, _timestamp_s(zone.last_good))
            stale_after.add(labels, zone.stale_after_s)
            quality.add_states(labels, QUALITIES, shown.name.lower())
            readings.add_each(labels, QUALITIES, (zone.readings.get(q, 0) for q in Quality))
            phase.add_states(labels, PHASES, zone.phase.value)
            edge.add_each(labels, EDGES, (zone.low_c, zone.high_c))
            ceiling.add(labels, zone.ceiling_c)
        yield from (info, temperature, setpoint, output, last_good, stale_after, quality)
        yield from (readings, phase, edge, ceiling)

    def _exposure(self, snapshot: Snapshot, _now: Instant) -> Iterator[Family]:
        """Where the time of each zone went, and what it has left behind."""
        time = self._counter(
            "watchedpot_heat_zone_seconds_total",
            "Time below, inside, above the window and without good readings, by activity; "
            "the four ranges add up to all time.",
            (*ZONE, "activity", "range"),
        )
        beyond = self._counter(
            "watchedpot_heat_zone_exposure_kelvin_seconds_total",
            "Integral of the distance beyond an edge of the window over time, by activity.",
            (*ZONE, "activity", "edge"),
        )
        excursions = self._counter(
            "watchedpot_heat_zone_excursions_total",
            "Stays outside the window, the open one included.",
            (*ZONE, "edge"),
        )
        build_up = self._gauge(
            "watchedpot_heat_zone_build_up_seconds",
            "Index of material left on a cold nozzle since it was last wiped.",
            ZONE,
        )
        degradation = self._gauge(
            "watchedpot_heat_zone_degradation_seconds",
            "Damage to the charge above the window, in equivalent seconds at its high edge.",
            ZONE,
        )
        none = Exposure()
        for _, zone, labels in _zones_of(snapshot):
            for activity in Activity:
                spent = zone.exposure.get(activity, none)
                ranges_ns = (spent.below_ns, spent.inside_ns, spent.above_ns, spent.blind_ns)
                time.add_each((*labels, activity), RANGES, map(seconds, ranges_ns))
                edges_nks = (spent.under_nks, spent.over_nks)
                beyond.add_each((*labels, activity), EDGES, map(seconds, edges_nks))
            excursions.add_each(labels, EDGES, (zone.excursions.get(edge, 0) for edge in EDGES))
            build_up.add(labels, seconds(zone.build_up_ns))
            degradation.add(labels, seconds(zone.degradation_ns))
        yield from (time, beyond, excursions, build_up, degradation)

    def _alarms(self, snapshot: Snapshot, _now: Instant) -> Iterator[Family]:
        """State of each alarm, as the daemon decided it."""
        info = self._info(
            "watchedpot_alarm_info", "How soon the alarm asks for action.", (*ALARM, "priority")
        )
        state = self._gauge(
            "watchedpot_alarm_state",
            "State of the alarm: 1 for the one it is in, 0 for the other eight.",
            (*ALARM, "state"),
        )
        stage = self._gauge(
            "watchedpot_alarm_stage",
            "0 while the condition is off, 1 on, 2 at its worse stage.",
            ALARM,
        )
        raised = self._counter(
            "watchedpot_alarm_raised_total", "How often the alarm was raised.", ALARM
        )
        limit = self._gauge(
            "watchedpot_alarm_limit_seconds",
            "Index of build-up or degradation at which the alarm is raised.",
            ALARM,
        )
        for cell in snapshot.cells:
            for alarm in cell.alarms:
                labels = (alarm.cell, alarm.zone, alarm.kind.value)
                limit.add(labels, alarm.limit_s)
                info.add((*labels, alarm.priority.value), 1)
                state.add_states(labels, ALARM_STATES, alarm.state.value)
                stage.add(labels, alarm.stage)
                raised.add(labels, alarm.raised)
        yield from (info, state, stage, raised, limit)

    def _cells(self, snapshot: Snapshot, now: Instant) -> Iterator[Family]:
        """What each cell is doing, and with which charge."""
        last_row = self._gauge(
            "watchedpot_cell_last_row_timestamp_seconds",
            "When the newest row of readings was judged, good or not.",
            CELL,
        )
        dispensing = self._gauge(
            "watchedpot_cell_dispensing", "Whether the cell dispenses; absent unless known.", CELL
        )
        production = self._gauge(
            "watchedpot_cell_in_production",
            "Whether the cell is in production; absent unless known.",
            CELL,
        )
        parts = self._counter(
            "watchedpot_cell_parts_total", "The cell's own part counter; absent unless known.", CELL
        )
        ambient = self._gauge(
            "watchedpot_cell_ambient_celsius", "Air at the cell; absent unless known.", CELL
        )
        charge = self._gauge(
            "watchedpot_charge_known", "Whether the id of the loaded charge is known.", CELL
        )
        overheated = self._gauge(
            "watchedpot_charge_overheated",
            "Whether the loaded charge was ever above the limit of its material.",
            CELL,
        )
        ignored = self._counter(
            "watchedpot_cell_ignored_rows_total", "Rows that came late or twice.", CELL
        )
        for cell in snapshot.cells:
            labels = (cell.id,)
            within_s = max((zone.stale_after_s for zone in cell.zones), default=inf)
            is_current = _is_recent(cell.at, now, within_s=within_s)
            last_row.add(labels, _timestamp_s(cell.at))
            dispensing.add(labels, cell.is_dispensing if is_current else None)
            production.add(labels, cell.is_in_production if is_current else None)
            parts.add(labels, cell.parts if is_current else None)
            ambient.add(labels, cell.ambient_c if is_current else None)
            charge.add(labels, cell.charge_id is not None)
            overheated.add(labels, cell.is_overheated)
            ignored.add(labels, cell.ignored_rows)
        yield from (last_row, dispensing, production, parts, ambient, charge, overheated, ignored)

    def _sources(self, snapshot: Snapshot, _now: Instant) -> Iterator[Family]:
        """Health of each connection."""
        info = self._info(
            "watchedpot_source_info", "How the device is read.", (*SOURCE, "protocol")
        )
        up = self._gauge("watchedpot_source_up", "Whether the device answers.", SOURCE)
        polls = self._counter("watchedpot_source_polls_total", "Polls, answered or not.", SOURCE)
        failures = self._counter(
            "watchedpot_source_failures_total",
            "Polls that brought nothing, by reason.",
            (*SOURCE, "reason"),
        )
        overruns = self._counter(
            "watchedpot_source_overruns_total",
            "Polls skipped because the one before took too long.",
            SOURCE,
        )
        connections = self._counter(
            "watchedpot_source_connections_total", "Connections made.", SOURCE
        )
        last_answer = self._gauge(
            "watchedpot_source_last_answer_timestamp_seconds",
            "When the device last answered; 0 for never.",
            SOURCE,
        )
        round_trip = self._gauge(
            "watchedpot_source_round_trip_seconds",
            "From the request of the newest poll to its answer.",
            SOURCE,
        )
        skew = self._gauge(
            "watchedpot_source_clock_skew_seconds",
            "Clock of the server minus ours; absent where the protocol gives no time.",
            SOURCE,
        )
        lateness = self._family(
            "watchedpot_source_poll_lateness_seconds",
            Kind.HISTOGRAM,
            "From the moment a poll was due to its answer.",
            SOURCE,
        )
        for source in snapshot.sources:
            labels = (source.id,)
            info.add((*labels, source.protocol), 1)
            up.add(labels, source.is_up)
            polls.add(labels, source.polls)
            counts = (source.failures.get(reason, 0) for reason in FAILURES)
            failures.add_each(labels, FAILURE_NAMES, counts)
            overruns.add(labels, source.overruns)
            connections.add(labels, source.connections)
            last_answer.add(labels, _timestamp_s(source.last_answer))
            round_trip.add(labels, source.round_trip_s)
            skew.add(labels, source.skew_s)
            _add_lateness(lateness, source)
        yield from (info, up, polls, failures, overruns, connections, last_answer)
        yield from (round_trip, skew, lateness)

    def _ledger(self, snapshot: Snapshot, _now: Instant) -> Iterator[Family]:
        """Health of the record."""
        ledger = snapshot.ledger
        gauges = (
            ("writing", "Whether the record can be written.", ledger.is_writing),
            ("pending_batches", "Batches waiting to be written.", ledger.pending),
            ("capacity_batches", "Batches that may wait before one is lost.", ledger.capacity),
            ("size_bytes", "Size of the record on disk.", ledger.size_bytes),
            (
                "last_commit_timestamp_seconds",
                "When the newest transaction was committed; 0 for never.",
                _timestamp_s(ledger.last_commit),
            ),
        )
        counters = (
            ("commits", "Transactions committed.", ledger.commits),
            ("failures", "Transactions that could not be committed.", ledger.failures),
            ("events", "Events written.", ledger.events),
            ("rows", "Rows of readings written.", ledger.rows),
            ("dropped_batches", "Batches lost because too many waited.", ledger.dropped),
        )
        for name, documentation, value in gauges:
            gauge = self._gauge(f"watchedpot_ledger_{name}", documentation)
            gauge.add((), value)
            yield gauge
        for name, documentation, count in counters:
            counter = self._counter(f"watchedpot_ledger_{name}_total", documentation)
            counter.add((), count)
            yield counter

    def _daemon(self, snapshot: Snapshot, _now: Instant) -> Iterator[Family]:
        """The daemon itself."""
        build = self._info("watchedpot_build_info", "The running program.", ("version",))
        build.add((snapshot.version,), 1)
        config = self._info("watchedpot_config_info", "The running configuration.", ("revision",))
        config.add((snapshot.config_revision,), 1)
        started = self._gauge(
            "watchedpot_daemon_start_timestamp_seconds", "When the daemon started."
        )
        started.add((), _timestamp_s(snapshot.started))
        published = self._gauge(
            "watchedpot_daemon_snapshot_timestamp_seconds",
            "When the figures of this page were last evaluated.",
        )
        published.add((), _timestamp_s(snapshot.at))
        yield from (build, config, started, published)

    def _process_figures(self, _snapshot: Snapshot, _now: Instant) -> Iterator[Family]:
        """Memory, time and file handles of the process, as the library reads them."""
        for metric in self._process.collect():
            for sample in metric.samples:
                family = self._family(sample.name, Kind(metric.type), metric.documentation, ())
                family.add((), sample.value)
                yield family


def _wants_openmetrics(accept: str) -> bool:
    """Whether the library would answer this ``Accept`` header in OpenMetrics."""
    try:
        _, content_type = choose_encoder(accept)
    except TypeError:
        # prometheus_client 0.26 compares a version that is not a number with one that is
        # (test_an_accept_header_of_nonsense_gets_plain_text).
        return False
    return content_type.startswith(OPENMETRICS)


def _zones_of(snapshot: Snapshot) -> Iterator[tuple[CellSnapshot, ZoneSnapshot, Labels]]:
    """Each zone with its cell and its labels."""
    for cell in snapshot.cells:
        for zone in cell.zones:
            yield cell, zone, (cell.id, zone.id)


def _is_recent(at: Instant | None, now: Instant, *, within_s: float) -> bool:
    """Whether a moment is at most so long ago; one of another run of the clock is not."""
    return at is not None and 0 <= now.mono_ns - at.mono_ns <= within_s * 1e9


def _timestamp_s(at: Instant | None) -> float:
    """Seconds since 1970, 0 for never."""
    return seconds(at.utc_ns) if at is not None else 0.0


def _ratio(percent: float | None) -> float | None:
    """Share of one."""
    return percent / 100.0 if percent is not None else None


def _add_lateness(family: Family, source: SourceSnapshot) -> None:
    """Add the lateness of one source; what is above its last finite bound counts as +Inf."""
    buckets = source.lateness_buckets
    finite = [(bound, count) for bound, count in buckets if isfinite(bound)]
    count = buckets[-1][1] if buckets and not isfinite(buckets[-1][0]) else source.polls
    family.add_histogram((source.id,), finite, count=count, total=source.lateness_sum_s)
