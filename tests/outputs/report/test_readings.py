"""Envelopes, gaps and flow from blocks, however they are cut."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from app.plan.plant import NOZZLE
from outputs.report import sample
from outputs.report.sample import BEGIN_NS, at
from watchedpot.core.units import NANO
from watchedpot.outputs.ledger import Batch
from watchedpot.outputs.report.readings import Readings, Spans, read, spans


def read_sample(
    path: Path, *, from_s: float = 0, to_s: float = 1200, columns: int = 60
) -> Readings:
    """The sample's readings, 20 s a column."""
    return read(
        path,
        sample.RULES.zones,
        dispensing=sample.DISPENSING,
        from_ns=at(from_s).utc_ns,
        to_ns=at(to_s).utc_ns,
        columns=columns,
    )


def seconds(found: Spans | None) -> list[tuple[float, float]]:
    """Begins and ends, in seconds after the begin of the sample."""
    assert found is not None
    pairs = zip(found.start_ns.tolist(), found.stop_ns.tolist(), strict=True)
    return [((start - BEGIN_NS) / NANO, (stop - BEGIN_NS) / NANO) for start, stop in pairs]


def test_a_column_keeps_its_extremes(sample_ledger: Path) -> None:
    """Columns of 20 s: 30 to 32 are cold, 45 is not seen, 46 only in its second half."""
    trace = read_sample(sample_ledger).traces["nozzle"]
    assert trace.low_c[[29, 30, 32, 33, 46]].tolist() == [120.0, 112.0, 112.0, 120.0, 120.0]
    assert np.flatnonzero(np.isnan(trace.low_c)).tolist() == [45]
    assert np.array_equal(trace.low_c, trace.high_c, equal_nan=True)


def test_a_column_holds_the_lowest_and_the_highest(sample_ledger: Path) -> None:
    """One column over all of it."""
    trace = read_sample(sample_ledger, columns=1).traces["nozzle"]
    assert (trace.low_c.tolist(), trace.high_c.tolist()) == ([112.0], [120.0])


def test_a_gap_reaches_from_good_to_good(sample_ledger: Path) -> None:
    """Lost from 900 s to 929 s: the last good one is at 899 s, the next at 930 s."""
    found = read_sample(sample_ledger)
    assert seconds(found.traces["nozzle"].gaps) == [(899.0, 930.0)]
    assert seconds(found.unknown) == [(900.0, 930.0)]


def test_flow_holds_until_the_next_reading(sample_ledger: Path) -> None:
    """Eight good readings of a bead are eight seconds; two beads were not seen."""
    found = read_sample(sample_ledger).dispensing
    beads = [(s, s + 8.0) for s in sample.BEADS if s not in (900, 920)]
    assert seconds(found) == beads
    assert found is not None
    assert (found.total_s, found.longest_s) == (384.0, 8.0)


def test_time_without_any_reading_is_a_gap(sample_ledger: Path) -> None:
    """Before the ledger began and after it ended nothing was seen."""
    found = read_sample(sample_ledger, from_s=-100, to_s=1300)
    ends = [(-100.0, 0.0), (899.0, 930.0), (1199.0, 1300.0)]
    assert seconds(found.traces["nozzle"].gaps) == ends
    nothing = read_sample(sample_ledger, from_s=-100, to_s=-50)
    assert seconds(nothing.traces["nozzle"].gaps) == [(-100.0, -50.0)]
    assert seconds(nothing.unknown) == [(-100.0, -50.0)]
    assert np.isnan(nothing.traces["nozzle"].low_c).all()


def test_a_cell_without_the_signal_says_nothing_of_flow(sample_ledger: Path) -> None:
    """None is not the same as never."""
    found = read(
        sample_ledger,
        sample.RULES.zones,
        dispensing=None,
        from_ns=at(0).utc_ns,
        to_ns=at(10).utc_ns,
    )
    assert (found.dispensing, found.unknown) == (None, None)


@pytest.mark.parametrize("cuts", [(600,), (1, 104, 903, 930)])
def test_cutting_the_blocks_changes_nothing(
    sample_ledger: Path, tmp_path: Path, cuts: tuple[int, ...]
) -> None:
    """Gaps and flow go on across the borders of blocks."""
    whole = sample.readings()
    borders = (0, *cuts, len(whole))
    pieces = [whole.rows(a, b) for a, b in pairwise(borders)]
    path = tmp_path / "cut.ledger"
    batches = (Batch((piece,), ()) for piece in pieces)
    sample.record(path, *batches, config=sample.config_text(sample.RULES))
    one, other = read_sample(sample_ledger), read_sample(path)
    assert seconds(one.traces["nozzle"].gaps) == seconds(other.traces["nozzle"].gaps)
    assert seconds(one.dispensing) == seconds(other.dispensing)
    assert seconds(one.unknown) == seconds(other.unknown)


def test_readings_of_two_runs_are_not_joined(tmp_path: Path) -> None:
    """A restart within a second is still a gap: nobody watched."""
    path, whole = tmp_path / "runs.ledger", sample.readings()
    config = sample.config_text(sample.RULES)
    sample.record(path, Batch((whole.rows(0, 300),), ()), config=config)
    sample.record(path, Batch((whole.rows(300, 600),), ()), config=config, begin=at(300))
    found = read_sample(path, to_s=600)
    assert seconds(found.traces["nozzle"].gaps) == [(299.0, 300.0)]


def test_a_moved_setpoint_is_noted(tmp_path: Path) -> None:
    """Once, when it moved; noise below a display's resolution is no change."""
    block = sample.readings()
    value = block.value.copy()
    value[500:, 2] = 118.0
    value[700:, 2] += 0.02
    path = tmp_path / "setpoint.ledger"
    batch = Batch((replace(block, value=value),), ())
    sample.record(path, batch, config=sample.config_text(sample.RULES))
    moved = read_sample(path).traces["nozzle"].setpoint_ns
    assert moved.tolist() == [at(500).utc_ns]


def test_a_zone_without_setpoint_or_readings_has_none(sample_ledger: Path) -> None:
    """Channels that no block has are neither read nor changed."""
    absent = replace(NOZZLE, temperature="lens_4/other", setpoint="lens_4/other_setpoint")
    span_ns = {"from_ns": at(0).utc_ns, "to_ns": at(60).utc_ns}
    found = read(sample_ledger, (absent,), dispensing="lens_4/absent", **span_ns)
    assert found.traces["nozzle"].setpoint_ns.size == 0
    assert seconds(found.traces["nozzle"].gaps) == [(0.0, 60.0)]
    assert len(found.dispensing or spans([])) == 0


def test_spans_merge_and_say_where_they_are() -> None:
    """What touches is one; shares and membership follow."""
    found = spans([(30, 40), (0, 10), (10, 20)])
    assert (found.start_ns.tolist(), found.stop_ns.tolist()) == ([0, 30], [20, 40])
    inside = found.contain(np.array([-1, 0, 19, 20, 35, 40]))
    assert inside.tolist() == [False, True, True, False, True, False]
    assert found.shares(np.array([0, 20, 40])).tolist() == [1.0, 0.5]


def test_no_spans_fill_nothing() -> None:
    """An empty set is a set."""
    none = spans([])
    assert none.shares(np.array([0, 10])).tolist() == [0.0]
    assert none.contain(np.array([5])).tolist() == [False]
    assert (none.total_s, none.longest_s) == (0.0, 0.0)
