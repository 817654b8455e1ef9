"""``watchedpot report``: one page about a shift, a charge or a span of time."""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import TYPE_CHECKING

from watchedpot.errors import ConfigError, LedgerError, WatchedpotError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import tzinfo

    from watchedpot.app.questions.times import Moment
    from watchedpot.outputs.report.revisions import LimitChange

NEWEST = object()
"""Stands for a shift that ends with the newest reading; no text, so that no time is read."""

SHIFT_H = 8
_TIME = "as 2026-11-25T06:00, local without an offset, or how long ago: 8h, 90min, 2d"
_HOUR_NS = 3_600_000_000_000
_DAY_NS = 24 * _HOUR_NS


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the others."""
    parser = commands.add_parser(
        "report", help="write a page about a shift, a charge or a span of time"
    )
    parser.add_argument("ledger", type=Path, metavar="LEDGER", help="ledger file")
    parser.add_argument("--cell", metavar="NAME", help="needed where there are several")
    parser.add_argument(
        "--shift",
        nargs="?",
        const=NEWEST,
        type=_moment,
        metavar="T",
        help=f"{SHIFT_H} h from T on; without T the last {SHIFT_H} h up to the newest reading",
    )
    parser.add_argument("--charge", metavar="ID", help="from its loading to the next charge")
    parser.add_argument("--from", dest="since", type=_moment, metavar="T", help="with --to")
    parser.add_argument("--to", dest="until", type=_moment, metavar="T", help=_TIME)
    parser.add_argument("-o", "--output", type=Path, required=True, metavar="FILE", help="HTML")
    parser.add_argument("--imperial", action="store_true", help="degF, inches, ounces")
    parser.set_defaults(command=run)


def _moment(text: str) -> Moment:
    """Reader of a time."""
    from watchedpot.app.questions.times import moment

    return moment(text)


def run(options: argparse.Namespace) -> int:
    """Write the page."""
    text = report(options, made_ns=time.time_ns(), tz=None)
    try:
        options.output.write_text(text, encoding="utf-8")
    except OSError as exc:
        raise WatchedpotError(
            str(options.output), f"expected a file that can be written, got: {exc.strerror}"
        ) from exc
    print(f"{options.output}: {len(text.encode()) / 1e6:.2f} MB")
    return 0


def report(options: argparse.Namespace, *, made_ns: int, tz: tzinfo | None) -> str:
    """The page that the options ask for, as of a moment.

    Raises
    ------
    ConfigError
        Options that do not go together.
    LedgerError
        A ledger that cannot be read, or that does not know the cell or the charge.
    """
    from watchedpot import __version__
    from watchedpot.outputs import ledger
    from watchedpot.outputs.report import facts, page, revisions
    from watchedpot.outputs.report.style import Style

    _check(options)
    path: Path = options.ledger
    chain = ledger.verify(path)
    cell = _cell(options.cell, revisions.cells_of(path), path)
    newest_ns = chain.last_utc_ns
    if newest_ns is None:
        raise LedgerError(str(path), "expected readings, got an empty ledger")
    from_ns, to_ns = _span(options, cell, newest_ns, made_ns)
    found = facts.gather(
        path,
        chain,
        cell=cell,
        from_ns=from_ns,
        to_ns=to_ns,
        made_ns=made_ns,
        version=__version__,
        changes=changes(path, cell),
    )
    style = Style(options.imperial, tz, is_dated=to_ns - from_ns > _DAY_NS)
    return page.page(found, style)


def _check(options: argparse.Namespace) -> None:
    """Whether exactly one span was asked for."""
    is_span = options.since is not None or options.until is not None
    asked = [options.shift is not None, options.charge is not None, is_span]
    if sum(asked) != 1 or (is_span and (options.since is None or options.until is None)):
        fault = "expected one of --shift, --charge ID, or --from T --to T"
        raise ConfigError("report", [fault])


def _cell(asked: str | None, known: Sequence[str], path: Path) -> str:
    """The cell to report on."""
    if asked is not None or len(known) == 1:
        return asked if asked is not None else known[0]
    fault = f"--cell: expected one of {', '.join(known)}" if known else f"{path} knows no cell"
    raise ConfigError("report", [fault])


def _span(options: argparse.Namespace, cell: str, newest_ns: int, made_ns: int) -> tuple[int, int]:
    """Begin and end of what is reported on. [ns]."""
    from watchedpot.outputs.report.revisions import charge_span

    after_newest_ns = newest_ns + 1
    if options.charge is not None:
        from_ns, end_ns = charge_span(options.ledger, cell, options.charge)
        to_ns = after_newest_ns if end_ns is None else end_ns
    elif options.shift is NEWEST:
        from_ns, to_ns = after_newest_ns - SHIFT_H * _HOUR_NS, after_newest_ns
    elif options.shift is not None:
        from_ns = options.shift.ns(made_ns)
        to_ns = from_ns + SHIFT_H * _HOUR_NS
    else:
        from_ns, to_ns = options.since.ns(made_ns), options.until.ns(made_ns)
    if to_ns <= from_ns:
        raise ConfigError("report", ["--to: expected a time after --from"])
    return from_ns, to_ns


def changes(path: Path, cell: str) -> tuple[LimitChange, ...]:
    """What each start of the daemon changed of a cell's configuration and of the sources."""
    from watchedpot.app.questions.history import changed_by, limit_rows
    from watchedpot.app.questions.settings import Settings, shown
    from watchedpot.outputs import ledger
    from watchedpot.outputs.report.revisions import LimitChange

    files = changed_by(recorded.event for recorded in ledger.events(path))
    return tuple(
        LimitChange(
            row.at_ns,
            str(row.facts["path"]),
            shown(row.facts["old"]),
            shown(row.facts["new"]),
            str(row.facts["revision"]),
            str(row.facts["file"] or ""),
        )
        for row in limit_rows(Settings.read(path), files)
        if row.cell in ("", cell)
    )
