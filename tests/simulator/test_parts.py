"""The truth of parts: ageing, beads, melt on its way, and what is kept of each part."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from potsim.parts import FIRST_PART_ID, Ageing, Bead, Now, PartBook, Passage

AGEING = Ageing(ea_j_per_mol=80e3, ref_c=120.0)
NOW = Now(
    t_s=0.0,
    t_ns=0,
    block_c=(110.0, 115.0, 120.0),
    tip_c=115.0,
    core_c=109.0,
    charge_c=109.5,
    is_link_up=True,
)
FLOW_KG_PER_S = 1e-3


class Bench:
    """A book that a test advances by a second at a time."""

    def __init__(self, *, hose_kg: float = 0.0, nozzle_kg: float = 0.0) -> None:
        self.now = NOW
        self.book = PartBook(
            ageing=AGEING,
            bead=Bead(),
            hold_up_kg=(0.0, hose_kg, nozzle_kg),
            join_s=15.0,
            joined=100,
            charge_age_s=0.0,
            now=NOW,
        )

    def wait(self, seconds: int, *, is_flowing: bool = False, **changed: Any) -> None:
        """Let time pass with the cell as told."""
        for _ in range(seconds):
            t_s = self.now.t_s + 1.0
            self.now = replace(self.now, t_s=t_s, t_ns=round(t_s * 1e9), **changed)
            flowed_kg = FLOW_KG_PER_S if is_flowing else 0.0
            self.book.advance(self.now, dt_s=1.0, flowed_kg=flowed_kg)

    def make(self, seconds: int = 8, **changed: Any) -> None:
        """A part."""
        self.book.begin(self.now)
        self.wait(seconds, is_flowing=True, **changed)
        self.book.finish(self.now, counter=1, charge_id=7, noise=0.0)


def test_a_second_at_the_reference_ages_by_a_second() -> None:
    """And 10 K colder by 0.5275 s, at 80 kJ/mol: exp(-80000 / 8.314 * (1/383.15 - 1/393.15))."""
    assert AGEING.rate(120.0) == 1.0
    expected = math.exp(-80e3 / 8.314462618 * (1 / 383.15 - 1 / 393.15))
    assert AGEING.rate(110.0) == pytest.approx(expected, rel=1e-12)
    assert expected == pytest.approx(0.528, abs=1e-3)


def test_a_colder_tip_gives_a_wider_and_less_even_bead() -> None:
    """Nominal at its temperature; 10 K colder too wide to pass, 10 K hotter too thin."""
    bead = Bead()
    assert bead.measure(115.0, 0.0) == pytest.approx(1.2)
    usual = bead.measure(115.0, 1.0) - bead.measure(115.0, 0.0)
    uneven = bead.measure(100.0, 1.0) - bead.measure(100.0, 0.0)
    assert usual == pytest.approx(0.03)
    assert uneven > 1.3 * usual
    assert bead.passes(bead.measure(115.0, 3.0))
    assert not bead.passes(bead.measure(105.0, 0.0))
    assert not bead.passes(bead.measure(128.0, 0.0))
    assert bead.measure(115.0, -100.0) == 0.0


@settings(derandomize=True, deadline=None, max_examples=100)
@given(
    st.lists(st.tuples(st.integers(0, 2), st.integers(90, 130)), min_size=1, max_size=40),
    st.lists(st.tuples(st.integers(0, 8), st.integers(1, 8)), min_size=1, max_size=8),
)
def test_a_passage_remembers_what_a_plain_search_finds(
    moves: list[tuple[int, int]], questions: list[tuple[int, int]]
) -> None:
    """Windows that only move forward, over every entry that they overlap."""
    passage, entries, mark = Passage(), [], 0
    for moved, temp_c in moves:
        passage.add(float(mark), float(mark + moved), float(temp_c))
        entries.append((mark, mark + moved, temp_c))
        mark += moved
    first = last = 0
    for step, length in questions:
        first, last = first + step, max(last, first + step + length)
        found = [c for begun, ended, c in entries if begun < last and ended > first]
        low_c, high_c = passage.over(float(first), float(last))
        if found:
            assert (low_c, high_c) == (min(found), max(found))
        else:
            assert math.isnan(low_c)
            assert math.isnan(high_c)


def test_a_part_keeps_the_lowest_and_highest_of_its_time() -> None:
    """Tip and blocks from its start to its end, the core at its start, the age at its end."""
    bench = Bench()
    bench.wait(10, tip_c=90.0)
    bench.wait(1, tip_c=115.0, core_c=105.0)
    bench.book.begin(bench.now)
    bench.wait(4, is_flowing=True, tip_c=113.0, block_c=(109.0, 115.0, 121.0), core_c=108.0)
    bench.wait(4, is_flowing=True, tip_c=114.0, block_c=(111.0, 115.0, 119.0), charge_c=120.0)
    bench.book.finish(bench.now, counter=301, charge_id=7, noise=0.0)
    bench.wait(5, tip_c=80.0)
    (part,) = bench.book.waiting
    assert (part.number, part.counter, part.part_id, part.charge_id) == (1, 301, FIRST_PART_ID, 7)
    assert (part.begun_s, part.ended_s, part.begun_ns) == (11.0, 19.0, 11_000_000_000)
    assert part.tip_c == (113.0, 115.0)
    assert part.zones_c == ((109.0, 111.0), (115.0, 115.0), (119.0, 121.0))
    assert part.core_c == 105.0
    assert part.dose_s == pytest.approx(15.0 * AGEING.rate(109.5) + 4.0)
    assert part.is_link_up


def test_melt_comes_late_through_hose_and_nozzle() -> None:
    """With 20 parts of hold-up, melt of a cold tank is in the parts that come 20 parts later.

    A hose that turns hot while all stands marks the melt that is in it, and no other.
    """
    bench = Bench(hose_kg=0.144, nozzle_kg=0.016)  # 18 parts and 2 parts of 8 g
    cold: dict[str, Any] = {"charge_c": 95.0, "block_c": (99.0, 115.0, 120.0)}
    warm: dict[str, Any] = {"charge_c": 109.5, "block_c": (110.0, 115.0, 120.0)}
    for number in range(1, 51):
        bench.make(**(cold if number in {11, 12} else warm))
        if number == 30:
            bench.wait(5, block_c=(110.0, 130.0, 120.0))
        bench.wait(1, **warm)
    parts = list(bench.book.waiting)
    assert [p.number for p in parts if p.melt_c[0] == 95.0] == [31, 32]
    assert [p.number for p in parts if p.met_c[0][0] == 99.0] == [31, 32]
    assert [p.number for p in parts if p.zones_c[0][0] == 99.0] == [11, 12]
    # what was in the nozzle already (two parts) and what came into the hose later is spared
    assert [p.number for p in parts if p.met_c[1][1] == 130.0] == list(range(33, 51))
    assert parts[0].melt_c == (109.5, 109.5)


def test_idle_time_counts_from_the_last_melt() -> None:
    """Nothing before the first part; a lost part was melt too; a wipe is remembered once."""
    bench = Bench()
    bench.wait(30)
    bench.make()
    bench.wait(100)
    bench.book.begin(bench.now)
    bench.wait(4, is_flowing=True)
    bench.book.lose()
    bench.wait(50)
    bench.book.wipe()
    bench.wait(10)
    bench.make()
    bench.wait(12)
    bench.make()
    parts = list(bench.book.waiting)
    assert [part.idle_s for part in parts] == [None, 60.0, 12.0]
    assert [part.is_wiped for part in parts] == [False, True, False]
    assert [part.number for part in parts] == [1, 2, 3]
    assert [part.part_id - FIRST_PART_ID for part in parts] == [0, 2, 3]


def test_nothing_under_way_makes_no_part() -> None:
    """A count without a start leaves no part and no bead."""
    bench = Bench()
    bench.book.finish(bench.now, counter=1, charge_id=7, noise=0.0)
    assert not bench.book.waiting
    assert (bench.book.part_id, bench.book.bead_width_mm, bench.book.is_passed) == (0, 0.0, False)


def test_a_link_lost_at_any_scan_is_noted() -> None:
    """One unseen scan between start and count is enough."""
    bench = Bench()
    bench.make()
    bench.book.begin(bench.now)
    bench.wait(2, is_flowing=True, is_link_up=False)
    bench.wait(2, is_flowing=True, is_link_up=True)
    bench.book.finish(bench.now, counter=2, charge_id=7, noise=0.0)
    assert [part.is_link_up for part in bench.book.waiting] == [True, False]


def test_a_new_charge_brings_its_age() -> None:
    """Instead of the old one it counts alone; on top of it by its share."""
    bench = Bench()
    bench.wait(100, charge_c=120.0)
    assert bench.book.dose_s == pytest.approx(100.0)
    bench.book.change(age_s=20.0, share=0.25)
    assert bench.book.dose_s == pytest.approx(80.0)
    bench.book.change(age_s=20.0, share=1.0)
    assert bench.book.dose_s == pytest.approx(20.0)


def test_parts_are_joined_in_turn_once_they_are_due() -> None:
    """15 s after dispensing, the longest waiting first, one a scan; what was joined is kept."""
    bench = Bench()
    bench.make()
    bench.wait(1)
    bench.make()
    bench.wait(5)
    assert bench.book.join(bench.now) is None
    bench.wait(20)
    first, second = bench.book.join(bench.now), bench.book.join(bench.now)
    assert first is not None
    assert second is not None
    assert [part.number for part in (first, second)] == [1, 2]
    assert first.joined_s == bench.now.t_s
    assert bench.book.join(bench.now) is None
    assert bench.book.joined == 102
    assert list(bench.book.made) == [first, second]
    assert not bench.book.waiting
