"""The Prometheus page, built fresh from the newest snapshot at each scrape.

A scrape reads memory only, never a device. A temperature that is not good, or too old at the
moment of the scrape, is absent, and so is what was estimated from it; its time stamp, its quality
and the blind seconds never are. Estimates have families of their own, never those of readings.

The text is written here and not by the client library, whose encoder takes about ten times as
long: with hundreds of zones it would hold the interpreter, and so the polls, for half a second.
The library still chooses the format, reads the process figures and, in the tests, parses what
is written here.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from math import inf, isfinite
from typing import TypeAlias

from prometheus_client import ProcessCollector
from prometheus_client.exposition import CONTENT_TYPE_PLAIN_0_0_4, choose_encoder

from watchedpot.core.model import Instant, Quality, Reason
from watchedpot.core.rules import Verdict, ZoneKind
from watchedpot.core.snapshot import (
    Activity,
    Advice,
    AlarmState,
    Cause,
    CellSnapshot,
    ChargeSnapshot,
    ChargeState,
    CoreSnapshot,
    Exposure,
    LinkState,
    Phase,
    Severity,
    Snapshot,
    SourceSnapshot,
    TipSnapshot,
    ZoneSnapshot,
)
from watchedpot.core.units import seconds
from watchedpot.outputs.freshness import is_outdated, is_recent

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
CAUSES = tuple(cause.value for cause in Cause)
SEVERITIES = tuple(severity.value for severity in Severity)
LINK_NAMES = tuple(state.value for state in LinkState)
EDGES = ("low", "high")
RANGES = ("below", "inside", "above", "blind")
BOUNDS = ("low", "high")
CHARGE_STATES = tuple(state.value for state in ChargeState)
VERDICTS = tuple(verdict.value for verdict in Verdict)
ADVICES = tuple(advice.value for advice in Advice)
CORE_TEMPERATURES = ("core", "core_low", "core_high", "charge_mean")
TIP_RATIOS = ("viscosity", "flow", "bead_width", "pressure")

CHARGE_FIGURES: tuple[tuple[str, str, Callable[[ChargeSnapshot], float | None]], ...] = (
    (
        "watchedpot_charge_loaded_timestamp_seconds",
        "When the charge was loaded; absent where it was there before the account began.",
        lambda charge: None if charge.loaded is None else _timestamp_s(charge.loaded),
    ),
    (
        "watchedpot_charge_pot_life_seconds",
        "Pot life at the material's reference temperature.",
        lambda charge: charge.pot_life_s,
    ),
    (
        "watchedpot_charge_life_used_ratio",
        "Estimate: used share of the pot life by the stricter bound, 1 when it is gone.",
        lambda charge: charge.life_used,
    ),
    (
        "watchedpot_charge_dose_unseen_ratio",
        "Part of the stricter dose that was charged for time that was not seen.",
        lambda charge: charge.estimated_share,
    ),
)
"""What is on account of a charge: name, help text and value; it stays while nothing is seen."""

CHARGE_OUTLOOKS: tuple[tuple[str, str, Callable[[ChargeSnapshot], float | None]], ...] = (
    (
        "watchedpot_charge_expires_in_seconds",
        "Estimate: time until the pot life is gone at the present temperature; absent unless "
        "known.",
        lambda charge: charge.expires_in_s if charge.is_age_known else None,
    ),
    (
        "watchedpot_charge_mass_grams",
        "Estimate: adhesive that is left; absent unless known.",
        lambda charge: None if charge.mass_kg is None else charge.mass_kg * 1000.0,
    ),
    (
        "watchedpot_charge_empty_in_seconds",
        "Estimate: time until the charge is used up at its mean use; absent unless known.",
        lambda charge: charge.empty_in_s,
    ),
    (
        "watchedpot_charge_left_at_expiry_ratio",
        "Estimate: share of a full charge that will be left when the pot life is gone; absent "
        "unless known.",
        lambda charge: charge.left_at_expiry if charge.is_age_known else None,
    ),
    (
        "watchedpot_charge_residence_seconds",
        "Estimate: mean time that melt stays in the tank; absent unless known.",
        lambda charge: charge.residence_s,
    ),
    (
        "watchedpot_charge_delivered_older_ratio",
        "Estimate: share of the delivered melt that is older than the pot life at the present "
        "temperature; absent unless known.",
        lambda charge: charge.older_share,
    ),
)
"""What is to come of a charge; absent once the newest row of its cell is too old."""


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
        Text of each series up to its value, or of several series with their places for values,
        by their labels; it outlives the scrape, since escaping and joining labels costs more
        than all the rest.
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
        """Add one series for each value; ``names`` are those of the last label.

        Most of a page is written here, so all values go into one text at once.
        """
        block = self.heads.get(labels)
        if block is None:
            heads = (self._head((*labels, name)).replace("%", "%%") for name in names)
            block = self.heads[labels] = ("".join(f"{head}%r\n" for head in heads),)
        self.lines.append(block[0] % tuple(map(float, values)))

    def add_known(self, labels: Labels, names: Labels, values: Iterable[float | None]) -> None:
        """Add one series for each value that is known; ``names`` are those of the last label."""
        heads = self.heads.get(labels)
        if heads is None:
            heads = self.heads[labels] = tuple(self._head((*labels, name)) for name in names)
        for head, value in zip(heads, values, strict=True):
            if value is not None and isfinite(value):
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
            "estimates": self._estimates,
            "exposure": self._exposure,
            "alarms": self._alarms,
            "cells": self._cells,
            "charges": self._charges,
            "air": self._air,
            "findings": self._findings,
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
            is_current = is_recent(cell.at, now, within_s=zone.stale_after_s)
            is_good = _is_good(zone, now)
            shown = zone.quality
            if zone.quality is Quality.GOOD and not is_good:
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

    def _estimates(self, snapshot: Snapshot, now: Instant) -> Iterator[Family]:
        """What was computed of each zone beyond its sensor; gone when the reading is."""
        temperature = self._gauge(
            "watchedpot_heat_zone_estimated_temperature_celsius",
            "Estimate, not a reading: core of the charge with its low and high bound, mean of "
            "the charge, tip of the nozzle; absent unless the zone's reading is good and fresh.",
            (*ZONE, "of"),
        )
        core_ready = self._gauge(
            "watchedpot_heat_zone_core_ready_celsius",
            "What the core of the charge must reach to count as warm.",
            ZONE,
        )
        assumed = self._gauge(
            "watchedpot_heat_zone_core_start_assumed",
            "Whether the temperature at which the charge was loaded is assumed, 1, or known, 0.",
            ZONE,
        )
        soaked = self._gauge(
            "watchedpot_heat_zone_soaked",
            "Estimate: whether the core of the charge has become warm, 1 or 0; absent while the "
            "zone is not seen.",
            ZONE,
        )
        ready_in = self._gauge(
            "watchedpot_heat_zone_ready_in_seconds",
            "Estimate: time until the core is warm if the wall stays at its setpoint; absent "
            "unless known.",
            ZONE,
        )
        tip_info = self._info(
            "watchedpot_heat_zone_tip_info",
            "What is known of a nozzle's tip: geometry, measured offset, or the block only.",
            (*ZONE, "method"),
        )
        tip_low = self._gauge(
            "watchedpot_heat_zone_tip_low_celsius",
            "Lowest temperature of the tip at which the melt still flows as it should.",
            ZONE,
        )
        uncertainty = self._gauge(
            "watchedpot_heat_zone_tip_uncertainty_kelvin",
            "Estimate: how far the tip may be from its estimated temperature either way.",
            ZONE,
        )
        ratio = self._gauge(
            "watchedpot_heat_zone_tip_estimated_ratio",
            "Estimate at the tip: viscosity, melt flow, bead width and pressure, each over that "
            "at the usual setpoint; absent unless known.",
            (*ZONE, "of"),
        )
        delay = self._gauge(
            "watchedpot_heat_zone_transport_delay_seconds",
            "Estimate: time that melt takes through the zone at the mean flow of the charge; "
            "absent unless known.",
            ZONE,
        )
        for _, zone, labels in _zones_of(snapshot):
            is_good = _is_good(zone, now)
            core, tip = zone.core, zone.tip
            if core is not None:
                core_ready.add(labels, core.ready_c)
                assumed.add(labels, core.is_assumed)
            if core is not None and is_good:
                temperature.add_known(labels, CORE_TEMPERATURES, _core_values(core))
                soaked.add(labels, core.is_soaked)
                ready_in.add(labels, core.ready_in_s)
            if tip is not None or zone.kind is ZoneKind.NOZZLE:
                tip_info.add((*labels, _tip_method(tip)), 1)
            if tip is not None:
                tip_low.add(labels, tip.low_c)
            if tip is not None and is_good:
                temperature.add((*labels, "tip"), tip.temp_c)
                uncertainty.add(labels, tip.uncertainty_k)
                ratio.add_known(labels, TIP_RATIOS, _tip_ratios(tip))
            delay.add(labels, zone.transport_delay_s if is_good else None)
        yield from (temperature, core_ready, assumed, soaked, ready_in)
        yield from (tip_info, tip_low, uncertainty, ratio, delay)

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
        """What each cell is doing, and what to do with it."""
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
        advice = self._gauge(
            "watchedpot_cell_advice",
            "What to do with the cell now: 1 for the advice, 0 for the others; check_data once "
            "nothing new has come for too long.",
            (*CELL, "advice"),
        )
        ready_in = self._gauge(
            "watchedpot_cell_ready_in_seconds",
            "Estimate: time until the cell is ready if the heat stays on; absent unless known.",
            CELL,
        )
        ignored = self._counter(
            "watchedpot_cell_ignored_rows_total", "Rows that came late or twice.", CELL
        )
        judged = self._counter(
            "watchedpot_parts_judged_total",
            "Parts by their first verdict; review, unknown and quarantine are suspect.",
            (*CELL, "verdict"),
        )
        for cell in snapshot.cells:
            labels = (cell.id,)
            is_current = _is_current(cell, now)
            shown = Advice.CHECK_DATA if is_outdated(cell, now) else cell.advice.advice
            last_row.add(labels, _timestamp_s(cell.at))
            dispensing.add(labels, cell.is_dispensing if is_current else None)
            production.add(labels, cell.is_in_production if is_current else None)
            parts.add(labels, cell.parts if is_current else None)
            ambient.add(labels, cell.ambient_c if is_current else None)
            advice.add_states(labels, ADVICES, shown.value)
            ready_in.add(labels, cell.advice.ready_in_s if is_current else None)
            ignored.add(labels, cell.ignored_rows)
            if cell.judged:
                judged.add_each(labels, VERDICTS, map(float, cell.judged))
        yield from (last_row, dispensing, production, parts, ambient, advice, ready_in)
        yield from (ignored, judged)

    def _charges(self, snapshot: Snapshot, now: Instant) -> Iterator[Family]:
        """The charge of each cell, its age and its outlook."""
        known = self._gauge(
            "watchedpot_charge_known", "Whether the id of the loaded charge is known.", CELL
        )
        overheated = self._gauge(
            "watchedpot_charge_overheated",
            "Whether the loaded charge was ever above the limit of its material.",
            CELL,
        )
        state = self._gauge(
            "watchedpot_charge_state",
            "How the charge stands: 1 for its state, 0 for the others.",
            (*CELL, "state"),
        )
        age_known = self._gauge(
            "watchedpot_charge_age_known",
            "Whether the age of the charge is known, 1 or 0; without it nothing is forecast of it.",
            CELL,
        )
        dose = self._gauge(
            "watchedpot_charge_dose_seconds",
            "Estimate: equivalent time at the material's reference temperature, by the low and "
            "the high bound of the activation energy; absent without a pot life.",
            (*CELL, "bound"),
        )
        figures = {name: self._gauge(name, text, CELL) for name, text, _ in CHARGE_FIGURES}
        outlooks = {name: self._gauge(name, text, CELL) for name, text, _ in CHARGE_OUTLOOKS}
        for cell in snapshot.cells:
            labels, charge = (cell.id,), cell.charge
            known.add(labels, charge.id is not None)
            overheated.add(labels, charge.is_overheated)
            state.add_states(labels, CHARGE_STATES, charge.state.value)
            age_known.add(labels, charge.is_age_known)
            dose.add_known(labels, BOUNDS, (charge.dose_low_s, charge.dose_high_s))
            for name, _, figure in CHARGE_FIGURES:
                figures[name].add(labels, figure(charge))
            if _is_current(cell, now):
                for name, _, figure in CHARGE_OUTLOOKS:
                    outlooks[name].add(labels, figure(charge))
        yield from (known, overheated, state, age_known, dose)
        yield from (*figures.values(), *outlooks.values())

    def _air(self, snapshot: Snapshot, now: Instant) -> Iterator[Family]:
        """The dispensing air of each cell that has a sensor for it."""
        dew_point = self._gauge(
            "watchedpot_cell_air_dew_point_celsius",
            "Pressure dew point of the dispensing air at the line; absent unless measured now.",
            CELL,
        )
        limit = self._gauge(
            "watchedpot_cell_air_dew_point_limit_celsius",
            "Highest pressure dew point that the material bears.",
            CELL,
        )
        moist = self._gauge(
            "watchedpot_cell_air_moist",
            "Whether the dispensing air is too moist, 1 or 0; absent unless measured now.",
            CELL,
        )
        for cell in snapshot.cells:
            if cell.air is not None:
                is_measured = cell.air.dew_point_c is not None and _is_current(cell, now)
                dew_point.add((cell.id,), cell.air.dew_point_c if is_measured else None)
                limit.add((cell.id,), cell.air.max_c)
                moist.add((cell.id,), cell.air.is_moist if is_measured else None)
        yield from (dew_point, limit, moist)

    def _findings(self, snapshot: Snapshot, now: Instant) -> Iterator[Family]:
        """What moves the temperatures."""
        causes = self._gauge(
            "watchedpot_cell_finding_certainty",
            "How sure the cause of a lasting finding is, 0 to 1; absent where none are sought.",
            (*CELL, "cause"),
        )
        open_ = self._gauge(
            "watchedpot_cell_findings",
            "Findings that last, by how soon a person has to do something.",
            (*CELL, "severity"),
        )
        for cell in snapshot.cells:
            if cell.findings is None or is_outdated(cell, now):
                continue
            lasting = [one for one in cell.findings if one.ended is None]
            certainty = {one.candidates[0].cause: one.candidates[0].certainty for one in lasting}
            causes.add_each((cell.id,), CAUSES, (certainty.get(cause, 0.0) for cause in Cause))
            counts = Counter(one.severity for one in lasting)
            open_.add_each((cell.id,), SEVERITIES, (counts[severity] for severity in Severity))
        yield from (causes, open_)

    def _sources(self, snapshot: Snapshot, _now: Instant) -> Iterator[Family]:
        """Health of each connection."""
        info = self._info(
            "watchedpot_source_info", "How the device is read.", (*SOURCE, "protocol")
        )
        up = self._gauge("watchedpot_source_up", "Whether the device answers.", SOURCE)
        link = self._gauge(
            "watchedpot_source_link_state",
            "How the connection stands: 1 for the state it is in, 0 for the others.",
            (*SOURCE, "state"),
        )
        polls = self._counter("watchedpot_source_polls_total", "Polls, answered or not.", SOURCE)
        requests = self._counter(
            "watchedpot_source_requests_total", "Requests sent by polls.", SOURCE
        )
        rejected = self._counter(
            "watchedpot_source_rejected_total",
            "Readings that came and were not believed, by reason.",
            (*SOURCE, "reason"),
        )
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
        expires = self._gauge(
            "watchedpot_source_certificate_expires_timestamp_seconds",
            "When the first certificate of the connection ends; absent without one.",
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
            link.add_each(labels, LINK_NAMES, (state is source.link for state in LinkState))
            polls.add(labels, source.polls)
            requests.add(labels, source.requests)
            counts = (source.failures.get(reason, 0) for reason in FAILURES)
            failures.add_each(labels, FAILURE_NAMES, counts)
            counts = (source.rejected.get(reason, 0) for reason in FAILURES)
            rejected.add_each(labels, FAILURE_NAMES, counts)
            overruns.add(labels, source.overruns)
            connections.add(labels, source.connections)
            last_answer.add(labels, _timestamp_s(source.last_answer))
            round_trip.add(labels, source.round_trip_s)
            skew.add(labels, source.skew_s)
            if source.certificate_expires_ns is not None:
                expires.add(labels, seconds(source.certificate_expires_ns))
            _add_lateness(lateness, source)
        yield from (info, up, link, polls, requests, failures, rejected, overruns, connections)
        yield from (last_answer, round_trip, skew, expires, lateness)

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
        expires = self._gauge(
            "watchedpot_service_certificate_expires_timestamp_seconds",
            "When the certificate that this page is served with ends; absent without TLS.",
        )
        if snapshot.certificate_expires_ns is not None:
            expires.add((), seconds(snapshot.certificate_expires_ns))
        yield from (build, config, started, published, expires)

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


def _is_current(cell: CellSnapshot, now: Instant) -> bool:
    """Whether the newest row of a cell is younger than its slowest zone allows."""
    within_s = max((zone.stale_after_s for zone in cell.zones), default=inf)
    return is_recent(cell.at, now, within_s=within_s)


def _is_good(zone: ZoneSnapshot, now: Instant) -> bool:
    """Whether the newest reading may be believed and is still fresh."""
    is_fresh = is_recent(zone.last_good, now, within_s=zone.stale_after_s)
    return zone.quality is Quality.GOOD and is_fresh


def _core_values(core: CoreSnapshot) -> tuple[float | None, ...]:
    """Temperatures of the charge in the order of their names."""
    return core.centre_c, core.centre_low_c, core.centre_high_c, core.mean_c


def _tip_ratios(tip: TipSnapshot) -> tuple[float | None, ...]:
    """Ratios at the tip in the order of their names."""
    return tip.viscosity_ratio, tip.flow_ratio, tip.width_ratio, tip.pressure_ratio


def _tip_method(tip: TipSnapshot | None) -> str:
    """How a tip is known from its block."""
    if tip is None:
        return "block_only"
    return "offset" if tip.is_measured else "geometry"


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
