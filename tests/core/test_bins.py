"""Rows into bins: sums, runs, gaps, wild values, and the same from any cut."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watchedpot.core.bins import (
    BIN_NS,
    LONGEST_GAP,
    NO_OUTPUT,
    NONE_MK,
    Bins,
    CellInput,
    OpenBin,
    ZoneInput,
    fill_bins,
)
from watchedpot.core.model import Reason
from watchedpot.core.units import NANO

SAME = settings(derandomize=True, deadline=None, database=None, max_examples=120)


def inputs(
    at_s: list[float],
    temps_c: list[float | None],
    outputs: list[float | None] | None = None,
    skew_s: list[float] | None = None,
) -> tuple[CellInput, list[ZoneInput]]:
    """Rows of one zone; None is a bad reading, or no output."""
    mono_ns = np.array([round(s * NANO) for s in at_s], dtype=np.int64)
    n = mono_ns.size
    temp_c = np.array([np.nan if t is None else t for t in temps_c])
    told = [20.0] * n if outputs is None else outputs
    output = np.array([np.nan if o is None else o for o in told])
    skew_ns = np.array([round(s * NANO) for s in (skew_s or [0.0] * n)], dtype=np.int64)
    is_good = np.isfinite(temp_c)
    no, room = np.zeros(n, dtype=np.bool_), np.full(n, 23.0)
    zone = ZoneInput(
        np.where(is_good, temp_c, 0.0),
        is_good,
        output,
        np.full(n, 115.0),
        room,
        np.zeros(n, dtype=np.int8),
        np.where(is_good, 0, 1).astype(np.uint8),
    )
    return CellInput(mono_ns, mono_ns + skew_ns, ~no, no, no, no), [zone]


def part(
    whole: tuple[CellInput, list[ZoneInput]], start: int, stop: int
) -> tuple[CellInput, list[ZoneInput]]:
    """Some rows of it."""
    cell, zones = whole
    names = ("mono_ns", "seen_ns", "flowing", "wiped", "producing", "charged")
    of_zone = ("temp_c", "is_good", "output", "setpoint_c", "room_c", "phase", "reason")
    return (
        CellInput(*(getattr(cell, name)[start:stop] for name in names)),
        [ZoneInput(*(getattr(zone, name)[start:stop] for name in of_zone)) for zone in zones],
    )


def binned(whole: tuple[CellInput, list[ZoneInput]]) -> Bins:
    """Its finished bins."""
    return fill_bins(None, *whole).bins


def column(bins: Bins, name: str) -> list[int]:
    """One column of the only zone."""
    values: list[int] = bins.columns[name][0].tolist()
    return values


def test_a_bin_is_finished_by_the_row_behind_it() -> None:
    """Five rows a second apart are two bins and one under way."""
    found = fill_bins(None, *inputs([0, 1, 2, 3, 4], [110.0, 111.0, 112.0, 113.0, 114.0]))
    assert found.bins.index.tolist() == [0, 1]
    assert found.bins.row.tolist() == [2, 4]
    assert column(found.bins, "temp_mk") == [110_500, 112_500]
    assert found.under_way.index == 2


def test_what_is_not_good_counts_for_nothing() -> None:
    """A bad row lowers the count and not the mean; a bin of bad rows has no temperature."""
    bins = binned(inputs([0, 1, 2, 3, 4], [110.0, None, None, None, 110.0]))
    assert column(bins, "good") == [1, 0]
    assert column(bins, "temp_mk") == [110_000, NONE_MK]
    assert column(bins, "reason") == [1, 1]


def test_rows_that_an_open_sensor_may_give_are_counted() -> None:
    """A bad status counts, also beside a good row; an answer that does not come is no sensor."""
    cell, (zone,) = inputs([0, 1, 2, 3, 4], [110.0, None, None, None, 110.0])
    assert column(binned((cell, [zone])), "broken") == [1, 2]
    unanswered = np.where(zone.is_good, 0, int(Reason.NO_ANSWER)).astype(np.uint8)
    silent = replace(zone, reason=unanswered)
    assert column(binned((cell, [silent])), "broken") == [0, 0]


def test_an_output_that_is_not_known_is_none() -> None:
    """Without an output there is none; beyond any heater it is cut."""
    bins = binned(inputs([0, 1, 2, 3, 4], [110.0] * 5, [None, None, 1e9, 1e9, 0.0]))
    assert column(bins, "output") == [NO_OUTPUT, 20_000]


def test_a_gap_is_empty_bins_and_no_more_than_enough() -> None:
    """A gap of six seconds is two empty bins, one of an hour is sixteen."""
    bins = binned(inputs([0, 6, 3606, 3608], [110.0] * 4))
    assert bins.index.tolist() == [0, 1, 2, *range(3, 4 + LONGEST_GAP), 1803]
    assert column(bins, "rows") == [1, 0, 0, 1, *[0] * LONGEST_GAP, 1]
    assert column(bins, "temp_mk")[1] == NONE_MK


def test_a_run_of_equal_values_is_timed() -> None:
    """A value that stands still counts its seconds, a new one begins at nothing."""
    bins = binned(inputs([0, 1, 2, 3, 4, 5, 6], [110.0, 110.0, 110.0, 110.0, 110.1, 110.1, 110.1]))
    assert column(bins, "still_ns") == [NANO, 3 * NANO, NANO]
    assert column(bins, "step_mk") == [0, 0, 100]


def test_a_run_does_not_reach_over_a_gap() -> None:
    """What was not seen for more than ten seconds may have moved in between."""
    bins = binned(inputs([0, 1, 20, 21, 22], [110.0] * 5))
    assert column(bins, "still_ns")[-1] == NANO


@pytest.mark.parametrize("wild_c", [0.0, 300.0])
def test_a_wild_row_does_not_speak_for_its_bin(wild_c: float) -> None:
    """Of two rows that heat cannot join the one nearer to the bin before counts."""
    bins = binned(inputs([0, 1, 2, 3, 4], [110.0, 110.0, 110.2, wild_c, 110.0]))
    assert column(bins, "temp_mk")[1] == pytest.approx(110_000, abs=200)


def test_a_wild_first_bin_has_no_bin_before() -> None:
    """Where nothing was before, the mean stays as it is."""
    assert column(binned(inputs([0, 1, 2], [110.0, 10.0, 110.0])), "temp_mk") == [60_000]


def test_a_step_of_the_clock_is_kept() -> None:
    """A bin knows by how much the time of day moved within it."""
    bins = binned(inputs([0, 1, 2, 3, 4], [110.0] * 5, None, [0.0, 0.0, 0.0, 60.0, 60.0]))
    assert bins.jump_ns.tolist() == [0, 60 * NANO]


def test_there_is_no_other_column() -> None:
    """A bin has the columns that it has, as attributes too."""
    bins = binned(inputs([0, 2], [110.0, 110.0]))
    assert bins.good.tolist() == [[1]]
    with pytest.raises(AttributeError):
        _ = bins.colour


TEMPS = st.sampled_from([110.0, 110.0, 110.1, 111.0, 20.0, 300.0, None])


@SAME
@given(data=st.data())
def test_any_cut_gives_the_same_bins(data: st.DataObject) -> None:
    """P2: the same finished bins and the same bin under way from rows in any pieces."""
    steps = data.draw(st.lists(st.sampled_from([0.4, 1.0, 1.0, 2.0, 7.0, 50.0]), min_size=2))
    at_s = np.cumsum(steps).tolist()
    n = len(at_s)
    whole = inputs(
        at_s,
        data.draw(st.lists(TEMPS, min_size=n, max_size=n)),
        data.draw(st.lists(st.sampled_from([20.0, 20.0, 0.0, None]), min_size=n, max_size=n)),
    )
    some = st.lists(st.integers(1, n - 1), max_size=4, unique=True)
    cuts = sorted(data.draw(some | st.just(list(range(1, n)))))  # or row by row, as live
    once = fill_bins(None, *whole)
    state: OpenBin | None = None
    pieces = []
    for start, stop in pairwise([0, *cuts, n]):
        found = fill_bins(state, *part(whole, start, stop))
        state = found.under_way
        pieces.append((found.bins, start))
    assert state == once.under_way
    joined = [index for bins, _ in pieces for index in bins.index.tolist()]
    assert joined == once.bins.index.tolist()
    rows = [row + start for bins, start in pieces for row in bins.row.tolist()]
    assert rows == once.bins.row.tolist()
    for name, values in once.bins.columns.items():
        found_values = [v for bins, _ in pieces for v in bins.columns[name][0].tolist()]
        assert found_values == values[0].tolist(), name
    assert all(index * BIN_NS <= at_s[-1] * NANO for index in joined)
