"""How parts are counted and judged, as a file says it."""

from __future__ import annotations

from pathlib import Path

import pytest

from app.config.plant import (
    BEAD_WIDTH,
    INSPECTION,
    JOINED,
    JUDGING,
    PART_ID,
    REWORK,
    Plant,
    cell,
    material,
)
from watchedpot.app.config import load
from watchedpot.core.rules import VERDICTS, PartRule, PartRules, Verdict
from watchedpot.sources.wiring import Unit

CONFIG = Path(__file__).parents[3] / "config"
CELL = "plant.toml, cells.lens_4"
VERDICT = "[cells.judging.verdicts]"


def judging_of(plant: Plant) -> PartRules:
    """How the plant's only cell judges parts."""
    (rules,) = plant.load().cells
    return rules.judging


def without_parts(more: str = "") -> tuple[str, str]:
    """Change that takes the counter of parts out."""
    start = "[cells.channels.parts]"
    lines = 'source = "housing_7"\ntable = "holding_registers"\naddress = 21\ntype = "uint32"\n'
    return f'{start}\n{lines}word_order = "high_first"\n', more


def test_what_is_not_told_of_parts_is_as_usual(plant: Plant) -> None:
    """A file that says nothing of judging has the rules that hold by default."""
    assert judging_of(plant) == PartRules()
    assert not any("judging" in notice for notice in plant.load().notices)


def test_all_that_is_told_of_parts_arrives(plant: Plant) -> None:
    """Each key becomes one rule, in the same units."""
    plant.change(cell(JUDGING))
    assert judging_of(plant) == PartRules(
        verdicts=((PartRule.NEAR_EDGE, Verdict.REVIEW),),
        guard_k=0.25,
        near_k=2.0,
        blind_s=5.0,
        before_loss=2,
        shortest_cycle_s=2.0,
        rolls_over_at=65536,
        tip_settle_s=30.0,
        check_tolerance_k=1.5,
    )
    assert not any("judging" in notice for notice in plant.load().notices)


def test_the_examples_conclude_as_usual() -> None:
    """What they write down is what would hold anyway, but for the cycle of their cells."""
    for rules in load(CONFIG / "demo.toml").cells:
        judging = rules.judging
        assert all(VERDICTS[rule] is verdict for rule, verdict in judging.verdicts)
        assert judging == PartRules(judging.verdicts, shortest_cycle_s=2.0)


@pytest.mark.parametrize("rule", list(PartRule))
@pytest.mark.parametrize("verdict", list(Verdict))
def test_every_rule_takes_every_verdict(plant: Plant, rule: PartRule, verdict: Verdict) -> None:
    """A rule that held parts back and no longer does is said, and no other."""
    plant.change(cell(VERDICT, f'{rule} = "{verdict}"'))
    assert judging_of(plant).verdicts == ((rule, verdict),)
    said = [notice for notice in plant.load().notices if ".verdicts." in notice]
    is_let_through = VERDICTS[rule].is_suspect and not verdict.is_suspect
    assert len(said) == is_let_through
    assert all(f'.{rule}: "{verdict}", ' in notice for notice in said)
    assert all("not held back" in notice or "no part is held back" in notice for notice in said)


@pytest.mark.parametrize(
    ("rule", "effect"),
    [
        ("blind", "parts that were dispensed while nobody saw the zone are not held back"),
        ("outside_window", "parts that were dispensed outside the window are not held back"),
        ("uncounted", "parts that cannot be told apart are not held back"),
        ("after_idle", "no part is held back for it"),
    ],
)
def test_what_is_given_up_with_a_rule_is_said_plainly(plant: Plant, rule: str, effect: str) -> None:
    """Whoever turns off what the record is for, is told what that comes to."""
    plant.change(cell(VERDICT, f'{rule} = "clear"'))
    notice = f'cells.lens_4.judging.verdicts.{rule}: "clear", {effect}'
    assert notice in plant.load().notices


@pytest.mark.parametrize(
    ("lines", "sentence"),
    [
        (
            'near_egde = "review"',
            f'{CELL}.judging.verdicts.near_egde: expected a rule about parts, got "near_egde"; '
            "nothing was started; did you mean near_edge?",
        ),
        (
            'near_edge = "revue"',
            f'{CELL}.judging.verdicts.near_edge: expected "clear" or "clear_with_note" or '
            '"review" or "unknown" or "quarantine", got "revue"; nothing was started; '
            "did you mean review?",
        ),
        (
            "near_edge = 1",
            f'{CELL}.judging.verdicts.near_edge: expected "clear" or "clear_with_note" or '
            '"review" or "unknown" or "quarantine", got 1; nothing was started',
        ),
    ],
)
def test_a_rule_or_a_verdict_that_is_none_is_refused(
    plant: Plant, lines: str, sentence: str
) -> None:
    """With the word that was probably meant."""
    assert plant.fault(cell(VERDICT, lines)) == sentence


def test_all_faults_about_parts_come_together(plant: Plant) -> None:
    """A wrong key, a wrong value, a wrong rule and two numbers that contradict each other."""
    faults = plant.faults(
        cell(
            "[cells.judging]",
            "near = 1.0\nblind_s = -1.0\nbefore_loss_parts = 21\nnear_k = 6.0",
            VERDICT,
            'cold = "review"',
        )
    )
    assert [fault.split(": ")[0].removeprefix(f"{CELL}.judging.") for fault in faults] == [
        "blind_s",
        "before_loss_parts",
        "near",
        "near_k",
        "verdicts.cold",
    ]


@pytest.mark.parametrize(
    ("told", "key"),
    [
        ("near_k = 5.0", "near_k"),
        ("guard_k = 4.5", "guard_k"),
        ("guard_k = 5\nnear_k = 1", "near_k"),
    ],
)
def test_edges_that_leave_nothing_clear_are_refused(plant: Plant, told: str, key: str) -> None:
    """Half of the nozzle's window is 5.5 K, half of the syringe's 7 K."""
    fault = plant.fault(cell("[cells.judging]", told))
    assert fault.startswith(f"{CELL}.judging.{key}: guard_k = ")
    assert fault.endswith(
        "together are not below half the width of the window of zone nozzle, 5.5 K; "
        "nothing was started; no part could be clear; lower one of them, or correct the window"
    )


def test_edges_that_leave_something_clear_are_taken(plant: Plant) -> None:
    """One tenth of a kelvin less than half of the narrowest window."""
    plant.change(cell("[cells.judging]", "guard_k = 0.5", "near_k = 4.9"))
    assert judging_of(plant).near_k == 4.9


def test_a_window_too_narrow_for_the_usual_edges_is_noted(plant: Plant) -> None:
    """Nobody wrote the edges, so nobody is refused."""
    plant.change(("window_high_c = 126.0", "window_high_c = 118.0"), ("setpoint_c = 120.0\n", ""))
    assert (
        "cells.lens_4.judging: by guard_k = 0.5 K and near_k = 1.0 K no part can be clear in the "
        "window of zone nozzle"
    ) in plant.load().notices


def test_a_counter_rolls_over_within_its_type(plant: Plant) -> None:
    """A uint16 never reaches 100000; a uint32 may roll over there."""
    line = ("[cells.judging]", "counter_rolls_over_at = 100000")
    plant.change(cell(*line))
    assert judging_of(plant).rolls_over_at == 100_000
    narrow = ('type = "uint32"\nword_order = "high_first"', 'type = "uint16"')
    assert plant.fault(cell(*line), narrow) == (
        f"{CELL}.judging.counter_rolls_over_at: expected 65536 or less, as uint16 can hold, got "
        "100000; nothing was started; the counter's highest value plus one"
    )
    narrow = ('type = "uint32"\nword_order = "high_first"', 'type = "int16"')
    assert "expected 32768 or less, as int16 can hold" in plant.fault(cell(*line), narrow)


def test_a_part_id_counts_where_there_is_no_counter(plant: Plant) -> None:
    """Its type bounds the rollover, and parts are then counted."""
    plant.change(cell(PART_ID), without_parts())
    (rules,) = plant.load().cells
    assert (rules.parts, rules.part_id) == (None, "lens_4/part_id")
    assert not any("parts" in notice for notice in plant.load().notices)
    line = ("[cells.judging]", "counter_rolls_over_at = 4294967297")
    assert "as uint32 can hold" in plant.fault(cell(*line, PART_ID), without_parts())


def test_signals_of_parts_arrive(plant: Plant) -> None:
    """Number, result, width and joining of each part; a width is in mm."""
    plant.change(cell(PART_ID, JOINED, INSPECTION, BEAD_WIDTH), material(REWORK))
    configuration = plant.load()
    (rules,) = configuration.cells
    assert (rules.part_id, rules.joined, rules.inspection, rules.bead_width) == tuple(
        f"lens_4/{signal}" for signal in ("part_id", "joined", "inspection", "bead_width")
    )
    _, opcua = configuration.sources
    units = {channel.name: channel.conversion.unit for channel in opcua.channels}
    assert units["lens_4/bead_width"] is Unit.MILLIMETRE
    assert not any("joined" in notice for notice in configuration.notices)


@pytest.mark.parametrize(
    ("told", "sentence"),
    [
        (
            BEAD_WIDTH.replace('"mm"', '"degC"'),
            f'{CELL}.channels.bead_width.unit: expected "mm", got "degC"; nothing was started; '
            "bead_width is a width in mm; say what the device gives",
        ),
        (
            INSPECTION.replace('"bool"', '"float32"'),
            f'{CELL}.channels.inspection.type: expected "bool" or "int16" or "uint16" or "int32" '
            'or "uint32" or "int64" or "uint64", got "float32"; nothing was started; '
            "inspection is a yes or no, or 1 or 0",
        ),
        (
            INSPECTION + "scale = 2.0",
            f"{CELL}.channels.inspection: expected no scale and no offset for a bit; "
            "nothing was started; take them out",
        ),
        (
            PART_ID.replace('"uint32"', '"bool"'),
            f'{CELL}.channels.part_id.type: expected "int16" or "uint16" or "int32" or "uint32" '
            'or "int64" or "uint64", got "bool"; nothing was started; '
            "part_id is a number that counts or names",
        ),
    ],
)
def test_a_signal_of_parts_of_another_kind_is_refused(
    plant: Plant, told: str, sentence: str
) -> None:
    """A wrong wire is noticed."""
    assert plant.fault(cell(told)) == sentence


def test_signals_without_a_counter_are_not_used_and_said_so(plant: Plant) -> None:
    """There is no part that they could be of."""
    plant.change(cell(JOINED, INSPECTION), without_parts())
    notices = plant.load().notices
    assert [notice for notice in notices if "is not used" in notice] == [
        f"cells.lens_4: no parts or part_id channel, {signal} is not used"
        for signal in ("inspection", "joined")
    ]


def test_an_open_time_that_nothing_watches_is_said(plant: Plant) -> None:
    """And a joined signal for which the material has no limit."""
    plant.change(material(REWORK))
    assert (
        "cells.lens_4: no joined channel, open_time_s of material demo_silicone is not watched"
    ) in plant.load().notices
    plant.change(cell(JOINED))
    assert (
        "cells.lens_4: material demo_silicone has no open_time_s, no part is held back for being "
        "joined late"
    ) in plant.load().notices


def test_a_cell_without_a_reservoir_has_no_material_to_hold_parts_against(plant: Plant) -> None:
    """Then nothing is said of an open time."""
    plant.change(('kind = "syringe"', 'kind = "hose"'), material(REWORK))
    assert not any("open_time" in notice for notice in plant.load().notices)
