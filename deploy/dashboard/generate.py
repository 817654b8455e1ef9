"""The dashboard for maintenance, as JSON on standard output.

    python deploy/dashboard/generate.py > deploy/dashboard/watchedpot.json

Grey is normal, colour is not, and each colour comes with its word. Nothing is coloured by a limit
of its own: the daemon's alarms, advice and states decide. What is not known says "unknown": a
figure of now is asked for as of now, so that an old value can't stand in its place, lines break
where readings are missing, and a state that is gone since yesterday is shown as unknown.

The builder library is the dashboard program's own (grafana-foundation-sdk), so that field names
are checked when this runs and not when somebody looks at an empty panel.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from itertools import count
from typing import TypeAlias

from grafana_foundation_sdk.builders import (
    common,
    dashboard,
    prometheus,
    stat,
    statetimeline,
    table,
    timeseries,
)
from grafana_foundation_sdk.cog.encoder import JSONEncoder
from grafana_foundation_sdk.models import common as common_models
from grafana_foundation_sdk.models import dashboard as models
from grafana_foundation_sdk.models.prometheus import PromQueryFormat

from watchedpot.core.model import Quality
from watchedpot.core.rules import Priority, Verdict
from watchedpot.core.snapshot import Advice, AlarmState, ChargeState, Phase

NORMAL, QUIET = "#9aa0a6", "#c4c8cc"
"""Greys: what is as it should be, and what is merely so."""

CRITICAL, HIGH, MEDIUM, LOW = "#a3001e", "#d9480f", "#e0a100", "#3b6ea5"
"""Of alarms and whatever asks for action, by how soon."""

UNKNOWN = "#6f5a8e"
"""Of what is not seen or may not be believed; never the colour of an alarm of the process."""

UNKNOWN_CODE = -1
UNKNOWN_WORD = "unknown"

ADVICES: Mapping[str, str] = {
    Advice.RUN: NORMAL,
    Advice.WAIT: QUIET,
    Advice.PURGE_FIRST: LOW,
    Advice.CHANGE_CHARGE: MEDIUM,
    Advice.CHECK_SENSOR: UNKNOWN,
    Advice.CHECK_DATA: UNKNOWN,
    Advice.HOLD: HIGH,
    Advice.CUT_HEAT: CRITICAL,
}
CHARGES: Mapping[str, str] = {
    ChargeState.LOADED: QUIET,
    ChargeState.WARMING: QUIET,
    ChargeState.IN_LIFE: NORMAL,
    ChargeState.NEAR_LIMIT: LOW,
    ChargeState.SPENT: MEDIUM,
    ChargeState.OVERHEATED: HIGH,
    ChargeState.AGE_UNKNOWN: UNKNOWN,
}
PHASES: Mapping[str, str] = {
    phase: UNKNOWN if phase is Phase.UNKNOWN else NORMAL if phase is Phase.READY else QUIET
    for phase in Phase
}
QUALITIES: Mapping[str, str] = {
    quality.name.lower(): NORMAL if quality is Quality.GOOD else UNKNOWN for quality in Quality
}
PRIORITIES: Mapping[str, str] = {
    Priority.LOW: LOW,
    Priority.MEDIUM: MEDIUM,
    Priority.HIGH: HIGH,
    Priority.CRITICAL: CRITICAL,
}
VERDICTS: Mapping[str, str] = {
    Verdict.CLEAR: NORMAL,
    Verdict.NOTE: QUIET,
    Verdict.REVIEW: MEDIUM,
    Verdict.UNKNOWN: UNKNOWN,
    Verdict.QUARANTINE: HIGH,
}
ANNUNCIATED = "|".join(
    state
    for state in AlarmState
    if state
    not in {
        AlarmState.NORMAL,
        AlarmState.SHELVED,
        AlarmState.SUPPRESSED_BY_DESIGN,
        AlarmState.OUT_OF_SERVICE,
    }
)
SUSPECT = "|".join(verdict for verdict in Verdict if verdict.is_suspect)

CELL = 'cell=~"$cell"'
DAEMON = 'job="watchedpot"'
ALARM = "alarm:watchedpot_alarm_annunciated:sum"

Panel: TypeAlias = stat.Panel | statetimeline.Panel | timeseries.Panel | table.Panel


def main() -> None:
    """Write the dashboard."""
    text = JSONEncoder(sort_keys=True, indent=2).encode(overview().build())
    sys.stdout.write(f"{text}\n")


def overview() -> dashboard.Dashboard:
    """All cells at one glance, then each cell, then what the daemon stands on."""
    board = (
        dashboard.Dashboard("Watched Pot")
        .uid("watchedpot")
        .description("Heat, charge, alarms and parts of the cells that the daemon watches.")
        .tags(["watchedpot"])
        .readonly()
        .timezone("browser")
        .time("now-8h", "now")
        .refresh("10s")
        .tooltip(models.DashboardCursorSync.CROSSHAIR)
        .with_variable(dashboard.DatasourceVariable("server").label("Server").type("prometheus"))
        .with_variable(
            dashboard.QueryVariable("cell")
            .label("Cell")
            .datasource(server())
            .query("label_values(watchedpot_cell_last_row_timestamp_seconds, cell)")
            .refresh(models.VariableRefresh.ON_TIME_RANGE_CHANGED)
            .sort(models.VariableSort.ALPHABETICAL_ASC)
            .multi(multi=True)
            .include_all(include_all=True)
            .current(models.VariableOption(text=["All"], value=["$__all"]))
        )
    )
    rows: tuple[tuple[dashboard.Row, Callable[[], Sequence[Panel]]], ...] = (
        (dashboard.Row("Now"), now),
        (dashboard.Row("$cell").repeat("cell"), cell),
        (dashboard.Row("Connections and record"), daemon),
    )
    ids = count(1)
    for row, panels in rows:
        board.with_row(row.id(next(ids)))
        for panel in panels():
            board.with_panel(panel.id(next(ids)))
    return board


def now() -> Sequence[Panel]:
    """What is so at this moment, of all cells chosen."""
    advice = coded("watchedpot_cell_advice", "advice", tuple(ADVICES), by="cell")
    charge = coded("watchedpot_charge_state", "state", tuple(CHARGES), by="cell")
    judged = f'watchedpot_parts_judged_total{{{CELL},verdict=~"{SUSPECT}"}}'
    suspect = f"sum by (cell) (increase({judged}[8h]))"
    age = (
        "watchedpot_daemon_snapshot_timestamp_seconds"
        f" - on (instance) group_right () watchedpot_cell_last_row_timestamp_seconds{{{CELL}}}"
    )
    return (
        words("What to do", advice, "{{cell}}", ADVICES).span(12).height(6),
        alarm_list().span(12).height(6),
        words("Charge", charge, "{{cell}}", CHARGES).span(4),
        figure("Pot life used", f"watchedpot_charge_life_used_ratio{{{CELL}}}", "percentunit"),
        figure(
            "Pot life ends in", f"watchedpot_charge_expires_in_seconds{{{CELL}}}", "dtdurations"
        ),
        figure(
            "Charge is empty in", f"watchedpot_charge_empty_in_seconds{{{CELL}}}", "dtdurations"
        ),
        figure("Suspect parts, 8 h", suspect, "none")
        .decimals(0)
        .color_scheme(by_thresholds())
        .thresholds(steps((None, NORMAL), (0.5, MEDIUM))),
        figure("Age of the newest reading", age, "s"),
    )


def cell() -> Sequence[Panel]:
    """One cell over time: its alarms, its heat, its parts and its charge."""
    zone, low, high = "{{heat_zone}}", "lower edge", "upper edge"
    alarms = coded(ALARM, "priority", tuple(PRIORITIES), by="heat_zone, alarm", first=1)
    phases = coded("watchedpot_heat_zone_phase", "phase", tuple(PHASES), by="heat_zone")
    qualities = coded("watchedpot_heat_zone_quality", "quality", tuple(QUALITIES), by="heat_zone")
    parts = f"sum by (verdict) (increase(watchedpot_parts_judged_total{{{CELL}}}[10m]))"
    seconds = "heat_zone_range:watchedpot_heat_zone_seconds:rate10m"
    blind = (
        f'sum by (heat_zone) ({seconds}{{{CELL},range="blind"}})'
        f" / sum by (heat_zone) ({seconds}{{{CELL}}})"
    )
    return (
        timeline("Alarms", alarms, f"{zone} {{{{alarm}}}}", PRIORITIES, normal="none")
        .span(24)
        .height(7),
        lines(
            "Temperature, dashed: setpoint, dotted: edges of the window",
            "celsius",
            (f"watchedpot_heat_zone_temperature_celsius{{{CELL}}}", zone),
            (f"watchedpot_heat_zone_setpoint_celsius{{{CELL}}}", f"{zone} setpoint"),
            (f'watchedpot_heat_zone_window_edge_celsius{{{CELL},edge="low"}}', f"{zone} {low}"),
            (f'watchedpot_heat_zone_window_edge_celsius{{{CELL},edge="high"}}', f"{zone} {high}"),
        )
        .override_by_regexp("/ setpoint$/", dashes("dash", 8.0, 6.0))
        .override_by_regexp("/ edge$/", dashes("dot", 1.0, 5.0))
        .span(24)
        .height(11),
        lines(
            "Heater output", "percentunit", (f"watchedpot_heat_zone_output_ratio{{{CELL}}}", zone)
        )
        .min(0.0)
        .max(1.0)
        .span(24)
        .height(5),
        timeline("Phase", phases, zone, PHASES).span(12).height(6),
        timeline("May the reading be believed", qualities, zone, QUALITIES).span(12).height(6),
        colour_of_each(
            lines("Parts in ten minutes, by verdict", "none", (parts, "{{verdict}}")), VERDICTS
        )
        .draw_style(common_models.GraphDrawStyle.BARS)
        .fill_opacity(80)
        .stacking(common.StackingConfig().mode(common_models.StackingMode.NORMAL))
        .span(12),
        lines(
            "Pot life used",
            "percentunit",
            (f"watchedpot_charge_life_used_ratio{{{CELL}}}", "used, by the stricter bound"),
        )
        .min(0.0)
        .span(12),
        lines(
            "Wear over the limit of its alarm",
            "percentunit",
            (over_limit("watchedpot_heat_zone_build_up_seconds", "build_up"), f"{zone} build-up"),
            (
                over_limit("watchedpot_heat_zone_degradation_seconds", "degradation"),
                f"{zone} degradation",
            ),
        )
        .min(0.0)
        .span(12),
        lines("Share of time not seen", "percentunit", (blind, zone)).min(0.0).max(1.0).span(12),
    )


def daemon() -> Sequence[Panel]:
    """What the figures above stand on."""
    answers = {"does not answer": UNKNOWN, "answers": NORMAL}
    up = f"max by (instance) (up{{{DAEMON}}})"
    sources = "max by (source) (watchedpot_source_up)"
    failed = (
        "sum by (source) (source:watchedpot_source_failures:rate5m)"
        " / sum by (source) (source:watchedpot_source_polls:rate5m)"
    )
    late = (
        "histogram_quantile(0.99,"
        " sum by (source, le) (rate(watchedpot_source_poll_lateness_seconds_bucket[5m])))"
    )
    rejected = (
        "sum by (source) (rate(watchedpot_source_rejected_total[5m]))"
        " / sum by (source) (source:watchedpot_source_polls:rate5m)"
    )
    certificates = (
        "(watchedpot_source_certificate_expires_timestamp_seconds"
        " or watchedpot_service_certificate_expires_timestamp_seconds) - time()"
    )
    waiting = "watchedpot_ledger_pending_batches / watchedpot_ledger_capacity_batches"
    return (
        timeline("Daemon", up, "{{instance}}", answers).span(12).height(5),
        timeline("Devices", sources, "{{source}}", answers).span(12).height(5),
        lines("Share of polls that failed", "percentunit", (failed, "{{source}}")).min(0.0).span(8),
        lines("Lateness of polls, 99 of 100", "s", (late, "{{source}}")).min(0.0).span(8),
        lines(
            "Clock of the device minus ours",
            "s",
            ("watchedpot_source_clock_skew_seconds", "{{source}}"),
        ).span(8),
        lines("Readings that were not believed", "percentunit", (rejected, "{{source}}"))
        .min(0.0)
        .span(8),
        lines("Time to the end of the certificates", "s", (certificates, "{{source}}"))
        .min(0.0)
        .span(8),
        lines("Queue of the record", "percentunit", (waiting, "{{instance}}")).min(0.0).span(8),
        lines("Size of the record", "bytes", ("watchedpot_ledger_size_bytes", "{{instance}}"))
        .min(0.0)
        .span(8),
        lines(
            "Memory of the daemon",
            "bytes",
            (f"process_resident_memory_bytes{{{DAEMON}}}", "{{instance}}"),
        )
        .min(0.0)
        .span(8),
    )


def coded(metric: str, label: str, states: Sequence[str], *, by: str, first: int = 0) -> str:
    """Query of a state as a number: its place, the code of unknown where it is gone since a day.

    Parameters
    ----------
    metric
        One series for each state, 1 for the current one.
    label
        What tells the states apart.
    states
        In the order of their numbers.
    by
        Labels that are left.
    first
        Number of the first state; above 0 where none of them may be so.
    """
    numbered = " or ".join(
        f'{code} * {metric}{{{CELL},{label}="{state}"}}'
        for code, state in enumerate(states, start=first)
    )
    known = f"max by ({by}) (last_over_time({metric}{{{CELL}}}[1d]))"
    return f"max by ({by}) ({numbered}) or 0 * {known} + {UNKNOWN_CODE}"


def over_limit(metric: str, alarm: str) -> str:
    """Query of a wear index as a share of the limit that its alarm has."""
    limit = f'watchedpot_alarm_limit_seconds{{alarm="{alarm}"}}'
    return f"{metric}{{{CELL}}} / on (instance, cell, heat_zone) {limit}"


def server() -> models.DataSourceRef:
    """The server that the reader chose."""
    return models.DataSourceRef(type_val="prometheus", uid="${server}")


def query(expression: str, legend: str = "") -> prometheus.Dataquery:
    """One query over the time shown."""
    return prometheus.Dataquery().expr(expression).legend_format(legend).range()


def query_now(expression: str, legend: str = "") -> prometheus.Dataquery:
    """One query as of now: what is absent now has no value, whatever it was before."""
    return prometheus.Dataquery().ref_id("A").expr(expression).legend_format(legend).instant()


def by_thresholds() -> dashboard.FieldColor:
    """Colour from thresholds and mappings."""
    return dashboard.FieldColor().mode(models.FieldColorModeId.THRESHOLDS)


def steps(*values: tuple[float | None, str]) -> dashboard.ThresholdsConfig:
    """Colours from values upwards; the first is from below."""
    return (
        dashboard.ThresholdsConfig()
        .mode(models.ThresholdsMode.ABSOLUTE)
        .steps([models.Threshold(value=value, color=colour) for value, colour in values])
    )


def mapping(states: Mapping[str, str], normal: str | None) -> list[models.ValueMapping]:
    """Word and colour of each number that ``coded`` makes."""
    known = states if normal is None else {normal: NORMAL, **states}
    options = {
        str(code): models.ValueMappingResult(
            text=state.replace("_", " "), color=colour, index=code + 1
        )
        for code, (state, colour) in enumerate(known.items())
    }
    unknown = models.ValueMappingResult(text=UNKNOWN_WORD, color=UNKNOWN, index=0)
    return [models.ValueMap({str(UNKNOWN_CODE): unknown, **options})]


def words(title: str, expression: str, legend: str, states: Mapping[str, str]) -> stat.Panel:
    """One word for each cell, in its colour."""
    return (
        number(title, expression, legend)
        .mappings(mapping(states, None))
        .color_mode(common_models.BigValueColorMode.BACKGROUND_SOLID)
    )


def figure(title: str, expression: str, unit: str) -> stat.Panel:
    """One grey number for each cell."""
    return number(title, expression, "{{cell}}").unit(unit).span(4)


def number(title: str, expression: str, legend: str) -> stat.Panel:
    """What is so now, or unknown."""
    return (
        stat.Panel()
        .title(title)
        .datasource(server())
        .with_target(query_now(expression, legend))
        .no_value(UNKNOWN_WORD)
        .reduce_options(common.ReduceDataOptions().calcs(["last"]))
        .text_mode(common_models.BigValueTextMode.VALUE_AND_NAME)
        .graph_mode(common_models.BigValueGraphMode.NONE)
        .color_mode(common_models.BigValueColorMode.VALUE)
        .color_scheme(by_thresholds())
        .thresholds(steps((None, NORMAL)))
        .height(5)
    )


def alarm_list() -> table.Panel:
    """Each alarm that is annunciated now."""
    expression = (
        f'(watchedpot_alarm_state{{{CELL},state=~"{ANNUNCIATED}"}} == 1)'
        " * on (instance, cell, heat_zone, alarm) group_left (priority) watchedpot_alarm_info"
    )
    order = ("cell", "heat_zone", "alarm", "priority", "state")
    priority = models.DynamicConfigValue(
        id_val="mappings",
        value=[
            models.ValueMap(
                {
                    name: models.ValueMappingResult(text=name, color=colour)
                    for name, colour in PRIORITIES.items()
                }
            )
        ],
    )
    painted = models.DynamicConfigValue(
        id_val="custom.cellOptions", value={"type": "color-background", "mode": "basic"}
    )
    return (
        table.Panel()
        .title("Alarms now")
        .datasource(server())
        .with_target(query_now(expression).format(PromQueryFormat.TABLE))
        .no_value("none, as far as the daemon is seen")
        .with_transformation(
            models.DataTransformerConfig(
                id_val="filterFieldsByName", options={"include": {"names": list(order)}}
            )
        )
        .with_transformation(
            models.DataTransformerConfig(
                id_val="organize",
                options={"indexByName": {name: place for place, name in enumerate(order)}},
            )
        )
        .color_scheme(by_thresholds())
        .thresholds(steps((None, NORMAL)))
        .override_by_name("priority", [priority, painted])
    )


def timeline(
    title: str,
    expression: str,
    legend: str,
    states: Mapping[str, str],
    *,
    normal: str | None = None,
) -> statetimeline.Panel:
    """Bands of states with their words; ``normal`` is the word where none of the states is so."""
    return (
        statetimeline.Panel()
        .title(title)
        .datasource(server())
        .with_target(query(expression, legend).ref_id("A"))
        .no_value(UNKNOWN_WORD)
        .mappings(mapping(states, normal))
        .color_scheme(by_thresholds())
        .thresholds(steps((None, UNKNOWN)))
        .show_value(common_models.VisibilityMode.AUTO)
        .merge_values(merge_values=True)
        .legend(common.VizLegendOptions().show_legend(show_legend=False))
        .fill_opacity(80)
        .line_width(0)
    )


def lines(title: str, unit: str, *queries: tuple[str, str]) -> timeseries.Panel:
    """Grey lines with gaps where there is nothing."""
    panel = (
        timeseries.Panel()
        .title(title)
        .datasource(server())
        .unit(unit)
        .no_value(UNKNOWN_WORD)
        .color_scheme(
            dashboard.FieldColor().mode(models.FieldColorModeId.SHADES).fixed_color(NORMAL)
        )
        .span_nulls(span_nulls=False)
        .show_points(common_models.VisibilityMode.NEVER)
        .line_width(2)
        .tooltip(common.VizTooltipOptions().mode(common_models.TooltipDisplayMode.MULTI))
        .legend(
            common.VizLegendOptions()
            .show_legend(show_legend=True)
            .display_mode(common_models.LegendDisplayMode.LIST)
            .placement(common_models.LegendPlacement.BOTTOM)
        )
        .height(7)
    )
    for place, (expression, legend) in enumerate(queries):
        panel.with_target(query(expression, legend).ref_id(chr(ord("A") + place)))
    return panel


def dashes(fill: str, *dash: float) -> list[models.DynamicConfigValue]:
    """Override that makes a thin broken line of a line."""
    return [
        models.DynamicConfigValue(
            id_val="custom.lineStyle", value={"fill": fill, "dash": list(dash)}
        ),
        models.DynamicConfigValue(id_val="custom.lineWidth", value=1),
    ]


def colour_of_each(panel: timeseries.Panel, colours: Mapping[str, str]) -> timeseries.Panel:
    """The panel with one colour for each series of that name."""
    for name, colour in colours.items():
        fixed = {"mode": "fixed", "fixedColor": colour}
        panel.override_by_name(name, [models.DynamicConfigValue(id_val="color", value=fixed)])
    return panel


if __name__ == "__main__":
    main()
