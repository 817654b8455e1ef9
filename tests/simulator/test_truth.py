"""The truth log's two files."""

from __future__ import annotations

from pathlib import Path

from potsim.truth import TruthLog, columns

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


def test_what_was_flushed_can_be_read_before_the_log_is_closed(tmp_path: Path) -> None:
    """A kill after a flush loses nothing before it."""
    with TruthLog(tmp_path / "truth", "lens_4", ["nozzle"]) as log:
        log.row("0.000,5,and so on")
        log.event(t_s=1.5, utc_ns=7, what="wiped", zone="", detail="")
        log.flush()
        rows = (tmp_path / "truth" / "lens_4.csv").read_text(encoding="utf-8")
        events = (tmp_path / "truth" / "lens_4.events.csv").read_text(encoding="utf-8")
    assert rows == columns(["nozzle"]) + "\n0.000,5,and so on\n"
    assert events == "t_s,utc_ns,what,zone,detail\n1.500,7,wiped,,\n"


def test_an_earlier_runs_files_are_replaced(tmp_path: Path) -> None:
    """Two runs into one folder leave the second one's log."""
    for text in ("first", "second"):
        with TruthLog(tmp_path, "lens_4", ["nozzle"]) as log:
            log.row(text)
    assert (tmp_path / "lens_4.csv").read_text(encoding="utf-8").splitlines()[1:] == ["second"]
