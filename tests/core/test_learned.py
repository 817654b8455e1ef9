"""What is learned of a zone, and what is not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from core.test_diagnosis import AT_S, PLAN, sets, story
from support.cells import run
from support.traces import ROOM_C, nozzle_lump, syringe_lump
from watchedpot.core.learned import (
    LEAST_BINS,
    Gathered,
    ZoneFacts,
    first_learned,
    rounded_off,
    zone_figures,
)
from watchedpot.core.rules import ZoneKind
from watchedpot.core.signs import KINDS


@pytest.mark.parametrize("loss_w_per_k", [0.05, 0.075, 0.1])
def test_the_need_is_that_of_the_plant(loss_w_per_k: float) -> None:
    """After some minutes at rest the need is loss over power, as the energy balance has it.

    Source: steady energy balance, output * power = loss * (T - room) (analysis).
    """
    lump = nozzle_lump(loss_w_per_k=loss_w_per_k)
    state, _ = run(PLAN, story({}, zones={"nozzle": lump, "syringe": syringe_lump()}))
    expected = 100.0 * loss_w_per_k / lump.heater_w
    assert state.diagnosis.learned[0].need_per_k == pytest.approx(expected, rel=0.05)


def test_the_rate_is_that_of_the_plant() -> None:
    """From a heat-up at full output the full rate is power over heat capacity.

    Source: first-order lumped model, rate = power / capacity (analysis).
    """
    cold = {"temp_c": ROOM_C, "sensor_c": ROOM_C, "reading_c": ROOM_C}
    zones = {"nozzle": nozzle_lump(**cold), "syringe": syringe_lump(**cold)}
    state, _ = run(PLAN, story({}, 600, zones=zones))
    learned = state.diagnosis.learned[0]
    assert learned.driven > 0
    assert learned.full_rate == pytest.approx(30.0 / 62.0, rel=0.25)


def test_nothing_is_learned_of_a_fault() -> None:
    """A draft of a quarter of an hour does not become the usual."""
    before, _ = run(PLAN, story({}, 0))
    after, _ = run(PLAN, story({0: sets("nozzle", loss=1.9)}, 900))
    assert after.diagnosis.learned[0].need_per_k == pytest.approx(
        before.diagnosis.learned[0].need_per_k, rel=0.1
    )


def test_the_scatter_is_that_of_the_readings() -> None:
    """A zone of more noise is known to have more."""
    noisy = {"nozzle": nozzle_lump(noise_k=0.3), "syringe": syringe_lump()}
    state, _ = run(PLAN, story({}, 300, zones=noisy))
    quiet, _ = run(PLAN, story({}, 300))
    assert state.diagnosis.learned[0].noise_k > 2.0 * quiet.diagnosis.learned[0].noise_k


def test_the_longest_run_is_kept() -> None:
    """Some healthy run of a few equal readings is known after some minutes."""
    state, _ = run(PLAN, story({}, 300))
    learned = state.diagnosis.learned[0]
    assert 1e9 <= learned.still_ns <= 40e9
    assert learned.step_mk == 100
    assert AT_S > 0


def test_a_round_with_a_finding_is_thrown_away() -> None:
    """What was gathered while a finding was open changes nothing but the count of rounds."""
    before = replace(
        first_learned("nozzle", ZoneKind.NOZZLE),
        is_disturbed=True,
        gathered=Gathered(rests=100, output=500_000, above_mk=9_200_000),
    )
    after = rounded_off(before, ZoneKind.NOZZLE)
    assert (after.need_per_k, after.rounds, after.is_disturbed) == (before.need_per_k, 1, False)
    assert after.gathered == Gathered()


def test_too_little_is_not_learned() -> None:
    """A few bins at rest say nothing."""
    few = Gathered(rests=LEAST_BINS - 1, output=10**6, above_mk=10**6, drives=2, rate=9, spare=9)
    before = replace(first_learned("nozzle", ZoneKind.NOZZLE), gathered=few)
    after = rounded_off(before, ZoneKind.NOZZLE)
    assert (after.need_per_k, after.full_rate) == (before.need_per_k, before.full_rate)


def test_what_no_zone_can_be_is_not_learned() -> None:
    """Need and rate stay within what zones of the kind can be."""
    absurd = Gathered(rests=20, output=10**9, above_mk=1, drives=20, rate=10**9, spare=1)
    after = rounded_off(
        replace(first_learned("nozzle", ZoneKind.NOZZLE), gathered=absurd), ZoneKind.NOZZLE
    )
    assert after.need_per_k == 5.0 * KINDS[ZoneKind.NOZZLE].need_per_k
    assert after.full_rate == 4.0 * KINDS[ZoneKind.NOZZLE].full_rate


@pytest.mark.parametrize(
    ("step_mk", "has_output", "still", "all_still"),
    [(100, True, True, True), (1000, True, False, False), (0, False, False, False)],
)
def test_what_a_coarse_reading_says_of_standing_still(
    step_mk: int, has_output: bool, still: bool, all_still: bool
) -> None:
    """A coarse reading is never too still, nor is a source that serves nothing finer.

    Source: at 0.5 and 1 K a healthy reading stood still for all of 8 h (process notes, computed).
    """
    zone = replace(first_learned("nozzle", ZoneKind.NOZZLE), step_mk=step_mk)
    facts = ZoneFacts(ZoneKind.NOZZLE, 115.0, 110.0, 120.0, 50.0, has_output, True)
    figures = zone_figures([zone], [facts])
    assert np.isfinite(figures.still_s).all() == still
    assert np.isfinite(figures.all_still_s).all() == all_still


def test_a_fine_reading_among_coarse_ones_speaks_alone() -> None:
    """Two fine readings do not rest together for long; one alone needs as long as by itself."""
    fine, coarse = (
        replace(first_learned("nozzle", ZoneKind.NOZZLE), step_mk=step) for step in (100, 1000)
    )
    facts = [ZoneFacts(ZoneKind.NOZZLE, 115.0, 110.0, 120.0, 50.0, True, True)] * 2
    both, one = (zone_figures([fine, other], facts) for other in (fine, coarse))
    assert both.all_still_s.ravel().tolist() == [21.0, 21.0]
    assert one.all_still_s.ravel().tolist() == [90.0, 90.0]
    assert one.is_coarse.ravel().tolist() == [False, True]
