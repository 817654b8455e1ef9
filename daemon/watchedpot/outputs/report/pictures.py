"""Pictures of a report as inline SVG: the same facts give the same bytes.

They are read in black and white too, so nothing is told by colour alone: the window is a shade
with drawn edges, missing readings are hatched, verdicts are marks of different shape. Letters are
drawn as paths: a print looks the same wherever it is made.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from io import StringIO
from math import ceil
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from numpy.typing import NDArray

from watchedpot.core.model import Event
from watchedpot.core.rules import Verdict
from watchedpot.core.units import NANO
from watchedpot.outputs.report.facts import Facts, Zone
from watchedpot.outputs.report.readings import Spans
from watchedpot.outputs.report.style import Style
from watchedpot.outputs.report.verdicts import WORST_FIRST

WIDTH_IN = 7.1
"""Of a picture: A4 and Letter both leave so much between their margins."""

_INK, _SHADE, _EDGE, _GREY = "#1b365d", "#e3ebe0", "#5b7553", "#6b6b6b"
_MARKS = {
    Verdict.QUARANTINE: ("X", "#a4161a", "quarantine"),
    Verdict.UNKNOWN: ("s", "none", "unknown"),
    Verdict.REVIEW: ("o", "#f2b134", "review"),
}
_SETTINGS: Any = {
    "svg.hashsalt": "report",
    "svg.fonttype": "path",
    "font.family": "DejaVu Sans",
    "font.size": 8.0,
    "axes.linewidth": 0.6,
    "axes.edgecolor": _GREY,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": "#333333",
    "ytick.color": "#333333",
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "hatch.linewidth": 0.5,
    "path.simplify": True,
}
_STEPS_S = (
    *(1, 2, 5, 10, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 21_600, 43_200),
    *(86_400 * days for days in (1, 2, 7, 14, 28, 91)),
)
_MOST_TICKS = 9
_LEFT = 0.105
"""Left end of the time axis, as a share of the width: before it stand names and numbers."""

_FLAG_WIDTH = 0.028
"""Of the picture: room that the number of a flag takes."""

_MOST_LEVELS = 6

NEAR_PERCENT = 50.0
"""Share of the pot life from which a picture shows where it ends. [%]"""


def timeline(facts: Facts, flags: Sequence[Event], style: Style) -> str:
    """Temperatures of all zones against their windows, with what happened meanwhile."""
    levels = _levels(facts, flags)
    flags_in = 0.16 * (max(levels, default=0) + 1) + 0.1
    heights = [flags_in, *(1.25 for _ in facts.zones), 0.42]
    with mpl.rc_context(_SETTINGS):
        figure = Figure(figsize=(WIDTH_IN, sum(heights) + 0.75))
        grid = figure.add_gridspec(
            len(heights),
            1,
            height_ratios=heights,
            left=_LEFT,
            right=0.975,
            top=0.995,
            bottom=0.6 / (sum(heights) + 0.75),
            hspace=0.13,
        )
        rows = [figure.add_subplot(grid[place]) for place in range(len(heights))]
        _draw_flags(rows[0], facts, flags, levels)
        for axes, zone in zip(rows[1:-1], facts.zones, strict=True):
            _draw_zone(axes, facts, zone, style)
        _draw_parts(rows[-1], facts)
        for axes in rows:
            _time_axis(axes, facts, style, has_labels=axes is rows[-1])
        for axes in rows[1:]:
            for event in flags:
                axes.axvline(_second(facts, event.at.utc_ns), lw=0.5, ls=":", color=_GREY, zorder=1)
        _key(figure, facts)
        return _svg(figure, "t")


def _second(facts: Facts, utc_ns: int) -> float:
    """Place of a moment on the time axis."""
    return (utc_ns - facts.from_ns) / NANO


def _seconds(facts: Facts, utc_ns: NDArray[np.int64]) -> NDArray[np.float64]:
    return (utc_ns - facts.from_ns) / NANO


def _levels(facts: Facts, flags: Sequence[Event]) -> list[int]:
    """Height of each flag, so that neighbours do not cover each other."""
    ends = [-1.0] * _MOST_LEVELS
    levels = []
    for event in flags:
        place = _second(facts, event.at.utc_ns) / facts.span_s
        level = next((n for n, end in enumerate(ends) if place >= end), int(np.argmin(ends)))
        ends[level] = place + _FLAG_WIDTH
        levels.append(level)
    return levels


def _draw_flags(axes: Axes, facts: Facts, flags: Sequence[Event], levels: Sequence[int]) -> None:
    top = max(levels, default=0) + 1
    for number, (event, level) in enumerate(zip(flags, levels, strict=True), start=1):
        second = _second(facts, event.at.utc_ns)
        axes.plot((second, second), (0.0, level + 0.5), lw=0.5, ls=":", color=_GREY)
        axes.text(
            second,
            level + 0.5,
            str(number),
            ha="center" if 0.02 < second / facts.span_s < 0.98 else "left",
            va="center",
            fontsize=7,
            bbox={"boxstyle": "round,pad=0.2", "fc": "white", "ec": _INK, "lw": 0.6},
        )
    axes.set_ylim(0.0, top)
    axes.set_yticks([])
    axes.spines[["left", "bottom"]].set_visible(False)


def _draw_zone(axes: Axes, facts: Facts, zone: Zone, style: Style) -> None:
    trace = zone.trace
    low, high = (style.temp_numbers(edge) for edge in (trace.low_c, trace.high_c))
    edges = _seconds(facts, facts.readings.edges_ns)
    middle = (edges[:-1] + edges[1:]) / 2.0
    for window in zone.windows:
        span_s = (_second(facts, window.from_ns), _second(facts, window.to_ns))
        pair = [style.temp_number(edge) for edge in (window.low_c, window.high_c)]
        axes.fill_between(span_s, pair[0], pair[1], color=_SHADE, lw=0, zorder=0)
        axes.hlines(pair, *span_s, color=_EDGE, lw=0.7, ls="--", zorder=2)
    axes.fill_between(middle, low, high, color=_INK, lw=0.8, zorder=3)
    _hatch(axes, facts, trace.gaps)
    _frame(axes, zone, low, high, style)
    _name(axes, f"{zone.rules.id}\n{style.temp_unit}")


def _name(axes: Axes, words: str) -> None:
    """What an axis shows, at one distance from it however wide its numbers are."""
    axes.set_ylabel(words, fontsize=8)
    axes.yaxis.set_label_coords(-0.07, 0.5)


def _hatch(axes: Axes, facts: Facts, gaps: Spans) -> None:
    """Missing readings; gaps narrower than a line are drawn as wide as one."""
    least_s = facts.span_s / 900.0
    starts, stops = _seconds(facts, gaps.start_ns), _seconds(facts, gaps.stop_ns)
    if not starts.size:
        return
    is_apart = np.concatenate(([True], starts[1:] - stops[:-1] > least_s))
    groups = np.cumsum(is_apart) - 1
    begins = starts[is_apart]
    ends = np.zeros(begins.size)
    np.maximum.at(ends, groups, stops)
    bars = [(begin, max(end - begin, least_s)) for begin, end in zip(begins, ends, strict=True)]
    axes.broken_barh(
        bars,
        (0.0, 1.0),
        transform=axes.get_xaxis_transform(),
        facecolor="white",
        edgecolor=_GREY,
        hatch="//////",
        lw=0.0,
        zorder=2.5,
    )


def _frame(
    axes: Axes,
    zone: Zone,
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    style: Style,
) -> None:
    """Limits of the picture: the window and its surroundings, with words for what lies beyond."""
    pairs = [[style.temp_number(edge) for edge in (w.low_c, w.high_c)] for w in zone.windows]
    bottom, top = min(pair[0] for pair in pairs), max(pair[1] for pair in pairs)
    width = top - bottom
    seen_low = float(np.nanmin(low)) if np.isfinite(low).any() else bottom
    seen_high = float(np.nanmax(high)) if np.isfinite(high).any() else top
    least, most = bottom - 2.0 * width, top + 2.0 * width
    axes.set_ylim(
        max(min(seen_low, bottom - 0.25 * width), least) - 0.08 * width,
        min(max(seen_high, top + 0.25 * width), most) + 0.08 * width,
    )
    below = f"reaches down to {seen_low:.1f}" if seen_low < least else ""
    above = f"reaches up to {seen_high:.1f}" if seen_high > most else ""
    for words, place, side in ((below, 0.03, "bottom"), (above, 0.97, "top")):
        if words:
            axes.text(
                0.995, place, f"{words} {style.temp_unit}", transform=axes.transAxes, ha="right",
                va=side, fontsize=7, bbox={"fc": "white", "ec": "none", "pad": 1.0}, zorder=6,
            )  # fmt: skip
    ends = list[float]()
    room = 0.1 * float(np.ptp(axes.get_ylim()))
    for value in (value for pair in reversed(pairs) for value in pair):
        if all(abs(value - other) > room for other in ends):
            ends.append(value)
    axes.set_yticks(ends, [f"{value:.1f}".removesuffix(".0") for value in ends])


def _draw_parts(axes: Axes, facts: Facts) -> None:
    """When adhesive flowed, and the suspects."""
    edges_ns = facts.readings.edges_ns
    if facts.readings.dispensing is not None:
        shares = facts.readings.dispensing.shares(edges_ns)
        axes.stairs(
            1.0 + 0.8 * shares, _seconds(facts, edges_ns), baseline=1.0, fill=True, color=_GREY
        )
    if facts.readings.unknown is not None:
        bars = [
            (start, stop - start)
            for start, stop in zip(
                _seconds(facts, facts.readings.unknown.start_ns),
                _seconds(facts, facts.readings.unknown.stop_ns),
                strict=True,
            )
            if stop - start > facts.span_s / 900.0
        ]
        axes.broken_barh(bars, (1.0, 0.8), facecolor="white", edgecolor=_GREY, hatch="//////", lw=0)
    for group in facts.made.suspects:
        ends = (_second(facts, group.from_ns), _second(facts, group.to_ns))
        axes.plot(ends, (0.45, 0.45), lw=1.2, color="black", zorder=3)
    for place, verdict in enumerate(WORST_FIRST):
        if verdict not in _MARKS:
            continue
        at_s = np.unique(
            np.searchsorted(edges_ns, facts.made.marks_ns[facts.made.marks == place]) - 1
        )
        middle = _seconds(facts, edges_ns)[np.clip(at_s, 0, edges_ns.size - 1)]
        shape, colour, _ = _MARKS[verdict]
        axes.plot(
            middle,
            np.full(middle.size, 0.45),
            ls="none",
            marker=shape,
            ms=5.0,
            mfc=colour,
            mec="black",
            mew=0.6,
            zorder=4 + len(WORST_FIRST) - place,
        )
    axes.set_ylim(0.0, 1.95)
    axes.set_yticks((0.45, 1.4), ("suspects", "dispensing"), fontsize=7)
    axes.tick_params(axis="y", length=0)


def _time_axis(axes: Axes, facts: Facts, style: Style, *, has_labels: bool) -> None:
    """Ticks at round local times."""
    step_s = next((step for step in _STEPS_S if facts.span_s / step <= _MOST_TICKS), _STEPS_S[-1])
    local = style.local(facts.from_ns)
    offset = local.utcoffset()
    shift_s = offset.total_seconds() if offset is not None else 0.0
    begin_s = facts.from_ns / NANO + shift_s
    first_s = ceil(begin_s / step_s) * step_s - begin_s
    ticks = np.arange(first_s, facts.span_s + 0.5, step_s)
    axes.set_xlim(0.0, facts.span_s)
    axes.set_xticks(ticks)
    axes.tick_params(axis="x", labelbottom=has_labels, length=3 if has_labels else 0)
    if has_labels:
        pattern = "%m-%d" if step_s >= 86_400 else "%m-%d %H:%M" if style.is_dated else "%H:%M"
        pattern = "%H:%M:%S" if step_s < 60 else pattern
        moments = (facts.from_ns + round(tick * NANO) for tick in ticks.tolist())
        axes.set_xticklabels([style.local(moment).strftime(pattern) for moment in moments])


def _key(figure: Figure, facts: Facts) -> None:
    """What the signs mean."""
    handles: list[Patch | Line2D] = [
        Patch(fc=_INK, label="lowest to highest reading"),
        Patch(fc=_SHADE, ec=_EDGE, ls="--", lw=0.7, label="window"),
        Patch(fc="white", ec=_GREY, hatch="//////", lw=0, label="not seen"),
    ]
    shown = {WORST_FIRST[place] for place in np.unique(facts.made.marks).tolist()}
    handles += [
        Line2D([], [], ls="none", marker=shape, mfc=colour, mec="black", mew=0.6, ms=5, label=name)
        for verdict, (shape, colour, name) in _MARKS.items()
        if verdict in shown
    ]
    figure.legend(
        handles=handles,
        loc="lower center",
        ncol=len(handles),
        frameon=False,
        fontsize=7,
        handlelength=1.6,
        columnspacing=1.4,
        borderaxespad=0.1,
    )


def chart(facts: Facts, zone: Zone, style: Style) -> str:
    """Mean of each part against the window and against what its neighbours lead one to expect."""
    points = zone.capability.chart
    with mpl.rc_context(_SETTINGS):
        figure = Figure(figsize=(WIDTH_IN, 1.45))
        axes = figure.add_axes((_LEFT, 0.17, 0.975 - _LEFT, 0.8))
        for window in zone.windows:
            span_s = (_second(facts, window.from_ns), _second(facts, window.to_ns))
            pair = [style.temp_number(edge) for edge in (window.low_c, window.high_c)]
            axes.fill_between(span_s, pair[0], pair[1], color=_SHADE, lw=0, zorder=0)
            axes.hlines(pair, *span_s, color=_EDGE, lw=0.7, ls="--")
        _draw_points(axes, facts, points.at_ns, points.value_c, style)
        for level_c, kind in (
            (points.centre_c, "-"),
            (points.lower_c, "-."),
            (points.upper_c, "-."),
        ):
            if level_c is not None:
                axes.axhline(style.temp_number(level_c), lw=0.8, ls=kind, color="black", zorder=1.5)
        _time_axis(axes, facts, style, has_labels=True)
        _name(axes, f"{zone.rules.id}\n{style.temp_unit}")
        return _svg(figure, f"c-{zone.rules.id}-")


def _draw_points(
    axes: Axes,
    facts: Facts,
    at_ns: NDArray[np.int64],
    value_c: NDArray[np.float64],
    style: Style,
) -> None:
    """Points; where there are more than columns, a line from lowest to highest of each column."""
    edges_ns = facts.readings.edges_ns
    values = style.temp_numbers(value_c)
    if values.size <= edges_ns.size:
        axes.plot(_seconds(facts, at_ns), values, ls="none", marker=".", ms=3.0, color=_INK)
        return
    place = np.clip(np.searchsorted(edges_ns, at_ns, side="right") - 1, 0, edges_ns.size - 2)
    low, high = np.full(edges_ns.size - 1, np.inf), np.full(edges_ns.size - 1, -np.inf)
    np.minimum.at(low, place, values)
    np.maximum.at(high, place, values)
    is_any = np.isfinite(low)
    axes.vlines(
        _seconds(facts, edges_ns[:-1])[is_any],
        low[is_any],
        high[is_any],
        lw=1.6,
        color=_INK,
        capstyle="round",
    )


def ageing(facts: Facts, style: Style) -> str:
    """Share of the pot life that the charges had used, part by part."""
    is_known = np.isfinite(facts.made.life_used)
    at_ns, used = facts.made.part_at_ns[is_known], 100.0 * facts.made.life_used[is_known]
    with mpl.rc_context(_SETTINGS):
        figure = Figure(figsize=(WIDTH_IN, 1.25))
        axes = figure.add_axes((_LEFT, 0.2, 0.975 - _LEFT, 0.76))
        keep = np.linspace(0, at_ns.size, min(at_ns.size, 600), endpoint=False).astype(int)
        axes.plot(
            _seconds(facts, at_ns[keep]), used[keep], ls="none", marker=".", ms=2.5, color=_INK
        )
        most = max(1.0, 1.25 * float(used.max(initial=0.0)))
        if most > NEAR_PERCENT:
            most = max(110.0, most)
            axes.axhline(100.0, lw=0.8, ls="--", color="black")
        for charge in facts.charges:
            if charge.loaded_ns > facts.from_ns:
                axes.axvline(_second(facts, charge.loaded_ns), lw=0.7, ls=":", color=_GREY)
        axes.set_ylim(0.0, most)
        _name(axes, "% of\npot life")
        _time_axis(axes, facts, style, has_labels=True)
        return _svg(figure, "a")


def _svg(figure: Figure, prefix: str) -> str:
    """The figure as an element of a page: no prolog, no links, names of its own."""
    FigureCanvasSVG(figure)
    written = StringIO()
    figure.savefig(written, format="svg", metadata={"Date": None})
    text = written.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"\s*<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r"<!--.*?-->\n?", "", text, flags=re.DOTALL)
    text = re.sub(r'\sxmlns(:\w+)?="[^"]*"', "", text)
    text = text.replace("xlink:href=", "href=")
    text = re.sub(r'\bid="([^"]+)"', rf'id="{prefix}\1"', text)
    text = re.sub(r'href="#([^"]+)"', rf'href="#{prefix}\1"', text)
    text = re.sub(r"url\(#([^)]+)\)", rf"url(#{prefix}\1)", text)
    text = re.sub(r'\sd="[^"]*"', lambda match: _rounded(match.group()), text)
    head = re.sub(r'\s(?:width|height)="[^"]*"', "", text[: text.index(">")], count=2)
    return head + ' aria-hidden="true"' + text[text.index(">") :]


def _rounded(path: str) -> str:
    """A path with a hundredth of a point, which no printer can show."""
    return re.sub(r"-?\d+\.\d+", lambda match: f"{float(match.group()):.2f}", path)
