"""The response sheet: what each alarm of a configuration asks of people, as text and as a page.

It is made before anything is wrong, to be read in peace and to hang beside the cell.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from watchedpot.core.engine import CellPlan, plan_cell
from watchedpot.core.rules import AlarmKind, AlarmRules, CellRules, Priority
from watchedpot.core.tracks import AlarmPlan
from watchedpot.core.zone import ZonePlan
from watchedpot.outputs.alarm_words import about
from watchedpot.outputs.report.markup import Markup, document, element, section, table
from watchedpot.outputs.wording import duration

CAUTIONS = (
    "Melt, tanks, hoses and nozzles are hot: they burn, melt sticks to skin, and it is under"
    " pressure even when the cell stands. Hot adhesive gives off vapours. The adhesive's safety"
    " data sheet, local rules and the cell maker's instructions come first; work at the cell is for"
    " qualified people. Leave every limiter and guard in place, whatever is shown. This program is"
    " no safety device and replaces none."
)
LATEST = (
    "Raised at the latest: on-delay, one poll, and the longest wait for the device's answer, from"
    " the crossing on. Recording and showing it usually take less than a second more."
)
_WIDTH, _LABEL = 100, 14
_WORST_FIRST = tuple(Priority)
_CSS_OF_ALARMS = """
article { border-top: 1px solid #9a9a9a; padding: .3rem 0 .7rem; break-inside: avoid; }
article h3 { font-size: 1.05rem; margin: .5rem 0 .1rem; }
article dl {
  display: grid; grid-template-columns: 8.5rem 1fr; gap: .15rem .8rem; margin: .4rem 0;
  font-size: .93em;
}
dt { color: #444; }
dd { margin: 0; max-width: 46rem; }
dd.do { font-weight: 600; }
@media (max-width: 40rem) { article dl { grid-template-columns: 1fr; } dd { margin: 0 0 .4rem; } }
@media print { article dl { grid-template-columns: 30mm 1fr; } }
"""


@dataclass(frozen=True, slots=True)
class Timing:
    """How often a channel is read, and how long its answer may take. [s]."""

    poll_s: float = 1.0
    answer_s: float = 1.0


@dataclass(frozen=True, slots=True)
class SheetAlarm:
    """One alarm at one stage.

    Attributes
    ----------
    name
        As entries name it: ``nozzle/cold`` or ``pot_life``.
    says, condition
        What it says while it is on, and what is behind that.
    latest_s
        From the crossing until it is raised, at most. [s]
    workings
        How it is raised, ends, is kept and put aside.
    """

    cell: str
    name: str
    says: str
    condition: str
    rules: AlarmRules
    latest_s: float
    workings: str


def sheet(cells: Sequence[CellRules], timings: Mapping[str, Timing]) -> tuple[SheetAlarm, ...]:
    """Every alarm of some cells, zone by zone in flow order, in each the most urgent first.

    Parameters
    ----------
    cells
        As configured.
    timings
        By channel; one that is not in it counts as read once a second.
    """
    found: list[SheetAlarm] = []
    for rules in cells:
        plan = plan_cell(rules)
        for zone in plan.zones:
            timing = timings.get(zone.rules.temperature, Timing())
            found += _sorted(_staged(alarm, plan, zone, timing) for alarm in zone.alarms)
        slowest = [timings.get(name, Timing()) for name in rules.channels()]
        timing = max(slowest, key=lambda one: one.poll_s + one.answer_s)
        found += _sorted(_staged(alarm, plan, None, timing) for alarm in plan.alarms)
    return tuple(found)


def _sorted(staged: Iterable[list[SheetAlarm]]) -> list[SheetAlarm]:
    flat = [one for stages in staged for one in stages]
    return sorted(flat, key=lambda one: _WORST_FIRST.index(one.rules.priority))


def _staged(
    alarm: AlarmPlan, plan: CellPlan, zone: ZonePlan | None, timing: Timing
) -> list[SheetAlarm]:
    """An alarm, each of its stages for itself."""
    longest_s = min(rules.max_shelving_s for rules in alarm.stages)
    return [
        SheetAlarm(
            cell=alarm.cell,
            name=alarm.id.partition("/")[2],
            says=about(rules.kind, alarm.zone),
            condition=_condition(rules, plan, zone),
            rules=rules,
            latest_s=rules.on_delay_s + timing.poll_s + timing.answer_s,
            workings=_workings(
                rules,
                worse_than=about(alarm.rules.kind, alarm.zone) if stage > 1 else "",
                longest_s=longest_s,
            ),
        )
        for stage, rules in enumerate(alarm.stages, start=1)
    ]


def _condition(rules: AlarmRules, plan: CellPlan, zone: ZonePlan | None) -> str:
    """The condition behind an alarm."""
    limit = duration(rules.limit_s or 0.0)
    if zone is None:
        return {
            AlarmKind.UNSEEN: "a temperature is not read, or not believed",
            AlarmKind.BEFORE_READY: "melt flows while a zone, or the core of the charge, is not"
            " ready",
            AlarmKind.POT_LIFE: _spent(plan),
        }[rules.kind]
    of_zone = zone.rules
    cold_c = zone.tip_low.limit
    return {
        AlarmKind.COLD: f"below {of_zone.low_c:g} degC since production met the ready zone cold",
        AlarmKind.HOT: f"above {of_zone.high_c:g} degC",
        AlarmKind.OVER_CEILING: f"above {zone.ceiling.limit:g} degC, what {of_zone.material.id}"
        " may ever have",
        AlarmKind.BUILD_UP: f"dispensing below {cold_c:g} degC, weighted by viscosity, for {limit}",
        AlarmKind.DEGRADATION: f"above {of_zone.high_c:g} degC, weighted by damage, for {limit}",
    }[rules.kind]


def _spent(plan: CellPlan) -> str:
    """When a charge is spent."""
    zone = plan.charge_zone
    ageing = None if zone is None else zone.rules.material.ageing
    if ageing is None:
        return "the charge has used up its pot life; none is configured, so this is never raised"
    return f"the charge is as old as {duration(ageing.pot_life_s)} at {ageing.ref_c:g} degC"


def _workings(rules: AlarmRules, *, worse_than: str, longest_s: float) -> str:
    """How an alarm is raised, ends, is kept and put aside, as far as there is something to say."""
    inside = f" inside by {rules.deadband_k:g} K" if rules.deadband_k else ""
    off = f" for {duration(rules.off_delay_s)}" if rules.off_delay_s else ""
    settle_s, again_s = rules.setpoint_settle_s, rules.re_alarm_s
    told = (
        f"on-delay {duration(rules.on_delay_s)}" if rules.on_delay_s else "no on-delay",
        f"over when seen back{inside}{off}",
        "stays until it is acknowledged and reset" if rules.is_latching else "",
        f"asks again {duration(again_s)} after it was acknowledged" if again_s else "",
        "suppressed while its zone is not ready" if rules.kind is AlarmKind.COLD else "",
        f"suppressed up to {duration(settle_s)} after a change of the setpoint" if settle_s else "",
        f"shelved for at most {duration(longest_s)} at once",
        f'the worse stage of "{worse_than}", whose shelving it ends' if worse_than else "",
    )
    return "; ".join(phrase for phrase in told if phrase)


def _lines(alarm: SheetAlarm) -> tuple[tuple[str, str], ...]:
    """All that is said of an alarm, by name, the response first."""
    rules = alarm.rules
    return (
        ("do", " ".join(rules.response.split())),
        ("act within", duration(rules.time_to_respond_s)),
        ("cause", rules.cause),
        ("consequence", rules.consequence),
        ("condition", alarm.condition),
        ("raised", f"{duration(alarm.latest_s)} after the crossing at the latest"),
        ("workings", alarm.workings),
    )


def as_text(alarms: Sequence[SheetAlarm], revision: str) -> str:
    """The sheet for a terminal."""
    blocks = [f"Alarms of configuration {revision}", _wrapped("", CAUTIONS), _wrapped("", LATEST)]
    for alarm in alarms:
        head = f"{alarm.cell}: {alarm.says}  [{alarm.rules.priority.value}]  {alarm.name}"
        blocks.append("\n".join((head, *(_wrapped(name, said) for name, said in _lines(alarm)))))
    return "\n\n".join(blocks)


def _wrapped(name: str, said: str) -> str:
    """A phrase under its name, in lines."""
    indent = "  " + " " * _LABEL if name else ""
    first = f"  {name:<{_LABEL}}" if name else ""
    return textwrap.fill(
        said,
        _WIDTH,
        initial_indent=first,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def as_page(alarms: Sequence[SheetAlarm], revision: str) -> str:
    """The sheet as one HTML file: no script, nothing from elsewhere, made to be printed."""
    cells = list(dict.fromkeys(alarm.cell for alarm in alarms))
    return document(
        f"Alarms: {', '.join(cells)}",
        (
            element("h1", f"What to do: alarms of {' and '.join(cells) or 'no cell'}"),
            element("p", f"Configuration {revision}.", of="meta"),
            element("p", CAUTIONS, of="caution"),
            *(_of_cell([one for one in alarms if one.cell == cell], cell) for cell in cells),
            element("p", LATEST, of="small"),
        ),
        css=_CSS_OF_ALARMS,
    )


def _of_cell(alarms: Sequence[SheetAlarm], cell: str) -> Markup:
    """The alarms of a cell: at a glance, then one by one."""
    glance = table(
        ("alarm", "priority", "act within", "raised within", "entry"),
        [
            (
                one.says,
                one.rules.priority.value,
                duration(one.rules.time_to_respond_s),
                duration(one.latest_s),
                one.name,
            )
            for one in alarms
        ],
        tight=(1, 2, 3, 4),
    )
    return section(f"Cell {cell}", glance, *(_article(one) for one in alarms))


def _article(alarm: SheetAlarm) -> Markup:
    """One alarm."""
    head = f"{alarm.says}: {alarm.rules.priority.value}"
    pairs = [
        part
        for name, said in _lines(alarm)
        for part in (element("dt", name), element("dd", said, of="do" if name == "do" else ""))
    ]
    return element("article", element("h3", head), element("dl", *pairs))
