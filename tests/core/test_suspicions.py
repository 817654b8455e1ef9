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
