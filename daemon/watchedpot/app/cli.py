"""The commands. Whatever is heavy is imported by the command that needs it.

Exit codes: 0 done, 1 it did not work out or the record is not whole, 2 the configuration or the
arguments cannot be used and nothing was started.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from watchedpot import __version__
from watchedpot.errors import ConfigError, SourceError, WatchedpotError

if TYPE_CHECKING:
    from watchedpot.app.clock import Clock
    from watchedpot.app.config import Configuration
    from watchedpot.sources.base import ProbedChannel
    from watchedpot.sources.wiring import Source

DONE, NOT_DONE, UNUSABLE = 0, 1, 2


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

    verify = commands.add_parser("verify", help="check that a ledger is whole and unaltered")
    verify.add_argument("ledger", type=Path, metavar="LEDGER", help="ledger file")
    verify.set_defaults(command=_verify)

    schema = commands.add_parser("schema", help="print the JSON Schema of the configuration")
    schema.set_defaults(command=_schema)
    return parser


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


async def _probe(source: Source) -> bool:
    """Read every channel of a source once and print it; whether all were good."""
    from watchedpot.sources import modbus, opcua
    from watchedpot.sources.wiring import ModbusSource

    print(f"\nsource {source.id}")
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
    return all(channel.reading.quality == 0 for channel in channels)


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


def _schema(_: argparse.Namespace) -> int:
    """Print the JSON Schema."""
    import json

    from watchedpot.app.config import json_schema

    print(json.dumps(json_schema(), indent=2))
    return DONE
