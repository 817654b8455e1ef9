r"""The alarm machine: nine states, a total table, and the delays in front of it.

Theory of operation
-------------------
The states and their meanings are those of IEC 62682:2022 and ISA-18.2-2016 (the exact arrows
from memory of the standards' figure). In short: a condition that turns on must be recognised
by a person (acknowledged); one that turns off before that must still be recognised; a latching
alarm stays after its condition is gone until somebody resets it.

    NORMAL --on--> UNACKNOWLEDGED --ack--> ACKNOWLEDGED --off--> NORMAL | LATCHED_ACKNOWLEDGED
                        |                        \-- worse, re-alarm --> UNACKNOWLEDGED
                        +--off--> RETURNED_UNACKNOWLEDGED | LATCHED_UNACKNOWLEDGED
    LATCHED_UNACKNOWLEDGED --ack--> LATCHED_ACKNOWLEDGED --reset--> NORMAL

Three things put an alarm aside: a person for a time (SHELVED), the design of the process
(SUPPRESSED_BY_DESIGN: cold while heating up, cold and hot just after a change of the setpoint),
maintenance (OUT_OF_SERVICE). They are kept as three flags, since they can hold at once and end one
by one; the state shows the strongest, in the order out of service, suppressed, shelved. An alarm
put aside is still evaluated and recorded. When the last flag goes, the condition of that moment
decides (SURFACE).

Who may send what: ON, OFF, WORSE, EASED come from the delays below; SUPPRESS and UNSUPPRESS from
the zone machine; RE_ALARM and the end of a shelving or of a settling from due times; all others
from people.
An input that a state has no use for is refused (a person is told) or ignored (ours).

Decided, where the standards leave it open:

- RESET of a latched alarm that nobody has acknowledged releases the latch but still asks for
  the acknowledgement. A wiped nozzle is a reset; nobody should have to wipe it twice.
- An alarm that was latched when it was put aside is latched again when it surfaces with its
  condition gone: putting aside is not resetting.
- A worse stage of one alarm is a new reason to look, not a second alarm. It ends a shelving:
  who put *hot* aside has not put *over the ceiling* aside.
- A shelving for one shot ends when the condition next turns off, or at its latest when the longest
  shelving is over. A shelving cannot be prolonged: who wants more of it takes the alarm off the
  shelf and says again why.
- Each suppression ends by itself: that of warming up when the zone is ready, that of a changed
  setpoint after a time from the configuration. An excursion that began before the change is not
  part of it, a setpoint outside the window is no design, and neither hides a ceiling passed.

Delays. A condition counts as on after it has held for ``on_delay``; it counts as off after it
has been *seen* off, inside the deadband, for ``off_delay``. Both are due times set by an edge,
exact under any cutting of the series. While the signal is not seen an off-delay starts
anew: a reading that is not good clears nothing. An on-delay runs on, but only a good reading
that is still beyond lets it come true: a link that loses every other reading must not keep an
alarm from ever being raised.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum

from watchedpot.core.model import Instant
from watchedpot.core.snapshot import AlarmState


class AlarmInput(Enum):
    """What can happen to an alarm."""

    ON = "on"
    OFF = "off"
    WORSE = "worse"
    EASED = "eased"
    RE_ALARM = "re_alarm"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    SUPPRESS = "suppress"
    UNSUPPRESS = "unsuppress"
    TAKE_OUT_OF_SERVICE = "take_out_of_service"
    RETURN_TO_SERVICE = "return_to_service"


class Answer(Enum):
    """What the table says when it does not name a state."""

    STAY = "stay"  # nothing to do
    REFUSE = "refuse"  # a person asked for what makes no sense here
    RETURN = "return"  # to the returned or the latched state, as the alarm is built
    SURFACE = "surface"  # whatever is left when something that put it aside ends


_LETTERS: dict[str, AlarmState | Answer] = {
    "A": AlarmState.NORMAL,
    "B": AlarmState.UNACKNOWLEDGED,
    "C": AlarmState.ACKNOWLEDGED,
    "D": AlarmState.RETURNED_UNACKNOWLEDGED,
    "E": AlarmState.LATCHED_UNACKNOWLEDGED,
    "F": AlarmState.LATCHED_ACKNOWLEDGED,
    "G": AlarmState.SHELVED,
    "H": AlarmState.SUPPRESSED_BY_DESIGN,
    "I": AlarmState.OUT_OF_SERVICE,
    ".": Answer.STAY,
    "x": Answer.REFUSE,
    "r": Answer.RETURN,
    "s": Answer.SURFACE,
}
_ROWS = """
    on off worse eased re_alarm acknowledge reset \
       shelve unshelve suppress unsuppress take_out_of_service return_to_service

A   B  .   B     .     .        x           x     G x H . I x
B   .  r   .     .     .        C           x     G x H . I x
C   .  r   B     .     B        x           x     G x H . I x
D   B  .   B     .     .        A           x     G x H . I x
E   B  .   B     .     .        F           D     G x H . I x
F   B  .   B     .     .        x           A     G x H . I x
G   .  .   .     .     .        .           .     x s H . I x
H   .  .   .     .     .        .           .     . . . s I x
I   .  .   .     .     .        .           .     . . . . x s
"""


def _read_table(text: str) -> dict[tuple[AlarmState, AlarmInput], AlarmState | Answer]:
    """Table from its drawing."""
    head, rows = text.strip().split("\n\n")
    inputs = [AlarmInput(name) for name in head.split()]
    table: dict[tuple[AlarmState, AlarmInput], AlarmState | Answer] = {}
    for row in rows.splitlines():
        letter, *answers = row.split()
        state = _LETTERS[letter]
        assert isinstance(state, AlarmState)  # noqa: S101 - a slip in the drawing above
        for cause, answer in zip(inputs, answers, strict=True):
            table[state, cause] = _LETTERS[answer]
    return table


TABLE = _read_table(_ROWS)
"""Every state x every input."""


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm as it stands.

    Attributes
    ----------
    stage
        0 while the condition is off (after its delays), 1 on, 2 at its worse stage.
    is_latched
        Whether a reset is owed; only latching alarms ever are.
    is_shelved, is_suppressed, is_out_of_service
        What puts it aside.
    since
        When the state was entered; None before anything happened.
    raised
        How often it became unacknowledged.
    shelved_until, is_one_shot
        When a shelving ends at the latest; whether the end of the condition ends it before.
    re_alarm_due_ns
        On the monotonic clock. [ns]
    by, because
        Who acknowledged it or put it aside last, and why, for as long as that holds.
    """

    state: AlarmState = AlarmState.NORMAL
    stage: int = 0
    is_latched: bool = False
    is_shelved: bool = False
    is_suppressed: bool = False
    is_out_of_service: bool = False
    since: Instant | None = None
    raised: int = 0
    shelved_until: Instant | None = None
    is_one_shot: bool = False
    re_alarm_due_ns: int | None = None
    by: str = ""
    because: str = ""

    @property
    def is_answered(self) -> bool:
        """Whether what a person said to it holds: acknowledged, shelved, out of service."""
        return self.is_shelved or self.is_out_of_service or self.state in _ACKNOWLEDGED


_ACKNOWLEDGED = (AlarmState.ACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED)


def _noted(alarm: Alarm, cause: AlarmInput, *, stage: int, is_latching: bool) -> Alarm:
    """The alarm with its flags as the input leaves them, its state not yet looked up."""
    noted = replace(alarm, stage=stage)
    match cause:
        case AlarmInput.SHELVE | AlarmInput.UNSHELVE:
            noted = replace(noted, is_shelved=cause is AlarmInput.SHELVE)
        case AlarmInput.SUPPRESS | AlarmInput.UNSUPPRESS:
            noted = replace(noted, is_suppressed=cause is AlarmInput.SUPPRESS)
        case AlarmInput.TAKE_OUT_OF_SERVICE | AlarmInput.RETURN_TO_SERVICE:
            is_out = cause is AlarmInput.TAKE_OUT_OF_SERVICE
            noted = replace(noted, is_out_of_service=is_out)
        case AlarmInput.RESET:
            noted = replace(noted, is_latched=False)
    return replace(noted, is_latched=noted.is_latched or (is_latching and stage > 0))


def react(
    alarm: Alarm, cause: AlarmInput, at: Instant, *, stage: int, is_latching: bool
) -> Alarm | None:
    """The alarm after an input, or None where a person's input is refused.

    Parameters
    ----------
    alarm : Alarm
        Before.
    cause : AlarmInput
        What happened.
    at : Instant
        When.
    stage : int
        Of the condition, after the input. [1]
    is_latching : bool
        Whether the alarm is built to latch.

    Examples
    --------
    >>> react(Alarm(), AlarmInput.ON, Instant(0, 0), stage=1, is_latching=False).state.value
    'unacknowledged'
    """
    answer = TABLE[alarm.state, cause]
    if answer is Answer.REFUSE or _is_so_already(alarm, cause):
        return None
    noted = _noted(alarm, cause, stage=stage, is_latching=is_latching)
    state = _resolved(noted, answer, is_latching=is_latching)
    if state is alarm.state:
        return noted
    return replace(
        noted,
        state=state,
        since=at,
        raised=alarm.raised + (state is AlarmState.UNACKNOWLEDGED),
    )


def _is_so_already(alarm: Alarm, cause: AlarmInput) -> bool:
    """Whether a shelving that another flag hides from the table is asked for again, or its end."""
    if cause is AlarmInput.SHELVE:
        return alarm.is_shelved
    return cause is AlarmInput.UNSHELVE and not alarm.is_shelved


def _resolved(alarm: Alarm, answer: AlarmState | Answer, *, is_latching: bool) -> AlarmState:
    """The state that an answer means for this alarm."""
    if isinstance(answer, AlarmState):
        return answer
    if answer is Answer.RETURN:
        return _returned(alarm.state, is_latching=is_latching)
    if answer is Answer.SURFACE:
        return _surfaced(alarm)
    return alarm.state


def _returned(state: AlarmState, *, is_latching: bool) -> AlarmState:
    """Where a condition that turned off leaves an unacknowledged or acknowledged alarm."""
    if state is AlarmState.UNACKNOWLEDGED:
        return (
            AlarmState.LATCHED_UNACKNOWLEDGED if is_latching else AlarmState.RETURNED_UNACKNOWLEDGED
        )
    return AlarmState.LATCHED_ACKNOWLEDGED if is_latching else AlarmState.NORMAL


def _surfaced(alarm: Alarm) -> AlarmState:
    """What is left of an alarm when something that put it aside has ended."""
    if alarm.is_suppressed:
        return AlarmState.SUPPRESSED_BY_DESIGN
    if alarm.is_shelved:
        return AlarmState.SHELVED
    if alarm.stage:
        return AlarmState.UNACKNOWLEDGED
    return AlarmState.LATCHED_UNACKNOWLEDGED if alarm.is_latched else AlarmState.NORMAL


@dataclass(frozen=True, slots=True)
class Delay:
    """A condition with its on- and off-delay.

    Attributes
    ----------
    is_on
        Whether it counts as on.
    is_raw
        Whether the undelayed condition is on.
    raw_since
        When the undelayed condition last turned on; the onset a person is told. None: never.
    due_ns
        When ``is_on`` will change, None while it will not. [ns]
    is_paused
        Whether the signal is not seen.
    """

    is_on: bool = False
    is_raw: bool = False
    raw_since: Instant | None = None
    due_ns: int | None = None
    is_paused: bool = False

    def turned(self, at: Instant, *, is_raw: bool, on_delay_ns: int, off_delay_ns: int) -> Delay:
        """Undelayed condition as it is from now on."""
        if is_raw == self.is_raw:
            return self
        since = at if is_raw else self.raw_since
        delay_ns = on_delay_ns if is_raw else off_delay_ns
        due_ns = None if is_raw == self.is_on else at.mono_ns + delay_ns
        return replace(self, is_raw=is_raw, raw_since=since, due_ns=due_ns)

    def paused(self) -> Delay:
        """Signal lost: nothing is proven until it is seen again."""
        return replace(self, is_paused=True)

    def resumed(self, at_ns: int, *, off_delay_ns: int) -> Delay:
        """Signal seen again: an off-delay starts anew, an on-delay is due at the earliest now."""
        due_ns = self.due_ns
        if due_ns is not None:
            due_ns = at_ns + off_delay_ns if self.is_on else max(due_ns, at_ns)
        return replace(self, is_paused=False, due_ns=due_ns)

    def due_by(self, until_ns: int) -> bool:
        """Whether a change is due at or before a moment."""
        return self.due_ns is not None and not self.is_paused and self.due_ns <= until_ns

    def fired(self) -> Delay:
        """The due change made."""
        return replace(self, is_on=not self.is_on, due_ns=None)
