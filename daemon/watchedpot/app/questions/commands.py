"""The commands that ask a ledger; what is heavy is imported when one of them runs."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from watchedpot.errors import ConfigError

if TYPE_CHECKING:
    from watchedpot.app.questions.like import Like
    from watchedpot.app.questions.times import Moment

KINDS = (
    *("phase", "production", "excursion", "alarm", "finding", "charge", "air", "wipe", "entry"),
    *("counter", "judging", "configuration", "run", "gap"),
)
"""What ``history --kind`` takes; the same as ``history.KINDS``, which is heavy."""

_TIME = "as 2026-11-25T06:00, local without an offset, or how long ago: 8h, 90min, 2d"


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the four commands to the others."""
    suspects = commands.add_parser("suspects", help="say which parts are suspect, and why")
    _add_span(suspects)
    suspects.add_argument("--charge", metavar="ID", help="only parts of this charge")
    suspects.add_argument(
        "--all-verdicts", action="store_true", help="list parts that are not suspect too"
    )
    _add_forms(suspects)
    suspects.set_defaults(command=run_suspects)

    history = commands.add_parser("history", help="say what happened, and whether it has before")
    _add_span(history)
    history.add_argument(
        "--kind",
        type=_kinds,
        default=frozenset(),
        metavar="KIND,...",
        help=f"only these: {', '.join(KINDS)}",
    )
    history.add_argument(
        "--like",
        type=_like,
        metavar="WHAT",
        help="count how often something happened by day and hour: cold, nozzle/cold (an alarm),"
        " nozzle/low, nozzle/excursion",
    )
    _add_forms(history)
    history.set_defaults(command=run_history)

    compare = commands.add_parser(
        "compare", help="say what a configuration would have concluded from a record"
    )
    _add_span(compare)
    compare.add_argument("configuration", type=Path, metavar="CONFIG", help="with other limits")
    _add_forms(compare)
    compare.set_defaults(command=run_compare)

    export = commands.add_parser("export", help="write readings to a file, CSV or Parquet")
    export.add_argument("ledger", type=Path, metavar="LEDGER", help="ledger file")
    export.add_argument(
        "--from", dest="since", type=_moment, required=True, metavar="T", help=_TIME
    )
    export.add_argument("--to", dest="until", type=_moment, required=True, metavar="T")
    export.add_argument("--cell", metavar="NAME", help="only channels of this cell")
    export.add_argument("--source", metavar="NAME", help="only this source")
    export.add_argument("--zones", action="store_true", help="only channels of heat zones")
    export.add_argument("-o", "--output", type=Path, required=True, metavar="FILE")
    export.add_argument(
        "--format",
        choices=("csv", "parquet"),
        help="default: by the name of the file, else CSV; Parquet needs watchedpot[parquet]",
    )
    _add_asked(export)
    export.set_defaults(command=run_export)


def _add_span(parser: argparse.ArgumentParser) -> None:
    """Which ledger, and which part of it."""
    parser.add_argument("ledger", type=Path, metavar="LEDGER", help="ledger file")
    parser.add_argument(
        "--since", type=_moment, metavar="T", help=f"{_TIME} (default: where the record begins)"
    )
    parser.add_argument(
        "--until", type=_moment, metavar="T", help="the same (default: where it ends)"
    )
    parser.add_argument("--cell", metavar="NAME", help="only this cell")
    _add_asked(parser)


def _add_asked(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--at",
        type=_moment,
        metavar="T",
        help="the moment of asking (default: now, or the end of a record that runs ahead)",
    )


def _add_forms(parser: argparse.ArgumentParser) -> None:
    """For whom the answer is."""
    forms = parser.add_mutually_exclusive_group()
    forms.add_argument("--json", action="store_true", help="print for a program, base units, UTC")
    forms.add_argument("--csv", action="store_true", help="print a table for a spreadsheet")


def _moment(text: str) -> Moment:
    from watchedpot.app.questions.times import moment

    return moment(text)


def _like(text: str) -> Like:
    from watchedpot.app.questions.like import like

    return like(text)


def _kinds(text: str) -> frozenset[str]:
    """Names with commas between them."""
    kinds = frozenset(text.split(","))
    if not kinds <= set(KINDS):
        msg = f"expected some of {', '.join(KINDS)}, got {text!r}"
        raise argparse.ArgumentTypeError(msg)
    return kinds


def run_suspects(options: argparse.Namespace) -> int:
    """Print which parts are suspect."""
    from watchedpot.app.questions import suspects, suspects_data, suspects_text

    asked_ns, since_ns, until_ns = _span(options)
    question = suspects.Question(
        *(asked_ns, since_ns, until_ns, options.cell, options.charge, options.all_verdicts)
    )
    answer = suspects.ask(options.ledger, question)
    _tell(
        options,
        text=lambda: suspects_text.text(answer),
        plain=lambda: suspects_data.as_json(answer),
        table=lambda: suspects_data.as_table(answer),
    )
    return 0


def run_history(options: argparse.Namespace) -> int:
    """Print what happened, or how often something did."""
    from watchedpot.app.questions import history
    from watchedpot.app.questions import like as likes

    asked_ns, since_ns, until_ns = _span(options)
    told = history.ask(
        options.ledger,
        history.Question(asked_ns, since_ns, until_ns, options.cell, options.kind),
    )
    if options.like is not None:
        events = (row.event for row in told.rows if row.event is not None)
        found = likes.recurrence(events, options.like)
        _tell(
            options,
            text=lambda: likes.text(found),
            plain=lambda: likes.as_json(found),
            table=lambda: likes.as_table(found),
        )
    else:
        _tell(
            options,
            text=lambda: history.text(told),
            plain=lambda: history.as_json(told),
            table=lambda: history.as_table(told),
        )
    return 0


def run_compare(options: argparse.Namespace) -> int:
    """Print what other limits would have concluded."""
    from watchedpot.app.config import load
    from watchedpot.app.questions import compare

    question = compare.Question(*_span(options), options.cell)
    answer = compare.ask(options.ledger, load(options.configuration), question)
    _tell(
        options,
        text=lambda: compare.text(answer),
        plain=lambda: compare.as_json(answer),
        table=lambda: compare.as_table(answer),
    )
    return 0


def run_export(options: argparse.Namespace) -> int:
    """Write readings to a file and say how many."""
    from watchedpot.app.questions import export

    _, since_ns, until_ns = _span(options)
    is_parquet = options.output.suffix in {".parquet", ".pq"}
    form = options.format or ("parquet" if is_parquet else "csv")
    question = export.Question(
        *(since_ns or 0, until_ns or 0, options.cell, options.source, options.zones)
    )
    written = export.export(options.ledger, question, options.output, form=form)
    _print(
        f"{options.output}: {written.rows:,} rows of {written.channels} channels"
        f" of {', '.join(written.sources)}"
    )
    return 0


def _span(options: argparse.Namespace) -> tuple[int, int | None, int | None]:
    """When it is asked, since when and until when. [ns].

    A record of accelerated time may be ahead of this computer's clock: then its end is the
    present, so that no time for rework is shown that is over.
    """
    import time

    from watchedpot.outputs import ledger

    asked_ns = time.time_ns()
    if options.at is not None:
        asked_ns = options.at.ns(asked_ns)
    else:
        asked_ns = max(asked_ns, ledger.newest_ns(options.ledger) or asked_ns)
    since_ns, until_ns = (
        None if told is None else told.ns(asked_ns) for told in (options.since, options.until)
    )
    if since_ns is not None and until_ns is not None and since_ns >= until_ns:
        raise ConfigError("span of time", ["expected an end after the beginning"])
    return asked_ns, since_ns, until_ns


def _tell(
    options: argparse.Namespace,
    *,
    text: Callable[[], str],
    plain: Callable[[], dict[str, object]],
    table: Callable[[], tuple[list[str], list[list[object]]]],
) -> None:
    """Print the answer in the form that was asked for."""
    if options.json:
        import json

        _print(json.dumps(plain(), indent=2))
    elif options.csv:
        _print(_csv(*table()))
    else:
        _print(text())


def _csv(names: Sequence[str], rows: Sequence[Sequence[Any]]) -> str:
    """A table as CSV, without the last end of line."""
    import csv
    import io

    told = io.StringIO()
    writer = csv.writer(told, lineterminator="\n")
    writer.writerow(names)
    writer.writerows(rows)
    return told.getvalue().removesuffix("\n")


def _print(text: str) -> None:
    """Print; a reader that has seen enough, as ``head`` does, ends it quietly."""
    try:
        sys.stdout.write(f"{text}\n")
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
