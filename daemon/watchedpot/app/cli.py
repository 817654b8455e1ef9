"""The commands. Whatever is heavy is imported by the command that needs it.

Exit codes: 0 done, 1 it did not work out or the record is not whole, 2 the configuration or the
arguments cannot be used and nothing was started.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from watchedpot import __version__
from watchedpot.app import certificate, questions, report
from watchedpot.app.entry import command as entry
from watchedpot.errors import ConfigError, SourceError, WatchedpotError

if TYPE_CHECKING:
    from watchedpot.app.clock import Clock
    from watchedpot.app.config import Configuration
    from watchedpot.app.plan import Answer
    from watchedpot.core.rules import CellRules
    from watchedpot.sources.base import ProbedChannel
    from watchedpot.sources.wiring import Source

DONE, NOT_DONE, UNUSABLE = 0, 1, 2

DUTY = 0.4
"""Dispensing share of the time where it is not told; common practice 0.2 to 0.5, no source. [1]"""

LAG_MIN = 3.0
"""Time constant of a heat zone where it is not told; common practice, no source. [min]"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    options = _parser().parse_args(arguments)
    try:
        return int(options.command(options))
    except ConfigError as exc:
        print(exc, file=sys.stderr)
        return UNUSABLE
    except WatchedpotError as exc:
        print(exc, file=sys.stderr)
        return NOT_DONE


def _parser() -> argparse.ArgumentParser:
    """All commands and their options."""
    parser = argparse.ArgumentParser(
        prog="watchedpot",
        description="Keeps the thermal account of the adhesive beside a hot-melt dispense cell."
        " It only reads. It is no safety device.",
    )
    parser.add_argument("--version", action="version", version=f"watchedpot {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    run = commands.add_parser("run", help="watch the cells of a configuration until stopped")
    run.add_argument("configuration", type=Path, metavar="CONFIG", help="TOML file")
    run.add_argument("--log-level", default="info", choices=("debug", "info", "warning", "error"))
    run.add_argument(
        "--speed",
        type=float,
        default=1.0,
        metavar="F",
        help="cell time runs F times as fast as real time, for trials with potsim (default 1)",
    )
    run.add_argument(
        "--start",
        metavar="UTC",
        help="with --speed: the real ISO 8601 UTC instant at which cell time equals real time",
    )
    run.set_defaults(command=_run)

    check = commands.add_parser("check", help="check a configuration and print the wiring")
    check.add_argument("configuration", type=Path, metavar="CONFIG", help="TOML file")
    check.add_argument(
        "--connect", action="store_true", help="also read every channel once and print it"
    )
    check.set_defaults(command=_check)

    alarms = commands.add_parser("alarms", help="print what each alarm asks of people")
    alarms.add_argument("configuration", type=Path, metavar="CONFIG", help="TOML file")
    alarms.add_argument(
        "-o", "--output", type=Path, metavar="FILE", help="write it as a page (HTML) to print"
    )
    alarms.add_argument("--text", action="store_true", help="with -o: as text, no page")
    alarms.set_defaults(command=_alarms)

    verify = commands.add_parser("verify", help="check that a ledger is whole and unaltered")
    verify.add_argument("ledger", type=Path, metavar="LEDGER", help="ledger file")
    verify.set_defaults(command=_verify)

    plan = commands.add_parser("plan", help="say what would happen, before it is tried at a cell")
    _add_questions(plan.add_subparsers(required=True, metavar="QUESTION", dest="question"))
    plan.set_defaults(command=_plan)

    entry.add_parser(commands)
    questions.add_parser(commands)
    report.add_parser(commands)

    certificate.add_parser(commands)
    token = commands.add_parser("token", help="make a token for somebody who may act")
    token.add_argument("name", type=_holder, metavar="NAME", help="who it is for")
    token.set_defaults(command=_token)

    schema = commands.add_parser("schema", help="print the JSON Schema of the configuration")
    schema.set_defaults(command=_schema)
    return parser


def _add_questions(questions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """What can be asked of a configuration, each question with its own options."""
    ready = questions.add_parser("ready", help="when a charge is warm to the core")
    ready.add_argument("--start-c", type=_temperature, metavar="T", help="of a cold charge")
    ready.add_argument("--preheat-c", type=_temperature, metavar="T", help="of a warmer, with:")
    ready.add_argument("--preheat-min", type=_minutes, metavar="MIN", help="time in the warmer")

    pause = questions.add_parser("break", help="what a setback in a break saves and costs")
    pause.add_argument("--break-min", type=_minutes, default=30.0, metavar="MIN", help="default 30")
    pause.add_argument(
        "--setback-c",
        type=_temperatures,
        default=[],
        metavar="T,...",
        help="setpoints to compare (default: 20 and 40 K below the usual one)",
    )

    shift = questions.add_parser("shift", help="when charges must be changed, what is thrown away")
    shift.add_argument("--shift-h", type=_shift, default=8.0, metavar="H", help="default 8")
    age = shift.add_mutually_exclusive_group()
    age.add_argument(
        "--age-h",
        type=_age,
        default=0.0,
        metavar="H",
        help="age of the charge in use, as hours at the temperature of the pot life (default 0)",
    )
    age.add_argument(
        "--life-used-percent",
        type=_life,
        default=0.0,
        metavar="P",
        help="the same, in percent of the pot life",
    )
    shift.add_argument(
        "--left-percent",
        type=_percent,
        default=100.0,
        metavar="P",
        help="what it holds (default 100)",
    )

    size = questions.add_parser("size", help="which container, or how full a tank, loses the least")
    size.add_argument(
        "--sizes",
        default="10,30,55,300",
        metavar="CC,...",
        help="contents in cc, each perhaps with its inner radius in mm: 30,300:23.5",
    )
    size.add_argument("--hours-per-day", type=_day, default=8.0, metavar="H", help="default 8")

    tip = questions.add_parser("tip", help="what the nozzle's temperature means for the bead")
    for question in (shift, size):
        question.add_argument(
            "--use-mg-per-s",
            type=_flow,
            metavar="F",
            help="melt flow while dispensing (default: the configured one)",
        )
        question.add_argument(
            "--duty",
            type=_share,
            default=DUTY,
            metavar="SHARE",
            help=f"dispensing share of the time, at most 1 (default {DUTY:g})",
        )
    for question in (ready, pause, size):
        question.add_argument(
            "--warm-up-min",
            type=_lag,
            default=LAG_MIN,
            metavar="MIN",
            help="time constant of the zone's sensor, warming and cooling; 0: at once"
            f" (default {LAG_MIN:g})",
        )
    for question in (ready, pause, shift, size, tip):
        question.add_argument("configuration", type=Path, metavar="CONFIG", help="TOML file")
        question.add_argument("--cell", metavar="NAME", help="needed where there are several")
        question.add_argument("--json", action="store_true", help="print for a program, base units")


def _within(low: float, high: float, words: str) -> Callable[[str], float]:
    """Reader of a number that lies in a range, both ends included."""

    def read(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not low <= value <= high:
            msg = f"expected {words}, got {text!r}"
            raise argparse.ArgumentTypeError(msg)
        return value

    return read


_LEAST = 1e-6  # smaller is nothing
_temperature = _within(-50.0, 400.0, "-50 to 400 degC")
_minutes = _within(_LEAST, 1440.0, "minutes above 0, at most 1440")
_lag = _within(0.0, 120.0, "0 to 120 minutes")
_shift = _within(_LEAST, 168.0, "hours above 0, at most 168")
_day = _within(_LEAST, 24.0, "hours above 0, at most 24")
_age = _within(0.0, 10_000.0, "0 to 10000 hours")
_life = _within(0.0, 1000.0, "0 to 1000 percent")
_percent = _within(_LEAST, 100.0, "percent above 0, at most 100")
_flow = _within(_LEAST, 10_000.0, "mg/s above 0, at most 10000")
_share = _within(_LEAST, 1.0, "a share above 0, at most 1")


def _temperatures(text: str) -> list[float]:
    """Temperatures with commas between them."""
    return [_temperature(part) for part in text.split(",")]


def _run(options: argparse.Namespace) -> int:
    """Watch until a signal asks to stop."""
    import asyncio

    from watchedpot.app import log
    from watchedpot.app.config import load

    configuration = load(options.configuration)
    clock = _clock(options.speed, options.start)
    log.configure(options.log_level)
    try:
        asyncio.run(_watch(configuration, clock, options.speed))
    except ExceptionGroup as group:
        # Of tasks that end together the first one that spoke in our words is the reason.
        ours, foreign = group.split(WatchedpotError)
        if foreign is not None or ours is None:
            raise
        raise next(_leaves(ours)) from group
    return DONE


def _leaves(group: ExceptionGroup[Exception]) -> Iterator[Exception]:
    """The exceptions of a group and of the groups in it."""
    for exc in group.exceptions:
        if isinstance(exc, ExceptionGroup):
            yield from _leaves(exc)
        else:
            yield exc


async def _watch(configuration: Configuration, clock: Clock, speed: float) -> None:
    """One daemon, ended by SIGTERM or SIGINT."""
    import asyncio
    import gc
    import random
    import signal

    from watchedpot.app.daemon import Daemon

    rng = random.Random()  # noqa: S311 - jitter, no secret
    daemon = Daemon(configuration, clock, rng, speed=speed)
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, daemon.stop)
    # What the libraries have loaded stays for good; looking through its 100,000 objects for
    # garbage would hold up the polls for 60 ms each time.
    gc.freeze()
    try:
        await daemon.run()
    finally:
        gc.unfreeze()


def _clock(speed: float, start: str | None) -> Clock:
    """The clock that the options ask for."""
    from datetime import UTC, datetime

    from watchedpot.app.clock import FastClock, SystemClock

    if start is None and speed == 1.0:
        return SystemClock()
    try:
        at = datetime.now(UTC) if start is None else datetime.fromisoformat(start)
    except ValueError as exc:
        raise ConfigError("--start", [f"--start: {start!r} is not an ISO 8601 instant"]) from exc
    if at.tzinfo is None:
        raise ConfigError("--start", [f"--start: {start!r} does not say UTC; write it with a Z"])
    if not 0 < speed < math.inf:
        raise ConfigError("--speed", [f"--speed: expected a number above 0, got {speed:g}"])
    since = at - datetime(1970, 1, 1, tzinfo=UTC)
    start_ns = ((since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds) * 1000
    return FastClock(start_ns, speed)


def _check(options: argparse.Namespace) -> int:
    """Print the wiring; with ``--connect`` also what every channel says now."""
    import asyncio

    from watchedpot.app import log
    from watchedpot.app.config import load, wiring_table

    configuration = load(options.configuration)
    print(wiring_table(configuration))
    if not options.connect:
        return DONE
    log.configure("error")  # the libraries say on their own what is printed here anyway
    answers = [asyncio.run(_probe(source)) for source in configuration.sources]
    return DONE if all(answers) else NOT_DONE


def _alarms(options: argparse.Namespace) -> int:
    """Print the response sheet, or write it."""
    from watchedpot.app.config import load
    from watchedpot.outputs.alarm_sheet import Timing, as_page, as_text, sheet

    configuration = load(options.configuration)
    timings = {
        channel.name: Timing(source.poll_period_s, source.answer_timeout_s)
        for source in configuration.sources
        for channel in source.channels
    }
    alarms = sheet(configuration.cells, timings)
    path: Path | None = options.output
    if path is None:
        print(as_text(alarms, configuration.revision))
        return DONE
    write = as_text if options.text else as_page
    try:
        path.write_text(write(alarms, configuration.revision), encoding="utf-8")
    except OSError as exc:
        problem = f"expected a file that can be written, got: {exc.strerror}"
        raise WatchedpotError(str(path), problem) from exc
    print(f"{path}: {len(alarms)} alarms")
    return DONE


async def _probe(source: Source) -> bool:
    """Read every channel of a source once and print it; whether all were good."""
    from watchedpot.sources import modbus, opcua
    from watchedpot.sources.wiring import ModbusSource

    print(f"\nsource {source.id}")
    print(f"  {_load_line(source)}")
    try:
        if isinstance(source, ModbusSource):
            channels = await modbus.probe(source)
        else:
            channels = await opcua.probe(source)
    except SourceError as exc:
        print(f"  {exc}")
        return False
    for channel in channels:
        print(*_probed_lines(channel), sep="\n")
    for line in _measured_lines(channels):
        print(line)
    return all(channel.reading.quality == 0 for channel in channels)


def _load_line(source: Source) -> str:
    """What the running daemon asks of a device, from the plan."""
    from watchedpot.sources import modbus
    from watchedpot.sources.base import Load
    from watchedpot.sources.wiring import ModbusSource

    if isinstance(source, ModbusSource):
        load = modbus.load(source)
    else:
        load = Load(f"opcua {source.url}", 1, source.poll_period_s)
    plural = "" if load.requests_per_poll == 1 else "s"
    return (
        f"{load.link}: one connection, {load.requests_per_poll} request{plural} a poll,"
        f" {load.requests_per_s:g} a second; it never browses or scans"
    )


def _measured_lines(channels: Sequence[ProbedChannel]) -> list[str]:
    """How long the answers took, where it was measured."""
    import statistics

    took_s = [channel.took_s for channel in channels if not math.isnan(channel.took_s)]
    if not took_s:
        return []
    return [
        f"  answers took {1000 * statistics.median(took_s):.1f} ms (median),"
        f" {1000 * max(took_s):.1f} ms (worst of {len(took_s)})"
    ]


def _probed_lines(channel: ProbedChannel) -> list[str]:
    """What one channel said."""
    from watchedpot.core.model import Quality
    from watchedpot.sources.wiring import WordOrder

    reading = channel.reading
    is_good = reading.quality is Quality.GOOD
    value = f"{reading.value:.6g}" if is_good else f"no value ({reading.reason.name.lower()})"
    times = [
        f"{name} {_utc(stamp_ns)}"
        for name, stamp_ns in (("source", reading.source_ns), ("server", reading.server_ns))
        if stamp_ns > 0
    ]
    lines = [
        f"  {channel.name:<34} {value:<24} {reading.quality.name.lower():<10} raw {channel.raw}"
    ]
    if times:
        lines.append(f"  {'':<34} {', '.join(times)}")
    lines += [
        f"  {'':<34} as word_order {order.value if isinstance(order, WordOrder) else order},"
        f" swap_bytes {str(swapped).lower()}: {number:.6g}"
        for (order, swapped), number in channel.orders.items()
    ]
    return lines


def _utc(stamp_ns: int) -> str:
    """A UTC stamp, to the millisecond."""
    from datetime import UTC, datetime, timedelta

    at = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=stamp_ns // 1000)
    return at.isoformat(timespec="milliseconds")


def _verify(options: argparse.Namespace) -> int:
    """Say whether a ledger is whole, and if not, where it first breaks."""
    from watchedpot.outputs.ledger import verify

    report = verify(options.ledger)
    print(*report.sentences(), sep="\n")
    return DONE if report.is_whole else NOT_DONE


def _plan(options: argparse.Namespace) -> int:
    """Answer one question; 1 where a part of the answer is not known."""
    import json

    from watchedpot.app.config import load

    cell = _cell(load(options.configuration), options.cell)
    answer = _ask(cell, options)
    print(json.dumps(answer.plain, indent=2) if options.json else answer.text)
    return NOT_DONE if answer.missing else DONE


def _cell(configuration: Configuration, name: str | None) -> CellRules:
    """The cell that was named, or the only one."""
    cells = {cell.id: cell for cell in configuration.cells}
    if name is None and len(cells) == 1:
        return next(iter(cells.values()))
    if name not in cells:
        got = "none" if name is None else repr(name)
        raise ConfigError("--cell", [f"--cell: expected one of {', '.join(cells)}, got {got}"])
    return cells[name]


def _ask(cell: CellRules, options: argparse.Namespace) -> Answer:
    """The answer to a question whose options are in the units of a person."""
    from watchedpot.app import plan

    if options.question == "tip":
        return plan.tip(cell)
    if options.question == "ready":
        return plan.ready(
            cell,
            start_c=options.start_c,
            preheat=_preheat(options.preheat_c, options.preheat_min),
            lag_s=60.0 * options.warm_up_min,
        )
    if options.question == "break":
        return plan.setback(
            cell,
            break_s=60.0 * options.break_min,
            setbacks_c=options.setback_c,
            lag_s=60.0 * options.warm_up_min,
        )
    flow_mg_per_s = options.use_mg_per_s
    use = plan.Use(None if flow_mg_per_s is None else flow_mg_per_s / 1e6, options.duty)
    if options.question == "shift":
        return plan.shift(
            cell,
            shift_s=3600.0 * options.shift_h,
            age_s=3600.0 * options.age_h,
            life_used=options.life_used_percent / 100.0,
            left_share=options.left_percent / 100.0,
            use=use,
        )
    return plan.size(
        cell,
        sizes=options.sizes,
        day_s=3600.0 * options.hours_per_day,
        use=use,
        lag_s=60.0 * options.warm_up_min,
    )


def _preheat(temp_c: float | None, minutes: float | None) -> tuple[float, float] | None:
    """Temperature and time of a warmer in degC and s, None where nothing was said."""
    if temp_c is not None and minutes is not None:
        return temp_c, 60.0 * minutes
    if temp_c is not None or minutes is not None:
        fault = "--preheat-c: expected together with --preheat-min, got one of the two"
        raise ConfigError("--preheat-c", [fault])
    return None


def _holder(text: str) -> str:
    """Reader of the name of a token."""
    from watchedpot.outputs.web.tokens import is_name

    if not is_name(text):
        msg = f"expected letters, digits and _ . @ -, at most 64, got {text!r}"
        raise argparse.ArgumentTypeError(msg)
    return text


def _token(options: argparse.Namespace) -> int:
    """Print a new token, which is kept nowhere, and the line of the tokens file for it."""
    from watchedpot.outputs.web.tokens import line_of, new_token

    token = new_token()
    print(f"token, shown this once; hand it to {options.name}:\n{token}")
    print("line for the tokens file; taking it out revokes the token:")
    print(line_of(options.name, token))
    return DONE


def _schema(_: argparse.Namespace) -> int:
    """Print the JSON Schema."""
    import json

    from watchedpot.app.config import json_schema

    print(json.dumps(json_schema(), indent=2))
    return DONE
