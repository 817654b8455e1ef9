"""The tip of the nozzle: the essential lines of the answer, and what is said where rules lack."""

from __future__ import annotations

from dataclasses import replace

from app.plan.plant import (
    HOUSING_7,
    LENS_4,
    SYRINGE,
    charged,
    is_printable,
    row,
    told,
    unknown,
    words,
)
from watchedpot.app.plan import tip


def test_a_tip_by_its_geometry() -> None:
    """Tip, viscosity, bead and pressure, hottest block first.

    Source: closed form; 10 K at 50 kJ/mol about 107 degC are 1.48 fold, its inverse 68 % and the
    root of that 82 %. Hagen and Poiseuille by hand: 128 x 12.4 Pa s x 7 mm x 3.64 mm3/s /
    (pi 0.6^4 mm4) = 1 bar.
    """
    answer = tip(LENS_4)
    assert answer.title == "lens_4 nozzle: what does the block's temperature mean for the bead?"
    assert row(answer, "126 degC, high edge").startswith("120 +- 1 122 +- 1")
    usual = "115 +- 1 117 +- 1 100 % 100 % 100 % 100 % 0.91 bar"
    assert row(answer, "120 degC, as usual") == usual
    assert " 121 % " in row(answer, "115 degC, low edge")
    colder = "105 +- 1 107 +- 1 148 % 68 % 82 % 148 % 1.3 bar"
    assert row(answer, "110 degC, -10 K") == colder
    assert "by time and pressure, as this cell" in words(answer)
    assert "Tip by its geometry, in a room of 23 degC, flowing at 4 mg/s" in words(answer)
    assert (answer.missing, is_printable(answer)) == ((), True)


def test_the_picture_shows_block_tip_and_limit() -> None:
    """At 110 degC the idle tip is left of its limit, at the high edge right of it."""
    rows = {line[:6].strip(): line[8:] for line in tip(LENS_4).lines if line[7:8] == "|"}
    assert list(rows) == ["126", "120", "115", "110"]
    limit = rows["126"].index("|")
    assert rows["110"].index("i") < rows["110"].index("f") < rows["110"].index("B") == limit
    assert limit < rows["126"].index("i") < rows["126"].index("f") < rows["126"].index("B")


def test_a_tip_by_a_measured_offset() -> None:
    """Idle and flowing alike; without a bore there is no pressure, and that is said."""
    answer = tip(HOUSING_7)
    assert row(answer, "120 degC, as usual").startswith("115 +- 2 115 +- 2")
    assert row(answer, "120 degC, as usual").endswith(" -")
    assert "Tip by the offset measured at commissioning: 5 K." in words(answer)
    assert "In the tip: not known without viscosity_points" in words(answer)
    assert "Pump: pressure at the same flow, as this cell." in words(answer)
    assert (answer.missing, is_printable(answer)) == ((), True)


def test_without_a_tip_the_block_stands_for_it() -> None:
    """The bead is still told, of the block, and that is said.

    Source: closed form; 1.49 fold at 110 degC relative to 120 for 50 kJ/mol.
    """
    answer = tip(told(LENS_4, "nozzle", tip=None))
    assert answer.missing == (
        "the zone nozzle has no [cells.zones.tip]: the block stands for the tip",
    )
    assert row(answer, "110 degC, -10 K") == "- - 149 % 67 % 82 % 149 % -"
    assert answer.lines[-1].endswith("| low edge of the window")


def test_without_a_flow_the_flowing_tip_is_told_as_if_idle() -> None:
    """The colder, safe side; and that is said."""
    answer = tip(charged(LENS_4, flow_kg_per_s=None))
    assert answer.missing == (
        "[cells.charge] has no flow_mg_per_s: the flowing tip is told as if idle",
    )
    assert row(answer, "120 degC, as usual").startswith("115 +- 1 115 +- 1")


def test_without_a_viscosity_there_is_no_pressure() -> None:
    """That is no gap of the answer: the ratios stand."""
    answer = tip(unknown(LENS_4, "nozzle", "viscosity_pa_s"))
    assert answer.missing == ()
    assert row(answer, "120 degC, as usual").endswith(" -")


def test_a_cell_without_a_nozzle_has_no_tip() -> None:
    """That is said, not raised."""
    answer = tip(replace(LENS_4, zones=(SYRINGE,)))
    assert answer.missing == ("the cell has no nozzle among its zones",)
    assert answer.title.startswith("lens_4: ")
