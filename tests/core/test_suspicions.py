"""Zones looked at together: what several show at once is one thing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from watchedpot.core.bins import BIN_NS, NO_OUTPUT, NONE_MK
from watchedpot.core.findings import Subject, Suspicion
from watchedpot.core.signs import KEPT, Sign
from watchedpot.core.snapshot import Cause, Severity
from watchedpot.core.suspicions import ZoneMoment, suspicions

INDEX = 1000
FIGURES = {
    "temp_c": 112.0,
    "setpoint_c": 115.0,
    "room_c": 23.0,
    "off_k": -3.0,
    "short_rate": -0.1,
    "long_rate": -0.1,
    "output": 60.0,
    "short_output": 60.0,
    "long_output": 50.0,
    "need": 22.0,
    "cooling": 0.1,
    "short_arrives": 0.0,
    "long_arrives": 0.0,
    "fallen_k": -0.6,
    "still_s": 0.0,
    "out_still_s": 0.0,
    "is_seen": 1.0,
}
DEAD = (Sign.FALLS, Sign.COOLS, Sign.LITTLE, Sign.ASKS, Sign.STARVED, Sign.OUTPUT_READ)


def moment(zone: str, *signs: Sign, fell: int = 20, **figures: float) -> ZoneMoment:
    """A zone that stood at 115 degC until some bins ago and then fell 0.2 K a bin."""
    bins = np.arange(KEPT)
    temps = 115_000 - 200 * np.maximum(bins - (KEPT - 1 - fell), 0)
    mask = sum(sign.bit for sign in signs)
    outputs = np.full(KEPT, 2200, dtype=np.int64)
    return ZoneMoment(zone, mask, FIGURES | figures, temps, outputs, lag_s=0.0, has_setpoint=True)


def elsewhere(zone: str, *signs: Sign) -> ZoneMoment:
    """A zone of another source, of which only the signs are known."""
    return replace(moment(zone, *signs), figures={})


def found(*moments: ZoneMoment) -> list[Suspicion]:
    """What is suspected, without favour."""
    return suspicions(list(moments), INDEX, {})


def causes(*moments: ZoneMoment) -> list[Cause]:
    """The likeliest of each."""
    return [one.cause for one in found(*moments)]


def test_one_dead_heater_is_one_suspicion_of_its_zone() -> None:
    """A zone that starves alone is its own affair, and began when its reading left."""
    (one,) = found(moment("nozzle", *DEAD), moment("syringe", Sign.OUTPUT_READ))
    assert (one.cause, one.zones, one.severity) == (Cause.NO_HEAT, ("nozzle",), Severity.HOLD)
    assert one.onset_ns == pytest.approx((INDEX - 19) * BIN_NS, abs=2 * BIN_NS)


def test_all_that_cool_together_lost_their_heat_together() -> None:
    """Two zones that starve from the same moment on are one cause of the cell."""
    (one,) = found(moment("nozzle", *DEAD, off_k=-4.0), moment("syringe", *DEAD))
    assert (one.cause, one.severity) == (Cause.ALL_HEAT_LOST, Severity.HOLD)
    assert one.zones == ("nozzle", "syringe")


def test_a_zone_of_another_source_counts_by_its_signs() -> None:
    """That it cools as without heat is enough."""
    assert causes(moment("nozzle", *DEAD), elsewhere("syringe", *DEAD)) == [Cause.ALL_HEAT_LOST]


def test_two_faults_at_different_times_are_two() -> None:
    """Zones that began a minute and a half apart did not lose one supply."""
    late = moment("nozzle", *DEAD, fell=4)
    assert Cause.ALL_HEAT_LOST not in causes(late, moment("syringe", *DEAD, fell=50))


@pytest.mark.parametrize("sign", [Sign.FALLEN, Sign.DIPPED, Sign.CHARGED])
def test_what_fell_otherwise_is_no_lost_supply(sign: Sign) -> None:
    """A sensor that fell, a dip or a new charge among them is something else."""
    assert Cause.ALL_HEAT_LOST not in causes(
        moment("nozzle", *DEAD), moment("syringe", *DEAD, sign)
    )


def test_a_zone_that_is_meant_to_be_cold_does_not_count() -> None:
    """A zone that is off says nothing about the supply."""
    off = moment("syringe", *DEAD, Sign.OFF)
    assert causes(moment("nozzle", *DEAD), off) == [Cause.NO_HEAT]


def test_heat_that_is_cut_for_all_is_lost_for_all() -> None:
    """Controllers that ask for nothing while their zones cool are one cause as well."""
    cut = (Sign.FALLS, Sign.COOLS, Sign.NONE_ASKED, Sign.LOW, Sign.OUTPUT_READ)
    assert causes(moment("nozzle", *cut), moment("syringe", *cut)) == [Cause.ALL_HEAT_LOST]


def test_more_output_by_one_ratio_is_the_supply() -> None:
    """All zones at 1.25 times their usual output have a low supply, not a draft each."""
    signs = (Sign.FIFTH_MORE, Sign.OUTPUT_READ)
    (one,) = found(
        moment("nozzle", *signs, long_output=27.5, need=22.0),
        moment("syringe", *signs, long_output=25.2, need=20.0),
    )
    assert (one.cause, one.severity) == (Cause.SUPPLY_LOW, Severity.SOON)


def test_more_output_by_different_ratios_is_not() -> None:
    """A draft at one zone and a little more at the other have no common ratio."""
    assert Cause.SUPPLY_LOW not in causes(
        moment("nozzle", Sign.MORE, Sign.OUTPUT_READ, long_output=44.0),
        moment("syringe", Sign.FIFTH_MORE, Sign.OUTPUT_READ, long_output=25.0),
    )


def test_a_slow_zone_need_not_show_a_low_supply_as_plainly() -> None:
    """Two zones show the ratio, a third that is near it does not contradict them."""
    plain = (Sign.FIFTH_MORE, Sign.OUTPUT_READ)
    zones = (
        moment("nozzle", *plain, long_output=27.5, need=22.0),
        moment("hose", *plain, long_output=25.2, need=20.0),
    )
    slow = moment("tank", Sign.OUTPUT_READ, long_output=11.5, need=10.0)
    contrary = moment("tank", Sign.OUTPUT_READ, long_output=10.1, need=10.0)
    assert causes(*zones, slow) == [Cause.SUPPLY_LOW]
    assert Cause.SUPPLY_LOW not in causes(*zones, contrary)
    assert Cause.SUPPLY_LOW not in causes(zones[0], slow)


def test_twice_the_output_of_all_is_no_low_supply() -> None:
    """Half the power is not 10 or 20 % of the voltage, by the ohmic law: all zones in a draft."""
    signs = (Sign.MORE, Sign.OUTPUT_READ)
    (one,) = found(
        moment("nozzle", *signs, long_output=44.0, need=22.0),
        moment("syringe", *signs, long_output=39.0, need=20.0),
    )
    assert (one.cause, one.severity) == (Cause.DRAFT, Severity.NOTE)
    assert one.zones == ("nozzle", "syringe")


def sagging(zone: str, since: int, lag_bins: float = 0.0) -> ZoneMoment:
    """A zone of which a fifth of the power is lost, under a loop that makes good for it slowly.

    Source: energy balance of a first-order zone, stepped by hand (analysis); need 0.2 %/K and
    0.5 K/s at full output, so the time constant is 1000 s.
    """
    rng = np.random.default_rng(7)
    temp_c, output, temps, outputs = 120.0, 20.0, [], []
    for place in range(KEPT):
        share = 0.81 if place >= since + lag_bins else 1.0
        temp_c += 2.0 * 0.5 * (share * output - 0.2 * (temp_c - 20.0)) / 100.0
        temps.append(round(1000.0 * (temp_c + float(rng.normal(0.0, 0.04)))))
        output = 20.0 + 6.0 * (120.0 - temp_c)
        outputs.append(round(100.0 * output))
    one = moment(
        zone,
        *(Sign.FIFTH_MORE, Sign.OUTPUT_READ),
        temp_c=temp_c,
        room_c=20.0,
        need=0.2 * (temp_c - 20.0),
        cooling=0.2 * (temp_c - 20.0) * 0.5 / 100.0,
        long_output=24.6,
    )
    return replace(one, temps_mk=np.array(temps), outputs=np.array(outputs))


@pytest.mark.parametrize("since", [12, 25, 40])
def test_a_low_supply_began_where_heat_begins_to_be_missing(since: int) -> None:
    """Neither reading nor output leaves at once; their balance does, to within ten seconds."""
    (one,) = found(sagging("nozzle", since), sagging("syringe", since))
    assert one.cause is Cause.SUPPLY_LOW
    began_ns = (INDEX + 1 - KEPT + since) * BIN_NS
    assert one.onset_ns == pytest.approx(began_ns, abs=10 * 10**9)


def test_without_a_knee_the_reading_tells_when_a_supply_began_to_be_low() -> None:
    """Where a bin of the past is not known there is no balance of it."""
    one = sagging("nozzle", 25)
    temps = one.temps_mk.copy()
    temps[3] = NONE_MK
    holed = replace(one, temps_mk=temps)
    (told,) = found(holed, replace(holed, zone="syringe"))
    assert told.cause is Cause.SUPPLY_LOW
    assert (INDEX - KEPT) * BIN_NS <= told.onset_ns <= INDEX * BIN_NS


def test_zones_that_lose_more_at_once_are_in_one_draft() -> None:
    """A tank that cools in the moment in which the others do has not been filled up."""
    cooled = (Sign.LITTLE, Sign.FALLS, Sign.OUTPUT_READ)
    tank = moment("tank", *cooled, Sign.TANK)
    (one,) = found(tank, moment("nozzle", *cooled, off_k=-4.0))
    assert (one.cause, one.severity) == (Cause.DRAFT, Severity.NOTE)
    assert one.zones == ("nozzle", "tank")
    assert causes(tank, moment("nozzle", Sign.OUTPUT_READ)) == [Cause.REFILL]
    falls = moment("nozzle", *cooled, Sign.COOLS)
    assert Cause.REFILL not in causes(tank, falls)


def test_a_draft_of_all_stays_one_when_its_begin_is_long_past() -> None:
    """Once it is told, what is kept of the past need not show that they began together."""
    more = (Sign.MORE, Sign.OUTPUT_READ)
    tank = moment("tank", *more, Sign.DOUBLE, Sign.TANK, long_output=20.0, need=10.0)
    nozzle = moment("nozzle", *more, fell=58, long_output=44.0)
    favoured = {(Subject.HEAT, name): Cause.DRAFT for name in ("tank", "nozzle")}
    assert [one.cause for one in suspicions([tank, nozzle], INDEX, favoured)] == [Cause.DRAFT]
    assert Cause.PART_OF_HEAT in causes(tank, nozzle)


def test_a_dead_heater_in_company_is_no_draft() -> None:
    """What asks for a person at once stands beside what the zones have in common."""
    cooled = (Sign.LITTLE, Sign.FALLS, Sign.OUTPUT_READ)
    told = causes(moment("nozzle", *DEAD), moment("hose", *cooled), moment("tank", *cooled))
    assert Cause.ALL_HEAT_LOST in told


def test_a_lowered_setpoint_of_one_zone_while_parts_are_made_is_wrong() -> None:
    """A setback lowers all zones and waits for the last part; this is neither."""
    busy = (Sign.FLOWING, Sign.PRODUCING, Sign.OUTPUT_READ)
    low = moment("nozzle", *busy, Sign.SETBACK, setpoint_c=100.0)
    told = found(low, moment("syringe", *busy))
    assert (told[0].cause, told[0].severity) == (Cause.WRONG_SETPOINT, Severity.HOLD)
    assert "100.0 degC" in told[0].candidates[0].speaks_for[0]
    lowered = moment("syringe", *busy, Sign.SETBACK)
    assert Cause.WRONG_SETPOINT not in causes(low, lowered)
    idle = moment("nozzle", Sign.SETBACK, Sign.OUTPUT_READ)
    assert Cause.WRONG_SETPOINT not in causes(idle, moment("syringe", Sign.OUTPUT_READ))


def test_a_dead_heater_beside_an_overshoot_is_not_exchanged_with_it() -> None:
    """Two kelvin above its setpoint a zone has its own heat; far above it, another's."""
    cold = moment("nozzle", Sign.LOW, Sign.FULL, Sign.NO_RISE, Sign.OUTPUT_READ, short_rate=0.0)
    signs = (Sign.HIGH, Sign.NONE_ASKED, Sign.OUTPUT_READ)
    assert Cause.ZONES_CROSSED not in causes(cold, moment("syringe", *signs, off_k=3.0))
    assert Cause.ZONES_CROSSED in causes(cold, moment("syringe", *signs, off_k=15.0))


def test_a_cold_zone_beside_one_that_runs_away_may_be_exchanged() -> None:
    """Cold at full output here, hot with none there: exchanged, and not a welded relay."""
    cold = moment("nozzle", Sign.LOW, Sign.FULL, Sign.NO_RISE, Sign.OUTPUT_READ, short_rate=0.0)
    hot = moment("syringe", Sign.UNASKED, Sign.NONE_ASKED, Sign.HIGH, Sign.OUTPUT_READ)
    (one,) = found(cold, hot)
    assert (one.cause, one.severity) == (Cause.ZONES_CROSSED, Severity.CRITICAL)
    assert set(one.zones) == {"nozzle", "syringe"}


def test_a_fallen_sensor_beside_it_is_told_as_well() -> None:
    """A sensor that fell out is no exchanged zone."""
    cold = moment("nozzle", Sign.LOW, Sign.FULL, Sign.FALLEN, Sign.OUTPUT_READ)
    hot = moment("syringe", Sign.UNASKED, Sign.NONE_ASKED, Sign.OUTPUT_READ)
    assert set(causes(cold, hot)) == {Cause.SENSOR_LOW, Cause.STUCK_ON}


def test_something_worse_of_a_zone_stands_beside_what_all_show() -> None:
    """A relay that welds while the supply is low is told too."""
    signs = (Sign.FIFTH_MORE, Sign.OUTPUT_READ)
    told = causes(
        moment("nozzle", *signs, Sign.UNASKED, long_output=27.5),
        moment("syringe", *signs, long_output=27.5),
    )
    assert set(told) == {Cause.SUPPLY_LOW, Cause.STUCK_ON}


def test_readings_that_all_stand_still_are_a_matter_of_the_data() -> None:
    """Every reading frozen at once is one cause, whatever the outputs do."""
    still = (Sign.STILL, Sign.TREMBLES, Sign.OUTPUT_READ)
    (one,) = found(moment("nozzle", *still, still_s=100.0), moment("syringe", *still, still_s=96.0))
    assert (one.cause, one.severity) == (Cause.FROZEN_IN_DATA, Severity.HOLD)
    assert one.onset_ns == (INDEX + 1) * BIN_NS - 96 * 10**9


def test_a_driven_zone_among_them_is_told_by_itself() -> None:
    """An output that runs away from one of them is that controller's blindness."""
    driven = moment("nozzle", Sign.STILL, Sign.DRIVEN, Sign.OUTPUT_READ, still_s=100.0)
    other = moment("syringe", Sign.STILL, Sign.OUTPUT_READ, still_s=100.0)
    assert found(driven, other)[0].severity is Severity.CRITICAL


def test_when_nothing_moves_at_all_it_is_told_once() -> None:
    """A source of which nothing moves is one suspicion about its data."""
    signs = (Sign.STILL, Sign.ALL_STILL, Sign.OUT_STILL, Sign.OUTPUT_READ)
    (one,) = found(moment("nozzle", *signs, still_s=100.0), moment("syringe", *signs, still_s=96.0))
    assert (one.subject, one.cause) == (Subject.DATA, Cause.FROZEN_IN_DATA)
    assert set(one.zones) == {"nozzle", "syringe"}


def test_a_neighbour_that_works_harder_is_explained() -> None:
    """While one zone has no heat, more output next to it is no draft."""
    harder = moment("syringe", Sign.MORE, Sign.OUTPUT_READ)
    assert causes(moment("nozzle", *DEAD), harder) == [Cause.NO_HEAT]
    assert causes(moment("nozzle", Sign.OUTPUT_READ), harder) == [Cause.DRAFT]


def blind(zone: str, *signs: Sign) -> ZoneMoment:
    """A zone that has not been seen for three bins."""
    one = moment(zone, *signs, is_seen=0.0)
    temps = one.temps_mk.copy()
    temps[-3:] = NONE_MK
    return replace(one, temps_mk=temps)


def test_a_lost_link_is_one_suspicion_since_the_first_lost_bin() -> None:
    """Both zones silent are one link, from the first bin that was not seen."""
    (one,) = found(blind("nozzle", Sign.SILENT), blind("syringe", Sign.SILENT))
    assert (one.cause, one.zones) == (Cause.LINK, ("nozzle", "syringe"))
    assert one.onset_ns == (INDEX - 2) * BIN_NS


def test_a_loose_contact_began_with_its_first_moment() -> None:
    """A sensor that is open now and was for moments before has been loose since the first."""
    one = blind("nozzle", Sign.SENSOR)
    loose = replace(one, figures=one.figures | {"flawed_s": 30.0})
    (told,) = found(loose, moment("syringe"))
    assert (told.cause, told.onset_ns) == (Cause.SENSOR_BREAK, (INDEX - 14) * BIN_NS)


def test_what_stopped_began_to_stand_before_it_was_refused() -> None:
    """A source whose heartbeat stands has stood since the last of its values moved."""
    zones = []
    for name, place in (("nozzle", 40), ("syringe", 45)):
        one = blind(name, Sign.STOPPED)
        temps = np.where(one.temps_mk != NONE_MK, 115_000, NONE_MK)
        outputs = np.where(np.arange(KEPT) < place, 2100, 2200)
        zones.append(replace(one, temps_mk=temps, outputs=outputs))
    (told,) = found(*zones)
    assert (told.cause, told.zones) == (Cause.FROZEN_IN_DATA, ("nozzle", "syringe"))
    assert told.onset_ns == (INDEX + 1 - KEPT + 45) * BIN_NS


def test_the_worse_of_alike_zones_speaks() -> None:
    """A zone in production makes a lost link a hold, and comes first."""
    producing = (Sign.SILENT, Sign.SILENT_LONG, Sign.PRODUCING)
    (one,) = found(blind("syringe", Sign.SILENT), blind("nozzle", *producing))
    assert (one.severity, one.zones) == (Severity.HOLD, ("nozzle", "syringe"))


def test_all_zones_at_nothing_are_a_controller_that_starts() -> None:
    """One zone with the code for nothing has no sensor; all of them have a restart."""
    zeroed = (Sign.ZEROED, Sign.OUTPUT_READ)
    assert causes(blind("nozzle", *zeroed), moment("syringe")) == [Cause.SENSOR_BREAK]
    assert causes(blind("nozzle", *zeroed), blind("syringe", *zeroed)) == [Cause.PLC_RESTART]


def test_one_zone_alone_cannot_tell_the_supply() -> None:
    """A cell of one zone says that it cannot tell its heater from the supply."""
    (one,) = found(moment("nozzle", *DEAD))
    assert "no other zone is read" in "; ".join(one.not_ruled_out)


def test_what_shows_in_the_output_only_began_there() -> None:
    """Where the reading never left, the onset is that of the output."""
    one = moment("nozzle", Sign.MORE, Sign.OUTPUT_READ, fell=0)
    outputs = one.outputs.copy()
    outputs[-10:] = 4400
    (told,) = found(replace(one, outputs=outputs), moment("syringe", Sign.OUTPUT_READ))
    assert told.onset_ns == (INDEX - 9) * BIN_NS
    nothing = replace(one, outputs=np.full(KEPT, NO_OUTPUT, dtype=np.int64))
    (told,) = found(nothing, moment("syringe", Sign.OUTPUT_READ))
    assert told.onset_ns == INDEX * BIN_NS


def test_a_dip_that_is_over_began_when_it_began() -> None:
    """A reading that is back has its onset at the beginning of the dip."""
    one = moment("nozzle", Sign.DIPPED, Sign.BACK, Sign.OUTPUT_READ, fell=0)
    temps = one.temps_mk.copy()
    temps[40:50] = 112_000
    (told,) = found(replace(one, temps_mk=temps), moment("syringe", Sign.OUTPUT_READ))
    assert told.onset_ns == (INDEX + 1 - KEPT + 40) * BIN_NS
