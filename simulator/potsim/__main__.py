"""Command line of the simulator."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

EPILOG = """\
Cell time = start + (real time - start) * speed. All served times are cell time.
Exit codes: 0 ended as asked, 1 could not start, 2 wrong arguments.
"""


def parser() -> argparse.ArgumentParser:
    """Arguments of ``potsim``.

    Returns
    -------
    ArgumentParser
        Ready to parse.
    """
    cli = argparse.ArgumentParser(
        prog="potsim",
        description="A simulated dispense cell with OPC UA and Modbus TCP servers.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    cli.add_argument("scenario", nargs="?", help="bundled name or path of a TOML file")
    cli.add_argument("--list", action="store_true", help="show the bundled scenarios and end")
    cli.add_argument("--speed", type=_speed, default=1.0, help="1 to 600 (default 1)")
    cli.add_argument("--start", type=_start, help="ISO 8601 UTC instant of t = 0 (default: now)")
    cli.add_argument("--seed", type=int, help="of the noise (default: the scenario's)")
    cli.add_argument("--truth", type=Path, metavar="FOLDER", help="write the truth log here")
    cli.add_argument("--host", default="127.0.0.1", help="address to listen on (default 127.0.0.1)")
    cli.add_argument("--opcua-port", type=int, default=48440, help="default 48440")
    cli.add_argument("--modbus-port", type=int, default=15020, help="default 15020")
    cli.add_argument("--for-s", type=float, help="end after so many cell seconds")
    cli.add_argument("--until-s", type=float, help="end at this time of the scenario [s]")
    return cli


def _speed(text: str) -> float:
    from potsim.clock import MAX_SPEED, MIN_SPEED

    speed = float(text)
    if not MIN_SPEED <= speed <= MAX_SPEED:
        message = f"expected {MIN_SPEED:g} to {MAX_SPEED:g}, got {text}"
        raise argparse.ArgumentTypeError(message)
    return speed


def _start(text: str) -> int:
    from potsim.clock import parse_start

    try:
        return parse_start(text)
    except ValueError as exc:
        raise argparse.ArgumentTypeError(str(exc)) from exc


def main(argv: list[str] | None = None) -> int:
    """Run the command.

    Parameters
    ----------
    argv : list of str, optional
        Arguments without the program's name.

    Returns
    -------
    int
        Exit code.
    """
    cli = parser()
    args = cli.parse_args(argv)
    if args.list:
        return show_list()
    if args.scenario is None:
        cli.error("expected a scenario; --list shows the bundled ones")
    import asyncio

    from potsim.errors import PotsimError
    from potsim.run import Settings, run
    from potsim.scenarios import load

    try:
        scenario = load(args.scenario)
        settings = Settings(
            speed=args.speed,
            start_ns=args.start,
            seed=args.seed,
            truth=args.truth,
            host=args.host,
            opcua_port=args.opcua_port,
            modbus_port=args.modbus_port,
            for_s=args.for_s,
            until_s=args.until_s,
        )
        asyncio.run(run(scenario, settings))
    except PotsimError as exc:
        print(f"potsim: {exc}", file=sys.stderr)
        return 1
    return 0


def show_list() -> int:
    """Print name, length, cells and title of every bundled scenario.

    Returns
    -------
    int
        Exit code.
    """
    from potsim.scenarios import bundled, parse

    for name, text in bundled().items():
        scenario = parse(text, name)
        cells = "+".join(script.plant.name for script in scenario.cells)
        print(f"{name:28} {scenario.end_s:7.0f} s  {cells:16} {scenario.title}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
