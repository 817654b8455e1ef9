"""Warmth of a charge: when it is ready, and what a setback in a break saves and costs."""

from __future__ import annotations

from collections.abc import Sequence

from watchedpot.app.plan.answer import (
    ALLOWANCE_S,
    Answer,
    Known,
    allowance_text,
    known,
    nowhere,
    prose,
    share_text,
    time_text,
)
from watchedpot.app.plan.drawing import Axis, Curve, chart, table
from watchedpot.core.dose import Dose
from watchedpot.core.rules import AgeingRules, CellRules, SoakRules
from watchedpot.core.units import seconds
from watchedpot.core.warming import Start
from watchedpot.core.whatif import Pause, Wall, WarmUp, pause, warm_up
from watchedpot.errors import ConfigError

SETBACKS_K = (20.0, 40.0)
"""Setbacks that are compared where none is told; common practice, no source. [K]"""

_MARKS = "abcdefghijklmnopqrstuvwxyz"


def ready(
    cell: CellRules,
    *,
    start_c: float | None,
    preheat: tuple[float, float] | None,
    lag_s: float,
) -> Answer:
    """When a charge is warm to the core: cold and preheated, with its zone and in a hot one.

    Parameters
    ----------
    start_c
        Temperature of a cold charge; None: as configured. [degC]
    preheat
        Temperature and time in a warmer; None: as configured. [degC, s]
    lag_s
        Time constant of the zone's own warm-up; 0: it is hot from the beginning. [s]
    """
    question = "when is a charge warm to the core?"
    facts = known(cell)
    if facts is None:
        return nowhere(cell, question)
    soaking = facts.zone.soak
    if soaking is None:
        facts.note(
            f"the zone {facts.zone.id} has no [cells.zones.soak]: a warm wall counts as a warm core"
        )
        return facts.answer(question, [])
    cold = Start(soaking.start_c if start_c is None else start_c)
    charges = [(f"from {cold.start_c:g} degC", cold)]
    if preheat is None and cell.charge.preheat_c is not None:
        preheat = cell.charge.preheat_c, cell.charge.preheat_s
    if preheat is not None and soaking.radius_m is not None:
        _check_preheat(facts, preheat[0])
        warmer = f"{preheat[1] / 60.0:g} min at {preheat[0]:g} degC before"
        charges.append((warmer, Start(cold.start_c, *preheat)))
    hot = Wall(facts.usual_c, facts.usual_c)
    walls = [("in a hot zone", hot)]
    if lag_s:
        walls = [("with its zone", Wall(cell.ambient_c, facts.usual_c, lag_s)), *walls]
    cases = [
        (f"{charge}, {place}", warm)
        for charge, start in charges
        for place, wall in walls
        if (warm := warm_up(facts.zone, wall, start)) is not None
    ]
    lines = [
        *_premises(facts, soaking, lag_s),
        "",
        *_warm_table(cases),
        "",
        *_warming(facts, soaking, cases[0][1], walls[0][1]),
    ]
    return facts.answer(question, lines, cases=[{"name": n, "warm": w} for n, w in cases])


def _warm_table(cases: Sequence[tuple[str, WarmUp]]) -> list[str]:
    """One row for each case; a timer knows one time only."""
    if all(warm.history is None for _, warm in cases):
        rows = [(name, time_text(warm.slow_s), allowance_text(warm.slow_s)) for name, warm in cases]
        return table(("charge", "ready after", "allow"), rows)
    estimates = [
        (
            name,
            *(time_text(at_s) for at_s in (warm.slow_s, warm.best_s, warm.fast_s)),
            allowance_text(warm.slow_s),
        )
        for name, warm in cases
    ]
    return table(("charge", "slowest", "best", "fastest", "allow"), estimates)


def _check_preheat(facts: Known, preheat_c: float) -> None:
    ceiling_c = facts.zone.material.ceiling_c
    if preheat_c > ceiling_c:
        raise ConfigError(
            "--preheat-c",
            [f"--preheat-c: expected at most the ceiling of {ceiling_c:g} degC, got {preheat_c:g}"],
        )


def _premises(facts: Known, soaking: SoakRules, lag_s: float) -> list[str]:
    """What is assumed."""
    sensor = f"The zone's sensor goes to {facts.usual_c:g} degC"
    if lag_s:
        sensor += f", from {facts.cell.ambient_c:g} degC with a time constant of {time_text(lag_s)}"
    if soaking.radius_m is None:
        return prose(f"{sensor}.", f"Ready by a timer: {time_text(soaking.timer_s)} in the window.")
    return prose(
        f"{sensor}.",
        f"Ready when even the slowest estimate of the core of {facts.zone.material.id}",
        f"has {_warm_c(soaking):g} degC,",
        f"in a container of {soaking.radius_m * 1e3:g} mm inner radius.",
    )


def _warm_c(soaking: SoakRules) -> float:
    return soaking.ready_c - soaking.tolerance_k


def _warming(facts: Known, soaking: SoakRules, warm: WarmUp, wall: Wall) -> list[str]:
    """Picture of the first case."""
    if warm.history is None:
        if warm.slow_s is None:
            return []
        in_window_s = wall.reaches_s(facts.zone.low_c)
        marks = [(0.0, in_window_s / 60.0, "~"), (in_window_s / 60.0, warm.slow_s / 60.0, "=")]
        across = Axis.over(0.0, 1.1 * warm.slow_s / 60.0)
        return [
            across.row(facts.zone.id[:6], marks, "ready"),
            *across.lines("min"),
            "~ sensor below the window   = timer runs",
        ]
    history = warm.history
    minutes = [at_s / 60.0 for at_s in history.at_s]
    curves = [
        Curve("w", minutes, history.wall_c),
        Curve(".", minutes, history.low_c),
        Curve(".", minutes, history.high_c),
        Curve("o", minutes, history.best_c),
    ]
    return [
        *chart(
            curves, (_warm_c(soaking), f"ready {_warm_c(soaking):g}"), x_name="min", y_name="degC"
        ),
        "First charge: w sensor   o core, best estimate   . slowest, fastest   - ready from here",
    ]


def setback(
    cell: CellRules, *, break_s: float, setbacks_c: Sequence[float], lag_s: float
) -> Answer:
    """What setbacks save of the pot life in a break, and what waiting they cost.

    Parameters
    ----------
    break_s
        Length. [s]
    setbacks_c
        Setpoints during the break; empty: ``SETBACKS_K`` below the usual one. [degC]
    lag_s
        Time constant of the zone, cooling and warming. [s]
    """
    question = f"what does a setback save in a break of {time_text(break_s)}?"
    facts = known(cell)
    if facts is None:
        return nowhere(cell, question)
    usual = facts.usual_c
    setbacks_c = setbacks_c or [usual - setback_k for setback_k in SETBACKS_K]
    for setback_c in setbacks_c:
        if not setback_c < usual:
            raise ConfigError(
                "--setback-c",
                [f"--setback-c: expected less than the usual {usual:g} degC, got {setback_c:g}"],
            )
    cases = [
        pause(facts.zone, setback_c=setback_c, break_s=break_s, lag_s=lag_s)
        for setback_c in (None, *setbacks_c)
    ]
    ageing, soaking = facts.ageing(), facts.zone.soak
    if soaking is None:
        facts.note(
            f"the zone {facts.zone.id} has no [cells.zones.soak]: ready as soon as its sensor is"
        )
    how = f"with a time constant of {time_text(lag_s)}" if lag_s else "at once"
    lines = [
        *prose(
            f"The zone's sensor falls and rises {how}.",
            *([] if ageing is None else [_life(ageing)]),
        ),
        "",
        *_pauses(cases, usual),
        "",
        *_verdict(cases, usual, ageing, break_s),
        "",
        *_cooling(cases, soaking, break_s),
    ]
    return facts.answer(question, lines, cases=cases)


def _life(ageing: AgeingRules) -> str:
    return (
        f"Ages are minutes at {ageing.ref_c:g} degC, where the pot life is "
        f"{time_text(ageing.pot_life_s)}: stricter bound, (other bound)."
    )


def _bounds_s(dose: Dose) -> tuple[float, float]:
    """Stricter and other bound [s]."""
    low_s, high_s = sorted((seconds(dose.low_ns), seconds(dose.high_ns)))
    return high_s, low_s


def _saved_s(case: Pause, none: Pause) -> float | None:
    """What a setback saves of the pot life until the zone is ready [s]."""
    if case.until_ready is None or none.until_ready is None:
        return None
    return _bounds_s(none.until_ready)[0] - _bounds_s(case.until_ready)[0]


def _pauses(cases: Sequence[Pause], usual: float) -> list[str]:
    """One row for each setback."""
    rows = []
    for mark, case in zip(_MARKS, cases, strict=False):
        name = f"none, {usual:g} degC" if case.setback_c is None else f"{case.setback_c:g} degC"
        saved_s = _saved_s(case, cases[0])
        rows.append(
            (
                f"{mark}  {name}",
                "-" if case.in_break is None else _aged(case.in_break),
                "-" if case.until_ready is None else time_text(_bounds_s(case.until_ready)[0]),
                "-" if not saved_s else time_text(saved_s),
                "-" if case.axis_c is None else f"{case.axis_c:.0f} degC",
                time_text(case.ready_in_s),
            )
        )
    head = (
        "   setback",
        "age in the break",
        "until ready",
        "saved",
        "core at its end",
        "then wait",
    )
    return table(head, rows)


def _aged(dose: Dose) -> str:
    strict, other = map(time_text, _bounds_s(dose))
    return f"{strict} ({other})"


def _verdict(
    cases: Sequence[Pause], usual: float, ageing: AgeingRules | None, break_s: float
) -> list[str]:
    """Which setback pays, by the minutes that it saves and costs."""
    none, *others = cases
    if ageing is None or any(_saved_s(case, none) is None for case in others):
        return []
    gains = [
        (saved_s - case.ready_in_s, saved_s, case)
        for case in others
        if case.ready_in_s is not None and (saved_s := _saved_s(case, none) or 0.0) > 0.0
    ]
    if not gains:
        return prose("None of these saves pot life: on the way back it ages more than that.")
    gain_s, saved_s, best = max(gains, key=lambda one: one[0])
    pays = "it pays by time alone, best of these."
    if gain_s <= 0.0:
        pays = "by time alone it does not pay, nor does any other of these."
    lines = [
        f"{best.setback_c:g} degC saves {time_text(saved_s)}, "
        f"{share_text(saved_s / ageing.pot_life_s)} of the pot life, for",
        f"{time_text(best.ready_in_s)} of waiting: {pays}",
    ]
    early = allowance_text(best.ready_in_s)
    if (best.ready_in_s or 0.0) + ALLOWANCE_S < break_s:
        lines.append(f"Nobody waits if {usual:g} degC is set again {early} before the break ends.")
    return prose(*lines)


def _cooling(cases: Sequence[Pause], soaking: SoakRules | None, break_s: float) -> list[str]:
    """Picture of the cores, or of ages and waiting where no core is computed."""
    curves = [
        Curve(mark, [at_s / 60.0 for at_s in case.history.at_s], case.history.low_c)
        for mark, case in zip(_MARKS, cases, strict=False)
        if case.history is not None
    ]
    if curves and soaking is not None:
        limit = (_warm_c(soaking), f"ready {_warm_c(soaking):g}")
        letters = ", ".join(curve.mark for curve in curves)
        return [
            *chart(curves, limit, x_name="min", y_name="degC"),
            f"{letters} core, slowest estimate; the break ends after {time_text(break_s)}"
            "   - ready from here",
        ]
    ages_s = [0.0 if case.in_break is None else _bounds_s(case.in_break)[0] for case in cases]
    waits_s = [case.ready_in_s or 0.0 for case in cases]
    across = Axis.over(0.0, max(break_s, *ages_s, *waits_s) / 60.0)
    rows = [
        across.row(name, [(0.0, length_s / 60.0, mark)] if length_s else [])
        for letter, age_s, wait_s in zip(_MARKS, ages_s, waits_s, strict=False)
        for name, length_s, mark in ((letter, age_s, "#"), ("", wait_s, "~"))
    ]
    return [*rows, *across.lines("min"), "# age in the break   ~ then wait"]
