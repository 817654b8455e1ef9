"""Pictures: the same each time, self-contained, with everything that must be seen."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.figure import Figure

from outputs.report import sample
from outputs.report.sample import event
from watchedpot.core.model import EventKind
from watchedpot.outputs.ledger import Batch
from watchedpot.outputs.report import pictures
from watchedpot.outputs.report.facts import Facts
from watchedpot.outputs.report.phrases import flagged
from watchedpot.outputs.report.style import Style

STYLE = Style(tz=UTC)


def all_of(facts: Facts, style: Style = STYLE) -> dict[str, str]:
    """Every picture."""
    flags, _ = flagged(facts.unmarked)
    return {
        "timeline": pictures.timeline(facts, flags, style),
        "ageing": pictures.ageing(facts, style),
        **{zone.rules.id: pictures.chart(facts, zone, style) for zone in facts.zones},
    }


def test_the_same_facts_give_the_same_bytes(facts: Facts, sample_ledger: Path) -> None:
    """Also from a ledger read again."""
    assert all_of(facts) == all_of(sample.facts_of(sample_ledger))


def test_a_picture_is_one_element_without_links(facts: Facts) -> None:
    """No prolog, no metadata, nothing from elsewhere, no script."""
    for svg in all_of(facts).values():
        assert svg.startswith("<svg ")
        assert svg.rstrip().endswith("</svg>")
        assert not re.search(r"https?:|<script|<metadata|xmlns|<!--|<image", svg)


def test_names_do_not_clash_on_a_page(facts: Facts) -> None:
    """Ids of all pictures differ, and each reference has its target."""
    drawn = all_of(facts).values()
    ids = [name for svg in drawn for name in set(re.findall(r'\bid="([^"]+)"', svg))]
    assert len(ids) == len(set(ids))
    for svg in drawn:
        own = set(re.findall(r'\bid="([^"]+)"', svg))
        used = re.findall(r'(?:href="#|url\(#)([^")]+)', svg)
        assert used
        assert set(used) <= own


def test_a_picture_fits_its_page(facts: Facts) -> None:
    """Its size is left to the page: only the view box is told."""
    for svg in all_of(facts).values():
        head = svg[: svg.index(">")]
        assert "viewBox" in head
        assert not re.search(r"\s(?:width|height)=", head)


def test_units_change_the_numbers(facts: Facts) -> None:
    """Metric and imperial pictures differ; the ageing picture has no temperature."""
    metric, imperial = all_of(facts), all_of(facts, Style(is_imperial=True, tz=UTC))
    different = {name for name in metric if metric[name] != imperial[name]}
    assert different == {"timeline", "syringe", "nozzle"}


def test_settings_of_others_are_left_alone(facts: Facts) -> None:
    """Drawing changes nothing that another user of the library would see."""
    before = dict(mpl.rcParams)
    all_of(facts)
    assert dict(mpl.rcParams) == before


def test_a_gap_is_hatched(sample_ledger: Path) -> None:
    """Missing readings are told by a pattern, not by colour."""
    seen = sample.facts_of(sample_ledger, to_s=800)
    unseen = sample.facts_of(sample_ledger, from_s=800)
    hatches = [all_of(each)["timeline"].count("fill: url(#t") for each in (seen, unseen)]
    assert hatches[1] - hatches[0] == 3  # two zones and the dispensing; the key has its own


def test_a_flag_is_drawn_for_each_event(facts: Facts) -> None:
    """One more event, one more line and box."""
    flags, _ = flagged(facts.unmarked)
    few = pictures.timeline(facts, flags[:1], STYLE)
    assert few.count("<path") < pictures.timeline(facts, flags, STYLE).count("<path")
    assert pictures.timeline(facts, (), STYLE)


def test_flags_at_one_moment_stand_above_each_other(facts: Facts) -> None:
    """Up to a height; beyond it they share."""
    many = [event(EventKind.WIPED, 500, "nozzle") for _ in range(8)]
    levels = pictures._levels(facts, many)
    assert levels[:6] == [0, 1, 2, 3, 4, 5]
    assert max(levels) == 5
    assert pictures.timeline(facts, many, STYLE)


def test_weeks_are_as_small_as_minutes(facts: Facts) -> None:
    """The picture grows with its columns, not with its readings."""
    assert len(all_of(facts)["timeline"]) < 200_000


def test_many_parts_become_columns(facts: Facts) -> None:
    """More points than columns are drawn from lowest to highest."""
    zone = facts.zones[1]
    n = 5000
    points = replace(
        zone.capability.chart,
        at_ns=np.linspace(facts.from_ns, facts.to_ns - 1, n).astype(np.int64),
        value_c=120.0 + np.sin(np.arange(n)),
        run=np.zeros(n, dtype=np.int64),
    )
    crowded = replace(zone, capability=replace(zone.capability, chart=points))
    assert len(pictures.chart(facts, crowded, STYLE)) < 300_000


@pytest.mark.parametrize("hours", [0.01, 1.0, 8.0, 24.0 * 3, 24.0 * 84, 24.0 * 400])
def test_a_time_axis_has_few_round_ticks(facts: Facts, hours: float) -> None:
    """Any span from seconds to a year can be drawn."""
    to_ns = facts.from_ns + round(hours * 3600e9)
    edges_ns = np.linspace(facts.from_ns, to_ns, facts.readings.edges_ns.size).astype(np.int64)
    longer = replace(facts, to_ns=to_ns, readings=replace(facts.readings, edges_ns=edges_ns))
    assert pictures.timeline(longer, (), replace(STYLE, is_dated=hours > 24.0))


def test_a_span_without_readings_can_be_drawn(sample_ledger: Path) -> None:
    """All of it hatched, no part, no age."""
    nothing = sample.facts_of(sample_ledger, from_s=-1000, to_s=-10)
    assert all_of(nothing)["timeline"].startswith("<svg")


def test_pot_life_is_shown_where_it_is_near(facts: Facts) -> None:
    """Its end is drawn once half of it is used."""
    used = facts.made.life_used
    near = replace(facts, made=replace(facts.made, life_used=used + 0.7))
    drawn = pictures.ageing(near, STYLE)
    assert drawn.count("stroke-dasharray") > pictures.ageing(facts, STYLE).count("stroke-dasharray")


def test_a_reading_far_beyond_is_told_in_words(tmp_path: Path) -> None:
    """A cold start does not squeeze the window: how far it reaches is written."""
    block = sample.readings()
    value = block.value.copy()
    value[:50, 1], value[50:100, 1] = 23.0, 230.0
    path = tmp_path / "far.ledger"
    batch = Batch((replace(block, value=value),), ())
    sample.record(path, batch, config=sample.config_text(sample.RULES))
    for from_s, told in ((0, ["reaches down to 23.0 °C", "reaches up to 230.0 °C"]), (200, [])):
        found = sample.facts_of(path, from_s=from_s)
        axes = Figure().add_subplot()
        pictures._draw_zone(axes, found, found.zones[1], STYLE)
        assert [each.get_text() for each in axes.texts] == told
        assert axes.get_ylim()[0] > 90.0
        assert axes.get_ylim()[1] < 150.0
