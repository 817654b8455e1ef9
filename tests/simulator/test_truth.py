"""The truth log's three files."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from potsim.parts import MadePart
from potsim.truth import TruthLog, columns, part_columns, part_row

ZONE_COLUMNS = "shown_c,sensor_c,block_c,setpoint_c,output"


def test_columns_are_those_of_the_contract() -> None:
    """Time, five per zone in flow order, then the cell's own."""
    per_zone = [f"{zone}.{name}" for zone in ("tank", "hose") for name in ZONE_COLUMNS.split(",")]
    assert columns(["tank", "hose"]).split(",") == [
        "t_s",
        "utc_ns",
        *per_zone,
        *("tip_c", "core_c", "charge_mean_c", "charge_id", "parts"),
        *("dispensing", "wiped", "part_ok", "faults"),
    ]


PART = MadePart(
    number=3,
    counter=65_535,
    part_id=500_004,
    begun_ns=10,
    ended_ns=20,
    begun_s=300.0,
    ended_s=308.0,
    charge_id=17,
    tip_c=(115.0, 115.25),
    zones_c=((109.0, 109.5), (114.0, 114.5), (120.0, 120.5)),
    core_c=107.5,
    dose_s=1234.5,
    idle_s=12.0,
    is_wiped=True,
    melt_c=(107.0, 107.25),
    met_c=((106.0, 106.5), (102.0, 115.0)),
    bead_width_mm=1.21,
    is_passed=True,
    is_link_up=False,
)


def test_a_parts_row_stands_under_its_columns() -> None:
    """Each figure is found by its name; what is not known yet is empty."""
    zones = ("tank", "hose", "nozzle")

    def row(part: MadePart) -> dict[str, str]:
        names = part_columns(zones).split(",")
        return dict(zip(names, part_row(part).split(","), strict=True))

    assert row(replace(PART, joined_s=323.0)) == {
        "number": "3",
        "counter": "65535",
        "part_id": "500004",
        "charge_id": "17",
        "begun_utc_ns": "10",
        "ended_utc_ns": "20",
        "begun_s": "300.000",
        "ended_s": "308.000",
        "tip_min_c": "115.0000",
        "tip_max_c": "115.2500",
        "tank.min_c": "109.0000",
        "tank.max_c": "109.5000",
        "hose.min_c": "114.0000",
        "hose.max_c": "114.5000",
        "nozzle.min_c": "120.0000",
        "nozzle.max_c": "120.5000",
        "core_c": "107.5000",
        "dose_s": "1234.500",
        "idle_s": "12.000",
        "wiped": "1",
        "melt_min_c": "107.0000",
        "melt_max_c": "107.2500",
        "tank.met_min_c": "106.0000",
        "tank.met_max_c": "106.5000",
        "hose.met_min_c": "102.0000",
        "hose.met_max_c": "115.0000",
        "bead_width_mm": "1.2100",
        "inspection": "1",
        "joined_s": "323.000",
        "link_up": "0",
    }
    first = row(replace(PART, idle_s=None))
    assert (first["idle_s"], first["joined_s"]) == ("", "")


def test_what_was_flushed_can_be_read_before_the_log_is_closed(tmp_path: Path) -> None:
    """A kill after a flush loses nothing before it."""
    with TruthLog(tmp_path / "truth", "lens_4", ["nozzle"]) as log:
        log.row("0.000,5,and so on")
        log.event(t_s=1.5, utc_ns=7, what="wiped", zone="", detail="")
        log.part(PART)
        log.flush()
        rows = (tmp_path / "truth" / "lens_4.csv").read_text(encoding="utf-8")
        events = (tmp_path / "truth" / "lens_4.events.csv").read_text(encoding="utf-8")
        parts = (tmp_path / "truth" / "lens_4.parts.csv").read_text(encoding="utf-8")
    assert rows == columns(["nozzle"]) + "\n0.000,5,and so on\n"
    assert events == "t_s,utc_ns,what,zone,detail\n1.500,7,wiped,,\n"
    assert parts == f"{part_columns(['nozzle'])}\n{part_row(PART)}\n"


def test_an_earlier_runs_files_are_replaced(tmp_path: Path) -> None:
    """Two runs into one folder leave the second one's log."""
    for text in ("first", "second"):
        with TruthLog(tmp_path, "lens_4", ["nozzle"]) as log:
            log.row(text)
    assert (tmp_path / "lens_4.csv").read_text(encoding="utf-8").splitlines()[1:] == ["second"]
