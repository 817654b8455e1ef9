"""Play every scenario and print what was concluded of it.

    sh tests/run.sh scenarios [names...] [--seeds N] [--wire opcua|modbus] [--jobs N]

Straight through the engine, or over a protocol with simulator and daemon as programs of their
own. Each seed is another noise and another plant: heaters, losses, heat capacities, sensor lags,
loops and the room differ by up to ``--spread`` from what the daemon was told.

Exit code 1 where a bar is missed: at least 95 % of what must be concluded is, in time and with
its begin named within 10 s; nothing wrong is concluded that is critical; at most 2 % of the runs
conclude anything else that is wrong.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from itertools import groupby
from statistics import median

from potsim.scenarios import Scenario, bundled, parse
from scenarios.expect import Expected, expectations
from scenarios.score import (
    Outcome,
    conclude,
    conclude_advice,
    conclude_charge,
    conclude_parts,
    conclude_phases,
    findings_of,
    ready_of,
)
from scenarios.straight import told, watch

SPREAD = 0.3
MUST_SHARE, WRONG_SHARE = 0.95, 0.02
WIRES = {"opcua": "lens_4", "modbus": "housing_7"}
"""The cell that is served over each protocol."""

Task = tuple[str, str, int]
"""Scenario, cell, seed."""


def expected_of(name: str) -> dict[str, Expected]:
    """What is expected of each cell of a bundled scenario."""
    return expectations(bundled()[name], name)


def names_with_expectations() -> list[str]:
    """Every bundled scenario that says what is to be concluded of it."""
    return [name for name in bundled() if expected_of(name)]


def as_built(name: str, seed: int, spread: float) -> str:
    """Text of a scenario with plants of a seed."""
    text = bundled()[name]
    for cell in WIRES.values():
        keys = f"[cells.{cell}]\nspread = {spread}\nplant_seed = {seed}"
        text = text.replace(f"[cells.{cell}]", keys, 1)
    return text


def played_straight(task: Task, *, spread: float = SPREAD) -> Outcome:
    """One run through the engine, judged."""
    name, cell, seed = task
    expected = expected_of(name)[cell]
    scenario: Scenario = parse(as_built(name, seed, spread), name)
    rules, sources = told()
    seen = watch(scenario, cell, expected, rules=rules[cell], source=sources[cell], seed=seed)
    outcome = Outcome(name, cell, seed)
    conclude(outcome, expected, findings_of(seen.events))
    conclude_advice(outcome, expected, seen.advice, slack_s=1.0)
    conclude_charge(outcome, expected, seen.events)
    conclude_phases(outcome, expected, ready_of(seen.events))
    conclude_parts(outcome, expected, seen.played)
    return outcome


def tasks(names: Iterable[str], seeds: int, cells: Iterable[str]) -> list[Task]:
    """Every run that is to be made."""
    wanted = set(cells)
    return [
        (name, cell, seed)
        for name in names
        for cell in expected_of(name)
        if cell in wanted
        for seed in range(1, seeds + 1)
    ]


def needs_one_process(task: Task) -> bool:
    """Whether somebody says something meanwhile, or sets the monitor's own clock."""
    name, cell, _ = task
    expected = expected_of(name)[cell]
    return bool(expected.entries or expected.utc_steps)


HEADER = (
    f"{'scenario':<28} {'cell':<10} {'seeds':>5} {'concluded':>9} {'when [s]':>13}"
    f" {'onset [s]':>9} {'not':>4} {'critical':>8} {'other':>5} {'missed':>6} {'too many':>8}"
)


def rows(outcomes: Iterable[Outcome]) -> Iterator[str]:
    """Lines of the table: one of each scenario and cell, and below it what went amiss.

    Each is ready as soon as its last seed is, where the runs come in the order of `tasks`.
    """
    yield HEADER
    for (name, cell), ones in groupby(outcomes, key=lambda one: (one.scenario, one.cell)):
        group = list(ones)
        yield _row(name, cell, group)
        yield from _remarks(group)


def _row(name: str, cell: str, group: Sequence[Outcome]) -> str:
    reached = [one for outcome in group for one in outcome.reached]
    met = [one for one in reached if one.is_met]
    # Where several things are to be concluded, the first is what the scenario is about.
    firsts = [o.reached[0].after_s for o in group if o.reached and o.reached[0].is_met]
    when = [after_s for after_s in firsts if after_s is not None]
    off = [abs(one.onset_off_s) for one in reached if one.onset_off_s is not None]
    spread = f"{median(when):.0f} ({max(when):.0f})" if when else "-"
    worst = f"{max(off):.0f}" if off else "-"
    concluded = f"{len(met)}/{len(reached)}" if reached else "nothing"
    return (
        f"{name:<28} {cell:<10} {len(group):>5} {concluded:>9} {spread:>13} {worst:>9}"
        f" {len(reached) - len(met):>4} {sum(bool(o.wrong_critical) for o in group):>8}"
        f" {sum(bool(o.wrong_other) for o in group):>5} {sum(len(o.missed) for o in group):>6}"
        f" {sum(len(o.too_many) for o in group):>8}"
    )


def _remarks(group: Sequence[Outcome]) -> list[str]:
    """What went amiss, each kind once with the seeds it was in."""
    found: dict[str, list[int]] = {}
    for outcome in group:
        for one in outcome.reached:
            if one.after_s is None:
                found.setdefault(f"not concluded: {one.what}", []).append(outcome.seed)
            elif not one.is_met:
                found.setdefault(f"begin not named: {one.what}", []).append(outcome.seed)
        for word, wrongs in (
            ("wrong, critical", outcome.wrong_critical),
            ("wrong", outcome.wrong_other),
            ("missed", outcome.missed[:1]),
            ("too many", outcome.too_many[:1]),
        ):
            for wrong in wrongs:
                found.setdefault(f"{word}: {wrong}", []).append(outcome.seed)
    return [f"    {what} (seeds {', '.join(map(str, seeds))})" for what, seeds in found.items()]


def bars(outcomes: Sequence[Outcome]) -> tuple[list[str], bool]:
    """What all runs come to, and whether every bar is held."""
    reached = [one for outcome in outcomes for one in outcome.reached]
    met = sum(one.is_met for one in reached)
    share = met / len(reached) if reached else 1.0
    critical = sum(len(outcome.wrong_critical) for outcome in outcomes)
    other = sum(bool(outcome.wrong_other) for outcome in outcomes)
    other_share = other / len(outcomes) if outcomes else 0.0
    parts, wrong = sum(o.parts for o in outcomes), sum(o.parts_wrong for o in outcomes)
    missed, too_many = sum(len(o.missed) for o in outcomes), sum(len(o.too_many) for o in outcomes)
    unnamed = sum(one.after_s is not None and not one.is_met for one in reached)
    lines = [
        f"{len(outcomes)} runs: concluded {met} of {len(reached)} ({share:.1%}, bar"
        f" {MUST_SHARE:.0%}), {unnamed} of the others with their begin more than 10 s off",
        f"wrongly concluded: {critical} critical (bar 0), {other} runs with another"
        f" ({other_share:.1%}, bar {WRONG_SHARE:.0%})",
        f"parts: {parts} made, {wrong} of them wrong, {missed} missed, {too_many} too many",
    ]
    is_held = bool(outcomes) and share >= MUST_SHARE
    return lines, is_held and critical == 0 and other_share <= WRONG_SHARE


def report(outcomes: Iterable[Outcome]) -> int:
    """Print the table as the runs come, and what it comes to; the exit code."""
    kept: list[Outcome] = []

    def noted() -> Iterator[Outcome]:
        for outcome in outcomes:
            kept.append(outcome)
            yield outcome

    for line in rows(noted()):
        print(line, flush=True)
    lines, is_held = bars(kept)
    print("\n".join(lines))
    return 0 if is_held else 1


def parser() -> argparse.ArgumentParser:
    """Arguments of the runner."""
    cli = argparse.ArgumentParser(
        prog="sh tests/run.sh scenarios", description="Play every scenario and judge the monitor."
    )
    cli.add_argument("names", nargs="*", help="bundled scenarios (default: all with expectations)")
    cli.add_argument("--seeds", type=int, default=1, help="runs of each (default 1)")
    cli.add_argument("--spread", type=float, default=SPREAD, help="of the plants (default 0.3)")
    cli.add_argument("--wire", choices=tuple(WIRES), help="over this protocol, three programs")
    cli.add_argument("--speed", type=float, default=10.0, help="with --wire (default 10)")
    cli.add_argument("--jobs", type=int, default=1, help="processes at a time (default 1)")
    return cli


def main(argv: list[str] | None = None) -> int:
    """Run the command; the exit code."""
    cli = parser()
    args = cli.parse_args(argv)
    known = names_with_expectations()
    if strange := set(args.names) - set(known):
        cli.error(f"no expectations of {', '.join(sorted(strange))}; known: {', '.join(known)}")
    cells = [WIRES[args.wire]] if args.wire else WIRES.values()
    todo = tasks(args.names or known, args.seeds, cells)
    if args.wire:
        is_straight = {task: needs_one_process(task) for task in todo}
        if left_out := sorted({name for (name, _, _), so in is_straight.items() if so}):
            print(f"left out, since they need one process: {', '.join(left_out)}")
        todo = [task for task in todo if not is_straight[task]]
        from scenarios.wire import played_over_wire  # noqa: PLC0415  (starts programs)

        play = partial(played_over_wire, spread=args.spread, speed=args.speed)
    else:
        play = partial(played_straight, spread=args.spread)
    if args.jobs > 1:
        with ProcessPoolExecutor(args.jobs) as pool:
            return report(pool.map(play, todo))
    return report(map(play, todo))


if __name__ == "__main__":
    sys.exit(main())
