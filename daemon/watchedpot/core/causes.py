"""What signs mean: a table of rules, and from it a short list of causes with their certainty.

Theory of operation
-------------------
A rule is a row: where its signs are on (and none of its ``unless``), its cause weighs so much.
Further signs multiply that weight and are told as what speaks for it, or against. Of several rows
of one cause the heaviest counts. The certainty of a cause is its share of all the weight, to
which something unknown always adds its own; where the heater output is not read it adds more,
and says so. To know another cause is to add a row.

One confusion must never happen: a reading that is falsely low taken for a heater that is out.
So NO_HEAT outweighs SENSOR_LOW only where the reading falls as a zone without heat does: neither
faster (no heater and no room can do that) nor so slowly that some heat must arrive.

Decided against: probabilities learned from faults (there are too few, and nobody could say why),
and rules on temperature alone (it names no cause).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import NamedTuple

from watchedpot.core.signs import Sign
from watchedpot.core.snapshot import Candidate, Cause, Severity

MOST_CANDIDATES = 5
UNKNOWN_WEIGHT, BLIND_WEIGHT = 0.6, 3.0
"""What something unknown weighs, and what it weighs where the output is not read. [1]"""

LEAST_CERTAINTY = 0.02
"""Below this a cause is not worth a word. [1]"""


class Also(NamedTuple):
    """A further sign: by what it multiplies the weight, and what is told of it."""

    sign: Sign
    factor: float
    text: str


@dataclass(frozen=True, slots=True)
class Rule:
    """One row: which signs together speak for which cause.

    Attributes
    ----------
    needs, unless
        All of these on, none of those.
    text
        What was seen, with figures of the zone by name.
    severity
        Where this cause is the likeliest.
    """

    cause: Cause
    weight: float
    needs: tuple[Sign, ...]
    text: str
    severity: Severity
    unless: tuple[Sign, ...] = ()
    also: tuple[Also, ...] = ()

    @property
    def need_mask(self) -> int:
        """Its needs as bits."""
        return mask_of(self.needs)

    @property
    def unless_mask(self) -> int:
        """What it excludes, as bits."""
        return mask_of(self.unless)


def mask_of(signs: Iterable[Sign]) -> int:
    """Signs as bits."""
    mask = 0
    for sign in signs:
        mask |= sign.bit
    return mask


S = Sign
C = Cause

_MOVED = (S.STEPPED, S.OFF, S.SETBACK)
"""Where the zone is meant to go elsewhere."""

_FALL = "falls {fall:.2f} K/s"
_ASKED = "the controller asks for {output:.0f} % and about {arrives:.0f} % arrives"

_MATCH = "the fall matches natural cooling, {cooling:.2f} K/s"
_TOO_FAST = "it fell faster than it can cool"
_WIPED = "the tip was wiped"
_CHARGED = "another charge came shortly before"
_STANDS = "the cell stood, so the reservoir may have been opened"
_OPENED = "it fell for longer than a sensor that slips"

HEAT_RULES: tuple[Rule, ...] = (
    # A reading that fell as no zone can cool.
    Rule(
        C.SENSOR_LOW,
        10.0,
        (S.FALLEN,),
        "the reading fell faster than the zone can cool ({cooling:.2f} K/s)",
        Severity.CRITICAL,
        (S.OFF,),
        (
            Also(S.FULL, 1.5, "the controller answers with full output, so heat is flowing"),
            Also(S.WIPED, 0.5, _WIPED),
            Also(S.UNANSWERED, 0.4, "the controller does not react to it"),
        ),
    ),
    Rule(
        C.SENSOR_LOW,
        20.0,
        (S.BELOW_ROOM,),
        "the reading is {temp:.0f} degC, colder than the room, with the heater on",
        Severity.CRITICAL,
        (S.OFF,),
    ),
    Rule(
        C.SCALE_OR_UNIT,
        1.0,
        (S.FALLEN,),
        "the reading changed at once",
        Severity.HOLD,
        (S.OFF,),
        (Also(S.UNANSWERED, 9.0, "the controller does not react, so it reads something else"),),
    ),
    Rule(
        C.NO_HEAT,
        0.6,
        (S.FALLEN, S.LOW),
        "it is {low:.1f} K below its setpoint",
        Severity.HOLD,
        (S.OFF,),
        (Also(S.FALLEN, 0.5, _TOO_FAST),),
    ),
    Rule(
        C.SCALE_OR_UNIT,
        6.0,
        (S.LEAPT, S.UNANSWERED),
        "the reading rose faster than full heat can and the controller does not react",
        Severity.HOLD,
    ),
    Rule(
        C.SCALE_OR_UNIT,
        14.0,
        (S.SCALED,),
        "the reading leapt to {temp:.0f} degC, as from one unit or scale to another",
        Severity.HOLD,
    ),
    Rule(
        C.SCALE_OR_UNIT,
        8.0,
        (S.UNANSWERED, S.HIGH),
        "it reads {high:.0f} K above its setpoint and the controller does not react",
        Severity.HOLD,
        (S.STEPPED, S.UNASKED, S.HIGH_SETPOINT, S.OFF, S.SETBACK),
    ),
    Rule(
        C.SENSOR_BREAK,
        3.0,
        (S.ASTRAY, S.HIGH),
        "the reading rose faster than full heat can",
        Severity.HOLD,
        (S.DIPPED, S.FULL_OF_LATE),
        (Also(S.NONE_ASKED, 2.0, "the controller has cut the output, so the zone is cooling"),),
    ),
    # A quick dip.
    Rule(
        C.SENSOR_SLIPPED,
        2.4,
        (S.DIPPED,),
        "the reading dropped faster than the zone can cool",
        Severity.NOTE,
        (S.FALLEN, *_MOVED),
        (
            Also(S.PRODUCING, 2.5, "parts were being made"),
            Also(S.WIPED, 0.1, _WIPED),
            Also(S.CHARGED, 0.4, _CHARGED),
            Also(S.STANDS, 0.3, _STANDS),
            Also(S.OPENED, 0.1, _OPENED),
            Also(S.MORE, 0.3, "it takes much more output than before"),
        ),
    ),
    Rule(
        C.SENSOR_SLIPPED,
        2.6,
        (S.DIPPED, S.BACK),
        "the reading dropped faster than the zone can cool and is back at hardly more output",
        Severity.SOON,
        (S.FALLEN, S.DROPS, S.MORE, *_MOVED),
        (
            Also(S.PRODUCING, 2.5, "parts were being made"),
            Also(S.WIPED, 0.1, _WIPED),
            Also(S.CHARGED, 0.4, _CHARGED),
            Also(S.OPENED, 0.1, _OPENED),
        ),
    ),
    Rule(
        C.HANDLING,
        3.6,
        (S.DIPPED,),
        "a short dip, as after a wipe or a touch",
        Severity.NOTE,
        (S.OFF,),
        (
            Also(S.WIPED, 9.0, _WIPED),
            Also(S.PRODUCING, 0.4, "parts were being made"),
            Also(S.WIPE_TOLD, 0.8, "no wipe was told"),
            Also(S.FALLEN, 0.3, "it fell further than a touch takes it"),
        ),
    ),
    Rule(
        C.DRAFT,
        1.2,
        (S.DIPPED,),
        "a dip",
        Severity.NOTE,
        (S.FALLEN, *_MOVED),
        (
            Also(S.MORE, 5.0, "it takes {output:.0f} % instead of about {need:.0f} %"),
            Also(S.DROPS, 0.7, "air does not cool so fast"),
        ),
    ),
    # Heat that is asked for and does not arrive. At first a strong draft and a dead heater look
    # the same; a zone that falls as without heat is not judged before its output has doubled.
    Rule(
        C.NO_HEAT,
        2.0,
        (S.STARVED,),
        _ASKED,
        Severity.HOLD,
        (S.OFF, S.BELOW_ROOM),
        (
            Also(S.COOLS, 6.0, _FALL + ", as it cools without heat"),
            Also(S.FALLEN, 0.05, _TOO_FAST),
            Also(S.DIPPED, 0.25, _TOO_FAST),
            Also(S.CHARGED, 0.15, _CHARGED),
            Also(S.TANK, 0.7, "a refill does the same to a tank"),
        ),
    ),
    Rule(
        C.NO_HEAT,
        40.0,
        (S.STARVED_LONG, S.COOLS),
        _ASKED + " for minutes",
        Severity.HOLD,
        (S.OFF, S.BELOW_ROOM, S.FALLEN, S.DIPPED),
    ),
    Rule(
        C.NO_HEAT,
        6.0,
        (S.LITTLE, S.COOLS, S.ASKS),
        _FALL + " with rising output: " + _ASKED,
        Severity.NOTE,
        (S.FALLEN, S.BELOW_ROOM, *_MOVED),
        (
            Also(S.DIPPED, 0.2, _TOO_FAST),
            Also(S.CHARGED, 0.15, _CHARGED),
        ),
    ),
    Rule(
        C.NO_HEAT,
        6.0,
        (S.COOLS, S.NONE_ASKED, S.LOW),
        _FALL + " as without heat, and the controller asks for none: control off, in manual, or "
        "stopped",
        Severity.HOLD,
        (S.FALLEN, S.DIPPED, S.BELOW_ROOM, *_MOVED),
    ),
    Rule(
        C.NO_HEAT,
        3.0,
        (S.COOLS, S.LOW),
        _FALL + ", as it cools without heat",
        Severity.SOON,
        (S.OUTPUT_READ, S.FALLEN, S.DIPPED, *_MOVED),
    ),
    Rule(
        C.NO_HEAT,
        2.4,
        (S.NO_RISE,),
        "full output for a while and the reading does not rise",
        Severity.HOLD,
        (S.OFF, S.BELOW_ROOM),
        (
            Also(S.FALLEN, 0.2, _TOO_FAST),
            Also(S.DIPPED, 0.2, _TOO_FAST),
            Also(S.CHARGED, 0.2, _CHARGED),
            Also(S.STARVED_LONG, 2.0, "it fell as it cools without heat before"),
        ),
    ),
    Rule(
        C.SENSOR_LOW,
        3.0,
        (S.NO_RISE,),
        "full output for a while and the reading does not show it",
        Severity.HOLD,
        (S.OFF,),
        (
            Also(S.COOLS, 0.3, _MATCH),
            Also(S.STARVED_LONG, 0.4, "it fell as it cools without heat before"),
            Also(S.CHARGED, 0.2, _CHARGED),
        ),
    ),
    Rule(
        C.SENSOR_LOW,
        2.6,
        (S.STARVED,),
        "the reading falls against {output:.0f} % of output",
        Severity.HOLD,
        (S.OFF,),
        (
            Also(S.COOLS, 0.4, _MATCH),
            Also(S.CHARGED, 0.15, _CHARGED),
            Also(S.TANK, 0.6, "a refill does the same to a tank"),
        ),
    ),
    Rule(
        C.SENSOR_LOW,
        1.0,
        (S.LITTLE,),
        "the reading falls against rising output",
        Severity.NOTE,
        (S.FALLEN, S.COOLS, *_MOVED),
        (
            Also(S.COOLS, 0.5, _MATCH),
            Also(S.CHARGED, 0.15, _CHARGED),
        ),
    ),
    Rule(
        C.SENSOR_LOW,
        1.0,
        (S.LITTLE, S.COOLS, S.ASKS),
        "the reading falls against rising output",
        Severity.NOTE,
        (S.FALLEN, *_MOVED),
        (
            Also(S.COOLS, 0.5, _MATCH),
            Also(S.CHARGED, 0.15, _CHARGED),
        ),
    ),
    Rule(
        C.SENSOR_LOW,
        1.6,
        (S.COOLS, S.LOW),
        _FALL,
        Severity.SOON,
        (S.OUTPUT_READ, S.FALLEN, *_MOVED),
        (Also(S.COOLS, 0.7, _MATCH),),
    ),
    Rule(
        C.PART_OF_HEAT,
        1.0,
        (S.LITTLE,),
        _ASKED,
        Severity.NOTE,
        (S.FALLEN, S.DIPPED, S.COOLS, *_MOVED),
        (Also(S.STARVED, 0.3, "hardly any arrives"),),
    ),
    Rule(
        C.PART_OF_HEAT,
        1.0,
        (S.LITTLE, S.COOLS, S.ASKS),
        _ASKED,
        Severity.NOTE,
        (S.FALLEN, S.DIPPED, *_MOVED),
        (Also(S.STARVED, 0.3, "hardly any arrives"),),
    ),
    Rule(
        C.DRAFT,
        1.8,
        (S.LITTLE,),
        "it loses more heat than usual: " + _ASKED,
        Severity.NOTE,
        (S.FALLEN, S.COOLS, *_MOVED),
        (
            Also(S.STARVED, 0.3, "no air takes all that the heater gives"),
            Also(S.TANK, 0.4, "a tank is closed"),
        ),
    ),
    Rule(
        C.DRAFT,
        1.8,
        (S.LITTLE, S.COOLS, S.ASKS),
        "it loses more heat than usual: " + _ASKED,
        Severity.NOTE,
        (S.FALLEN, *_MOVED),
        (
            Also(S.STARVED, 0.3, "no air takes all that the heater gives"),
            Also(S.TANK, 0.4, "a tank is closed"),
        ),
    ),
    Rule(
        C.DRAFT,
        1.5,
        (S.COOLS, S.LOW),
        _FALL,
        Severity.NOTE,
        (S.OUTPUT_READ, S.FALLEN, *_MOVED),
    ),
    # A cold charge.
    Rule(
        C.CHARGE_CHANGE,
        9.0,
        (S.CHARGED, S.PACK, S.LITTLE),
        _CHARGED + "; it takes heat",
        Severity.NOTE,
        (S.OFF, S.FALLEN),
    ),
    Rule(
        C.CHARGE_CHANGE,
        16.0,
        (S.PACK, S.LITTLE),
        "the cell stands and the reservoir takes heat, as with a cold charge",
        Severity.NOTE,
        (S.OFF, S.PRODUCING, S.FALLEN, S.STARVED_LONG),
    ),
    Rule(
        C.CHARGE_CHANGE,
        4.0,
        (S.PACK, S.STANDS, S.DIPPED),
        "the cell stands and its reservoir cools, as when it is opened",
        Severity.NOTE,
        (S.OFF, S.FALLEN, *_MOVED),
        (Also(S.CHARGED, 2.0, _CHARGED),),
    ),
    Rule(
        C.CHARGE_CHANGE,
        8.0,
        (S.OPENED, S.DIPPED),
        "while the cell stood its reservoir took much heat, as with a cold charge",
        Severity.NOTE,
        (S.OFF, S.FALLEN),
    ),
    Rule(
        C.REFILL,
        3.0,
        (S.TANK, S.LITTLE),
        "the tank takes heat, as with cold material",
        Severity.NOTE,
        (S.OFF, S.FALLEN),
        (
            Also(S.CHARGED, 6.0, _CHARGED),
            Also(S.STARVED_LONG, 0.5, "it has lasted for minutes"),
        ),
    ),
    Rule(
        C.REFILL,
        3.0,
        (S.TANK, S.FALLS, S.ASKS),
        "the tank takes heat, as with cold material",
        Severity.NOTE,
        (S.OFF, S.FALLEN),
        (Also(S.CHARGED, 6.0, _CHARGED),),
    ),
    # Steady, at another output than usual.
    Rule(
        C.DRAFT,
        4.0,
        (S.MORE,),
        "it takes {output:.0f} % instead of about {need:.0f} %",
        Severity.NOTE,
        (S.HEATING, S.RECOVERING, S.SOAKS, *_MOVED),
        (
            Also(S.MORE_LONG, 0.5, "it has lasted for more than 20 min"),
            Also(S.TANK, 0.5, "a tank is closed"),
            Also(S.COLD_BEFORE, 0.6, "it was so when it came back from the cold"),
        ),
    ),
    Rule(
        C.PART_OF_HEAT,
        2.6,
        (S.DOUBLE,),
        "it takes {output:.0f} %, about twice the usual {need:.0f} %",
        Severity.SOON,
        (S.HEATING, S.RECOVERING, S.SOAKS, *_MOVED),
        (
            Also(S.MORE_LONG, 3.0, "it has lasted for more than 20 min"),
            Also(S.TANK, 2.0, "a draft hardly reaches a tank"),
        ),
    ),
    Rule(
        C.SENSOR_LOW,
        0.6,
        (S.MORE,),
        "a sensor that reads low makes the zone hotter and takes more output",
        Severity.SOON,
        (S.HEATING, S.RECOVERING, S.SOAKS, *_MOVED),
    ),
    # What was changed while it was cold shows in what it takes once it is warm, and only there.
    Rule(
        C.SENSOR_LOW,
        6.0,
        (S.MORE_SETTLED, S.COLD_BEFORE),
        "since it was cold it takes {output:.0f} % for the same reading instead of {need:.0f} %: "
        "its sensor or lead may have been changed",
        Severity.SOON,
        (S.HEATING, S.RECOVERING, S.SOAKS, *_MOVED),
    ),
    # Heat that nobody asks for.
    Rule(
        C.STUCK_ON,
        9.0,
        (S.UNASKED,),
        "rises {rise:.2f} K/s with the output at {output:.0f} %",
        Severity.CRITICAL,
        (S.FULL_OF_LATE, S.STEPPED, S.HEATING, S.RECOVERING),
    ),
    Rule(
        C.STUCK_ON,
        12.0,
        (S.UNASKED_LONG,),
        "rises {rise:.2f} K/s with the output at {output:.0f} %, longer than stored heat does",
        Severity.CRITICAL,
    ),
    Rule(
        C.OVERSHOOT,
        4.0,
        (S.UNASKED, S.FULL_OF_LATE),
        "full output shortly before; the output is down",
        Severity.NOTE,
        (),
        (Also(S.UNASKED_LONG, 0.2, "it still rises, which stored heat does not do for long"),),
    ),
    Rule(
        C.OVERSHOOT,
        3.0,
        (S.HIGH,),
        "{high:.1f} K above its setpoint, the output at {output:.0f} %",
        Severity.NOTE,
        (S.OFF, S.SETBACK, S.UNASKED, S.ASTRAY, S.HIGH_SETPOINT, S.HOT_BEFORE),
    ),
    Rule(
        C.WRONG_SETPOINT,
        20.0,
        (S.HIGH_SETPOINT,),
        "its setpoint of {setpoint:.1f} degC lies above its window",
        Severity.HOLD,
        (S.UNASKED_LONG,),
    ),
    Rule(
        C.CYCLING,
        9.0,
        (S.CYCLES,),
        "its output goes from end to end, as in on/off control or while the controller tunes",
        Severity.NOTE,
        (S.HEATING, S.RECOVERING, S.FALLEN, *_MOVED),
    ),
    # A reading that stands still.
    Rule(
        C.FROZEN_AT_CONTROLLER,
        5.0,
        (S.STILL,),
        "the reading has not moved for {still:.0f} s, far longer than it ever does",
        Severity.HOLD,
        (S.ALL_STILL, S.ASTRAY),
        (
            Also(S.OUT_STILL, 0.3, "the output stands still as well"),
            Also(S.TREMBLES, 0.2, "the output trembles as with a live reading"),
        ),
    ),
    Rule(
        C.FROZEN_AT_CONTROLLER,
        16.0,
        (S.DRIVEN,),
        "the reading has not moved for {still:.0f} s while the output went from {need:.0f} to "
        "{output:.0f} %",
        Severity.CRITICAL,
        (S.TREMBLES, S.ASTRAY),
    ),
    Rule(
        C.FROZEN_IN_DATA,
        3.0,
        (S.STILL,),
        "the reading has not moved for {still:.0f} s",
        Severity.SOON,
        (S.ALL_STILL, S.ASTRAY),
        (
            Also(S.OUT_STILL, 3.0, "nor has the output"),
            Also(S.TREMBLES, 2.0, "the output trembles, so the controller has a live reading"),
            Also(S.DRIVEN, 0.5, "the output moves"),
        ),
    ),
)
"""What moves the reading of one zone."""

_BROKEN = "it sends no temperature"
_PUSHED = "the controller answers with {output:.0f} % of output, so heat is flowing"
DATA_RULES: tuple[Rule, ...] = (
    Rule(
        C.SENSOR_LOW,
        40.0,
        (S.UNREADABLE, S.PUSHED),
        "its value is beyond what the sensor can return; " + _PUSHED,
        Severity.CRITICAL,
        (S.HEATING, S.RECOVERING, S.STEPPED, S.OFF),
    ),
    Rule(
        C.SENSOR_LOW,
        40.0,
        (S.SENSOR, S.PUSHED),
        _BROKEN + "; " + _PUSHED,
        Severity.CRITICAL,
        (S.HEATING, S.RECOVERING, S.STEPPED, S.OFF),
    ),
    # On the way up full output is usual, whatever the controller reads: not so sure, not so grave.
    *(
        Rule(
            C.SENSOR_BREAK,
            20.0,
            (S.UNREADABLE, S.PUSHED, sign),
            "its value is beyond what the sensor can return; " + _PUSHED,
            Severity.HOLD,
            (S.OFF,),
        )
        for sign in (S.HEATING, S.RECOVERING, S.STEPPED)
    ),
    Rule(
        C.SENSOR_BREAK,
        9.0,
        (S.SENSOR,),
        _BROKEN,
        Severity.HOLD,
        (),
        (Also(S.NONE_ASKED, 1.5, "the controller has cut the output: it is cooling"),),
    ),
    Rule(
        C.SENSOR_BREAK,
        6.0,
        (S.UNREADABLE,),
        "its value is beyond what the sensor can return",
        Severity.HOLD,
        (),
        (
            Also(S.NONE_ASKED, 1.5, "the controller has cut the output: it is cooling"),
            Also(S.LIVE, 0.3, "the controller goes on heating, so it has a reading"),
        ),
    ),
    Rule(
        C.SCALE_OR_UNIT,
        4.0,
        (S.UNREADABLE,),
        "its value is beyond what can be, as with another unit, scale or word order",
        Severity.HOLD,
        (),
        (
            Also(S.NONE_ASKED, 0.4, "the controller has cut the output"),
            Also(S.LIVE, 4.0, "the controller goes on heating, so it has a reading"),
        ),
    ),
    Rule(
        C.SCALE_OR_UNIT,
        20.0,
        (S.MISREAD,),
        "its numbers are those of before in another unit, or times ten",
        Severity.HOLD,
    ),
    Rule(
        C.FROZEN_IN_DATA,
        6.0,
        (S.REPEATED,),
        "the same number has come for longer than its channel may stand still",
        Severity.HOLD,
    ),
    Rule(
        C.FROZEN_AT_CONTROLLER,
        3.0,
        (S.REPEATED,),
        "the same number has come for longer than its channel may stand still",
        Severity.HOLD,
    ),
    Rule(C.SENSOR_BREAK, 5.0, (S.ZEROED,), "it sends the code for no sensor", Severity.HOLD),
    Rule(
        C.PLC_RESTART,
        2.0,
        (S.ZEROED,),
        "it sends what controllers show while they start",
        Severity.SOON,
    ),
    Rule(C.LINK, 9.0, (S.SILENT,), "no readings arrive", Severity.SOON),
    Rule(
        C.LINK,
        9.5,
        (S.SILENT_LONG, S.PRODUCING),
        "no readings arrive",
        Severity.HOLD,
    ),
    Rule(C.PLC_RESTART, 2.0, (S.SILENT,), "its controller may be off or starting", Severity.SOON),
    Rule(
        C.FROZEN_IN_DATA,
        9.0,
        (S.STOPPED,),
        "heartbeat or server time stands still",
        Severity.HOLD,
    ),
    Rule(
        C.FROZEN_IN_DATA,
        9.0,
        (S.ALL_STILL,),
        "nothing that its source serves has moved for {still:.0f} s",
        Severity.HOLD,
    ),
)
"""What keeps the reading of one zone from being known."""

COURSE_RULES: tuple[Rule, ...] = (
    Rule(C.COLD_START, 6.0, (S.HEATING,), "it is heating up", Severity.NOTE),
    Rule(C.SETBACK, 6.0, (S.SETBACK,), "its setpoint is lowered", Severity.NOTE),
    Rule(C.SETBACK, 6.0, (S.RECOVERING,), "it is on its way back", Severity.NOTE, (S.SETBACK,)),
)
"""What a zone is meant to do; nothing is wrong."""

ACTIONS: Mapping[Cause, str] = {
    C.NO_HEAT: "Hold dispensing; have a qualified person look at fuse, plug, relay and heater",
    C.PART_OF_HEAT: "Plan a check of the heater by a qualified person",
    C.STUCK_ON: "Hold dispensing, isolate the heater power at the cell's own controls, keep away",
    C.SENSOR_LOW: (
        "Isolate the heater power at the cell's own controls and keep away: it may be far hotter "
        "than it reads; then have a qualified person check the sensor"
    ),
    C.SENSOR_SLIPPED: (
        "Check the sensor against a reference: it may be several kelvin hotter than it reads"
    ),
    C.SENSOR_BREAK: "Hold dispensing; have a qualified person check sensor and wiring",
    C.FROZEN_AT_CONTROLLER: (
        "Hold dispensing; the controller acts on a value that stands still, so have a qualified "
        "person check the input"
    ),
    C.FROZEN_IN_DATA: "Hold dispensing; check that the cell's controller runs and sends new values",
    C.OVERSHOOT: "Wait until it is back in its window",
    C.WRONG_SETPOINT: "Hold dispensing; correct the setpoint",
    C.DRAFT: "Close the door, turn extraction away from the nozzle, look at the bead",
    C.SUPPLY_LOW: "Have a qualified person check the supply of the heaters",
    C.ALL_HEAT_LOST: "Hold dispensing; look for the reason at the heater supply and stop circuit",
    C.HANDLING: "Look at the first bead",
    C.CHARGE_CHANGE: "Say which charge was loaded, let it soak, purge, check the first bead",
    C.REFILL: "Wait until the tank is back; smaller refills cool it less",
    C.COLD_START: "Wait until it is ready",
    C.SETBACK: "Wait until it is ready",
    C.CYCLING: "Let the controller finish, or have its mode checked",
    C.ZONES_CROSSED: "Hold dispensing; have a qualified person heat one zone at a time",
    C.SCALE_OR_UNIT: "Hold dispensing; check scale, unit and word order of the channel",
    C.PLC_RESTART: "Wait until the controller runs; let the zones soak before dispensing",
    C.LINK: "Hold dispensing; check that the controller runs and its network cable is plugged in",
    C.CLOCK: "Check the time setting of the computer",
    C.UNKNOWN: "Look at the cell",
}
"""What to do first."""

_NOT_HEAT = frozenset({C.COLD_START, C.SETBACK, C.CLOCK, C.LINK, C.PLC_RESTART})
NO_OUTPUT_TEXT = "heater output is not read: cannot tell no heat from a draft or a low sensor"
NO_SETPOINT_TEXT = "the setpoint is not read: cannot tell a fault from a lowered setpoint"
ONE_ZONE_TEXT = "no other zone is read: cannot tell this heater from the heater supply"


class Ranked(NamedTuple):
    """The causes that fit, the likeliest first, and how bad the likeliest is."""

    candidates: tuple[Candidate, ...]
    severity: Severity


def rank(
    rules: Sequence[Rule],
    mask: int,
    figures: Mapping[str, float],
    favoured: Cause | None = None,
) -> Ranked | None:
    """The causes that fit the signs of one zone; None where none does.

    Parameters
    ----------
    rules
        The table.
    mask
        Signs that are on.
    figures
        Of the zone, by the names of ``signs.Figures``.
    favoured
        What it was taken for until now: it weighs half as much again, so that two causes that
        are as likely do not take turns.
    """
    found: dict[Cause, tuple[float, Severity, tuple[str, ...], tuple[str, ...]]] = {}
    words: dict[str, float] | None = None
    for rule, needs, unless in compiled(rules):
        if mask & needs != needs or mask & unless:
            continue
        words = named(figures) if words is None else words
        weight, told, against = rule.weight, [rule.text.format(**words)], list[str]()
        for also in rule.also:
            if mask & also.sign.bit:
                weight *= also.factor
                (told if also.factor > 1.0 else against).append(also.text.format(**words))
        if rule.cause is favoured:
            weight *= 1.5
        if rule.cause not in found or found[rule.cause][0] < weight:
            found[rule.cause] = (weight, rule.severity, tuple(told), tuple(against))
    if not found:
        return None
    is_blind = not mask & Sign.OUTPUT_READ.bit and not _NOT_HEAT & found.keys()
    unknown = BLIND_WEIGHT if is_blind else UNKNOWN_WEIGHT
    total = unknown + sum(entry[0] for entry in found.values())
    ordered = sorted(found.items(), key=lambda item: (-item[1][0], item[0].value))
    candidates = tuple(
        Candidate(cause, round(weight / total, 4), told, against)
        for cause, (weight, _, told, against) in ordered[:MOST_CANDIDATES]
        if weight / total >= LEAST_CERTAINTY
    )
    return Ranked(candidates, ordered[0][1][1])


def compiled(rules: Sequence[Rule]) -> tuple[tuple[Rule, int, int], ...]:
    """Rules with their masks, worked out once for each table."""
    for table, rows in _TABLES:
        if table is rules:
            return rows
    return _with_masks(rules)


def _with_masks(rules: Sequence[Rule]) -> tuple[tuple[Rule, int, int], ...]:
    return tuple((rule, rule.need_mask, rule.unless_mask) for rule in rules)


_TABLES = tuple((table, _with_masks(table)) for table in (HEAT_RULES, DATA_RULES, COURSE_RULES))


def named(figures: Mapping[str, float]) -> dict[str, float]:
    """The figures by the names that the texts use; what is not known is told as 0."""
    rate = figures["short_rate"]
    words = {
        "temp": figures["temp_c"],
        "setpoint": figures["setpoint_c"],
        "fall": -rate,
        "rise": rate,
        "cooling": figures["cooling"],
        "output": figures["short_output"],
        "arrives": max(figures["short_arrives"], 0.0)
        if isfinite(figures["short_arrives"])
        else 0.0,
        "need": figures["need"],
        "low": -figures["off_k"],
        "high": figures["off_k"],
        "still": figures["still_s"],
    }
    return {name: value if isfinite(value) else 0.0 for name, value in words.items()}


def numbers(figures: Mapping[str, float], *, has_output: bool) -> str:
    """The figures of a zone in words."""
    temp_c, rate, output = (figures[n] for n in ("temp_c", "short_rate", "output"))
    if not isfinite(temp_c) or not figures["is_seen"]:
        return "no reading"
    words = f"{temp_c:.1f} degC"
    if isfinite(rate) and abs(rate) >= 0.015:
        words += f" and {'rising' if rate > 0.0 else 'falling'} {abs(rate):.2f} K/s"
    if has_output and isfinite(output):
        words += f", heater at {output:.0f} %"
    return words
