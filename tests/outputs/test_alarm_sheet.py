"""The response sheet: everything that an alarm asks of people, and when it can come."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser

import pytest

from support.cells import (
    AGEING,
    OF_CELL,
    SYRINGE,
    TEMPERATURE,
    alarm,
    cell,
    full_cell,
    syringe,
    thermal_cell,
    zone,
)
from watchedpot.core.rules import AlarmKind, CellRules, Priority
from watchedpot.outputs.alarm_sheet import CAUTIONS, SheetAlarm, Timing, as_page, as_text, sheet

NASTY = "<script>alert('x')</script> & \"quotes\""


def only(*alarms: SheetAlarm, name: str, kind: AlarmKind) -> SheetAlarm:
    """The one alarm of a name and a kind."""
    (found,) = (one for one in alarms if one.name == name and one.rules.kind is kind)
    return found


def words(text: str) -> str:
    """Text without its line breaks."""
    return " ".join(text.split())


@pytest.mark.parametrize("rules", [full_cell().rules, thermal_cell().rules])
def test_every_alarm_of_every_zone_is_on_it(rules: CellRules) -> None:
    """Each kind of each zone and of the cell once, the worse stage for itself."""
    found = [(one.name.rpartition("/")[0], one.rules.kind) for one in sheet([rules], {})]
    wanted = [(place.id, one.kind) for place in rules.zones for one in place.alarms]
    wanted += [("", one.kind) for one in rules.alarms]
    assert sorted(found) == sorted(wanted)


@pytest.mark.parametrize("write", [as_text, as_page])
def test_all_that_was_configured_can_be_read(write: object) -> None:
    """What to do, why, until when, and the cautions."""
    rules = alarm(
        AlarmKind.HOT,
        cause="the fan is off",
        consequence="the bead runs",
        response="look at the fan",
        time_to_respond_s=240.0,
        on_delay_s=12.0,
        off_delay_s=34.0,
        deadband_k=1.5,
        re_alarm_s=1200.0,
        max_shelving_s=5400.0,
        setpoint_settle_s=90.0,
        is_latching=True,
    )
    told = words(write(sheet([cell(zone(rules)).rules], {}), "abc123"))  # type: ignore[operator]
    for phrase in (
        *("the fan is off", "the bead runs", "look at the fan", "4 min 00 s", "abc123", "high"),
        *("nozzle is too hot", "nozzle/hot", "above 120 degC", "on-delay 12.0 s"),
        "over when seen back inside by 1.5 K for 34.0 s",
        "stays until it is acknowledged and reset",
        "asks again 20 min 00 s after it was acknowledged",
        "suppressed up to 1 min 30 s after a change of the setpoint",
        "shelved for at most 1 h 30 min at once",
        CAUTIONS.replace("'", "&#x27;") if write is as_page else CAUTIONS,
    ):
        assert phrase in told


def test_the_latest_time_is_delay_poll_and_answer() -> None:
    """Of the channel that the alarm hangs on; of the cell's slowest for its own."""
    rules = cell(
        syringe(alarm(AlarmKind.COLD, on_delay_s=15.0)),
        zone(alarm(AlarmKind.COLD, on_delay_s=15.0)),
        alarms=OF_CELL[:1],
    ).rules
    timings = {TEMPERATURE: Timing(1.0, 2.0), SYRINGE: Timing(5.0, 0.5)}
    found = {one.name: one.latest_s for one in sheet([rules], timings)}
    assert found == {"syringe/cold": 20.5, "nozzle/cold": 18.0, "unseen": 7.0}


def test_the_most_urgent_of_a_zone_comes_first_and_the_zones_as_melt_flows() -> None:
    """Whatever the order in which they were configured."""
    rules = cell(
        syringe(alarm(AlarmKind.COLD, priority=Priority.LOW), alarm(AlarmKind.HOT)),
        zone(
            alarm(AlarmKind.HOT),
            alarm(AlarmKind.OVER_CEILING, priority=Priority.CRITICAL, max_shelving_s=60.0),
        ),
    ).rules
    found = sheet([rules], {})
    assert [(one.name, one.rules.priority.value) for one in found] == [
        ("syringe/hot", "high"),
        ("syringe/cold", "low"),
        ("nozzle/hot", "critical"),
        ("nozzle/hot", "high"),
    ]
    assert 'the worse stage of "nozzle is too hot"' in found[2].workings
    assert all("at most 1 min 00 s" in one.workings for one in found[2:])


def test_each_condition_has_its_numbers() -> None:
    """Window, ceiling, indexes, pot life: of the zone and of its material."""
    found = sheet([thermal_cell().rules], {})
    for name, kind, phrase in (
        ("syringe/cold", AlarmKind.COLD, "below 110 degC"),
        ("syringe/hot", AlarmKind.OVER_CEILING, "above 140 degC, what demo_silicone may ever"),
        ("nozzle/build_up", AlarmKind.BUILD_UP, "dispensing below 105 degC"),
        ("syringe/degradation", AlarmKind.DEGRADATION, "for 1 min 00 s"),
        ("pot_life", AlarmKind.POT_LIFE, "as old as 10 min 00 s at 115 degC"),
        ("unseen", AlarmKind.UNSEEN, "not read, or not believed"),
        ("before_ready", AlarmKind.BEFORE_READY, "melt flows"),
    ):
        assert phrase in only(*found, name=name, kind=kind).condition


def test_a_pot_life_that_nobody_knows_is_said_to_be_never_raised() -> None:
    """The alarm is configured and the material has none."""
    rules = cell(zone(), alarms=(alarm(AlarmKind.POT_LIFE),)).rules
    (found,) = sheet([rules], {})
    assert "never raised" in found.condition
    aged = cell(syringe(material=replace(AGEING, ageing=None)), alarms=rules.alarms).rules
    assert "never raised" in sheet([aged], {})[0].condition


def test_text_fits_a_terminal() -> None:
    """A hundred columns."""
    text = as_text(sheet([thermal_cell().rules], {}), "abc")
    assert max(map(len, text.splitlines())) <= 100


class _Tags(HTMLParser):
    """Names and addresses of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.links: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep one."""
        self.tags.append(tag)
        self.links += [str(value) for name, value in attrs if name in {"src", "href"}]


def test_the_page_runs_nothing_and_asks_nobody() -> None:
    """Whatever stands in the configuration is read, not run."""
    rules = cell(zone(alarm(AlarmKind.HOT, response=NASTY, cause=NASTY))).rules
    page = as_page(sheet([rules], {}), NASTY)
    tags = _Tags()
    tags.feed(page)
    assert "script" not in tags.tags
    assert tags.links == []
    assert tags.tags.count("article") == 1
    assert "@import" not in page
    assert "url(" not in page


def test_a_configuration_without_alarms_is_said() -> None:
    """An empty sheet is one too."""
    assert "alarms of no cell" in as_page((), "abc")
